"""The setup of the first side: every height counted from the bed, and every part at its height.

Z = 0 is the bed under the billet, because the skin is what must survive: a zero on the ragged top would put the
whole thickness error into the skin. Part bottom = skin + stock below; inside face = bottom + part thickness.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from pipeline.errors import BadInput
from pipeline.model.findings import Finding
from pipeline.model.frames import Pose
from pipeline.model.job import Job
from pipeline.model.nest import Nest
from pipeline.model.part import Part
from pipeline.model.setup import PlacedPart, Seating, Setup, ZPlan
from pipeline.model.shop import Block, Holding

_RAPID_ROOM_MM = 2.0  # between the highest thing and a tip that travels over it
_SAFE_ROOM_MM = 25.0  # between the highest thing and the first height of a section
_CLEAN_UP_MM = 0.05  # least facing over a part, so that the face is cut clean

LATER_SETUPS = {"setup-2": "turned over, outer face up"}


def plan_z(job: Job) -> ZPlan:
    """The heights of the first setup from the job's wishes and the billet's measured thickness."""
    top = job.billet.thickness_mm
    top_high = top + job.billet.thickness_uncertainty_mm + job.billet.bow_mm
    highest = max([top_high, *(b.height_mm for b in bed_blocks(job.holding))])
    return ZPlan(
        skin_mm=job.z.skin_mm,
        stock_below_mm=job.z.stock_below_mm,
        top_mm=top,
        top_high_mm=top_high,
        top_low_mm=top - job.billet.thickness_uncertainty_mm,
        clearance_mm=math.ceil(10 * (highest + _RAPID_ROOM_MM)) / 10,
        safe_mm=math.ceil(highest + _SAFE_ROOM_MM),
        gauge_block_mm=job.holding.gauge_block_mm,
        errors_mm=_errors(job),
    )


def _errors(job: Job) -> tuple[tuple[str, float], ...]:
    """The job's budget under the skin: what J140 and J141 add up before anything is planned."""
    z, billet = job.z, job.billet
    errors = [
        ("bow of the plate under vacuum", billet.bow_mm),
        ("Z zero", z.z_zero_error_mm),
        ("measured length of a cutter", z.tool_length_error_mm),
        ("spare", z.spare_mm),
    ]
    if z.zero == "top":
        errors.append(("thickness of the plate", billet.thickness_uncertainty_mm))
    return tuple(errors)


def bed_blocks(holding: Holding) -> tuple[Block, ...]:
    """Everything that stands on the bed: clamps, spacers, and the stops as polygons drawn round their circles."""
    turn = np.linspace(0, 2 * np.pi, 24, endpoint=False)
    ring = np.column_stack([np.cos(turn), np.sin(turn)]) / math.cos(math.pi / 24)  # outside the circle, never inside
    stops = tuple(
        Block(name=s.name, kind="stop", outline=ring * s.radius_mm + [s.x_mm, s.y_mm], height_mm=s.height_mm)
        for s in holding.stops
    )
    return holding.blocks + stops


def plan_setup(job: Job, parts: Sequence[Part], nest: Nest, seating: Seating) -> Setup:
    """The first setup: every placed part at its height, everything on the bed around it.

    Raises BadInput (S310) with every part that is too thick for the billet at its lowest.
    """
    z = plan_z(job)
    room = z.top_low_mm - z.bottom_of_part_mm() - _CLEAN_UP_MM
    findings = [
        Finding(
            code="S310",
            where=part.name,
            found=f"part {part.thickness_mm:.3f} mm thick",
            wanted=f"at most {room:.3f} mm: lowest top {z.top_low_mm:.3f} less skin {z.skin_mm:.3f}, stock below"
            f" {z.stock_below_mm:.3f} and {_CLEAN_UP_MM:.2f} to clean up",
            hint="make the part thinner, lower stock_below, or take a thicker billet",
        )
        for part in parts
        if part.thickness_mm > room + 1e-9
    ]
    if findings:
        raise BadInput(findings)
    by_name = {part.name: part for part in parts}
    setup_from_billet = seating.setup_from_billet
    raise_to_bottom = z.bottom_of_part_mm()
    placed = []
    for spot in nest.placements:
        x, y, _ = spot.billet_from_part.shift_mm
        at_height = Pose.planar(
            to="billet",
            frm=spot.billet_from_part.frm,
            x_mm=x,
            y_mm=y,
            z_mm=raise_to_bottom,
            angle_rad=spot.billet_from_part.angle_rad,
        )
        placed.append(
            PlacedPart(part_id=spot.part_id, part=by_name[spot.part], setup_from_part=setup_from_billet @ at_height)
        )
    return Setup(
        name="setup-1",
        frame=setup_from_billet.to,
        side_up="inside",
        origin=job.holding.origin,
        seating=seating,
        z=z,
        billet=setup_from_billet.points(job.billet.outline),
        defects=tuple(setup_from_billet.points(d) for d in job.billet.defects),
        gasket=job.holding.gasket,
        port_mm=job.holding.port_mm,
        blocks=bed_blocks(job.holding),
        parts=tuple(placed),
        later_setups=LATER_SETUPS,
        hold=job.holding.hold,
        gasket_width_mm=job.holding.gasket_width_mm,
        holes=tuple(setup_from_billet.points(hole) for hole in job.billet.holes),
    )
