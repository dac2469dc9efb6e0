"""Webs: thin waste is found, cleared to the skin before the outlines, and never at the cost of a wall."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import shapely

from pipeline.geometry.offsets import Area
from pipeline.model.loop import Loop
from pipeline.model.shop import Block
from pipeline.model.toolpath import PathPass, Plan
from pipeline.operations import plan_toolpaths
from pipeline.operations.web import find_webs
from tests.unit.operations.area_sweep import all_lines, swept
from tests.unit.operations.shop_values import CRIB, MACHINE, MATERIAL, NEST, TOLERANCES, part, rectangle, rounded, setup

SKIN, KERF, ALLOWANCE = 0.25, 3.18, 0.18  # of the 3 mm outline cutter: 0.06 of its diameter for the finish


def area(x0: float, y0: float, x1: float, y1: float) -> Area:
    return Area.of_loops(rectangle(x0, y0, x1, y1))


def test_thin_strips_and_small_posts_are_webs_and_solid_waste_is_not() -> None:
    assert find_webs(area(0, 0, 20, 1.2)).is_empty
    assert find_webs(area(0, 0, 20, 0.9)).area_mm2 == pytest.approx(18)
    assert find_webs(area(0, 0, 2.4, 2.4)).area_mm2 == pytest.approx(5.76)
    assert find_webs(area(0, 0, 2.6, 2.6)).is_empty
    # a rib on a solid piece counts without the piece; its last bit and the piece's sharp corners stand by themselves
    rib = find_webs(area(0, 0, 20, 20).plus(area(19, 9.7, 30, 10.3)))
    assert rib.area_mm2 == pytest.approx(6.0, abs=0.3)


def planned(
    gap: float, *, blocks: tuple[Block, ...] = (), holes: tuple[np.ndarray, ...] = ()
) -> tuple[Plan, list[shapely.Polygon]]:
    """Two plates whose kerfs leave a strip of waste `gap` wide between them."""
    plates = [("a-1", 60.0, 20.0), ("a-2", 60.0, 40.0 + 2 * KERF + gap)]
    kind = part("a", outline=rounded(0, 0, 40, 20, 4))
    made = setup([(name, kind, x, y) for name, x, y in plates], blocks=blocks)
    plan = plan_toolpaths(
        replace(made, holes=holes), crib=CRIB, machine=MACHINE,
        material=MATERIAL, tolerances=TOLERANCES, nest_request=NEST,
    )  # fmt: skip
    outline = shapely.Polygon(rounded(0, 0, 40, 20, 4).flattened(chord_mm=1e-4))
    return plan, [shapely.affinity.translate(outline, x, y) for _, x, y in plates]


def test_a_web_is_cleared_to_the_skin_before_the_outlines_and_off_the_walls() -> None:
    plan, parts = planned(0.4)
    kinds = [t.operation.kind for t in plan.toolpaths]
    assert kinds == ["face", "face", "web", "outline", "outline"]
    web = plan.toolpaths[2]
    assert (web.operation.id, web.operation.part_id, web.operation.bottom_z_mm) == ("waste/web-1/clear", "waste", SKIN)
    passes = [p for p in web.passes if isinstance(p, PathPass)]
    assert min(float(p.moves[:, 3].min()) for p in passes) == SKIN
    assert all_lines(passes).distance(shapely.union_all(parts)) >= 1.5 + ALLOWANCE - 0.002
    strip = shapely.box(66, 40 + KERF, 94, 40 + KERF + 0.4)
    assert strip.difference(swept(passes, SKIN, 1.5)).area < 1e-3
    assert not [f for f in plan.findings if f.code == "O411"]


def test_waste_that_stands_by_itself_is_left() -> None:
    assert "web" not in [t.operation.kind for t in planned(1.3)[0].toolpaths]


def test_a_web_beside_a_clamp_is_told_of() -> None:
    corners = np.array([[78.0, 42.9], [82, 42.9], [82, 43.9], [78, 43.9]])  # on the strip, 2.9 mm off the plates
    plan, _ = planned(0.4, blocks=(Block(name="c", kind="clamp", outline=corners, height_mm=4.0),))
    told = [f for f in plan.findings if f.code == "O411"]
    assert told and all(f.severity == "warning" and "Y43." in f.found for f in told)


def test_no_web_is_cleared_into_a_plug() -> None:
    hole = np.array([[76.0, 43.0], [84, 43.0], [84, 43.8], [76, 43.8]])  # right across the strip
    plan, _ = planned(0.4, holes=(hole,))
    webs = [t for t in plan.toolpaths if t.operation.kind == "web"]
    passes = [p for t in webs for p in t.passes if isinstance(p, PathPass)]
    assert len(webs) == 2 and all_lines(passes).distance(shapely.Polygon(hole)) >= 1.5 + 2.0 - 0.005
    assert [f for f in plan.findings if f.code == "O411"], "what stays beside the plug is told of"


def test_loops_of_an_area_with_holes() -> None:
    outer, holes = area(0, 0, 20, 10).minus(Area.of_loops(Loop.circle(5, 5, 2))).minus(area(10, 2, 18, 8)).loops()
    assert outer.area_mm2 == pytest.approx(200)
    assert [hole.area_mm2 for hole in holes] == pytest.approx([48, np.pi * 4], rel=1e-3)
