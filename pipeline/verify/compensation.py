"""Cutter radius compensation: where the centre of a cutter goes that keeps to one side of a programmed contour.

Rules: NISTIR 6556 (2000), section 3.5.10 and appendix B. There is no look-ahead: at a convex corner the cutter rolls
round the programmed point on an arc, a concave corner is an error. The first move ends where the cutter touches the
contour's first point, and needs more than the cutter's radius of way; after G40 the cutter goes on from where it
stands, without an exit move. All in the XY plane, mm.

That a corner of less than `CORNER_RAD` counts as none, to either side, is the report's interpreter's (from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from pipeline.model.units import EPS_MM
from pipeline.verify.arcs import MISMATCH_MM, SHORT_ARC_MM
from pipeline.verify.expressions import TextFault

XY = tuple[float, float]
CORNER_RAD = 0.05
LEFT, RIGHT = 1, -1


@dataclass(slots=True)
class Compensation:
    """Side of the contour on which the cutter runs (0: no compensation), its radius, the contour point it is at."""

    side: int = 0
    radius_mm: float = 0.0
    at: XY | None = None  # None before the first compensated move


@dataclass(frozen=True, slots=True)
class Piece:
    """A piece of the way of the cutter's centre: a line, or an arc about `centre`."""

    what: Literal["line", "cw", "ccw"]
    end: XY
    centre: XY = (0.0, 0.0)


def along_line(state: Compensation, tip: XY, goal: XY, *, feeds: bool) -> list[Piece]:
    """Pieces of a straight move to the contour point `goal`; at rapid with no arc round a corner. Raises TextFault."""
    if state.at is None:
        return [Piece("line", _touch(state, tip, goal))]
    if goal == state.at:
        return [Piece("line", tip)]
    direction = math.atan2(goal[1] - state.at[1], goal[0] - state.at[0])
    normal = direction + state.side * math.pi / 2
    end = _off(goal, normal, state.radius_mm)
    corner = _corner(state, tip, state.at, direction)
    round_it = _round_corner(state, state.at, normal) if corner > CORNER_RAD and feeds else []
    return _joined(tip, [*round_it, Piece("line", end)])


def along_arc(state: Compensation, tip: XY, goal: XY, centre: XY, *, ccw: bool, units: str) -> list[Piece]:
    """Pieces of an arc of the contour about `centre` to `goal`. For the first move `centre` is taken as it is, and
    the cutter must already stand where its edge touches the arc's circle. Raises TextFault."""
    radius = math.dist(centre, goal)
    inner = (state.side == LEFT) == ccw
    if inner and radius <= state.radius_mm:
        raise TextFault("V639", f"an arc of radius {radius:.4f} mm with a cutter of radius {state.radius_mm:.4f} mm",
                        "an arc wider than the cutter")
    outward = math.atan2(goal[1] - centre[1], goal[0] - centre[0])
    end = _off(goal, outward, -state.radius_mm if inner else state.radius_mm)
    arc = Piece("ccw" if ccw else "cw", end, centre)
    if state.at is None:
        if math.dist(tip, goal) <= state.radius_mm:
            raise _inside()
        apart = abs(math.dist(tip, centre) - math.dist(end, centre))
        if apart > MISMATCH_MM[units] + 1e-3 * EPS_MM:
            raise TextFault("V639", f"a first compensated arc that the cutter stands {apart:.4f} mm off",
                            "a start on the arc's circle, one cutter radius away from the contour")
        return _joined(tip, [arc])
    start = state.at
    toward = math.atan2(start[1] - centre[1], start[0] - centre[0])
    normal = toward + math.pi if inner else toward
    corner = _corner(state, tip, start, toward + (math.pi / 2 if ccw else -math.pi / 2))
    round_it = _round_corner(state, start, normal) if corner > CORNER_RAD else []
    begins = round_it[-1].end if round_it else tip
    if start == goal and math.dist(begins, end) < SHORT_ARC_MM:
        arc = Piece(arc.what, begins, centre)  # a full turn stays one, whatever the rounding of two sines
        return _joined(tip, round_it) + [arc]
    return _joined(tip, [*round_it, arc])


def first_centre(state: Compensation, tip: XY, goal: XY, radius: float, *, ccw: bool) -> XY:
    """Centre of a first compensated arc in radius format: its circle is the contour's, the cutter stands one radius of
    its own off it. Raises TextFault."""
    inner = (state.side == LEFT) == ccw
    of_tip = abs(radius) + (-state.radius_mm if inner else state.radius_mm)
    distance = math.dist(tip, goal)
    if distance <= state.radius_mm or of_tip <= 0:
        raise _inside()
    along = (of_tip**2 + distance**2 - radius**2) / (2 * distance)
    rest = of_tip**2 - along**2
    if rest < 0:
        raise TextFault("V639", f"R {abs(radius):.4f} mm, too small to reach the end", "a larger R")
    angle = math.atan2(goal[1] - tip[1], goal[0] - tip[0])
    side = math.sqrt(rest) * (1 if (radius > 0) == ccw else -1)
    return (tip[0] + along * math.cos(angle) - side * math.sin(angle),
            tip[1] + along * math.sin(angle) + side * math.cos(angle))


def _touch(state: Compensation, tip: XY, goal: XY) -> XY:
    """End of a first straight move: the cutter touches `goal`, which lies square to the way there."""
    distance = math.dist(tip, goal)
    if distance <= state.radius_mm:
        raise _inside()
    back = math.atan2(tip[1] - goal[1], tip[0] - goal[0])
    return _off(goal, back - state.side * math.acos(state.radius_mm / distance), state.radius_mm)


def _inside() -> TextFault:
    return TextFault("V639", "a first compensated move no longer than the cutter's radius", "a longer way in")


def _corner(state: Compensation, tip: XY, at: XY, direction: float) -> float:
    """How far the cutter must roll round the contour point `at` before it can go along `direction`, rad.

    Raises TextFault for a concave corner.
    """
    if state.radius_mm <= EPS_MM:
        return 0.0
    before = math.atan2(tip[1] - at[1], tip[0] - at[0]) - state.side * math.pi / 2
    turn = state.side * (before - direction)
    turn = (turn + math.pi / 2) % (2 * math.pi) - math.pi / 2
    if not -CORNER_RAD <= turn <= math.pi + CORNER_RAD:
        inward = -math.degrees(turn) if turn < 0 else 360 - math.degrees(turn)
        raise TextFault("V639", f"a concave corner of {inward:.1f} degrees under cutter compensation",
                        "convex corners, or an arc wider than the cutter")
    return turn


def _round_corner(state: Compensation, at: XY, normal: float) -> list[Piece]:
    return [Piece("cw" if state.side == LEFT else "ccw", _off(at, normal, state.radius_mm), at)]


def _off(point: XY, angle: float, distance: float) -> XY:
    return point[0] + distance * math.cos(angle), point[1] + distance * math.sin(angle)


def _joined(tip: XY, pieces: list[Piece]) -> list[Piece]:
    """The same, with a line for an arc so short that rounding could make a full turn of it."""
    out: list[Piece] = []
    for piece in pieces:
        short = math.dist(tip, piece.end) < SHORT_ARC_MM
        out.append(Piece("line", piece.end) if short else piece)
        tip = piece.end
    return out
