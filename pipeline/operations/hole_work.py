"""From a hole on a part to its operations: which drill or mill, how deep, how wide, and what stays below.

A drilled through hole stops with its tip at the skin plane; where the full diameter then ends too high, or the skin
and the stock under the part close it, the second side opens it.
"""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.errors import PlanError
from pipeline.model.findings import Finding
from pipeline.model.job import Tolerances
from pipeline.model.part import Hole, Side
from pipeline.model.setup import PlacedPart, Setup
from pipeline.model.shop import Cutter
from pipeline.model.toolpath import NotCut, Operation, Toolpath
from pipeline.operations.bore import plan_bore
from pipeline.operations.cutters import CLOSE_FIT_MM, Means, bore_cutter, drills_for, predrill, spot_drill
from pipeline.operations.drill import peck_bottoms_mm, plan_drill, point_length_mm, through_tip_z_mm
from pipeline.operations.heights import SAME_MM, is_open, nesting, surface_z_mm, through_floor_z_mm
from pipeline.operations.not_cut import NO_REGION, SPILL_MM, centre_setup, hole_region, hole_ring, later_by_rule
from pipeline.operations.spot import plan_spot

SPOT_SHARE = 0.5  # of the hole's depth, at most: the dimple's tip stays above a shallow hole's point
PREDRILL_FLOOR_MM = 0.1  # the point of a drill before a bore stays this far above a blind floor
LEAST_WEB_MM = 0.3  # metal left under a blind hole on the show face. Common practice, no source


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Work:
    """What one feature asks for: toolpaths with the stage each belongs to, what they leave, and warnings."""

    toolpaths: tuple[tuple[str, Toolpath], ...] = ()
    not_cut: tuple[NotCut, ...] = ()
    findings: tuple[Finding, ...] = ()


def drilled_hole(
    placed: PlacedPart, hole: Hole, drill: Cutter, *, top_mm: float, setup: Setup, means: Means
) -> Work:
    """Spot and drill from what stands there by then (`top_mm`): the faced plane, also where the hole's own top lies
    lower, since what is above it goes anyway. Raises PlanError.
    """
    where = f"{placed.part_id}/{hole.id}"
    top = top_mm
    point = point_length_mm(drill.diameter_mm, drill.point_angle_rad)
    findings: tuple[Finding, ...] = ()
    if hole.through:
        end = through_floor_z_mm(placed, hole.bottom_z_mm, setup.z)
        tip = max(setup.z.skin_mm, through_tip_z_mm(top, top - end, drill.diameter_mm, drill.point_angle_rad, 0.0))
    else:
        tip = placed.bottom_z_mm + floor_aim_mm(hole, means.tolerances) - point
        findings = _web(placed, hole, tip)
    if tip >= top:
        raise PlanError(
            where=where, found=f"a hole whose drill T{drill.number} would end above its surface",
            wanted="a hole below the inside face", hint="check the hole's depth",
        )  # fmt: skip
    toolpaths = _spot_and_drill(
        placed, hole, drill, top_mm=top, tip_mm=tip, means=means,
        note=f"full diameter to Z {means.shown(tip + point)}, the point below"
    )
    left = _left(
        placed, hole, setup, made_mm=drill.diameter_mm, means=means, full_to_mm=tip + point
    )
    return Work(toolpaths=toolpaths, not_cut=left, findings=findings)


def _spot_and_drill(
    placed: PlacedPart, hole: Hole, drill: Cutter, *, top_mm: float, tip_mm: float, means: Means, note: str
) -> tuple[tuple[str, Toolpath], ...]:
    """The dimple and the drilled hole. Raises PlanError."""
    where, at, top, tip = f"{placed.part_id}/{hole.id}", centre_setup(placed, hole), top_mm, tip_mm
    spot = spot_drill(drill, means, where)
    spot_cut, drill_cut = means.cut(spot), means.cut(drill)
    spot_pass = plan_spot(
        pass_id=f"{where}/spot", at_mm=at, top_z_mm=top, hole_mm=min(drill.diameter_mm, hole.diameter_mm),
        drill_angle_rad=drill.point_angle_rad, depth_high_mm=SPOT_SHARE * (top - tip), cutter=spot, cut=spot_cut,
    )  # fmt: skip
    drill_pass = plan_drill(
        pass_id=f"{where}/drill", at_mm=at, top_z_mm=top, tip_z_mm=tip, cutter=drill, cut=drill_cut
    )
    pecks = ""
    if drill_pass.peck_mm > 0:
        n = len(peck_bottoms_mm(drill_pass.retract_z_mm, tip, drill_pass.peck_mm))
        pecks = f"; {n} pecks of {means.shown(drill_pass.peck_mm)}"
    return (
        ("spot", Toolpath(passes=(spot_pass,), operation=_operation(
            placed, hole, "spot", spot, spot_cut.rpm, spot_pass.feed_mm_min, top, spot_pass.bottom_z_mm,
            note="the dimple's mouth stays inside the hole"))),
        ("drill", Toolpath(passes=(drill_pass,), operation=_operation(
            placed, hole, "drill", drill, drill_cut.rpm, drill_pass.feed_mm_min, top, tip,
            note=f"{note}{pecks}"))),
    )  # fmt: skip


