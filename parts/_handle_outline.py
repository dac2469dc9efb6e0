"""The outline of a handle half: four outward arcs and one hollow, each tangent to the next.

    pivot end (about the origin) -> finger hollow -> belly -> tail end -> spine, counter-clockwise

X runs from the pivot to the tail, Y to the spine (spine up is the left half; the right half is its mirror image).
The circles follow from a few sizes in closed form, but for the hollow's radius: it must touch the pivot end and the
belly and crest at the waist, one equation in one unknown that falls on one side and rises on the other (bisection).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import parts._forms as _forms
from pipeline.model.loop import Loop

LARGEST_HOLLOW_MM = 400.0  # flatter than this the finger finds no relief
_HALVINGS = 60  # past the resolution of a float from 400 mm down


@dataclass(frozen=True, slots=True, kw_only=True)
class Outline:
    """The circles of the outline (centre x, centre y, signed radius) in the spine-up frame."""

    pivot: _forms.Circle
    hollow: _forms.Circle
    belly: _forms.Circle
    tail: _forms.Circle
    spine: _forms.Circle

    @property
    def loop(self) -> Loop:
        """The outline as a loop."""
        return _forms.chain([self.pivot, self.hollow, self.belly, self.tail, self.spine])

    def high(self, x: float, inset: float = 0.0) -> float:
        """Height over x of the spine arc drawn `inset` mm inward."""
        cx, cy, radius = self.spine
        return cy + math.sqrt((radius - inset) ** 2 - (x - cx) ** 2)

    def low(self, x: float) -> float:
        """Height of the lower edge over x, between the pivot and the tail's middle."""
        if x < _joint_x(self.pivot, self.hollow):
            cx, cy, radius = self.pivot
        elif x < _joint_x(self.hollow, self.belly):
            cx, cy, radius = self.hollow
            return cy + math.sqrt(radius * radius - (x - cx) ** 2)
        elif x < _joint_x(self.belly, self.tail):
            cx, cy, radius = self.belly
        else:
            cx, cy, radius = self.tail
        return cy - math.sqrt(max(radius * radius - (x - cx) ** 2, 0.0))


def trace(*, length: float, pivot_width: float, tail_width: float, tail_drop: float, belly_depth: float,
          belly_share: float, finger_depth: float, spine_radius: float) -> Outline | str:
    """The outline from the handle's sizes (mm; `belly_share` of the distance from pivot to tail centre), or a
    sentence that says which sizes do not go together."""
    r_pivot, r_tail = pivot_width / 2, tail_width / 2
    x_tail, y_tail = length - r_pivot - r_tail, -tail_drop
    # The belly touches the tail circle from outside and is lowest at belly_share: radius in closed form.
    hang = belly_depth - tail_drop
    if hang < r_tail + 1.0:
        return "belly_depth_mm must be at least tail_drop_mm + half of tail_width_mm + 1 mm"
    x_belly = x_tail * belly_share
    r_belly = ((x_tail - x_belly) ** 2 + hang**2 - r_tail**2) / (2 * (hang - r_tail))
    belly = (x_belly, r_belly - belly_depth, r_belly)
    waist = r_pivot - finger_depth
    drop = belly_depth - waist
    if drop < 1.0:
        return "finger_depth_mm must be at least half of pivot_width_mm - belly_depth_mm + 1 mm"

    def crest_apart(radius: float) -> float:
        """How far the crest that touches the belly lies beyond the crest that touches the pivot end."""
        from_belly = x_belly - math.sqrt(max(2 * (r_belly + radius) * drop - drop * drop, 0.0))
        from_pivot = math.sqrt(r_pivot**2 - waist**2 + 2 * radius * (r_pivot - waist))
        return from_belly - from_pivot

    least, most = 1.6, LARGEST_HOLLOW_MM
    if crest_apart(least) < 0 or crest_apart(most) > 0:
        return (f"finger_depth_mm must leave a hollow of radius {least:g} to {most:g} mm between the pivot end and the "
                "belly; change it, belly_share or belly_depth_mm")
    for _ in range(_HALVINGS):
        middle = (least + most) / 2
        least, most = (middle, most) if crest_apart(middle) > 0 else (least, middle)
    radius = (least + most) / 2
    x_hollow = math.sqrt(r_pivot**2 - waist**2 + 2 * radius * (r_pivot - waist))
    # The spine touches both ends from outside: its centre lies R - r_pivot and R - r_tail from theirs, below.
    apart = math.hypot(x_tail, y_tail)
    a, b = spine_radius - r_pivot, spine_radius - r_tail
    along = (a * a - b * b + apart * apart) / (2 * apart)
    across = math.sqrt(a * a - along * along)
    ux, uy = x_tail / apart, y_tail / apart
    spine = (ux * along + uy * across, uy * along - ux * across, spine_radius)
    return Outline(pivot=(0.0, 0.0, r_pivot), hollow=(x_hollow, -waist - radius, -radius), belly=belly,
                   tail=(x_tail, y_tail, r_tail), spine=spine)


def _joint_x(a: _forms.Circle, b: _forms.Circle) -> float:
    return a[0] + (b[0] - a[0]) * a[2] / (a[2] - b[2])
