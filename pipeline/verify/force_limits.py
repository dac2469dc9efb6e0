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
from pipeline.verify.forces import Forces, axial_depth_mm, cut_seconds, is_cut
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


def thin_cuts(moves: Moves, felt: Felt, tools: ToolTable) -> Mask:
    """(n,) True where a mill takes a thin width with its side, which is how walls are finished."""
    row = tools.rows(moves.tool)
    mills = np.array([c.kind in (CutterKind.FLAT, CutterKind.BALL) for c in tools.cutters], dtype=np.bool_)
    if not len(mills):
        return np.zeros(len(row), dtype=np.bool_)
    thin = felt.width_mean_mm <= THIN_SHARE * 2 * tools.radius[row]
    deep = axial_depth_mm(felt) > SCRAPE_MM
    return is_cut(moves, felt) & (row >= 0) & mills[row] & thin & _level(moves, felt) & deep


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
    share = _wall_share(forces, tolerances)
    for i in _worst_of_each(share, at_wall & (share > 1), stretches):
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
    moves: Moves, felt: Felt, forces: Forces, *, tools: ToolTable, material_mc: float, machine: Machine,
    tolerances: Tolerances, stretches: Stretches, at_wall: Mask, holding: Array, holding_target: Array,
) -> tuple[LineCap, ...]:  # fmt: skip
    """Lines whose feed should come down, by which factor and why: "force", "deflection" or "holding".

    Force goes with feed^(1 - mc), so a force f times its limit wants feed times f^(-1 / (1 - mc)); never so little that
    the chip falls under the least, even where that is not enough (the finding stays). `holding` and `holding_target`
    (n,) are safety factor and what is asked. Factors are rounded down to twentieths. Ranges that touch or nearly touch
    within a stretch are one, with the least factor.
    """
    spindle = machine.spindle_power_w or np.inf
    row = tools.rows(moves.tool)
    asked = {
        "force": np.maximum(forces.stress_n_mm2 / formulas.ALLOWED_N_MM2, forces.power_w / spindle),
        "deflection": np.where(at_wall, _wall_share(forces, tolerances), 0.0),
        "holding": np.divide(HOLD_SPARE * holding_target, holding, out=np.full(len(row), np.inf), where=holding > 0),
    }  # fmt: skip
    cut = is_cut(moves, felt)
    least = np.array([least_chip_mm(c) for c in tools.cutters] or [0.0])[np.maximum(row, 0)]
    lowest = np.divide(least, forces.chip_peak_mm, out=np.ones(len(row)), where=forces.chip_peak_mm > 0)
    caps: list[LineCap] = []
    for reason, share in asked.items():
        high = cut & (share > 1) & (lowest < 1)
        factor = np.where(high, np.maximum(share, 1.0) ** (-1 / (1 - material_mc)), 1.0)
        factor = np.maximum(np.floor(factor * _STEP) / _STEP, np.ceil(lowest * _STEP) / _STEP)
        caps += _ranges(moves, stretches, high & (factor < 1), factor, reason)
    return tuple(sorted(caps, key=lambda c: (c.first_line, c.last_line, c.reason)))


def _wall_share(forces: Forces, tolerances: Tolerances) -> Array:
    """Deflection at the wall over what it may be."""
    limit = np.where(forces.wall_mm > 0, tolerances.left_mm, tolerances.wall_mm) * WALL_SHARE
    return np.abs(forces.wall_mm) / limit


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
    least = np.array([least_chip_mm(c) for c in tools.cutters] or [0.0])[np.maximum(row, 0)]
    drills = np.array([c.kind in (CutterKind.DRILL, CutterKind.SPOT) for c in tools.cutters] or [False])
    judged = (row >= 0) & (axial_depth_mm(felt) > SCRAPE_MM) & (_level(moves, felt) | drills[np.maximum(row, 0)])
    time = np.where(judged, cut_seconds(moves, felt, seconds), 0.0)
    thin = forces.chip_peak_mm < least
    k = len(stretches.first)
    whole = np.bincount(stretches.of_move, weights=time, minlength=k)
    rubs = np.bincount(stretches.of_move, weights=time * thin, minlength=k)
    out = []
    for s in np.flatnonzero(rubs > RUB_SHARE * whole).tolist():
        a, b = int(stretches.first[s]), int(stretches.last[s])
        out.append((a + int(np.argmax(time[a:b] * thin[a:b])), float(rubs[s] / whole[s])))
    return out


def _ranges(moves: Moves, stretches: Stretches, capped: Mask, factor: Array, reason: str) -> list[LineCap]:
    rows = np.flatnonzero(capped)
    if not len(rows):
        return []
    apart = (np.diff(rows) > _GAP_MOVES) | (np.diff(stretches.of_move[rows]) != 0)
    return [
        LineCap(first_line=int(moves.line[run].min()), last_line=int(moves.line[run].max()),
                feed_factor=float(factor[run].min()), reason=reason)
        for run in np.split(rows, np.flatnonzero(apart) + 1)
    ]  # fmt: skip
