"""Beside the picture of the drawing editor: bore trace, seal land, bands, the plate itself."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import numpy as np
import streamlit as st
from numpy.typing import NDArray
from shapely import MultiLineString, Polygon
from shapely.affinity import affine_transform

from ...drawing import ZONE_NAMES, Drawing, LookAlike, TrochoidFit, fit_trochoid, look_alikes
from ...drawing.check import DOUBTFUL_SHARE
from ...drawing.edit import Step, band_rule, closed_curve, corners_of, judge_fit, land_width, trace_numbers
from ...errors import DrawingError, MeasurementError, PitmapError
from ...units import format_length
from ..plain_text import plain
from ..state import unit_word, units
from .drawing_desk import Choices
from .drawing_fields import kept_or_typed_mm, shown_deg, shown_mm, typed_deg, typed_mm
from .drawing_fit_table import fit_table
from .drawing_panels import click_buttons, ring_buttons

if TYPE_CHECKING:
    from .drawing_edit import Editor

__all__ = ["bands", "land", "plate", "pose_words", "trace"]

_N_FIT = 120


def _make_of(ed: Editor, step: Callable[[], Step], **then: Any) -> None:
    def do() -> None:
        if ed.make(step()) and then:
            ed.set(**then, said=ed.desk.said)

    ed.tried(do)
    ed.again()


@st.cache_resource(max_entries=16, show_spinner=False)
def _present(key: int, _trace: Polygon) -> TrochoidFit | None:
    """The numbers of the trace that is drawn, where it is such a curve."""
    points = corners_of(_trace)
    try:
        fit = fit_trochoid(points[:: max(1, len(points) // _N_FIT)], offset_mm=None)
    except PitmapError:
        return None
    return fit if fit.rms_mm < 0.02 else None


def trace(ed: Editor) -> NDArray[np.float64] | None:
    """Fit the bore trace from clicks on its track, or type its numbers; the curve that is offered."""
    st.caption(
        "With a photo under the drawing, press along one edge of the visible track: three places each at both ends and at "
        "both sides of the waist. Zoom in for each."
    )
    curve = _trace_clicks(ed)
    _trace_numbers(ed)
    if ed.drawing.trace is not None:
        st.button(
            "Take the bore trace out", key=ed.name("no_trace"), icon=":material/delete:",
            on_click=ed.make, args=(Step.of("remove_edge", edge="trace"),),
            help="The running surface, the seal land and the bands go with it.",
        )  # fmt: skip
    return curve


def _trace_clicks(ed: Editor) -> NDArray[np.float64] | None:
    clicks = ed.desk.clicks
    st.write(f"{len(clicks)} place{'' if len(clicks) == 1 else 's'} clicked.")
    with st.container(horizontal=True, gap="small"):
        click_buttons(ed)
    if not clicks:
        return None
    offset_text = st.text_input(
        f"Offset of the curve, {unit_word()}",
        key=ed.length("offset"),
        placeholder="not known: R takes it up",
        help="The tip radius of the apex seal, from the engine maker's manual. Left empty, R takes it up, and the curve may "
        f"miss the true one by up to {format_length(0.3, units())} for an offset of {format_length(4.0, units())}.",
    )
    with_curve: NDArray[np.float64] | None = None
    try:
        # Fitted too, the offset and R act so nearly alike that clicks by hand leave both open by a centimetre.
        offset = typed_mm(offset_text, "Offset") if offset_text.strip() else 0.0
        fit = fit_trochoid(np.array(clicks), offset_mm=offset)
        with_curve = fit.trochoid.points(np.linspace(0, 2 * np.pi, 361))
        fit_table(fit, "typed" if offset_text.strip() else "not known")
        judge_fit(fit)
    except (MeasurementError, DrawingError) as error:
        st.warning(plain(str(error)), icon=":material/block:")
    else:
        t = fit.trochoid
        if st.button("Use this bore trace", type="primary", key=ed.name("use_fit"), width="stretch"):
            _make_of(
                ed,
                lambda: Step.of("set_trace", **trace_numbers(t)),
                clicks=(),
            )
    if len(clicks) >= 12 and st.button("Use a smooth curve through the places", key=ed.name("use_curve")):
        _make_of(ed, lambda: Step.of("set_edge", edge="trace", points_mm=clicks, is_smooth=True), clicks=())
    return with_curve


def _trace_numbers(ed: Editor) -> None:
    drawn = ed.drawing.trace
    fit = None if drawn is None else _present(hash(drawn.wkb), drawn)
    t = None if fit is None else fit.trochoid
    if drawn is not None and t is None:
        st.caption("The trace in the drawing is a free curve, without numbers.")
    u, tag = unit_word(), ed.stamp

    def kept(value: float) -> float:
        # read off the drawn curve, with what the fit lost in its last figures
        return round(value, 3)

    held = (
        {"e": kept(t.eccentricity_mm), "r": kept(t.radius_mm), "d": kept(t.offset_mm),
         "x": kept(t.centre_xy_mm[0]), "y": kept(t.centre_xy_mm[1])}
        if t else {"e": None, "r": None, "d": 0.0, "x": 0.0, "y": 0.0}
    )  # fmt: skip
    with st.form(ed.name("trace_form"), border=True):
        st.write("Or type its numbers")
        one, two = st.columns(2)
        e = one.text_input(
            f"Eccentricity e, {u}", shown_mm(held["e"]), key=ed.length(f"e_{tag}"),
            help="From the engine maker's manual; half the rotor's travel.",
        )  # fmt: skip
        r = two.text_input(
            f"Generating radius R, {u}", shown_mm(held["r"]), key=ed.length(f"r_{tag}"),
            help="Centre of the rotor to its apex; more than three times e.",
        )  # fmt: skip
        one, two = st.columns(2)
        d = one.text_input(f"Offset, {u}", shown_mm(held["d"]), key=ed.length(f"o_{tag}"))
        a = two.text_input(
            "Rotation, deg", shown_deg(t.rotation_deg if t else 0.0),
            key=ed.name(f"a_{tag}"), help="Of the long axis, counter-clockwise from x.",
        )  # fmt: skip
        one, two = st.columns(2)
        x = one.text_input(f"Centre x, {u}", shown_mm(held["x"]), key=ed.length(f"tx_{tag}"))
        y = two.text_input(f"Centre y, {u}", shown_mm(held["y"]), key=ed.length(f"ty_{tag}"))
        is_set = st.form_submit_button("Set the bore trace", width="stretch")
    if is_set:
        _make_of(
            ed,
            lambda: Step.of(
                "set_trace",
                eccentricity_mm=kept_or_typed_mm(e, held["e"], "Eccentricity e"),
                radius_mm=kept_or_typed_mm(r, held["r"], "Generating radius R"),
                offset_mm=kept_or_typed_mm(d, held["d"], "Offset"),
                centre_x_mm=kept_or_typed_mm(x, held["x"], "Centre x"),
                centre_y_mm=kept_or_typed_mm(y, held["y"], "Centre y"),
                rotation_deg=typed_deg(a, "Rotation"),
            ),
        )  # fmt: skip


def land(ed: Editor) -> NDArray[np.float64] | None:
    """The land by its width or by clicks along its outer edge; the curve that is offered."""
    drawing = ed.drawing
    if drawing.trace is None:
        st.info(
            "The seal land lies along the bore trace. Fit or type the trace first.", icon=":material/info:"
        )
        return None
    width = land_width(drawing)
    u, tag = unit_word(), ed.stamp
    with st.form(ed.name("land_form"), border=True):
        st.write("Between two offsets of the bore trace")
        one, two = st.columns(2)
        inner = one.text_input(
            f"Begins at, {u}", "0", key=ed.length(f"li_{tag}"),
            help="Outwards from the trace. The land begins at the bore trace: anything but 0 moves the trace there.",
        )  # fmt: skip
        outer = two.text_input(f"Ends at, {u}", shown_mm(width), key=ed.length(f"lo_{tag}"))
        is_set = st.form_submit_button("Set the seal land", width="stretch")
    if is_set:
        _make_of(
            ed,
            lambda: Step.of(
                "set_land",
                inner_mm=typed_mm(inner, "Begins at"),
                outer_mm=kept_or_typed_mm(outer, width, "Ends at"),
            ),
        )
    if width is None and drawing.coolant_edge is not None:
        st.caption("The land in the drawing has a free outer edge, without one width.")
    st.caption("Or press along its outer edge, round the plate; press on the first place again to close it.")
    is_smooth = st.toggle("Smooth edge through the places", value=True, key=ed.name("is_smooth"))
    ring_buttons(ed, Choices(is_smooth=is_smooth), "Close the edge", 5 if is_smooth else 3)
    if drawing.coolant_edge is not None:
        st.button(
            "Take the seal land out", key=ed.name("no_land"), icon=":material/delete:", on_click=ed.make,
            args=(Step.of("remove_edge", edge="coolant_edge"),),
        )  # fmt: skip
    if len(ed.desk.clicks) >= 5 and is_smooth:
        try:
            return np.asarray(closed_curve(ed.desk.clicks, "edge").exterior.coords)
        except DrawingError as error:
            st.warning(plain(str(error)), icon=":material/block:")
    return None


def bands(ed: Editor) -> None:
    """Named strips that seals sweep, with the seal's width."""
    drawing = ed.drawing
    st.caption(
        "A band is a strip of the running surface that one seal sweeps, such as the track of the side seals."
    )
    if drawing.trace is None:
        st.info("Bands lie on the running surface. Fit or type the bore trace first.", icon=":material/info:")
        return
    rules = {b.name: band_rule(drawing, b) for b in drawing.bands}
    name = st.selectbox(
        "Band", [*rules, ""], format_func=lambda n: n or "a new one", key=ed.name(f"band_{'_'.join(rules)}")
    )
    rule = rules.get(name)
    width = next((b.seal_width_mm for b in drawing.bands if b.name == name), None)
    if name and rule is None:
        st.caption("This band has a shape of its own; setting distances replaces it.")
    u, tag = unit_word(), f"{name}_{ed.stamp}"
    with st.form(ed.name("band_form"), border=True):
        new_name = st.text_input("Name", name, key=ed.name(f"bn_{tag}"), max_chars=60)
        about = st.radio(
            "Measured from", ["trace", "bore"], 1 if rule and rule.about == "bore" else 0, key=ed.name(f"ba_{tag}"),
            format_func={"trace": "the bore trace (inside is negative)", "bore": "the centre (radius)"}.get,
        )  # fmt: skip
        one, two = st.columns(2)
        begin = one.text_input(
            f"From, {u}", shown_mm(rule.from_mm if rule else None), key=ed.length(f"bf_{tag}")
        )
        end = two.text_input(f"To, {u}", shown_mm(rule.to_mm if rule else None), key=ed.length(f"bt_{tag}"))
        seal = st.text_input(f"Width of the seal, {u}", shown_mm(width), key=ed.length(f"bw_{tag}"))
        is_set = st.form_submit_button("Set the band", width="stretch")
    if is_set:
        if name and new_name.strip() != name:
            ed.make(Step.of("rename_band", name=name, new_name=new_name))
        _make_of(
            ed,
            lambda: Step.of(
                "set_band", name=new_name, about=about,
                from_mm=kept_or_typed_mm(begin, rule.from_mm if rule else None, "From"),
                to_mm=kept_or_typed_mm(end, rule.to_mm if rule else None, "To"),
                seal_width_mm=kept_or_typed_mm(seal, width, "Width of the seal"),
            ),
        )  # fmt: skip
    if name:
        st.button(
            "Take the band out", key=ed.name("no_band"), icon=":material/delete:", on_click=ed.make,
            args=(Step.of("remove_band", name=name),),
        )  # fmt: skip


