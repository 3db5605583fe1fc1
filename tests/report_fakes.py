"""A made-up job of one face for the report's tests: three surveys, a plan, readings, a checklist."""

import math
from datetime import date
from types import SimpleNamespace

import cv2
import numpy as np
import pandas as pd
from shapely import Point, box
from shapely.affinity import scale

from pitmap.classes import CLASS_WORDS, Stage, SurfaceClass
from pitmap.compare import compare
from pitmap.drawing import Drawing, Opening
from pitmap.estimate import Estimate
from pitmap.flags import Flag
from pitmap.report import ChecklistItem, RecordInput


def make_drawing():
    outline = scale(Point(0, 0).buffer(1, 64), 125, 85).union(box(-125, -60, 125, 60))
    trace = scale(Point(0, 0).buffer(1, 64), 92, 62)
    edge = scale(Point(0, 0).buffer(1, 64), 100, 70)
    holes = [Opening(name="bore", kind="bore", polygon=Point(0, 0).buffer(24, 64))]
    for i, a in enumerate(np.linspace(0, 2 * np.pi, 12, endpoint=False), 1):
        spot = scale(Point(0, 0).buffer(1, 16), 7, 4)
        from shapely.affinity import translate

        holes.append(
            Opening(
                name=f"water_{i}", kind="coolant", polygon=translate(spot, 108 * np.cos(a), 77 * np.sin(a))
            )
        )
    holes = [h for h in holes if outline.contains(h.polygon)]
    cut = holes[0].polygon
    for h in holes[1:]:
        cut = cut.union(h.polygon)
    return Drawing(
        name="Plate 13, front side plate",
        thickness_mm=36.0,
        outline=outline,
        openings=tuple(holes),
        zones={
            "running_surface": trace.difference(cut),
            "seal_land": edge.difference(trace).difference(cut),
            "rim": outline.difference(edge).difference(cut),
        },
        trace=trace,
        coolant_edge=edge,
    )


def _picture(rng, codes, grid, target):
    grey = np.full(grid.shape, 172, np.float32)
    tone = {SurfaceClass.OUTSIDE: 60, SurfaceClass.PIT: 62, SurfaceClass.STAIN: 120, SurfaceClass.TINT: 150,
            SurfaceClass.UNCUT: 140, SurfaceClass.UNSEEN: 250}  # fmt: skip
    rgb = np.repeat(grey[..., None], 3, 2)
    for code, value in tone.items():
        rgb[codes == code] = value
    rgb[codes == SurfaceClass.STAIN] += (40, 0, -40)
    rgb[codes == SurfaceClass.TINT] += (-20, -5, 45)
    scratch = cv2.GaussianBlur(rng.normal(0, 22, grid.shape).astype(np.float32), (0, 0), sigmaX=6, sigmaY=0.6)
    rgb += 3 * scratch[..., None] + rng.normal(0, 3, grid.shape)[..., None]
    rgb = cv2.resize(
        rgb.clip(0, 255).astype(np.uint8), (target.n_cols, target.n_rows), interpolation=cv2.INTER_AREA
    )
    return rgb


