"""What the tests of area operations share: an own reading of move rows, and what a flat cutter removes.

Independent of the planner: rows are followed by the rules in `pipeline.model.toolpath`, arcs become fine chords.
"""

from __future__ import annotations

import math

import numpy as np
import shapely

from pipeline.model.shop import Cutter, CutterKind
from pipeline.model.toolpath import PathPass
from pipeline.shop.cutting import CutData

RAMP = math.radians(3)


def mill(diameter: float, *, flute_length: float = 12.0) -> Cutter:
    """A flat end mill. Invented."""
    return Cutter(
        number=1, name="mill", kind=CutterKind.FLAT, diameter_mm=diameter, flutes=3, flute_length_mm=flute_length,
        reach_mm=15, neck_diameter_mm=diameter, shank_diameter_mm=diameter, stickout_mm=20, holder_diameter_mm=20,
        substrate="carbide", chip_load_mm=0.01, surface_speed_m_min=50, stepdown_mm=0.5, stepover_mm=1,
    )  # fmt: skip


def data(*, stepdown: float = 1.0, stepover: float = 1.0) -> CutData:
    """Feeds that can be told apart. Invented."""
    return CutData(
        rpm=5000, slot_feed_mm_min=200, clear_feed_mm_min=300, finish_feed_mm_min=400, plunge_feed_mm_min=50,
        ramp_feed_mm_min=100, drill_feed_mm_min=60, stepdown_mm=stepdown, stepover_mm=stepover, ramp_angle_rad=RAMP,
    )  # fmt: skip


class Steps:
    """Rows of one pass as (kind, points (n, 3), feed, row), beginning after the first rapid."""

    def __init__(self, one: PathPass, chord: float = 0.0005):
        self.steps: list[tuple[int, np.ndarray, float, np.ndarray]] = []
        x, y, z = one.moves[0, 1:4]
        for row in one.moves[1:]:
            kind, x1, y1, z1, cx, cy, feed = row
            points = np.array([[x, y, z], [x1, y1, z1]])
            if kind >= 2:
                a0, a1 = math.atan2(y - cy, x - cx), math.atan2(y1 - cy, x1 - cx)
                r0, r1 = math.hypot(x - cx, y - cy), math.hypot(x1 - cx, y1 - cy)
                assert abs(r0 - r1) < 2e-4
                sweep = (a1 - a0) % math.tau if kind == 3 else -((a0 - a1) % math.tau)
                if math.hypot(x1 - x, y1 - y) < 1e-9:
                    sweep = math.tau if kind == 3 else -math.tau
                n = max(2, math.ceil(abs(sweep) / min(0.05, 2 * math.acos(1 - min(chord / r0, 0.5)))))
                t = np.linspace(0, 1, n + 1)
                points = np.column_stack(
                    [cx + r0 * np.cos(a0 + sweep * t), cy + r0 * np.sin(a0 + sweep * t), z + (z1 - z) * t]
                )
            self.steps.append((int(kind), points, feed, row))
            x, y, z = x1, y1, z1


def cuts(passes) -> list[tuple[int, np.ndarray, float, np.ndarray]]:
    """All feed moves of the passes."""
    return [step for one in passes for step in Steps(one).steps if step[0] > 0]


def centre_lines(passes, z: float) -> shapely.Geometry:
    """Where the cutter's centre goes at exactly this height."""
    lines = [shapely.LineString(p[:, :2]) for _, p, _, _ in cuts(passes)
             if np.all(np.abs(p[:, 2] - z) < 1e-9) and np.ptp(p[:, :2], axis=0).max() > 0]  # fmt: skip
    return shapely.union_all(lines)


def all_lines(passes) -> shapely.Geometry:
    """Where the cutter's centre goes at feed, seen from above."""
    return shapely.union_all([shapely.LineString(p[:, :2]) for _, p, _, _ in cuts(passes) if np.ptp(p[:, :2]) > 0])


def swept(passes, z: float, radius: float) -> shapely.Geometry:
    """What the discs cover at exactly this height."""
    return centre_lines(passes, z).buffer(radius, quad_segs=64)


def check_rapids(passes, radius: float, *, top: float, clearance: float, air: shapely.Geometry | None = None) -> None:
    """Sideways rapids only at the clearance height; rapids down end in air: above the top, or where the disc (less
    2 um of chords) lies in what earlier feed moves cut at least as deep. `air` is cut to the depth beforehand."""
    done: list[tuple[float, shapely.Geometry]] = [] if air is None else [(-math.inf, air)]
    for one in passes:
        assert one.moves[0, 0] == 0 and one.moves[0, 3] == clearance
        assert one.moves[-1, 0] == 0 and one.moves[-1, 3] == clearance
        for kind, p, _, _ in Steps(one).steps:
            if kind > 0:
                flat = p[:, :2]
                shape = shapely.LineString(flat) if np.ptp(flat, axis=0).max() > 0 else shapely.Point(flat[0])
                done.append((float(p[:, 2].max()), shape.buffer(radius, quad_segs=64)))
                continue
            if np.ptp(p[:, :2], axis=0).max() > 0:
                assert np.all(p[:, 2] >= clearance - 1e-9)
            elif p[1, 2] < min(p[0, 2], top):
                disc = shapely.Point(p[0, :2]).buffer(radius - 0.002, quad_segs=64)
                free = shapely.union_all([shape for z, shape in done if z <= p[1, 2] + 1e-9])
                assert disc.difference(free).area < 1e-4, (one.id, p)


def check_ramps(passes, air_above: float) -> None:
    """No feed move below `air_above` sinks steeper than the ramp angle, unless it goes straight down."""
    for _, p, _, _ in cuts(passes):
        run = float(np.sum(np.hypot(*np.diff(p[:, :2], axis=0).T)))
        drop = float(p[0, 2] - p[-1, 2])
        if run > 1e-6 and p[-1, 2] < air_above:
            assert drop <= run * math.tan(RAMP) * (1 + 1e-3) + 1e-6
