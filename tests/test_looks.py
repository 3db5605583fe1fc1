"""Several pictures of the same metal: what they say together, by hand-worked numbers."""

from __future__ import annotations

import numpy as np
import pytest

from pitmap.classes import Stage, SurfaceClass
from pitmap.errors import InputError, MeasurementError
from pitmap.surface import PROBABILITY_CLASSES, Look, classify
from pitmap.surface.agreement import Agreement, kappa
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
    """The left third is out of the first frame, the right third burnt out in the second; both end at the 110th row.

    At intake: after a lap a plain picture so small does not tell what is uncut.
    """
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
        pitted(), px_per_mm=10, stage=Stage("intake"), in_frame=in_first | in_second, looks=looks
    )
    assert found.is_seen[:110].all()
    assert not found.is_seen[110:].any()
    assert (found.codes[52:60, 72:82] == SurfaceClass.PIT).all()


@pytest.mark.parametrize("method", ["learned", "classic"])
def test_metal_that_is_burnt_out_in_every_picture_is_unseen_however_narrow(method: str) -> None:
    """A line of glare 0.8 mm wide, which one picture alone would not lose: merging them finds nothing under it."""
    rng = np.random.default_rng(3)
    metal = np.clip(rng.normal(150, 4, (300, 400, 1)), 0, 255).astype(np.uint8).repeat(3, 2)
    metal[100:108, 50:350] = 255
    shows = (metal < 250).all(2)
    look = Look(rgb=metal, in_frame=np.ones(shows.shape, bool), photo_px_per_mm=8.0)
    found = classify(
        metal,
        px_per_mm=10,
        stage="test_lap",
        mask=np.ones(shows.shape, bool),
        in_frame=shows,
        method=method,
        looks=[look, look],
    )
    assert (found.codes[~shows] == SurfaceClass.UNSEEN).all()
    assert found.is_seen[shows].all()


def test_a_picture_on_another_raster_is_refused() -> None:
    small = Look(rgb=pitted()[:60], in_frame=np.ones((60, 160), bool), photo_px_per_mm=8.0)
    with pytest.raises(InputError, match="a look has a picture of"):
        classify(pitted(), px_per_mm=10, stage="test_lap", looks=[small])
    flat = Look(rgb=pitted(), in_frame=np.ones((120, 160), bool), photo_px_per_mm=0.0)
    with pytest.raises(InputError, match="photo_px_per_mm must be above 0"):
        classify(pitted(), px_per_mm=10, stage="test_lap", looks=[flat])


def test_kappa_of_hand_worked_counts() -> None:
    """70 of 100 agree; chance gives .5 * .6 + .5 * .4 = .5, so kappa is (.7 - .5) / (1 - .5) = .4."""
    counts = np.zeros((N, N), int)
    counts[SOUND, SOUND], counts[SOUND, PIT], counts[PIT, SOUND], counts[PIT, PIT] = 40, 10, 20, 30
    assert kappa(counts) == pytest.approx((0.4, 0.3))
    assert kappa(np.zeros((N, N), int)) == (1.0, 0.0)
    counts[:] = 0
    counts[SOUND, SOUND] = 90
    assert kappa(counts) == (1.0, 0.0)


def wide(*pits: slice, **doubt: slice) -> np.ndarray:
    """Logits of 60 x 90 px of metal: sure of pits in these columns, sure of sound metal elsewhere."""
    out = np.full((N, 60, 90), -40.0, np.float32)
    out[SOUND] = 5.0
    for columns in pits:
        out[SOUND, :, columns], out[PIT, :, columns] = 0.0, 5.0
    for columns in doubt.values():
        out[SOUND, :, columns], out[PIT, :, columns] = 0.0, 0.5
    return out


ALL = np.ones((60, 90), bool)


def test_photos_that_are_sure_of_different_things_are_refused() -> None:
    agreement = Agreement(["a.jpg", "", "c.jpg"])
    agreement.add([wide(np.s_[:30]), wide(np.s_[:30]), wide(np.s_[60:])], [ALL] * 3)
    with pytest.raises(
        MeasurementError, match=r"a\.jpg and c\.jpg show different things on 67 % of the metal"
    ):
        agreement.check()


@pytest.mark.parametrize(
    "other, shown",
    [
        (wide(np.s_[:33]), ALL),
        (wide(np.s_[:30], doubt=np.s_[30:]), ALL),
        (wide(np.s_[60:]), np.zeros((60, 90), bool)),
    ],
    ids=["nearly the same", "in doubt", "not shown"],
)
def test_doubt_and_covers_are_no_disagreement(other: np.ndarray, shown: np.ndarray) -> None:
    agreement = Agreement(["", ""])
    agreement.add([wide(np.s_[:30]), other], [ALL, shown])
    agreement.check()
