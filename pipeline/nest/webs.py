"""Webs: what stands between two kerfs that do not meet, and between a kerf and the plate's edge.

A thin web whips and breaks into the cutter. Where two kerfs meet, nothing is left that could. The kerf is that of the
finished wall: roughing takes a little more, so a web is never thicker than said here.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.geometry.regions import Figure, clearance_mm, inside_mm
from pipeline.model.arrays import Float
from pipeline.model.nest import Region
from pipeline.model.units import EPS_MM
from pipeline.nest.shapes import Kind


@dataclass(frozen=True, slots=True, kw_only=True)
class Web:
    """A web between body `first` and body `second`, or the plate's edge (None), at its thinnest."""

    first: int
    second: int | None
    thick_mm: float


def find_webs(kinds: Sequence[Kind], which: Sequence[int], poses: Float, region: Region, *,
              limit_mm: float) -> list[Web]:
    """The thinnest web, and all that are thinner than the limit; thinnest first. `which` (n,), `poses` (n, 3)."""
    figures = [kinds[k].figure(pose) for k, pose in zip(which, poses, strict=True)]
    boxes = np.array([f.box for f in figures]).reshape(-1, 4)
    plate = None if region.plate is None else Figure.polygon(region.plate)
    both = 2 * region.kerf_mm
    found: list[Web] = []
    least = np.inf
    for i, figure in enumerate(figures):
        if plate is not None:
            found.append(Web(first=i, second=None, thick_mm=inside_mm(figure, plate) - region.kerf_mm))
            least = min(least, found[-1].thick_mm)
        dx = np.maximum(boxes[i, 0] - boxes[:i, 2], boxes[:i, 0] - boxes[i, 2])
        dy = np.maximum(boxes[i, 1] - boxes[:i, 3], boxes[:i, 1] - boxes[i, 3])
        bound = np.where((dx > 0) & (dy > 0), np.hypot(dx, dy), np.maximum(dx, dy)) - both
        for j in np.argsort(bound, kind="stable"):
            if bound[j] > max(least, limit_mm):
                break
            thick = clearance_mm(figure, figures[j]) - both
            if thick > EPS_MM:
                found.append(Web(first=i, second=int(j), thick_mm=thick))
                least = min(least, thick)
    found.sort(key=lambda web: (web.thick_mm, web.first))
    return [web for n, web in enumerate(found) if n == 0 or web.thick_mm < limit_mm]
