"""Repeatability studies: what they refuse, pool, and say."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from pitmap.compare import (
    STUDY_VALUES,
    StudyRun,
    gage_anova,
    gage_average_range,
    limits_of_agreement,
    study,
    study_sentence,
    study_values,
)
from pitmap.errors import InputError, NotEnoughData


def crossed(parts, operators, trials, value):
    return pd.DataFrame(
        [
            {"part": p, "operator": o, "trial": t, "value": value(p, o, t)}
            for p in range(parts)
            for o in range(operators)
            for t in range(trials)
        ]
    )


def test_anova_hand_example_without_noise_between_people():
    # Parts 0 and 10 apart, trials +-1: repeatability 2, no operator effect.
    result = gage_anova(crossed(2, 2, 2, lambda p, o, t: 10 * p + (1 if t else -1)))
    assert result.anova.loc["repeatability", "ss"] == pytest.approx(8)
    assert result.is_pooled
    assert result.components.loc["repeatability", "variance"] == pytest.approx(8 / 5)
    assert result.components.loc["reproducibility", "variance"] == 0
    assert result.components.loc["part", "variance"] == pytest.approx((200 - 8 / 5) / 4)


def test_anova_one_person_has_no_reproducibility():
    result = gage_anova(crossed(3, 1, 2, lambda p, o, t: p + 0.1 * t))
    assert result.components.loc["reproducibility", "variance"] == 0
    assert np.isnan(result.anova.loc["operators", "ms"]) and not result.is_pooled
    assert result.components.loc["repeatability", "variance"] == pytest.approx(0.005)


def test_least_change_is_1_645_root_2_times_the_gage_sd():
    result = gage_anova(crossed(3, 1, 2, lambda p, o, t: p + 0.1 * t))
    assert result.least_change.value == pytest.approx(1.6448536 * 2**0.5 * 0.005**0.5)
    assert result.least_change.low < result.least_change.value < result.least_change.high


def test_least_change_covers_the_truth():
    # The gage SD is known, so the interval of the least change can be counted.
    rng = np.random.default_rng(3)
    hits = 0
    for _ in range(200):
        part = rng.normal(0, 5, 6)
        result = gage_anova(crossed(6, 2, 3, lambda p, o, t, part=part: part[p] + rng.normal()))
        hits += result.least_change.covers(1.6448536 * 2**0.5)
    assert 0.84 <= hits / 200 <= 0.97


@pytest.mark.parametrize(
    ("change", "match"),
    [
        (lambda t: t.drop(columns="trial"), "columns missing: trial"),
        (lambda t: t.drop(index=3), "the same number of times"),
        (lambda t: t.assign(trial=1), "the same number of times"),
        (lambda t: t.assign(value=[np.nan] + [1.0] * (len(t) - 1)), "no number for part 0"),
    ],
)
def test_study_refuses_incomplete_tables(change, match):
    with pytest.raises(InputError, match=match):
        gage_anova(change(crossed(3, 2, 2, lambda p, o, t: p + t)))


def test_study_needs_two_faces_and_two_photos():
    with pytest.raises(NotEnoughData, match="1 faces"):
        gage_anova(crossed(1, 2, 2, lambda p, o, t: p + t))


def test_average_range_refuses_what_the_published_constants_do_not_cover():
    with pytest.raises(InputError, match="use the ANOVA method"):
        gage_average_range(crossed(3, 2, 4, lambda p, o, t: p + t))


def run(part, operator, trial, share, pits, width):
    zones = pd.DataFrame({"zone": ["seal_land"], "class_word": ["affected"], "share": [share]})
    marks = pd.DataFrame({"zone": ["seal_land"] * pits, "class_word": ["pit"] * pits})
    lands = pd.DataFrame({"sound_width_mm": [width]} if width else {"sound_width_mm": []})
    measurement = SimpleNamespace(zones=zones, marks=marks, lands=lands)
    return StudyRun(
        part=part, operator=operator, trial=trial, inspection=SimpleNamespace(measurement=measurement)
    )


def test_study_of_inspections_gives_a_table_per_figure():
    rng = np.random.default_rng(8)
    runs = [
        run(p, o, t, 0.02 * k + rng.normal(0, 0.001), 10 * k + int(rng.integers(0, 3)), 0)
        for k, p in enumerate(("front", "rear", "centre"), 1)
        for o in ("A", "B")
        for t in (1, 2)
    ]
    STUDY_VALUES.check(study_values(runs))
    results = study(runs)
    assert sorted(results) == ["affected_share", "n_pits"]
    sentence = study_sentence("affected_share", results["affected_share"])
    assert sentence.startswith("affected share: two single photos of this workshop prove a change from 0.")
    assert "percentage points on (90% level; 3 faces, 2 people, 2 photos each)" in sentence


def test_study_of_a_zone_that_one_photo_does_not_show_has_no_count_of_pits():
    values = study_values([run("front", "A", 1, 0.02, 3, 4.0), run("front", "A", 2, np.nan, 0, 4.0)])
    counts = values[values["quantity"] == "n_pits"].set_index("trial")["value"]
    assert counts[1] == 3 and np.isnan(counts[2])


def test_study_sentence_says_why_nothing_can_be_said():
    result = gage_anova(crossed(3, 2, 2, lambda p, o, t: float(p)))
    assert not result.least_change.is_known
    assert "not known: all repeats gave the same number" in study_sentence("n_pits", result)


def test_study_without_one_full_figure_is_refused():
    with pytest.raises(NotEnoughData, match="no figure was measured"):
        study([])


def test_limits_of_agreement_refuses_unequal_rows():
    with pytest.raises(InputError, match="one length"):
        limits_of_agreement([1, 2, 3], [1, 2])
    with pytest.raises(NotEnoughData, match="2 pairs"):
        limits_of_agreement([1, 2], [1, 2])
