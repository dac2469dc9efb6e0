"""Findings about forces, and the wishes to the planner that follow from them.

Codes: V670 a force that the cutter does not bear for long (warning) or that is expected to break it (error), or a
deflection that eats the tolerance of a wall (warning); V671 a power over the spindle's; V672 chips so thin that the
edge rubs. One fault for each stretch, at its worst move.

A wall that is made while the cutter bends away from it keeps stock, judged against what may be left; one that is cut
into is judged against the wall's tolerance. Either may take `WALL_SHARE` of it.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from pipeline.model.job import Tolerances
from pipeline.model.shop import CutterKind, Machine
from pipeline.model.verdict import LineCap
from pipeline.shop import forces as formulas
from pipeline.shop.cutting import least_chip_mm
from pipeline.verify.faults import Fault
from pipeline.verify.felt import Felt
from pipeline.verify.forces import Forces, cut_seconds
from pipeline.verify.reading import Moves
from pipeline.verify.stretches import Stretches
from pipeline.verify.tools import ToolTable

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
WALL_SHARE = 0.5  # of the tolerance; the rest is for run-out, measured sizes, rounded corners. Our shop's rule
RUB_SHARE = 0.2  # of a stretch's time in cut that may go by with chips under the least. Our shop's rule
THIN_SHARE = 0.15  # of the diameter: a cut at most this wide along its side is a finish. Common practice, no source
SCRAPE_MM = 0.02  # ours: what is thinner than this along the axis is noise of the field, not a chip to judge
LEVEL_SLOPE = 0.01  # ours: a steeper move cuts with its end, too
_GAP_MOVES = 25  # ours: capped lines with no more moves than this between them are one range
HOLD_SPARE = 1.05  # times the target that a slower feed is to reach: the force's model is not that exact
_STEP = 20  # of a feed factor: twentieths, so that feeds change in few steps


def thin_cuts(moves: Moves, felt: Felt, forces: Forces, tools: ToolTable) -> Mask:
    """(n,) True where a mill takes a thin width with its side, which is how walls are finished."""
    row = tools.rows(moves.tool)
    thin = felt.width_mean_mm <= tools.of_rows(lambda c: THIN_SHARE * c.diameter_mm, row)
    mills = tools.of_kinds((CutterKind.FLAT, CutterKind.BALL), row)
    return forces.cut & (forces.depth_mm > SCRAPE_MM) & mills & thin & _level(moves, felt)


def _level(moves: Moves, felt: Felt) -> Mask:
    return np.abs(moves.end[:, 2] - moves.start[:, 2]) <= LEVEL_SLOPE * felt.length_mm


def check_forces(
    moves: Moves, felt: Felt, forces: Forces, *, tools: ToolTable, machine: Machine, tolerances: Tolerances,
    seconds: Array, stretches: Stretches, at_wall: Mask, part_of_move: Callable[[int], str],
) -> list[Fault]:  # fmt: skip
    """V670, V671 and V672. `at_wall` (n,) says which moves make a wall (`thin_cuts` where nothing better is known),
    `part_of_move` gives the part at a move's end, `seconds` (n,) its time."""
    faults: list[Fault] = []

    def add(code: str, i: int, amount: float, found: str, wanted: str, hint: str, *, stops: bool) -> None:
        x, y, z = (float(v) for v in moves.end[i])
        faults.append(
            Fault(code=code, part_id=part_of_move(i), cutter=int(moves.tool[i]), line=int(moves.line[i]),
                  at_mm=(x, y, z), amount_mm=amount, found=found, wanted=wanted, hint=hint,
                  severity="error" if stops else "warning")
        )  # fmt: skip

    for i in _worst_of_each(forces.stress_n_mm2, forces.stress_n_mm2 > formulas.ALLOWED_N_MM2, stretches):
        stress = float(forces.stress_n_mm2[i])
        breaks = stress > formulas.BREAKS_N_MM2
        add("V670", i, float(forces.deflection_mm[i]),
            f"a stress of {stress:.0f} N/mm2 in the cutter: {forces.force_peak_n[i]:.0f} N at the peak and "
            f"{forces.torque_n_m[i]:.3f} N m with a worn edge, the tip {forces.deflection_mm[i]:.3f} mm off",
            f"at most {formulas.ALLOWED_N_MM2:.0f} N/mm2; over {formulas.BREAKS_N_MM2:.0f} it is expected to break",
            "less depth, width or feed, or a thicker or shorter cutter", stops=breaks)  # fmt: skip
    share = _wall_share(forces, at_wall, tolerances)
    for i in _worst_of_each(share, share > 1, stretches):
        off = float(forces.wall_mm[i])
        limit = WALL_SHARE * (tolerances.left_mm if off > 0 else tolerances.wall_mm)
        add("V670", i, abs(off),
            f"a cutter that bends {'away from' if off > 0 else 'into'} the wall it makes by {abs(off):.3f} mm, "
            f"worn edge",
            f"at most {limit:.3f} mm, {WALL_SHARE:.0%} of what may {'be left' if off > 0 else 'be cut'} there",
            "less feed or depth, or a second light pass with a real chip; measure the first part", stops=False)
    power = machine.spindle_power_w
    if power > 0:
        for i in _worst_of_each(forces.power_w, forces.power_w > power, stretches):
            add("V671", i, 0.0, f"{forces.power_w[i]:.0f} W at the edge of a worn cutter",
                f"at most {power:.0f} W, the spindle's", "less depth, width or feed", stops=True)
    for i, part in _rubbing(moves, felt, forces, tools, seconds, stretches):
        chip, least = float(forces.chip_peak_mm[i]), least_chip_mm(tools.cutters[tools.row_of[int(moves.tool[i])]])
        add("V672", i, 0.0,
            f"chips under {least * 1000:.1f} um in {part:.0%} of the time in cut of its stretch, {chip * 1000:.1f} um "
            f"on the longest such move: the edge rubs and hardens the plate",
            f"at most {RUB_SHARE:.0%} of the time", "more feed, or more stock for the pass", stops=False)  # fmt: skip
    return faults


