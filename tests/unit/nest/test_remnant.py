"""What is left of a plate: areas by arithmetic, pieces point by point, and fits measured apart from the nest."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
import shapely

from pipeline.model.digests import digest
from pipeline.model.frames import Pose
from pipeline.model.job import NestRequest, Tolerances
from pipeline.model.loop import Loop
from pipeline.model.nest import Nest, Region, Silhouette, Zone
from pipeline.model.setup import PlacedPart
from pipeline.model.shop import Billet
from pipeline.model.toolpath import LINE, RAPID, Plan, Toolpath
from pipeline.nest import find_remnant
from tests.reference.nest_measure import least_distances
from tests.reference.packings import plain_part, rectangle, request, slotted
from tests.unit.gcode import small

TOLERANCES = Tolerances(wall_mm=0.02, floor_mm=0.02, left_mm=0.05)
REQUEST = NestRequest(outline_cutter=3, margin_mm=0.5, edge_mm=0.4, seed=1, effort=1)
KERF = 3.0 + 0.25  # the small crib's outline cutter and half the margin
UNCERTAINTY = 0.1
# 3 sigma of 0.05 in X, 0.05 in Y and 0.001 rad at half of 80 mm, as the small setup has them
SHAKE = 3 * math.sqrt(0.05**2 + 0.05**2 + 0.04**2)
DOUBT = UNCERTAINTY + SHAKE + 0.05 + 0.025
EDGE, SPOT = 3.0 + 0.4 + DOUBT, 1.5 + 0.4 + DOUBT
NOTHING = Plan(toolpaths=(), not_cut=())
STUD = plain_part("stud", Loop.circle(0, 0, 3.5))


def placed(part, x, y, angle=0.0, *, name="part-1"):
    pose = Pose.planar(to="setup-1", frm="part", x_mm=x, y_mm=y, z_mm=0.654, angle_rad=angle)
    return PlacedPart(part_id=name, part=part, setup_from_part=pose)


def left_of(*spots, plate=(80, 50), listed=(STUD,), plan=NOTHING, defects=(), turn=0.0, zones=(), bound=(), **asked):
    """The remnant of a plate with its lower left corner at the setup's zero; the billet frame turned against it."""
    frame = Pose.planar(to="setup-1", frm="billet", x_mm=3 * turn, y_mm=-turn, angle_rad=turn)
    outline = rectangle(*plate)
    base = small.setup()
    setup = replace(base, parts=spots, billet=outline, defects=defects,
                    seating=replace(base.seating, setup_from_billet=frame))  # fmt: skip
    to_billet = frame.inverse().points
    billet = Billet(
        name="b", outline=to_billet(outline), outline_uncertainty_mm=UNCERTAINTY, thickness_mm=4.2,
        thickness_uncertainty_mm=0.03, bow_mm=0.05, defects=tuple(to_billet(d) for d in defects), price_per_cm2=4.0,
        currency="EUR", material="layered", up_face="bright", corner="one nick", zones=zones,
    )  # fmt: skip
    return find_remnant(
        setup=setup, plan=plan, billet=billet, crib=small.CRIB, tolerances=TOLERANCES, nest_request=REQUEST,
        parts=tuple(Silhouette(name=p.name, outline=p.outline) for p in listed),
        requests=tuple(replace(request(p.name, 1, **asked), zones=bound) for p in listed),
    )  # fmt: skip


def shape(piece):
    return shapely.Polygon(piece.outline, [np.array(hole) for hole in piece.holes])


def test_one_disc_leaves_a_plate_with_a_round_hole():
    left = left_of(placed(STUD, 40, 25))
    (piece,) = left.pieces
    assert left.plate_mm2 == 4000
    assert left.parts_mm2 == pytest.approx(math.pi * 3.5**2, abs=0.05)  # flattened outward by at most 0.002
    assert left.kerfs_mm2 == pytest.approx(math.pi * ((3.5 + KERF) ** 2 - 3.5**2), abs=0.05)
    assert piece.area_mm2 == pytest.approx(4000 - math.pi * (3.5 + KERF) ** 2, abs=0.05)
    assert (left.slivers_mm2, left.defects_mm2, left.sliver_width_mm) == (pytest.approx(0, abs=1e-6), 0, 5.0)
    (hole,) = piece.holes
    assert np.hypot(*(hole - [40, 25]).T) == pytest.approx(3.5 + KERF, abs=0.022)
    assert piece.has_corner
    assert sum(amount for _, amount in left.doubts) == pytest.approx(DOUBT) == left.outline_uncertainty_mm


