"""Several pictures of the same metal: what they say together, by hand-worked numbers."""

from __future__ import annotations

import numpy as np
import pytest

from pitmap.classes import Stage, SurfaceClass
from pitmap.errors import InputError
from pitmap.surface import PROBABILITY_CLASSES, Look, classify
from pitmap.surface.looks import put_together

N = len(PROBABILITY_CLASSES)
SOUND, PIT, UNSEEN = (
    PROBABILITY_CLASSES.index(c) for c in (SurfaceClass.SOUND, SurfaceClass.PIT, SurfaceClass.UNSEEN)
)


def logits(**of: float) -> np.ndarray:
    """One pixel; classes that are not named are out of the question."""
    out = np.full((N, 1, 1), -40.0, np.float32)
    for name, value in of.items():
        out[PROBABILITY_CLASSES.index(SurfaceClass[name])] = value
    return out


def margin(pooled: np.ndarray) -> float:
    """Log odds of a pit against sound metal."""
    return float(pooled[PIT, 0, 0] - pooled[SOUND, 0, 0])


SHOWN, LOST = np.ones((1, 1), bool), np.zeros((1, 1), bool)


def test_one_picture_says_what_it_says() -> None:
    alone = logits(SOUND=1.0, PIT=0.25)
    assert put_together([alone], [SHOWN]) is alone


def test_two_pictures_meet_half_way() -> None:
    """Log odds of +3 and -1 pool to +1."""
    pooled = put_together([logits(SOUND=0.0, PIT=3.0), logits(SOUND=0.0, PIT=-1.0)], [SHOWN, SHOWN])
    assert margin(pooled) == pytest.approx(1.0, abs=1e-5)


def test_two_against_one_outvote_it() -> None:
    said = [logits(SOUND=0.0, PIT=v) for v in (4.0, -3.0, -3.0)]
    assert margin(put_together(said, [SHOWN] * 3)) == pytest.approx(-2 / 3, abs=1e-5)


@pytest.mark.parametrize("blind", [0, 1])
def test_a_picture_that_does_not_show_the_metal_has_no_say(blind: int) -> None:
    said, shown = [logits(SOUND=0.0, PIT=2.0), logits(SOUND=0.0, PIT=2.0)], [SHOWN, SHOWN]
    said[blind], shown[blind] = logits(SOUND=9.0, PIT=0.0), LOST
    assert margin(put_together(said, shown)) == pytest.approx(2.0, abs=0.02)


def test_what_covers_the_metal_in_one_picture_hides_nothing_that_another_shows() -> None:
    covered, bare = logits(UNSEEN=9.0, SOUND=0.0, PIT=0.0), logits(UNSEEN=-9.0, SOUND=0.0, PIT=2.0)
    pooled = put_together([covered, bare], [SHOWN, SHOWN])
    assert pooled[:, 0, 0].argmax() == PIT
    assert pooled[UNSEEN, 0, 0] < -8
    assert put_together([covered, covered], [SHOWN, SHOWN])[:, 0, 0].argmax() == UNSEEN
    assert np.isfinite(put_together([bare, bare], [LOST, LOST])).all()


def pitted() -> np.ndarray:
    metal = np.full((120, 160, 3), 150, np.uint8)
    metal[50:62, 70:84] = 40
    return metal


def test_metal_that_any_picture_shows_is_seen() -> None:
    """The left third is out of the first frame, the right third burnt out in the second; both end at the 110th row."""
    first, second = pitted(), pitted()
    second[:, 110:] = 255
    in_first, in_second = np.ones((120, 160), bool), np.ones((120, 160), bool)
    in_first[:, :50] = False
    in_first[110:] = in_second[110:] = False
    looks = [
        Look(rgb=first, in_frame=in_first, photo_px_per_mm=8.0),
        Look(rgb=second, in_frame=in_second, photo_px_per_mm=8.0),
    ]
    found = classify(
        pitted(), px_per_mm=10, stage=Stage("test_lap"), in_frame=in_first | in_second, looks=looks
    )
    assert found.is_seen[:110].all()
    assert not found.is_seen[110:].any()
    assert (found.codes[52:60, 72:82] == SurfaceClass.PIT).all()


def test_a_picture_on_another_raster_is_refused() -> None:
    small = Look(rgb=pitted()[:60], in_frame=np.ones((60, 160), bool), photo_px_per_mm=8.0)
    with pytest.raises(InputError, match="a look has a picture of"):
        classify(pitted(), px_per_mm=10, stage="test_lap", looks=[small])
    flat = Look(rgb=pitted(), in_frame=np.ones((120, 160), bool), photo_px_per_mm=0.0)
    with pytest.raises(InputError, match="photo_px_per_mm must be above 0"):
        classify(pitted(), px_per_mm=10, stage="test_lap", looks=[flat])
