"""Invented faces with known pit depths, surveyed and read the way a shop would: truth for depth and stock.

Choices made before any result was looked at, and kept: half of the faces follow the model's log-normal scatter,
the other half do not (Weibull, gamma, wide pits flattening out, heavy tails); readings carry 5 to 10 um of error
while the sheet says 8; the needle sticks in narrow deep pits and then only says "at least"; half of the readings go to
the widest pits, half where the program asks for them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from pitmap.depth import READINGS, FaceSurvey, RemovedStock, fit_series, next_readings

LAWS = ("log-normal", "weibull", "gamma", "flattening", "heavy tail")
LAW_SHARES = (0.5, 0.125, 0.125, 0.125, 0.125)
SIZES_MM = (0.3, 4.0)
STOCK_SD_UM = 2.0
STATED_SD_UM = 8.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Face:
    """Surveys of one invented face and what is true of it."""

    surveys: list[FaceSurvey]
    depth_um: np.ndarray
    removed_true_um: np.ndarray
    law: str

    @property
    def to_clear_um(self) -> float:
        """Further stock that truly clears the last pit."""
        return max(float(self.depth_um.max() - self.removed_true_um[-1]), 0.0)


def _scatter(law: str, s: float, n: int, rng: np.random.Generator) -> np.ndarray:
    if law == "weibull":
        return (rng.exponential(size=n) / np.log(2)) ** (s / 1.2)
    if law == "gamma":
        return rng.gamma(1 / s**2, size=n) * s**2
    if law == "heavy tail":
        return np.exp(s * np.sqrt(4 / 6) * rng.standard_t(6, n))
    return np.exp(s * rng.standard_normal(n))


class _Bench:
    """One face on the bench: what the shop knows of it grows as it is surveyed and read."""

    def __init__(self, rng: np.random.Generator, n_pits: int, n_laps: int, law: str) -> None:
        self.rng, self.n_laps, self.law = rng, n_laps, law
        self.diameter = np.exp(rng.uniform(*np.log(SIZES_MM), n_pits))
        x = np.log(self.diameter)
        median = np.exp(rng.uniform(np.log(8), np.log(30)))
        slope, s = rng.uniform(0.3, 0.9), rng.uniform(0.2, 0.55)
        x_used = np.where(x > 0, 0.6 * x, x) if law == "flattening" else x
        self.depth = median * np.exp(slope * x_used) * _scatter(law, s, n_pits, rng)
        steps = np.concatenate([[0.0], rng.uniform(8, 12, 1), rng.uniform(8, 20, 4)])[: n_laps + 1]
        self.removed = np.cumsum(steps)
        self.removed_sd = np.where(self.removed > 0, STOCK_SD_UM, 0.0)
        self.measured = np.maximum(self.removed + self.removed_sd * rng.standard_normal(n_laps + 1), 0.0)
        self.seen_diameter = self.diameter * np.exp(0.05 * rng.standard_normal(n_pits))
        cells = np.stack(np.meshgrid(np.arange(0, 240, 5.0), np.arange(0, 150, 5.0)), -1).reshape(-1, 2)
        if n_pits > len(cells):
            fine = 150 / np.sqrt(n_pits)
            cells = np.stack(np.meshgrid(np.arange(0, 240, fine), np.arange(0, 150, fine)), -1).reshape(-1, 2)
        self.xy = cells[rng.choice(len(cells), n_pits, replace=False)]
        self.gauge_sd = rng.uniform(5, 10)
        self.rows: dict[int, list[dict]] = {k: [] for k in range(n_laps + 1)}

    def there(self, k: int) -> np.ndarray:
        return np.flatnonzero(self.depth > self.removed[k])

    def read(self, pit: int, k: int) -> None:
        left = self.depth[pit] - self.removed[k]
        slender = left / 1000 / self.diameter[pit]
        is_stuck = bool(self.rng.random() < 1 / (1 + np.exp(-(slender - 0.12) / 0.03)))
        reached = left * self.rng.uniform(0.5, 0.95) if is_stuck else left
        self.rows[k].append(
            {
                "kind": "pit_depth", "x_mm": self.xy[pit, 0], "y_mm": self.xy[pit, 1], "mark_id": int(pit + 1),
                "value_um": max(0.0, reached + self.gauge_sd * self.rng.standard_normal()),
                "uncertainty_um": STATED_SD_UM, "is_lower_bound": is_stuck, "instrument": "needle", "note": "",
                "flags": 0,
            }
        )  # fmt: skip

    def surveys(self) -> list[FaceSurvey]:
        out = []
        for k in range(self.n_laps + 1):
            pits = self.there(k)
            marks = pd.DataFrame(
                {
                    "mark_id": pits + 1, "class_code": 2, "x_mm": self.xy[pits, 0], "y_mm": self.xy[pits, 1],
                    "eq_diam_mm": self.seen_diameter[pits], "zone": "seal_land",
                }
            )  # fmt: skip
            readings = READINGS.frame({"reading_id": i, **row} for i, row in enumerate(self.rows[k], 1))
            stage = "intake" if k == 0 else "test_lap" if k == 1 else f"lap_{k}"
            removed = RemovedStock.of(self.measured[k], self.removed_sd[k])
            out.append(FaceSurvey(stage=stage, removed=removed, marks=marks, readings=readings))
        return out

    def ask(self, n: int) -> None:
        """Read the pits that the program asks for, on the face as it is now."""
        k = self.n_laps
        pits = self.there(k)
        if not len(pits) or n < 1:
            return
        bounds, model = fit_series(self.surveys(), rng=self.rng, n_draws=500)
        now = bounds.links.loc[bounds.links["survey"] == k]
        mark_of = dict(zip(now["pit_id"], now["mark_id"]))
        present = bounds.pits["pit_id"].isin(mark_of).to_numpy()
        for pit in next_readings(model, n, rng=self.rng, present=present)["mark_id"]:
            self.read(int(mark_of[pit]) - 1, k)


def make_face(
    rng: np.random.Generator, n_pits: int, n_readings: int, n_laps: int, law: str | None = None
) -> Face:
    """One face: `n_pits` pits of 0.3 to 4 mm, up to `n_readings` readings, `n_laps` lap steps.

    Half of the readings are of the widest pits, at intake or after the last step by the toss of a coin; the other
    half are those that the program asks for after the last step. A pit that is gone cannot be read.
    """
    bench = _Bench(rng, n_pits, n_laps, law or str(rng.choice(LAWS, p=LAW_SHARES)))
    k = 0 if rng.random() < 0.5 else n_laps
    pits = bench.there(k)
    first = (n_readings + 1) // 2
    for pit in pits[np.argsort(-bench.seen_diameter[pits])][:first]:
        bench.read(int(pit), k)
    bench.ask(n_readings - first)
    return Face(surveys=bench.surveys(), depth_um=bench.depth, removed_true_um=bench.removed, law=bench.law)