def test_usable_ground_is_the_opening_less_the_gaps():
    (piece,) = left_of().pieces
    wide, high, r = 80 - 2 * EDGE, 50 - 2 * EDGE, 3.5
    assert piece.usable_mm2 == pytest.approx(wide * high - (4 - math.pi) * r**2, abs=0.5)
    (narrow,) = left_of(plate=(80, 2 * EDGE + 6.9)).pieces
    assert narrow.usable_mm2 == 0 and narrow.largest is None, "a strip that no stud fits in"
    (enough,) = left_of(plate=(80, 2 * EDGE + 7.1)).pieces
    assert enough.usable_mm2 > 0 and enough.largest.part == "stud"


def test_a_hole_keeps_the_gap_of_an_edge():
    left = left_of(placed(STUD, 40, 25))
    kept_off = 3.5 + KERF + EDGE
    wide, high, r = 80 - 2 * EDGE, 50 - 2 * EDGE, 3.5
    expected = wide * high - (4 - math.pi) * r**2 - math.pi * kept_off**2
    assert left.pieces[0].usable_mm2 == pytest.approx(expected, abs=1.0)
    assert left.defect_gap_mm == pytest.approx(SPOT) and left.edge_gap_mm == pytest.approx(EDGE)


def test_a_defect_stays_in_its_piece_and_is_no_metal():
    crack = np.array([[60, 30], [64, 30], [64, 33], [60, 33.0]])
    (piece,) = left_of(placed(STUD, 20, 25), defects=(crack,)).pieces
    assert piece.area_mm2 == pytest.approx(4000 - math.pi * (3.5 + KERF) ** 2 - 12, abs=0.05)
    (defect,) = piece.defects
    assert shapely.Polygon(defect).symmetric_difference(shapely.Polygon(crack)).area < 1e-6
    # one that the kerf runs into keeps what is left of it, and lies inside the outline to the last digit
    left = left_of(placed(STUD, 60, 30), defects=(np.array([[64, 30], [80, 30], [80, 31], [64, 31.0]]),))
    (piece,) = left.pieces
    assert left.defects_mm2 == pytest.approx(80 - 60 - 3.5 - KERF, abs=0.1)
    assert all(shapely.Polygon(piece.outline).covers(shapely.Polygon(d)) for d in piece.defects)


def test_a_part_across_the_plate_parts_it_and_a_thin_strip_is_dropped():
    bar = plain_part("bar", rectangle(80, 10))  # its kerf leaves 50 - 33.25 - 3.25 - 10 = 3.5 mm above
    left = left_of(placed(bar, 0, 33.25 + 3.25))
    (piece,) = left.pieces
    assert piece.area_mm2 == pytest.approx(80 * 33.25, abs=0.05)
    left = left_of(placed(bar, 0, 13.25))
    assert [piece.area_mm2 for piece in left.pieces] == pytest.approx([80 * 23.5, 80 * 10], abs=0.05)
    assert [piece.has_corner for piece in left.pieces] == [False, True]
    left = left_of(placed(bar, 0, 3.25 + 4.0))
    assert left.slivers_mm2 == pytest.approx(80 * 4.0, abs=0.05) and len(left.pieces) == 1


def test_usable_pieces_come_first():
    bar = plain_part("bar", rectangle(200, 10))
    # 14 mm below are too narrow for a stud with its gaps, but larger than what is above a shorter second bar
    wall = plain_part("wall", rectangle(10, 60))
    left = left_of(placed(bar, 0, 17.25, name="bar-1"), placed(wall, 50, 20, name="wall-1"), plate=(200, 60))
    assert [piece.usable_mm2 > 0 for piece in left.pieces] == [True, True, False]
    assert left.pieces[2].area_mm2 == pytest.approx(200 * 14, abs=0.05)
    assert left.pieces[2].area_mm2 > left.pieces[1].area_mm2
    assert left.kept == left.pieces[:2]


def test_what_was_only_faced_is_gone_too():
    rows = [(RAPID, 30.0, 12.0, 10.0), (RAPID, 30.0, 12.0, 4.5), (LINE, 30.0, 12.0, 3.6), (LINE, 50.0, 12.0, 3.6),
            (RAPID, 50.0, 12.0, 10.0)]  # fmt: skip
    for kind, wide in (("face", 6.35), ("web", 6.35), ("bore", 0.0)):
        operation = small.operation(kind, 1, kind=kind)
        plan = Plan(toolpaths=(Toolpath(operation=operation, passes=(small.path("a", *rows),)),), not_cut=())
        left = left_of(placed(STUD, 40, 35), plan=plan)
        swept = 20 * wide + math.pi * (wide / 2) ** 2
        assert left.pieces[0].area_mm2 == pytest.approx(4000 - math.pi * (3.5 + KERF) ** 2 - swept, abs=0.3)


