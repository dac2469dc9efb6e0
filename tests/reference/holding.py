"""Holding by slow second methods, and the figures that others worked out.

Figures: 1 inHg = 3.386389 kPa (NIST SP 811, appendix B.8, read there). The worked example of a vacuum plate (20 in2, 22
inHg, friction 0.2, 60 N sideways, 40 N up) and that of tilting (200 N, lever 10 mm, 60 N at 4 mm) are plain statics, by
hand; so are the skin's (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import shapely

EXAMPLE_NORMAL_N = 961.2956  # 20 x 645.16e-6 m2 x 22 x 3386.389 Pa
EXAMPLE_SAFETY = 3.07098533  # 0.2 (961.2956 - 40) / 60
TILT_SAFETY = 8.33333333  # 200 x 0.010 / (60 x 0.004)
SKIN_SHEAR_N_MM = 137.5  # 550 N/mm2 x 0.25 mm
SKIN_MOMENT_N = 14.0625  # 900 N/mm2 x 0.25^2 / 4, N mm per mm
CHOKED_L_MIN_MM2 = 11.916  # sqrt(1.4 x 287.05 x 293.15) x 0.578704 m/s through 1 mm2, in l/min


def left_for_friction(push: float, angle: float, turn: float, toward: Sequence[tuple[float, float]]) -> float:
    """What friction must hold of a push anywhere within `turn` of `angle`: for 2000 directions the shortest remainder
    after the best choice of stop forces, none, one or two of them at a time. `toward` are unit vectors into stops."""
    worst = 0.0
    for a in np.linspace(angle - turn, angle + turn, 2000):
        f = push * np.array([math.cos(a), math.sin(a)])
        best = push
        for c in toward:
            carried = max(0.0, float(f @ np.array(c)))
            best = min(best, float(np.linalg.norm(f - carried * np.array(c))))
        for i, c in enumerate(toward):
            for d in toward[i + 1 :]:
                pair = np.array([c, d]).T
                if abs(np.linalg.det(pair)) > 1e-9 and (np.linalg.solve(pair, f) >= -1e-12).all():
                    best = 0.0
        worst = max(worst, best)
    return worst


def tip_factor(base: np.ndarray, centre: np.ndarray, pull: float, push: float, height: float, lift: float,
               at: np.ndarray) -> float:  # fmt: skip
    """The load factor at which the pressure between plate and bed has its centre at the rim of the base, the push in
    the worst of 7200 directions: bisection, no edges and no levers."""
    hull = shapely.MultiPoint(base).convex_hull
    shapely.prepare(hull)

    def is_inside(s: float, u: np.ndarray) -> np.ndarray:
        down = pull - s * lift
        x = (pull * centre - s * lift * at + s * push * height * u) / down
        return shapely.contains_xy(hull, x[:, 0], x[:, 1])

    turns = np.linspace(0, 2 * math.pi, 7200, endpoint=False)
    u = np.column_stack([np.cos(turns), np.sin(turns)])
    low, high = 0.0, pull / lift * (1 - 1e-9) if lift > 0 else 1e4
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if is_inside(middle, u).all() else (low, middle)
    return low
