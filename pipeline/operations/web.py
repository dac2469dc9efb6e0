"""Webs: thin waste between kerfs, cleared to the skin before the outlines, while everything round it is still solid.

Words: the *waste* is the billet less the parts and the kerfs round them. A *web* is waste that no disc of radius
`THIN_MM` fits in, or a post smaller than `POST_MM2`: when the outlines have run, it would stand on the skin alone, and
whip into the cutter beside a finished wall. Both bounds: common practice, no source.

Steps: find the webs; grow them by the cutter and a margin, less the parts with the allowance their walls keep, and less
what stands on the bed and plugs in the plate, with room; clear each such region like a pocket without walls. Cutting a
web can leave another one beside it, so the search is made again on what is left. A web that the cutter cannot cover is
told of.
"""

from __future__ import annotations

from pipeline.geometry.offsets import Area
from pipeline.model.findings import Finding
from pipeline.model.loop import Loop
from pipeline.model.setup import Setup
from pipeline.model.shop import Cutter
from pipeline.model.toolpath import Operation, Toolpath
from pipeline.operations.cleared import Cleared
from pipeline.operations.cutters import BLOCK_ROOM_MM, Means
from pipeline.operations.pocket import plan_pocket

THIN_MM = 0.5
POST_MM2 = 6.0
TIP_MM2 = 0.5  # the thin tip of a solid piece, no larger than this, stands by itself
MARGIN_MM = 0.4  # beside the cutter, round a web: its path turns with at least this radius
ROUNDS = 3
NOISE_MM = 0.005  # thinner is the noise of chords
LEFT_MM2 = 0.05  # of a web: less is chips
WASTE = "waste"  # in place of a part's id


def find_webs(waste: Area) -> Area:
    """What of the waste is too thin or too small to stand while the outlines are cut."""
    webs = Area.nothing()
    for piece in waste.pieces():
        if piece.area_mm2 < POST_MM2:
            webs = webs.plus(piece)
            continue
        thin = piece.minus(piece.shrunk(THIN_MM).grown(THIN_MM + NOISE_MM)).without_slivers(NOISE_MM)
        for web in thin.pieces():
            if web.area_mm2 > TIP_MM2:
                webs = webs.plus(web)
    return webs


def plan_webs(
    setup: Setup, *, cutter: Cutter, cleared: Cleared, means: Means
) -> tuple[tuple[Toolpath, ...], list[Finding]]:
    """Toolpaths that clear the webs down to the skin, and warnings about webs that stay. `cleared` is what is cut
    before, and grows."""
    parts = Area.union([placed.part.outline.moved(placed.setup_from_part) for placed in setup.parts])
    kept = parts.grown(means.allowance_mm(cutter))
    holes = [Loop.polygon(hole) for hole in setup.holes]  # a cutter that grips a plug tears it out
    blocks = [Loop.polygon(block.outline) for block in setup.blocks]
    kept = kept.plus(Area.union([*blocks, *holes]).grown(BLOCK_ROOM_MM))
    plate = Area.of_loops(Loop.polygon(setup.billet), holes)
    waste = plate.minus(parts.grown(means.kerf_mm())).without_slivers(NOISE_MM)
    toolpaths: list[Toolpath] = []
    findings: list[Finding] = []
    for _ in range(ROUNDS):
        webs = find_webs(waste)
        if webs.is_empty:
            break
        for region in webs.grown(cutter.diameter_mm / 2 + MARGIN_MM).minus(kept).pieces():
            toolpath = _clear(region, f"web-{len(toolpaths) + 1}", setup, cutter, cleared, means)
            if toolpath is not None:
                toolpaths.append(toolpath)
        left = webs.minus(cleared.at(setup.z.skin_mm)).without_slivers(NOISE_MM)
        findings += [_left(web, cutter) for web in left.pieces() if web.area_mm2 > LEFT_MM2]
        waste = waste.minus(webs).minus(cleared.at(setup.z.skin_mm)).without_slivers(NOISE_MM)
    findings += [_left(web, cutter) for web in find_webs(waste).pieces()]
    return tuple(toolpaths), findings


def _clear(
    region: Area, name: str, setup: Setup, cutter: Cutter, cleared: Cleared, means: Means
) -> Toolpath | None:
    """One region of webs, top to skin; None where the cutter does not fit."""
    cut, skin = means.cut(cutter), setup.z.skin_mm
    top = cleared.top_over(region, top_mm=setup.z.top_high_mm)
    outer, islands = region.loops()
    operation = Operation(
        id=f"{WASTE}/{name}/clear", kind="web", part_id=WASTE, feature_id=name, cutter=cutter.number,
        spindle_rpm=cut.rpm, feed_mm_min=cut.clear_feed_mm_min, top_z_mm=top, bottom_z_mm=skin,
        stepdown_mm=cut.stepdown_mm, stepover_mm=cut.stepover_mm,
        note="thin waste, before it could whip into the outline cutter",
    )  # fmt: skip
    result = plan_pocket(
        pass_prefix=operation.id, outer=outer, islands=islands, open_edge=False, beyond_mm=0.0, top_z_mm=top,
        floor_z_mm=skin, cutter=cutter, cut=cut, clearance_mm=setup.z.clearance_mm, wall_allowance_mm=0.0,
        floor_allowance_mm=0.0, finish=False,
    )  # fmt: skip
    if not result.passes:
        return None
    cleared.add_passes(result.passes, cutter.diameter_mm / 2)
    return Toolpath(operation=operation, passes=result.passes)


def _left(web: Area, cutter: Cutter) -> Finding:
    x, y = web.inner_point()
    return Finding(
        code="O411", severity="warning", where=WASTE,
        found=f"{web.area_mm2:.2f} mm2 of thin waste near X{x:.2f} Y{y:.2f} that T{cutter.number} does not reach first",
        wanted="waste that stands by itself when the outlines are cut",
        hint="raise the nest's margin_mm, move parts or blocks, or watch this place and cut it by hand",
    )  # fmt: skip
