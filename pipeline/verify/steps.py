"""What a program makes the machine do, as steps that two texts can be compared by.

A *step* is a move that goes somewhere, a stop or a dwell. Two runs of steps agree when the same path is gone in the
same state; where the path is cut into moves does not matter. Setup frame, mm.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.verify.reading import ARC_CCW, ARC_CW, Reading

SAME_MM = 0.0007  # ours: rounding to 0.001 mm of a place that was rounded to 0.00001 in before stays under it
SAME_SHARE = 1e-3  # of a feed or a speed: the same, written in another unit
KINDS = ("G0", "G1", "G2", "G3", "stop", "dwell")
STOP, DWELL = 4, 5
_STOP_VALUE = {"M0": 0.0, "M1": 1.0, "M6": 6.0}
_FEWEST, _MOST = 4, 4096  # steps compared at once: many where all agree, few where moves are cut differently
_SHORTEST_MM = 1e-9

Array = NDArray[np.float64]
Point = tuple[float, ...]  # three


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Steps:
    """n steps in order. `state` columns: feed (mm/min, 0 for rapids), rpm, spindle (1, -1, 0), coolant, cutter, mode (0
    exact path, 1 blended, 2 exact stop), whether the length offset is known. `value` is a stop's M number or the
    seconds of a dwell."""

    kind: NDArray[np.int8]
    start: Array  # (n, 3)
    end: Array  # (n, 3)
    centre: Array  # (n, 2), arcs only
    middle: Array  # (n, 3) of arcs; lines have none and hold 0
    state: Array  # (n, 7)
    value: Array
    line: NDArray[np.int32]

    def __len__(self) -> int:
        return len(self.kind)

    def first_of_line(self, line: int) -> int:
        """The first step on this line or after it."""
        return int(np.searchsorted(self.line, line, side="left"))

    def line_at(self, step: int) -> int:
        """The line of a step, 0 after the last."""
        return int(self.line[step]) if step < len(self) else 0


def steps_of(reading: Reading) -> Steps:
    """All steps of a program."""
    m = reading.moves
    n = len(m.kind)
    is_arc = (m.kind == ARC_CW) | (m.kind == ARC_CCW)
    goes = is_arc | (np.linalg.norm(m.end - m.start, axis=1) > _SHORTEST_MM)
    halts = [(stop.before_move, stop.line, STOP, _STOP_VALUE[stop.word], stop.tool) for stop in reading.stops]
    halts += [
        (int(np.searchsorted(m.line, line, side="left")), line, DWELL, seconds, 0)
        for line, seconds in reading.dwell_s.items()
    ]
    halts.sort()
    stands = m.exact_stop.copy()
    last_that_goes = np.maximum.accumulate(np.where(goes, np.arange(n), 0)) if n else np.zeros(0, dtype=np.intp)
    stands[last_that_goes[stands]] = True  # who stands still goes nowhere: it is the end of the move before
    # standstill before a stop is the stop's, and that at the end of the program is everybody's
    stands[[last_that_goes[max(before - 1, 0)] for before, *_ in halts if n] + list(last_that_goes[-1:])] = False
    mode = np.where(m.blend, 1.0, np.where(stands, 2.0, 0.0))
    feed = np.where(m.kind == 0, 0.0, m.feed_mm_min)
    state = np.column_stack([feed, m.rpm, m.spindle, m.coolant, m.tool, mode, m.known_z]).astype(np.float64)
    middle = np.zeros((n, 3))
    for k in np.flatnonzero(is_arc):
        start, end, centre = (tuple(v[k].tolist()) for v in (m.start, m.end, m.centre))
        middle[k] = _Piece.of(int(m.kind[k]), start, end, centre).at(0.5)
    columns: tuple[NDArray[Any], ...] = (
        m.kind, m.start, m.end, np.where(is_arc[:, None], m.centre, 0.0), middle, state, np.zeros(n), m.line
    )  # fmt: skip
    places = np.concatenate([np.arange(n), [before for before, *_ in halts]]).astype(np.float64)
    places[n:] -= 0.5
    order = np.argsort(places, kind="stable")
    keep = np.concatenate([goes, np.ones(len(halts), dtype=bool)])[order]
    rows = [_halt(*halt) for halt in halts]
    joined = [
        np.concatenate([column, np.array([row[c] for row in rows]).reshape(-1, *column.shape[1:])])[order][keep]
        for c, column in enumerate(columns)
    ]
    return Steps(
        kind=joined[0].astype(np.int8), start=joined[1], end=joined[2], centre=joined[3], middle=joined[4],
        state=joined[5], value=joined[6], line=joined[7].astype(np.int32),
    )  # fmt: skip


def _halt(before: int, line: int, kind: int, value: float, tool: int) -> tuple[Any, ...]:
    """A stop or a dwell as a row like a move's, in no place."""
    return (kind, [0.0] * 3, [0.0] * 3, [0.0] * 2, [0.0] * 3, [0.0, 0.0, 0.0, 0.0, tool, 0.0, 0.0], value, line)


def ends_of_match(a: Steps, run_a: slice, b: Steps, run_b: slice) -> tuple[int, int]:
    """How far two runs agree: the first step of each that does not, or the ends of the runs."""
    i, j, many = run_a.start, run_b.start, _FEWEST
    while i < run_a.stop and j < run_b.stop:
        n = min(many, run_a.stop - i, run_b.stop - j)
        same = _same(a, slice(i, i + n), b, slice(j, j + n))
        first = n if same.all() else int(np.argmin(same))
        i, j = i + first, j + first
        many = min(2 * many, _MOST) if first == n else _FEWEST
        while first < n and i < run_a.stop and j < run_b.stop:  # as long as the moves are cut differently
            after = _in_pieces(a, i, run_a.stop, b, j, run_b.stop)
            if after is None:
                return i, j
            first = n if after == (i + 1, j + 1) else first
            i, j = after
    return i, j


