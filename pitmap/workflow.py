"""From the casebook's records to the stages and back: map a survey, open it with its hand edits, plan a face.

The faces of the program (command line, review page) call this; it calls the stages and holds no formulas.
"""

from __future__ import annotations

import math
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from .casebook import Attachment, Casebook, InspectionRef, Job, MapEdit, PhotoRef, Plate, Reading, Survey
from .casebook import Face as CasebookFace
from .classes import Stage, SurfaceClass
from .compare import Comparison
from .depth import READINGS, FaceSurvey, ReadingSheet, attach_readings
from .depth.flatness import flatness
from .drawing import Drawing, load_drawing, load_shipped, save_svg, shipped_plates
from .errors import InputError, MeasurementError, NotEnoughData, ReadingError
from .estimate import Estimate
from .flags import Flag
from .inspection import (
    Inspection,
    in_order_of_work,
    load_inspection,
    must_be_one_face,
    order_problems,
    save_inspection,
)
from .measure import ClassEdit, MeasureSettings, change_classes, drawn_area, measure
from .photo import Photo, read_photo
from .pipeline import Landmarks, Progress, map_face
from .report import ChecklistItem as ReportItem
from .report import RecordInput
from .settings import Settings
from .stock import (
    LIMIT_TEXT,
    LimitSheet,
    StockPlan,
    joint_gap_of_dips,
    limit_rows,
    plan_stock,
    usable_limits,
    write_limits,
)
from .units import UnitSystem

__all__ = [
    "DRAWING_CHANGED",
    "DRAWING_ROLE",
    "HAND_SD_MM",
    "LIMITS_ROLE",
    "PLAN_SEED",
    "all_readings",
    "drawing_of",
    "flatness_of",
    "inspections_of_face",
    "is_of_drawing",
    "keep_photo",
    "keep_readings",
    "limit_rows_of",
    "limits_of",
    "map_survey",
    "newest_inspection",
    "open_inspection",
    "photos_of",
    "plan_face",
    "readings_table",
    "record_of_face",
    "rows_of_face",
    "save_drawing",
    "save_limits",
    "tie_readings",
    "with_readings",
]

DRAWING_ROLE = "drawing"
LIMITS_ROLE = "limit sheet"
DRAWING_CHANGED = "the drawing was changed since this photo was mapped: map it again"
_NO_DOUBT = (
    "This map was kept without what its class probabilities left open, so the intervals since it was changed by hand "
    "are too narrow: map it again."
)
HAND_SD_MM = 0.5
"""How far a place read off the map by eye may be from the needle, one standard deviation (house choice)."""

PLAN_SEED = 20260314
"""Plans are simulated; one fixed seed gives the same plan for the same data (house choice)."""


def _attached(book: Casebook, face: CasebookFace, role: str) -> list[Attachment]:
    """Files of a face in the order they came: its own where it has any, else those of the whole plate."""
    of_role = [a for a in book.open_plate(face.plate_id).attachments if a.role == role]
    own = [a for a in of_role if a.face_id == face.id]
    return own or [a for a in of_role if a.face_id is None]


def drawing_of(book: Casebook, plate: Plate, face: CasebookFace) -> Drawing:
    """The drawing of a face: the newest one attached for it, else the shipped one that it or its plate names.

    Raises
    ------
    InputError
        The face has no usable drawing.
    """
    attached = _attached(book, face, DRAWING_ROLE)
    if attached:
        with tempfile.TemporaryDirectory() as folder:
            # An SVG and the TOML beside it are two attachments with one stem.
            for one in attached:
                (Path(folder) / Path(one.name).name).write_bytes(book.read_file(one.sha256))
            main = next((a for a in reversed(attached) if not a.name.endswith(".toml")), attached[-1])
            return load_drawing(Path(folder) / Path(main.name).name)
    name = face.drawing or plate.drawing
    if name in shipped_plates():
        return load_shipped(name)
    raise InputError(
        f"plate {plate.tag}, face {face.name}: has no drawing; give it one on the Drawing page, or name a shipped one"
    )


