"""Is a JPEG file whole? Decoders fill what is missing with grey, and grey would be read as metal."""

from __future__ import annotations

import re

__all__ = ["is_whole_jpeg"]

_AFTER_SCAN = re.compile(rb"\xff[^\x00\xd0-\xd7\xff]")
_SOS, _EOI = 0xDA, 0xD9
_STANDALONE = frozenset({0x01, 0xD8, *range(0xD0, 0xD8)})


def is_whole_jpeg(data: bytes) -> bool:
    """True when the markers lead from the start of the picture to its end-of-image marker.

    Bytes after the end (a second picture, a maker's trailer) do not matter.

    References
    ----------
    ITU-T T.81 (JPEG), Annex B: marker segments; 0xFF in coded data is followed by 0x00 or a restart marker.
    """
    place, n, has_scan = 2, len(data), False
    while place + 2 <= n:
        if data[place] != 0xFF:
            # Stray bytes between segments: decoders skip ahead to the next marker, so do the same.
            found = _AFTER_SCAN.search(data, place)
            if found is None:
                return False
            place = found.start()
        while place + 1 < n and data[place + 1] == 0xFF:
            place += 1
        if place + 1 >= n:
            return False
        marker = data[place + 1]
        place += 2
        if marker == _EOI:
            return has_scan
        if marker in _STANDALONE or marker == 0x00:
            continue
        if place + 2 > n:
            return False
        place += max(2, int.from_bytes(data[place : place + 2], "big"))
        if marker == _SOS:
            has_scan = True
            found = _AFTER_SCAN.search(data, place)
            if found is None:
                return False
            place = found.start()
    return False
