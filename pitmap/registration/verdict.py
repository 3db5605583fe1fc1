"""Accept or refuse, each rule with its reason in words."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri
from scipy.stats import chi2

from ..drawing import Drawing
from ..errors import AlignmentRefused
from ..estimate import DEFAULT_LEVEL, Estimate
from ..photo.read import MAX_SIDE_PX
from .alignment import Alignment, RunnerUp, plate_covariance
from .displaced import Displaced, met
from .edges import OUTLINE, DrawnEdges
from .judge import Evidence
from .polish import Fit
from .regions import region_table
from .second_face import SecondFace
from .view import View

__all__ = [
    "PICKED",
    "check_size",
    "conclude",
    "doubt",
    "is_found",
    "is_off_centre",
    "is_open",
    "may_settle",
    "mismatch",
    "rivalry",
]

PICKED = "landmarks"
"""The method of an alignment that began where a person picked places."""
_MIN_LONG_SIDE_PX = 400
_MAX_ASPECT = 20
"""Longer strips show no plate, and a small copy of one has no rows left."""
_MIN_MET = 0.40
_MIN_OVER_CHANCE = 0.20
_MIN_REGIONS = 8
_MIN_REGIONS_MET = 0.50
_MAX_RIVAL = 0.80
"""A look-alike that meets this much of what the pose meets leaves the choice open, unless what differs tells them apart. On
358 renders of plates without symmetry it meets 0.54 and less. Of nearly symmetric plates it may be the right one with less
than all: of 778 mirrored drawings on them one, under a glove, was laid where the right pose met 0.90."""
_MAX_RIVAL_PICKED = 0.97
"""The same where a person picked the pose: so much the photo must still say itself, and say the same (house choice). On
painted plates of near symmetry (8 turned, 8 mirrored) the look-alike of a pose picked right meets 0.82 to 0.93 of what the
pose meets; of one picked a half turn round, 1.08 and more."""
_MAX_BESIDE = 0.75
"""The same for a pose beside the plate: nothing but another plate has so many of its edges (house choice)."""
_MAX_ERROR_MM = 0.8
_MAX_BEND_MM, _MAX_BEND_SD = 0.15, 1.5
"""What neighbouring openings may have in common of how far they stand beside their drawn places, in mm, and against the
error that the edges seem to leave; both must be passed. The 20 development photos have 0.10 mm and less, and no more than
1.2 times their error. Photos of them bent by other lenses (decentred, scanned while moving, rolled on a cylinder) that were
laid over 0.75 mm off at some place have 0.16 mm and more, and over 1.8 times their error. Less widens the interval."""
_MODEL_KNOWN_TO = 0.6
"""Standard deviation of the logarithm of how far the true error lies from what the covariance says: how wrong the model of
an edge is differs from photo to photo. The interval so made holds the true error on 0.91 of 304 usable renders and on 0.93
of 294 cut down about their middle or partly covered (0.53 without it)."""
_MAX_K1 = 0.25
_FOCAL_RANGE = (0.45, 4.5)
"""Focal length over the long side of the frame: 96 down to 13 deg."""
_OFF_CENTRE = (
    "the middle of the lens does not seem to lie in the middle of the photo; is it cropped or stitched? Use it as the camera"
    " took it"
)
_MAX_OFF_CENTRE = 1.1
"""Optical axis off the middle of the frame, by what the edges alone say of it, in standard deviations of what they know
and of what phones differ by. The 20 development photos, also cut down about their middle, stay within 0.7; of usable renders
one in seventy has more than this, of those cut down about their middle one in twenty. Photos and renders cut to one side or
two that were laid over 0.4 mm off, or over 1 mm at some place, had 1.11 and more, and 2.3 in the median. Beyond it little
is assumed of the axis any more (:meth:`~pitmap.registration.polish.Priors.of_a_part`): of 206 renders so cut 133 are taken,
the worst place of those beyond it 0.55 mm off."""


def check_size(rgb: NDArray) -> None:
    """Refuse a picture in which no plate could be measured."""
    if max(rgb.shape[:2]) < _MIN_LONG_SIDE_PX:
        raise AlignmentRefused(
            f"the photo is {rgb.shape[1]} x {rgb.shape[0]} px; at least {_MIN_LONG_SIDE_PX} px "
            "along the long side are needed"
        )
    if max(rgb.shape[:2]) > min(_MAX_ASPECT * min(rgb.shape[:2]), MAX_SIDE_PX):
        raise AlignmentRefused(
            f"the photo is a strip of {rgb.shape[1]} x {rgb.shape[0]} px; use it as the camera took it"
        )


def is_found(evidence: Evidence) -> bool:
    """True when enough of the drawn edges are met, and not by chance."""
    return evidence.met >= _MIN_MET and evidence.met - evidence.chance >= _MIN_OVER_CHANCE


def _openings(evidence: Evidence) -> tuple[Displaced, ...]:
    return tuple(d for d in evidence.displaced if d.is_opening)


def may_settle(evidence: Evidence) -> bool:
    """True when only sectors of the outline speak against a pose.

    From a view that is a little off, a sector can seem to lie on its own shadow; an opening has no such double, and
    one that stands elsewhere means another drawing.
    """
    return (
        is_found(evidence) and bool(evidence.displaced) and not _openings(evidence) and bool(doubt(evidence))
    )


def doubt(evidence: Evidence) -> str:
    """What speaks against the pose itself, in words; empty when nothing does."""
    if not is_found(evidence):
        return (
            f"the plate was not found: at the best place only {100 * evidence.met:.0f} % of the drawn edges are met "
            f"(a few millimetres beside it: {100 * evidence.chance:.0f} %); is it the right drawing, and is the plate "
            "in the photo?"
        )
    # one sector of the outline may have met a shadow's edge; an opening has no such double
    n_openings = len(_openings(evidence))
    n_all = len(evidence.displaced)
    if n_openings >= 2 or n_all >= 3 or (n_all and evidence.regions_met < 0.75):
        return f"the drawing fits in places only: {_elsewhere(evidence)}"
    if evidence.n_regions * evidence.regions_met < _MIN_REGIONS:
        return (
            f"too little of the plate can be recognised: {evidence.n_regions * evidence.regions_met:.0f} pieces of the "
            f"drawing are met, {_MIN_REGIONS} are needed; show all of the plate, sharp and in even light, on a plain bench "
            "of another tone"
        )
    if evidence.regions_met < _MIN_REGIONS_MET:
        return (
            f"only {100 * evidence.regions_met:.0f} % of the pieces of the drawing that should be in the photo are met; "
            "too much is covered, or it is the wrong drawing"
        )
    return ""


def _elsewhere(evidence: Evidence) -> str:
    """What lies elsewhere than the rest puts it, and what to ask for."""
    names = [d.name for d in evidence.displaced]
    asked = (
        "does anything lie on the plate or its edge, is it the right drawing (face, ported openings), and the photo "
        "as the camera took it (not squeezed, stitched, framed, or taken of a screen)?"
    )
    if not _openings(evidence):
        return (
            f"of its outline {'one part lies' if len(names) == 1 else f'{len(names)} parts lie'} millimetres from where the "
            "rest puts it, as where lines of the bench (newsprint, tiles) or a shadow's edge run beside the plate: lay it "
            f"on a plain ground; or {asked}"
        )
    return (
        ", ".join(names[:4])
        + (" and more" if len(names) > 4 else "")
        + (
            " lies millimetres from where the rest puts it; "
            if len(names) == 1
            else " lie millimetres from where the rest puts them; "
        )
        + asked
    )


def is_open(evidence: Evidence, rival: RunnerUp) -> bool:
    """True when the look-alike meets so much that it may as well be the one that is meant."""
    most = _MAX_BESIDE if rival.kind == "moved" else _MAX_RIVAL
    return not (math.isnan(rival.met) or rival.is_told_apart) and rival.met > most * evidence.met


def rivalry(evidence: Evidence, rival: RunnerUp, *, is_picked: bool) -> str:
    """Why the choice between the pose and its look-alike is open, in words; empty when it is not.

    Parameters
    ----------
    evidence : Evidence
    rival : RunnerUp
    is_picked : bool
        A person picked where the pose lies: then the photo need only say the same, clearly.
    """
    if not is_open(evidence, rival):
        return ""
    if rival.kind == "moved":
        return (
            f"ambiguous: the drawing fits two places in the photo ({100 * evidence.met:.0f} % of the edges in one, "
            f"{100 * rival.met:.0f} % in the other), as where it shows two plates, or a bench with lines of its own; leave "
            "one plate in the picture, on a plain bench, or pick landmarks on the one that is meant"
        )
    is_close = rival.met > _MAX_RIVAL_PICKED * evidence.met
    if is_picked and not is_close:
        return ""
    what = (
        "the mirror image of the drawing (the other face?)"
        if rival.kind == "mirrored"
        else f"the drawing turned by {rival.turn_deg:.0f} deg"
    )
    # the look-alike may meet more: then the one that was found is not the best
    found = "the best pose" if rival.met <= evidence.met else "the drawing as it was found"
    pose = "the landmarks' pose" if is_picked else found
    told = "show the features that tell them apart"
    if is_picked:
        told += ", and check that no landmark is picked on the twin of its place"
    elif not is_close:
        told += ", or pick landmarks"
    return f"ambiguous: {what} meets {100 * rival.met:.0f} % of the edges, {pose} {100 * evidence.met:.0f} %; {told}"


def _typical_error(fit: Fit, drawing: Drawing) -> Estimate:
    """Root mean square error over the plate and its interval, from the covariance of the camera.

    The mean square is what the covariance says; about it the error is scattered by the chances of one photo and by how
    much better or worse than most its edges follow the model.
    """
    x0, y0, x1, y1 = drawing.outline.bounds
    grid = np.stack(np.meshgrid(np.linspace(x0, x1, 9), np.linspace(y0, y1, 9)), -1).reshape(-1, 2)
    # the mean square error is a weighted sum of chi-squares: matched by mean and variance (Satterthwaite)
    form = plate_covariance(fit.view, grid)
    product = form @ fit.covariance
    mean, variance = float(np.trace(product)), 2 * float(np.trace(product @ product))
    freedom = 2 * mean**2 / max(variance, 1e-30)
    tail = (1 - DEFAULT_LEVEL) / 2
    # of a log-normal factor with a mean square of one
    middle, reach = -(_MODEL_KNOWN_TO**2), float(ndtri(1 - tail)) * _MODEL_KNOWN_TO
    low, high = (
        math.exp(middle + side * math.hypot(0.5 * math.log(chi2.ppf(q, freedom) / freedom), reach))
        for side, q in ((-1, tail), (1, 1 - tail))
    )
    value = math.sqrt(mean)
    return Estimate(value=value, low=value * low, high=value * high)


def is_off_centre(fit: Fit, size_wh: tuple[int, int]) -> bool:
    """True when the edges put the optical axis beside the middle of the frame: the photo was cut down or stitched."""
    axis, spread = fit.lens_axis(size_wh)
    spread = spread + (fit.priors.centre_sd * max(size_wh)) ** 2 * np.eye(2)
    return math.sqrt(axis @ np.linalg.solve(spread, axis)) > _MAX_OFF_CENTRE


def mismatch(outline: Displaced | None, second: SecondFace) -> str:
    """What speaks against a pose that meets the openings, in words; empty when nothing does.

    Parameters
    ----------
    outline : Displaced or None
        Where the photo shows the outline, when it is elsewhere than the openings put it.
    second : SecondFace
    """
    if outline is not None:
        return (
            "the drawing fits in places only: where its openings lie right, its outline lies about "
            f"{outline.away_mm:.1f} mm beside the rim of the plate, all round; measure from a hole to the rim and mend "
            "the drawing, or use the right one"
        )
    if second.is_there:
        return (
            f"ambiguous: the openings show twice, about {second.away_mm:.0f} mm apart, as where a gasket or a sheet of the "
            "plate's own shape lies on it; take it off and photograph the bare face"
        )
    return ""


def outline_alone(unmet: tuple[str, ...], n_openings: int) -> str:
    """What speaks against a pose that the outline holds without the openings, in words; empty when nothing does.

    The outline counts as twelve pieces, which outvote a few openings; and a view can be found from which one plate with four
    corners looks like another.
    """
    n_missing = sum(name != OUTLINE for name in unmet)
    if 2 * n_missing <= n_openings:
        return ""
    return (
        f"the photo shows no edge of {n_missing} of the drawing's {n_openings} openings where the outline puts them; is it "
        "the right drawing, and are the openings free?"
    )


def conclude(
    rgb: NDArray[np.uint8],
    drawing: Drawing,
    edges: DrawnEdges,
    fit: Fit,
    evidence: Evidence,
    rival: RunnerUp,
    *,
    method: str,
    is_part: bool = False,
    bend_mm: float = 0.0,
    unmet: tuple[str, ...] = (),
    unmodelled_mm2: float = 0.0,
) -> Alignment:
    """The alignment, when nothing speaks against it. One displaced opening is told; more are another drawing.

    The covariance knows of chance alone: what no camera follows (`unmodelled_mm2`) is as far off where nothing
    shows it, so all of the plate is so much less sure, and what :func:`~pitmap.registration.bend.bend_mm` found
    bounds the error from below.

    Raises
    ------
    AlignmentRefused
        With the first rule that is broken, in words.
    """
    reason = (
        doubt(evidence)
        # before the look-alike: openings that are not there name the cause, and of an outline alone most are alike
        or outline_alone(unmet, len(edges.part_names) - 1)
        or rivalry(evidence, rival, is_picked=method == PICKED)
        or _unlikely(fit, (rgb.shape[1], rgb.shape[0]))
    )
    if reason:
        raise AlignmentRefused(reason)
    fit, error = _sure_to(fit, drawing, bend_mm, unmodelled_mm2, is_part=is_part)
    h, w = rgb.shape[:2]
    p = fit.profiles
    return Alignment(
        view=fit.view,
        covariance=fit.covariance,
        size_wh=(w, h),
        residual_mm=error,
        regions=region_table(edges, p.inside, met(p, edges, 1.0), p.offset_px / p.px_per_mm),
        seen=_metal_in_frame(fit.view, drawing, (w, h)),
        met=evidence.met,
        displaced=_openings(evidence),
        unmet=unmet,
        runner_up=rival,
        edge_break_mm=fit.edge_break_mm,
        blur_px=fit.blur_px,
        method=method,
        is_part=is_part,
    )


def _unlikely(fit: Fit, size_wh: tuple[int, int]) -> str:
    """Why no phone's camera took the photo, in words; empty when one may have."""
    view = fit.view
    ratio = view.focal_px / max(size_wh)
    if not _FOCAL_RANGE[0] < ratio < _FOCAL_RANGE[1] or abs(view.k1) > _MAX_K1 or view.eye_mm()[2] <= 0:
        return (
            f"the best pose needs an unlikely camera (focal length {ratio:.2f} of the frame, k1 {view.k1:.2f}); "
            "is the photo cropped or warped?"
        )
    return _OFF_CENTRE if is_off_centre(fit, size_wh) else ""


