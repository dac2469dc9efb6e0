"""Arcs of the language: centre and radius format, their limits, and chords for arcs outside the XY plane.

Rules: NISTIR 6556 (2000), section 3.5.3. Points are in *plane order* (two axes of the plane, then its normal), so that
a counter-clockwise turn always goes from the first axis toward the second.
"""

from __future__ import annotations

import math

from pipeline.model.units import EPS_MM
from pipeline.verify.expressions import TextFault

PLANE_AXES = {170: (0, 1, 2), 180: (2, 0, 1), 190: (1, 2, 0)}
OFFSET_LETTERS = {170: "IJ", 180: "KI", 190: "JK"}
MISMATCH_MM = {"mm": 0.002, "in": 0.0002 * 25.4}  # NISTIR 6556 section 3.5.3.2
CHORD_ERROR_MM = 0.0005  # ours: arcs outside XY become chords this close
MOST_CHORDS = 20_000
SHORT_ARC_MM = 0.0004  # ours: an arc whose ends are closer than the text's resolution may be read as a full turn

Point = tuple[float, float, float]


def centre_of_radius(start: Point, end: Point, radius: float, ccw: bool, units: str) -> tuple[float, float]:
    """Centre of a radius-format arc: R > 0 turns at most half a circle, R < 0 more. Raises TextFault."""
    dx, dy = end[0] - start[0], end[1] - start[1]
    chord = math.hypot(dx, dy)
    if chord <= EPS_MM:
        raise TextFault("V618", "an R arc that ends where it begins", "I and J for a full turn")
    if abs(radius) <= EPS_MM:
        raise TextFault("V618", "R0", "a radius")
    rest = radius * radius - chord * chord / 4
    if rest < 0:
        if chord / 2 - abs(radius) > MISMATCH_MM[units]:
            found = f"R {abs(radius):.4f} mm for ends {chord:.4f} mm apart"
            raise TextFault("V618", found, "R of at least half of that")
        rest = 0.0
    side = math.sqrt(rest) / chord * (1 if (radius > 0) == ccw else -1)
    return (start[0] + end[0]) / 2 - side * dy, (start[1] + end[1]) / 2 + side * dx


def check_radii(start: Point, end: Point, centre: tuple[float, float], units: str) -> float:
    """Radius at the start. Raises TextFault when the radius at the end differs by more than the report allows."""
    first = math.hypot(start[0] - centre[0], start[1] - centre[1])
    last = math.hypot(end[0] - centre[0], end[1] - centre[1])
    if abs(first - last) > MISMATCH_MM[units] + 1e-3 * EPS_MM:  # the sum only lets rounding noise through
        raise TextFault("V618", f"radius {first:.5f} mm at the start and {last:.5f} mm at the end",
                        f"at most {MISMATCH_MM[units]:.5f} mm apart")
    if first <= EPS_MM:
        raise TextFault("V618", "an arc without a radius")
    return first


def sweep(start: Point, end: Point, centre: tuple[float, float], ccw: bool) -> float:
    """Angle turned, rad, above 0 and at most 2 pi; an arc that ends where it begins is a full turn."""
    if start[0] == end[0] and start[1] == end[1]:
        return 2 * math.pi
    first = math.atan2(start[1] - centre[1], start[0] - centre[0])
    last = math.atan2(end[1] - centre[1], end[0] - centre[0])
    turn = (last - first if ccw else first - last) % (2 * math.pi)
    return turn if turn > 0 else 2 * math.pi


def chords(start: Point, end: Point, centre: tuple[float, float], ccw: bool, turn: float) -> list[Point]:
    """Ends of the chords of an arc, in plane order; the last is `end` itself.

    Raises TextFault above MOST_CHORDS of them, which no arc within a machine's travel needs.
    """
    radius = math.hypot(start[0] - centre[0], start[1] - centre[1])
    widest = 2 * math.acos(max(0.0, 1 - CHORD_ERROR_MM / radius)) if radius > CHORD_ERROR_MM else math.pi / 2
    if turn > widest * MOST_CHORDS:
        raise TextFault("V618", f"{math.degrees(turn):.1f} degrees of radius {radius:.0f} mm outside the XY plane",
                        f"an arc of at most {MOST_CHORDS} chords of {CHORD_ERROR_MM} mm")
    n = max(4, math.ceil(turn / widest))
    first = math.atan2(start[1] - centre[1], start[0] - centre[0])
    points = []
    for i in range(1, n):
        angle = first + (turn if ccw else -turn) * i / n
        height = start[2] + (end[2] - start[2]) * i / n
        points.append((centre[0] + radius * math.cos(angle), centre[1] + radius * math.sin(angle), height))
    return [*points, end]
