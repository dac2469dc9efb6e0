"""Follows parsed lines and says where the tool goes, in the program's unit. For tests of the writer only.

Canned cycles are taken apart as in NISTIR 6556, 3.5.16 (G73 from memory: a peck without the full retract).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from tests.reference.rs274_grammar import Line, parse

MOTION = {0.0: "rapid", 1.0: "feed", 2.0: "cw", 3.0: "ccw"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Move:
    """One move. Unknown coordinates are nan; `offset` is I, J."""

    line: int
    kind: str
    start: tuple[float, float, float]
    end: tuple[float, float, float]
    offset: tuple[float, float] = (math.nan, math.nan)
    feed: float = 0.0

    @property
    def mismatch(self) -> float:
        """|r1 - r2| of an arc."""
        i, j = self.offset
        return abs(math.hypot(i, j) - math.hypot(self.end[0] - self.start[0] - i, self.end[1] - self.start[1] - j))

    @property
    def sweep(self) -> float:
        """Angle turned by an arc; a full turn when it ends on its start, as a control reads it."""
        i, j = self.offset
        first = math.atan2(-j, -i)
        last = math.atan2(self.end[1] - self.start[1] - j, self.end[0] - self.start[0] - i)
        turn = (last - first if self.kind == "ccw" else first - last) % (2 * math.pi)
        return turn or 2 * math.pi


def read(text: str) -> list[Line]:
    """Parsed lines; G73 is allowed, every machine here that uses it has declared it."""
    return parse(text, extra_g=(73.0,))


def walk(lines: Sequence[Line]) -> list[Move]:
    """All moves. Axes become unknown by G53 (machine coordinates), by M0 (the operator may jog) and by M6."""
    at = [math.nan] * 3
    feed = 0.0
    moves: list[Move] = []

    def go(line: int, kind: str, end: list[float], offset: tuple[float, float] = (math.nan, math.nan)) -> None:
        nonlocal at
        used = feed if kind != "rapid" else 0.0
        moves.append(Move(line=line, kind=kind, start=tuple(at), end=tuple(end), offset=offset, feed=used))
        at = list(end)

    for line in lines:
        feed = line.get("F") or feed
        codes = line.codes("G")
        if 53.0 in codes:
            at = [math.nan if line.get(axis) is not None else v for axis, v in zip("XYZ", at, strict=True)]
            continue
        if {0.0, 6.0} & set(line.codes("M")):
            at = [math.nan] * 3
        end = [v if (w := line.get(axis)) is None else w for axis, v in zip("XYZ", at, strict=True)]
        cycle = next((c for c in codes if c in (73.0, 81.0, 83.0)), None)
        if cycle is not None:
            old, r, bottom, q = at[2], line.get("R"), end[2], line.get("Q")
            assert r is not None and 98.0 in codes
            clear = max(r, old)
            go(line.at, "rapid", [end[0], end[1], old])
            go(line.at, "rapid", [end[0], end[1], r])
            reached = r
            while reached > bottom + 1e-9:  # adding up pecks leaves noise
                reached = max(bottom, reached - q) if q else bottom
                go(line.at, "feed", [end[0], end[1], reached])
                if reached > bottom + 1e-9 and cycle == 83.0:
                    go(line.at, "rapid", [end[0], end[1], clear])
            go(line.at, "rapid", [end[0], end[1], clear])
            continue
        for code in codes:
            if code in MOTION:
                go(line.at, MOTION[code], end, (line.get("I") or 0.0, line.get("J") or 0.0))
    return moves


def bottoms(moves: Sequence[Move]) -> list[tuple[float, float, float]]:
    """Ends of the straight-down feed moves, without the noise of adding up pecks."""
    plunges = [m.end for m in moves if m.kind == "feed" and m.start[:2] == m.end[:2] and m.end[2] < m.start[2]]
    return [(x, y, round(z, 9)) for x, y, z in plunges]
