"""What a program makes a machine do: moves of the true tip and pauses, in order."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

PLANES = {17.0: (0, 1, 2, "ij"), 18.0: (2, 0, 1, "ki"), 19.0: (1, 2, 0, "jk")}  # two axes of the plane, its normal
Point = tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class Before:
    """What the last job left in the control."""

    units: float = 0.0  # 0: the machine's own
    plane: float = 17.0
    distance: float = 90.0
    feed_mode: float = 94.0
    comp: float = 40.0
    cycle_return: float = 98.0
    system: float = 54.0
    path: float = 0.0  # 0: the machine's own
    length_mm: float = 0.0
    g92: Point = (0.0, 0.0, 0.0)
    feed: float = 0.0
    rpm: float = 0.0


@dataclass(frozen=True, slots=True)
class Move:
    """One motion of the tip, mm. An arc turns by `turn` (signed, seen from the positive end of its normal)."""

    line: int
    rapid: bool
    start: Point
    end: Point
    sure: bool  # the start is known
    feed: float
    rpm: float
    spin: int  # 1 clockwise, -1 the other way, 0 standing
    coolant: bool
    tool: int
    offset_tool: int  # the cutter whose length offset is in force
    path: float
    cycle: bool = False
    plane: float = 17.0
    centre: tuple[float, float] = (0.0, 0.0)
    turn: float = 0.0

    @property
    def length(self) -> float:
        if not self.turn:
            return math.dist(self.start, self.end)
        a, b, c, _ = PLANES[self.plane]
        radius = math.dist((self.start[a], self.start[b]), self.centre)
        return math.hypot(radius * self.turn, self.end[c] - self.start[c])


@dataclass(frozen=True, slots=True)
class Pause:
    """A dwell, a stop or a change of the cutter: `what` is dwell, M0, M1 or M6. State is that before it."""

    line: int
    what: str
    seconds: float
    tip: Point
    nose_z: float
    retracted: bool  # the nose stands where the last machine-frame rapid in Z put it
    spin: int
    coolant: bool
    tool: int


@dataclass(slots=True)
class Reading:
    """Moves and pauses in order, and what is wrong with the text itself: (line, words)."""

    events: list[Move | Pause] = field(default_factory=list)
    faults: list[tuple[int, str]] = field(default_factory=list)

    @property
    def moves(self) -> list[Move]:
        return [e for e in self.events if isinstance(e, Move)]
