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
from pipeline.verify.reading import ARC_CCW, ARC_CW, RAPID, Moves, Reading

Array = NDArray[np.float64]
COLLINEAR_RAD = 0.01  # ours: controls take a join this flat without slowing (common practice, no source)


def motion_seconds(moves: Moves, *, machine: Machine) -> Array:
    """(n,) seconds per move. A feed move without a feed (an error elsewhere) is timed at the machine's highest feed."""
    n = len(moves.kind)
    seconds = np.zeros(n)
    lengths = path_lengths(moves)
    real = np.flatnonzero(lengths > 0)
    if not len(real):
        return seconds
    radii, _, _ = arc_shapes(moves)
    acceleration = machine.acceleration_mm_s2
    speeds = np.where(moves.feed_mm_min > 0, np.minimum(moves.feed_mm_min, machine.feed_high_mm_min),
                      machine.feed_high_mm_min)
    speeds = np.where(moves.kind == RAPID, machine.rapid_mm_min, speeds) / 60
    speeds = np.minimum(speeds, np.where(is_arc(moves), np.sqrt(acceleration * radii), np.inf))
    seconds[real] = verify_motion.chain_times(
        np.ascontiguousarray(lengths[real]), np.ascontiguousarray(speeds[real]),
        _junction_speeds(moves, real, lengths, machine), acceleration, machine.jerk_mm_s3 or 0.0,
    )
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
    radii, turns, climbs = arc_shapes(moves)
    straight = np.linalg.norm(moves.end - moves.start, axis=1)
    return np.where(is_arc(moves), np.hypot(radii * turns, climbs), straight)


def is_arc(moves: Moves) -> NDArray[np.bool_]:
    return (moves.kind == ARC_CW) | (moves.kind == ARC_CCW)


def arc_shapes(moves: Moves) -> tuple[Array, Array, Array]:
    """Radius and angle turned (above 0, at most 2 pi, a full turn when the ends are the same) of each arc, 0 for lines,
    and the rise of each move."""
    n, where = len(moves.kind), np.flatnonzero(is_arc(moves))
    radii, turns = np.zeros(n), np.zeros(n)
    start, end, centre = moves.start[where, :2], moves.end[where, :2], moves.centre[where]
    first, last = start - centre, end - centre
    radii[where] = np.hypot(first[:, 0], first[:, 1])
    turn = np.arctan2(last[:, 1], last[:, 0]) - np.arctan2(first[:, 1], first[:, 0])
    turn = np.where(moves.kind[where] == ARC_CW, -turn, turn) % (2 * np.pi)
    full = np.all(start == end, axis=1) | (turn == 0)
    turns[where] = np.where(full, 2 * np.pi, turn)
    return radii, turns, moves.end[:, 2] - moves.start[:, 2]


def _directions(moves: Moves) -> tuple[Array, Array]:
    """(n, 3) unit vectors along the path at the start and at the end of each move."""
    _, turns, climbs = arc_shapes(moves)
    straight = moves.end - moves.start
    both = []
    for points in (moves.start, moves.end):
        arm = points[:, :2] - moves.centre
        hand = np.where(moves.kind == ARC_CCW, 1.0, -1.0) * turns
        tangent = np.column_stack([-arm[:, 1] * hand, arm[:, 0] * hand, climbs])
        vectors = np.where(is_arc(moves)[:, None], tangent, straight)
        sizes = np.linalg.norm(vectors, axis=1)
        both.append(vectors / np.where(sizes > 0, sizes, 1.0)[:, None])
    return both[0], both[1]


def _junction_speeds(moves: Moves, real: NDArray[np.intp], lengths: Array, machine: Machine) -> Array:
    """(m + 1,) greatest speed at each end of the m moves `real` that have a length, mm/s."""
    speeds = np.zeros(len(real) + 1)
    before, after = real[:-1], real[1:]
    first, last = _directions(moves)
    bend = np.linalg.norm(first[after] - last[before], axis=1) / 2  # sine of half the turn
    half = np.sqrt(np.maximum(1 - bend**2, 0))  # sine of half the inside angle
    with np.errstate(divide="ignore", invalid="ignore"):
        radius = machine.dialect.blend_mm * half * (1 + half) / bend**2  # s/(1-s) without cancellation
        room = half / bend * np.minimum(lengths[before], lengths[after]) / 2
        corner = np.sqrt(machine.acceleration_mm_s2 * np.minimum(radius, room))
    corner = np.where(bend > 0, corner, np.inf)
    flat = 2 * bend <= COLLINEAR_RAD
    corner = np.where(moves.blend[before] & moves.blend[after], corner, np.where(flat, np.inf, 0.0))
    halts = np.concatenate([[0], np.cumsum(moves.exact_stop)])
    stands = halts[after] > halts[before]  # an exact stop at or between the two
    mixed = (moves.kind[before] == RAPID) != (moves.kind[after] == RAPID)
    speeds[1:-1] = np.where(stands | mixed, 0.0, corner)
    return speeds