def predrill_for(placed: PlacedPart, hole: Hole, *, top_mm: float, setup: Setup, means: Means) -> Cutter | None:
    """The drill that goes before a bore barely wider than its end mill; None where none is wanted or fits.

    Raises PlanError when nothing bores the hole at all.
    """
    floor, where = _bore_floor_mm(placed, hole, setup, means), f"{placed.part_id}/{hole.id}"
    cutter = bore_cutter(hole, setup.z.top_high_mm - floor, means, where)
    drill = predrill(hole.diameter_mm, cutter, means)
    if drill is None:
        return None
    depth = top_mm - _predrill_tip_mm(hole, drill, floor, setup)
    return drill if 0 < depth <= min(drill.flute_length_mm, drill.reach_mm) else None


def _predrill_tip_mm(hole: Hole, drill: Cutter, floor_mm: float, setup: Setup) -> float:
    if not hole.through:
        return floor_mm + PREDRILL_FLOOR_MM
    return max(setup.z.skin_mm, floor_mm - point_length_mm(drill.diameter_mm, drill.point_angle_rad))


def _bore_floor_mm(placed: PlacedPart, hole: Hole, setup: Setup, means: Means) -> float:
    if hole.through:
        return through_floor_z_mm(placed, hole.bottom_z_mm, setup.z)
    return placed.bottom_z_mm + floor_aim_mm(hole, means.tolerances)


def bored_after_facing(placed: PlacedPart, face_cutter: int, *, setup: Setup, means: Means) -> frozenset[str]:
    """The holes in a part's faced plane that are bored at once with the cutter that faced it: it is loaded once."""
    early = set()
    for hole in placed.part.features:
        if not isinstance(hole, Hole) or hole.side is not Side.INSIDE or drills_for(hole, means):
            continue
        if nesting(hole, placed.part).level > 0 or not is_open(hole, placed.part):
            continue
        floor = _bore_floor_mm(placed, hole, setup, means)
        try:
            cutter = bore_cutter(hole, setup.z.top_high_mm - floor, means, hole.id)
        except PlanError:  # comes again with the hole's own work
            continue
        if cutter.number == face_cutter and predrill(hole.diameter_mm, cutter, means) is None:
            early.add(hole.id)
    return frozenset(early)


def bored_hole(
    placed: PlacedPart, hole: Hole, *, stage: str, first: Cutter | None = None, top_mm: float, setup: Setup,
    means: Means,
) -> Work:  # fmt: skip
    """Helical bore from the surface left by the hole's host, after the drill `first` where there is one, which begins
    at `top_mm`. Raises PlanError.
    """
    where = f"{placed.part_id}/{hole.id}"
    nest = nesting(hole, placed.part)
    top = surface_z_mm(placed, nest.host)
    floor = _bore_floor_mm(placed, hole, setup, means)
    findings = () if hole.through else _web(placed, hole, floor)
    if floor >= top:
        raise PlanError(
            where=where, found=f"a floor at Z {floor:.3f} mm under a surface at Z {top:.3f} mm",
            wanted="a hole below its surface", hint="check the hole's depth",
        )  # fmt: skip
    cutter = bore_cutter(hole, setup.z.top_high_mm - floor, means, where)
    cut = means.cut(cutter)
    low, high = _limits(hole)
    close = high - low <= CLOSE_FIT_MM
    size = size_aim_mm(hole, means.tolerances, where)
    finish = means.allowance_mm(cutter) if close else 0.0
    passes = plan_bore(
        pass_prefix=f"{where}/bore", centre_mm=centre_setup(placed, hole), hole_mm=size, top_z_mm=top,
        floor_z_mm=floor, cutter=cutter, cut=cut, finish_mm=finish, clearance_mm=setup.z.clearance_mm,
    )  # fmt: skip
    operation = _operation(
        placed, hole, "bore", cutter, cut.rpm, cut.slot_feed_mm_min, top, floor, stepdown_mm=cut.stepdown_mm,
        note=f"to {means.shown(size)}" + (", the last ring of its own: measure it" if close else ""),
    )  # fmt: skip
    left = _left(placed, hole, setup, made_mm=size, means=means, full_to_mm=floor)
    if not hole.through and not hole.flat_bottom:
        left += (later_by_rule(
            placed, hole.id, "hole point", region=hole_region(placed, hole),
            low_z_mm=floor - hole.diameter_mm / 2, high_z_mm=floor + SPILL_MM,
        ),)  # fmt: skip
    toolpaths: tuple[tuple[str, Toolpath], ...] = ((stage, Toolpath(passes=passes, operation=operation)),)
    if first is not None:
        tip = _predrill_tip_mm(hole, first, floor, setup)
        toolpaths = (
            *_spot_and_drill(placed, hole, first, top_mm=top_mm, tip_mm=tip, means=means, note="opened for the bore"),
            *toolpaths,
        )  # fmt: skip
    return Work(toolpaths=toolpaths, not_cut=left, findings=findings)


