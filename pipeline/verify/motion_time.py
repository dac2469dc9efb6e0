"""How long the program takes, from its text and the machine's limits: seconds per move and per line.

Words: a *junction* is where two moves meet; the *inside angle* there is 180 degrees when they go straight on.

Model. Every move is a straight line or an arc at its feed, a rapid a straight line at the rapid speed. Acceleration
(and jerk, where the machine file gives one) limit ramps along the path; arcs are no faster than sqrt(a r). Moves stop
at every exact stop, and where a rapid and a feed move meet (most controls wait for position there; common practice, no
source). Under G64 a corner is passed as if rounded by an inscribed arc whose gap to the corner is the machine's blend
deviation d: v = sqrt(a R), R = d s/(1-s), s = sin(half the inside angle), and the arc takes at most half of the shorter
move. Without G64 every corner is a stop, apart from joins so flat that no axis jumps in speed (COLLINEAR_RAD).
Formulas from plane geometry and textbook kinematics. Not modelled: limits of single axes, the control's block rate,
spindle run-up beyond programmed dwells, the operator.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.kernels import verify_motion
from pipeline.model.shop import Machine
from pipeline.verify.reading import ARC_CW, Moves, Reading

Array = NDArray[np.float64]
Rows = NDArray[np.intp]
COLLINEAR_RAD = 0.01  # ours: controls take a join this flat without slowing (common practice, no source)


def motion_seconds(moves: Moves, *, machine: Machine) -> Array:
    """(n,) seconds per move. A feed move without a feed (an error elsewhere) is timed at the machine's highest feed."""
    radii, turns, _ = arc_shapes(moves)
    seconds: Array = verify_motion.motion_seconds(
        moves.kind, moves.start, moves.end, moves.centre, radii, turns, path_lengths(moves), moves.feed_mm_min,
        moves.exact_stop, moves.blend, machine.feed_high_mm_min, machine.rapid_mm_min, machine.acceleration_mm_s2,
        machine.jerk_mm_s3 or 0.0, machine.dialect.blend_mm, COLLINEAR_RAD,
    )  # fmt: skip
    return seconds


def motion_times(reading: Reading, *, machine: Machine) -> Array:
    """(n_lines,) seconds per line of the text, index 0 is line 1: motion, dwells and tool changes."""
    moves = reading.moves
    seconds = np.bincount(moves.line - 1, motion_seconds(moves, machine=machine), minlength=reading.n_lines)
    for line, dwell in reading.dwell_s.items():
        seconds[line - 1] += dwell
    for stop in reading.stops:
        if stop.word == "M6":
            seconds[stop.line - 1] += machine.tool_change_s
    return seconds.astype(np.float64)


def path_lengths(moves: Moves) -> Array:
    """(n,) length of each move along its path, mm; helices by their true length."""
    lengths = np.empty(len(moves.kind))
    verify_motion.straight_lengths(moves.start, moves.end, lengths)
    where = np.flatnonzero(is_arc(moves))
    radii, turns = turns_of(moves, where)
    lengths[where] = np.hypot(radii * turns, moves.end[where, 2] - moves.start[where, 2])
    return lengths


def path_lengths_in_plan(moves: Moves, rows: Rows) -> Array:
    """(k,) length of some moves seen from above, mm."""
    d = moves.end[rows, :2] - moves.start[rows, :2]
    lengths: Array = np.hypot(d[:, 0], d[:, 1])
    where = np.flatnonzero(is_arc(moves)[rows])
    radii, turns = turns_of(moves, rows[where])
    lengths[where] = radii * turns
    return lengths


def is_arc(moves: Moves) -> NDArray[np.bool_]:
    return moves.kind >= ARC_CW


def turns_of(moves: Moves, arcs: Rows) -> tuple[Array, Array]:
    """Radius of some moves that are arcs, and the angle turned: above 0, at most 2 pi, a full turn when the ends are
    the same."""
    start, end, centre = moves.start[arcs, :2], moves.end[arcs, :2], moves.centre[arcs]
    first, last = start - centre, end - centre
    turn = np.arctan2(last[:, 1], last[:, 0]) - np.arctan2(first[:, 1], first[:, 0])
    turn = np.where(moves.kind[arcs] == ARC_CW, -turn, turn) % (2 * np.pi)
    full = np.all(start == end, axis=1) | (turn == 0)
    return np.hypot(first[:, 0], first[:, 1]), np.where(full, 2 * np.pi, turn)


def arc_shapes(moves: Moves) -> tuple[Array, Array, Array]:
    """Radius and angle turned of each move that is an arc, 0 for lines, and the rise of each move."""
    radii, turns = np.zeros(len(moves.kind)), np.zeros(len(moves.kind))
    where = np.flatnonzero(is_arc(moves))
    radii[where], turns[where] = turns_of(moves, where)
    return radii, turns, moves.end[:, 2] - moves.start[:, 2]