def keep_photo(book: Casebook, survey: Survey, data: bytes, name: str) -> PhotoRef | None:
    """Keep a photo with a survey; None when the survey has these very bytes already.

    It is decoded first, so that a file that is no picture never enters the casebook. A photo that was left out comes back.

    Raises
    ------
    PhotoError
        Not a picture that can be read.
    """
    photo = read_photo(data, name=name)
    if photo.sha256 in {ref.sha256 for ref in book.photos(survey)}:
        return None
    return book.add_photo(survey, data, name)


def photos_of(book: Casebook, survey: Survey) -> tuple[tuple[PhotoRef, Photo], ...]:
    """The photos of a survey, decoded."""
    return tuple((ref, read_photo(book.read_file(ref.sha256), name=ref.name)) for ref in book.photos(survey))


def _summary(inspection: Inspection) -> dict[str, Any]:
    affected = inspection.zones[inspection.zones.class_word == "affected"]
    width = inspection.measurement.sound_width_mm
    return {
        "stage": inspection.stage.name,
        "n_pits": int((inspection.marks.class_code == SurfaceClass.PIT).sum()),
        "affected": {
            r.zone: None if pd.isna(r.share) else round(float(r.share), 5)
            for r in affected.itertuples()  # type: ignore[arg-type]
        },
        "sound_width_mm": None if not width.is_known else round(width.value, 3),
    }


def map_survey(
    book: Casebook,
    survey: Survey,
    plate: Plate,
    face: CasebookFace,
    *,
    photos: Sequence[Photo] | None = None,
    landmarks: Landmarks | None = None,
    settings: Settings | None = None,
    progress: Progress | None = None,
) -> InspectionRef:
    """Map the photos kept with a survey and keep the inspection; earlier hand edits are carried over."""
    inspection = map_face(
        photos if photos is not None else [p for _, p in photos_of(book, survey)],
        drawing_of(book, plate, face),
        stage=Stage(survey.stage),
        face=f"{plate.tag} {face.name}",
        surveyed_on=survey.surveyed_on,
        removed_um=survey.removed_um,
        landmarks=landmarks,
        settings=settings,
        progress=progress,
    )
    with tempfile.TemporaryDirectory() as folder:
        saved = save_inspection(inspection, Path(folder) / "inspection")
        return book.add_inspection(survey, saved, summary=_summary(inspection), carry_edits=True)


def newest_inspection(book: Casebook, survey: Survey) -> InspectionRef | None:
    """The inspection of a survey that counts, or None."""
    kept = book.inspections(survey)
    return kept[-1] if kept else None


def _as_class_edit(edit: MapEdit) -> ClassEdit:
    path = edit.shape.get("polygon_mm") or edit.shape.get("stroke_mm")
    if not path:
        raise InputError(f"map edit {edit.id}: holds neither an outline nor a brush stroke")
    only = tuple(SurfaceClass(c) for c in edit.shape.get("only", ()))
    area = drawn_area(path, edit.shape.get("width_mm"))
    return ClassEdit(where=area, to=SurfaceClass(edit.class_code), only=only)


def readings_table(book: Casebook, survey: Survey, inspection: Inspection) -> pd.DataFrame:
    """The readings of a survey as a table, tied to the marks of its map where that is certain."""
    rows = [
        {
            "reading_id": r.id,
            "kind": r.kind,
            "x_mm": r.x_mm,
            "y_mm": r.y_mm,
            "mark_id": r.mark_id,
            "value_um": r.value_um,
            "uncertainty_um": r.uncertainty_um,
            "is_lower_bound": r.is_lower_bound,
            "instrument": r.instrument,
            "note": r.note,
            "flags": r.flags,
        }
        for r in book.readings(survey)
    ]
    table = READINGS.frame(rows)
    of_mark = (table.mark_id >= 0) & table.x_mm.notna() & (table.kind == "pit_depth")
    tied = [tie_readings(table[~of_mark], inspection), _tie_again(table[of_mark], inspection)]
    return pd.concat(tied).sort_values("reading_id", ignore_index=True)


