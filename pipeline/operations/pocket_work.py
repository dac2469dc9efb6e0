"""From a pocket on a part to its operation: which cutter clears and finishes all of it.

The largest cutter that leaves nothing uncut is taken; a pocket that no cutter of the crib reaches everywhere is
refused, with what is missing.
"""

from __future__ import annotations

from pipeline.errors import PlanError
from pipeline.geometry.offsets import Area
from pipeline.model.part import Pocket
from pipeline.model.setup import PlacedPart, Setup
from pipeline.model.toolpath import Operation, Toolpath
from pipeline.operations.cleared import Cleared
from pipeline.operations.cutters import Means, pocket_cutters
from pipeline.operations.heights import SAME_MM, nesting, surface_z_mm, through_floor_z_mm
from pipeline.operations.hole_work import Work
from pipeline.operations.not_cut import SPILL_MM, later_by_rule, loop_region
from pipeline.operations.pocket import PocketResult, plan_pocket

UNCUT_MM2 = 0.001  # per level: less is the noise of flattened arcs
FLOOR_ALLOWANCE_MM = 0.1  # left on the floor for the finishing pass, at most half a stepdown


def milled_pocket(
    placed: PlacedPart, pocket: Pocket, *, beyond_mm: float, faced: Cleared, setup: Setup, means: Means
) -> Work:
    """Clear and finish a pocket of the inside face. `beyond_mm` is the room past an open edge, where stock may stand
    higher than the part: `faced` knows what is cut by then. Raises PlanError.
    """
    where = f"{placed.part_id}/{pocket.id}"
    host = nesting(pocket, placed.part).host
    top = surface_z_mm(placed, host)
    if pocket.open_edge:
        space = Area.of_loops(pocket.outer.moved(placed.setup_from_part)).grown(beyond_mm)
        top = max(top, faced.top_over(space, top_mm=setup.z.top_high_mm))
    is_through = pocket.floor_z_mm <= SAME_MM
    floor = through_floor_z_mm(placed, pocket.floor_z_mm, setup.z) if is_through else _floor_aim(placed, pocket, means)
    cutters = pocket_cutters(pocket.corner_radius_mm, setup.z.top_high_mm - floor, means, where)
    best: PocketResult | None = None
    for cutter in cutters:
        cut = means.cut(cutter)
        result = plan_pocket(
            pass_prefix=f"{where}/pocket",
            outer=pocket.outer.moved(placed.setup_from_part),
            islands=tuple(island.moved(placed.setup_from_part) for island in pocket.islands),
            open_edge=pocket.open_edge,
            beyond_mm=beyond_mm,
            top_z_mm=top,
            floor_z_mm=floor,
            cutter=cutter,
            cut=cut,
            clearance_mm=setup.z.clearance_mm,
            wall_allowance_mm=means.allowance_mm(cutter),
            floor_allowance_mm=0.0 if is_through else min(FLOOR_ALLOWANCE_MM, cut.stepdown_mm / 2),
            finish=True,
            feed_high_mm_min=means.outside_feed_high_mm_min(),
            part=placed.part.outline.moved(placed.setup_from_part),
        )
        if result.passes and result.uncut_mm2_per_level <= UNCUT_MM2:
            operation = Operation(
                id=f"{where}/pocket", kind="pocket", part_id=placed.part_id, feature_id=pocket.id,
                cutter=cutter.number, spindle_rpm=cut.rpm, feed_mm_min=cut.clear_feed_mm_min, top_z_mm=top,
                bottom_z_mm=floor, stepdown_mm=cut.stepdown_mm, stepover_mm=cut.stepover_mm,
                note="clear, then floor and walls",
            )  # fmt: skip
            left = (later_by_rule(
                placed, pocket.id, "pocket bottom", region=loop_region(placed, pocket.outer),
                low_z_mm=setup.z.skin_mm, high_z_mm=floor + SPILL_MM,
            ),) if is_through else ()  # fmt: skip
            return Work(toolpaths=(("pocket", Toolpath(operation=operation, passes=result.passes)),), not_cut=left)
        if best is None or result.uncut_mm2_per_level < best.uncut_mm2_per_level:
            best = result
    smallest = cutters[-1]
    uncut = 0.0 if best is None else best.uncut_mm2_per_level
    raise PlanError(
        where=where,
        found=f"{uncut:.3f} mm2 per level that T{smallest.number} of {smallest.diameter_mm:g} mm does not reach",
        wanted=f"a flat end mill under {smallest.diameter_mm:g} mm reaching {setup.z.top_high_mm - floor:.2f} mm",
        hint="widen the pocket's narrowest place, or add a smaller cutter to the crib",
        code="O406",
    )


def _floor_aim(placed: PlacedPart, pocket: Pocket, means: Means) -> float:
    """Setup Z of the floor: the middle of its limits, no deeper than the accepted floors allow."""
    if pocket.floor_limits_mm is None:
        return placed.bottom_z_mm + pocket.floor_z_mm
    deep = pocket.floor_z_mm - means.tolerances.floor_mm / 2
    shallow = pocket.floor_z_mm + means.tolerances.left_mm / 2
    return placed.bottom_z_mm + min(max(sum(pocket.floor_limits_mm) / 2, deep), shallow)
