"""What the cutter feels in every move: chip, removal, force, torque, power, deflection, from the simulated cut.

Words: the *side* of a mill is its edges round the axis, its *end* the edges at the tip; the *worn* cutter has an edge
that asks for `shop.forces.WORN` times the force. *Front contact*: stock stands ahead of the cutter or on both sides of
it, not along one side. The peak is then that of a slot as deep, or of the edge that finds room in the arc.

Per move the simulation gives volume, axial depth and arc. A move that sinks takes with its end what stands under it
behind the arc; the rest of the volume is the side's. Its mean chip follows from volume and arc, and with it force,
torque and power, so that force times speed is removal times kc. Peaks follow from the peak arc (`shop.pulses`). Drills
and spot drills going down are taken by their two lips. Formulas and their sources: `pipeline.shop.forces`.

Not modelled: chatter, the block of chips in a slot, layers (the material is its worst), the tilt that deflection adds.
A cut with the spindle standing, or at rapid, has no chip: all figures are 0 there and V641 and V642 speak.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from pipeline.model.shop import Cutter, Material
from pipeline.shop import forces as formulas
from pipeline.shop.cutting import is_mill, least_chip_mm
from pipeline.shop.pulses import mean_turned
from pipeline.verify.felt import Felt
from pipeline.verify.motion_time import arc_shapes
from pipeline.verify.reading import ARC_CCW, ARC_CW, RAPID, Moves
from pipeline.verify.tools import ToolTable

Array = NDArray[np.float64]
Plan = NDArray[np.complex128]  # x + iy
_STEEP = math.sin(math.radians(45))  # ours: a drill that sinks faster drills, otherwise it is dragged sideways
_AHEAD_RAD = 0.35  # ours: stock this much nearer to the way ahead than along a side is front contact; 3 points of 64
_LEAST_RAD = 1e-4  # ours: the narrowest arc
_BATCH = 1 << 13  # moves at a time: what is in work stays in the processor's cache
_WHOLE = 0.98  # ours: a smaller share of a move in stock is a part of it
_ONE_ARC = 0.9  # ours: the mean direction of one arc is this much of what its length makes it; of two it is far less
_UNCLEAR = 0.05  # ours: a mean direction shorter than this points nowhere


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Forces:
    """Arrays (n moves,), 0 where nothing is cut. Forces, torque, power and deflection are for a worn cutter.

    `cut`: feed moves that take stock away with the spindle turning. `depth_mm`: axial depth of cut (see `_depth_mm`).
    `force_mean_n` and `force_peak_n` are in the plan. `fx_n`, `fy_n` is the mean plan force on the plate, setup frame,
    at the middle of an arc move; `lift_n` the axial pull on the plate, positive up. `deflection_mm` is of the tip with
    the peak force. `wall_mm` is how far the cutter is off its wall while it makes it: positive leaves stock, negative
    cuts in. `stress_n_mm2` is that in the cutter with the peak force, bending and torsion together.
    """

    cut: NDArray[np.bool_]
    depth_mm: Array
    chip_mean_mm: Array
    chip_peak_mm: Array
    rate_mm3_min: Array
    force_mean_n: Array
    force_peak_n: Array
    fx_n: Array
    fy_n: Array
    lift_n: Array
    torque_n_m: Array
    power_w: Array
    deflection_mm: Array
    wall_mm: Array
    stress_n_mm2: Array


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Path:
    """Of some moves: unit vector of the way in the plan, of an arc at its middle, 1 where there is none; turn and
    radius of arcs (0 and inf for lines); whether it turns to the left."""

    ahead: Plan
    turns: Array
    radius_mm: Array
    left_hand: NDArray[np.bool_]


def _depth_mm(felt: Felt) -> Array:
    """(n,) axial depth of cut: as felt at the edge; where the cut is too thin or the point too shallow to be felt
    there, the greatest fall of the stock. (Beside a felt cut a sliver of an older wall may fall much farther.)"""
    return np.where(felt.axial_mm > 0, felt.axial_mm, felt.deep_mm)


def cut_seconds(felt: Felt, forces: Forces, seconds: Array) -> Array:
    """(n,) time in cut of each move: `seconds` times the share of its path in stock."""
    out, long = np.zeros(len(seconds)), forces.cut & (felt.length_mm > 0)
    np.divide(felt.cut_mm, felt.length_mm, out=out, where=long)
    return np.multiply(np.minimum(out, 1.0, out=out), seconds, out=out, where=long)


def move_forces(moves: Moves, felt: Felt, *, tools: ToolTable, material: Material) -> Forces:
    """Forces of all moves, in the worst layer of the material. The same bits whatever the order of cutters."""
    feeds = (moves.kind != RAPID) & (moves.feed_mm_min > 0) & (moves.rpm > 0) & (moves.spindle != 0)
    depth = _depth_mm(felt)
    cut = feeds & (felt.cut_mm > 0) & (felt.removed_mm3 > 0) & (depth > 0)
    names = Forces.__slots__[1:]
    out = dict(zip(names, np.zeros((len(names), len(cut))), strict=True))  # one block: far fewer pages to fault in
    np.copyto(out["depth_mm"], depth, where=cut)
    row = tools.rows(moves.tool)
    for k, cutter in enumerate(tools.cutters):
        mine = np.flatnonzero(cut & (row == k))
        for a in range(0, len(mine), _BATCH):
            batch = mine[a : a + _BATCH]
            fall = moves.start[batch, 2] - moves.end[batch, 2]
            sinks = np.clip(fall / np.maximum(felt.length_mm[batch], felt.cut_mm[batch]), 0.0, 1.0)
            if is_mill(cutter):
                _mill(out, batch, cutter, moves, felt, material, sinks)
                continue
            for these, feel in ((sinks > _STEEP, _drill), (sinks <= _STEEP, _mill)):
                if these.any():
                    feel(out, batch[these], cutter, moves, felt, material, sinks[these])
    return Forces(cut=cut, **out)


def _drill(
    out: dict[str, Array], rows: NDArray[np.intp], cutter: Cutter, moves: Moves, felt: Felt, material: Material,
    sinks: Array,
) -> None:  # fmt: skip
    rpm, feed = moves.rpm[rows], moves.feed_mm_min[rows]
    turn = feed / rpm
    diameter = formulas.cut_diameter_mm(cutter, out["depth_mm"][rows])
    point = cutter.point_angle_rad if cutter.point_angle_rad > 0 else math.pi
    chip = formulas.drill_chip_mm(turn, cutter.flutes, point)
    kc = formulas.WORN * formulas.specific_force(chip, material.kc11_n_mm2, material.mc, least_chip_mm(cutter))
    torque = formulas.drill_torque_n_m(diameter, turn, kc)
    out["chip_mean_mm"][rows] = out["chip_peak_mm"][rows] = chip
    out["rate_mm3_min"][rows] = felt.removed_mm3[rows] / felt.cut_mm[rows] * feed
    out["lift_n"][rows] = -formulas.drill_thrust_n(diameter, turn, kc, point)
    out["torque_n_m"][rows] = torque
    out["power_w"][rows] = torque * rpm * (2 * math.pi / 60)
    twist = torque * formulas.twist_stress_per_n_m(formulas.sections(cutter))
    out["stress_n_mm2"][rows] = math.sqrt(3) * twist


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Cut:
    """How a mill stands in the stock, arrays beside `rows`. `side`, `end`: mm^3/min; `arc`: mean, rad; `mean` and
    `middle`: of the arc, from the axis; `on_right`: its middle lies to the right of the way; `front`: see above."""

    depth: Array
    diameter: Array  # at that depth
    side: Array
    end: Array
    width: Array
    arc: Array
    mean: Plan
    middle: Plan
    on_right: NDArray[np.bool_]
    front: NDArray[np.bool_]


def _cut(
    rows: NDArray[np.intp], depth: Array, cutter: Cutter, moves: Moves, felt: Felt, sinks: Array, along: Array
) -> _Cut:
    feed = moves.feed_mm_min[rows]
    diameter = formulas.cut_diameter_mm(cutter, depth)
    rate = felt.removed_mm3[rows] / felt.cut_mm[rows] * feed
    path = _path(moves, rows)
    mean = felt.arc_x[rows] + 1j * felt.arc_y[rows]
    arc = np.clip(felt.engaged_mean_rad[rows], 0.0, math.pi)
    arc = np.where(arc > 0, arc, formulas.engaged_rad(felt.width_mean_mm[rows], diameter))
    partly = felt.cut_mm[rows] < _WHOLE * felt.length_mm[rows]
    slack = _AHEAD_RAD + np.where(partly, path.turns / 2, 0.0)  # cut on a part of an arc, not about its middle
    middle, front = _middle(path.ahead, mean, arc, slack)
    on_right = (np.conj(path.ahead) * middle).imag <= 0
    inside = np.where(on_right == path.left_hand, path.radius_mm, math.inf)
    end, down = np.zeros(len(rows)), np.flatnonzero(sinks > 0)
    behind = np.where(along > 0, arc, math.pi)[down]
    end[down] = formulas.end_area_mm2(diameter[down], behind, inside[down]) * sinks[down] * feed[down]
    end = np.minimum(rate, end)
    width = np.divide(rate - end, depth * feed * along, out=np.zeros(len(rows)), where=along > 0)
    width = np.minimum(width, diameter)
    arc = np.maximum(np.maximum(arc, 2 * np.arcsin(width / diameter)), _LEAST_RAD)  # it spans at least its width
    return _Cut(depth=depth, diameter=diameter, side=rate - end, end=end, width=width, arc=arc, mean=mean,
                middle=middle, on_right=on_right, front=front)  # fmt: skip


def _mill(
    out: dict[str, Array], rows: NDArray[np.intp], cutter: Cutter, moves: Moves, felt: Felt, material: Material,
    sinks: Array,
) -> None:  # fmt: skip
    mc, kc11, least = material.mc, material.kc11_n_mm2, least_chip_mm(cutter)
    harder = formulas.MILLING * formulas.WORN
    rpm, along = moves.rpm[rows], np.sqrt(1 - sinks**2)
    c = _cut(rows, out["depth_mm"][rows], cutter, moves, felt, sinks, along)
    tooth = moves.feed_mm_min[rows] / (rpm * cutter.flutes)
    level, chip_end = tooth * along, tooth * sinks
    edge = formulas.edge_length_mm(cutter, c.depth)
    sine = c.depth / edge

    chip = formulas.mean_chip_mm(level, c.width, c.diameter, c.arc) * sine
    kc_side = harder * formulas.specific_force(chip, kc11, mc, least)
    kc_end = harder * formulas.specific_force(chip_end, kc11, mc, least)
    tangential = c.side * kc_side / (math.pi * c.diameter * rpm)
    power = formulas.power_w(c.side, kc_side) + formulas.power_w(c.end, kc_end)
    thrust = formulas.THRUST_SHARE * kc_end * c.end / (math.pi / 2 * c.diameter * rpm)

    spun = np.where(moves.spindle[rows] > 0, 1.0, -1.0)
    mean_arc = np.where(c.front, math.pi, c.arc)
    turned = mean_turned(mean_arc, mc) * np.exp(-0.5j * mean_arc)  # from the middle of the arc to its thick end
    turned = np.where(c.on_right, turned, np.conj(turned))
    on_plate = tangential * (-1j * spun + formulas.RADIAL_SHARE) * c.middle * turned

    felt_peak = np.clip(felt.engaged_peak_rad[rows], c.arc, math.pi)
    peak_arc = np.where(c.front, math.pi, felt_peak)
    lag = formulas.lag_rad(c.depth, c.diameter, cutter.helix_angle_rad)
    chip_side = formulas.peak_chip_mm(level, peak_arc) * sine
    ploughs = np.maximum(least / np.where(chip_side > 0, chip_side, np.inf), 1.0) ** (1 - mc)
    whole = harder * ploughs * formulas.edge_n(c.depth, edge, level, kc11, mc)
    step = formulas.runout_step_mm(cutter.runout_mm, cutter.flutes)
    ratio = np.minimum(step / np.where(level > 0, level, np.inf), cutter.flutes - 1)
    peak = formulas.peak_force_n(whole, peak_arc, lag, flutes=cutter.flutes, mc=mc, runout_ratio=ratio)
    # One arc at the front, one tooth in it at a time: no more edge than finds room there, with the thickest chip.
    alone = c.front & (np.abs(c.mean) > _ONE_ARC * np.sin(c.arc / 2) / (c.arc / 2))
    alone &= felt_peak + lag <= 2 * math.pi / cutter.flutes
    room = felt_peak / np.maximum(lag, felt_peak) * math.hypot(1.0, formulas.RADIAL_SHARE)
    peak = np.where(alone, np.minimum(peak, whole * room * (1 + ratio) ** (1 - mc)), peak)
    peak = np.where(c.side > 0, np.maximum(peak, np.abs(on_plate)), 0.0)
    wall = np.zeros(len(rows))
    for climb in (True, False):
        these = ((c.on_right == (spun > 0)) == climb) & (c.side > 0) & ~c.front
        wall[these] = formulas.wall_force_n(
            whole[these], c.arc[these], lag[these], flutes=cutter.flutes, mc=mc, climb=climb
        )

    torque = formulas.torque_n_m(power, rpm)
    beam = formulas.sections(cutter)
    compliance = formulas.compliance_mm_n(beam, formulas.young_n_mm2(cutter.substrate))
    bent, twisted = peak * formulas.stress_per_n(beam), torque * formulas.twist_stress_per_n_m(beam)
    out["chip_mean_mm"][rows] = np.where(c.side >= c.end, chip, chip_end)
    out["chip_peak_mm"][rows] = np.maximum(np.where(c.side > 0, chip_side, 0.0), chip_end)
    out["rate_mm3_min"][rows] = c.side + c.end
    out["force_mean_n"][rows] = np.abs(on_plate)
    out["force_peak_n"][rows] = peak
    out["fx_n"][rows], out["fy_n"][rows] = on_plate.real, on_plate.imag
    out["lift_n"][rows] = tangential * formulas.axial_share(cutter.helix_angle_rad) * spun - thrust
    out["torque_n_m"][rows] = torque
    out["power_w"][rows] = power
    out["deflection_mm"][rows] = peak * compliance
    out["wall_mm"][rows] = wall * compliance
    out["stress_n_mm2"][rows] = np.sqrt(bent * bent + 3 * twisted * twisted)


def _path(moves: Moves, rows: NDArray[np.intp]) -> _Path:
    way = moves.end.take(rows, axis=0) - moves.start.take(rows, axis=0)
    kind = moves.kind[rows]
    ahead: Plan = way[:, 0] + 1j * way[:, 1]
    turns, radius = np.zeros(len(rows)), np.full(len(rows), math.inf)
    arcs = np.flatnonzero((kind == ARC_CW) | (kind == ARC_CCW))
    if len(arcs):
        some = Moves(**{f.name: getattr(moves, f.name)[rows[arcs]] for f in fields(Moves)})
        radius[arcs], turns[arcs], _ = arc_shapes(some)
        arm = (some.start[:, 0] - some.centre[:, 0]) + 1j * (some.start[:, 1] - some.centre[:, 1])
        hand = np.where(some.kind == ARC_CCW, 1.0, -1.0)
        ahead[arcs] = arm * np.exp(0.5j * hand * turns[arcs]) * 1j * hand
    size = np.abs(ahead)
    still = size == 0
    ahead[still] = size[still] = 1.0
    return _Path(ahead=ahead * (1 / size), turns=turns, radius_mm=radius, left_hand=kind == ARC_CCW)


def _middle(way: Plan, mean: Plan, arc: Array, slack: Array) -> tuple[Plan, NDArray[np.bool_]]:
    """Unit vector from the axis to the middle of the arc, and where contact is at the front: nearer to the way ahead
    than that of a cut along one side, which is pi/2 - arc/2 off, by more than `slack`.

    Where the mean direction says nothing, the arc is taken as that of a climb cut, on the right of the way.
    """
    size = np.abs(mean)
    expected = math.pi / 2 - arc / 2
    unclear = np.flatnonzero(size <= _UNCLEAR)
    size[unclear] = 1.0
    middle = mean * (1 / size)
    middle[unclear] = way[unclear] * np.exp(-1j * expected[unclear])
    front = np.abs(np.angle(middle * np.conj(way))) < expected - slack
    return np.where(front, way, middle), front
