"""``pitmap drawing``: build, check, bring in, hand out and mirror plate drawings."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path
from typing import Literal, cast

import click
import tomlkit

from ..drawing import (
    Drawing,
    check_drawing,
    dxf_layers,
    import_dxf,
    import_svg,
    load_layers,
    load_numbers,
    save_dxf,
    save_svg,
    shipped_plates,
)
from ..drawing import save_layers as write_layers
from ..drawing.beside import Beside, read_beside
from ..drawing.load import build_of_file
from ..errors import InputError
from ..units import UnitSystem, format_area, format_length, format_place, parse_length
from .options import DRAWING, DRAWING_FILE, OUT_FILE, units_option

__all__ = ["command"]


@click.group(name="drawing")
def command() -> None:
    """Build, check, trace, bring in and hand out plate drawings."""


_OVERWRITE = click.option("--overwrite", is_flag=True, help="Replace files that bear these names already.")


def _files(out: Path) -> tuple[Path, Path]:
    """What a drawing is written to: the file asked for, and the TOML beside it."""
    return out, out.with_suffix(".toml")


def _must_be_free(paths: Iterable[Path], overwrite: bool) -> None:
    """Refuse to write over a file, which may be the one being read, before the work."""
    taken = [str(p) for p in paths if p.exists()]
    if taken and not overwrite:
        raise InputError(
            f"{' and '.join(taken)}: already there; choose another name, or give --overwrite to replace what is"
        )


def _save(drawing: Drawing, out: Path) -> None:
    """Write a drawing and say where; before anything else is printed, as a closed pipe ends the command there."""
    if out.suffix.lower() == ".svg":
        save_svg(drawing, out)
    else:
        save_dxf(drawing, out)
    click.echo(f"written to {out} and {_files(out)[1].name} beside it")


def _not_blank(_ctx: click.Context, _param: click.Parameter, value: str) -> str:
    if not value.strip():
        raise click.BadParameter("is empty; surveys and records name the plate by it")
    return value.strip()


def _report(drawing: Drawing, wrong_limit: str = "", system: UnitSystem = "mm") -> int:
    """Print what the check finds, and what is wrong with a limit; the number of errors."""
    findings = check_drawing(drawing, system=system)
    for f in findings:
        at = f" at {format_place(*f.xy, system)}" if f.xy else ""
        click.echo(f"  {f.severity}: {f.element}{at}: {f.text}")
    if wrong_limit:
        click.echo(f"  error: limits: {wrong_limit}")
    areas = ", ".join(
        f"{name.replace('_', ' ')} {format_area(zone.area, system)}" for name, zone in drawing.zones.items()
    )
    click.echo(f"  {drawing.name}: {len(drawing.openings)} openings; {areas}")
    if not findings and not wrong_limit:
        click.echo("  nothing found")
    return sum(f.severity == "error" for f in findings) + bool(wrong_limit)


@command.command(name="check")
@click.argument("drawing", type=DRAWING)
@units_option
def check(drawing: Drawing, units: str) -> int:
    """Look for what would make figures wrong; exit code 2 when there is an error."""
    return 2 if _report(drawing, _wrong_limit(drawing), cast(UnitSystem, units)) else 0


def _wrong_limit(drawing: Drawing) -> str:
    """Why the limits beside a drawing cannot be used by a plan that is given them; empty where they can."""
    # the stages before it take a second to load, which no other command of a drawing needs
    from ..stock import limit_rows, sheet_of

    try:
        sheet_of(limit_rows(tomlkit.dumps({"limits": dict(drawing.limits)})))
    except InputError as error:
        return str(error)
    return ""


@command.command(name="list")
def list_() -> None:
    """Names of the plates that come with pitmap (all invented)."""
    for name in shipped_plates():
        click.echo(name)


@command.command(name="build")
@click.argument("numbers", type=click.Path(path_type=Path))
@click.option("--out", type=DRAWING_FILE, help="SVG or DXF to write; else NUMBERS with .svg.")
@_OVERWRITE
@units_option
def build(numbers: Path, out: Path | None, overwrite: bool, units: str) -> None:
    """Make a drawing from a plate's numbers (NUMBERS.toml)."""
    stem = numbers.name.removesuffix(".toml").removesuffix(".numbers")
    out = out or numbers.with_name(f"{stem}.svg")
    plate = load_numbers(numbers)
    if numbers.resolve() in [p.resolve() for p in _files(out)]:
        # Not even with --overwrite: the numbers cannot be had back from the drawing.
        raise InputError(
            f"{numbers}: the TOML beside {out.name} would replace these numbers; give --out another name"
        )
    _must_be_free(_files(out), overwrite)
    drawing = build_of_file(plate, numbers)
    _save(drawing, out)
    _report(drawing, _wrong_limit(drawing), cast(UnitSystem, units))


