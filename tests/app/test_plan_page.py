"""The Plan page on a small mapped face, and what its limit sheet does to the pages beside it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from page_steps import page, place_of, switch_while_typing
from streamlit.testing.v1 import AppTest
from survey_fakes import keep_survey

from pitmap.casebook import Casebook, Face, Job, Plate, Survey
from pitmap.depth import readings_from_rows
from pitmap.estimate import Estimate
from pitmap.measure import ErrorModel
from pitmap.review.screens import plan as plan_page
from pitmap.stock import LIMIT_TEXT, Limit, LimitSheet, StockPlan
from pitmap.workflow import (
    LIMITS_ROLE,
    drawing_of,
    housing_dip_of,
    keep_readings,
    limits_of,
    open_inspection,
    save_limits,
)

pytestmark = pytest.mark.filterwarnings("default")


@pytest.fixture
def kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[tuple[Casebook, Survey]]:
    import streamlit as st

    st.cache_resource.clear()
    monkeypatch.setenv("PITMAP_CASEBOOK", str(tmp_path / "book"))
    with Casebook(tmp_path / "book", who="Ada") as book:
        survey, _, _ = keep_survey(book, tmp_path / "map", [(-14.0, 0.0, 2.0), (14.0, 0.0, 1.0)])
        yield book, survey


def open_page(module: str, survey: Survey) -> AppTest:
    return page(module, **place_of(survey)).run()


def keep_old_sheet(book: Casebook) -> None:
    """A sheet as an older pitmap kept it: no stock may come off, which would lock every plan."""
    plate = book.get(Plate, 1)
    book.attach_file(
        plate, b'[limits.total_stock]\nvalue = "0.0 um"\nsource = "own rule"\n', "limits.toml",
        role=LIMITS_ROLE, face=book.get(Face, 1),
    )  # fmt: skip


def test_limit_sheet_that_cannot_be_used_is_mended_on_the_plan_page(kept: tuple[Casebook, Survey]) -> None:
    book, survey = kept
    keep_old_sheet(book)
    test = open_page("plan", survey)
    row = "Most stock that may come off this face over the plate's life"
    assert f"{row}: expected more than 0, got 0 um" in [e.value for e in test.error]
    field = next(t for t in test.text_input if t.label == row)
    assert field.value == "0.0 um"
    field.input("100 um")
    next(b for b in test.button if b.label == "Keep the limit sheet").click().run()
    assert [e.value for e in test.error] == []
    assert limits_of(book, book.get(Face, 1)).entries == {
        "total_stock": Limit(value=100.0, source="own rule")
    }


def keep_two_readings(book: Casebook, survey: Survey) -> None:
    """Both pits are read, so that the plan knows its stock."""
    rows = [
        {"stage": "test_lap", "kind": "pit_depth", "mark": mark, "value": value}
        for mark, value in ((1, "70 um"), (2, "40 um"))
    ]
    drawing = drawing_of(book, book.get(Plate, 1), book.get(Face, 1))
    inspection = open_inspection(book, survey, book.inspections(survey)[-1], drawing)
    keep_readings(book, survey, readings_from_rows(rows).table, inspection)


@pytest.mark.parametrize("module", ["depth", "record"])
def test_page_beside_says_which_limit_is_wrong_and_where_to_correct_it(
    kept: tuple[Casebook, Survey], module: str
) -> None:
    book, survey = kept
    keep_old_sheet(book)
    assert [e.value for e in open_page(module, survey).error] == [
        "limit sheet of face A, most stock that may come off this face over the plate's life: expected more than 0, got "
        "0 um; correct it on the Plan page, under Limit sheet of this face"
    ]


def test_limit_that_cannot_be_is_told_beside_its_row_by_its_label(kept: tuple[Casebook, Survey]) -> None:
    book, survey = kept
    test = open_page("plan", survey)
    row = [t.label for t in test.text_input].index("Largest uncut share of a working zone")
    test.text_input[row].input("120 %")
    test.text_input[row + 2].input("own rule")
    next(b for b in test.button if b.label == "Keep the limit sheet").click().run()
    assert [e.value for e in test.error] == [
        "Largest uncut share of a working zone: expected at most 100 percent, got 120",
        "Nothing is kept yet. To be corrected above: largest uncut share of a working zone.",
    ]
    assert limits_of(book, book.get(Face, 1)).entries == {}


def test_limit_sheet_is_shown_in_the_units_of_the_page_and_keeps_to_the_last_figure(
    kept: tuple[Casebook, Survey],
) -> None:
    """Typed as 6 thou, a limit stood there as 152.4 um. 150 um are 5.9055 thou: read back as 5.91 they would be 150.1 um."""
    book, survey = kept
    plate, face = book.plates()[0], book.get(Face, survey.face_id)
    limits = {
        "total_stock": Limit(value=150.0, source="page 12"),
        "thickness_min": Limit(value=25.4, source="page 14", uncertainty=0.0127),
    }
    save_limits(book, plate, face, LimitSheet(entries=limits))
    test = page("plan", **place_of(survey), units="inch").run()
    shown = {t.label: t.value for t in test.text_input if "limits_" in (t.key or "")}
    assert shown["Most stock that may come off this face over the plate's life"] == "5.91 thou"
    assert shown["Least thickness of the plate"] == "1.000 in"
    next(t for t in test.text_input if t.value == "page 12").input("page 13")
    next(b for b in test.button if b.label == "Keep the limit sheet").click().run()
    assert [e.value for e in test.error] == []
    now = limits_of(book, face).entries
    assert now == {**limits, "total_stock": Limit(value=150.0, source="page 13")}


def test_give_or_take_says_beside_its_field_what_it_means(kept: tuple[Casebook, Survey]) -> None:
    """A standard deviation in the sheet and a 90 % half-width below it bore the same name: one is 1.64 times the other."""
    labels = [t.label for t in open_page("plan", kept[1]).text_input if t.label.startswith("Give or take")]
    deviation, half = "Give or take (one standard deviation)", "Give or take (holds in 9 cases of 10)"
    assert labels == [deviation] * len(LIMIT_TEXT) + [half]


def test_lengths_typed_in_the_limit_sheet_outlive_a_switch_of_units(kept: tuple[Casebook, Survey]) -> None:
    """The fields had the units of the page in their key: a switch emptied the whole sheet that somebody was copying in."""
    book, survey = kept
    plate, face = book.get(Plate, 1), book.get(Face, 1)
    total = LIMIT_TEXT["total_stock"][1].capitalize()
    stays = Limit(value=150.0, source="page 12")
    save_limits(book, plate, face, LimitSheet(entries={"total_stock": stays}))
    test = open_page("plan", survey)
    typed = {"limit_joint_gap": "3 thou", "source_joint_gap": "page 3", "dip_kept_form_housing": "20 um"}
    switch_while_typing(test, "inch", typed)
    # what nobody touched stands there as it did, to be known again
    assert next(t for t in test.text_input if t.label == total).value == "150 um"
    next(b for b in test.button if b.label == "Keep the limit sheet").click().run()
    assert [e.value for e in test.error] == []
    now = limits_of(book, face).entries
    assert set(now) == {"total_stock", "joint_gap"} and now["total_stock"] == stays
    assert now["joint_gap"].value == pytest.approx(76.2)
    # kept, it comes up anew in the units of the page
    assert next(t for t in test.text_input if t.label == total).value == "5.91 thou"


def test_units_switched_while_another_person_keeps_a_sheet_turn_nothing_back(
    kept: tuple[Casebook, Survey],
) -> None:
    """150 um stands in a field of a page in inch: it is not what its person typed over Ben's 200 um."""
    book, survey = kept
    plate, face = book.get(Plate, 1), book.get(Face, 1)
    total, joint = (LIMIT_TEXT[name][1].capitalize() for name in ("total_stock", "joint_gap"))
    save_limits(book, plate, face, LimitSheet(entries={"total_stock": Limit(value=150.0, source="page 12")}))
    test = open_page("plan", survey)
    switch_while_typing(test, "inch", {"limit_joint_gap": "3 thou"})
    bens = Limit(value=200.0, source="Ben's manual")
    save_limits(book, plate, face, LimitSheet(entries={"total_stock": bens}))
    next(b for b in test.button if b.label == "Keep the limit sheet").click().run()
    shown = {t.label: t.value for t in test.text_input}
    assert (shown[total], shown[joint]) == ("200 um", "3 thou")


