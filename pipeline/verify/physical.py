"""What the program does to cutters, spindle and hold, put together from the simulated cutting."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.model.job import Tolerances
from pipeline.model.setup import Setup
from pipeline.model.shop import Machine, Material
from pipeline.model.verdict import HoldingResult, LineCap, Loads
from pipeline.verify.faults import Fault
from pipeline.verify.felt import Felt
from pipeline.verify.force_limits import check_forces, feed_caps, thin_cuts
from pipeline.verify.forces import move_forces
from pipeline.verify.holding import judge_holding, pushes_of
from pipeline.verify.loads import build_loads
from pipeline.verify.reading import Reading
from pipeline.verify.stretches import split
from pipeline.verify.target import Target
from pipeline.verify.ties import CutTimes, find_ties
from pipeline.verify.tools import ToolTable

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Physical:
    """Figures, faults, and what the planner may do about them."""

    loads: Loads
    holding: HoldingResult | None
    caps: tuple[LineCap, ...]
    faults: tuple[Fault, ...]


def judge_physically(
    reading: Reading, *, setup: Setup, felt: Felt, times: CutTimes, skin_mm: Array, target: Target, tools: ToolTable,
    machine: Machine, material: Material, tolerances: Tolerances, seconds: Array,
) -> Physical:  # fmt: skip
    """Forces, power, deflection and hold of every move. Arrays (n moves,): `seconds` of each, `skin_mm` the thinnest
    skin after it."""
    moves = reading.moves
    pieces = find_ties(times, setup)
    stretches = split(reading)
    forces = move_forces(moves, felt, tools=tools, material=material)
    at_wall = thin_cuts(moves, felt, forces, tools)
    pushes = pushes_of(moves, felt, forces, tools, at_wall=at_wall)

    def part_of_move(i: int) -> str:
        return target.part_at(float(moves.end[i, 0]), float(moves.end[i, 1]), setup.parts)

    holding, safety, faults = judge_holding(
        setup, moves=moves, seconds=seconds, pushes=pushes, pieces=pieces, times=times
    )
    faults += check_forces(
        moves, felt, forces, tools=tools, machine=machine, tolerances=tolerances, seconds=seconds, stretches=stretches,
        at_wall=at_wall, part_of_move=part_of_move,
    )  # fmt: skip
    hold = setup.hold
    rough, finish = (hold.safety_rough, hold.safety_finish) if hold else (0.0, 0.0)
    caps = feed_caps(
        moves, forces, tools=tools, material_mc=material.mc, machine=machine, tolerances=tolerances,
        stretches=stretches, at_wall=at_wall, holding=safety, holding_target=np.where(pushes.is_rough, rough, finish),
    )  # fmt: skip
    loads = build_loads(
        moves, felt, forces, stretches=stretches, material=material, seconds=seconds, holding=safety,
        skin_mm=np.where(skin_mm < setup.z.top_high_mm, skin_mm, np.inf), part_of_move=part_of_move,
    )  # fmt: skip
    return Physical(loads=loads, holding=holding, caps=caps, faults=tuple(faults))
