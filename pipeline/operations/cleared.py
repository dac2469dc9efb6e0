"""What earlier passes have cut away, by depth: where stock still stands under a path, and how high.

Goal: a pass begins just above the stock that is really there, and no rapid ends in stock. The record is read off the
moves themselves: what a flat end covers while it travels level.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from pipeline.geometry.offsets import Area
from pipeline.geometry.paths import chains
from pipeline.model.toolpath import RAPID, HolePass, PathPass
from pipeline.model.units import EPS_MM

SHORT_MM = 0.0005  # the record's discs are this much smaller: its edges are never optimistic


@dataclass(slots=True)
class Cleared:
    """What has been cut so far, by depth. Setup frame, mm. Grows as passes are planned, in cutting order."""

    _cut: list[tuple[float, Area]] = field(default_factory=list)

    def add(self, area: Area, z_mm: float) -> None:
        """Remembers an area cut down to z."""
        for i, (z, known) in enumerate(self._cut):
            if abs(z - z_mm) < EPS_MM:
                self._cut[i] = (z, known.plus(area))
                return
        self._cut.append((z_mm, area))
        self._cut.sort(key=lambda item: item[0])

    def add_passes(self, passes: Iterable[PathPass | HolePass], radius_mm: float) -> None:
        """Remembers what a flat cutter's end covers on the level moves at each pass's lowest Z; holes are left out."""
        for one in passes:
            if isinstance(one, PathPass):
                z = float(one.moves[one.moves[:, 0] != RAPID, 3].min())
                for path in chains(one.moves, z_mm=z):
                    self.add(Area.swept(path, radius_mm - SHORT_MM), z)

    def at(self, z_mm: float) -> Area:
        """Everything cut down to z or deeper."""
        total = Area.nothing()
        for z, area in self._cut:
            if z <= z_mm + EPS_MM:
                total = total.plus(area)
        return total

    def top_over(self, area: Area, *, top_mm: float) -> float:
        """Highest Z of what still stands in the area, `top_mm` where some of it has not been cut at all."""
        left = area
        for z, known in self._cut:
            left = left.minus(known).without_slivers()
            if left.is_empty:
                return min(z, top_mm)
        return top_mm