def _sure_to(
    fit: Fit, drawing: Drawing, bend_mm: float, unmodelled_mm2: float, *, is_part: bool
) -> tuple[Fit, Estimate]:
    """The fit with a covariance that knows of more than chance, and the error of the place, when that is small enough.

    Raises
    ------
    AlignmentRefused
        The plate is bent, or its place is not known well enough.
    """
    error = _typical_error(fit, drawing)
    if bend_mm > max(_MAX_BEND_MM, _MAX_BEND_SD * error.value):
        raise AlignmentRefused(
            f"the photo shows the plate bent: openings beside each other stand together {bend_mm:.2f} mm from where the "
            "rest puts them; is it the photo as the camera took it (not stitched, squeezed, taken through a film, with a "
            "lens clipped on, or of a screen), and is it the right drawing?"
        )
    fit = replace(fit, covariance=fit.covariance * (1 + unmodelled_mm2 / error.value**2))
    error = _typical_error(fit, drawing)
    if bend_mm > error.value:
        fit = replace(fit, covariance=fit.covariance * (bend_mm / error.value) ** 2)
        error = _typical_error(fit, drawing)
    if error.high > _MAX_ERROR_MM and is_part:
        raise AlignmentRefused(
            f"{_OFF_CENTRE}; of a part of it the place of the plate is only known to {error.high:.2f} mm (at most "
            f"{_MAX_ERROR_MM} mm)"
        )
    if error.high > _MAX_ERROR_MM:
        raise AlignmentRefused(
            f"the place of the plate is only known to {error.high:.2f} mm (at most {_MAX_ERROR_MM} mm); "
            "show more of it, sharper"
        )
    return fit, error


def _metal_in_frame(view: View, drawing: Drawing, size_wh: tuple[int, int]) -> float:
    """Share of the drawn metal that lies in the frame, 0..1."""
    grid = drawing.grid(0.5, 0.0)
    x, y = grid.centres_mm()
    px = view.project(np.stack(np.meshgrid(x, y), -1)[drawing.mask(grid)])
    return float(((px >= 0) & (px <= np.array(size_wh) - 1)).all(1).mean())
