"""Does the hold last: at every move the vacuum, friction, stops and skin against what the cutter pushes.

Three cases (textbook statics):

*whole plate*: it slides when the push, less what the stops take in their own direction, is more than friction x (area x
vacuum - lift); it tips about the gasket's inner edge when push x height + lift x arm is more than pull x lever.
*tied part*: cut near a piece that only skin joins. It slides when its skin shears (length x thickness x shear strength)
and its own friction gives way; it tips when its own pull and the skin's plastic bending give way.
*severed part*: only its own area holds it, with what vacuum is left.

A safety factor is what holds over what pushes, of the weaker of both ways. Everything is linear in the vacuum, so the
lowest reading that holds follows move by move; the gauge's limit is never below half of the plan, though. On the safe
side: the push is the peak of a worn tooth, in the worst direction it turns through, all of it on one piece, as high as
it gets; weight does not count. Clamps count with what the holding file says they press, on the bed's side only. A push
beside the middle also turns the plate about the vertical: that is not judged.

Codes: V680 a safety factor under its target; V681 a hole through the plate inside the gasket; V682 a piece cut free
beside a cutter; V683 nothing known of the hold.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from pipeline.model.setup import Setup
from pipeline.model.shop import Hold
from pipeline.model.verdict import Freed, HoldingResult
from pipeline.verify.faults import Fault
from pipeline.verify.felt import Felt
from pipeline.verify.forces import Forces
from pipeline.verify.hold_cases import (
    SEVERED,
    TINY_N,
    WHOLE,
    WORST_LAYER,
    Array,
    Case,
    Pushes,
    SkinStrength,
    piece_cases,
    whole_plate,
)
from pipeline.verify.reading import Moves
from pipeline.verify.ties import NEVER, WASTE, CutTimes, Piece
from pipeline.verify.tools import ToolTable
from pipeline.verify.vacuum import Sealed, sealed_area

# The force keeps its angle to the tooth, so it turns through the engaged arc. Its mean lies at most this share of the
# arc from either end: the mean angle of a chip that grows with the angle, (1 + x) / (2 + x) with x up to 1.
_FROM_MEAN = 2 / 3
# Of the planned reading: no lower one is allowed, however strong the clamps, as the plate may rise into the cutter.
# Common practice, no source: the bow was measured under the planned vacuum.
_LEAST_OF_PLANNED = 0.5


def pushes_of(moves: Moves, felt: Felt, forces: Forces, tools: ToolTable, *, at_wall: NDArray[np.bool_]) -> Pushes:
    """What every move pushes, from what its cutter felt. It finishes where it makes a wall (`at_wall`, (n,))."""
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
        is_rough=~at_wall,
    )


def judge_holding(
    setup: Setup, *, moves: Moves, seconds: Array, pushes: Pushes, pieces: Sequence[Piece], times: CutTimes,
    strength: SkinStrength = WORST_LAYER,
) -> tuple[HoldingResult | None, Array, list[Fault]]:  # fmt: skip
    """The hold over the program, the safety factor of every move (n,), inf where nothing is cut, and faults.

    Waste that only skin ties counts in neither: it is lost anyway. That a cutter may tear it out is a warning.
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
    cutting = np.flatnonzero((pushes.peak_n > TINY_N) | (pushes.lift_n > TINY_N))
    cases = [whole_plate(setup, moves, pushes, sealed, cutting, times)]
    each = np.unique(pushes.radius_mm)
    radii = each, np.searchsorted(each, pushes.radius_mm)
    for piece in pieces:
        cases += piece_cases(piece, hold, moves, pushes, sealed, cutting, times, radii, setup.z.skin_mm, strength)
    cases = [case for case in cases if len(case.which)]
    counted = [case for case in cases if case.what != WASTE]
    for case in counted:
        np.minimum.at(safety, case.which, case.safety)
    result = _result(setup, moves, seconds, sealed, counted, pieces, strength)
    faults = _hole_faults(moves, sealed, hold)
    faults += _weak_faults(moves, cases, sealed)
    return result, safety, faults + _severed_faults(moves, cases, pieces)


