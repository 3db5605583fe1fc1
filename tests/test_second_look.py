"""The second look at doubtful pits: what it is asked of, what it reads, and what its word does."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from pitmap.classes import Stage, SurfaceClass
from pitmap.surface import PROBABILITY_CLASSES, classifier, classify
from pitmap.surface.learned import default_network, learned_map
from pitmap.surface.looks import Look
from pitmap.surface.second_look import (
    N_READ,
    Doubt,
    SecondReader,
    default_reader,
    doubtful,
    log_odds,
    what_is_read,
    with_pits,
)

PIT, SOUND, STAIN = (
    PROBABILITY_CLASSES.index(c) for c in (SurfaceClass.PIT, SurfaceClass.SOUND, SurfaceClass.STAIN)
)
N_CLASSES, SHAPE = len(PROBABILITY_CLASSES), (30, 40)
TONE = np.array([0.4, 0.6, 0.8], np.float32)


def sound_metal() -> Doubt:
    """Even metal of which the network is sure, far from any edge."""
    probabilities = np.zeros((N_CLASSES, *SHAPE), np.float32)
    probabilities[SOUND] = 1
    return Doubt(
        rgb=np.full((*SHAPE, 3), np.round(255 * TONE), np.uint8),
        reference=TONE,
        known=np.array([*TONE, 1, 0], np.float32),
        edge_mm=np.full(SHAPE, 99, np.float32),
        probabilities=probabilities,
    )


def dark_spot() -> tuple[np.ndarray, np.ndarray]:
    """Lapped metal with a dark pit of 1.2 mm, and the drawn face about it."""
    rng = np.random.default_rng(4)
    rgb = np.clip(165 + rng.normal(0, 3, (300, 420, 1)), 0, 255).astype(np.uint8).repeat(3, axis=2)
    rows, cols = np.mgrid[:300, :420]
    rgb[(rows - 100) ** 2 + (cols - 200) ** 2 <= 36] = (42, 38, 36)
    face = np.ones(rgb.shape[:2], bool)
    face[:20], face[:, :20] = False, False
    return rgb, face


def test_log_odds_of_even_chances_are_nothing_and_certainty_is_a_thousandth_off() -> None:
    assert log_odds(np.array([0.5])) == pytest.approx([0.0])
    assert log_odds(np.array([0.0, 1.0])) == pytest.approx([-math.log(1001), math.log(1001)], rel=1e-5)


@pytest.mark.parametrize("kind", [np.float16, np.float32])
def test_what_may_be_a_pit_is_doubtful_with_a_rim_of_three_pixels_of_metal(kind: type) -> None:
    pit, metal = np.zeros(SHAPE, kind), np.ones(SHAPE, bool)
    pit[10, 20], pit[25, 5] = 0.06, 0.04
    metal[:, 22:] = False
    rows, cols = doubtful(pit, metal)
    assert (rows.min(), rows.max(), cols.min(), cols.max()) == (7, 13, 17, 21)
    assert len(rows) == 7 * 5


def test_even_sound_metal_reads_as_no_tone_and_no_pit() -> None:
    read = what_is_read(sound_metal(), (np.array([15]), np.array([20])))[0]
    assert read.shape == (N_READ,)
    assert np.abs(read[: 3 * 121]).max() < 0.01
    assert read[363 : 363 + 49] == pytest.approx(-math.log(1001) / 4, rel=1e-4)
    assert read[-6:] == pytest.approx([0, *TONE, 1, 0])


def test_a_dark_pixel_and_a_likely_pit_are_read_where_they_lie_also_at_the_border() -> None:
    doubt = sound_metal()
    rgb, probabilities = doubt.rgb.copy(), doubt.probabilities.copy()
    rgb[0, 3, 1] = 0
    probabilities[PIT, 2, 1], probabilities[SOUND, 2, 1] = 0.5, 0.5
    seen = Doubt(
        rgb=rgb,
        reference=TONE,
        known=doubt.known,
        edge_mm=np.full(SHAPE, 1, np.float32),
        probabilities=probabilities,
    )
    read = what_is_read(seen, (np.array([1, 20]), np.array([1, 30])))
    green = read[0, 121:242].reshape(11, 11)
    # five pixels to each side: the row above is the picture's first, and so are those beyond the border
    dark = np.argwhere(green < -0.9)
    assert dark.tolist() == [[r, 7] for r in range(5)]
    odds = 4 * read[0, 363:412].reshape(7, 7)
    assert odds[4, 3] == pytest.approx(0, abs=1e-3)
    assert (odds < -6).sum() == 48
    assert read[0, -6] == pytest.approx(0.75)


def test_steps_change_the_odds_of_a_pit_and_leave_the_others_their_share() -> None:
    before = np.zeros((N_CLASSES, 3), np.float32)
    before[PIT], before[SOUND], before[STAIN] = 0.5, 1 / 3, 1 / 6
    after = with_pits(before, np.log(np.array([1, 3, 1 / 3], np.float32)))
    assert after[PIT] == pytest.approx([0.5, 0.75, 0.25], abs=2e-3)
    assert after.sum(0) == pytest.approx([1, 1, 1], abs=1e-5)
    assert after[SOUND] / after[STAIN] == pytest.approx([2, 2, 2], rel=2e-3)


def test_a_certain_pit_that_is_doubted_leaves_the_rest_to_sound_metal() -> None:
    before = np.zeros((N_CLASSES, 1), np.float32)
    before[PIT] = 1
    after = with_pits(before, np.array([-math.log(1001)], np.float32))
    assert after[:, 0] == pytest.approx(np.eye(N_CLASSES)[[PIT, SOUND]].mean(0), abs=2e-3)


def test_reader_answers_many_places_as_it_answers_each() -> None:
    doubt = sound_metal()
    rng = np.random.default_rng(1)
    at = rng.integers(0, 30, 50_000), rng.integers(0, 40, 50_000)
    steps = default_reader().steps(doubt, at)
    assert steps.shape == (50_000,)
    alone = default_reader().steps(doubt, (at[0][-1:], at[1][-1:]))
    assert steps[-1:] == pytest.approx(alone, abs=1e-4)


def test_reader_does_not_overrule_a_network_that_is_sure() -> None:
    """Log odds of 0.999 are 6.9; two less are still those of 0.99, whatever the picture."""
    rng = np.random.default_rng(2)
    doubt = sound_metal()
    wild = replace(doubt, rgb=rng.integers(0, 256, (*SHAPE, 3), np.uint8))
    at = np.nonzero(np.ones(SHAPE, bool))
    assert np.abs(default_reader().steps(wild, at)).max() <= 2


def test_a_pixel_in_the_midst_of_a_pit_is_no_sound_metal() -> None:
    class Spares(Says):
        def steps(self, doubt: Doubt, at: tuple[np.ndarray, np.ndarray]) -> np.ndarray:
            says = super().steps(doubt, at)
            says[(at[0] == 100) & (at[1] == 200)] = -20
            return says

    assert read([np.ones((300, 420), bool)], Spares(0))[0][100, 200]


def test_second_look_is_for_lapped_faces_with_a_drawing_and_the_network_that_ships(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    rgb, face = dark_spot()
    asked: list[bool] = []

    def told(*args: Any, **choices: Any) -> Any:
        asked.append(choices["reader"] is not None)
        return learned_map(*args, **choices)

    monkeypatch.setattr(classifier, "learned_map", told)
    own = default_network()
    classify(rgb, px_per_mm=10, stage="intake", mask=face)
    classify(rgb, px_per_mm=10, stage="test_lap")
    classify(rgb, px_per_mm=10, stage="test_lap", mask=face, network=own)
    classify(rgb, px_per_mm=10, stage="test_lap", mask=face)
    assert asked == [False, False, False, True]


class Says(SecondReader):
    """A reader that always gives the same answer, and remembers what it was asked."""

    def __init__(self, step: float) -> None:
        self.step, self.asked = step, 0

    def steps(self, doubt: Doubt, at: tuple[np.ndarray, np.ndarray]) -> np.ndarray:
        self.asked += len(at[0])
        return np.full(len(at[0]), self.step, np.float32)


def read(readers_look: list[np.ndarray], reader: SecondReader | None) -> tuple[np.ndarray, np.ndarray]:
    """Pits and their probability, of metal with a dark spot that several pictures show or do not show."""
    rgb, _ = dark_spot()
    metal = np.ones(rgb.shape[:2], bool)
    looks = [Look(rgb=rgb, in_frame=metal, photo_px_per_mm=10.0) for _ in readers_look]
    codes, _, _, kept = learned_map(
        default_network(),
        looks,
        readers_look,
        metal,
        np.full(metal.shape, 99, np.float32),
        Stage("test_lap"),
        reader=reader,
        may_be_covered=False,
        keep_probabilities=True,
    )
    assert kept is not None
    return codes == SurfaceClass.PIT, kept[PIT]


def test_word_of_the_second_look_counts() -> None:
    everywhere = np.ones((300, 420), bool)
    pits, _ = read([everywhere], None)
    assert pits[100, 200]
    no, yes = Says(-20), Says(20)
    pits, kept = read([everywhere], no)
    assert no.asked > 113  # the spot's own pixels
    assert not pits.any()
    assert kept.max() < 0.05
    pits, _ = read([everywhere], yes)
    assert yes.asked == no.asked == pits.sum()


def test_a_picture_that_does_not_show_the_place_has_no_word_in_it() -> None:
    everywhere, nowhere = np.ones((300, 420), bool), np.zeros((300, 420), bool)

    class Turns(Says):
        def steps(self, doubt: Doubt, at: tuple[np.ndarray, np.ndarray]) -> np.ndarray:
            self.step = -self.step  # the first picture says 20, the second -20
            return super().steps(doubt, at)

    assert read([everywhere, nowhere], Turns(-20))[0][100, 200]
    assert not read([nowhere, everywhere], Turns(-20))[0].any()
    _, alone = read([everywhere, everywhere], None)
    _, both = read([everywhere, everywhere], Turns(-20))
    assert both[100, 200] == pytest.approx(alone[100, 200], abs=2e-3)