@pytest.mark.parametrize("turn", [0.0, 0.3])
def test_every_point_is_where_the_areas_say(turn):
    """Random layouts, each point of a cloud judged by its distance to the parts, apart from any offset."""
    rng = np.random.default_rng(7)
    long, stud = plain_part("long", slotted(30, 9, 4)), STUD
    for _ in range(4):
        spots = [placed(long, *rng.uniform([12, 12], [45, 35]), rng.uniform(0, 2 * math.pi), name="long-1")]
        spots += [placed(stud, *rng.uniform([0, 0], [80, 50]), name=f"stud-{k}") for k in range(3)]
        left = left_of(*spots, turn=turn)
        total = left.parts_mm2 + left.kerfs_mm2 + left.slivers_mm2 + math.fsum(p.area_mm2 for p in left.pieces)
        over = [s for s in spots if not shapely.box(0, 0, 80, 50).covers(figure(s))]
        if not over:
            assert total == pytest.approx(left.plate_mm2, abs=1e-6)
        at = rng.uniform([0, 0], [80, 50], (4000, 2))
        away = np.min([shapely.distance(shapely.points(at), figure(s)) for s in spots], axis=0)
        to_billet = Pose.planar(to="setup-1", frm="billet", x_mm=3 * turn, y_mm=-turn, angle_rad=turn).inverse()
        seen = shapely.points(to_billet.points(at))
        shapes = [shape(piece) for piece in left.pieces]
        assert all(one.is_valid for one in shapes)
        is_in = np.sum([one.covers(seen) for one in shapes], axis=0)
        assert is_in.max() <= 1, "pieces do not overlap"
        assert (away[is_in > 0] > KERF - 0.03).all(), "no piece reaches into a kerf"
        dropped = np.mean((away > KERF) & (is_in == 0)) * 4000
        assert dropped == pytest.approx(left.slivers_mm2, abs=60)  # 4000 points on 4000 mm2: 3 sigma are at most 60


def figure(spot):
    points = spot.part.outline.moved(spot.setup_from_part).flattened(chord_mm=0.0005)
    return shapely.Polygon(points)


def test_the_largest_listed_part_that_fits_is_found_where_it_fits():
    big, mid = plain_part("big", rectangle(60, 45)), plain_part("mid", slotted(40, 12, 5))
    listed = (STUD, mid, big)
    left = left_of(placed(STUD, 12, 25), listed=listed, turn=0.3)
    (piece,) = left.pieces
    assert piece.largest.part == "mid", "the big one has no room beside its edge gaps"
    keepouts = tuple((f"hole-{k}", hole, left.edge_gap_mm) for k, hole in enumerate(piece.holes))
    region = Region(outline=piece.outline, edge_gap_mm=left.edge_gap_mm, keepouts=keepouts)
    nest = Nest(placements=(piece.largest,), least_gap_mm=1, least_edge_mm=1, parts_area_mm2=1, usable_area_mm2=1)
    assert least_distances(nest, list(listed), region)[1] >= -1e-6
    assert left_of(listed=listed, plate=(80, 56)).pieces[0].largest.part == "big"


def test_only_allowed_rotations_count():
    (bar,) = (plain_part("bar", rectangle(60, 8)),)
    for degrees, fits in ((0, True), (90, False)):
        (piece,) = left_of(listed=(bar,), rotations_deg=(degrees,)).pieces
        assert (piece.largest is not None) == fits


def test_a_part_that_is_bound_fits_where_its_zone_is_wide_enough():
    """A stud of 7 mm in a zone 12 wide, then in one 6 wide."""
    for width, fits in ((12, True), (6, False)):
        zone = Zone(name="wave", polygon=rectangle(width, 20) + [30, 15], figure=1.0)
        (piece,) = left_of(zones=(zone,), bound=("wave",)).pieces
        assert (piece.largest is not None) == fits
        if fits:
            x, y = piece.largest.billet_from_part.shift_mm[:2]
            assert 33.5 - 1e-6 <= x <= 38.5 + 1e-6 and 18.5 - 1e-6 <= y <= 31.5 + 1e-6


def test_the_same_job_leaves_the_same_bits():
    spots = placed(STUD, 20, 25), placed(plain_part("long", slotted(30, 9, 4)), 40, 12, 0.4, name="long-1")
    assert digest(left_of(*spots)) == digest(left_of(*spots))
