"""Damage from one tile laid on the metal of another, so that the network meets it on metal and in light of every kind.

After the copy-and-paste augmentation of G. Ghiasi et al., "Simple Copy-Paste is a Strong Data Augmentation Method for
Instance Segmentation", CVPR 2021; here what is copied is the tone against the sound metal round it, not the pixels.
"""

from __future__ import annotations

import numpy as np
import torch
import torch.nn.functional as F
from scenes import IGNORE, UNSEEN

SOUND, UNCUT = 0, 4
COARSE, NEAR = 8, 11
"""Sound metal within about 4 mm gives the tone that damage is seen against: a mean over 11 cells of 8 pixels."""
RIM_PX = 2
STRONGEST = 4.0


def _mean_near(a: torch.Tensor) -> torch.Tensor:
    cells = F.avg_pool2d(a[None], COARSE, ceil_mode=True)
    wide = F.avg_pool2d(cells, NEAR, 1, NEAR // 2)
    return F.interpolate(wide, size=a.shape[1:], mode="bilinear", align_corners=False)[0]


def tone_of_sound(tile: dict) -> torch.Tensor:
    """Tone (3, n, n) of the sound metal near each pixel; the metal's middle tone where none is near."""
    sound = ((tile["label"] == SOUND) & tile["mask"]).float()[None]
    reference = tile["reference"][:, None, None]
    few = 0.02
    return (_mean_near(tile["picture"] * sound) + few * reference) / (_mean_near(sound) + few)


def transplant(tile: dict, donor: dict, rng: np.random.Generator) -> None:
    """Lay damage of `donor` on `tile`, in place; some of its classes, all of them more often than not."""
    theirs = donor["label"]
    wanted = [k for k in range(1, UNCUT + 1) if rng.random() < 0.85]
    if not (tile["lapped"] and donor["lapped"]):
        # what the lap has not reached means nothing on a face that was not lapped
        wanted = [k for k in wanted if k != UNCUT]
    damage = torch.zeros_like(theirs, dtype=torch.bool)
    for k in wanted:
        damage |= theirs == k
    damage &= donor["mask"] & tile["mask"] & (tile["label"] != UNSEEN) & (tile["label"] != IGNORE)
    if not bool(damage.any()):
        return
    ratio = donor["picture"] / tone_of_sound(donor).clamp_min(0.02)
    laid = (ratio.clamp(0, STRONGEST) * tone_of_sound(tile)).clamp(0, 1)
    side = 2 * RIM_PX + 1
    alpha = F.max_pool2d(damage.float()[None], side, 1, RIM_PX)
    alpha = F.avg_pool2d(alpha, side, 1, RIM_PX, count_include_pad=False)
    alpha = alpha * tile["mask"]
    tile["picture"] = tile["picture"] + (laid - tile["picture"]) * alpha
    tile["label"] = torch.where(damage, theirs, tile["label"])