def test_problems_stand_in_one_list_after_the_verdict(
    kept: tuple[Casebook, Survey], monkeypatch: pytest.MonkeyPatch
) -> None:
    from pitmap.review.screens import plan as screen

    _, survey = kept
    made = screen.face_plan
    monkeypatch.setattr(
        screen, "face_plan", lambda *of: replace(made(*of), problems=("one is off", "two is off"))
    )
    test = open_page("plan", survey)
    assert [w.value for w in test.warning] == ["- one is off\n- two is off"]


def test_sound_width_before_further_stock_is_the_one_of_the_map(kept: tuple[Casebook, Survey]) -> None:
    book, survey = kept
    keep_two_readings(book, survey)
    test = open_page("plan", survey)
    table = test.dataframe[0].value
    row = table[table.figure == "sound width"].iloc[0]
    # no class is in doubt and no spot is near: what is left is the error of the width itself
    low_mm = 8 - 1.64485 * ErrorModel().width_sd_mm
    assert (row["left"], row["from"], row["to"]) == ("8.00 mm", f"{low_mm:.2f} mm", "8.00 mm")


def test_reason_why_the_stock_is_not_known_is_no_cell_of_a_table(kept: tuple[Casebook, Survey]) -> None:
    _, survey = kept
    test = open_page("plan", survey)
    (table,) = [d.value for d in test.dataframe if "truly needed" in d.value]
    assert "not known" in set(table["truly needed"])
    assert any(c.value.startswith("Not known: not enough readings: 0 of 2 pits") for c in test.caption)


