"""Does the hold last: at every move the vacuum, friction, stops and skin against what the cutter pushes.

Three cases (textbook statics):

*whole plate*: it slides when the push, less what the stops take in their own direction, is more than friction x (area x
vacuum - lift); it tips about the gasket's inner edge when push x height + lift x arm is more than pull x lever.
*tied part*: cut near a piece that only skin joins. It slides when its skin shears (length x thickness x shear strength)
and its own friction gives way; it tips when its own pull and the skin's plastic bending give way.
*severed part*: only its own area holds it, with what vacuum is left.

Skin in bending: a strip of it that spans a gap w holds its piece down with 2 m / w per mm of border when it yields at
both ends, m = strength x thickness^2 / 4, at most what shears it. Strips side by side are in equilibrium and nowhere
over the yield, so the skin bears no less (lower bound theorem of plasticity; derived here).

A safety factor is what holds over what pushes, of the weaker of both ways. Everything is linear in the vacuum, so the
lowest reading that holds follows move by move. On the safe side: the push is the peak of a worn tooth, in the worst
direction it turns through, all of it on one piece, at the upper end of the cut; neither weight nor clamps count.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.kernels import verify_holding as kernel
from pipeline.kernels.verify_ties import widen
from pipeline.model.setup import Setup
from pipeline.model.shop import Hold
from pipeline.model.units import EPS_MM
from pipeline.model.verdict import Freed, HoldingResult
from pipeline.verify.faults import Fault
from pipeline.verify.felt import Felt
from pipeline.verify.force_limits import thin_cuts
from pipeline.verify.forces import Forces
from pipeline.verify.lever import NO_STOPS, Cone, Edges, edges_of, stop_cone
from pipeline.verify.reading import Moves
from pipeline.verify.ties import NEVER, CutTimes, Piece
from pipeline.verify.tools import ToolTable
from pipeline.verify.vacuum import N_PER_KPA_MM2, Sealed, sealed_area

Array = NDArray[np.float64]
Index = NDArray[np.int64]
WHOLE, TIED, SEVERED = "whole plate", "tied part", "severed part"
_NEAR_CELLS = 0.71  # half a cell's diagonal: a body's border lies so near to the centres of its last cells
_TINY_N = 1e-9  # a smaller push or moment is none
# The force keeps its angle to the tooth, so it turns through the engaged arc. Its mean lies at most this share of the
# arc from either end: the mean angle of a chip that grows with the angle, (1 + x) / (2 + x) with x up to 1.
_FROM_MEAN = 2 / 3


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
    known); `lift_n`: upward; `height_mm`: of the push over the bed, at its highest; `radius_mm`: of the
    cutter; `is_rough`: judged as roughing.
    """

    force_x_n: Array
    force_y_n: Array
    peak_n: Array
    turn_rad: Array
    lift_n: Array
    height_mm: Array
    radius_mm: Array
    is_rough: NDArray[np.bool_]


