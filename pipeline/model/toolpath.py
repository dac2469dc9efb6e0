"""Operations (intent) and toolpaths (motion), in the setup frame.

A move row is (kind, x, y, z, centre x, centre y, feed): the end point, for arcs the centre in XY, and the feed in
mm/min along the path (0 for rapids). Kinds: 0 rapid, 1 straight feed, 2 arc clockwise, 3 arc counter-clockwise, both
seen from +Z and helical when z changes. An arc that ends where it starts is a full turn.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from pipeline.model.arrays import Float, frozen
from pipeline.model.findings import Finding

RAPID, LINE, ARC_CW, ARC_CCW = 0.0, 1.0, 2.0, 3.0
MOVE_COLUMNS = 7

Cycle = Literal["drill", "peck", "chip break"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PathPass:
    """One pass: begins with a rapid row to (x, y) at the clearance height and ends with a rapid back up to it."""

    id: str  # "handle-left/outline/level-3"
    moves: Float

    def __post_init__(self) -> None:
        object.__setattr__(self, "moves", frozen(self.moves, columns=MOVE_COLUMNS, name=self.id, least=2))


@dataclass(frozen=True, slots=True, kw_only=True)
class HolePass:
    """One hole by a cycle. `bottom_z_mm` is where the tip stops, `retract_z_mm` the R plane; peck 0 means in one go."""

    id: str
    cycle: Cycle
    x_mm: float
    y_mm: float
    retract_z_mm: float
    bottom_z_mm: float
    peck_mm: float
    feed_mm_min: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Operation:
    """What is done to one feature with one cutter. Depths are setup Z."""

    id: str  # "handle-left/pivot/bore"
    kind: str  # "face", "spot", "drill", "bore", "pocket", "outline"
    part_id: str
    feature_id: str
    cutter: int
    spindle_rpm: float
    feed_mm_min: float  # the main feed; moves carry their own
    top_z_mm: float
    bottom_z_mm: float
    stepdown_mm: float = 0.0
    stepover_mm: float = 0.0
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Toolpath:
    """An operation and its motion, in cutting order. Every pass starts and ends at the setup's clearance height."""

    operation: Operation
    passes: tuple[PathPass | HolePass, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NotCut:
    """Something this program leaves, and the setup that will cut it. Never dropped in silence.

    `region` (n, 2) in the setup frame and the band of Z bound where stock may be left over the finished part; an
    empty region means that the shape is not touched (a thread has no stock in the height field).
    """

    part_id: str
    feature_id: str
    operation: str  # "thread milling", "chamfer", ...
    setup: str  # the setup that will cut it
    reason: str
    region: Float
    low_z_mm: float
    high_z_mm: float

    def __post_init__(self) -> None:
        object.__setattr__(self, "region", frozen(self.region, columns=2, name="region"))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Plan:
    """All toolpaths of one setup in cutting order, what they leave, and warnings and notes of the planner."""

    toolpaths: tuple[Toolpath, ...]
    not_cut: tuple[NotCut, ...]
    findings: tuple[Finding, ...] = ()