def test_pits_of_the_map_are_counted_and_have_no_interval(kept: tuple[Casebook, Survey]) -> None:
    book, survey = kept
    keep_two_readings(book, survey)
    test = open_page("plan", survey)
    table = test.dataframe[0].value
    rows = table[table.figure == "pits left"].set_index("zone")
    # both pits lie on the running surface, which ends at 20 mm
    assert rows.loc["running surface"].tolist()[1:4] == ["2", "counted", "counted"]
    slider = next(s for s in test.select_slider if s.label.startswith("Further stock"))
    table = slider.set_value(50.0).run().dataframe[0].value
    # readings are good to 7 um: the pit of 70 um is there yet (58 um at least), that of 40 um may be (52 um at most)
    assert table[table.figure == "pits left"].iloc[0][["from", "to"]].tolist() == ["1", "2"]


def test_little_metal_that_no_lap_reached_is_not_shown_as_none(
    kept: tuple[Casebook, Survey], monkeypatch: pytest.MonkeyPatch
) -> None:
    """0.01 % (0 to 0.06 %) stood there as 0, 0 and 0."""
    from pitmap.review.screens import plan as screen

    book, survey = kept
    keep_two_readings(book, survey)
    made = screen.face_plan

    def with_little_uncut(face: Face, job: Job, plate: Plate) -> StockPlan:
        plan = made(face, job, plate)
        curves = plan.curves.copy()
        curves.loc[curves.aim == "uncut", ["value", "value_low", "value_high"]] = [1e-4, 0.0, 6e-4]
        return replace(plan, curves=curves)

    monkeypatch.setattr(screen, "face_plan", with_little_uncut)
    table = open_page("plan", survey).dataframe[0].value
    row = table[table.figure == "not reached by the lap"].iloc[0]
    assert row[["left", "from", "to"]].tolist() == ["under 0.1 %", "0.0 %", "0.1 %"]


