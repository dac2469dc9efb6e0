"""The plan of one setup: every part's features turned into toolpaths, in cutting order.

Order over all parts: face, bores with the same cutter, spot, drill, bores and pockets, webs, outlines. What must be
accurate is cut while the plate is whole; outlines come last, small parts before big ones, from the middle of the billet
outward. Inside a stage the work is grouped by cutter, and a stage begins with the cutter that is already in the spindle
and ends with the one of the outlines. A bore in another's floor waits for its host.

Whatever cannot be planned is collected over all parts and raised at once.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from pipeline.errors import BadInput, PlanError
from pipeline.geometry.regions import Figure, clearance_mm
from pipeline.model.feedback import Feedback
from pipeline.model.findings import Finding, has_errors
from pipeline.model.job import NestRequest, Tolerances
from pipeline.model.loop import Loop
from pipeline.model.part import Feature, Hole, Pocket
from pipeline.model.setup import PlacedPart, Setup
from pipeline.model.shop import Crib, Cutter, CutterKind, Machine, Material
from pipeline.model.toolpath import RAPID, NotCut, Operation, Plan, Toolpath
from pipeline.operations.capped import capped
from pipeline.operations.cleared import Cleared
from pipeline.operations.cutters import BLOCK_ROOM_MM, Means, drills_for, face_cutters, outline_cutter
from pipeline.operations.face import plan_face
from pipeline.operations.heights import SAME_MM, is_open, nesting, surface_z_mm
from pipeline.operations.hole_work import Work, bored_after_facing, bored_hole, drilled_hole, predrill_for
from pipeline.operations.not_cut import later_by_recipe, later_of_part
from pipeline.operations.outline import plan_outline, unreached
from pipeline.operations.pocket_work import milled_pocket
from pipeline.operations.recipes import STAGES, Case, recipe_for
from pipeline.operations.web import plan_webs
from pipeline.shop.cutting import least_chip_mm

_CHORD_MM = 0.02  # for distances between outlines
FREE_MM = 0.02  # kept between a facing cutter and a taller neighbour
NO_CAPS = Feedback()
OVER_MM = 0.05  # open pockets are cut this far past the kerf beside a part, facing as far again


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Step:
    """A toolpath with its place: stage, level of nesting, then the part's and the feature's place in their lists."""

    stage: int
    level: int
    place: tuple[int, int]
    toolpath: Toolpath


def plan_toolpaths(
    setup: Setup,
    *,
    crib: Crib,
    machine: Machine,
    material: Material,
    tolerances: Tolerances,
    nest_request: NestRequest,
    feedback: Feedback = NO_CAPS,
) -> Plan:
    """All toolpaths of the setup in cutting order, what they leave, and warnings. Setup frame, mm. `feedback` is what
    checking an earlier program of this setup asked for: it lowers feeds and moves nothing.

    Raises BadInput with every finding when a part cannot be made with this crib on this machine.
    """
    means = Means(crib=crib, machine=machine, material=material, tolerances=tolerances, nest=nest_request)
    findings = [*_wall_budget(means)]
    steps: list[Step] = []
    early: list[frozenset[str]] = []
    not_cut: list[NotCut] = []
    for i, placed in enumerate(setup.parts):
        try:
            steps.append(Step(stage=STAGES["face"], level=0, place=(i, -1), toolpath=_face(placed, setup, means)))
            cutter = steps[-1].toolpath.operation.cutter
            early.append(bored_after_facing(placed, cutter, setup=setup, means=means))
        except PlanError as error:
            early.append(frozenset())
            findings.append(_finding(error))
    cleared = _cleared((step.toolpath for step in steps), crib)
    for i, placed in enumerate(setup.parts):
        for k, feature in enumerate(placed.part.features):
            try:
                work = _work(placed, feature, cleared, early[i], setup, means)
            except PlanError as error:
                findings.append(_finding(error))
                continue
            steps += [
                Step(stage=STAGES[s], level=_level(placed, feature, s), place=(i, k), toolpath=toolpath)
                for s, toolpath in work.toolpaths
            ]
            not_cut += work.not_cut
            findings += work.findings
        not_cut += later_of_part(placed, setup, units=machine.dialect.units)
    before = _in_order(steps, last_cutter=nest_request.outline_cutter)
    cleared = _cleared(before, crib)
    webs: tuple[Toolpath, ...] = ()
    if any(cutter.number == nest_request.outline_cutter and cutter.kind is CutterKind.FLAT for cutter in crib.cutters):
        webs, web_findings = plan_webs(
            setup, cutter=crib.cutter(nest_request.outline_cutter), cleared=cleared, means=means
        )
        findings += web_findings
    outlines, outline_findings = _outlines(cleared, setup, means)
    findings += outline_findings
    toolpaths = tuple(
        capped(toolpath, feedback, crib.cutter(toolpath.operation.cutter)) for toolpath in (*before, *webs, *outlines)
    )
    used = sorted({toolpath.operation.cutter for toolpath in toolpaths})
    for number in used:
        findings += means.cut(crib.cutter(number)).warnings
    findings = _once(findings)
    if has_errors(findings):
        raise BadInput(findings)
    return Plan(toolpaths=toolpaths, not_cut=tuple(not_cut), findings=tuple(findings))


def _cleared(toolpaths: Iterable[Toolpath], crib: Crib) -> Cleared:
    """What areas are cut, and how deep, when these toolpaths are done."""
    cleared = Cleared()
    for toolpath in toolpaths:
        if toolpath.operation.kind in ("face", "pocket"):
            cleared.add_passes(toolpath.passes, crib.cutter(toolpath.operation.cutter).diameter_mm / 2)
    return cleared


def _level(placed: PlacedPart, feature: Feature, stage: str) -> int:
    """How many hosts must be cut first: none for a drill, which goes through its hosts' metal from the faced plane."""
    if not isinstance(feature, (Hole, Pocket)) or stage in ("spot", "drill"):
        return 0
    return nesting(feature, placed.part).level


