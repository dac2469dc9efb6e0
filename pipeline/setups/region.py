"""Where parts may lie on the billet, given how it will be held.

Every part keeps its whole kerf and the edge margin inside the measured outline less its uncertainty and the spread of
the seating. Part and kerf lie inside the gasket: vacuum pulls on all of the part, and the thin skin under a kerf never
bridges the cord, where a nick would be a leak. Parts keep clear of clamps and stops, so that neither a cutter nor a
holder comes near them.
"""

from __future__ import annotations

import math

import numpy as np

from pipeline.errors import BadInput
from pipeline.geometry.plan_view import common, inset
from pipeline.model.arrays import Float
from pipeline.model.findings import Finding
from pipeline.model.frames import Pose
from pipeline.model.job import Job
from pipeline.model.nest import Region
from pipeline.model.setup import Seating
from pipeline.model.shop import CutterKind
from pipeline.setups.heights import bed_blocks

_BLOCK_ROOM_MM = 2.0  # least distance of a cutter or a holder to a clamp (common practice, no source)
_SEAL_ROOM_MM = 0.5  # the edge of the kerf to the edge of the gasket


def nest_region(job: Job, seating: Seating) -> Region:
    """The region for the nest, billet frame. Raises BadInput (S320) when nothing is left."""
    kerf = job.crib.cutter(job.nest.outline_cutter).diameter_mm
    reach = float(np.ptp(job.billet.outline, axis=0).max()) / 2
    shake = 3 * math.hypot(seating.spread_x_mm, seating.spread_y_mm, reach * seating.spread_angle_rad)
    doubt = job.billet.outline_uncertainty_mm + shake
    billet_from_setup = seating.setup_from_billet.inverse()
    gasket = billet_from_setup.points(job.holding.gasket)
    cord = job.holding.gasket_width_mm / 2
    to_edge = kerf + job.nest.edge_mm + doubt
    to_cord = cord + _SEAL_ROOM_MM + kerf + job.nest.margin_mm / 2 + doubt  # its middle
    field = common(inset(job.billet.outline, to_edge), inset(gasket, to_cord))
    sealed = _sealed(gasket, cord)
    if len(field) < 3 or sealed is None:
        raise BadInput(
            [
                Finding(
                    code="S320",
                    where="billet and holding",
                    found="no room for any part inside the outline and the gasket",
                    wanted=f"an outline that leaves more than {to_edge:.2f} mm all round",
                    hint="check the billet's outline, the gasket and the nominal pose",
                )
            ]
        )
    keepouts = [
        (f"defect-{k}", defect, kerf / 2 + job.nest.edge_mm + doubt)
        for k, defect in enumerate(job.billet.defects, start=1)
    ]
    # a cutter that grips a plug tears it out: no kerf reaches it
    keepouts += [(f"hole-{k}", hole, to_edge) for k, hole in enumerate(job.billet.holes, start=1)]
    for block in bed_blocks(job.holding):
        if block.kind != "sacrificial spacer":
            keepouts.append((block.name, billet_from_setup.points(block.outline), _reach_beside(job, block.height_mm)))
    return Region(
        outline=field,
        edge_gap_mm=0.0,
        keepouts=tuple(keepouts),
        zones=job.billet.zones,
        layers_rad=job.billet.layers_rad,
        plate=job.billet.outline,
        sealed=sealed,
        port_mm=_place(billet_from_setup, job.holding.port_mm),
        clamps=tuple((b.name, billet_from_setup.points(b.outline)) for b in job.holding.blocks if b.kind == "clamp"),
        kerf_mm=kerf,
        rims=(("the edge of the plate", job.billet.outline, to_edge), ("the gasket", sealed, to_cord - cord)),
    )


def _sealed(gasket: Float, cord_mm: float) -> Float | None:
    """What lies inside the cord, half of which is `cord_mm` wide; None when the cord leaves nothing."""
    inside = inset(gasket, cord_mm)
    return None if inside.is_empty else np.array(inside.exterior.coords)[:-1]


def _place(pose: Pose, place: tuple[float, float]) -> tuple[float, float]:
    x, y = pose.points(np.array([place]))[0]
    return float(x), float(y)


def _reach_beside(job: Job, height_mm: float) -> float:
    """How far from a part's outline something may stand that is `height_mm` high: the widest thing that passes below
    that height while the tip works down to the skin, plus room. The outline cutter runs a radius outside the part."""
    outline = job.crib.cutter(job.nest.outline_cutter)
    rough = job.nest.margin_mm / 2  # roughing runs this much farther out
    widest = outline.diameter_mm + rough
    for cutter in job.crib.cutters:
        if cutter.kind is CutterKind.FLAT:
            on_the_edge = outline.diameter_mm / 2 + rough if cutter is outline else 0.0
            radii = [cutter.diameter_mm / 2]
            if job.z.skin_mm + cutter.reach_mm < height_mm:
                radii.append(cutter.shank_diameter_mm / 2)
            if job.z.skin_mm + cutter.stickout_mm < height_mm + _BLOCK_ROOM_MM:
                radii.append(cutter.holder_diameter_mm / 2)
            widest = max(widest, on_the_edge + max(radii))
    return widest + _BLOCK_ROOM_MM
