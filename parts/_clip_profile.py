"""The upper face of a clip's beam: a profile of lines and arcs, and the crowned body under it.

In the plane of the middle line, X to the nose and Z up. The profile is turned about an axis parallel to X below the
clip, which makes the face round across the width too. All joints in closed form.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from pipeline.model.arrays import Float

_PAST_MM = 1.0  # the profile reaches this far past the part at both ends
_ROOM_MM = 0.1  # the crown dips under the seat this far outside the tab: never along its very edge
_TURN_DEG = 60.0  # half the turn of the crowned body: far more than any clip is wide


@dataclass(frozen=True, slots=True, kw_only=True)
class Profile:
    """The upper profile over the middle line: (x, z, bulge) rows from the tab's end to past the tip; the crown's axis
    lies at z = -axis_mm; `seat_end_mm` is where the ramp begins."""

    rows: tuple[tuple[float, float, float], ...]
    axis_mm: float
    seat_end_mm: float
    root_x_mm: float
    hump_x_mm: float

    def height(self, x: Float) -> Float:
        """z over the middle line at x (n,), the seat not yet cut."""
        z = np.empty_like(x)
        for (x0, z0, bulge), (x1, z1, _) in itertools.pairwise(self.rows):
            at = (x >= x0) & (x <= x1)
            if bulge == 0:
                z[at] = z0 + (z1 - z0) * (x[at] - x0) / (x1 - x0)
            else:
                sweep = 4 * math.atan(bulge)
                radius = math.hypot(x1 - x0, z1 - z0) / 2 / math.sin(abs(sweep) / 2)
                apothem = (1 - bulge * bulge) / (4 * bulge)
                cx, cz = (x0 + x1) / 2 - (z1 - z0) * apothem, (z0 + z1) / 2 + (x1 - x0) * apothem
                z[at] = cz - math.copysign(1.0, bulge) * np.sqrt(np.maximum(radius**2 - (x[at] - cx) ** 2, 0.0))
        return z


def trace(*, length: float, tab_length: float, tab_width: float, thickness: float, seat: float, root: float,
          beam: float, nose: float, hump_from_tip: float, r_hump: float, r_hollow: float, r_crown: float,
          ) -> Profile | str:
    """The upper profile: level over the tab, then straight lines between three arcs of root, valley and hump, and a
    straight slope to the nose; every joint but the first is tangent. A sentence when the arcs do not fit."""
    axis = r_crown - thickness
    x_seat = tab_length
    # The crown's edges stay above the seat as far as the tab goes, so that cutting the seat leaves it flat all over.
    z_tab = math.hypot(seat + axis, tab_width / 2 + _ROOM_MM) - axis
    hump = (length - hump_from_tip, thickness - r_hump)
    at_root = (x_seat + _run(z_tab - root, r_hollow), root + r_hollow)
    valley = (hump[0] - _run(thickness - beam, r_hump + r_hollow), beam + r_hollow)
    if valley[0] < at_root[0] + 4.0:
        return ("length_mm must leave a beam of 4 mm between root and valley; make it larger, or tab_length_mm, "
                "valley_radius_mm or hump_from_tip_mm smaller")
    on_root = _tangent_from((x_seat, z_tab), at_root, r_hollow, below=True)
    lean = math.atan2(valley[1] - at_root[1], valley[0] - at_root[0])
    under = (r_hollow * math.sin(lean), -r_hollow * math.cos(lean))  # both hollows have one radius: a parallel line
    taper = [(x + under[0], z + under[1]) for x, z in (at_root, valley)]
    flank = _inner_tangent(valley, r_hollow, hump, r_hump)
    on_hump = _tangent_from((length, nose), hump, r_hump, below=False)
    if on_root is None or on_hump is None or on_hump[0] > length - 2.0:
        return "hump_from_tip_mm must be larger for hump_radius_mm, so that the nose slopes down"
    tip = (length + _PAST_MM, nose - _PAST_MM * (on_hump[1] - nose) / (length - on_hump[0]))
    rows = [(-_PAST_MM, z_tab, 0.0), (x_seat, z_tab, 0.0), (*on_root, _bulge(on_root, taper[0], r_hollow)),
            (*taper[0], 0.0), (*taper[1], _bulge(taper[1], flank[0], r_hollow)), (*flank[0], 0.0),
            (*flank[1], -_bulge(flank[1], on_hump, r_hump)), (*on_hump, 0.0), (*tip, 0.0)]
    return Profile(rows=tuple(rows), axis_mm=axis, seat_end_mm=x_seat, root_x_mm=at_root[0], hump_x_mm=hump[0])


def _run(rise: float, radius: float) -> float:
    """How far apart along X the ends of an S (or of one arc and a line tangent to it) with this rise lie when the
    middles of its arcs are `radius` apart, plus 1 mm for a straight flank between them."""
    return math.sqrt(rise * (2 * radius - rise)) + 1.0


def _bulge(start: tuple[float, float], end: tuple[float, float], radius: float) -> float:
    """Bulge of the short counter-clockwise arc of that radius."""
    return math.tan(math.asin(math.dist(start, end) / 2 / radius) / 2)


def _tangent_from(point: tuple[float, float], centre: tuple[float, float], radius: float, *, below: bool,
                  ) -> tuple[float, float] | None:
    """Where the tangent from a point touches a circle, on its lower or its upper side; None from inside it."""
    dx, dz = point[0] - centre[0], point[1] - centre[1]
    far = math.hypot(dx, dz)
    if far <= radius:
        return None
    aim, open_ = math.atan2(dz, dx), math.acos(radius / far)
    both = [(centre[0] + radius * math.cos(a), centre[1] + radius * math.sin(a)) for a in (aim - open_, aim + open_)]
    return min(both, key=lambda at: at[1]) if below else max(both, key=lambda at: at[1])


def _inner_tangent(valley: tuple[float, float], valley_radius: float, hump: tuple[float, float], hump_radius: float,
                   ) -> tuple[tuple[float, float], tuple[float, float]]:
    """The rising line that touches the valley circle from below and the hump circle from above: its two ends."""
    dx, dz = hump[0] - valley[0], hump[1] - valley[1]
    lean = math.atan2(dz, dx) + math.asin((valley_radius + hump_radius) / math.hypot(dx, dz))
    nx, nz = math.sin(lean), -math.cos(lean)  # to the right of the line: down, towards the flank's lower side
    return ((valley[0] + valley_radius * nx, valley[1] + valley_radius * nz),
            (hump[0] - hump_radius * nx, hump[1] - hump_radius * nz))


def crowned(profile: Profile) -> Any:
    """The solid of everything under the crowned face."""
    import cadquery as cq

    edges = []
    for (x0, z0, bulge), (x1, z1, _) in itertools.pairwise(profile.rows):
        start, end = cq.Vector(x0, 0.0, z0), cq.Vector(x1, 0.0, z1)
        if bulge == 0:
            edges.append(cq.Edge.makeLine(start, end))
        else:
            sag = bulge / 2  # the arc's middle lies half the bulge of a chord to the right of the chord
            through = cq.Vector((x0 + x1) / 2 + sag * (z1 - z0), 0.0, (z0 + z1) / 2 - sag * (x1 - x0))
            edges.append(cq.Edge.makeThreePointArc(start, through, end))
    (x_first, z_first, _), (x_last, z_last, _) = profile.rows[0], profile.rows[-1]
    corners = [cq.Vector(x, 0.0, z) for x, z in ((x_last, z_last), (x_last, -_PAST_MM), (x_first, -_PAST_MM),
                                                  (x_first, z_first))]
    edges += [cq.Edge.makeLine(a, b) for a, b in itertools.pairwise(corners)]
    face = cq.Face.makeFromWires(cq.Wire.assembleEdges(edges))
    axis = (cq.Vector(0.0, 0.0, -profile.axis_mm), cq.Vector(1.0, 0.0, -profile.axis_mm))
    return cq.Solid.revolve(face.rotate(*axis, -_TURN_DEG), 2 * _TURN_DEG, *axis)