def test_budget_without_a_limit_is_said_and_not_drawn(kept: tuple[Casebook, Survey]) -> None:
    book, survey = kept
    keep_two_readings(book, survey)
    said = "Budget after the planned removal: no limit entered."

    def shown() -> tuple[int, bool]:
        test = open_page("plan", survey)
        return len(test.get("plotly_chart")), said in [m.value for m in test.markdown]

    n_charts, is_said = shown()
    assert is_said
    entries = {"total_stock": Limit(value=150.0, source="own rule")}
    save_limits(book, book.get(Plate, 1), book.get(Face, 1), LimitSheet(entries=entries))
    # nor one of which the stock of earlier rebuilds is not known: its rule says "not judged", a bar would say "inside"
    assert shown() == (n_charts, False)
    entries["stock_removed_before"] = Limit(value=0.0, source="own rule")
    save_limits(book, book.get(Plate, 1), book.get(Face, 1), LimitSheet(entries=entries))
    assert shown() == (n_charts + 1, False)


def test_page_and_record_name_a_survey_that_is_not_mapped(kept: tuple[Casebook, Survey]) -> None:
    from pitmap.casebook import Job

    book, survey = kept
    book.create_survey(book.get(Face, 1), book.get(Job, 1), "lap_1", "2026-03-02")
    why = (
        "the survey after lap 1 of 2026-03-02 is not mapped, so what it shows counts for nothing here; map it, or leave"
        " it out"
    )
    assert [w.value for w in open_page("plan", survey).warning] == [f"- {why}"]
    assert why[4:] in open_page("record", survey).get("iframe")[0].proto.srcdoc


def test_plan_of_a_released_job_says_that_it_keeps_to_the_signed_sheet(kept: tuple[Casebook, Survey]) -> None:
    from pitmap.casebook import Job

    book, survey = kept
    plate, face = book.get(Plate, 1), book.get(Face, 1)
    save_limits(book, plate, face, LimitSheet(entries={"total_stock": Limit(value=60.0, source="own rule")}))
    assert [i.value for i in open_page("plan", survey).info] == []
    book.sign_off(survey, "checked")
    book.sign_off(book.get(Job, 1), "released")
    save_limits(book, plate, face, LimitSheet(entries={"total_stock": Limit(value=200.0, source="own rule")}))
    test = open_page("plan", survey)
    assert test.info[0].value.startswith(
        "This job is released: its plan and record keep to the limit sheet that was signed"
    )
    # Below it the newest sheet, for later jobs.
    assert test.text_input[0].value == "200 um"


def test_checklist_page_warns_of_what_a_release_leaves_open(kept: tuple[Casebook, Survey]) -> None:
    book, survey = kept
    test = page("checklist", **place_of(survey)).run()
    (said,) = [w.value for w in test.warning if "leaves this open" in w.value]
    assert "nobody started 5 of the 5 steps" in said
    assert [b for b in test.button if b.label == "Release to the customer"]


def test_release_says_what_the_plans_still_ask_for_and_which_limit_is_passed(
    kept: tuple[Casebook, Survey],
) -> None:
    """20 um are off, of 15 that were allowed, and the pits of the map are there still: who releases it is told."""
    book, survey = kept
    sheet = LimitSheet(entries={"total_stock": Limit(value=15.0, source="own rule")})
    save_limits(book, book.get(Plate, 1), book.get(Face, 1), sheet)
    book.sign_off(survey, "checked")
    test = page("checklist", **place_of(survey)).run()
    (said,) = [w.value for w in test.warning if "leaves this open" in w.value]
    asked = [line for line in said.splitlines() if line.startswith("- plate R-1, face A: ")]
    assert len(asked) == 2
    assert "beyond a limit" in asked[0] or "a limit you entered is passed already" in asked[0]
    assert (
        "stock taken off this face over its life" in asked[1]
        and "beyond the limit of at most 15 um" in asked[1]
    )