def feed_caps(
    moves: Moves, forces: Forces, *, tools: ToolTable, material_mc: float, machine: Machine,
    tolerances: Tolerances, stretches: Stretches, at_wall: Mask, holding: Array, holding_target: Array,
) -> tuple[LineCap, ...]:  # fmt: skip
    """Lines whose feed should come down, by which factor and why: "force", "deflection" or "holding".

    Force goes with feed^(1 - mc), so a force f times its limit wants feed times f^(-1 / (1 - mc)); never so little that
    the chip falls under the least, even where that is not enough (the finding stays). `holding` and `holding_target`
    (n,) are safety factor and what is asked. Factors are rounded down to twentieths. Ranges that touch or nearly touch
    within a stretch are one, with the least factor.
    """
    spindle = machine.spindle_power_w or np.inf
    slips = np.divide(HOLD_SPARE * holding_target, holding, out=np.full(len(holding), np.inf), where=holding > 0)
    asked = {
        "force": np.maximum(forces.stress_n_mm2 / formulas.ALLOWED_N_MM2, forces.power_w / spindle),
        "deflection": _wall_share(forces, at_wall, tolerances),
        "holding": slips,
    }
    least = tools.of_rows(least_chip_mm, tools.rows(moves.tool))
    caps: list[LineCap] = []
    for reason, share in asked.items():
        rows = np.flatnonzero(forces.cut & (share > 1) & (forces.chip_peak_mm > least))
        factor = share[rows] ** (-1 / (1 - material_mc))
        lowest = least[rows] / forces.chip_peak_mm[rows]
        factor = np.maximum(np.floor(factor * _STEP) / _STEP, np.ceil(lowest * _STEP) / _STEP)
        caps += _ranges(moves, stretches, rows[factor < 1], factor[factor < 1], reason)
    return tuple(sorted(caps, key=lambda c: (c.first_line, c.last_line, c.reason)))


def _wall_share(forces: Forces, at_wall: Mask, tolerances: Tolerances) -> Array:
    """Deflection at the wall over what it may be, 0 where no wall is made."""
    rows, out = np.flatnonzero(at_wall), np.zeros(len(at_wall))
    off = forces.wall_mm[rows]
    out[rows] = np.abs(off) / (np.where(off > 0, tolerances.left_mm, tolerances.wall_mm) * WALL_SHARE)
    return out


def _worst_of_each(value: Array, over: Mask, stretches: Stretches) -> list[int]:
    """The move with the largest value in each stretch, of those that are over."""
    rows = np.flatnonzero(over)
    out: dict[int, int] = {}
    for i in rows[np.argsort(value[rows], kind="stable")].tolist():
        out[int(stretches.of_move[i])] = i
    return [out[k] for k in sorted(out)]


def _rubbing(
    moves: Moves, felt: Felt, forces: Forces, tools: ToolTable, seconds: Array, stretches: Stretches
) -> list[tuple[int, float]]:
    """(longest move with too thin a chip, share of time) of each stretch where the share is too large. The end of a
    mill that sinks always rubs; ways into stock have their own check, and only level moves and drills are judged."""
    row = tools.rows(moves.tool)
    judged = (row >= 0) & (forces.depth_mm > SCRAPE_MM)
    judged &= _level(moves, felt) | tools.of_kinds((CutterKind.DRILL, CutterKind.SPOT), row)
    time = cut_seconds(felt, forces, seconds) * judged
    thin = time * (forces.chip_peak_mm < tools.of_rows(least_chip_mm, row))
    whole, rubs = np.add.reduceat(time, stretches.first), np.add.reduceat(thin, stretches.first)
    out = []
    for s in np.flatnonzero(rubs > RUB_SHARE * whole).tolist():
        a, b = int(stretches.first[s]), int(stretches.last[s])
        out.append((a + int(np.argmax(thin[a:b])), float(rubs[s] / whole[s])))
    return out


def _ranges(
    moves: Moves, stretches: Stretches, rows: NDArray[np.intp], factor: Array, reason: str
) -> list[LineCap]:  # fmt: skip
    """`rows` are the moves to be slowed, `factor` stands beside them."""
    if not len(rows):
        return []
    apart = np.flatnonzero((np.diff(rows) > _GAP_MOVES) | (np.diff(stretches.of_move[rows]) != 0)) + 1
    lines = moves.line[rows]
    return [
        LineCap(first_line=int(line.min()), last_line=int(line.max()), feed_factor=float(own.min()), reason=reason)
        for line, own in zip(np.split(lines, apart), np.split(factor, apart), strict=True)
    ]
