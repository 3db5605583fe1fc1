"""Repeatability studies: what they refuse, pool, and say."""

import re
import weakref
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from main_job_survey import DRAWING
from main_job_survey import run as command_line
from rounds import long

from pitmap.compare import (
    STUDY_VALUES,
    StudyRun,
    gage_anova,
    gage_average_range,
    limits_of_agreement,
    study,
    study_deviations,
    study_gaps,
    study_heading,
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


def test_equal_repeats_prove_nothing_though_their_numbers_are_not_exact():
    """0.1, 0.2 ... are no exact binary numbers: their means round, and the crumbs are no spread of a gage."""
    for operators in (1, 2, 3):
        result = gage_anova(crossed(5, operators, 3, lambda p, o, t: 0.1 * p + 0.3))
        assert (result.anova["ss"][["operators", "interaction", "repeatability"]] == 0).all()
        assert result.ndc == 1 and not result.least_change.is_known


def test_interaction_is_not_pooled_where_the_photos_of_one_person_are_equal():
    """Persons differ by +-0.1 with the sign of the face, times not at all: that is interaction alone.

    MS of 4 faces, 2 persons, 2 times: 16 cells' values, 0.01 each, over 3 degrees of freedom; its variance is half of it.
    """
    result = gage_anova(crossed(4, 2, 2, lambda p, o, t: 10 * p + 0.1 * (-1) ** (p + o)))
    assert not result.is_pooled
    assert result.anova.loc["interaction", ["f", "p"]].tolist() == [np.inf, 0]
    assert result.components.loc["grr", "variance"] == pytest.approx(16 * 0.01 / 3 / 2)


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
    ("parts", "operators", "trials", "operator_sd", "interaction_sd"),
    [
        long(5, 3, 2, 0.0, 0.0),
        (5, 3, 2, 1.0, 0.0),
        long(5, 3, 2, 2.0, 0.0),
        (5, 3, 2, 1.0, 0.5),
        long(10, 2, 3, 1.0, 0.0),
    ],
)
def test_least_change_covers_the_truth_where_people_differ(
    parts, operators, trials, operator_sd, interaction_sd
):
    """90 % intervals over 600 studies: 1.2 points of standard error; at most 5 % may lie over the high end, plus it."""
    rng = np.random.default_rng(7)
    of = pd.MultiIndex.from_product(
        [range(parts), range(operators), range(trials)], names=["part", "operator", "trial"]
    ).to_frame(index=False)
    truth = 1.6448536 * 2**0.5 * (operator_sd**2 + interaction_sd**2 + 1) ** 0.5
    n, covered, above = 600, 0, 0
    for _ in range(n):
        y = (
            5 * rng.standard_normal((parts, 1, 1))
            + operator_sd * rng.standard_normal((1, operators, 1))
            + interaction_sd * rng.standard_normal((parts, operators, 1))
            + rng.standard_normal((parts, operators, trials))
        )
        least = gage_anova(of.assign(value=y.ravel())).least_change
        covered += least.covers(truth)
        above += truth > least.high
    assert 0.85 <= covered / n <= 0.95
    assert above / n <= 0.08


def test_least_change_interval_by_hand():
    """2 faces, 2 people, 2 times; +-1 between the times, and one person reads 10 more: MS 200, 0 and 2.

    Chi-square points of 90 %: 3.8415 and 0.0039321 with 1 degree of freedom, 9.4877 and 0.71072 with 4.
    """
    result = gage_anova(crossed(2, 2, 2, lambda p, o, t: 10 * o + (1 if t else -1)))
    assert result.anova["ms"].iloc[:4].tolist() == pytest.approx([0, 200, 0, 2])
    below = ((1 - 1 / 3.8415) * 50) ** 2 + ((1 - 4 / 9.4877) * 1) ** 2
    above = ((1 / 0.0039321 - 1) * 50) ** 2 + ((4 / 0.71072 - 1) * 1) ** 2
    scale = 1.6448536 * 2**0.5
    least = result.least_change
    assert least.low == pytest.approx(scale * (51 - below**0.5) ** 0.5, rel=1e-4)
    assert least.high == pytest.approx(scale * (51 + above**0.5) ** 0.5, rel=1e-4)
    # The interaction is pooled: the error is 8 / 5, the people's part (200 - 8 / 5) / 4.
    assert least.value == pytest.approx(scale * (8 / 5 + (200 - 8 / 5) / 4) ** 0.5)