def size_aim_mm(hole: Hole, tolerances: Tolerances, where: str) -> float:
    """Diameter to bore: the middle of the limits, but no farther from the drawn size than the accepted walls allow.

    Raises PlanError when that lies outside the limits.
    """
    low, high = _limits(hole)
    middle = (low + high) / 2
    aim = min(max(middle, hole.diameter_mm - tolerances.left_mm), hole.diameter_mm + tolerances.wall_mm)
    if not low <= aim <= high:
        raise PlanError(
            where=where,
            found=f"a drawn diameter of {hole.diameter_mm:.4f} mm with limits {low:.4f} to {high:.4f} mm",
            wanted="a drawn diameter within its limits, or nearer to them than the accepted wall error",
            hint="correct the part's sizes, or widen wall in the job's tolerances",
            code="O405",
        )
    return aim


def floor_aim_mm(hole: Hole, tolerances: Tolerances) -> float:
    """Part Z of the full diameter's end: the middle of its limits, no deeper than the accepted floors allow."""
    if hole.depth_limits_mm is None:
        return hole.bottom_z_mm
    deep, shallow = hole.bottom_z_mm - tolerances.floor_mm / 2, hole.bottom_z_mm + tolerances.left_mm / 2
    return min(max(sum(hole.depth_limits_mm) / 2, deep), shallow)


def _limits(hole: Hole) -> tuple[float, float]:
    return hole.thread.drill_limits_mm if hole.thread else hole.limits_mm


def _web(placed: PlacedPart, hole: Hole, deepest_z_mm: float) -> tuple[Finding, ...]:
    """A blind hole must not break through the show face. Raises PlanError; a thin web is a warning."""
    where = f"{placed.part_id}/{hole.id}"
    web = deepest_z_mm - placed.bottom_z_mm
    if web <= SAME_MM:
        raise PlanError(
            where=where,
            found=f"a blind hole whose deepest point is {-web:.3f} mm past the outer face",
            wanted=f"{LEAST_WEB_MM:g} mm of metal below its point",
            hint="make the hole shallower, the part thicker, or the hole a through hole",
            code="O403",
        )
    if web >= LEAST_WEB_MM - SAME_MM:
        return ()
    return (Finding(
        code="O404", severity="warning", where=where, found=f"{web:.3f} mm of metal under the hole's deepest point",
        wanted=f"{LEAST_WEB_MM:g} mm: less bulges and shows on the outer face", hint="make the hole shallower",
        amount_mm=LEAST_WEB_MM - web,
    ),)  # fmt: skip


def _left(
    placed: PlacedPart, hole: Hole, setup: Setup, *, made_mm: float, means: Means, full_to_mm: float
) -> tuple[NotCut, ...]:
    """What stays of a hole of diameter `made_mm`: the closed bottom of a through hole, the thread."""
    left: list[NotCut] = []
    if hole.through:
        inside = full_to_mm - placed.bottom_z_mm
        left.append(later_by_rule(
            placed, hole.id, "drilled bottom" if inside > SAME_MM else "hole bottom",
            amounts=f"full diameter ends at Z {means.shown(full_to_mm)}, {means.shown(inside)} inside the part"
            if inside > SAME_MM else "", region=hole_region(placed, hole),
            low_z_mm=setup.z.skin_mm, high_z_mm=full_to_mm + SPILL_MM,
        ))  # fmt: skip
    if hole.thread is not None:
        # Where the drill is smaller than the drawn hole by more than may be left, the thread mill takes the ring.
        is_ring = hole.diameter_mm - made_mm > 2 * means.tolerances.left_mm
        left.append(later_by_rule(
            placed, hole.id, "thread", region=hole_ring(placed, hole, made_mm) if is_ring else NO_REGION,
            low_z_mm=full_to_mm, high_z_mm=placed.bottom_z_mm + hole.top_z_mm,
        ))  # fmt: skip
    return tuple(left)


def _operation(
    placed: PlacedPart, hole: Hole, kind: str, cutter: Cutter, rpm: float, feed: float, top: float, bottom: float,
    *, stepdown_mm: float = 0.0, note: str,
) -> Operation:  # fmt: skip
    return Operation(
        id=f"{placed.part_id}/{hole.id}/{kind}", kind=kind, part_id=placed.part_id, feature_id=hole.id,
        cutter=cutter.number, spindle_rpm=rpm, feed_mm_min=feed, top_z_mm=top, bottom_z_mm=bottom,
        stepdown_mm=stepdown_mm, note=note,
    )  # fmt: skip