def make_inspection(rng, drawing, spots, stage, removed, on, *, width=4.1, px=4.0):
    grid = drawing.grid(px)
    codes = np.where(drawing.mask(grid), 1, 0).astype(np.uint8)
    for code, x, y, diam in spots:
        c, r = grid.mm_to_px(np.array([x, y]))
        layer = np.zeros(grid.shape, np.uint8)
        cv2.circle(layer, (round(float(c)), round(float(r))), max(1, round(diam / 2 * px)), 1, -1)
        codes[(layer > 0) & (codes > 0)] = code
    zones_raster = drawing.zone_raster(grid, by_centre=True)
    zone_rows, mark_rows = [], []
    for value, zone in enumerate(drawing.zone_names, 1):
        part = codes[zones_raster == value]
        seen = part[(part != 255) & (part != 0)]
        for word, index in {
            "pit": [2],
            "stain": [3],
            "tint": [4],
            "uncut": [5],
            "affected": [2, 3, 4, 5],
        }.items():
            share = float(np.isin(seen, index).mean())
            zone_rows.append({
                "zone": zone, "class_code": index[0] if len(index) == 1 else -1, "class_word": word,
                "zone_area_mm2": len(part) / px**2, "seen_area_mm2": len(seen) / px**2,
                "unseen_share": 1 - len(seen) / len(part), "area_mm2": np.isin(seen, index).sum() / px**2,
                "share": share, "share_low": max(0, share * 0.85 - 0.0004), "share_high": share * 1.2 + 0.0006,
                "n_marks": 0, "largest_mm2": 0.0, "density_per_cm2": 0.0, "flags": 0,
            })  # fmt: skip
    n, labels, stats, centre = cv2.connectedComponentsWithStats((codes == 2).astype(np.uint8), connectivity=8)
    for k in range(1, n):
        x, y = grid.px_to_mm(centre[k])
        value = int(zones_raster[round(centre[k][1]), round(centre[k][0])])
        area = stats[k, 4] / px**2
        mark_rows.append({
            "mark_id": k, "class_code": 2, "class_word": CLASS_WORDS[SurfaceClass.PIT], "x_mm": x, "y_mm": y,
            "area_mm2": area, "area_low_mm2": 0.8 * area, "area_high_mm2": 1.2 * area,
            "eq_diam_mm": 2 * math.sqrt(area / math.pi), "length_mm": 1.0, "width_mm": 1.0,
            "zone": ("", *drawing.zone_names)[value], "dist_trace_mm": math.nan, "dist_coolant_mm": math.nan,
            "confidence": 0.9, "flags": int(Flag.TOUCHES_EDGE) if k == 2 else 0,
        })  # fmt: skip
    columns = [
        "mark_id",
        "class_code",
        "class_word",
        "x_mm",
        "y_mm",
        "area_mm2",
        "eq_diam_mm",
        "zone",
        "flags",
    ]
    marks = pd.DataFrame(mark_rows) if mark_rows else pd.DataFrame({c: [] for c in columns})
    zones = pd.DataFrame(zone_rows)
    for zone in drawing.zone_names:
        mine = int((marks["zone"] == zone).sum()) if len(marks) else 0
        zones.loc[(zones["zone"] == zone) & (zones["class_word"] == "pit"), "n_marks"] = mine
    lands = pd.DataFrame({
        "place": [1, 2], "x_mm": [96.0, -95.5], "y_mm": [4.0, 10.0], "sound_width_mm": [width, width + 1.3],
        "sound_width_low_mm": [width - 0.3, width + 1.0], "sound_width_high_mm": [width + 0.2, width + 1.5],
        "nominal_width_mm": [8.0, 8.0], "is_leak_path": [False, False], "flags": [0, 0],
    })  # fmt: skip
    target = drawing.grid(px)
    return SimpleNamespace(
        face="front face",
        stage=Stage(stage),
        surveyed_on=on,
        removed_um=Estimate(value=removed, low=max(0.0, removed - 2.2), high=removed + 2.2),
        drawing_name=drawing.name,
        photos=(SimpleNamespace(name=f"{stage}.jpg", sha256="ab12" * 16),),
        alignment=SimpleNamespace(residual_mm=Estimate(value=0.12, low=0.08, high=0.17)),
        photo_px_per_mm=10.0,
        class_map=SimpleNamespace(
            codes=codes,
            confidence=np.full(grid.shape, 0.95, np.float32),
            grid=grid,
            probabilities=None,
            dark_mm2=0.0,
        ),
        measurement=SimpleNamespace(
            marks=marks,
            zones=zones,
            lands=lands,
            sound_width_mm=Estimate(value=width, low=width - 0.3, high=width + 0.2),
            land_paths=(np.array([[92.0, 4.0], [96.0, 4.3], [100.0, 4.2]]),),
        ),
        picture=_picture(rng, codes, grid, target),
        picture_grid=target,
        notes=(),
        edits=(),
        settings={"map_px_per_mm": px},
        versions={"pitmap": "0.1.0", "python": "3.11"},
    )


