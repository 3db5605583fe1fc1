"""From a pose within a millimetre or two to the best camera: all drawn edges, coarse to fine."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

from .agreement import Neighbours
from .edges import DrawnEdges
from .profiles import ProfileFit, fit_profiles
from .view import View

__all__ = ["FINEST_PX_PER_MM", "MODEL_SD_MM", "MODEL_SD_PX", "Fit", "Priors", "refine_view"]

_CORRELATION_MM = 15.0
"""Errors of neighbouring samples (stain, shadow, lighting of the broken edge) are alike over about this length."""
MODEL_SD_MM = 0.03
MODEL_SD_PX = 0.30
"""What the three levels get wrong on real edges, one standard deviation per correlation length: a part that goes
with the plate and one that goes with the pixels. Set so that the interval covers on photos with known truth."""
FINEST_PX_PER_MM = MODEL_SD_PX / MODEL_SD_MM
"""Where the two weigh the same. Finer pixels say little more of the plate, and a profile, some pixels long, then no longer
spans a broken edge: the break comes out too narrow and the plate is laid beside its place, farther the finer they are."""
_NEAR_MM, _BEST_QUARTER, _ENOUGH, _AGREEMENT_POWER = 30.0, 0.75, 0.75, 4
"""A sample counts in full when the edge this far round about it is met as well as by most of what the best quarter of all
shows, and less the less it is: what covers the plate has edges too, and each of them alone looks as good as one of the plate
(house choice: photos that nothing covers keep about the interval that they would have without)."""
_CLEAR, _SHARP_PX2 = 2.0, 0.5
"""Contrast over misfit, and variance of its place, at which a sample is half a witness for its neighbours."""
_MOST_BEND = 0.25
"""Of the tolerance: an edge may leave the straight way of a step by so much, root mean square."""
_MOST_PARTS, _MOST_HALVINGS = 6, 6
_CENTRE_SD_OF_A_PART, _LOG_FOCAL_SD_OF_A_PART = 0.2, 0.5
"""What is known of the lens when a third of the photo may be missing (house choice)."""
_BREAK_RANGE_MM = (0.02, 0.8)
_BLUR_RANGE_PX = (0.45, 4.0)
_SHAPE_SAMPLES = 400


@dataclass(frozen=True, slots=True, kw_only=True)
class Priors:
    """What is known of a phone's camera before looking (house choice; wide enough for any main camera).

    Parameters
    ----------
    log_focal, log_focal_sd : float
    centre_sd : float
        Optical axis about the middle of the frame, as a share of its long side.
    k1_sd, k2_sd : float
    """

    log_focal: float
    log_focal_sd: float = 0.25
    centre_sd: float = 0.005
    k1_sd: float = 0.04
    k2_sd: float = 0.015

    def of_a_part(self) -> Priors:
        """For a photo that seems to be cut down on one side: the lens may have looked at any place near it."""
        return replace(self, centre_sd=_CENTRE_SD_OF_A_PART, log_focal_sd=_LOG_FOCAL_SD_OF_A_PART)

    def precision(self, long_side_px: float) -> NDArray[np.float64]:
        """Diagonal of the prior's information, by the view's parameters."""
        out = np.zeros(11)
        out[6] = self.log_focal_sd**-2
        out[7:9] = (self.centre_sd * long_side_px) ** -2
        out[9], out[10] = self.k1_sd**-2, self.k2_sd**-2
        return out

    def pull(self, view: View, size_wh: tuple[int, int]) -> NDArray[np.float64]:
        """What separates a view from the prior's middle, by the view's parameters."""
        out = np.zeros(11)
        long_side = max(size_wh)
        out[6] = self.log_focal + math.log(long_side) - math.log(view.focal_px)
        out[7:9] = (np.array(size_wh) - 1) / 2 - view.centre_xy
        out[9], out[10] = -view.k1, -view.k2
        return out


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Fit:
    """A refined view with what it rests on.

    Parameters
    ----------
    view : View
    covariance : (11, 11) array
        Of the view's parameters, from noise, model error and priors.
    profiles : ProfileFit
        At the refined view, in pixels of the picture that it was refined on.
    weight : (N,) array
        Robust weight of each sample, 0..1; 0 out of the frame.
    edge_break_mm, blur_px : float
    priors : Priors
        What was assumed of the camera.
    """

    view: View
    covariance: NDArray[np.float64]
    profiles: ProfileFit
    weight: NDArray[np.float64]
    edge_break_mm: float
    blur_px: float
    priors: Priors

    def lens_axis(self, size_wh: tuple[int, int]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Where the edges alone put the optical axis, px beside the middle of the frame, (2,), and its covariance (2, 2).

        What was assumed of the axis is taken out again, and so is what was assumed of the focal length: a photo cut down
        about its middle belies that, and the axis would give way for it.
        """
        held, precision = np.zeros(11), self.priors.precision(max(size_wh))
        held[6:9] = precision[6:9]
        pull = self.priors.pull(self.view, size_wh)
        scale, scaled = _balanced(np.linalg.inv(self.covariance) - np.diag(held))
        covariance = np.linalg.inv(scaled) * scale[:, None] * scale
        moved = -covariance @ (held * pull)
        return moved[7:9] - pull[7:9], covariance[7:9, 7:9]

    def scaled(self, factor: float) -> Fit:
        """The same camera for a picture of another size."""
        per = np.ones(11)
        per[7:9] = factor
        return replace(
            self,
            view=self.view.scaled(factor),
            covariance=self.covariance * np.outer(per, per),
            blur_px=self.blur_px * factor,
        )


