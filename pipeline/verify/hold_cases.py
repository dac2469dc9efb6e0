"""Sliding and tipping of one body under the moves that push it: the whole plate, a piece that skin ties, a loose one.

All is statics, linear in the vacuum, so that the lowest reading that holds follows move by move.

Skin in bending: a strip of it that spans a gap w holds its piece down with 2 m / w per mm of border when it yields at
both ends, m = strength x thickness^2 / 4, at most what shears it. Strips side by side are in equilibrium and nowhere
over the yield, so the skin bears no less (lower bound theorem of plasticity; derived here).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.kernels import verify_holding as kernel
from pipeline.kernels.verify_removal import fill_polygon
from pipeline.kernels.verify_ties import widen
from pipeline.model.setup import Setup
from pipeline.model.shop import Hold
from pipeline.model.units import EPS_MM
from pipeline.verify.lever import NO_STOPS, Cone, Edges, edges_of, stop_cone
from pipeline.verify.reading import Moves
from pipeline.verify.ties import CutTimes, Piece
from pipeline.verify.vacuum import N_PER_KPA_MM2, Sealed

Array = NDArray[np.float64]
Index = NDArray[np.int64]
WHOLE, TIED, SEVERED = "whole plate", "tied part", "severed part"
TINY_N = 1e-9  # a smaller push or moment is none
_NEAR_CELLS = 0.71  # half a cell's diagonal: a body's border lies so near to the centres of its last cells


@dataclass(frozen=True, slots=True, kw_only=True)
class SkinStrength:
    """What the skin bears, N/mm2: in shear, and in bending once all of it yields."""

    of: str
    shear_n_mm2: float
    bending_n_mm2: float


# The weakest layer may lie at the bottom. Unalloyed titanium grade 2, annealed: yield 275 (ASTM B265, from memory), in
# shear yield / sqrt(3). Of Ti-6Al-4V alone it would be about 550 and 900.
WORST_LAYER = SkinStrength(of="pure titanium, the weakest layer", shear_n_mm2=159.0, bending_n_mm2=275.0)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pushes:
    """What the cutter does to the plate in each move, arrays (n moves,), setup frame; all 0 where nothing is cut.

    `force_x_n`, `force_y_n`: mean force on the plate in plan, whose direction counts; `peak_n`: the largest plan force
    of a worn cutter; `turn_rad`: how far to either side of the mean it turns while a tooth is in cut (pi when not
    known); `lift_n`: upward; `height_mm`: of the push over the bed, at its highest; `radius_mm`: of the cutter;
    `is_rough`: judged as roughing.
    """

    force_x_n: Array
    force_y_n: Array
    peak_n: Array
    turn_rad: Array
    lift_n: Array
    height_mm: Array
    radius_mm: Array
    is_rough: NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Case:
    """One body under the moves `which`: arrays beside `which`. `ratio` is safety over target, least of both ways."""

    case: str
    piece: Piece | None  # None: the whole plate
    which: Index
    safety: Array
    ratio: Array
    target: Array
    tips: NDArray[np.bool_]
    holds: Array  # N or N mm
    loads: Array  # the same of what pushes
    least_kpa: Array
    missing_n: Array  # downward force that would make up for what is missing against sliding

    @property
    def what(self) -> str:
        """The piece's name, "" for the whole plate."""
        return self.piece.what if self.piece else ""


def whole_plate(setup: Setup, moves: Moves, pushes: Pushes, sealed: Sealed, cutting: Index, times: CutTimes) -> Case:
    """The plate on its gasket and against its stops, in every cutting move."""
    assert setup.hold is not None
    gasket = np.array(setup.gasket)
    sums = [float(np.sum(n * np.arange(len(n)))) for n in (sealed.mask.sum(axis=0), sealed.mask.sum(axis=1))]
    cells = np.count_nonzero(sealed.mask)
    corner = np.array([times.x0_mm, times.y0_mm])
    centre = corner + np.array(sums) / cells * times.cell_mm if cells else gasket.mean(axis=0)
    edges = edges_of(gasket, centre, setup.gasket_width_mm / 2)
    places, press = clamps(setup, times)
    arms = np.maximum(np.einsum("ij,kj->ik", places, edges.inward) - edges.offset_mm, 0.0)
    return _judge(WHOLE, None, cutting, setup.hold, moves, pushes, sealed.vacuum_kpa, sealed.pull(cutting), edges,
                  stop_cone(setup), setup.hold.friction * float(press.sum()), np.einsum("i,ij->j", press, arms),
                  np.ones(len(cutting)))  # fmt: skip


def clamps(setup: Setup, times: CutTimes) -> tuple[Array, Array]:
    """Where each clamp that presses does so, (k, 2): the middle of what of the plate lies under it; and its force (k,).
    One that does not lie on the plate presses nothing."""
    n_rows, n_cols = times.plate.shape
    places, press = [], []
    for block in setup.blocks:
        if block.kind == "clamp" and block.press_n > 0:
            under = np.zeros((n_rows, n_cols), dtype=np.bool_)
            fill_polygon(under, np.array(block.outline), times.x0_mm, times.y0_mm, times.cell_mm)
            row, col = np.nonzero(times.plate & under)
            if len(row):
                places.append((times.x0_mm + col.mean() * times.cell_mm, times.y0_mm + row.mean() * times.cell_mm))
                press.append(block.press_n)
    return np.array(places).reshape(-1, 2), np.array(press)