@command.command(name="import")
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--out", required=True, type=DRAWING_FILE, help="SVG or DXF to write.")
@click.option("--layers", type=click.Path(path_type=Path), help="TOML that says what the layers mean.")
@click.option("--save-layers", type=OUT_FILE, help="Write such a TOML, to be changed and used again.")
@_OVERWRITE
@units_option
def import_(
    file: Path, out: Path, layers: Path | None, save_layers: Path | None, overwrite: bool, units: str
) -> None:
    """Bring in an SVG or DXF from a drawing program.

    What its layers mean comes from --layers, else from the TOML beside it, else from words in their names.
    """
    for option, sheet in (("--layers", layers), ("--save-layers", save_layers)):
        if sheet is not None and sheet.resolve() in [p.resolve() for p in _files(out)]:
            # Not even with --overwrite: what the layers mean cannot be had back from the drawing.
            raise InputError(
                f"{option} {sheet}: the drawing, or the TOML beside it, would replace this; give it or --out another name"
            )
    if save_layers is not None and save_layers.resolve() == file.resolve():
        raise InputError(f"--save-layers {save_layers}: is the drawing that is read; give another name")
    _must_be_free((*_files(out), *([save_layers] if save_layers else [])), overwrite)
    toml = file.with_suffix(".toml")
    beside = read_beside(toml) if toml.exists() else Beside()
    if layers is not None:
        beside = replace(beside, roles={**beside.roles, **load_layers(layers)})
    is_dxf = file.suffix.lower() == ".dxf"
    if save_layers is not None:
        if not is_dxf:
            raise InputError(f"{file}: layers can be listed for DXF files only")
        write_layers({name: role for name, (role, _) in dxf_layers(file, beside=beside).items()}, save_layers)
        click.echo(f"layers written to {save_layers}")
    said: list[str] = []
    if is_dxf:
        found = import_dxf(file, beside=beside)
        drawing = found.drawing
        said = [*(f"layer {layer}: {role}" for layer, role in found.layers.items()), *found.notes]
    else:
        brought = import_svg(file, beside=beside)
        drawing, said = brought.drawing, list(brought.notes)
    _save(drawing, out)
    for line in said:
        click.echo(f"  {line}")
    _report(drawing, _wrong_limit(drawing), cast(UnitSystem, units))


@command.command(name="export")
@click.argument("drawing", type=DRAWING)
@click.argument("out", type=DRAWING_FILE)
@_OVERWRITE
def export(drawing: Drawing, out: Path, overwrite: bool) -> None:
    """Write a drawing as SVG or DXF."""
    _must_be_free(_files(out), overwrite)
    _save(drawing, out)


@command.command(name="mirror")
@click.argument("drawing", type=DRAWING)
@click.argument("out", type=DRAWING_FILE)
@click.option("--name", required=True, callback=_not_blank, help="Name of the second face.")
@_OVERWRITE
def mirror(drawing: Drawing, out: Path, name: str, overwrite: bool) -> None:
    """The second face of an intermediate plate: the mirror image, to be edited where it differs."""
    _must_be_free(_files(out), overwrite)
    _save(drawing.mirrored(name), out)


def _length(option: str, text: str) -> float:
    try:
        return parse_length(text, to="mm")
    except InputError as error:
        raise InputError(f"{option}: {error}") from error


def _traced_digits(system: UnitSystem) -> int:
    """Of a length of a trace, whose intervals are some hundredths of a mm wide."""
    return 3 if system == "mm" else 4


def _traced(column: str, value: object, system: UnitSystem) -> str:
    """A cell of the table of round holes, with its unit."""
    if not isinstance(value, float):
        return f"{column} {value}"
    return f"{column.removesuffix('_mm')} {format_length(value, system, digits=_traced_digits(system))}"


