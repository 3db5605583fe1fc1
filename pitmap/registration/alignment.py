"""The result of registration: a camera, and how far it can be trusted."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.stats import chi2

from ..errors import InputError
from ..estimate import DEFAULT_LEVEL, Estimate
from .camera import Camera, Lens
from .displaced import Displaced
from .edges import OUTLINE
from .regions import REGIONS
from .view import PARAMETERS, View

__all__ = ["Alignment", "RunnerUp", "plate_covariance"]

_MOST_NAMED = 6
"""Openings in one sentence: what covers a third of the plate covers more than anybody would read."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RunnerUp:
    """The best other way to lay the drawing on the photo.

    Parameters
    ----------
    kind : str
        ``"turned"``, ``"moved"`` (on another plate beside it), ``"mirrored"`` (the drawing's mirror image: the other face)
        or ``"none"``.
    turn_deg : float
        By how much it is turned against the accepted pose, deg; NaN for none and for another plate.
    met : float
        Share of the drawn edges in the frame that it finds in their place, 0..1; NaN for none.
    margin : float
        By how much that is less than the accepted pose has, 0..1; NaN for none.
    is_told_apart : bool
        That is nearly as much, but the photo shows what tells the two apart:
        :func:`~pitmap.registration.lookalike.is_told_apart`.
    """

    kind: str
    turn_deg: float
    met: float
    margin: float
    is_told_apart: bool = False


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Alignment:
    """Where the plate lies in the photo.

    Parameters
    ----------
    view : View
        Camera over the plate.
    covariance : (11, 11) array
        Of the view's parameters (:data:`pitmap.registration.view.PARAMETERS`).
    size_wh : (int, int)
        Photo, px.
    residual_mm : Estimate
        Typical (root mean square over the plate) error of the alignment, with its interval.
    regions : DataFrame
        Columns of :data:`pitmap.registration.regions.REGIONS`.
    seen : float
        Share of the drawn metal that lies in the frame, 0..1; what covers it is not known here.
    met : float
        Share of the drawn edges in the frame that was found in its place, 0..1.
    runner_up : RunnerUp
    edge_break_mm, blur_px : float
        Width of the broken edges and blur of the photo, as found.
    displaced : tuple of Displaced
        An opening that the photo shows elsewhere than the drawing: the plate lies right, the drawing is wrong there. With
        more than one the photo is refused.
    unmet : tuple of str
        Parts of the drawing (``"outline"``, or the name of an opening) that lie in the frame and of which the photo shows
        next to no edge: see :attr:`unmet_words`.
    method : str
        ``"automatic"``, ``"landmarks"``, ``"refined"`` or another word of the caller.
    is_part : bool
        The lens did not look at the middle of the photo, so little was assumed of it: see :attr:`part_words`.
    """

    view: View
    covariance: NDArray[np.float64]
    size_wh: tuple[int, int]
    residual_mm: Estimate
    regions: pd.DataFrame
    seen: float
    met: float
    runner_up: RunnerUp
    edge_break_mm: float
    blur_px: float
    displaced: tuple[Displaced, ...] = ()
    unmet: tuple[str, ...] = ()
    method: str = "automatic"
    is_part: bool = False

    def __post_init__(self) -> None:
        c = np.array(self.covariance, float)
        if c.shape != (len(PARAMETERS),) * 2 or not np.isfinite(c).all():
            raise InputError(
                f"Alignment.covariance: expected a finite {len(PARAMETERS)} x {len(PARAMETERS)} matrix"
            )
        c.setflags(write=False)
        object.__setattr__(self, "covariance", c)
        REGIONS.check(self.regions)

    @property
    def camera(self) -> Camera:
        """Homography and lens."""
        return self.view.camera()

    @property
    def homography(self) -> NDArray[np.float64]:
        """(3, 3): mm to undistorted px."""
        return self.camera.homography

    @property
    def lens(self) -> Lens:
        """Radial distortion."""
        return self.camera.lens

    @property
    def part_words(self) -> str:
        """What to know of a photo that is not as the camera took it, a sentence; empty for any other.

        A camera of which nothing is assumed fits whatever is drawn out in one direction, the photo or the drawing.
        """
        if not self.is_part:
            return ""
        return (
            "the lens did not look at the middle of this photo: it was cropped, squeezed or stitched, or the drawing is"
            " drawn out in one direction; lengths rest on the drawing alone, so check one distance with a caliper."
        )

    @property
    def unmet_words(self) -> tuple[str, ...]:
        """What to know of parts that the drawing has and the photo does not show, sentences; none where it shows all."""
        words = []
        if OUTLINE in self.unmet:
            words.append(
                "the photo hardly shows the outline of the plate: the drawing lies by its openings alone, and an outline"
                " that stands elsewhere would not be noticed; see that its line runs along the rim, or lay the plate on"
                " a bench of another tone."
            )
        openings = [name for name in self.unmet if name != OUTLINE]
        if openings:
            more = f" and {len(openings) - _MOST_NAMED} more" if len(openings) > _MOST_NAMED else ""
            words.append(
                f"the photo shows no edge of {', '.join(openings[:_MOST_NAMED])}{more} where the drawing has"
                f" {'them' if openings[1:] else 'it'}: covered, filled in, lost in glare, or not in this plate; look at"
                " the plate. What lies there is taken for an opening, not for metal."
            )
        return tuple(words)

    @property
    def error_sd_mm(self) -> float:
        """Standard deviation of a place per axis, mm: the root-mean-square error shared by two axes."""
        return float(self.residual_mm.value / np.sqrt(2))

    def about(self, place_mm: NDArray[np.float64]) -> Alignment:
        """The same alignment, once the plate's frame has its origin at this place (2,) of it."""
        # the parameters turn the plate about its origin: about another place the same turn shifts it too
        x, y, z = self.view.rotation[:, :2] @ place_mm
        to = np.eye(len(PARAMETERS))
        to[3:6, 0:3] = [[0, z, -y], [-z, 0, x], [y, -x, 0]]
        x_mm, y_mm = place_mm
        return replace(
            self,
            view=self.view.about(place_mm),
            covariance=to @ self.covariance @ to.T,
            regions=self.regions.assign(x_mm=self.regions["x_mm"] - x_mm, y_mm=self.regions["y_mm"] - y_mm),
        )

    def mm_to_px(self, points_xy: ArrayLike) -> NDArray[np.float64]:
        """Points (..., 2) of the face in mm to photo pixels."""
        return self.camera.mm_to_px(points_xy)

    def px_to_mm(self, points_px: ArrayLike) -> NDArray[np.float64]:
        """Photo pixels (..., 2) to mm on the face."""
        return self.camera.px_to_mm(points_px)

    def px_per_mm(self, points_xy: ArrayLike) -> NDArray[np.float64]:
        """Photo pixels per mm (...,)."""
        return self.camera.px_per_mm(points_xy)

    def error_mm(self, points_xy: ArrayLike, level: float = DEFAULT_LEVEL) -> NDArray[np.float64]:
        """Radius about each point (..., 2), mm, that holds the true place with probability `level`.

        From the covariance of the camera, taken for a round error of the same mean square.
        """
        p = np.asarray(points_xy, float)
        variance = _variance_mm2(self.view, self.covariance, p.reshape(-1, 2)).reshape(p.shape[:-1])
        return np.sqrt(variance / 2 * chi2.ppf(level, 2))

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON, full precision."""
        r = self.residual_mm
        camera = self.camera
        return {
            "homography_mm_to_px": camera.homography.tolist(),
            "radial": {
                "k1": camera.lens.k1,
                "k2": camera.lens.k2,
                "centre": list(camera.lens.centre_xy),
                "scale": camera.lens.scale_px,
            },
            "view": {
                "rotation": self.view.rotation.tolist(),
                "shift_mm": self.view.shift_mm.tolist(),
                "focal_px": self.view.focal_px,
                "centre_xy": [float(v) for v in self.view.centre_xy],
                "k1": self.view.k1,
                "k2": self.view.k2,
            },
            "covariance": self.covariance.tolist(),
            "size_wh": list(self.size_wh),
            "residual_mm": {
                "value": r.value,
                "low": r.low,
                "high": r.high,
                "level": r.level,
                "reason": r.reason,
            },
            "regions": self.regions.astype(object).where(self.regions.notna(), None).to_dict("records"),
            "seen": self.seen,
            "met": self.met,
            "runner_up": {
                "kind": self.runner_up.kind,
                **{
                    k: (None if np.isnan(v) else v)
                    for k, v in (
                        ("turn_deg", self.runner_up.turn_deg),
                        ("met", self.runner_up.met),
                        ("margin", self.runner_up.margin),
                    )
                },
                "is_told_apart": self.runner_up.is_told_apart,
            },
            "edge_break_mm": self.edge_break_mm,
            "blur_px": self.blur_px,
            # openings, all of them
            "displaced": [{"name": d.name, "right_mm": d.right_mm, "up_mm": d.up_mm} for d in self.displaced],
            "unmet": list(self.unmet),
            "method": self.method,
            "is_part": self.is_part,
        }

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> Alignment:
        """What :meth:`to_dict` wrote.

        Raises
        ------
        InputError
            A field is missing or is not what it should be.
        """
        try:
            v = data["view"]
            runner = dict(data["runner_up"])
            rows = [{k: (np.nan if x is None else x) for k, x in row.items()} for row in data["regions"]]
            return cls(
                view=View(
                    rotation=_finite(v["rotation"], (3, 3)),
                    shift_mm=_finite(v["shift_mm"], (3,)),
                    focal_px=float(_finite(v["focal_px"], ())),
                    centre_xy=_finite(v["centre_xy"], (2,)),
                    k1=float(_finite(v["k1"], ())),
                    k2=float(_finite(v["k2"], ())),
                ),
                covariance=np.array(data["covariance"], float),
                size_wh=(int(data["size_wh"][0]), int(data["size_wh"][1])),
                residual_mm=Estimate(**data["residual_mm"]),
                regions=REGIONS.frame(rows),
                seen=float(data["seen"]),
                met=float(data["met"]),
                runner_up=RunnerUp(
                    kind=str(runner["kind"]),
                    is_told_apart=bool(runner.get("is_told_apart", False)),
                    **{  # type: ignore[arg-type]
                        k: float("nan") if runner[k] is None else float(runner[k])
                        for k in ("turn_deg", "met", "margin")
                    },
                ),
                edge_break_mm=float(data["edge_break_mm"]),
                blur_px=float(data["blur_px"]),
                # files of before know no such fields
                displaced=tuple(Displaced(**d) for d in data.get("displaced", ())),
                unmet=tuple(str(name) for name in data.get("unmet", ())),
                method=str(data["method"]),
                is_part=bool(data.get("is_part", False)),
            )
        except (KeyError, TypeError, ValueError, IndexError, AttributeError) as error:
            raise InputError(
                f"alignment: what to_dict() writes ({type(error).__name__}: {error}) is missing or damaged"
            ) from error


def _finite(kept: Any, shape: tuple[int, ...]) -> NDArray[np.float64]:
    """Numbers of a camera: others would lay everything nowhere, without a word."""
    numbers = np.array(kept, float)
    if numbers.shape != shape or not np.isfinite(numbers).all():
        raise ValueError(f"expected finite numbers of shape {shape}, got {kept!r}")
    return numbers


def _per_mm(view: View, points_mm: NDArray) -> NDArray[np.float64]:
    """How the place on the plate of what is seen at each point moves with the view's parameters, (N, 2, 11)."""
    d_px = view.jacobian(points_mm)[1]
    step = 0.05
    dx = view.project(points_mm + [step, 0]) - view.project(points_mm - [step, 0])
    dy = view.project(points_mm + [0, step]) - view.project(points_mm - [0, step])
    return np.linalg.solve(np.stack([dx, dy], -1) / (2 * step), d_px)


def plate_covariance(view: View, points_mm: NDArray) -> NDArray[np.float64]:
    """Quadratic form (11, 11): the mean square error in mm2 over the points (N, 2) is its trace with the covariance."""
    d = _per_mm(view, points_mm)
    return np.einsum("nip,niq->pq", d, d) / len(d)


def _variance_mm2(view: View, covariance: NDArray, points_mm: NDArray) -> NDArray[np.float64]:
    """Mean square error of the place of each point (N, 2) on the plate, mm2 (sum of both directions)."""
    d = _per_mm(view, points_mm)
    return np.einsum("nip,pq,niq->n", d, covariance, d)