def _tie_again(readings: pd.DataFrame, inspection: Inspection) -> pd.DataFrame:
    """Readings that were kept with a pit's number and place, tied to the pit that holds the place now.

    A changed map numbers its pits anew, so a pit that still stands where it stood keeps its reading whatever its
    number, and no other pit takes it over for its number alone.
    """
    pits = inspection.marks[inspection.marks.class_code == SurfaceClass.PIT]
    pixel_mm = 1 / inspection.class_map.px_per_mm
    now = []
    for x, y in zip(readings.x_mm, readings.y_mm):
        here = np.hypot(pits.x_mm - x, pits.y_mm - y) < pixel_mm
        now.append(int(pits.mark_id[here].iloc[0]) if here.any() else -1)
    # The place came off a map of this face, not off the plate by eye: no error of a hand is in it.
    place_sd_mm = math.hypot(inspection.alignment.error_sd_mm, pixel_mm / 2)
    return attach_readings(readings.assign(mark_id=np.array(now, np.int64)), inspection.marks, place_sd_mm)


def tie_readings(readings: pd.DataFrame, inspection: Inspection) -> pd.DataFrame:
    """Readings tied to the marks of a map where that is certain within the alignment's and the hand's error."""
    place_sd_mm = math.hypot(inspection.alignment.error_sd_mm, HAND_SD_MM)
    return attach_readings(readings, inspection.marks, place_sd_mm)


def with_readings(inspection: Inspection, readings: pd.DataFrame) -> Inspection:
    """The inspection with these readings, tied to its marks."""
    return replace(inspection, readings=tie_readings(readings, inspection))


def rows_of_face(sheet: ReadingSheet, stage: str, plate: Plate, face: CasebookFace) -> pd.DataFrame:
    """The rows of a sheet that were read on a face at a stage; rows that name no face are of this one.

    Raises
    ------
    ReadingError
        The sheet names faces, and none of them is this one.
    """
    named = sorted({name for name in sheet.faces if name})
    mine = [
        name
        for name in named
        if name.casefold() in (face.name.casefold(), f"{plate.tag} {face.name}".casefold())
    ]
    if named and not mine:
        raise ReadingError(
            f"column face: the sheet names {', '.join(named)}, and this is face {face.name} of plate {plate.tag}; open that "
            "face, or correct the column"
        )
    return sheet.of(stage, mine[0] if mine else None)


def _placed(readings: pd.DataFrame, inspection: Inspection | None) -> pd.DataFrame:
    """Readings that name a mark by its number, with the place of that mark."""
    named = readings[readings.mark_id >= 0]
    if named.empty:
        return readings
    if inspection is None:
        raise ReadingError(
            f"mark {named.mark_id.iloc[0]}: this survey has no map that numbers its marks; map it first, or give x "
            "and y instead"
        )
    marks = inspection.marks.set_index("mark_id")
    out = readings.copy()
    for (row, tied), number in zip(tie_readings(named.assign(note=""), inspection).iterrows(), named.mark_id):
        is_elsewhere = bool(tied["flags"] & Flag.CONTRADICTION)
        if is_elsewhere or number not in marks.index:
            why = tied.note if is_elsewhere else "the map has no such mark"
            raise ReadingError(
                f"reading {tied.reading_id}, mark {number}: {why}; take the number from the map of this survey, or leave "
                "it out and give x and y"
            )
        is_in_pit = tied.kind == "pit_depth" and tied.mark_id >= 0
        if is_in_pit or math.isnan(tied.x_mm):
            out.loc[row, ["x_mm", "y_mm"]] = marks.loc[number, ["x_mm", "y_mm"]].astype(float)
    return out


def keep_readings(
    book: Casebook,
    survey: Survey,
    table: pd.DataFrame,
    inspection: Inspection | None,
    *,
    as_typed: Sequence[str] = (),
) -> tuple[Reading, ...]:
    """Keep a table of readings with a survey, all or none.

    A reading that names a mark by its number is kept with the mark's place on `inspection`, the map that the number
    was read from: the next change of the map may give the number to another mark.

    Raises
    ------
    ReadingError
        A number that no mark has, or one whose mark is not at the place given with it.
    """
    names = (
        "kind",
        "x_mm",
        "y_mm",
        "mark_id",
        "value_um",
        "uncertainty_um",
        "is_lower_bound",
        "instrument",
        "note",
    )
    rows = [
        dict(zip(names, values))
        for values in _placed(table, inspection)[list(names)].astype(object).itertuples(index=False)
    ]
    for row, typed in zip(rows, as_typed):
        row["as_typed"] = typed
    return book.add_readings(survey, rows)


