"""The one way to write a pass: a builder that keeps the position and refuses nonsense.

Every pass starts with a rapid to (x, y) at the clearance height and ends with a rapid back up to it. Rapids never
move in X, Y and Z at once, and never sideways below the clearance height.
"""

from __future__ import annotations

import math

import numpy as np

from pipeline.errors import Bug
from pipeline.model.toolpath import ARC_CCW, ARC_CW, LINE, RAPID, PathPass
from pipeline.model.units import EPS_MM


class PassBuilder:
    """Builds one PathPass in the setup frame. mm; feeds in mm/min along the path."""

    def __init__(self, pass_id: str, *, clearance_mm: float):
        self._id = pass_id
        self._clearance = clearance_mm
        self._rows: list[tuple[float, ...]] = []
        self.x = self.y = self.z = math.nan

    def start(self, x: float, y: float) -> PassBuilder:
        """Rapid over (x, y) at the clearance height. Also used to hop inside a pass, after `lift`."""
        if self._rows and self.z < self._clearance:
            raise Bug(f"{self._id}: a sideways rapid below the clearance height")
        return self._row(RAPID, x, y, self._clearance)

    def rapid_down(self, z: float) -> PassBuilder:
        """Rapid straight down to z; the caller vouches that it is air."""
        return self._row(RAPID, self.x, self.y, z)

    def lift(self) -> PassBuilder:
        """Rapid straight up to the clearance height."""
        return self._row(RAPID, self.x, self.y, self._clearance)

    def line(self, x: float, y: float, z: float, feed: float) -> PassBuilder:
        """Straight feed. A move shorter than a tenth of a micron is dropped."""
        if math.dist((x, y, z), (self.x, self.y, self.z)) < 1e-4:
            return self
        return self._row(LINE, x, y, z, feed=feed)

    def arc(self, x: float, y: float, z: float, *, centre: tuple[float, float], ccw: bool, feed: float) -> PassBuilder:
        """Arc in XY to (x, y), rising or falling evenly to z. An end equal to the start is one full turn."""
        cx, cy = centre
        r0, r1 = math.hypot(self.x - cx, self.y - cy), math.hypot(x - cx, y - cy)
        if abs(r0 - r1) > 1e-4 or r0 < EPS_MM:
            raise Bug(f"{self._id}: arc radii {r0:.6f} and {r1:.6f} differ")
        return self._row(ARC_CCW if ccw else ARC_CW, x, y, z, cx, cy, feed)

    def done(self) -> PathPass:
        """The finished pass, lifted to the clearance height when it is not there yet."""
        if self.z < self._clearance:
            self.lift()
        return PathPass(id=self._id, moves=np.array(self._rows))

    def _row(
        self, kind: float, x: float, y: float, z: float, cx: float = 0.0, cy: float = 0.0, feed: float = 0.0
    ) -> PassBuilder:
        if kind != RAPID and not feed > 0:
            raise Bug(f"{self._id}: a cutting move without a feed")
        self._rows.append((kind, x, y, z, cx, cy, feed))
        self.x, self.y, self.z = x, y, z
        return self
