"""What the tables and sentences of the page say, word for word."""

from __future__ import annotations

import pandas as pd

from pitmap.review.tables import leak_words


def lands(**columns: list) -> pd.DataFrame:
    """Two narrow places of a land 8 mm wide."""
    return pd.DataFrame({
        "place": [1, 2], "x_mm": [12.34, -95.5], "y_mm": [-4.0, 10.0], "sound_width_mm": [0.0, 5.43219],
        "sound_width_low_mm": [0.0, 5.1], "sound_width_high_mm": [0.24, 5.6], "nominal_width_mm": [8.0, 8.0],
        "is_leak_path": [True, False], "flags": [0, 0],
    } | columns)  # fmt: skip


def test_leak_path_is_said_in_words() -> None:
    said = (
        "Leak path at x 12.3, y -4.0 mm: damage crosses the seal land from edge to edge; see the white line."
    )
    assert leak_words(lands()) == said
    assert leak_words(lands(is_leak_path=[True, True])) == f"{said} So does it at x -95.5, y 10.0 mm."
    assert leak_words(lands(is_leak_path=[False, False])) == ""
