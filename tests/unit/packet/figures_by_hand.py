"""Figures of a simulation made up for tests of the packet: plausible, INVENTED, the same each time.

They are laid over a program as it is, so that lines, cutters, parts and places fit what else the packet shows.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from pipeline.model.part import Hole
from pipeline.model.program import Program
from pipeline.model.setup import Setup
from pipeline.model.toolpath import Plan
from pipeline.model.verdict import (
    Freed,
    HoldingResult,
    LineCap,
    Loads,
    Measured,
    PartMap,
    StretchLoad,
    Timeline,
    Verdict,
    WorstPlace,
)

STEP_S = 10.0
TARGET = 2.0


def with_figures(verdict: Verdict, *, plan: Plan, program: Program, setup: Setup, cell_mm: float = 0.25) -> Verdict:
    """The verdict with everything that the simulation can work out."""
    loads = made_loads(verdict, plan, program, setup)
    return replace(
        verdict,
        loads=loads,
        holding=made_holding(verdict, loads, setup),
        maps=tuple(made_map(spot, cell_mm, seed=k) for k, spot in enumerate(setup.parts)),
        features=tuple(one for spot in setup.parts for one in made_features(spot)),
        caps=(LineCap(first_line=40, last_line=44, feed_factor=0.8, reason="deflection"),),
        skin_stack=(("Z datum after the gauge check", 0.02), ("length of a cutter", 0.02), ("bow of the plate", 0.05)),
    )


def made_loads(verdict: Verdict, plan: Plan, program: Program, setup: Setup) -> Loads:
    """One stretch for each operation."""
    chance = np.random.default_rng(1)
    ends: dict[str, list[int]] = {}
    for span in program.index:
        first, last = ends.get(span.operation_id, [span.first_line, span.last_line])
        ends[span.operation_id] = [min(first, span.first_line), max(last, span.last_line)]
    stretches = []
    skin = math.inf
    for path in sorted(plan.toolpaths, key=lambda path: ends[path.operation.id][0]):
        op = path.operation
        first, last = ends[op.id]
        seconds = float(verdict.line_seconds[first - 1 : last].sum())
        force = {"face": 55.0, "outline": 42.0, "drill": 120.0}.get(op.kind, 24.0) * chance.uniform(0.8, 1.0)
        if op.bottom_z_mm < 1.0:
            skin = min(skin, op.bottom_z_mm - 0.002 * chance.random())
        stretches.append(
            StretchLoad(
                heading=f"({op.id}, T{op.cutter}, Z {op.top_z_mm:.4f} to {op.bottom_z_mm:.4f})",
                cutter=op.cutter,
                first_line=first,
                last_line=last,
                cutting_s=0.85 * seconds,
                air_s=0.15 * seconds,
                cutting_mm=4.0 * seconds,
                removed_mm3=9.0 * seconds,
                engaged_mean_rad=chance.uniform(0.6, 1.2),
                engaged_peak_rad=2 * math.pi if op.kind in {"drill", "spot"} else chance.uniform(1.4, 3.1),
                depth_peak_mm=min(1.5, op.top_z_mm - op.bottom_z_mm),
                chip_mean_mm=0.008,
                chip_peak_mm=0.0135,
                rate_peak_mm3_min=820.0,
                force_peak_n=force,
                torque_peak_n_m=force * 0.0022,
                power_peak_w=force * 0.9,
                deflection_peak_mm=force / 9000,
                holding=2.2 + 30 / force + chance.uniform(0, 4) if op.kind != "spot" else math.inf,
                skin_mm=skin if math.isfinite(skin) else setup.z.top_mm,
            )
        )
    return Loads(
        stretches=tuple(stretches),
        worst=made_worst(stretches, setup),
        timeline=made_timeline(verdict, stretches),
        uncertainty=0.3,
        assumed=(
            "specific cutting force 1900 N/mm2 at a chip of 0.1 mm, 30 % more for a worn cutter",
            "the layers of the plate are taken as the hardest of them",
        ),
    )


def made_worst(stretches: list[StretchLoad], setup: Setup) -> tuple[WorstPlace, ...]:
    """The two worst stretches of each quantity, put at points of the parts' outlines."""
    figures = {
        "force": ("N", lambda s: s.force_peak_n),
        "engagement": ("deg", lambda s: math.degrees(s.engaged_peak_rad)),
        "chip": ("mm", lambda s: s.chip_peak_mm),
        "deflection": ("mm", lambda s: s.deflection_peak_mm),
        "power": ("W", lambda s: s.power_peak_w),
        "torque": ("N m", lambda s: s.torque_peak_n_m),
        "holding": ("", lambda s: s.holding),
        "skin": ("mm", lambda s: s.skin_mm),
    }
    spots = {spot.part_id: spot for spot in setup.parts}
    found = []
    for k, (name, (unit, of)) in enumerate(figures.items()):
        sign = 1 if name in {"holding", "skin"} else -1
        for one in sorted(stretches, key=lambda s: sign * of(s))[:2]:
            part = one.heading.strip("(").split("/")[0]
            spot = spots.get(part, setup.parts[0])
            ring = spot.part.outline.moved(spot.setup_from_part).flattened(chord_mm=0.1)
            x, y = ring[(37 * k) % len(ring)].tolist()
            found.append(
                WorstPlace(
                    quantity=name,
                    value=of(one),
                    unit=unit,
                    line=(one.first_line + one.last_line) // 2,
                    cutter=one.cutter,
                    heading=one.heading,
                    at_mm=(x, y, 0.5),
                    part_id=part if part in spots else "",
                )
            )
    return tuple(found)