def _result(
    setup: Setup, moves: Moves, seconds: Array, sealed: Sealed, cases: Sequence[Case], pieces: Sequence[Piece],
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
        gauge_least_kpa=max(least_kpa, _flat_kpa(hold)) if least_kpa < sealed.air_kpa else math.inf,
        local_pressure_kpa=sealed.air_kpa,
        freed=tuple(
            Freed(what=p.what, area_mm2=p.area_mm2, tied_line=line_of(p.tied), tied_s=second(p.tied),
                  severed_line=line_of(p.severed), severed_s=second(p.severed), at_mm=p.at_mm)
            for p in pieces
            if min(p.tied, p.severed) != NEVER
        ),
        assumed=_assumed(setup, sealed, hold, strength, least_kpa),
    )  # fmt: skip


def _flat_kpa(hold: Hold) -> float:
    """The reading under which nobody knows how flat the plate lies."""
    return _LEAST_OF_PLANNED * hold.vacuum_kpa


def _assumed(
    setup: Setup, sealed: Sealed, hold: Hold, strength: SkinStrength, least_kpa: float
) -> tuple[str, ...]:  # fmt: skip
    """`least_kpa` is the lowest reading by forces alone."""
    pressed = sum(block.press_n for block in setup.blocks if block.kind == "clamp")
    pump = (
        f"the pump takes {hold.pump_flow_l_min:g} l/min of free air more at this reading"
        if hold.pump_flow_l_min > 0
        else "a hole through the plate inside the gasket loses the vacuum"
    )
    plugs = f"; the plate's {len(setup.holes)} holes are taken as plugged and tight" if setup.holes else ""
    said: tuple[str, ...] = (
        f"{hold.vacuum_kpa:.1f} kPa under {sealed.area_mm2 / 100:.1f} cm2 inside the gasket's inner edge, less what is"
        f" cut through{plugs}",
        f"friction {hold.friction:g} of plate on bed; a pull test at your bed tells what it is",
        "the largest push of a worn tooth, in the worst direction it turns through, all of it on one piece, as high as"
        " it gets",
        "stops take what is pushed straight at them, without friction; "
        + (f"clamps press {pressed:.0f} N by the holding file" if pressed > 0 else "clamps are not counted")
        + "; weight is not counted; turning about the vertical is not judged",
        f"skin of {setup.z.skin_mm:.3f} mm, {strength.shear_n_mm2:g} N/mm2 in shear and"
        f" {strength.bending_n_mm2:g} N/mm2 in bending ({strength.of})",
        f"{pump}; air through a hole at the speed of sound in it, without contraction",
    )
    if least_kpa < _flat_kpa(hold):
        said += (
            f"for the push alone {math.ceil(least_kpa)} kPa would do; below half of the planned reading how flat the"
            " plate lies is not known",
        )
    return said


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


def _weak_faults(moves: Moves, cases: Sequence[Case], sealed: Sealed) -> list[Fault]:
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
            body = f"{case.what}, tied by its skin" if case.what else "the whole plate"
            count = f" ({len(mine)} moves, first at line {moves.line[case.which[mine[0]]]})" if len(mine) > 1 else ""
            need = float(case.least_kpa[mine].max())
            ways = [f"a reading of {need:.0f} kPa holds it"] if need < sealed.air_kpa else []
            if not case.tips[k] and not case.what:
                ways.append(f"{case.missing_n[mine].max():.0f} N more that press the plate down do")
            ways.append("feed override down at these lines; in the job: less depth of cut, then less feed")
            if case.what == WASTE and case.piece is not None:
                x, y = case.piece.at_mm
                body = f"{case.piece.area_mm2:.0f} mm2 of waste round X {x:.1f} Y {y:.1f} mm, tied by its skin"
                ways = ["it may tear loose: guard shut, feed override down at these lines, look at it after them"]
            out.append(_fault(
                "V680",
                f"{body}: safety {case.holds[k] / case.loads[k]:.2f} against {way}: {case.holds[k]:.0f} {unit} hold,"
                f" {case.loads[k]:.0f} {unit} push{count}",
                f"at least {case.target[k]:g}",
                "; ".join(ways), moves=moves, i=int(case.which[k]), part=case.what, warning=case.what == WASTE,
            ))  # fmt: skip
    return out


def _severed_faults(moves: Moves, cases: Sequence[Case], pieces: Sequence[Piece]) -> list[Fault]:
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