def make_plan():
    removal = np.arange(0.0, 41.0, 5.0)
    curves = [
        {"zone": z, "aim": "pits", "removal_um": x, "value": n * math.exp(-x / 12), "value_low": 0.6 * n * math.exp(-x / 12),
         "value_high": 1.5 * n * math.exp(-x / 12), "p_reached": 0.5}
        for z, n in (("running_surface", 30), ("seal_land", 12)) for x in removal
    ]  # fmt: skip
    known = Estimate(value=22.0, low=15.0, high=34.0)
    finding = SimpleNamespace(
        rule="total_stock", status="pass", source="service manual of the engine maker, page 12 (as entered)",
        sentence="Stock taken off over the life of this face, 52 um, stays under the 100 um you entered.",
    )  # fmt: skip
    no_limit = SimpleNamespace(
        rule="flatness", status="not judged", source="", sentence="Flatness is not judged: no limit entered."
    )
    watch = SimpleNamespace(
        rule="sound_width", status="watch", source="own rule of the workshop",
        sentence="The land is sound over 4.1 mm at its narrowest; your least width of 4.0 mm lies inside the interval.",
    )  # fmt: skip
    return SimpleNamespace(
        needed=(
            SimpleNamespace(zone="seal_land", aim="pits", stock_um=known, recommended_um=34.0, confidence=0.9),
            SimpleNamespace(
                zone="running_surface", aim="pits", recommended_um=math.nan, confidence=0.9,
                stock_um=Estimate.unknown("only 2 pits have a reading; take 4 more"),
            ),
        ),
        curves=pd.DataFrame(curves),
        steps=pd.DataFrame({"zone": ["seal_land"], "from_um": [0.0], "to_um": [10.0]}),
        budget=(
            SimpleNamespace(name="total_stock", unit="um", now=Estimate(value=30, low=27, high=33),
                            after=Estimate(value=52, low=44, high=60), per_10_um=10.0, limit=100.0, limit_high=math.nan,
                            is_minimum=False, source="service manual, page 12 (as entered)", lacking="", doubt="",
                            is_history_open=False),
            SimpleNamespace(name="case_left", unit="um", now=Estimate(value=170, low=150, high=190),
                            after=Estimate(value=148, low=126, high=170), per_10_um=-10.0, limit=150.0,
                            limit_high=math.nan, is_minimum=True, source="own rule", lacking="", doubt="",
                            is_history_open=False),
            SimpleNamespace(name="thickness", unit="mm", now=Estimate.unknown("no thickness was measured"),
                            after=Estimate.unknown("no thickness was measured"), per_10_um=-0.01, limit=math.nan,
                            limit_high=math.nan, is_minimum=True, source="", lacking="", doubt="",
                            is_history_open=False),
        ),
        unseen=(),
        verdict=SimpleNamespace(
            outcome="lap", stock_um=34.0, headline="Lap a further 34 um off this face.",
            reasons=("The seal land still carries 7 pits; the deepest needs up to 34 um.",
                     "Each further 10 um clears about half of the pits that are left."),
            findings=(finding, watch, no_limit),
        ),
        model=None,
        confidence=0.9,
        level=0.9,
        removed_um=Estimate(value=12.0, low=10.0, high=14.0),
        problems=(),
    )  # fmt: skip


def make_readings():
    return pd.DataFrame({
        "reading_id": [1, 2, 3], "kind": ["pit_depth", "pit_depth", "thickness"], "x_mm": [96.0, 10.0, -110.0],
        "y_mm": [4.0, 40.0, 0.0], "mark_id": [1, 3, -1], "value_um": [31.0, 18.0, 36020.0],
        "uncertainty_um": [7.0, 7.0, 4.0], "is_lower_bound": [False, True, False],
        "instrument": ["needle gauge", "needle gauge", "micrometer"], "note": ["", "", ""], "flags": [0, 128, 0],
    })  # fmt: skip


def make_record(seed=4, *, surveys=3, with_plan=True, units="mm"):
    rng = np.random.default_rng(seed)
    drawing = make_drawing()
    n = 46
    angle, ring = rng.uniform(0, 2 * np.pi, n), rng.uniform(0.35, 1.12, n)
    x, y = 92 * ring * np.cos(angle), 62 * ring * np.sin(angle)
    diam, depth = rng.uniform(0.7, 3.2, n), rng.uniform(6, 48, n)
    pits = [(2, 97.0, 4.0, 3.0), *((2, *p) for p in zip(x, y, diam))]
    depth = np.concatenate([[60.0], depth])
    tint = (4, -40, -35, 26.0)
    plan = [
        (
            "intake",
            0.0,
            date(2025, 3, 3),
            [tint, (3, 70, 30, 22.0), (3, -60, 38, 16.0), (255, -10, 58, 12.0)],
        ),
        ("test_lap", 12.0, date(2025, 3, 4), [tint, (5, 30, -45, 24.0)]),
        ("lap_1", 30.0, date(2025, 3, 6), [(5, 30, -45, 8.0), (255, 60, -20, 9.0)]),
    ][:surveys]
    inspections = []
    for k, (stage, removed, on, patches) in enumerate(plan):
        left = [p for p, d in zip(pits, depth) if d > removed]
        inspections.append(
            make_inspection(rng, drawing, [*patches, *left], stage, removed, on, width=(2.9, 3.6, 4.1)[k])
        )
    stock = make_plan() if with_plan else None
    comparison = None
    if len(inspections) > 1:
        comparison = compare(inspections, drawing)
    return RecordInput(
        job={"job": "2025-014", "customer": "A. Sample", "engine": "two-rotor, invented", "plate tag": "F-2"},
        drawing=drawing,
        inspections=tuple(inspections),
        plan=stock,
        comparison=comparison,
        readings=make_readings() if with_plan else None,
        checklist=(
            ChecklistItem(text="oil passages flushed", state="done"),
            ChecklistItem(text="face polished with 800 to 1000 grit paper", state="done", note="wet"),
            ChecklistItem(text="clean glove test", state="open"),
        )
        if with_plan
        else (),
        sign_off={"released by": "J. Example", "date": "2025-03-07"} if with_plan else {},
        workshop="Example Rotary Works (invented)",
        units=units,
    )
