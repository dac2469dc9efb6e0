"""Faults of single moves in the simulated cutting: what touched stock that should not, or not in that way."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from pipeline.model.setup import Setup
from pipeline.model.shop import Cutter, CutterKind, Machine, Material
from pipeline.model.units import EPS_MM
from pipeline.verify.faults import Fault
from pipeline.verify.reading import ARC_CCW, ARC_CW, RAPID, Moves, Reading
from pipeline.verify.removal import CONTACT_MM, Removal
from pipeline.verify.target import Target
from pipeline.verify.tools import STAGES, ToolTable

_FLUTES_MM = 0.01  # stock over the flutes that is taken for noise of the field
CHIP_LIMIT = 1.5  # times the crib's chip load; ramps, arcs and rounding of F stay under it
_ARC_GAIN = 3.0  # on an outside arc the centre runs faster than the edge; never allow more than this for it
DEPTH_LIMIT = 1.5  # times the crib's stepdown, where the cut is wide
_WIDE = 0.5  # mean width of cut over diameter from which the crib's stepdown, given for a full slot, is asked for
_ARC_LOSS = 0.4  # the chip is centre feed per tooth x sin(phi), so never more than on a straight: rubbing is worse
LONG_DWELL_S = 1.0  # ours: turns enough to spoil the cutter in titanium; shorter ones are a warning
SPEED_LIMIT = 1.1  # times the shop's start speed for the cutter, or the material's band, whichever is higher


def check_contact(
    reading: Reading, *, setup: Setup, removal: Removal, target: Target, tools: ToolTable, machine: Machine,
    material: Material,
) -> list[Fault]:  # fmt: skip
    """Rapids in stock, spindle, coolant, length offset, shank and holder, flutes, dwell, chip and speed."""
    moves = reading.moves
    faults: list[Fault] = []

    def add(k: int, code: str, amount: float, found: str, wanted: str, hint: str = "", cell: int | None = None) -> None:
        i = int(removal.owner[k])
        x, y = removal.place(removal.deep_cell[k] if cell is None else cell)
        tool_x, tool_y = float(removal.pieces[k, 3]), float(removal.pieces[k, 4])
        faults.append(
            Fault(
                code=code,
                part_id=target.part_at(removal.grid, tool_x, tool_y, setup.parts),
                cutter=int(moves.tool[i]),
                line=int(moves.line[i]),
                at_mm=(x, y, float(min(removal.pieces[k, 2], removal.pieces[k, 5]))),
                amount_mm=amount,
                found=found,
                wanted=wanted,
                hint=hint,
            )
        )

    cuts = removal.deep_mm > CONTACT_MM
    rapid = moves.kind[removal.owner] == RAPID
    for k in np.flatnonzero(cuts & rapid).tolist():
        deep = float(removal.deep_mm[k])
        add(k, "V641", deep, f"a rapid through {deep:.3f} mm of stock", "rapids only where nothing is in the way")
    cuts &= ~rapid
    for k in _first_of_each_move(cuts, removal.owner):
        i = removal.owner[k]
        deep = float(removal.deep_mm[k])
        if moves.spindle[i] == 0 or moves.rpm[i] <= 0:
            add(k, "V642", deep, "cutting with the spindle standing", "M3 and a speed before the cut")
        elif moves.spindle[i] < 0:
            add(k, "V643", deep, "cutting with the spindle turning backwards (M4)", "M3, clockwise")
        if moves.coolant[i] == 0 and machine.dialect.coolant_on:
            add(k, "V644", deep, "cutting without coolant", f"{machine.dialect.coolant_on} before the cut")
        if not moves.known_z[i]:
            add(k, "V645", deep, "cutting while no length offset is active", "G43 H with the first move in Z")
    for k in np.flatnonzero(removal.stage_mm > CONTACT_MM).tolist():
        cell, stage = divmod(int(removal.stage_cell[k]), len(STAGES) - 1)
        deep = float(removal.stage_mm[k])
        add(k, "V646", deep, f"the {STAGES[stage + 1]} {deep:.3f} mm in stock", "only cutting edges in stock",
            "a longer cutter, or more stickout", cell=cell)  # fmt: skip
    for k in np.flatnonzero((removal.over_flutes_mm > _FLUTES_MM) & ~rapid).tolist():
        over = float(removal.over_flutes_mm[k])
        add(k, "V647", over, f"stock {over:.3f} mm above the flutes in one cut", "cuts no deeper than the flutes")
    faults += _dwell(reading, removal, target, setup)
    faults += _unknown_cutters(moves, setup, tools)
    faults += _depths(moves, removal, tools, target, setup)
    faults += _chips(moves, removal, tools, target, setup, material)
    return faults


def _first_of_each_move(mask: NDArray[np.bool_], owner: NDArray[np.int32]) -> list[int]:
    where = np.flatnonzero(mask)
    return [int(k) for k in where[np.append(True, np.diff(owner[where]) != 0)]] if len(where) else []


def _dwell(reading: Reading, removal: Removal, target: Target, setup: Setup) -> list[Fault]:
    """A dwell after a feed move whose last stretch cut: the edge rubs in one place and hardens titanium."""
    moves = reading.moves
    out = []
    last_piece = np.searchsorted(removal.owner, np.arange(len(moves.kind)), side="right") - 1
    for line, seconds in sorted(reading.dwell_s.items()):
        before = np.flatnonzero(moves.line < line)
        if seconds <= 0 or not len(before):
            continue
        i = int(before[-1])
        k = int(last_piece[i])
        if moves.kind[i] == RAPID or moves.spindle[i] == 0 or removal.deep_mm[k] <= CONTACT_MM:
            continue
        x, y, z = (float(v) for v in moves.end[i])
        out.append(
            Fault(
                code="V648",
                severity="error" if seconds > LONG_DWELL_S else "warning",
                part_id=target.part_at(removal.grid, x, y, setup.parts),
                cutter=int(moves.tool[i]),
                line=line,
                at_mm=(x, y, z),
                amount_mm=0.0,
                found=f"a dwell of {seconds:g} s with the cutter in the cut",
                wanted="no dwell in contact",
            )
        )
    return out


def _unknown_cutters(moves: Moves, setup: Setup, tools: ToolTable) -> list[Fault]:
    low = np.minimum(moves.start[:, 2], moves.end[:, 2])
    out = []
    # Whatever the offsets say: the tip's place is the true one, and without a cutter it is the spindle's nose.
    top = max([setup.z.top_high_mm, *(block.height_mm for block in setup.blocks)])
    bad = np.flatnonzero((tools.rows(moves.tool) < 0) & (low < top - EPS_MM))
    for i in bad:
        x, y, z = (float(v) for v in moves.end[i])
        number = int(moves.tool[i])
        out.append(
            Fault(
                code="V659",
                part_id="",
                cutter=number,
                line=int(moves.line[i]),
                at_mm=(x, y, z),
                amount_mm=float(top - low[i]),
                found="a move below the top of the billet or of what stands beside it with "
                + (f"T{number}, which the check cannot simulate" if number else "no known cutter in the spindle"),
                wanted="cutters of the crib that cut from above (flat, ball, drill, spot, chamfer)",
            )
        )
    return out


def _depths(moves: Moves, removal: Removal, tools: ToolTable, target: Target, setup: Setup) -> list[Fault]:
    """Depth of cut of wide cuts against the crib: a digit wrong in Z that gouges nothing still breaks the cutter.

    The mean width of a move's cut is the volume it took over its length in plan and its depth.
    """
    n = len(moves.kind)
    owner, p = removal.owner, removal.pieces
    deep, volume = np.zeros(n), np.bincount(owner, weights=removal.removed_mm3, minlength=n)
    np.maximum.at(deep, owner, removal.deep_mm)
    plan = np.bincount(owner, weights=np.hypot(p[:, 3] - p[:, 0], p[:, 4] - p[:, 1]), minlength=n)
    row = tools.rows(moves.tool)
    out = []
    for i in np.flatnonzero((row >= 0) & (moves.kind != RAPID) & (plan > 0) & (deep > CONTACT_MM)).tolist():
        cutter = tools.cutters[row[i]]
        if cutter.kind not in (CutterKind.FLAT, CutterKind.BALL) or cutter.stepdown_mm <= 0:
            continue
        limit = DEPTH_LIMIT * cutter.stepdown_mm
        # A short move's own circle is part of what it sweeps; half of it lies before the first point.
        width = volume[i] / ((plan[i] + cutter.diameter_mm / 2) * deep[i])
        if deep[i] <= limit or width < _WIDE * cutter.diameter_mm:
            continue
        x, y, z = (float(v) for v in moves.end[i])
        out.append(
            Fault(code="V664", part_id=target.part_at(removal.grid, x, y, setup.parts), cutter=cutter.number,
                  line=int(moves.line[i]), at_mm=(x, y, z), amount_mm=float(deep[i]),
                  found=f"a cut {deep[i]:.3f} mm deep and about {width:.2f} mm wide",
                  wanted=f"at most {limit:.3f} mm deep in a wide cut")
        )  # fmt: skip
    return out


def _chips(
    moves: Moves, removal: Removal, tools: ToolTable, target: Target, setup: Setup, material: Material
) -> list[Fault]:
    """Chip load and surface speed of every cutting move against the crib and the material."""
    out: list[Fault] = []
    row = tools.rows(moves.tool)
    touching = np.flatnonzero((removal.contact > 0) & (moves.kind != RAPID) & (moves.rpm > 0) & (row >= 0))
    for i in touching:
        cutter = tools.cutters[row[i]]
        speed = math.pi * cutter.diameter_mm * moves.rpm[i] / 1000.0
        band = material.speed_band_m_min.get(cutter.substrate, (0.0, 0.0))
        limit = SPEED_LIMIT * max(cutter.surface_speed_m_min * max(1.0, material.speed_factor), band[1])
        chip = moves.feed_mm_min[i] / (moves.rpm[i] * _edges(cutter))
        allowed = CHIP_LIMIT * cutter.chip_load_mm * _arc_gain(moves, int(i), cutter.diameter_mm / 2)
        x, y, z = (float(v) for v in moves.end[i])
        part = target.part_at(removal.grid, x, y, setup.parts)
        line = int(moves.line[i])
        if chip > allowed:
            out.append(
                Fault(code="V660", part_id=part, cutter=cutter.number, line=line, at_mm=(x, y, z),
                      amount_mm=float(chip), found=f"a chip of {chip:.4f} mm for each tooth or turn",
                      wanted=f"at most {allowed:.4f} mm",
                      hint="F is too high or S too low for this cutter")
            )  # fmt: skip
        if speed > limit:
            out.append(
                Fault(code="V661", part_id=part, cutter=cutter.number, line=line, at_mm=(x, y, z), amount_mm=0.0,
                      found=f"a surface speed of {speed:.1f} m/min",
                      wanted=f"at most {limit:.1f} m/min in {material.name}")
            )  # fmt: skip
    return out


def _edges(cutter: Cutter) -> int:
    """The crib's chip load is per tooth for mills, per turn for drills; a spot drill is read leniently."""
    return 1 if cutter.kind is CutterKind.DRILL else cutter.flutes


def _arc_gain(moves: Moves, i: int, radius: float) -> float:
    """How much faster the centre may run than the edge that cuts.

    Climb milling goes clockwise outside a round: path over edge radius; and counter-clockwise in a hole or a corner,
    where the edge runs faster than the centre: path over path plus cutter radius. A counter-clockwise path wider than
    the cutter may also be outside, cut conventionally, and is given the benefit.
    """
    if moves.kind[i] not in (ARC_CW, ARC_CCW):
        return 1.0
    path = math.hypot(moves.start[i, 0] - moves.centre[i, 0], moves.start[i, 1] - moves.centre[i, 1])
    if path > radius:
        return min(_ARC_GAIN, path / (path - radius))
    return 1.0 if moves.kind[i] == ARC_CW else max(_ARC_LOSS, path / (path + radius))