def _work(
    placed: PlacedPart, feature: Feature, faced: Cleared, early: frozenset[str], setup: Setup, means: Means
) -> Work:
    """One feature by the table of recipes. `faced` is what facing has cut, on all parts; `early` are the part's holes
    that are bored at once after it."""
    host = nesting(feature, placed.part).host if isinstance(feature, (Hole, Pocket)) else None
    top = surface_z_mm(placed, host) if host is not None and host.id in early else placed.inside_z_mm
    drills = drills_for(feature, means) if isinstance(feature, Hole) else ()
    case = Case(feature=feature, is_open=is_open(feature, placed.part), is_drillable=bool(drills))
    first = None
    if isinstance(feature, Hole) and case.from_inside and not drills:
        first = predrill_for(placed, feature, top_mm=top, setup=setup, means=means)
        case = replace(case, is_narrow=first is not None)
    recipe = recipe_for(case)
    if not recipe.now:
        return Work(not_cut=(later_by_recipe(placed, feature, recipe, setup=setup),))
    if isinstance(feature, Hole) and "bore" in recipe.now:
        stage = "bore after facing" if feature.id in early else "bore"
        return bored_hole(placed, feature, stage=stage, first=first, top_mm=top, setup=setup, means=means)
    if isinstance(feature, Hole):
        return _first_drill_that_reaches(placed, feature, drills, top, setup, means)
    if isinstance(feature, Pocket):
        beyond = _beyond(placed, feature, setup, means)
        return milled_pocket(placed, feature, beyond_mm=beyond, faced=faced, setup=setup, means=means)
    raise PlanError(
        where=f"{placed.part_id}/{feature.id}", found=f"a recipe for {type(feature).__name__} that nothing carries out"
    )


def _first_drill_that_reaches(
    placed: PlacedPart, hole: Hole, drills: tuple[Cutter, ...], top_mm: float, setup: Setup, means: Means
) -> Work:
    """The drill nearest to the drawn size whose flutes are long enough. Raises the nearest's PlanError."""
    errors = []
    for drill in drills:
        try:
            return drilled_hole(placed, hole, drill, top_mm=top_mm, setup=setup, means=means)
        except PlanError as error:
            errors.append(error)
    raise errors[0]


