"""Arcs made safe to write: split, replaced by chords, and checked after rounding.

The worst mistake a writer can make is a tiny arc whose end rounds onto its start: a control turns the full circle. So
arcs are split into pieces of at most half a turn first, and a piece whose chord or sagitta is under the resolution of a
straight move becomes a line. What is written as an arc is checked again in the rounded numbers.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from pipeline.errors import Bug
from pipeline.gcode.words import ARC_LIMIT, Format
from pipeline.model.units import EPS_MM

_ANGLE_NOISE = 1e-9  # rad, so that a half turn computed a hair over pi is still one piece
SAME_MM = 1e-9  # noise of computing one point twice; far under EPS_MM, for a short arc must never count as a full turn

Point = tuple[float, float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Piece:
    """Part of an arc: its end (x, y, z), mm, and how far it turns."""

    end: Point
    sweep_rad: float


def sweep_rad(start: Point, end: Point, centre: tuple[float, float], *, ccw: bool) -> float:
    """Angle turned in the arc's own direction, in [0, 2 pi]. An end on the start (the same point computed twice) is a
    full turn; an end straight outward from the start turns by nothing."""
    if math.hypot(end[0] - start[0], end[1] - start[1]) <= SAME_MM:
        return 2 * math.pi
    first = math.atan2(start[1] - centre[1], start[0] - centre[0])
    last = math.atan2(end[1] - centre[1], end[0] - centre[0])
    return ((last - first) if ccw else (first - last)) % (2 * math.pi)


def split(start: Point, end: Point, centre: tuple[float, float], *, ccw: bool, longest_rad: float) -> tuple[Piece, ...]:
    """Equal pieces of at most `longest_rad`. Z changes evenly with the angle; the last end is `end` itself."""
    sweep = sweep_rad(start, end, centre, ccw=ccw)
    n = max(1, math.ceil(sweep / longest_rad - _ANGLE_NOISE))
    first = math.atan2(start[1] - centre[1], start[0] - centre[0])
    r0 = math.hypot(start[0] - centre[0], start[1] - centre[1])
    r1 = math.hypot(end[0] - centre[0], end[1] - centre[1])
    pieces = []
    for k in range(1, n):
        share = k / n
        angle = first + (sweep if ccw else -sweep) * share
        radius = r0 + (r1 - r0) * share
        point = (
            centre[0] + radius * math.cos(angle),
            centre[1] + radius * math.sin(angle),
            start[2] + (end[2] - start[2]) * share,
        )
        pieces.append(Piece(end=point, sweep_rad=sweep / n))
    return (*pieces, Piece(end=end, sweep_rad=sweep / n))


def chord_angle_rad(radius_mm: float, chord_mm: float) -> float:
    """Largest angle whose chord lies within `chord_mm` of the arc: sagitta e = r (1 - cos(a / 2)), so the chord is
    2 sqrt(2 r e - e^2) (elementary geometry). At most a quarter turn, so that a coarse tolerance keeps the shape."""
    if chord_mm <= 0:
        raise Bug(f"chords within {chord_mm} mm")
    return min(math.pi / 2, 2 * math.acos(max(-1.0, 1 - chord_mm / max(radius_mm, EPS_MM))))


def is_straight(piece: Piece, centre: tuple[float, float], *, resolution_mm: float) -> bool:
    """True when a piece of at most half a turn is too small or too flat to be written as an arc.

    Its sagitta is under the resolution. The sagitta is never more than half the chord, so a short chord counts too.
    """
    radius = math.hypot(piece.end[0] - centre[0], piece.end[1] - centre[1])
    return radius * (1 - math.cos(piece.sweep_rad / 2)) < resolution_mm


def radius_mismatch(offset: tuple[int, int], step: tuple[int, int]) -> float:
    """|r1 - r2| in counts of an arc written with offset (I, J) whose end lies `step` from its start."""
    return abs(math.hypot(*offset) - math.hypot(step[0] - offset[0], step[1] - offset[1]))


def check_written(offset: tuple[int, int], step: tuple[int, int], *, ccw: bool, sweep_rad: float, form: Format) -> None:
    """Hold a written arc, in counts, to the control's rules. Raises Bug.

    The radii agree within 0.0002 in or 0.002 mm (NISTIR 6556, 3.5.3), the end is not the start, and the arc turns as
    far as it was meant to.
    """
    mismatch = radius_mismatch(offset, step) / 10**form.arc_decimals
    if mismatch > ARC_LIMIT[form.units]:
        raise Bug(f"a written arc has radii {mismatch:.6f} {form.units} apart; allowed {ARC_LIMIT[form.units]}")
    if step == (0, 0):
        raise Bug("a written arc ends on its start: a control would turn the full circle")
    first = math.atan2(-offset[1], -offset[0])
    last = math.atan2(step[1] - offset[1], step[0] - offset[0])
    turned = ((last - first) if ccw else (first - last)) % (2 * math.pi)
    if abs(turned - sweep_rad) > math.pi / 2:
        raise Bug(f"a written arc turns {turned:.4f} rad instead of {sweep_rad:.4f}")