def test_release_says_that_a_face_has_no_plan_for_want_of_its_stock(kept: tuple[Casebook, Survey]) -> None:
    """The face is mapped and signed, and what came off before is not known: nothing can be said of what is left."""
    book, survey = kept
    book.update(survey, removed_um=Estimate.unknown("not entered"))
    book.sign_off(book.get(Survey, survey.id), "checked")
    test = page("checklist", **place_of(survey)).run()
    (said,) = [w.value for w in test.warning if "leaves this open" in w.value]
    (asked,) = [line for line in said.splitlines() if line.startswith("- plate R-1, face A: ")]
    assert "there is no plan" in asked and "stock taken off before this survey is not known" in asked


def test_checklist_page_signs_only_what_it_showed(kept: tuple[Casebook, Survey]) -> None:
    book, survey = kept
    test = page("checklist", **place_of(survey), who="Ada").run()
    assert "It holds 0 photos, 0 readings and a map with 0 corrections by hand." in [
        m.value for m in test.markdown
    ]
    book.as_person("Bob").add_readings(survey, [{"kind": "pit_depth", "value_um": 180.0}])

    def sign() -> list[str]:
        next(b for b in test.button if b.label == "Sign this survey").click().run()
        return [e.value for e in test.error]

    (said,) = sign()
    assert said.startswith(
        "What survey number 1 holds was changed after you opened it (the newest change is by Bob on"
    )
    assert book.get(Survey, survey.id).state == "open"
    assert "It holds 0 photos, 1 reading and a map with 0 corrections by hand." in [
        m.value for m in test.markdown
    ]
    assert sign() == []
    assert book.get(Survey, survey.id).state == "signed"


def test_gap_at_the_joint_is_judged_with_the_housing_dip(kept: tuple[Casebook, Survey]) -> None:
    book, survey = kept
    keep_two_readings(book, survey)
    rows = [
        {"stage": "test_lap", "kind": "height", "x_mm": x, "y_mm": y, "value": value, "uncertainty": "1 um"}
        for x, y, value in ((-24, 0, "0 um"), (24, 0, "0 um"), (0, 24, "0 um"), (0, -24, "0 um"), (17, 17, "-10 um"))
    ]  # fmt: skip
    keep_readings(book, survey, readings_from_rows(rows).table, None)
    plate, face = book.get(Plate, 1), book.get(Face, 1)
    sheet = LimitSheet(entries={"joint_gap": Limit(value=76.0, source="manual, page 12")})
    save_limits(book, plate, face, sheet)

    def gap(test: AppTest) -> str:
        return next(m.value for m in test.markdown if "joint" in m.value and "material" in m.value)

    test = open_page("plan", survey)
    assert ":material/remove:" in gap(test)
    for dip, within, named in (
        ("4", "2 um", "Dip of the rotor housing"),
        ("4 thou", "", "Give or take (holds in 9 cases of 10)"),
        (
            "30 mm",
            "2 um",
            "Dip of the rotor housing: 30 mm = 1.18 in cannot be (at most 1 mm = 0.0394 in); is the unit right?",
        ),
    ):
        next(t for t in test.text_input if t.label == "Dip of the rotor housing's face").input(dip)
        next(t for t in test.text_input if t.label == "Give or take (holds in 9 cases of 10)").input(within)
        next(b for b in test.button if b.label == "Keep the housing's dip").click().run()
        assert [e.value.split(": length")[0] for e in test.error] == [named]
    next(t for t in test.text_input if t.label == "Dip of the rotor housing's face").input("4 thou")
    next(t for t in test.text_input if t.label == "Give or take (holds in 9 cases of 10)").input("2 um")
    next(b for b in test.button if b.label == "Keep the housing's dip").click().run()
    assert [e.value for e in test.error] == []
    dip = housing_dip_of(book, face)
    assert (round(dip.value, 1), round(dip.low, 1), round(dip.high, 1)) == (101.6, 99.6, 103.6)
    assert ":material/block:" in gap(test)  # 101.6 um alone is over the limit