@command.command(name="trace")
@click.argument("sources", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "--known",
    nargs=3,
    metavar="HOLE HOLE DISTANCE",
    help="Two clicked holes and their distance (CSV of clicks).",
)
@click.option(
    "--sheet", type=click.Choice(["face", "bench"]), help="Where the printed target lies in every photo."
)
@click.option(
    "--print-scale",
    type=float,
    help="Measured length of the printed line over 100 mm; 1.0 where it is 100 mm long.",
)
@click.option("--focal", type=float, help="Focal length as 35 mm equivalent, mm, from the photo's details.")
@click.option(
    "--thickness",
    metavar="LENGTH",
    help="Thickness of the plate; with the sheet on the bench also the face's height.",
)
@click.option(
    "--edge-break",
    metavar="LENGTH",
    default="0 mm",
    show_default=True,
    help="Width of the chamfer that breaks every edge.",
)
@click.option(
    "--name",
    default="traced plate",
    show_default=True,
    callback=_not_blank,
    help="Name of the plate and face.",
)
@click.option("--out", required=True, type=DRAWING_FILE, help="SVG or DXF to write.")
@_OVERWRITE
@units_option
def trace(
    sources: tuple[Path, ...],
    known: tuple[str, str, str] | None,
    sheet: Literal["face", "bench"] | None,
    print_scale: float | None,
    focal: float | None,
    thickness: str | None,
    edge_break: str,
    name: str,
    out: Path,
    overwrite: bool,
    units: str,
) -> None:
    """Draw a plate from photos of it, with the printed target (pitmap target) or one true distance.

    SOURCES are photos that each show the target (--sheet), plate and target left where they are; or one CSV with the
    columns photo, hole, x_px, y_px: in every photo the centres of the same four or more round holes, by a name of
    your own. Within a millimetre is enough: the hole is measured, not the click. Without a target two or more photos
    and --known are needed.
    """
    from ..tracing import SheetUse, read_trace_sources, trace_plate

    _must_be_free(_files(out), overwrite)
    if sheet is None and print_scale is not None:
        raise InputError(
            f"--print-scale {print_scale:g}: says how the printed sheet came out, and without --sheet none is looked for; "
            "say where it lies with --sheet face or --sheet bench, or leave this out"
        )
    if sheet is not None and known is not None:
        raise InputError(
            "--known: with --sheet the scale comes from the printed sheet and this distance would not be used; leave one "
            "of the two out, and hold the distance against the drawing afterwards"
        )
    if sheet == "bench" and thickness is None:
        raise InputError(
            "--sheet bench: the plate stands over the sheet; say how thick it is with --thickness"
        )
    apart = None if known is None else (known[0], known[1], _length("--known", known[2]))
    thickness_mm = math.nan if thickness is None else _length("--thickness", thickness)
    edge_break_mm = _length("--edge-break", edge_break)
    traced = trace_plate(
        read_trace_sources(sources, focal),
        apart,
        sheet=None
        if sheet is None
        else SheetUse(on=sheet, print_scale=1.0 if print_scale is None else print_scale),
        name=name,
        thickness_mm=thickness_mm,
        edge_break_mm=edge_break_mm,
    )
    system = cast(UnitSystem, units)
    _save(traced.drawing, out)
    for note in traced.notes:
        click.echo(f"  {note}")
    for row in traced.circles.to_dict("records"):
        click.echo("  " + ", ".join(_traced(str(column), value, system) for column, value in row.items()))
    outline_err = format_length(traced.outline_err_mm, system, digits=_traced_digits(system))
    click.echo(f"  outline: sure to {outline_err} across (90 %, cameras included, the scale's length not)")
    sure = f"sure to {100 * (traced.size.high - 1):.2f} % (90 %)"
    if sheet is not None and print_scale is None:
        sure = (
            "not known, because nobody measured the printed line of 100 mm: printers change it by some percent. Measure it "
            f"and give --print-scale (1.0 was taken; with it the scale is {sure})"
        )
    click.echo(f"  scale: {sure}")
    click.echo(
        "  check one distance on the plate before using the drawing: these intervals are tested on renders, not on photos"
    )
    for opening, kind in traced.suggested_kinds.items():
        if kind != "other":
            click.echo(f"  {opening} may be a {kind}: a suggestion from size and place, to be confirmed")
    _report(traced.drawing, system=system)