def _balanced(information: NDArray) -> tuple[NDArray, NDArray]:
    """Scale of each parameter, and the information about the parameters so scaled, damped enough to be inverted."""
    scale = 1 / np.sqrt(np.maximum(np.diag(information), 0) + 1e-12)
    return scale, information * scale[:, None] * scale + 1e-9 * np.eye(len(scale))


def _solve(
    fit: ProfileFit,
    view: View,
    edges: DrawnEdges,
    size_wh: tuple[int, int],
    priors: Priors,
    tolerance_px: float,
    neighbours: Neighbours,
) -> tuple[NDArray, NDArray, NDArray]:
    """Step, covariance and robust weights."""
    spacing = max(float(np.median(edges.length_mm[edges.length_mm > 0])), 1e-6)
    alike = max(_CORRELATION_MM / spacing, 1.0)
    variance = fit.variance_px2 + alike * fit.condition * (
        (MODEL_SD_MM * fit.px_per_mm) ** 2 + MODEL_SD_PX**2
    )
    robust = (1 + (fit.offset_px / tolerance_px) ** 2) ** -2.0
    seen = fit.inside & (edges.length_mm > 0)
    robust *= seen & (np.abs(fit.offset_px) < 4 * tolerance_px)
    robust *= np.clip(fit.explained, 0, 1) ** 2
    robust *= _agreement(fit, robust, seen, neighbours)
    # by the view's parameters, where the place along the normal goes
    rows = np.einsum("nip,ni->np", view.jacobian(edges.points_mm)[1], fit.normal)
    weighted = rows * (robust / variance)[:, None]
    information = weighted.T @ rows + np.diag(priors.precision(max(size_wh)))
    right = weighted.T @ fit.offset_px + priors.precision(max(size_wh)) * priors.pull(view, size_wh)
    scale, scaled = _balanced(information)
    step = scale * np.linalg.solve(scaled, scale * right)
    covariance = np.linalg.inv(scaled) * scale[:, None] * scale
    return step, covariance, robust


def _agreement(
    fit: ProfileFit, robust: NDArray[np.float64], seen: NDArray[np.bool_], neighbours: Neighbours
) -> NDArray[np.float64]:
    """How far each sample's neighbours bear it out, 0..1: without a threshold, or a hair's breadth would move the plate."""
    clear = fit.contrast**2 / np.maximum(fit.contrast**2 + (_CLEAR * fit.misfit) ** 2, 1e-9)
    sharp = 1 / (1 + fit.variance_px2 * fit.condition / _SHARP_PX2)
    share = neighbours.share(robust * clear * sharp, seen, fit.step)
    best = float(np.quantile(share[seen], _BEST_QUARTER)) if seen.any() else 0.0
    return np.minimum(share / (_ENOUGH * best), 1.0) ** _AGREEMENT_POWER if best else np.ones(len(share))


