"""The plan of a setup: order, heights, what is left and what is refused."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from pipeline.errors import BadInput
from pipeline.model.loop import Loop
from pipeline.model.part import Chamfer, Feature, Hole, Mark, Part, Pocket, Side, Surface, Thread
from pipeline.model.setup import Setup
from pipeline.model.shop import Block, Crib
from pipeline.model.toolpath import RAPID, HolePass, NotCut, PathPass, Plan, Toolpath
from pipeline.operations import plan_toolpaths
from tests.unit.operations.shop_values import CRIB, DIALECT, MACHINE, MATERIAL, NEST, TOLERANCES, part, rounded, setup

BOTTOM, FACE, SKIN = 0.5, 4.3, 0.25
THREAD = Thread(name="4-40 UNC-2B", major_mm=2.845, pitch_mm=0.635, drill_limits_mm=(2.157, 2.385))


def hole(name: str, x: float, y: float, diameter: float, **more: object) -> Hole:
    values: dict = dict(id=name, side=Side.INSIDE, x_mm=x, y_mm=y, diameter_mm=diameter,
                        limits_mm=(diameter - 0.05, diameter + 0.1), top_z_mm=3.8, bottom_z_mm=0.0,
                        through=True)  # fmt: skip
    return Hole(**{**values, **more})


SEAT = hole("seat", 10, 10, 9.5, bottom_z_mm=3.0, through=False, flat_bottom=True, limits_mm=(9.5, 9.515),
            depth_limits_mm=(2.988, 3.0))  # fmt: skip
PIVOT = hole("pivot", 10, 10, 4.0, top_z_mm=3.0, limits_mm=(4.0, 4.012))
SCREW = hole("screw", 20, 10, 2.2708, thread=THREAD)
DETENT = hole("detent", 20, 5, 2.5, bottom_z_mm=2.4, through=False)
POCKET = Pocket(id="pocket", side=Side.INSIDE, outer=rounded(24, 4, 36, 16, 2.2), top_z_mm=3.8, floor_z_mm=2.2,
                corner_radius_mm=2.2)  # fmt: skip


def planned(features: Sequence[Feature] = (), *, in_setup: Setup | None = None, **more: object) -> Plan:
    values: dict = dict(crib=CRIB, machine=MACHINE, material=MATERIAL, tolerances=TOLERANCES, nest_request=NEST)
    plan: Plan = plan_toolpaths(in_setup or setup([("plate-1", part("plate", features), 30, 20)]), **{**values, **more})
    return plan


def refused(features: Sequence[Feature] = (), **more: object) -> dict[str, str]:
    """{code: text} of what a plan is refused for."""
    with pytest.raises(BadInput) as error:
        planned(features, **more)
    return {f.code: str(f) for f in error.value.findings if f.severity == "error"}


def ids(plan: Plan) -> list[str]:
    return [t.operation.id for t in plan.toolpaths]


def of(plan: Plan, name: str) -> Toolpath:
    return next(t for t in plan.toolpaths if t.operation.id == name)


def left(plan: Plan, feature: str) -> list[tuple[str, str]]:
    return [(n.operation, n.setup) for n in plan.not_cut if n.feature_id == feature]


def of_features(plan: Plan) -> list[NotCut]:
    return [n for n in plan.not_cut if n.feature_id not in ("outer-face", "edge")]


def one_left(plan: Plan, operation: str) -> NotCut:
    (found,) = [n for n in plan.not_cut if n.operation == operation]
    return found


def lowest(plan: Plan) -> float:
    passes = [p for t in plan.toolpaths for p in t.passes]
    return min(p.bottom_z_mm if isinstance(p, HolePass) else float(p.moves[:, 3].min()) for p in passes)


def test_order_and_ids() -> None:
    plan = planned([POCKET, PIVOT, SEAT, SCREW, DETENT])
    assert ids(plan) == [
        "plate-1/inside-face/face", "plate-1/seat/bore",
        "plate-1/pivot/spot", "plate-1/screw/spot", "plate-1/detent/spot",
        "plate-1/screw/drill", "plate-1/detent/drill", "plate-1/pivot/drill",
        "plate-1/pocket/pocket", "plate-1/pivot/bore",
        "plate-1/edge/outline",
    ]  # fmt: skip
    assert not [f for f in plan.findings if f.severity == "error"]


def test_through_hole_stops_at_the_skin_and_says_what_stays() -> None:
    plan = planned([SCREW])
    drill = of(plan, "plate-1/screw/drill")
    (hole_pass,) = drill.passes
    assert isinstance(hole_pass, HolePass)
    assert hole_pass.bottom_z_mm == SKIN  # a point of 0.468 mm would pass the skin from a full depth of 0.4
    assert hole_pass.retract_z_mm == pytest.approx(FACE + 0.3)
    assert hole_pass.cycle == "chip break"
    assert left(plan, "screw") == [("hole bottom", "setup-2"), ("thread milling", "setup-1, a later program")]
    bottom = one_left(plan, "hole bottom")
    point = 2.2606 / 2 / math.tan(math.radians(135 / 2))
    assert bottom.low_z_mm == SKIN
    assert bottom.high_z_mm == pytest.approx(SKIN + point, abs=0.06) and bottom.high_z_mm > BOTTOM
    centre = bottom.region.mean(axis=0)
    assert centre == pytest.approx((50, 30))
    assert np.hypot(*(bottom.region - centre).T).min() >= 2.385 / 2 * math.cos(math.pi / 72)
    assert len(one_left(plan, "thread milling").region) == 0


def test_the_drills_cone_is_said_with_its_amounts() -> None:
    through = one_left(planned([SCREW]), "hole bottom")
    # 0.4682 mm of point from the skin at 0.25: 0.2182 mm above the outer face at 0.5
    assert through.reason.startswith("full diameter ends at Z 0.718 mm, 0.218 mm inside the part: the drill's cone")
    assert "cone" not in one_left(planned([PIVOT, SEAT]), "hole bottom").reason


def test_every_part_waits_for_its_outer_face_and_for_the_way_out() -> None:
    plan = planned(in_setup=setup([("plate-1", part("plate"), 30, 20), *studs(2)]))
    rows = [(n.part_id, n.feature_id, n.operation, n.setup) for n in plan.not_cut]
    assert [row for row in rows if row[1] != "screw"] == [
        (name, *row)
        for name in ("plate-1", "stud-1", "stud-2")
        for row in (("outer-face", "face off skin and stock below", "setup-2"), ("edge", "break out", "setup-2"))
    ]
    assert plan.not_cut[0].reason.startswith("skin 0.250 mm and stock 0.250 mm")
    assert len(plan.not_cut[0].region) == 0


def test_a_bore_barely_wider_than_its_cutter_is_drilled_first() -> None:
    plan = planned([PIVOT, SEAT])
    (drilled,) = of(plan, "plate-1/pivot/drill").passes
    assert isinstance(drilled, HolePass)
    assert CRIB.cutter(of(plan, "plate-1/pivot/drill").operation.cutter).diameter_mm == 3.0
    assert drilled.bottom_z_mm == SKIN
    assert drilled.retract_z_mm == pytest.approx(BOTTOM + 3.0 + 0.3)  # over the floor of its seat, bored by then
    blind = planned([replace(PIVOT, top_z_mm=3.8, bottom_z_mm=2.0, through=False, flat_bottom=True)])
    (drilled,) = of(blind, "plate-1/pivot/drill").passes
    assert isinstance(drilled, HolePass)
    assert drilled.bottom_z_mm == pytest.approx(BOTTOM + 2.0 + 0.1)
    assert "plate-1/seat/drill" not in ids(planned([SEAT]))


def test_a_drill_smaller_than_the_drawn_hole_leaves_a_ring_to_the_thread_mill() -> None:
    ring = one_left(planned([replace(SCREW, diameter_mm=2.38)]), "thread milling")
    away = np.hypot(*(ring.region - (50.0, 30.0)).T)
    assert away.min() == pytest.approx(2.2606 / 2 - 0.05, abs=0.002)
    assert away.max() == pytest.approx(2.385 / 2 + 0.05, abs=0.002)
    assert ring.high_z_mm == pytest.approx(FACE)


def test_blind_hole_without_a_drill_is_bored_flat_and_says_so() -> None:
    plan = planned([replace(DETENT, diameter_mm=2.8, limits_mm=(2.75, 2.82))])
    assert of(plan, "plate-1/detent/bore").operation.bottom_z_mm == pytest.approx(BOTTOM + 2.4)
    assert left(plan, "detent") == [("drill point", "setup-1, a later program")]
    flat = planned([replace(DETENT, diameter_mm=2.8, limits_mm=(2.75, 2.82), flat_bottom=True)])
    assert left(flat, "detent") == []


def test_deep_stock_lets_the_full_diameter_through() -> None:
    deep = setup([("plate-1", part("plate", [SCREW]), 30, 20)])
    deep = replace(deep, z=replace(deep.z, skin_mm=0.1, stock_below_mm=0.9), parts=tuple(
        replace(p, setup_from_part=replace(p.setup_from_part, matrix=p.setup_from_part.matrix + np.eye(4)[2][:, None]
                                           * np.eye(4)[3] * 0.5)) for p in deep.parts))  # fmt: skip
    plan = planned(in_setup=deep)
    (hole_pass,) = of(plan, "plate-1/screw/drill").passes
    assert isinstance(hole_pass, HolePass)
    point = 2.2606 / 2 / math.tan(math.radians(135 / 2))
    assert hole_pass.bottom_z_mm + point == pytest.approx(1.0 - 0.1)  # the part's bottom less what a through cut passes


def test_blind_hole_depth_is_the_shoulders() -> None:
    (hole_pass,) = of(planned([DETENT]), "plate-1/detent/drill").passes
    assert isinstance(hole_pass, HolePass)
    point = 2.5 / 2 / math.tan(math.radians(135 / 2))
    assert hole_pass.bottom_z_mm == pytest.approx(BOTTOM + 2.4 - point)
    assert left(planned([DETENT]), "detent") == []


def test_blind_hole_through_the_show_face_is_refused_and_a_thin_web_warned_of() -> None:
    deep = replace(DETENT, bottom_z_mm=0.4)
    assert "through hole" in refused([deep])["O403"]
    thin = planned([replace(DETENT, bottom_z_mm=0.7)])
    assert [f.code for f in thin.findings] == ["O404"]
    assert planned([replace(DETENT, bottom_z_mm=0.9)]).findings == ()


def test_pivot_is_bored_from_the_floor_of_its_seat() -> None:
    plan = planned([PIVOT, SEAT])
    seat, pivot = of(plan, "plate-1/seat/bore"), of(plan, "plate-1/pivot/bore")
    assert seat.operation.bottom_z_mm == pytest.approx(BOTTOM + 2.994)  # the middle of its limits
    assert pivot.operation.top_z_mm == pytest.approx(BOTTOM + 3.0)
    assert pivot.operation.bottom_z_mm == pytest.approx(BOTTOM - 0.1)
    assert pivot.operation.bottom_z_mm >= SKIN
    last = pivot.passes[-1]
    assert isinstance(last, PathPass)
    cutter = CRIB.cutter(pivot.operation.cutter)
    radii = np.hypot(last.moves[:, 1] - 40, last.moves[:, 2] - 30)
    assert radii.max() == pytest.approx((4.006 - cutter.diameter_mm) / 2, abs=1e-9)


def test_bore_size_keeps_to_the_walls_that_are_accepted() -> None:
    wide = replace(PIVOT, limits_mm=(4.0, 4.2), top_z_mm=3.8, flat_bottom=True)
    plan = planned([wide])
    assert "to 4.020 mm" in of(plan, "plate-1/pivot/bore").operation.note
    assert "O405" in refused([replace(wide, limits_mm=(4.1, 4.12))])


def test_hole_from_the_outer_face() -> None:
    counterbore = hole("head", 20, 10, 4.5, side=Side.OUTER, top_z_mm=1.4, bottom_z_mm=0.0, through=False,
                       flat_bottom=True)  # fmt: skip
    below = hole("screw", 20, 10, 2.5, side=Side.OUTER)
    plan = planned([counterbore, below])
    assert left(plan, "head") == [("hole", "setup-2")]
    assert len(one_left(plan, "hole").region) == 0
    assert "plate-1/screw/drill" in ids(plan)
    closed = planned([hole("screw", 20, 10, 2.5, side=Side.OUTER, top_z_mm=2.0)])
    assert left(closed, "screw") == [("hole", "setup-2")]
    assert len(one_left(closed, "hole").region) > 8


def test_pocket_hosts_a_bore() -> None:
    inner = hole("inner", 30, 10, 4.0, top_z_mm=2.2, limits_mm=(4.0, 4.012))
    plan = planned([inner, POCKET])
    assert ids(plan).index("plate-1/pocket/pocket") < ids(plan).index("plate-1/inner/bore")
    assert of(plan, "plate-1/inner/bore").operation.top_z_mm == pytest.approx(BOTTOM + 2.2)


def test_pocket_through_the_part_never_passes_the_skin() -> None:
    plan = planned([replace(POCKET, floor_z_mm=0.0)])
    assert of(plan, "plate-1/pocket/pocket").operation.bottom_z_mm == pytest.approx(BOTTOM - 0.1)
    assert left(plan, "pocket") == [("pocket bottom", "setup-2")]


def test_pocket_no_cutter_can_finish_is_refused() -> None:
    text = refused([replace(POCKET, corner_radius_mm=0.4)])["O401"]
    assert "plate-1/pocket" in text and "inside corner radius 0.40 mm" in text
    sharp = replace(POCKET, outer=rounded(24, 4, 36, 16, 0.5))  # says 2.2, is drawn with 0.5
    plan = planned([sharp])
    assert of(plan, "plate-1/pocket/pocket").operation.cutter == 6
    no_small = Crib(name="c", cutters=tuple(c for c in CRIB.cutters if c.number not in (4, 6)))
    assert "mm2 per level" in refused([sharp], crib=no_small)["O406"]


def test_what_waits_for_later() -> None:
    plan = planned([
        Chamfer(id="mouth", side=Side.INSIDE, loop=Loop.circle(20, 10, 1.25), z_mm=3.8, leg_mm=0.3, inward=True),
        Chamfer(id="rim", side=Side.INSIDE, loop=rounded(0, 0, 40, 20, 4), z_mm=3.8, leg_mm=0.3, inward=False),
        Chamfer(id="under", side=Side.OUTER, loop=rounded(0, 0, 40, 20, 4), z_mm=0.0, leg_mm=0.3, inward=False),
        Surface(id="beam", side=Side.INSIDE, region=rounded(2, 2, 12, 8, 1), low_z_mm=1.0, high_z_mm=2.0),
        Mark(id="serial", side=Side.INSIDE, region=rounded(14, 2, 18, 4, 0.5), z_mm=3.8, depth_mm=0.1),
    ])  # fmt: skip
    assert [(n.feature_id, n.operation, n.setup, len(n.region) > 0) for n in of_features(plan)] == [
        ("mouth", "chamfer", "setup-1, a later program", True),
        ("rim", "chamfer", "setup-1, a later program", True),
        ("under", "chamfer", "setup-2", False),
        ("beam", "3D surface", "setup-1, a later program", True),
        ("serial", "engraving", "setup-1, a later program", False),
    ]
    mouth, rim = plan.not_cut[:2]

    def area(points: np.ndarray) -> float:
        x, y = points.T
        return abs(float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))) / 2

    # The ring of the mouth: radius 1.25 to 1.55, each line 0.05 mm wider.
    assert area(mouth.region) == pytest.approx(math.pi * (1.6**2 - 1.2**2), rel=0.01)
    assert (mouth.low_z_mm, mouth.high_z_mm) == pytest.approx((FACE - 0.35, FACE))
    outer, inner = rounded(-0.05, -0.05, 40.05, 20.05, 4.05).area_mm2, rounded(0.35, 0.35, 39.65, 19.65, 3.65).area_mm2
    assert area(rim.region) == pytest.approx(outer - inner, rel=0.01)
    beam = plan.not_cut[3]
    assert (beam.low_z_mm, beam.high_z_mm) == pytest.approx((BOTTOM + 1.0, FACE))


def test_every_pass_starts_and_ends_at_the_clearance_height_and_nothing_goes_below_the_skin() -> None:
    plan = planned([POCKET, PIVOT, SEAT, SCREW, DETENT])
    for toolpath in plan.toolpaths:
        assert toolpath.passes, toolpath.operation.id
        for p in toolpath.passes:
            if isinstance(p, PathPass):
                assert p.moves[0, 0] == p.moves[-1, 0] == RAPID
                assert p.moves[0, 3] == p.moves[-1, 3] == 14.0
    assert lowest(plan) == SKIN


def studs(n: int) -> list[tuple[str, Part, float, float]]:
    stud = part("stud", [replace(SCREW, x_mm=3.5, y_mm=3.5)], outline=rounded(0, 0, 7, 7, 2))
    return [(f"stud-{k + 1}", stud, 12.0 + 11 * k, 50.0) for k in range(n)]


def test_small_parts_before_big_from_the_middle_outward() -> None:
    plan = planned(in_setup=setup([("plate", part("plate"), 30, 20), *studs(6)]))
    outlines = [t.operation.part_id for t in plan.toolpaths if t.operation.kind == "outline"]
    assert outlines[-1] == "plate"
    assert outlines[:-1] == ["stud-6", "stud-5", "stud-4", "stud-3", "stud-2", "stud-1"]  # the middle is at x = 80


def test_cutters_change_as_seldom_as_the_order_allows() -> None:
    plan = planned(in_setup=setup([("plate", part("plate", [POCKET, PIVOT, SEAT, SCREW, DETENT]), 30, 20), *studs(4)]))
    cutters = [t.operation.cutter for t in plan.toolpaths]
    changes = [b for a, b in zip([0, *cutters], cutters, strict=False) if a != b]
    assert changes == [1, 7, 8, 11, 12, 2, 3]


def test_a_part_between_taller_ones_is_faced_without_touching_them() -> None:
    low = part("low", thickness=3.0, outline=rounded(0, 0, 20, 10, 2))
    high = part("high", thickness=3.8, outline=rounded(0, 0, 20, 10, 2))
    plan = planned(in_setup=setup([("low", low, 40, 30), ("high", high, 40, 43.5)]))
    face = of(plan, "low/inside-face/face")
    radius = CRIB.cutter(face.operation.cutter).diameter_mm / 2
    cutting = np.vstack([p.moves[p.moves[:, 3] < 4.3 - 1e-6] for p in face.passes if isinstance(p, PathPass)])
    assert cutting[:, 2].max() + radius <= 43.5
    assert cutting[:, 2].max() + radius > 40.0 - 1e-6


def highest_feed(toolpath: Toolpath) -> float:
    return max(float(p.moves[p.moves[:, 0] != RAPID, 3].max()) for p in toolpath.passes if isinstance(p, PathPass))


def lowest_rapid(toolpath: Toolpath) -> float:
    return min(float(p.moves[p.moves[:, 0] == RAPID, 3].min()) for p in toolpath.passes if isinstance(p, PathPass))


def test_outlines_begin_above_the_stock_that_is_left() -> None:
    step = Pocket(id="step", side=Side.INSIDE, outer=rounded(-1, -1, 41, 21, 5), islands=(rounded(3, 3, 37, 17, 3),),
                  top_z_mm=3.8, floor_z_mm=1.8, corner_radius_mm=10.0, open_edge=True)  # fmt: skip
    faced = of(planned(), "plate-1/edge/outline")
    assert faced.operation.top_z_mm == highest_feed(faced) == pytest.approx(FACE + 0.1)
    plan = planned([step])
    assert of(plan, "plate-1/step/pocket").operation.top_z_mm == FACE
    stepped = of(plan, "plate-1/edge/outline")
    assert highest_feed(stepped) == pytest.approx(BOTTOM + 1.8 + 0.1)
    assert lowest_rapid(stepped) == pytest.approx(BOTTOM + 1.8 + 0.1 + 0.3)


def test_beside_a_taller_part_the_outline_begins_at_its_faced_plane_and_beside_a_block_at_the_top() -> None:
    low, high = (part(name, thickness=t, outline=rounded(0, 0, 20, 10, 2)) for name, t in (("low", 3.0), ("high", 3.8)))
    beside = planned(in_setup=setup([("low", low, 40, 30), ("high", high, 40, 43.1)]))  # facing keeps 3 mm off
    assert highest_feed(of(beside, "low/edge/outline")) == pytest.approx(FACE + 0.1)
    corners = np.array([[40.0, 23], [60, 23], [60, 26.9], [40, 26.9]])
    clamped = setup([("low", low, 40, 30)], blocks=(Block(name="c", kind="clamp", outline=corners, height_mm=12),))
    assert highest_feed(of(planned(in_setup=clamped), "low/edge/outline")) == pytest.approx(4.88)


def test_a_block_that_stands_higher_counts_like_a_taller_part() -> None:
    corners = np.array([[40.0, 23], [60, 23], [60, 27], [40, 27]])
    block = Block(name="clamp", kind="clamp", outline=corners, height_mm=12)
    placed = [("low", part("low", outline=rounded(0, 0, 20, 10, 2)), 40.0, 30.0)]
    cutters = {
        len(blocks): of(planned(in_setup=setup(placed, blocks=blocks)), "low/inside-face/face").operation.cutter
        for blocks in ((), (block,))
    }
    assert cutters == {0: 1, 1: 2}  # 3 mm free: the 6 mm cutter's disc would touch


def test_blending_joins_the_wall_budget() -> None:
    assert "O408" in refused(machine=replace(MACHINE, dialect=replace(DIALECT, blend_mm=0.03)))
    exact = replace(MACHINE, dialect=replace(DIALECT, blend_mm=0.03, path_word="G61"))
    assert planned(machine=exact).toolpaths
    assert "O409" in refused(nest_request=replace(NEST, margin_mm=0.005))


def test_every_fault_is_reported_at_once_and_copies_only_once() -> None:
    bad = part("stud", [replace(POCKET, corner_radius_mm=0.3), replace(DETENT, bottom_z_mm=0.1)],
               outline=rounded(0, 0, 40, 20, 4))  # fmt: skip
    with pytest.raises(BadInput) as error:
        planned(in_setup=setup([("stud-1", bad, 10, 10), ("stud-2", bad, 60, 10)]))
    found = [(f.code, f.where) for f in error.value.findings]
    assert found == [("O401", "stud-1/pocket"), ("O403", "stud-1/detent")]
    assert "the same on 1 more" in error.value.findings[0].found


def test_warnings_of_the_cutters_used_come_along() -> None:
    fast = Crib(name="c", cutters=tuple(
        replace(c, surface_speed_m_min=90.0) if c.number in (3, 4) else c for c in CRIB.cutters
    ))  # fmt: skip
    assert [(f.code, f.where) for f in planned(crib=fast).findings] == [("O421", "T3 3 mm flat")]


def test_the_same_setup_gives_the_same_plan() -> None:
    first, second = (planned([POCKET, PIVOT, SEAT, SCREW, DETENT]) for _ in range(2))
    assert ids(first) == ids(second)
    for a, b in zip(first.toolpaths, second.toolpaths, strict=True):
        assert a.operation == b.operation
        for p, q in zip(a.passes, b.passes, strict=True):
            assert p == q if isinstance(p, HolePass) else isinstance(q, PathPass) and np.array_equal(p.moves, q.moves)
