"""The colour arithmetic of the surface stage against published values."""

from __future__ import annotations

import numpy as np
import pytest
from skimage.color import rgb2lab

from pitmap.surface.illumination import to_lab

# sRGB (8 bit) to CIELAB under D65: IEC 61966-2-1 and CIE 15; values computed with scikit-image 0.26 and
# colour-science 0.4.7, which differ by up to 0.02 because they round the matrix and the white point differently.
# The grey of 119 at L = 50.034 needs no white point: L = 116 f(Y) - 16.
SRGB_TO_LAB = [
    ((255, 255, 255), (100.0000, -0.0025, 0.0047)),
    ((0, 0, 0), (0.0, 0.0, 0.0)),
    ((255, 0, 0), (53.2406, 80.0923, 67.2028)),
    ((0, 255, 0), (87.7351, -86.1830, 83.1797)),
    ((0, 0, 255), (32.2957, 79.1856, -107.8573)),
    ((128, 128, 128), (53.5850, -0.0015, 0.0028)),
    ((119, 119, 119), (50.0344, -0.0014, 0.0026)),
    ((64, 128, 192), (52.2105, 0.0953, -39.4843)),
    ((150, 75, 0), (40.4397, 27.4975, 50.1415)),
    ((200, 180, 120), (73.7266, -1.3407, 33.2139)),
]


@pytest.mark.parametrize(("rgb", "lab"), SRGB_TO_LAB)
def test_to_lab_published(rgb: tuple[int, int, int], lab: tuple[float, float, float]) -> None:
    # two libraries differ by up to 0.02, because each rounds the matrix and the white point its own way
    got = to_lab(np.array([[rgb, rgb, rgb]], np.float32) / 255)[0, 0]
    assert got == pytest.approx(lab, abs=0.03)


def test_to_lab_of_dark_colours_as_scikit_image_says() -> None:
    """Near black both curves are straight lines: the one of sRGB under 0.04045, the one of CIELAB under L = 8."""
    levels = np.array([0, 3, 8, 10, 11, 14, 22, 30, 50], np.float32) / 255
    rgb = np.stack(np.meshgrid(levels, levels, levels), -1).reshape(27, 27, 3)
    assert np.abs(to_lab(rgb) - rgb2lab(rgb)).max() < 0.03
