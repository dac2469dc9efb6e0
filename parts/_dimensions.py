"""Sizes as a drawing shows them: short ways to say them, for the families.

Points are in the part frame: (x, y) in the plan, (x, z) seen from the side. The distance between the points is the
size itself, so a dimension that disagrees with its size is seen by a test.
"""

from __future__ import annotations

import math
from typing import Literal

from pipeline.model.part import Dimension

Point = tuple[float, float]
View = Literal["plan", "side"]


def length(size: str, start: Point, end: Point, *, view: View = "plan") -> Dimension:
    """A straight distance; `size` is empty for one that follows from other sizes."""
    return Dimension(size=size, kind="length", view=view, start=_plain(start), end=_plain(end))


def height(size: str, x: float, low: float, high: float) -> Dimension:
    """A height or a depth at x, seen from the side."""
    return length(size, (x, low), (x, high), view="side")


def diameter(size: str, centre: Point, across: float, *, at_rad: float = math.pi / 4) -> Dimension:
    """The diameter of a circle in the plan; the arrow touches it in the direction `at_rad`."""
    return Dimension(size=size, kind="diameter", view="plan", start=_plain(centre), end=_at(centre, across / 2, at_rad))


def radius(size: str, centre: Point, of: float, at_rad: float, *, view: View = "plan") -> Dimension:
    """The radius of an arc; the arrow touches it in the direction `at_rad`."""
    return Dimension(size=size, kind="radius", view=view, start=_plain(centre), end=_at(centre, of, at_rad))


def mirrored(of: Dimension) -> Dimension:
    """The same dimension on the part mirrored across its X axis: only the plan changes."""
    if of.view == "side":
        return of
    return Dimension(size=of.size, kind=of.kind, view=of.view, start=(of.start[0], -of.start[1]),
                     end=(of.end[0], -of.end[1]))


def _at(centre: Point, reach: float, angle: float) -> Point:
    return _plain((centre[0] + reach * math.cos(angle), centre[1] + reach * math.sin(angle)))


def _plain(point: Point) -> Point:
    """Python's own floats, whatever computed them."""
    return float(point[0]), float(point[1])
