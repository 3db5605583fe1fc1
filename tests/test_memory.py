"""Memory of whole maps, one after the other in one process, as the review page makes them."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import cv2
import pytest

STATUS = Path("/proc/self/status")
pytestmark = pytest.mark.skipif(not STATUS.exists(), reason="peak memory is not told on this system")
SAMPLES = Path(__file__).parents[1] / "sample_images_synthetic"
_LARGEST_MB = 1000
_MAPS = """
import sys
from pitmap.drawing import load_drawing
from pitmap.pipeline import map_face
drawing = load_drawing(sys.argv[2])
for _ in range(3):
    face = map_face([sys.argv[1]], drawing, stage="test_lap")
# the resource module tells the peak of the process that this one was forked from, where that was larger
print(next(line.split()[1] for line in open("/proc/self/status") if line.startswith("VmHWM")))
"""


def test_maps_of_a_12_megapixel_photo_stay_under_a_gigabyte(tmp_path: Path) -> None:
    """The bar that the project set itself."""
    photo = cv2.imread(str(SAMPLES / "a_test_lap" / "photo.jpg"))
    large = tmp_path / "large.jpg"
    cv2.imwrite(str(large), cv2.resize(photo, (4000, 3000), interpolation=cv2.INTER_CUBIC))
    said = subprocess.run(
        [sys.executable, "-c", _MAPS, str(large), "heron40_intermediate_a"],
        capture_output=True,
        text=True,
        check=True,
    )
    assert int(said.stdout) / 1024 < _LARGEST_MB
