"""Labels of a choice that differ from each other."""

from __future__ import annotations

from collections import Counter
from collections.abc import Hashable, Mapping
from typing import TypeVar

K = TypeVar("K", bound=Hashable)

__all__ = ["told_apart"]


def told_apart(labels: Mapping[K, str], *, by_key: bool = False) -> dict[K, str]:
    """The labels, each with its number where another one reads the same.

    Streamlit knows an option by its label alone: of two that read the same, it gives one for either.

    Parameters
    ----------
    labels : mapping of key to str
    by_key : bool
        The number is the key, as of a record; else the place in the mapping, from 1.
    """
    times = Counter(labels.values())
    return {
        key: label if times[label] == 1 else f"{label}, number {key if by_key else n}"
        for n, (key, label) in enumerate(labels.items(), 1)
    }