@pytest.mark.parametrize("saved", ["save_limits", "save_housing_dip"])
def test_what_somebody_else_keeps_at_the_same_moment_is_not_written_over_in_silence(
    kept: tuple[Casebook, Survey], monkeypatch: pytest.MonkeyPatch, saved: str
) -> None:
    """Both pages were drawn from what was kept before, and the later sheet stood for both of them."""
    book, survey = kept
    label, typed, button = {
        "save_limits": (LIMIT_TEXT["total_stock"][1].capitalize(), "200 um", "Keep the limit sheet"),
        "save_housing_dip": ("Dip of the rotor housing's face", "30 um", "Keep the housing's dip"),
    }[saved]
    keep = getattr(plan_page, saved)
    bens, both = {
        "save_limits": (
            LimitSheet(entries={"case_depth": Limit(value=500.0, source="Ben's manual")}),
            {"case_depth": 500.0, "total_stock": 200.0},
        ),
        "save_housing_dip": (Estimate(value=10.0, low=8.0, high=12.0), {"dip": 30.0}),
    }[saved]

    def now_kept() -> dict[str, float]:
        face = book.get(Face, 1)
        if saved == "save_limits":
            return {name: entry.value for name, entry in limits_of(book, face).entries.items()}
        return {"dip": housing_dip_of(book, face).value}

    def late_by_a_moment(*args: object, **over: object) -> None:
        monkeypatch.setattr(plan_page, saved, keep)
        keep(book.as_person("Ben"), book.get(Plate, 1), book.get(Face, 1), bens)
        keep(*args, **over)

    test = page("plan", **place_of(survey), who="Ada").run()
    monkeypatch.setattr(plan_page, saved, late_by_a_moment)
    fields = [t for t in test.text_input if t.label == label]
    fields[0].input(typed)
    if saved == "save_limits":
        next(t for t in test.text_input if t.label == "Source").input("Ada's rule")
    next(b for b in test.button if b.label == button).click().run()
    assert now_kept() == ({"case_depth": 500.0} if saved == "save_limits" else {"dip": 10.0})
    (said,) = [e.value for e in test.error]
    assert "was kept by Ben on " in said and "press again" in said
    # pressed again, the page shows what Ben kept with what was typed over it, and then takes it
    next(b for b in test.button if b.label == button).click().run()
    assert ["Somebody else changed this" in w.value for w in test.warning if "Somebody" in w.value] == [True]
    assert next(t for t in test.text_input if t.label == label).value == typed
    next(b for b in test.button if b.label == button).click().run()
    assert not test.error
    assert now_kept() == both


def test_refusal_of_a_plan_speaks_of_the_page_and_not_of_options(kept: tuple[Casebook, Survey]) -> None:
    """ "map with --removed '22 um'" stood on the page."""
    book, survey = kept
    book.update(survey, removed_um=Estimate.unknown("not entered"))
    test = open_page("plan", survey)
    (said,) = [e.value for e in (*test.error, *test.info, *test.warning) if "not known" in e.value]
    assert "is not known; measure it with a micrometer" in said and "on the Jobs page" in said
    assert "--" not in said


@pytest.mark.parametrize("system", ["mm", "inch"])
def test_stops_of_the_slider_have_labels_of_their_own(system: str) -> None:
    """4 and 5 um were both "0.2 thou", and whichever was chosen, the figures were those of 4."""
    # 25.4 um to the thou
    labels = plan_page._stops([0.0, 4.0, 5.0, 10.0], system)  # type: ignore[arg-type]
    said = {
        "mm": ["0 um", "4 um", "5 um", "10 um"],
        "inch": ["0.00 thou", "0.16 thou", "0.20 thou", "0.39 thou"],
    }
    assert list(labels.values()) == said[system]
    assert len(set(plan_page._stops([4.2, 4.4], system).values())) == 2  # type: ignore[arg-type]


def test_slider_stands_a_stop_that_is_no_more(kept: tuple[Casebook, Survey]) -> None:
    """Chosen before the plan was made anew with other steps."""
    _, survey = kept
    test = page("plan", **place_of(survey), **{f"take_off_{survey.face_id}": 7.77}).run()
    assert not test.exception