def piece_cases(
    piece: Piece, hold: Hold, moves: Moves, pushes: Pushes, sealed: Sealed, cutting: Index, times: CutTimes,
    radii: tuple[Array, Index], skin_mm: float, strength: SkinStrength,
) -> list[Case]:  # fmt: skip
    """The piece from the move that ties it, and from the move that severs it."""
    near = _near(piece, radii, moves, cutting[np.searchsorted(cutting, min(piece.tied, piece.severed)) :], times)
    if len(near) == 0:
        return []
    n_cols = times.plate.shape[1]
    row, col = np.divmod(piece.cells, n_cols)
    is_next = np.diff(row, prepend=-1, append=-1) != 0  # cells are sorted: both ends of every row
    ends = np.flatnonzero(is_next[:-1] | is_next[1:])
    points = np.column_stack([times.x0_mm + col[ends] * times.cell_mm, times.y0_mm + row[ends] * times.cell_mm])
    edges = edges_of(points, np.array(piece.at_mm), -times.cell_mm / 2)
    own = np.where(near >= sealed.lost, 0.0, sealed.own_mm2(piece.cells))
    tied, gone = near < piece.severed, near >= piece.severed
    left = piece.skin_left_mm(near) / max(piece.skin_mm, EPS_MM)
    yields = strength.bending_n_mm2 * skin_mm**2 / 4
    arms = np.maximum(np.einsum("ij,kj->ik", piece.skin_xy, edges.inward) - edges.offset_mm, 0.0)
    pieces_mm = piece.skin_mm / max(piece.n_skin, 1)
    shears = strength.shear_n_mm2 * skin_mm
    down = np.minimum(2 * yields / piece.skin_gap_mm, shears) * pieces_mm
    return [
        _judge(name, piece, near[part], hold, moves, pushes, sealed.vacuum_kpa, own[part], edges, NO_STOPS,
               shears * piece.skin_mm, np.einsum("i,ij->j", down, arms), left[part])
        for name, part in ((TIED, tied), (SEVERED, gone))
    ]  # fmt: skip


def _near(piece: Piece, radii: tuple[Array, Index], moves: Moves, which: Index, times: CutTimes) -> Index:
    """Those of the moves whose cutter reaches the piece. `radii`: those of all cutters, and which of them each move
    has."""
    if len(which) == 0:
        return which
    n_rows, n_cols = times.plate.shape
    row, col = np.divmod(piece.cells, n_cols)
    far = math.ceil(float(radii[0].max()) / times.cell_mm + _NEAR_CELLS)
    a, b = max(0, int(row.min()) - far), max(0, int(col.min()) - far)
    shape = min(n_rows, int(row.max()) + far + 1) - a, min(n_cols, int(col.max()) + far + 1) - b
    masks = np.array([widen(row - a, col - b, float(r) / times.cell_mm + _NEAR_CELLS, *shape) for r in radii[0]])
    found = kernel.passes(which, moves.kind, moves.start, moves.end, moves.centre, radii[1], masks,
                          times.x0_mm + b * times.cell_mm, times.y0_mm + a * times.cell_mm, times.cell_mm)  # fmt: skip
    return which[found]


def _judge(
    case: str, piece: Piece | None, which: Index, hold: Hold, moves: Moves, pushes: Pushes, vacuum_kpa: float,
    area_mm2: Array, edges: Edges, stops: Cone, shears_n: float, bends_n_mm: Array, left: Array,
) -> Case:  # fmt: skip
    """Sliding and tipping of one body. Beside `which`: `area_mm2` under vacuum, `left` (0 to 1) of what else
    holds: skin or clamps, in full `shears_n` against sliding and `bends_n_mm` (e,) against tipping over each edge."""
    peak, lift = pushes.peak_n[which], np.maximum(pushes.lift_n[which], 0.0)
    fx, fy = pushes.force_x_n[which], pushes.force_y_n[which]
    mean = np.hypot(fx, fy)
    turn = np.where(mean > TINY_N, pushes.turn_rad[which], math.pi)
    peak = np.maximum(peak, mean)
    per_kpa, skin_n = area_mm2 * N_PER_KPA_MM2, shears_n * left
    pull = vacuum_kpa * per_kpa
    target = np.where(pushes.is_rough[which], hold.safety_rough, hold.safety_finish)

    slid = peak * stops.left_over(np.arctan2(fy, fx), turn)
    holds = hold.friction * np.maximum(pull - lift, 0.0) + skin_n
    safety = _over(holds, slid)
    ratio = safety / target
    wanted = (target * slid - skin_n) / hold.friction
    missing = np.maximum(wanted + lift - pull, 0.0) * (wanted > 0)
    least = np.where(wanted > 0, _over(wanted + lift, per_kpa), 0.0)
    against, moment, least_tip = kernel.tips(
        peak * pushes.height_mm[which], lift, which, moves.start, moves.end, pull, per_kpa, bends_n_mm, left,
        edges.inward, edges.offset_mm, edges.lever_mm, edges.across_mm, hold.safety_tilt,
    )  # fmt: skip
    factor = _over(against, moment)
    tips = factor / hold.safety_tilt < ratio
    return Case(
        case=case, piece=piece, which=which, safety=np.minimum(safety, factor),
        ratio=np.where(tips, factor / hold.safety_tilt, ratio), target=np.where(tips, hold.safety_tilt, target),
        tips=tips, holds=np.where(tips, against, holds), loads=np.where(tips, moment, slid),
        least_kpa=np.maximum(least, least_tip), missing_n=missing,
    )  # fmt: skip


def _over(a: Array, b: Array) -> Array:
    """a / b, inf where b is nothing."""
    out = np.full(len(a), math.inf)
    np.divide(a, b, out=out, where=b > TINY_N)
    return out
