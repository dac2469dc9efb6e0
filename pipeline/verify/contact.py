"""Faults of single moves in the simulated cutting: what touched stock that should not, or not in that way."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from pipeline.model.setup import Setup
from pipeline.model.shop import Cutter, CutterKind, Machine, Material
from pipeline.model.units import EPS_MM
from pipeline.verify.faults import Fault
from pipeline.verify.motion_time import is_arc, path_lengths_in_plan
from pipeline.verify.reading import ARC_CW, RAPID, Moves, Reading
from pipeline.verify.removal import CONTACT_MM, Removal
from pipeline.verify.target import Target
from pipeline.verify.tools import STAGES, ToolTable

_FLUTES_MM = 0.01  # stock over the flutes that is taken for noise of the field
CHIP_LIMIT = 1.5  # times the crib's chip load; ramps, arcs and rounding of F stay under it
_ARC_GAIN = 3.0  # on an outside arc the centre runs faster than the edge; never allow more than this for it
DEPTH_LIMIT = 1.5  # times the crib's stepdown, where the cut is wide
_WIDE = 0.5  # mean width of cut over diameter from which the crib's stepdown, given for a full slot, is asked for
_WIDE_ARC = 0.6  # width of cut over diameter from which an outside arc's gain is not granted
_NOWHERE_MM = 0.005  # a move this short leaves a cutter where it was
_ARC_LOSS = 0.4  # the chip is centre feed per tooth x sin(phi), so never more than on a straight: rubbing is worse
_AT_A_TIME = 1 << 14  # moves: arrays of so many are small enough to be used again at once
LONG_DWELL_S = 1.0  # ours: turns enough to spoil the cutter in titanium; shorter ones are a warning
SPEED_LIMIT = 1.1  # times the shop's start speed for the cutter, or the material's band, whichever is higher


def check_contact(
    reading: Reading, *, setup: Setup, removal: Removal, target: Target, tools: ToolTable, machine: Machine,
    material: Material,
) -> list[Fault]:  # fmt: skip
    """Rapids in stock, spindle, coolant, length offset, shank and holder, flutes, dwell, chip and speed."""
    moves, felt = reading.moves, removal.felt
    faults: list[Fault] = []

    def add(
        i: int, code: str, amount: float, found: str, wanted: str, hint: str = "", at: NDArray[np.int32] | None = None
    ) -> None:
        x, y = removal.place(removal.deep_at[i] if at is None else at)
        faults.append(
            Fault(
                code=code, part_id=target.part_at(float(moves.end[i, 0]), float(moves.end[i, 1]), setup.parts),
                cutter=int(moves.tool[i]), line=int(moves.line[i]),
                at_mm=(x, y, float(min(moves.start[i, 2], moves.end[i, 2]))), amount_mm=amount, found=found,
                wanted=wanted, hint=hint,
            )
        )  # fmt: skip

    cuts = felt.deep_mm > CONTACT_MM
    rapid = moves.kind == RAPID
    for i in np.flatnonzero(cuts & rapid).tolist():
        deep = float(felt.deep_mm[i])
        add(i, "V641", deep, f"a rapid through {deep:.3f} mm of stock", "rapids only where nothing is in the way")
    cuts &= ~rapid
    standing = cuts & ((moves.spindle == 0) | (moves.rpm <= 0))
    for i in np.flatnonzero(standing).tolist():
        add(i, "V642", float(felt.deep_mm[i]), "cutting with the spindle standing", "M3 and a speed before the cut")
    for i in np.flatnonzero(cuts & ~standing & (moves.spindle < 0)).tolist():
        add(i, "V643", float(felt.deep_mm[i]), "cutting with the spindle turning backwards (M4)", "M3, clockwise")
    if machine.dialect.coolant_on:
        for i in np.flatnonzero(cuts & (moves.coolant == 0)).tolist():
            wanted = f"{machine.dialect.coolant_on} before the cut"
            add(i, "V644", float(felt.deep_mm[i]), "cutting without coolant", wanted)
    for i in np.flatnonzero(cuts & ~moves.known_z).tolist():
        wanted = "G43 H with the first move in Z"
        add(i, "V645", float(felt.deep_mm[i]), "cutting while no length offset is active", wanted)
    for i in np.flatnonzero(removal.stage_mm > CONTACT_MM).tolist():
        deep, stage = float(removal.stage_mm[i]), int(removal.stage_at[i, 2])
        add(i, "V646", deep, f"the {STAGES[stage + 1]} {deep:.3f} mm in stock", "only cutting edges in stock",
            "a longer cutter, or more stickout", at=removal.stage_at[i])  # fmt: skip
    for i in np.flatnonzero((felt.over_flutes_mm > _FLUTES_MM) & ~rapid).tolist():
        over = float(felt.over_flutes_mm[i])
        add(i, "V647", over, f"stock {over:.3f} mm above the flutes in one cut", "cuts no deeper than the flutes")
    faults += _dwell(reading, removal, target, setup)
    faults += _unknown_cutters(moves, setup, tools)
    faults += _depths(moves, removal, tools, target, setup)
    faults += _chips(moves, removal, tools, target, setup, material)
    return faults


def _dwell(reading: Reading, removal: Removal, target: Target, setup: Setup) -> list[Fault]:
    """A dwell after a feed move whose last stretch cut: the edge rubs in one place and hardens titanium."""
    moves = reading.moves
    out = []
    for line, seconds in sorted(reading.dwell_s.items()):
        i = int(moves.line.searchsorted(np.int32(line))) - 1  # lines never fall: the language has no loops
        while i > 0 and removal.felt.length_mm[i] < _NOWHERE_MM:
            i -= 1  # a move that goes nowhere does not take the cutter out
        if seconds <= 0 or i < 0:
            continue
        if moves.kind[i] == RAPID or moves.spindle[i] == 0 or not removal.ends_in_cut[i]:
            continue
        x, y, z = (float(v) for v in moves.end[i])
        out.append(
            Fault(
                code="V648",
                severity="error" if seconds > LONG_DWELL_S else "warning",
                part_id=target.part_at(x, y, setup.parts),
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
    out = []
    # Whatever the offsets say: the tip's place is the true one, and without a cutter it is the spindle's nose.
    top = max([setup.z.top_high_mm, *(block.height_mm for block in setup.blocks)])
    # Thread mills have a check of their own.
    unknown = np.flatnonzero(tools.rows(moves.tool) < 0)
    unknown = unknown[~np.isin(moves.tool[unknown], tools.threads)]
    low = np.minimum(moves.start[unknown, 2], moves.end[unknown, 2])
    deep = low < top - EPS_MM
    for i, z_low in zip(unknown[deep].tolist(), low[deep].tolist(), strict=True):
        x, y, z = (float(v) for v in moves.end[i])
        number = int(moves.tool[i])
        out.append(
            Fault(
                code="V659",
                part_id="",
                cutter=number,
                line=int(moves.line[i]),
                at_mm=(x, y, z),
                amount_mm=float(top - z_low),
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
    felt, row = removal.felt, tools.rows(moves.tool)
    kinds = CutterKind.FLAT, CutterKind.BALL
    limits = tools.of_rows(lambda c: DEPTH_LIMIT * c.stepdown_mm if c.kind in kinds else 0.0, row)
    where = np.flatnonzero((felt.deep_mm > limits) & (limits > 0) & (felt.deep_mm > CONTACT_MM))
    where = where[moves.kind[where] != RAPID]
    limit, diameter = limits[where], tools.of_rows(lambda c: c.diameter_mm, row[where])
    plan, deep, removed, mean_width = (
        path_lengths_in_plan(moves, where), felt.deep_mm[where], felt.removed_mm3[where], felt.width_mean_mm[where]
    )
    # A short move's own circle is part of what it sweeps; half of it lies before the first point.
    area = (plan + diameter / 2) * deep
    width = np.divide(removed, area, out=np.zeros(len(plan)), where=area > 0)
    # Chords are shorter than that circle: there the width over a run of moves counts, and the mean depth.
    taken = plan * mean_width
    mean = np.divide(removed, taken, out=np.zeros(len(plan)), where=taken > 0)
    bad = (width >= _WIDE * diameter) | ((mean > limit) & (mean_width >= _WIDE * diameter))
    out = []
    for k in np.flatnonzero(bad & (plan > 0)).tolist():
        i = int(where[k])
        x, y, z = (float(v) for v in moves.end[i])
        out.append(
            Fault(code="V664", part_id=target.part_at(x, y, setup.parts), cutter=int(moves.tool[i]),
                  line=int(moves.line[i]), at_mm=(x, y, z), amount_mm=float(deep[k]),
                  found=f"a cut {deep[k]:.3f} mm deep and about {width[k]:.2f} mm wide",
                  wanted=f"at most {limit[k]:.3f} mm deep in a wide cut")
        )  # fmt: skip
    return out


def _chips(
    moves: Moves, removal: Removal, tools: ToolTable, target: Target, setup: Setup, material: Material
) -> list[Fault]:
    """Chip load and surface speed of every cutting move against the crib and the material."""
    out: list[Fault] = []
    row, cut = tools.rows(moves.tool), removal.felt.cut_mm
    arcs = np.flatnonzero(is_arc(moves))
    gains = _arc_gains(moves, arcs, tools.of_rows(lambda c: c.diameter_mm / 2, row[arcs]), removal.felt.width_mean_mm)
    thick: list[tuple[int, float, float]] = []
    fast: list[tuple[int, float, float]] = []
    for begin in range(0, len(row), _AT_A_TIME):
        s = slice(begin, begin + _AT_A_TIME)
        touching = (cut[s] > 0) & (moves.kind[s] != RAPID) & (moves.rpm[s] > 0) & (row[s] >= 0)
        with np.errstate(divide="ignore", invalid="ignore"):
            chip = moves.feed_mm_min[s] / (moves.rpm[s] * tools.of_rows(_edges, row[s]))
        allowed = tools.of_rows(lambda c: CHIP_LIMIT * c.chip_load_mm, row[s])
        a, b = arcs.searchsorted([begin, begin + _AT_A_TIME])
        allowed[arcs[a:b] - begin] *= gains[a:b]
        bad = np.flatnonzero(touching & (chip > allowed))
        thick += zip((begin + bad).tolist(), chip[bad].tolist(), allowed[bad].tolist(), strict=True)
        speed = tools.of_rows(lambda c: math.pi * c.diameter_mm, row[s]) * moves.rpm[s] / 1000.0
        most = tools.of_rows(lambda c: _speed_limit(c, material), row[s])
        bad = np.flatnonzero(touching & (speed > most))
        fast += zip((begin + bad).tolist(), speed[bad].tolist(), most[bad].tolist(), strict=True)

    def add(i: int, code: str, amount: float, found: str, wanted: str, hint: str = "") -> None:
        x, y, z = (float(v) for v in moves.end[i])
        out.append(
            Fault(code=code, part_id=target.part_at(x, y, setup.parts), cutter=int(moves.tool[i]),
                  line=int(moves.line[i]), at_mm=(x, y, z), amount_mm=amount, found=found, wanted=wanted, hint=hint)
        )  # fmt: skip

    for i, mm, limit in thick:
        add(i, "V660", mm, f"a chip of {mm:.4f} mm for each tooth or turn", f"at most {limit:.4f} mm",
            "F is too high or S too low for this cutter")  # fmt: skip
    for i, m_min, limit in fast:
        wanted = f"at most {limit:.1f} m/min in {material.name}"
        add(i, "V661", 0.0, f"a surface speed of {m_min:.1f} m/min", wanted)
    return out


def _speed_limit(cutter: Cutter, material: Material) -> float:
    band = material.speed_band_m_min.get(cutter.substrate, (0.0, 0.0))
    return SPEED_LIMIT * max(cutter.surface_speed_m_min * max(1.0, material.speed_factor), band[1])


def _edges(cutter: Cutter) -> int:
    """The crib's chip load is per tooth for mills, per turn for drills; a spot drill is read leniently."""
    return 1 if cutter.kind is CutterKind.DRILL else cutter.flutes


def _arc_gains(
    moves: Moves, arcs: NDArray[np.intp], radius: NDArray[np.float64], width_mm: NDArray[np.float64]
) -> NDArray[np.float64]:
    """How much faster the centre may run than the edge that cuts, for each of the moves that are arcs; `radius` of
    their cutters.

    Climb milling goes clockwise outside a round: path over edge radius; and counter-clockwise in a hole or a corner,
    where the edge runs faster than the centre: path over path plus cutter radius. A counter-clockwise path wider than
    the cutter may also be outside, cut conventionally, and is given the benefit. A wide cut has no such gain: some
    tooth there takes the centre's feed whole.
    """
    arm = moves.start[arcs, :2] - moves.centre[arcs]
    path = np.hypot(arm[:, 0], arm[:, 1])
    with np.errstate(divide="ignore", invalid="ignore"):
        outside = np.minimum(_ARC_GAIN, path / (path - radius))
        inside = np.where(moves.kind[arcs] == ARC_CW, 1.0, np.maximum(_ARC_LOSS, path / (path + radius)))
    outside = np.where(width_mm[arcs] > _WIDE_ARC * 2 * radius, 1.0, outside)
    return np.where(path > radius, outside, inside)