def is_of_drawing(inspection: Inspection, drawing: Drawing) -> bool:
    """The inspection was measured on this drawing, as far as it says."""
    return inspection.drawing_fingerprint in ("", drawing.fingerprint())


def open_inspection(book: Casebook, survey: Survey, ref: InspectionRef, drawing: Drawing) -> Inspection:
    """A kept inspection with its hand edits applied and measured again, and its readings.

    Raises
    ------
    MeasurementError
        It has hand edits, and the drawing is not the one it was mapped with.
    """
    with tempfile.TemporaryDirectory() as folder:
        book.write_inspection(ref, Path(folder))
        inspection = load_inspection(folder)
    edits = book.edits(ref)
    if edits:
        if not is_of_drawing(inspection, drawing):
            signed = "" if survey.state == "open" else " in a new revision of the signed survey"
            raise MeasurementError(
                f"{survey.stage}, {survey.surveyed_on:%Y-%m-%d}: {DRAWING_CHANGED}{signed}; its hand edits are carried over"
            )
        settings = Settings(**inspection.settings)  # type: ignore[arg-type]
        class_map, changed = change_classes(inspection.class_map, [_as_class_edit(e) for e in edits])
        measured = measure(
            class_map,
            drawing,
            camera_scale=inspection.photo_px_per_mm,
            alignment_error_mm=inspection.alignment_error_mm,
            settings=MeasureSettings(level=settings.level, n_places=settings.n_narrowest),
            edited=changed,
            before=inspection.measurement,
        )
        notes = inspection.notes
        if not inspection.measurement.zone_measures:
            notes = (*notes, _NO_DOUBT)
        inspection = replace(inspection, class_map=class_map, measurement=measured, notes=notes)
    # The survey may have been corrected after mapping: its own entries count.
    return replace(
        inspection,
        surveyed_on=survey.surveyed_on,
        removed_um=survey.removed_um,
        readings=readings_table(book, survey, inspection),
    )


def inspections_of_face(
    book: Casebook, face: CasebookFace, job: Job, opened: Callable[[Survey], Inspection | None]
) -> list[tuple[Survey, Inspection]]:
    """Every mapped survey of a face in a job, newest revisions only, in the order of work.

    `opened` gives the inspection of a survey, or None when it was not mapped; callers may cache it.
    """
    found = [(s, opened(s)) for s in book.surveys(face=face, job=job, counting=True)]
    mapped = [(s, i) for s, i in found if i is not None]
    return in_order_of_work(mapped, of=lambda pair: pair[1])


def limit_rows_of(book: Casebook, face: CasebookFace) -> dict[str, tuple[Any, str, Any]]:
    """The rows of the newest limit sheet kept for a face (:func:`pitmap.stock.limit_rows`); none when there is none."""
    sheets = _attached(book, face, LIMITS_ROLE)
    return limit_rows(book.read_file(sheets[-1].sha256).decode()) if sheets else {}


def limits_of(book: Casebook, face: CasebookFace) -> LimitSheet:
    """The newest limit sheet kept for a face; an empty one (nothing is judged) when there is none.

    What is lapped off one face is not off the other, so each face has its own sheet.

    Raises
    ------
    InputError
        A row of it cannot be used: an older pitmap took what no such size can have. No figure is made without it.
    """
    entries, wrong = usable_limits(limit_rows_of(book, face))
    for name, why in wrong.items():
        raise InputError(
            f"limit sheet of face {face.name}, {LIMIT_TEXT[name][1]}: {why}; correct it on the Plan page, under Limit "
            "sheet of this face"
        )
    return LimitSheet(entries=entries)


