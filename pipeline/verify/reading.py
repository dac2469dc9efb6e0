"""What the reader makes of a program's text: the moves the machine would make, and what is wrong with the text."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.model.findings import Finding

RAPID, LINE, ARC_CW, ARC_CCW = 0, 1, 2, 3


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Moves:
    """n moves in order of execution. Positions are of the true cutter tip in the work frame (G54 = setup frame), mm.

    A wrong length offset therefore shows as a shifted tip. Canned cycles are already taken apart. Arcs in planes
    other than XY arrive as straight chords.
    """

    kind: NDArray[np.int8]
    start: NDArray[np.float64]  # (n, 3)
    end: NDArray[np.float64]  # (n, 3)
    centre: NDArray[np.float64]  # (n, 2), arcs only
    feed_mm_min: NDArray[np.float64]  # 0 for rapids
    rpm: NDArray[np.float64]  # S in force, 0 when the spindle stands
    spindle: NDArray[np.int8]  # 1 for M3, -1 for M4, 0 for M5
    coolant: NDArray[np.int8]  # 1 when M7 or M8 is on
    tool: NDArray[np.int32]  # cutter number in the spindle, 0 when none is known
    line: NDArray[np.int32]  # 1-based line of the text
    known_z: NDArray[np.bool_]  # False while no length offset of the cutter in the spindle is active
    exact_stop: NDArray[np.bool_]  # True when the move ends at standstill (G61.1, or a stop follows)
    blend: NDArray[np.bool_]  # True under G64


@dataclass(frozen=True, slots=True, kw_only=True)
class Stop:
    """A programmed stop (M0, M1) or tool change (M6) and the state at it."""

    line: int
    word: str  # "M0", "M1", "M6"
    tool: int
    message: str
    spindle: int
    coolant: int
    before_move: int  # index of the first move after it


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Reading:
    """Moves, stops, dwell seconds per line, and findings of the text itself. `units` is what G20/G21 said first."""

    moves: Moves
    stops: tuple[Stop, ...]
    dwell_s: dict[int, float]  # by line
    findings: tuple[Finding, ...]
    units: str
    n_lines: int
    headings: tuple[tuple[int, str], ...] = ()  # (line, text) of comments that hold nothing but name what follows


def spindle_starts(reading: Reading) -> list[int]:
    """The first move of each stretch with the spindle turning: after M3 or M4, a stop, a change of cutter."""
    m, turning = reading.moves, reading.moves.spindle != 0
    fresh = turning.copy()
    fresh[1:] &= (np.diff(m.spindle) != 0) | (np.diff(m.tool) != 0)
    for stop in reading.stops:
        if stop.before_move < len(fresh):
            fresh[stop.before_move] |= turning[stop.before_move]
    return [int(i) for i in np.flatnonzero(fresh)]