def _face(placed: PlacedPart, setup: Setup, means: Means) -> Toolpath:
    """Down to the inside face over the part and what the cutter covers beside it, but not into taller neighbours."""
    outline = placed.part.outline.moved(placed.setup_from_part)
    top, face = setup.z.top_high_mm, placed.inside_z_mm
    near = max((c.diameter_mm for c in means.of_kind(CutterKind.FLAT)), default=0.0) + FREE_MM
    taller = [(loop, gap) for loop, gap in _taller(placed, outline, setup) if gap < near]
    free = min((gap - FREE_MM for _, gap in taller), default=math.inf)
    blocks = [_gap_mm(outline, Loop.polygon(block.outline)) - BLOCK_ROOM_MM - FREE_MM for block in setup.blocks]
    beyond = min([means.kerf_mm() + 2 * OVER_MM, *blocks])
    errors = []
    for cutter in face_cutters(top - face, free, means, f"{placed.part_id}/inside-face"):
        cut = means.cut(cutter)
        operation = Operation(
            id=f"{placed.part_id}/inside-face/face", kind="face", part_id=placed.part_id, feature_id="inside-face",
            cutter=cutter.number, spindle_rpm=cut.rpm, feed_mm_min=cut.clear_feed_mm_min, top_z_mm=top,
            bottom_z_mm=face, stepdown_mm=cut.stepdown_mm, stepover_mm=cut.stepover_mm,
            note="toleranced depths count from this plane",
        )  # fmt: skip
        try:
            passes = plan_face(
                pass_prefix=operation.id, outline=outline, taller=tuple(loop for loop, _ in taller), z_from_mm=top,
                z_to_mm=face, cutter=cutter, cut=cut, clearance_mm=setup.z.clearance_mm,
                beyond_mm=beyond,
            )  # fmt: skip
        except PlanError as error:  # a smaller cutter may still come between
            errors.append(error)
            continue
        return Toolpath(operation=operation, passes=passes)
    raise errors[0]


def _taller(placed: PlacedPart, outline: Loop, setup: Setup) -> list[tuple[Loop, float]]:
    """What stands higher than this part's inside face, with its distance: other parts, and blocks on the bed."""
    higher = [
        other.part.outline.moved(other.setup_from_part)
        for other in setup.parts
        if other.part_id != placed.part_id and other.inside_z_mm > placed.inside_z_mm + SAME_MM
    ]
    higher += [Loop.polygon(b.outline) for b in setup.blocks if b.height_mm > placed.inside_z_mm + SAME_MM]
    return [(loop, _gap_mm(outline, loop)) for loop in higher]


def _outlines(cleared: Cleared, setup: Setup, means: Means) -> tuple[tuple[Toolpath, ...], list[Finding]]:
    """All outlines down to the skin, in order. `cleared` is what is cut before them, and grows."""
    middle = setup.billet.mean(axis=0)

    def key(placed: PlacedPart) -> tuple[float, float, str]:
        centre = placed.part.outline.moved(placed.setup_from_part).vertices[:, :2].mean(axis=0)
        away = float(np.hypot(*(centre - middle)))
        return round(placed.part.outline.area_mm2, 3), round(away, 3), placed.part_id

    toolpaths, findings = [], []
    for placed in sorted(setup.parts, key=key):
        where = f"{placed.part_id}/edge"
        outline = placed.part.outline.moved(placed.setup_from_part)
        top, skin = setup.z.top_high_mm, setup.z.skin_mm
        try:
            cutter = outline_cutter(outline, top - skin, means, where)
            _no_notch(outline, cutter, where)
            cut = means.cut(cutter)
            operation = Operation(
                id=f"{where}/outline", kind="outline", part_id=placed.part_id, feature_id="edge",
                cutter=cutter.number, spindle_rpm=cut.rpm, feed_mm_min=cut.slot_feed_mm_min, top_z_mm=top,
                bottom_z_mm=skin, stepdown_mm=cut.stepdown_mm, note="down to the skin, never through it",
            )  # fmt: skip
            passes = plan_outline(
                pass_prefix=operation.id, outline=outline, z_from_mm=top, z_to_mm=skin, cutter=cutter, cut=cut,
                clearance_mm=setup.z.clearance_mm, wall_allowance_mm=means.allowance_mm(cutter), cleared=cleared,
                feed_high_mm_min=means.outside_feed_high_mm_min(),
            )  # fmt: skip
            starts = [float(one.moves[one.moves[:, 0] != RAPID, 3].max()) for one in passes]
            operation = replace(operation, top_z_mm=max(starts, default=top))
            toolpaths.append(Toolpath(operation=operation, passes=passes))
        except PlanError as error:
            findings.append(_finding(error))
    return tuple(toolpaths), findings


def _no_notch(outline: Loop, cutter: Cutter, where: str) -> None:
    """A notch with round corners may still be too narrow for the cutter: stock would stay on the part in silence."""
    notches = unreached(outline, cutter)
    if notches:
        x, y = notches[0].mean(axis=0)
        raise PlanError(
            where=where,
            found=f"a notch near X{x:.2f} Y{y:.2f} that T{cutter.number}, {cutter.diameter_mm:.3f} mm, cannot enter",
            wanted="an outline that the outline cutter reaches everywhere",
            hint="name a smaller outline_cutter in the job, or open the notch",
            code="O410",
        )


