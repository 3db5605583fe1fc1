"""A progress bar with the names of the steps; silent where nobody watches."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from tqdm import tqdm

__all__ = ["step_bar"]


@contextmanager
def step_bar(n_photos: int) -> Iterator[Callable[[str, float], None]]:
    """A callback for :func:`pitmap.pipeline.map_face` that moves a bar on stderr."""
    with tqdm(
        total=100,
        disable=not sys.stderr.isatty(),
        file=sys.stderr,
        bar_format="{desc:12s} {bar} {n:.0f} %",
        leave=False,
    ) as bar:

        def show(step: str, share: float) -> None:
            bar.set_description_str(step, refresh=False)
            bar.n = 100 * share
            bar.refresh()

        yield show