def plate(ed: Editor) -> Any:
    """Name, thickness, what the zones are for, the outline anew, look-alikes; edges in another pose."""
    drawing = ed.drawing
    tag = ed.stamp
    with st.form(ed.name("plate_form"), border=True):
        name = st.text_input("Name of the drawing", drawing.name, key=ed.name(f"pn_{tag}"), max_chars=80)
        thick = st.text_input(
            f"Thickness of the plate, {unit_word()}", shown_mm(drawing.thickness_mm), key=ed.length(f"pt_{tag}"),
            help="Measured with a micrometer. Hole walls in tilted photos cannot be told from damage without it.",
        )  # fmt: skip
        texts = {
            zone: st.text_input(
                f"{zone.replace('_', ' ').capitalize()}: what it is for",
                drawing.zone_purposes.get(zone, ""),
                key=ed.name(f"pz_{zone}_{tag}"),
                max_chars=300,
            )
            for zone in ZONE_NAMES
            if zone in drawing.zones
        }
        is_set = st.form_submit_button("Set", width="stretch")
    if is_set:

        def do() -> None:
            steps = [
                Step.of("set_purpose", zone=zone, text=text)
                for zone, text in texts.items()
                if text != drawing.zone_purposes.get(zone, "")
            ]
            if (name, thick) != (drawing.name, shown_mm(drawing.thickness_mm)):
                steps.append(
                    Step.of(
                        "set_plate",
                        name=name,
                        thickness_mm=kept_or_typed_mm(thick, drawing.thickness_mm, "Thickness"),
                    )
                )
            for step in steps:
                if not ed.make(step):
                    break

        ed.tried(do)
        ed.again()
    with st.expander("Draw the outline anew", expanded=bool(ed.desk.clicks)):
        st.caption("Press along the outer edge, round the plate; press on the first place again to close it.")
        is_smooth = st.toggle("Smooth edge through the places", key=ed.name("is_smooth"))
        ring_buttons(ed, Choices(is_smooth=is_smooth), "Close the outline", 5 if is_smooth else 3)
    return _alikes(ed)