def save_limits(book: Casebook, plate: Plate, face: CasebookFace, sheet: LimitSheet) -> None:
    """Keep a limit sheet for a face; the earlier ones stay readable."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "limits.toml"
        write_limits(sheet, path)
        book.attach_file(plate, path.read_bytes(), "limits.toml", role=LIMITS_ROLE, face=face)


def save_drawing(book: Casebook, plate: Plate, face: CasebookFace, drawing: Drawing) -> None:
    """Keep a drawing (SVG and the TOML beside it) for a face; the earlier ones stay readable."""
    with tempfile.TemporaryDirectory() as folder:
        save_svg(drawing, Path(folder) / "drawing.svg")
        # An SVG beside the TOML of an earlier one would be another plate.
        with book.together():
            for one in sorted(Path(folder).iterdir()):
                book.attach_file(plate, one.read_bytes(), one.name, role=DRAWING_ROLE, face=face)


def flatness_of(inspection: Inspection, rng: np.random.Generator) -> Estimate:
    """Minimum-zone flatness from the height readings of a survey, um; unknown where they are too few."""
    heights = inspection.readings[inspection.readings.kind == "height"]
    if len(heights) < 4:
        return Estimate.unknown(
            f"{len(heights)} heights were measured; at least four over the face are needed"
        )
    found = flatness(heights.x_mm, heights.y_mm, heights.value_um, heights.uncertainty_um, rng=rng)
    return found.minimum_zone_um


def plan_face(
    inspections: Sequence[Inspection],
    limits: LimitSheet | None,
    *,
    housing_dip_um: Estimate | None = None,
    **choices: Any,
) -> StockPlan:
    """The stock plan of a face from its inspections.

    Flatness comes from the last survey's height readings; with the rotor housing's dip it gives the joint gap. Other
    `choices` go to :func:`pitmap.stock.plan_stock`.

    Raises
    ------
    InputError
        No survey, or surveys of several faces or drawings.
    NotEnoughData
        The stock taken off before a survey is not known.
    """
    if not inspections:
        raise InputError("plan: no survey given; map the face first")
    must_be_one_face(inspections, "plan")
    for inspection in inspections:
        if not inspection.removed_um.has_interval:
            raise NotEnoughData(
                f"{inspection.face}, {inspection.stage}: the stock taken off before this survey is not known; enter it "
                "(map with --removed '22 um', or when the survey is added), measured with a micrometer at named spots"
            )
    rng = np.random.default_rng(PLAN_SEED)
    flat = flatness_of(max(inspections, key=lambda i: i.stage.order), rng)
    gap = None
    if housing_dip_um is not None:
        gap = (
            joint_gap_of_dips(flat, housing_dip_um).gap_um if flat.is_known else Estimate.unknown(flat.reason)
        )
    plan = plan_stock(
        [FaceSurvey.from_inspection(i) for i in inspections],
        limits,
        rng=rng,
        flatness_um=flat,
        joint_gap_um=gap,
        **choices,
    )
    return replace(plan, problems=(*order_problems(inspections), *plan.problems))


def all_readings(inspections: Sequence[Inspection]) -> pd.DataFrame | None:
    """The readings of every survey in one table with the stage of each, or None when there are none."""
    taken = [i.readings.assign(stage=str(i.stage)) for i in inspections if not i.readings.empty]
    return pd.concat(taken, ignore_index=True) if taken else None


def record_of_face(
    book: Casebook,
    job: Job,
    plate: Plate,
    face: CasebookFace,
    inspections: Sequence[Inspection],
    *,
    drawing: Drawing,
    plan: StockPlan | None,
    comparison: Comparison | None,
    units: UnitSystem,
    workshop: str = "",
) -> RecordInput:
    """Everything the record of a face shows, from the casebook."""
    items = tuple(
        ReportItem(
            text=i.text, is_done={"done": True, "open": None, "not needed": False}[i.state], note=i.note
        )
        for i in book.checklist(job, plate)
    )
    signs = book.sign_offs(job)
    told = {
        "reference": job.reference,
        "customer": job.customer,
        "engine": job.engine,
        "plate tag": plate.tag,
    }
    return RecordInput(
        job={k: v for k, v in told.items() if v},
        drawing=drawing,
        inspections=tuple(inspections),
        plan=plan,
        comparison=comparison,
        readings=all_readings(inspections),
        checklist=items,
        sign_off=(
            {
                "name": signs[-1].signed_by,
                "date": f"{signs[-1].signed_at:%Y-%m-%d %H:%M} UTC",
                "remark": signs[-1].statement,
            }
            if signs and job.state == "released"
            else {}
        ),
        workshop=workshop,
        units=units,
    )