@pytest.mark.parametrize(
    ("change", "match"),
    [
        (lambda t: t.drop(columns="trial"), "columns missing: trial"),
        (lambda t: t.drop(index=3), "the same number of times.*operator 1 has 1 of 2 for face 0"),
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


def run(part, operator, trial, share, pits, width, unseen=0.0):
    zones = pd.DataFrame(
        {"zone": ["seal_land"], "class_word": ["affected"], "share": [share], "unseen_share": [unseen]}
    )
    marks = pd.DataFrame({"zone": ["seal_land"] * pits, "class_word": ["pit"] * pits})
    lands = pd.DataFrame({"sound_width_mm": [width]} if width else {"sound_width_mm": []})
    measurement = SimpleNamespace(zones=zones, marks=marks, lands=lands)
    return StudyRun(part=part, operator=operator, trial=trial, measurement=measurement)


def test_study_of_inspections_gives_a_table_per_figure():
    rng = np.random.default_rng(8)
    runs = [
        run(p, o, t, 0.02 * k + rng.normal(0, 0.001), 10 * k + int(rng.integers(0, 3)), 0)
        for k, p in enumerate(("front", "rear", "centre"), 1)
        for o in ("A", "B", "C")
        for t in (1, 2)
    ]
    STUDY_VALUES.check(study_values(runs))
    results = study(runs)
    assert sorted(results) == ["affected_share", "n_pits"]
    sentence = study_sentence("affected_share", results["affected_share"])
    assert sentence.startswith("affected share: two single photos of this workshop prove a change from 0.")
    assert "percentage points on (90% level; 3 faces, 3 people, 2 photos each)" in sentence
    alone = gage_anova(crossed(3, 1, 2, lambda p, o, t: p + 0.1 * t))
    assert "3 faces, 1 person, 2 photos each" in study_sentence("n_pits", alone)


def test_study_of_a_zone_that_one_photo_does_not_show_has_no_count_of_pits():
    values = study_values([run("front", "A", 1, 0.02, 3, 4.0), run("front", "A", 2, np.nan, 0, 4.0)])
    counts = values[values["quantity"] == "n_pits"].set_index("trial")["value"]
    assert counts[1] == 3 and np.isnan(counts[2])


def test_study_counts_no_pits_of_a_photo_that_shows_a_part_of_the_zone():
    """A photo of a tenth of the land showed 3 of its 30 pits, and the study took that for how far photos agree."""
    seen = {("front", 1): 0.0, ("front", 2): 0.9, ("rear", 1): 0.05, ("rear", 2): 0.0}
    runs = [run(p, "A", t, 0.02, 3 if u > 0.5 else 30, 4.0, u) for (p, t), u in seen.items()]
    values = study_values(runs)
    counts = values[values["quantity"] == "n_pits"].set_index(["part", "trial"])["value"]
    assert {key: n for key, n in counts.items() if not np.isnan(n)} == {
        key: 30.0 for key, unseen in seen.items() if unseen < 0.1
    }
    assert "n_pits" not in study(runs) and "affected_share" in study(runs)
    assert study_gaps(values) == [
        "number of pits, pits: no table, because 1 of 4 photos did not show 95 % of the zone; retake them, first that of "
        "front by A, trial 2."
    ]


def test_study_promises_no_change_that_there_cannot_be():
    """Two people apart by 60 points on one degree of freedom: "a change from 1.8e+02 percentage points on"."""
    apart = gage_anova(crossed(3, 2, 2, lambda p, o, t: 0.1 * p + 0.6 * o + 0.01 * t))
    assert apart.least_change.high > 1.0
    sentence = study_sentence("affected_share", apart)
    assert "may prove no change at all" in sentence and "e+" not in sentence
    counted = study_sentence("n_pits", gage_anova(crossed(3, 2, 2, lambda p, o, t: 10.0 * p + 60 * o + t)))
    assert re.search(r"prove a change from [1-9]\d+00 pits on", counted)


def test_a_quantity_that_a_photo_did_not_show_is_named():
    """Its table was left out without a word."""
    runs = [
        run(p, "A", t, 0.02, 3, np.nan if (p, t) == ("rear", 2) else 4.0)
        for p in ("front", "rear")
        for t in (1, 2)
    ]
    assert "sound_width_mm" not in study(runs)
    assert study_gaps(study_values(runs)) == [
        "narrowest sound width, mm: no table, because 1 of 4 photos did not show it; retake them, first that of rear by A, "
        "trial 2."
    ]


def test_study_tables_name_their_unit():
    assert [study_heading(q) for q in ("affected_share", "sound_width_mm")] == [
        "affected share, parts of 1", "narrowest sound width, mm",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("quantity", "inch", "factor"),
    [
        ("sound_width_mm", "narrowest sound width, in", 1 / 25.4),
        ("affected_share", "affected share, parts of 1", 1.0),
        ("n_pits", "number of pits, pits", 1.0),
    ],
)
def test_study_is_told_in_inches_where_they_are_asked_for(quantity, inch, factor):
    result = gage_anova(crossed(3, 2, 2, lambda p, o, t: p + 0.1 * o + 0.01 * t))
    assert study_heading(quantity, system="inch") == inch
    as_measured = result.components["sd"]
    assert study_deviations(quantity, result, system="inch").to_dict() == pytest.approx(
        (as_measured * factor).to_dict()
    )
    assert study_deviations(quantity, result).to_dict() == as_measured.to_dict()


class Mapped:
    """What `map_face` gives, with the measurement that a study takes of it."""

    def __init__(self, width):
        self.measurement = run("", "", 0, 0.1, 3, width).measurement


@pytest.fixture
def widths_study(tmp_path, monkeypatch):
    """A list of two faces, two photos each, whose maps find the widths 25.4, 22.86, 50.8 and 48.26 mm.

    With it, for each photo, how many maps of earlier ones were held when it was mapped.
    """
    made, held = [], []
    widths = iter([25.4, 22.86, 50.8, 48.26])

    def map_face(*_, **__):
        held.append(sum(m() is not None for m in made))
        mapped = Mapped(next(widths))
        made.append(weakref.ref(mapped))
        return mapped

    monkeypatch.setattr("pitmap.pipeline.map_face", map_face)
    monkeypatch.setattr("pitmap.photo.read_photo", lambda *_, **__: None)
    rows = [("front", 1), ("front", 2), ("rear", 1), ("rear", 2)]
    for part, trial in rows:
        (tmp_path / f"{part}{trial}.jpg").write_text(f"{part}{trial}")
    text = "part,operator,trial,photo\n" + "".join(f"{p},Ada,{t},{p}{t}.jpg\n" for p, t in rows)
    (tmp_path / "list.csv").write_text(text)
    return tmp_path / "list.csv", held


def test_study_command_takes_the_units_as_the_other_commands_do(widths_study, tmp_path, capsys):
    """The photos of a face are 0.1 in apart: a repeatability of 0.0707 in."""
    listed, _ = widths_study
    out = tmp_path / "figures.csv"
    options = ("--drawing", DRAWING, "--units", "inch", "--out", str(out))
    assert command_line("study", str(listed), *options) == 0
    printed = capsys.readouterr().out
    assert "narrowest sound width, in\n" in printed and " in on (90% level" in printed
    assert re.search(r"repeatability +0\.0707", printed) and " mm" not in printed
    assert "25.4" in out.read_text()  # the file says mm in the name of its quantity


def test_study_command_holds_no_map_while_it_makes_the_next(widths_study):
    """Every map of a study was held to its end: 34 MB for each photo of 1,600 px."""
    listed, held = widths_study
    assert command_line("study", str(listed), "--drawing", DRAWING) == 0
    assert held == [0, 0, 0, 0]


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