@st.cache_resource(max_entries=16, show_spinner="Laying the plate on itself ...")
def _look_alikes(key: int, _drawing: Drawing) -> tuple[LookAlike, ...]:
    return look_alikes(_drawing)


def pose_words(alike: LookAlike) -> str:
    """How a plate would have to be laid to look like itself."""
    angle = abs(alike.angle_deg) if abs(alike.angle_deg) > 179 else alike.angle_deg
    turn = f"turned by {angle:.0f} deg"
    if alike.is_mirrored:
        return "mirrored" if abs(angle) < 0.5 else f"mirrored and {turn}"
    return turn


def _alikes(ed: Editor) -> Any:
    st.markdown("**Would it also fit another way round?**")
    if not st.toggle("Measure it", key=ed.name("alikes")):
        return None
    found = _look_alikes(ed.stamp, ed.drawing)
    if not found:
        st.write("No other way of laying the plate on itself comes near.")
        return None
    shown = st.radio(
        "Shown in violet",
        range(len(found)),
        format_func=lambda k: (
            f"{pose_words(found[k])}: {100 * found[k].edge_share:.0f} % of the edges and "
            f"{100 * found[k].area_share:.0f} % of the area in common"
        ),
        key=ed.name("alike"),
    )
    alike = found[shown or 0]
    if alike.edge_share >= DOUBTFUL_SHARE:
        st.write(
            "Photos may not tell these poses apart. Draw a feature that differs, or hold the plate always the same way."
        )
    else:
        st.write("The edges tell these poses apart.")
    drawing = ed.drawing
    rings = [drawing.outline.exterior, *(o.polygon.exterior for o in drawing.openings)]
    return affine_transform(MultiLineString(rings), alike.affine)