def pushes_of(moves: Moves, felt: Felt, forces: Forces, tools: ToolTable) -> Pushes:
    """What every move pushes, from what its cutter felt. A mill that takes a thin width finishes, all else is rough."""
    row = tools.rows(moves.tool)
    known = np.maximum(row, 0)
    radius, slope = np.zeros(len(row)), np.zeros(len(row))
    if tools.cutters:
        radius = tools.radius[known]
        slope = np.tan(np.array([cutter.helix_angle_rad for cutter in tools.cutters]))[known]
    # An edge meets a narrow arc with a piece of itself that climbs with the turn: at last it is the uppermost.
    piece = np.divide(radius * felt.engaged_peak_rad, slope, out=np.full(len(row), np.inf), where=slope > 0)
    middle = felt.axial_mm - np.minimum(piece, felt.axial_mm) / 2
    return Pushes(
        force_x_n=forces.fx_n,
        force_y_n=forces.fy_n,
        peak_n=forces.force_peak_n,
        turn_rad=np.minimum(_FROM_MEAN * felt.engaged_peak_rad, math.pi),
        lift_n=np.maximum(forces.lift_n, 0.0),
        height_mm=np.maximum(np.maximum(moves.start[:, 2], moves.end[:, 2]) + middle, 0.0),
        radius_mm=np.where(row >= 0, radius, 0.0),
        is_rough=~thin_cuts(moves, felt, tools),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Case:
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
        return self.piece.what if self.piece else ""


def judge_holding(
    setup: Setup, *, moves: Moves, seconds: Array, pushes: Pushes, pieces: Sequence[Piece], times: CutTimes,
    strength: SkinStrength = WORST_LAYER,
) -> tuple[HoldingResult | None, Array, list[Fault]]:  # fmt: skip
    """The hold over the program, the safety factor of every move (n,), inf where nothing is cut, and faults.

    `seconds` (n,) is the time of each move. None and a warning when the setup does not know its hold.
    """
    n = len(moves.kind)
    safety = np.full(n, np.inf)
    if setup.hold is None:
        wanted = "vacuum, altitude, friction, pump_flow and safety in the holding file"
        hint = "whether the plate stays where it is was not judged"
        return None, safety, [_fault("V683", "nothing is known of the hold", wanted, hint, warning=True)]
    hold = setup.hold
    sealed = sealed_area(setup, moves, pushes.radius_mm, times)
    cutting = np.flatnonzero((pushes.peak_n > _TINY_N) | (pushes.lift_n > _TINY_N))
    cases = [_whole_plate(setup, moves, pushes, sealed, cutting, times)]
    radii = np.unique(pushes.radius_mm, return_inverse=True)
    for piece in pieces:
        cases += _piece_cases(piece, hold, moves, pushes, sealed, cutting, times, radii, setup.z.skin_mm, strength)
    cases = [case for case in cases if len(case.which)]
    for case in cases:
        np.minimum.at(safety, case.which, case.safety)
    result = _result(setup, moves, seconds, sealed, cases, pieces, strength)
    faults = _hole_faults(moves, sealed, hold)
    faults += _weak_faults(moves, cases, sealed, result.gauge_least_kpa)
    return result, safety, faults + _severed_faults(moves, cases, pieces)


def _whole_plate(
    setup: Setup, moves: Moves, pushes: Pushes, sealed: Sealed, cutting: Index, times: CutTimes
) -> _Case:
    assert setup.hold is not None
    row, col = np.nonzero(sealed.mask)
    gasket = np.array(setup.gasket)
    centre = np.array([times.x0_mm + col.mean() * times.cell_mm, times.y0_mm + row.mean() * times.cell_mm]) if len(
        row) else gasket.mean(axis=0)  # fmt: skip
    edges = edges_of(gasket, centre, setup.gasket_width_mm / 2)
    return _judge(WHOLE, None, cutting, setup.hold, moves, pushes, sealed.vacuum_kpa, sealed.pull(cutting), edges,
                  stop_cone(setup), 0.0, np.zeros(len(edges.lever_mm)), np.zeros(len(cutting)))  # fmt: skip


def _piece_cases(
    piece: Piece, hold: Hold, moves: Moves, pushes: Pushes, sealed: Sealed, cutting: Index, times: CutTimes,
    radii: tuple[Array, Index], skin_mm: float, strength: SkinStrength,
) -> list[_Case]:  # fmt: skip
    """The piece from the move that ties it, and from the move that severs it."""
    near = _near(piece, radii, moves, cutting[np.searchsorted(cutting, min(piece.tied, piece.severed)) :], times)
    if len(near) == 0:
        return []
    n_cols = times.plate.shape[1]
    row, col = np.divmod(piece.cells, n_cols)
    _, first = np.unique(row, return_index=True)
    ends = np.union1d(first, np.append(first[1:], len(row)) - 1)  # cells are sorted: both ends of every row
    points = np.column_stack([times.x0_mm + col[ends] * times.cell_mm, times.y0_mm + row[ends] * times.cell_mm])
    edges = edges_of(points, np.array(piece.at_mm), -times.cell_mm / 2)
    own = np.where(near >= sealed.lost, 0.0, sealed.own_mm2(piece.cells))
    tied, gone = near < piece.severed, near >= piece.severed
    left = piece.skin_left_mm(near) / max(piece.skin_mm, EPS_MM)
    yields = strength.bending_n_mm2 * skin_mm**2 / 4
    arms = np.maximum(piece.skin_xy @ edges.inward.T - edges.offset_mm, 0.0)
    pieces_mm = piece.skin_mm / max(piece.n_skin, 1)
    shears = strength.shear_n_mm2 * skin_mm
    down = np.minimum(2 * yields / piece.skin_gap_mm, shears) * pieces_mm
    return [
        _judge(name, piece, near[part], hold, moves, pushes, sealed.vacuum_kpa, own[part], edges, NO_STOPS,
               shears * piece.skin_mm, down @ arms, left[part])
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
) -> _Case:  # fmt: skip
    """Sliding and tipping of one body. Beside `which`: `area_mm2` under vacuum, `left` of its skin (0 to 1), which
    whole bears `shears_n` in shear and `bends_n_mm` (e,) against tipping over each edge."""
    peak, lift = pushes.peak_n[which], np.maximum(pushes.lift_n[which], 0.0)
    fx, fy = pushes.force_x_n[which], pushes.force_y_n[which]
    mean = np.hypot(fx, fy)
    turn = np.where(mean > _TINY_N, pushes.turn_rad[which], math.pi)
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
    return _Case(
        case=case, piece=piece, which=which, safety=np.minimum(safety, factor),
        ratio=np.where(tips, factor / hold.safety_tilt, ratio), target=np.where(tips, hold.safety_tilt, target),
        tips=tips, holds=np.where(tips, against, holds), loads=np.where(tips, moment, slid),
        least_kpa=np.maximum(least, least_tip), missing_n=missing,
    )  # fmt: skip


def _over(a: Array, b: Array) -> Array:
    """a / b, inf where b is nothing."""
    out = np.full(len(a), math.inf)
    np.divide(a, b, out=out, where=b > _TINY_N)
    return out


def _result(
    setup: Setup, moves: Moves, seconds: Array, sealed: Sealed, cases: Sequence[_Case], pieces: Sequence[Piece],
    strength: SkinStrength,
) -> HoldingResult:  # fmt: skip
    assert setup.hold is not None
    hold = setup.hold
    done = np.cumsum(seconds)

    def line_of(move: int) -> int:
        return int(moves.line[move]) if move < len(moves.line) else 0

    def second(move: int) -> float:
        return float(done[move]) if move < len(done) else 0.0

    least_kpa = max((float(case.least_kpa.max()) for case in cases), default=0.0)
    worst = min(cases, key=lambda case: float(case.ratio.min()), default=None)
    k = int(np.argmin(worst.ratio)) if worst else 0
    at = moves.end[worst.which[k]] if worst else np.zeros(3)
    is_seen = worst is not None and math.isfinite(worst.ratio[k])
    return HoldingResult(
        least=float(worst.holds[k] / worst.loads[k]) if worst and is_seen else math.inf,
        target=float(worst.target[k]) if worst and is_seen else hold.safety_rough,
        case=worst.case if worst and is_seen else WHOLE,
        what=worst.what if worst and is_seen else "",
        line=line_of(int(worst.which[k])) if worst and is_seen else 0,
        at_mm=(float(at[0]), float(at[1]), float(at[2])),
        gauge_planned_kpa=hold.vacuum_kpa,
        gauge_least_kpa=least_kpa if least_kpa < sealed.air_kpa else math.inf,
        local_pressure_kpa=sealed.air_kpa,
        freed=tuple(
            Freed(what=p.what, area_mm2=p.area_mm2, tied_line=line_of(p.tied), tied_s=second(p.tied),
                  severed_line=line_of(p.severed), severed_s=second(p.severed), at_mm=p.at_mm)
            for p in pieces
            if min(p.tied, p.severed) != NEVER
        ),
        assumed=_assumed(setup, sealed, hold, strength),
    )  # fmt: skip


def _assumed(setup: Setup, sealed: Sealed, hold: Hold, strength: SkinStrength) -> tuple[str, ...]:
    pump = (
        f"the pump takes {hold.pump_flow_l_min:g} l/min of free air more at this reading"
        if hold.pump_flow_l_min > 0
        else "a hole through the plate inside the gasket loses the vacuum"
    )
    return (
        f"{hold.vacuum_kpa:.1f} kPa under {sealed.area_mm2 / 100:.1f} cm2 inside the gasket's inner edge, less what is"
        " cut through",
        f"friction {hold.friction:g} of plate on bed; a pull test at your bed tells what it is",
        "the largest push of a worn tooth, in the worst direction it turns through, all of it on one piece, as high as"
        " it gets",
        "stops take what is pushed straight at them, without friction; clamps and weight are not counted; turning about"
        " the vertical is not judged",
        f"skin of {setup.z.skin_mm:.3f} mm, {strength.shear_n_mm2:g} N/mm2 in shear and"
        f" {strength.bending_n_mm2:g} N/mm2 in bending ({strength.of})",
        f"{pump}; air through a hole at the speed of sound in it, without contraction",
    )


def _hole_faults(moves: Moves, sealed: Sealed, hold: Hold) -> list[Fault]:
    if sealed.first_hole == NEVER:
        return []
    is_lost = sealed.lost != NEVER
    i = sealed.lost if is_lost else sealed.first_hole
    hole = float(sealed.holed[i if is_lost else -1])
    found = f"a hole of {hole:.1f} mm2 through the plate inside the gasket: it lets {sealed.leak_l_min:.0f} l/min in"
    wanted = f"at most what the pump takes at {hold.vacuum_kpa:.0f} kPa, {hold.pump_flow_l_min:g} l/min"
    hint = "stop at the skin and open the hole from the other side" if is_lost else "the vacuum holds by these figures"
    if is_lost:
        found += "; the vacuum is lost from here on"
    return [_fault("V681", found, wanted, hint, moves=moves, i=i, warning=not is_lost)]


def _weak_faults(moves: Moves, cases: Sequence[_Case], sealed: Sealed, least_kpa: float) -> list[Fault]:
    """One fault for each body and cutter: its weakest move. What follows from a lost vacuum is said there."""
    out = []
    for case in cases:
        if case.case == SEVERED:
            continue  # a fault by itself
        weak = np.flatnonzero((case.ratio < 1.0) & (case.which < sealed.lost))
        tools = moves.tool[case.which[weak]]
        for tool in np.unique(tools):
            mine = weak[tools == tool]
            k = int(mine[np.argmin(case.ratio[mine])])
            unit, way = ("N mm", "tipping") if case.tips[k] else ("N", "sliding")
            body = case.what or "the whole plate"
            count = f" ({len(mine)} moves, first at line {moves.line[case.which[mine[0]]]})" if len(mine) > 1 else ""
            reading = f"the gauge would have to read {case.least_kpa[mine].max():.0f} kPa" if math.isfinite(
                float(case.least_kpa[mine].max())) else "no vacuum holds this"  # fmt: skip
            pressed = f", or {case.missing_n[mine].max():.0f} N more press on the plate" if not case.tips[k] else ""
            out.append(_fault(
                "V680",
                f"{body}, {case.case}: safety {case.holds[k] / case.loads[k]:.2f} against {way}:"
                f" {case.holds[k]:.0f} {unit} hold, {case.loads[k]:.0f} {unit} push{count}",
                f"at least {case.target[k]:g}",
                f"{reading}{pressed}; a smaller depth of cut pushes less, then a lower feed",
                moves=moves, i=int(case.which[k]), part=case.what,
            ))  # fmt: skip
    return out


def _severed_faults(moves: Moves, cases: Sequence[_Case], pieces: Sequence[Piece]) -> list[Fault]:
    out = []
    for piece in pieces:
        if piece.severed == NEVER:
            continue
        n_after = sum(
            int(np.sum(case.which > piece.severed)) for case in cases if case.case == SEVERED and case.piece is piece
        )
        found = f"{piece.what} cut free of the plate here"
        found += f", and {n_after} more moves cut at it" if n_after else " by a cutter that stands beside it"
        out.append(_fault("V682", found, "a piece that something holds as long as a cutter is near it",
                          "leave the skin, or a tab, and part it when the machine is done", moves=moves,
                          i=piece.severed, part=piece.what))  # fmt: skip
    return out


def _fault(
    code: str, found: str, wanted: str, hint: str, *, moves: Moves | None = None, i: int = 0, part: str = "",
    warning: bool = False,
) -> Fault:  # fmt: skip
    at = None if moves is None else (float(moves.end[i, 0]), float(moves.end[i, 1]), float(moves.end[i, 2]))
    return Fault(
        code=code, part_id=part, cutter=0 if moves is None else int(moves.tool[i]),
        line=0 if moves is None else int(moves.line[i]), at_mm=at, amount_mm=0.0, found=found, wanted=wanted, hint=hint,
        severity="warning" if warning else "error",
    )  # fmt: skip