def find(a: Steps, run_a: slice, b: Steps, run_b: slice) -> int | None:
    """Where in run_b the steps of run_a are for the first time, whatever their state; None when nowhere."""
    n = run_a.stop - run_a.start
    last = run_b.stop - n
    if n == 0 or last < run_b.start:
        return None
    fits = np.ones(last + 1 - run_b.start, dtype=bool)
    for k in range(n):
        there = slice(run_b.start + k, last + 1 + k)
        fits &= b.kind[there] == a.kind[run_a.start + k]
        fits &= (np.abs(b.end[there] - a.end[run_a.start + k]) <= SAME_MM).all(axis=1)
    return run_b.start + int(np.argmax(fits)) if fits.any() else None


def _same(a: Steps, at_a: slice, b: Steps, at_b: slice) -> NDArray[np.bool_]:
    same = (a.kind[at_a] == b.kind[at_b]) & (a.value[at_a] == b.value[at_b])
    same &= (np.abs(a.end[at_a] - b.end[at_b]) <= SAME_MM).all(axis=1)
    same &= (np.abs(a.middle[at_a] - b.middle[at_b]) <= SAME_MM).all(axis=1)
    return same & _same_state(a.state[at_a], b.state[at_b])


def _same_state(a: Array, b: Array) -> NDArray[np.bool_]:
    rates = np.abs(a[..., :2] - b[..., :2]) <= SAME_SHARE * np.abs(b[..., :2])
    return rates.all(axis=-1) & (a[..., 2:] == b[..., 2:]).all(axis=-1)


def _is_same_state(a: list[float], b: list[float]) -> bool:
    return a[2:] == b[2:] and all(abs(x - y) <= SAME_SHARE * abs(y) for x, y in zip(a[:2], b[:2], strict=True))


def _in_pieces(a: Steps, i: int, end_a: int, b: Steps, j: int, end_b: int) -> tuple[int, int] | None:
    """The steps after a stretch of one path that the two texts cut into moves differently; None when they go different
    ways. Begins where both stand at the same place."""
    if max(a.kind[i], b.kind[j]) >= STOP:
        return None
    one, other = _Piece.step(a, i), _Piece.step(b, j)
    while True:
        if one.kind != other.kind or not _is_same_state(a.state[i].tolist(), b.state[j].tolist()):
            return None
        if one.is_same(other):
            return i + 1, j + 1
        shorter, longer = (one, other) if one.length <= other.length else (other, one)
        rest = longer.rest_after(shorter)
        if rest is None:
            return None
        if shorter is one:
            i, other = i + 1, rest
            if i == end_a or a.kind[i] >= STOP:
                return None
            one = _Piece.step(a, i)
        else:
            j, one = j + 1, rest
            if j == end_b or b.kind[j] >= STOP:
                return None
            other = _Piece.step(b, j)


@dataclass(frozen=True, slots=True)
class _Piece:
    """A straight piece or a helical one about `centre`; `turn` is signed, rad, 0 for straight. Plain numbers: a text of
    many short moves makes many pieces."""

    kind: int
    start: Point
    end: Point
    centre: Point
    turn: float

    @classmethod
    def of(cls, kind: int, start: Point, end: Point, centre: Point) -> _Piece:
        if kind not in (ARC_CW, ARC_CCW):
            return cls(kind, start, end, centre, 0.0)
        first, last = (math.atan2(p[1] - centre[1], p[0] - centre[0]) for p in (start, end))
        sign = 1.0 if kind == ARC_CCW else -1.0
        turn = (sign * (last - first)) % (2 * math.pi)
        if max(abs(start[0] - end[0]), abs(start[1] - end[1])) <= SAME_MM / 2:
            turn = 2 * math.pi  # ends nearly where it began: as the language has it, a whole turn
        return cls(kind, start, end, centre, sign * turn)

    @classmethod
    def step(cls, steps: Steps, k: int) -> _Piece:
        return cls.of(int(steps.kind[k]), *(tuple(v[k].tolist()) for v in (steps.start, steps.end, steps.centre)))

    @property
    def length(self) -> float:
        if not self.turn:
            return math.dist(self.start, self.end)
        return abs(self.turn) * math.dist(self.start[:2], self.centre)

    def at(self, share: float) -> Point:
        """The point after this share of the way."""
        x, y, z = (a + share * (b - a) for a, b in zip(self.start, self.end, strict=True))
        if self.turn:
            dx, dy = self.start[0] - self.centre[0], self.start[1] - self.centre[1]
            c, s = math.cos(share * self.turn), math.sin(share * self.turn)
            x, y = self.centre[0] + c * dx - s * dy, self.centre[1] + s * dx + c * dy
        return x, y, z

    def is_same(self, other: _Piece) -> bool:
        """True when both go the same way to the same place."""
        turns_alike = abs(self.turn - other.turn) < math.pi
        return turns_alike and _near(self.end, other.end) and _near(self.at(0.5), other.at(0.5))

    def rest_after(self, part: _Piece) -> _Piece | None:
        """What is left after `part`, a shorter piece from the same start; None when that lies elsewhere."""
        share = part.length / self.length
        if not (_near(self.at(share), part.end) and _near(self.at(share / 2), part.at(0.5))):
            return None
        return _Piece(self.kind, part.end, self.end, self.centre, self.turn * (1.0 - share))


def _near(a: Point, b: Point) -> bool:
    return max(abs(a[0] - b[0]), abs(a[1] - b[1]), abs(a[2] - b[2])) <= SAME_MM
