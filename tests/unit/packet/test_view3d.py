"""The scene of the 3D view: what the page draws is what the plan moves. Decoded here by a reader of its own."""

from __future__ import annotations

import base64
import dataclasses
import json
import math
from pathlib import Path

import numpy as np
import pytest
from jinja2 import Environment, FileSystemLoader, StrictUndefined

from pipeline.model.frames import Pose
from pipeline.model.setup import Setup
from pipeline.model.shop import CutterKind
from pipeline.model.toolpath import HolePass, Plan, Toolpath
from pipeline.packet.view import view3d
from tests.unit.gcode import small

HALF_COUNT_MM = 0.5 / 1000 + 1e-9
HOSTILE = "</script><script>alert(1)</script>"


def scene_text(plan: Plan | None = None, setup: Setup | None = None, units: str = "mm") -> str:
    """The scene of the small plan (or another), beside the program written from it."""
    plan, setup = plan or small.plan(), setup or small.setup()
    program = small.program(plan, where=setup)
    return view3d.scene_json(setup=setup, plan=plan, program=program, crib=small.CRIB, units=units)


def unpack(text: str, columns: int) -> np.ndarray:
    """Whole counts (n, columns) from the packed text, byte by byte as the docstring of `packed` tells it."""
    numbers, value, shift = [], 0, 0
    for byte in base64.b64decode(text):
        value |= (byte & 127) << shift
        shift += 7
        if byte < 128:
            numbers.append(-(value + 1) // 2 if value % 2 else value // 2)
            value, shift = 0, 0
    return np.cumsum(np.array(numbers, dtype=np.int64).reshape(-1, columns), axis=0)


def ends(step: dict) -> list[tuple[int, float, tuple[float, ...]]]:
    """Kind, feed in mm/min and end point in mm of every move of a step."""
    points, at, out = unpack(step["xyz"], 3) / 1000, 0, []
    for n, kind, feed in unpack(step["moves"], 3).tolist():
        at += n
        out.append((kind, feed / 10, tuple(points[at - 1])))
    assert at == len(points)
    return out


def planned(path: Toolpath) -> list[tuple[float, float, tuple[float, ...]]]:
    """The same, from the plan; a hole goes down by a rapid to its R plane, by a feed to its bottom, and up."""
    out = []
    for one in path.passes:
        if isinstance(one, HolePass):
            r = one.retract_z_mm
            for kind, z in ((0, small.CLEAR), (0, r), (1, one.bottom_z_mm), (0, r), (0, small.CLEAR)):
                out.append((kind, one.feed_mm_min * kind, (one.x_mm, one.y_mm, z)))
        else:
            out += [(row[0], row[6], tuple(row[1:4])) for row in one.moves.tolist()]
    return out


def test_a_step_per_toolpath_in_cutting_order():
    plan, program = small.plan(), small.program()
    steps = json.loads(scene_text())["steps"]
    assert [step["op"] for step in steps] == [path.operation.id for path in plan.toolpaths]
    first = {span.operation_id: span.first_line for span in reversed(program.index)}
    assert [step["line"] for step in steps] == [first[path.operation.id] for path in plan.toolpaths]


def test_a_step_names_the_start_before_it():
    starts = [start.line for start in small.program().starts]
    for step in json.loads(scene_text())["steps"]:
        assert step["start"] == max(line for line in starts if line <= step["line"])


def test_every_move_ends_where_the_plan_says():
    for step, path in zip(json.loads(scene_text())["steps"], small.plan().toolpaths, strict=True):
        drawn, wanted = ends(step), planned(path)
        assert [kind for kind, _, _ in drawn] == [kind for kind, _, _ in wanted]
        assert [feed for _, feed, _ in drawn] == pytest.approx([feed for _, feed, _ in wanted], abs=0.05)
        for (_, _, a), (_, _, b) in zip(drawn, wanted, strict=True):
            assert max(abs(p - q) for p, q in zip(a, b, strict=True)) <= HALF_COUNT_MM


def test_a_pass_knows_its_moves_and_its_lines():
    program = small.program()
    for step, path in zip(json.loads(scene_text())["steps"], small.plan().toolpaths, strict=True):
        mine = [span for span in program.index if span.operation_id == path.operation.id]
        spans = {span.pass_id: (span.first_line, span.last_line) for span in mine}
        assert [tuple(row[1:]) for row in step["passes"]] == [spans[one.id] for one in path.passes]
        assert sum(row[0] for row in step["passes"]) == len(unpack(step["moves"], 3))


@pytest.mark.parametrize("radius", [0.02, 0.3, 1.7, 25.0, 400.0])
@pytest.mark.parametrize("kind", [2, 3])
@pytest.mark.parametrize("turn", [0.001, 1.0, math.pi, 5.5, math.tau])
def test_a_drawn_arc_stays_within_the_chord_error(radius: float, kind: int, turn: float):
    cx, cy, first, sense = 30.0, 20.0, 0.4, 1 if kind == 3 else -1
    angles = (first, first + sense * turn) if turn < math.tau else (first, first)
    start, end = ((cx + radius * math.cos(a), cy + radius * math.sin(a)) for a in angles)
    rows = [(0, *start, 10.0), (kind, *end, 8.0, cx, cy, 90.0), (0, *end, 10.0)]
    path = Toolpath(operation=small.operation("arc", 3), passes=(small.path("arc", *rows),))
    (moves,) = view3d.moves_of(path, clearance_mm=10.0)
    points = np.array([(*start, 10.0), *moves[1][2]])
    off = points[:, :2] - (cx, cy)
    assert np.hypot(*off.T) == pytest.approx(radius, abs=1e-9)
    middles = (off[1:] + off[:-1]) / 2
    assert (radius - np.hypot(*middles.T)).max() <= 0.05 + 1e-9
    turned = np.unwrap(np.arctan2(off[:, 1], off[:, 0]))
    assert (turned[-1] - turned[0]) * sense == pytest.approx(turn, abs=1e-9)
    assert points[:, 2] == pytest.approx(10.0 - 2.0 * (turned - turned[0]) * sense / turn, abs=1e-6)


def test_rapids_go_up_before_across_and_across_before_down():
    rows = [(0, 1.0, 1.0, 10.0), (0, 5.0, 1.0, 12.0), (0, 9.0, 3.0, 10.0)]
    path = Toolpath(operation=small.operation("hop", 3), passes=(small.path("hop", *rows),))
    (moves,) = view3d.moves_of(path, clearance_mm=10.0)
    assert [points for _, _, points in moves] == [
        [(1.0, 1.0, 10.0)],
        [(1.0, 1.0, 12.0), (5.0, 1.0, 12.0)],
        [(9.0, 3.0, 12.0), (9.0, 3.0, 10.0)],
    ]


def test_packed_by_hand():
    # differences 0, 1, -2, 64 are written 0, 2, 3, 128; 128 takes two bytes
    assert base64.b64decode(view3d.packed([[0], [1], [-1], [63]], counts=1)) == bytes([0, 2, 3, 0x80, 1])
    assert view3d.packed(np.zeros((0, 3)), counts=1000) == ""


def test_packed_and_back():
    rows = np.random.default_rng(5).uniform(-3000, 3000, (500, 3))
    back = unpack(view3d.packed(rows, counts=1000), 3) / 1000
    assert np.abs(back - rows).max() <= HALF_COUNT_MM


def test_parts_come_back_within_a_hundredth():
    scene = json.loads(scene_text())
    part = small.setup().parts[0]
    (kind,) = scene["kinds"]
    assert np.abs(unpack(kind["xyz"], 3) / 100 - part.part.mesh.vertices).max() <= 0.005 + 1e-9
    assert np.array_equal(unpack(kind["triangles"], 3), part.part.mesh.triangles)
    (copy,) = scene["parts"]
    assert np.array(copy["pose"]).reshape(3, 4) == pytest.approx(part.setup_from_part.matrix[:3], abs=1e-9)


def test_copies_share_their_kind():
    setup = small.setup()
    first = setup.parts[0]
    pose = Pose.planar(to="setup-1", frm="part", x_mm=50, y_mm=30, z_mm=0.654, angle_rad=math.pi / 2)
    second = dataclasses.replace(first, part_id="handle-left-2", setup_from_part=pose)
    scene = json.loads(scene_text(setup=dataclasses.replace(setup, parts=(first, second))))
    assert len(scene["kinds"]) == 1
    assert [(copy["id"], copy["kind"]) for copy in scene["parts"]] == [("handle-left", 0), ("handle-left-2", 0)]


def test_only_cutters_that_cut_and_each_step_names_its_own():
    scene = json.loads(scene_text())
    assert [cutter["t"] for cutter in scene["cutters"]] == [1, 2, 3]
    wanted = [path.operation.cutter for path in small.plan().toolpaths]
    assert [scene["cutters"][step["cutter"]]["t"] for step in scene["steps"]] == wanted


def test_a_profile_goes_from_the_tip_to_the_rim_of_the_holder():
    flat = view3d.profile(small.CRIB.cutter(3))
    assert flat == [(0, 0), (1.5, 0), (1.5, 12), (1.4, 12), (1.4, 14), (3, 14), (3, 20), (12.5, 20)]
    spot = dataclasses.replace(small.CRIB.cutter(3), kind=CutterKind.SPOT, point_angle_rad=math.pi / 2)
    assert view3d.profile(spot)[:2] == [(0, 0), (1.5, pytest.approx(1.5))]  # a right angle: as high as its radius
    ball = view3d.profile(dataclasses.replace(small.CRIB.cutter(3), kind=CutterKind.BALL))
    assert [math.dist(p, (0, 1.5)) for p in ball[:9]] == pytest.approx([1.5] * 9)


def test_the_same_bytes_twice():
    assert scene_text() == scene_text()


def test_lengths_are_read_out_in_the_unit_of_the_machine():
    mm, inch = json.loads(scene_text()), json.loads(scene_text(units="in"))
    assert (mm["units"], mm["mmPerUnit"], mm["places"]) == ("mm", 1.0, 3)
    assert (inch["units"], inch["mmPerUnit"], inch["places"]) == ("in", 25.4, 4)
    assert mm["steps"] == inch["steps"]


def test_names_cannot_leave_the_script_element():
    plan = small.plan()
    first = plan.toolpaths[0]
    hostile = dataclasses.replace(first, operation=dataclasses.replace(first.operation, note=HOSTILE))
    text = scene_text(dataclasses.replace(plan, toolpaths=(hostile, *plan.toolpaths[1:])))
    assert "<" not in text
    assert json.loads(text)["steps"][0]["note"] == HOSTILE


def test_the_partial_holds_everything_and_asks_for_nothing():
    folder = Path(view3d.__file__).parent
    environment = Environment(loader=FileSystemLoader(folder), autoescape=True, undefined=StrictUndefined)
    scene, scripts, styles = scene_text(), view3d.scripts(), view3d.styles()
    html = environment.get_template("view3d.html.j2").render(scene=scene, view3d_scripts=scripts, view3d_styles=styles)
    assert scene in html and scripts in html and styles in html
    assert html.count("<script") == html.count("</script") == 2
    assert 'id="view3d-canvas"' in html
    assert not [word for word in ("src=", "href=", "url(", "@import") if word in html.replace(scripts, "")]


def test_scripts_can_stand_in_a_page():
    text = view3d.scripts()
    assert "</script" not in text.lower() and "<!--" not in text
    assert text.isascii()
    assert "SPDX-License-Identifier: MIT" in text
    own = "".join(file.read_text() for file in Path(view3d.__file__).parent.glob("view3d*.js"))
    assert not [
        word for word in ("fetch(", "import ", "import(", "XMLHttpRequest", "innerHTML", "eval(") if word in own
    ]


def test_classes_are_the_views_own():
    """Other styles of the page are left alone: every rule begins at .v3 or a class that begins so."""
    lines = view3d.styles().splitlines()
    rules = [line.strip() for line in lines if "{" in line and not line.lstrip().startswith("@media (")]
    assert [rule for rule in rules if not rule.removeprefix("@media print { ").startswith((".v3 ", ".v3-"))] == []
