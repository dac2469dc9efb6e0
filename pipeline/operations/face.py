"""Facing: down to a part's inside face over the part, and beside it as far as its outline will be cut.

The cutter's centre covers the whole outline, so the disc reaches at least a radius beyond it. Where the inside face of
a neighbour is higher, the disc keeps `wall_tolerance_mm` away from it and the centre stays back accordingly.
"""

from __future__ import annotations

from pipeline.errors import PlanError
from pipeline.geometry.offsets import Area
from pipeline.model.loop import Loop
from pipeline.model.shop import Cutter
from pipeline.model.toolpath import PathPass
from pipeline.operations.clearing import LEAST_LOOP, clear_level, plan_clearing
from pipeline.operations.entries import level_heights
from pipeline.operations.motion import PassBuilder
from pipeline.shop.cutting import CutData

WALL_TOLERANCE_MM = 0.01


def plan_face(
    *, pass_prefix: str, outline: Loop, taller: tuple[Loop, ...], z_from_mm: float, z_to_mm: float, cutter: Cutter,
    cut: CutData, clearance_mm: float, beyond_mm: float = 0.0, wall_tolerance_mm: float = WALL_TOLERANCE_MM,
) -> tuple[PathPass, ...]:  # fmt: skip
    """Passes that face the outline from z_from to z_to, one a level (and region). Setup frame, mm.

    `taller` are the outlines of neighbouring parts whose inside face is higher. The disc reaches `beyond_mm` past the
    outline where they allow it, and never less than its radius. Empty when there is nothing to cut.
    Raises PlanError when a part of the outline cannot be reached because of a taller neighbour.
    """
    radius = cutter.diameter_mm / 2
    part, kept = Area.of_loops(outline), Area.union(taller)
    centres = part.grown(max(0.0, beyond_mm - radius)).minus(kept.grown(radius + wall_tolerance_mm))
    centres = centres.without_slivers().without_specks(LEAST_LOOP * cutter.diameter_mm)
    levels = level_heights(z_from_mm, z_to_mm, cut.stepdown_mm)
    if not levels:
        return ()
    missed = part.minus(centres.grown(radius)).without_slivers()
    if not missed.is_empty:
        raise PlanError(
            where=pass_prefix, found=f"{missed.area_mm2:.3f} mm2 of the inside face beside a taller part",
            wanted=f"room for a cutter of {cutter.diameter_mm:.3f} mm",
            hint="face with a smaller cutter, or leave a wider gap between parts of different thickness", code="O431",
        )  # fmt: skip
    regions = centres.pieces()
    passes = []
    for i, region in enumerate(regions):
        where = pass_prefix if len(regions) == 1 else f"{pass_prefix}/region-{i + 1}"
        clearing = plan_clearing(region, stepover_mm=cut.stepover_mm, cutter_radius_mm=radius)
        above = z_from_mm
        for k, z in enumerate(levels):
            b = PassBuilder(f"{where}/level-{k + 1}", clearance_mm=clearance_mm)
            clear_level(b, clearing, from_z_mm=above, z_mm=z, cut=cut, where=where)
            passes.append(b.done())
            above = z
    return tuple(passes)