def _moved(
    view: View, step: NDArray[np.float64], points_mm: NDArray, most_bend_px: float
) -> tuple[View, bool]:
    """The view after a step, or after so much of it as the edges follow nearly straight; and whether it was all.

    Focal length, distance and lean hardly differ in what they do, so a step along all three can be far too long for
    the straight lines that it was computed from, and end beside the edges that asked for it.
    """
    if not len(points_mm):
        return view.moved(step), True
    here, slope = view.jacobian(points_mm)
    for part in 0.5 ** np.arange(_MOST_HALVINGS):
        there = view.moved(part * step)
        bend = there.project(points_mm) - here - slope @ (part * step)
        if np.sqrt((bend**2).sum(1).mean()) <= most_bend_px:
            break
    return there, part == 1


def _edge_shape(
    rgb: NDArray, view: View, edges: DrawnEdges, thickness_mm: float, edge_break_mm: float, blur_px: float
) -> tuple[float, float]:
    """Edge break (mm) and blur (px) that leave the least unexplained in the middle one of the samples."""
    used = np.nonzero(edges.length_mm > 0)[0]
    some = edges.take(used[:: max(1, len(used) // _SHAPE_SAMPLES)])

    def values(p: NDArray) -> tuple[float, float]:
        return float(np.clip(p[0], *_BREAK_RANGE_MM)), float(np.clip(math.exp(p[1]), *_BLUR_RANGE_PX))

    def unexplained(p: NDArray) -> float:
        e, b = values(p)
        fit = fit_profiles(rgb, view, some, thickness_mm=thickness_mm, edge_break_mm=e, blur_px=b)
        if not fit.inside.any():
            return 0.0
        outside = abs(p[0] - e) + abs(p[1] - math.log(b))
        return float(np.median(np.log(fit.misfit[fit.inside] ** 2 + 1))) + outside

    start = np.array([edge_break_mm, math.log(blur_px)])
    simplex = start + np.array([[0, 0], [-0.1, 0], [0, 0.3]])
    options = {"maxfev": 24, "initial_simplex": simplex, "xatol": 0.01, "fatol": 0.005}
    return values(minimize(unexplained, start, method="Nelder-Mead", options=options).x)


def refine_view(
    rgb: NDArray[np.uint8],
    view: View,
    edges: DrawnEdges,
    priors: Priors,
    *,
    thickness_mm: float,
    tolerance_px: tuple[float, ...] = (3.0, 2.5, 2.0, 1.5, 1.2, 1.0),
    edge_break_mm: float | None = None,
    blur_px: float | None = None,
) -> Fit:
    """Gauss-Newton on the drawn edges at one size of the picture, with a falling robust tolerance (px)."""
    h, w = rgb.shape[:2]
    size = (w, h)
    find_shape = edge_break_mm is None or blur_px is None
    e = 0.3 if edge_break_mm is None else edge_break_mm
    b = 0.8 if blur_px is None else blur_px
    neighbours = Neighbours(edges, _NEAR_MM)
    for k, tolerance in enumerate(tolerance_px):
        if find_shape and k == len(tolerance_px) // 2:
            e, b = _edge_shape(rgb, view, edges, thickness_mm, e, b)
        for _ in range(_MOST_PARTS):
            fit = fit_profiles(rgb, view, edges, thickness_mm=thickness_mm, edge_break_mm=e, blur_px=b)
            step, _, robust = _solve(fit, view, edges, size, priors, tolerance, neighbours)
            view, is_whole = _moved(view, step, edges.points_mm[robust > 0], _MOST_BEND * tolerance)
            if is_whole:
                break
    fit = fit_profiles(rgb, view, edges, thickness_mm=thickness_mm, edge_break_mm=e, blur_px=b)
    _, covariance, weight = _solve(fit, view, edges, size, priors, tolerance_px[-1], neighbours)
    return Fit(
        view=view,
        covariance=covariance,
        profiles=fit,
        weight=weight,
        edge_break_mm=e,
        blur_px=b,
        priors=priors,
    )