def made_timeline(verdict: Verdict, stretches: list[StretchLoad]) -> Timeline:
    """Steps of `STEP_S` over the program's time, with figures that waver below the stretch's peaks."""
    chance = np.random.default_rng(2)
    ends = np.cumsum(verdict.line_seconds)
    n = max(1, math.ceil(float(ends[-1]) / STEP_S))
    rows = {name: np.zeros(n) for name in ("force_n", "engaged_rad", "skin_mm")}
    holding, stretch = np.full(n, math.inf), np.full(n, -1, dtype=np.int32)
    rows["skin_mm"][:] = np.inf
    for k, one in enumerate(stretches):
        a = int((ends[one.first_line - 2] if one.first_line > 1 else 0.0) / STEP_S)
        b = max(a + 1, math.ceil(float(ends[one.last_line - 1]) / STEP_S))
        share = chance.uniform(0.4, 1.0, b - a)
        share[chance.integers(b - a)] = 1.0
        rows["force_n"][a:b] = one.force_peak_n * share
        rows["engaged_rad"][a:b] = one.engaged_peak_rad * share
        holding[a:b] = one.holding / share
        rows["skin_mm"][b - 1 :] = np.minimum(rows["skin_mm"][b - 1 :], one.skin_mm)
        stretch[a:b] = k
    rows["skin_mm"] = np.minimum(rows["skin_mm"], max(one.skin_mm for one in stretches))
    return Timeline(step_s=STEP_S, holding=holding, stretch=stretch, **rows)


def made_holding(verdict: Verdict, loads: Loads, setup: Setup) -> HoldingResult:
    """A part tied by its skin is the weakest; the first part comes loose, the others stay tied by the skin."""
    weakest = min(loads.stretches, key=lambda one: one.holding)
    freed = []
    for k, spot in enumerate(setup.parts):
        mine = [one for one in loads.stretches if one.heading.startswith(f"({spot.part_id}/")]
        line = mine[-1].last_line if mine else 0
        seconds = float(verdict.line_seconds[:line].sum())
        area = spot.part.outline.area_mm2
        x, y = spot.setup_from_part.shift_mm[:2]
        freed.append(
            Freed(
                what=spot.part_id,
                area_mm2=area,
                tied_line=line,
                tied_s=seconds,
                severed_line=line if k == 0 else 0,
                severed_s=seconds if k == 0 else 0.0,
                at_mm=(x, y),
            )
        )
    at = loads.worst[-4].at_mm
    return HoldingResult(
        least=weakest.holding,
        target=TARGET,
        case="tied part",
        what=setup.parts[0].part_id,
        line=weakest.first_line,
        at_mm=at,
        gauge_planned_kpa=85.0,
        gauge_least_kpa=71.3,
        local_pressure_kpa=95.5,
        freed=tuple(freed),
        assumed=("vacuum 85 kPa over the area inside the gasket", "friction 0.15, a wet plate on the bed"),
    )


def made_map(spot, cell_mm: float, *, seed: int) -> PartMap:
    """A part's map: nearly right, a little left on at one end, one place too deep, its rim not judged."""
    ring = spot.part.outline.moved(spot.setup_from_part).flattened(chord_mm=0.1)
    low, high = ring.min(axis=0), ring.max(axis=0)
    xs = np.arange(low[0] + cell_mm / 2, high[0], cell_mm)
    ys = np.arange(low[1] + cell_mm / 2, high[1], cell_mm)
    x, y = np.meshgrid(xs, ys)
    share = (x - low[0]) / (high[0] - low[0])
    value = 0.03 * np.maximum(0, share - 0.6) + 0.002 * np.random.default_rng(seed).standard_normal(x.shape)
    value = np.where(np.hypot(x - low[0] - 0.3 * (high[0] - low[0]), y - low[1] - 4) < 1.2, -0.024, value)
    value = np.where(inside(ring, x, y, rim=0.4), value, np.nan)
    return PartMap(
        part_id=spot.part_id,
        x0_mm=float(xs[0]),
        y0_mm=float(ys[0]),
        cell_mm=cell_mm,
        deviation=value.astype(np.float32),
    )


def inside(ring: np.ndarray, x: np.ndarray, y: np.ndarray, *, rim: float) -> np.ndarray:
    """Which places lie in the ring, counted by crossings, all within `rim` of it as well as their neighbours."""

    def crossings(px: np.ndarray, py: np.ndarray) -> np.ndarray:
        odd = np.zeros(px.shape, dtype=bool)
        for (x0, y0), (x1, y1) in zip(ring, np.roll(ring, -1, axis=0), strict=True):
            if y0 != y1:
                odd ^= ((y0 <= py) != (y1 <= py)) & (px < x0 + (py - y0) * (x1 - x0) / (y1 - y0))
        return odd

    return np.all([crossings(x + a * rim, y + b * rim) for a in (-1, 1) for b in (-1, 1)], axis=0)


def made_features(spot) -> list[Measured]:
    """The holes of a part: diameter, depth and position, one out of limits on the first part, threads not measured."""
    found = []
    for hole in (f for f in spot.part.features if isinstance(f, Hole)):
        size = {"part_id": spot.part_id, "feature_id": hole.id, "unit": "mm"}
        d = hole.diameter_mm
        off = 0.031 if spot.part_id.endswith("left") and not found else 0.004
        found += [
            Measured(**size, quantity="diameter", nominal=d, low=d - 0.01, high=d + 0.02, measured=d + off),
            Measured(**size, quantity="position", nominal=0.0, low=None, high=0.02, measured=0.0031),
        ]
        if not hole.through:
            found.append(
                Measured(**size, quantity="depth", nominal=1.0, low=0.98, high=None, measured=None, why="later")
            )
    return found