def _in_order(steps: Iterable[Step], *, last_cutter: int) -> tuple[Toolpath, ...]:
    """Stage by stage, cutter by cutter: the one in the spindle first, `last_cutter` last, else by number. What lies in
    something else of its part waits until that is cut."""
    ordered: list[Toolpath] = []
    in_spindle = -1
    stages: dict[int, list[Step]] = {}
    for step in sorted(steps, key=lambda s: (s.stage, s.place)):
        stages.setdefault(step.stage, []).append(step)
    for waiting in stages.values():
        while waiting:
            level = {i: min(s.level for s in waiting if s.place[0] == i) for i in {s.place[0] for s in waiting}}
            ready = [s for s in waiting if s.level == level[s.place[0]]]
            in_spindle = min(
                {s.toolpath.operation.cutter for s in ready}, key=lambda n: (n != in_spindle, n == last_cutter, n)
            )
            now = [s for s in ready if s.toolpath.operation.cutter == in_spindle]
            ordered += [step.toolpath for step in now]
            waiting = [s for s in waiting if s not in now]
    return tuple(ordered)


def _beyond(placed: PlacedPart, pocket: Pocket, setup: Setup, means: Means) -> float:
    """How far past an open pocket's own line the cutter's disc may go: within the kerf round the part, and not into
    a neighbour."""
    if not pocket.open_edge:
        return 0.0
    line = pocket.outer.moved(placed.setup_from_part)
    outline = placed.part.outline.moved(placed.setup_from_part)
    others = [p.part.outline.moved(p.setup_from_part) for p in setup.parts if p.part_id != placed.part_id]
    room = min((_gap_mm(line, other) - FREE_MM for other in others), default=math.inf)
    blocks = [Loop.polygon(block.outline) for block in setup.blocks]
    room = min([room, *(_gap_mm(line, block) - BLOCK_ROOM_MM for block in blocks)])
    return max(0.0, min(means.kerf_mm() + OVER_MM - _farthest_outside_mm(line, outline), room))


def _gap_mm(a: Loop, b: Loop) -> float:
    figures = [Figure.polygon(loop.flattened(chord_mm=_CHORD_MM, outward=True)) for loop in (a, b)]
    return clearance_mm(figures[0], figures[1])


def _farthest_outside_mm(line: Loop, outline: Loop) -> float:
    """How far the line reaches past the outline, 0 when it does not."""
    figure = Figure.polygon(outline.flattened(chord_mm=_CHORD_MM))
    points = line.flattened(chord_mm=_CHORD_MM)
    return max(0.0, *(clearance_mm(Figure.disc(float(x), float(y), 0.0), figure) for x, y in points))


def _wall_budget(means: Means) -> list[Finding]:
    """The machine rounds corners off: that and the kerf's room must fit what the job accepts."""
    findings = []
    error = means.wall_error_mm()
    for name, accepted in (("wall", means.tolerances.wall_mm), ("left", means.tolerances.left_mm)):
        if error > accepted:
            findings.append(Finding(
                code="O408", where=means.machine.name,
                found=f"corners blended and chords off by up to {error:.3f} mm", wanted=f"{name}: {accepted:.3f} mm",
                hint=f"lower blend in the machine's file, use G61, or widen {name} in the job's tolerances",
            ))  # fmt: skip
    try:
        cutter = means.crib.cutter(means.nest.outline_cutter)
    except KeyError:
        return findings
    least = means.wall_error_mm() + least_chip_mm(cutter)
    if means.allowance_mm(cutter) < least:
        findings.append(Finding(
            code="O409", where="nest/margin_mm", found=f"{means.nest.margin_mm:.3f} mm",
            wanted=f"at least {2 * least:.3f} mm: half of it is left on each wall for the finishing pass",
            hint="raise margin_mm in the job's nest",
        ))  # fmt: skip
    return findings


def _finding(error: PlanError) -> Finding:
    return Finding(code=error.code, where=error.where, found=error.found, wanted=error.wanted, hint=error.hint)


def _once(findings: Iterable[Finding]) -> list[Finding]:
    """Errors first; of equal findings on copies of a part (`stud-1`, `stud-2`) the first, with the number of copies."""
    seen: dict[tuple[str, ...], list[Finding]] = {}
    for finding in findings:
        part, _, rest = finding.where.partition("/")
        kind = part.rstrip("0123456789").rstrip("-")
        seen.setdefault((finding.severity, finding.code, kind, rest, finding.found), []).append(finding)
    kept = [
        same[0] if len(same) == 1 else replace(same[0], found=f"{same[0].found} (the same on {len(same) - 1} more)")
        for same in seen.values()
    ]
    rank = {"error": 0, "warning": 1, "note": 2}
    return sorted(kept, key=lambda f: rank[f.severity])
