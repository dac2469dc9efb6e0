"""Moves of thread mills, whatever hole they are in: the helices among them, how single moves lie about an axis, what
they pass on the bed, where their spindle starts.

A *helix* is a chain of arcs about one centre, or of short straight lines with their ends on one circle, that makes
most of a turn at least. Its turn is counter-clockwise positive, rad, its rise upwards positive, mm.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.kernels import verify_removal, verify_walls
from pipeline.model.setup import Setup
from pipeline.model.shop import Cutter
from pipeline.model.units import EPS_MM
from pipeline.verify.faults import Fault
from pipeline.verify.obstacles import MARGIN_MM
from pipeline.verify.reading import ARC_CCW, ARC_CW, LINE, Moves
from pipeline.verify.removal import CHORD_MM
from pipeline.verify.tools import STAGES

LEAST_TURN_RAD = 0.9 * 2 * math.pi  # less is a way in or out
SAME_MM = 0.006  # two centres or radii this near are the same: a program in ten-thousandths of an inch, rounded twice
_LEAST_CHORDS = 12
_STEP_MM = 1.0  # pieces of a path are no longer
_BLOCK_CODES = {"clamp": "V655", "sacrificial spacer": "V657"}  # V656: stops and rigid spacers

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Helix:
    """Moves `first` to `last` (indices, inclusive). `uneven_mm` is the most that Z leaves its straight course over the
    turn. Setup frame, mm."""

    first: int
    last: int
    x_mm: float
    y_mm: float
    radius_mm: float
    turn_rad: float
    rise_mm: float
    low_z_mm: float
    high_z_mm: float
    uneven_mm: float

    @property
    def turns(self) -> float:
        """Number of turns, positive."""
        return abs(self.turn_rad) / (2 * math.pi)

    @property
    def pitch_mm(self) -> float:
        """Rise for each turn, positive."""
        return abs(self.rise_mm) / self.turns

    @property
    def is_right_hand(self) -> bool:
        """Counter-clockwise and up, or clockwise and down (geometry of a helix seen from above)."""
        return self.turn_rad * self.rise_mm > 0


@dataclass(frozen=True, slots=True)
class _Chain:
    moves: list[int]
    x: float
    y: float
    radius: float
    turns: list[float]


def helices(moves: Moves, indices: Sequence[int], axis: tuple[float, float]) -> tuple[Helix, ...]:
    """The helices in moves that follow one another. `axis` is about where their axis should be, for those of chords."""
    out = []
    for chain in _chains(moves, indices, axis):
        turn = sum(chain.turns)
        if abs(turn) < LEAST_TURN_RAD:
            continue
        first, last = chain.moves[0], chain.moves[-1]
        z = np.array([moves.start[first, 2], *(moves.end[i, 2] for i in chain.moves)])
        at = np.concatenate([[0.0], np.cumsum(chain.turns)])
        off = z - (z[0] + at / turn * (z[-1] - z[0]))
        out.append(
            Helix(first=first, last=last, x_mm=chain.x, y_mm=chain.y, radius_mm=chain.radius, turn_rad=turn,
                  rise_mm=float(z[-1] - z[0]), low_z_mm=float(z.min()), high_z_mm=float(z.max()),
                  uneven_mm=float(np.abs(off).max()))
        )  # fmt: skip
    return tuple(out)


def arc_turn_rad(moves: Moves, i: int) -> float:
    """Signed turn of an arc; a whole one when it ends where it starts."""
    cx, cy = moves.centre[i]
    (x0, y0), (x1, y1) = moves.start[i, :2], moves.end[i, :2]
    if x0 == x1 and y0 == y1:
        turn = 2 * math.pi
    else:
        turn = math.atan2(y1 - cy, x1 - cx) - math.atan2(y0 - cy, x0 - cx)
        turn = (turn if moves.kind[i] == ARC_CCW else -turn) % (2 * math.pi)
    return turn if moves.kind[i] == ARC_CCW else -turn


def turn_about_rad(moves: Moves, i: int, axis: tuple[float, float]) -> float:
    """The turn of a straight move about an axis, rad, counter-clockwise positive."""
    a, b = (math.atan2(p[i, 1] - axis[1], p[i, 0] - axis[0]) for p in (moves.start, moves.end))
    return (b - a + math.pi) % (2 * math.pi) - math.pi


def farthest_mm(moves: Moves, i: int, axis: tuple[float, float]) -> float:
    """The greatest plan distance of a move from an axis."""
    far = max(_radii(moves, i, axis))
    if moves.kind[i] not in (ARC_CW, ARC_CCW):
        return far
    # The farthest point of an arc lies beyond its centre, if the arc gets there.
    cx, cy = moves.centre[i]
    out = math.atan2(cy - axis[1], cx - axis[0])
    begin = math.atan2(moves.start[i, 1] - cy, moves.start[i, 0] - cx)
    turn = arc_turn_rad(moves, i)
    ahead = (out - begin if turn > 0 else begin - out) % (2 * math.pi)
    if ahead <= abs(turn):
        far = max(far, math.hypot(cx - axis[0], cy - axis[1]) + math.hypot(*(moves.start[i, :2] - moves.centre[i])))
    return far


def _chains(moves: Moves, indices: Sequence[int], axis: tuple[float, float]) -> Iterator[_Chain]:
    arcs = _Chain([], 0.0, 0.0, 0.0, [])
    chords: list[int] = []
    for i in indices:
        if moves.kind[i] in (ARC_CW, ARC_CCW):
            yield from _of_chords(moves, chords)
            chords = []
            x, y = (float(v) for v in moves.centre[i])
            radius = math.hypot(moves.end[i, 0] - x, moves.end[i, 1] - y)
            turn = arc_turn_rad(moves, i)
            same = arcs.moves and abs(radius - arcs.radius) < SAME_MM and math.hypot(x - arcs.x, y - arcs.y) < SAME_MM
            # Arcs follow one another at any Z: a jump shows as unevenness.
            if not (same and turn * arcs.turns[-1] > 0):
                yield arcs
                arcs = _Chain([], x, y, radius, [])
            arcs.moves.append(i)
            arcs.turns.append(turn)
            continue
        yield arcs
        arcs = _Chain([], 0.0, 0.0, 0.0, [])
        if chords and not _goes_on(moves, chords[-1], i, axis):
            yield from _of_chords(moves, chords)
            chords = []
        if _on_circle(moves, i, axis):
            chords.append(i)
    yield arcs
    yield from _of_chords(moves, chords)


def _radii(moves: Moves, i: int, axis: tuple[float, float]) -> tuple[float, float]:
    return (
        math.hypot(moves.start[i, 0] - axis[0], moves.start[i, 1] - axis[1]),
        math.hypot(moves.end[i, 0] - axis[0], moves.end[i, 1] - axis[1]),
    )


def _on_circle(moves: Moves, i: int, axis: tuple[float, float]) -> bool:
    r0, r1 = _radii(moves, i, axis)
    moved = math.hypot(*(moves.end[i, :2] - moves.start[i, :2]))
    return bool(moves.kind[i] == LINE and EPS_MM < moved < r0 and abs(r1 - r0) < SAME_MM)


def _goes_on(moves: Moves, before: int, i: int, axis: tuple[float, float]) -> bool:
    if not _on_circle(moves, i, axis):
        return False
    return abs(_radii(moves, i, axis)[1] - _radii(moves, before, axis)[1]) < SAME_MM


def _of_chords(moves: Moves, chords: list[int]) -> Iterator[_Chain]:
    if len(chords) < _LEAST_CHORDS:
        return
    xy = np.vstack([moves.start[chords[0], :2], *(moves.end[i, :2] for i in chords)])
    x, y, radius = fit_circle(xy)
    angle = np.arctan2(xy[:, 1] - y, xy[:, 0] - x)
    turn = (np.diff(angle) + math.pi) % (2 * math.pi) - math.pi
    if (turn > 0).all() or (turn < 0).all():
        yield _Chain(chords, x, y, radius, [float(t) for t in turn])


def fit_circle(xy: Array) -> tuple[float, float, float]:
    """Circle of least squares in the squares of distances (x, y, radius) through points (n, 2) all round it."""
    middle = xy.mean(axis=0)
    p = xy - middle
    rows = np.column_stack([2 * p, np.ones(len(p))])
    normal = (rows[:, :, None] * rows[:, None, :]).sum(axis=0)
    a, b, c = np.linalg.solve(normal, (rows * (p * p).sum(axis=1)[:, None]).sum(axis=0))
    return float(middle[0] + a), float(middle[1] + b), math.sqrt(float(c + a * a + b * b))


def check_passing(setup: Setup, *, moves: Moves, mills: Mapping[int, Cutter], dog_leg: bool) -> Iterator[Fault]:
    """Clamps, stops and spacers that a cutter of `mills` (by number) hits or passes too closely, above the billet
    too. `dog_leg`: rapids may also run axis by axis."""
    numbers = sorted(mills)
    stage_z, stage_r = _stages_of([mills[n] for n in numbers])
    highest = max((b.height_mm for b in setup.blocks), default=-math.inf)
    low = np.minimum(moves.start[:, 2], moves.end[:, 2])
    some = np.flatnonzero(np.isin(moves.tool, numbers) & (low < highest))
    way = moves.kind[some], moves.start[some], moves.end[some]
    pieces, owner = verify_removal.cut_up(*way, moves.centre[some], CHORD_MM, _STEP_MM, highest)
    n_straight = len(pieces)
    if dog_leg:
        more, of = verify_removal.dog_legs(*way)
        pieces, owner = np.concatenate([pieces, more]), np.concatenate([owner, of])
    owner = some[owner]
    row = np.searchsorted(numbers, moves.tool[owner])
    for block in setup.blocks:
        gap, z = np.full(len(pieces), MARGIN_MM), np.zeros(len(pieces))
        stage = np.zeros(len(pieces), dtype=np.int64)
        verify_walls.obstacle_gaps(
            pieces, row, stage_z, stage_r, np.array(block.outline), block.height_mm - EPS_MM, MARGIN_MM, gap, stage, z
        )
        for k in np.flatnonzero(gap < MARGIN_MM - EPS_MM).tolist():
            i, hit, name, under = owner[k], gap[k] < 0, STAGES[stage[k]], block.height_mm - float(z[k])
            # Margins as for all other cutters: of the edges to clamps only, none to what may be cut.
            if not hit and block.kind != "clamp" and (stage[k] == 0 or block.kind == "sacrificial spacer"):
                continue
            bent = " at rapid, axis by axis" if k >= n_straight else ""
            yield Fault(
                code=_BLOCK_CODES.get(block.kind, "V656") if hit else "V658",
                severity="error" if hit else "warning", part_id=f"{block.kind} {block.name}",
                cutter=int(moves.tool[i]), line=int(moves.line[i]),
                at_mm=(float(pieces[k, 3]), float(pieces[k, 4]), float(z[k])),
                amount_mm=under if hit else MARGIN_MM - float(gap[k]),
                found=f"the {name} of a thread mill {under:.3f} mm below the top of the {block.kind}{bent}" if hit
                else f"the {name} of a thread mill passing {gap[k]:.3f} mm beside it{bent}",
                wanted="nothing of the tool in it" if hit else f"{MARGIN_MM:.1f} mm",
                hint="move the block, or keep the hole farther from it",
            )  # fmt: skip


def _stages_of(mills: Sequence[Cutter]) -> tuple[Array, Array]:
    """Lower ends over the tip and radii (mills, 4) of edges, neck, shank, holder."""
    z = [(0.0, c.flute_length_mm if c.reach_mm > c.flute_length_mm else math.inf,
          max(c.reach_mm, c.flute_length_mm), c.stickout_mm) for c in mills]  # fmt: skip
    r = [(c.diameter_mm, c.neck_diameter_mm, c.shank_diameter_mm, c.holder_diameter_mm) for c in mills]
    return np.array(z, dtype=np.float64).reshape(-1, 4), np.array(r, dtype=np.float64).reshape(-1, 4) / 2
