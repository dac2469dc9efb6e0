"""Parts bound to zones of the plate: where they may lie, what is said when they cannot, and pins beside them."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
import shapely

from pipeline.errors import BadInput
from pipeline.model.job import PartRequest
from pipeline.model.loop import Loop
from pipeline.model.nest import Nest, Region, Zone
from pipeline.model.part import Part
from pipeline.nest import place_parts
from pipeline.nest.bounds import bounds_of
from pipeline.nest.check import Walls, measure
from pipeline.nest.shapes import kind_of
from tests.reference.nest_measure import least_distances
from tests.reference.packings import L_SHAPE, U_SHAPE, plain_part, plain_region, rectangle, request, slotted

NOISE_MM = 1e-6  # floating-point noise of a distance, no allowance
LONG, ELL = plain_part("long", slotted(60, 20, 6)), plain_part("ell", L_SHAPE)
STUD = plain_part("stud", Loop.circle(1.0, -2.0, 3.5))
SHOW = Zone(name="show", polygon=rectangle(70, 30) + [20, 20], figure=1.0)
KNOT = Zone(name="knot", polygon=L_SHAPE + [85, 35], figure=0.2)


def zoned(*zones: Zone, width: float = 120, height: float = 90) -> Region:
    return replace(plain_region(rectangle(width, height), edge_gap_mm=1.0), zones=zones)


def bound(asked: PartRequest, *zones: str, off: tuple[str, ...] = ()) -> PartRequest:
    return replace(asked, zones=zones, clear_of=off)


def areas(nest: Nest, part: Part) -> list[shapely.Geometry]:
    """The outline of each copy, flattened inward by at most 1 um: what is inside a zone by more than noise stays so."""
    points = part.outline.flattened(chord_mm=0.001)
    return [shapely.Polygon(p.billet_from_part.points(points)) for p in nest.placements if p.part == part.name]


def reach_out_mm(shapes: list[shapely.Geometry], zone: shapely.Geometry) -> float:
    """How far the shapes stick out of a zone."""
    corners = shapely.points(np.concatenate([shapely.get_coordinates(s) for s in shapes]))
    out = max(float(shapely.distance(corners, zone).max()), 0.0)
    # corners of a zone that bite into a shape
    bites = [s for s in shapes if not shapely.covers(shapely.buffer(zone, 1e-6 + out), s)]
    return out if not bites else float("inf")


def test_bound_parts_lie_in_their_zone_and_the_others_where_they_like() -> None:
    asked = [bound(request("long", 1), "show"), bound(request("ell", 2), off=("knot", "show")),
             bound(request("stud", None), off=("knot",))]
    region, big = zoned(SHOW, KNOT), plain_part("stud", Loop.circle(1.0, -2.0, 6.0))
    nest = place_parts([LONG, ELL, big], asked, region, gap_mm=1.5, seed=1, effort=1)
    gap, edge = least_distances(nest, [LONG, ELL, big], region)
    assert gap >= 1.5 - NOISE_MM and edge >= -NOISE_MM
    show, knot = shapely.Polygon(SHOW.polygon), shapely.Polygon(KNOT.polygon)
    assert reach_out_mm(areas(nest, LONG), show) <= NOISE_MM
    for shape in areas(nest, ELL):
        assert shapely.area(shapely.intersection(shape, show)) < 1e-3  # of an edge that only touches, by rounding
    studs = areas(nest, big)
    for shape in [*areas(nest, ELL), *studs]:
        assert shapely.area(shapely.intersection(shape, knot)) < 1e-3
    assert len(studs) > 15  # 120 x 90 less some 3000 mm2 for the rest, 158 mm2 each
    assert any(not shapely.covers(show, s) for s in studs)


def test_a_rectangle_that_fills_its_zone_is_found_in_its_corner() -> None:
    plate = plain_part("plate", rectangle(40, 25))
    zone = Zone(name="only", polygon=rectangle(80.5, 25) + [30, 40], figure=1.0)
    asked = [bound(request("plate", 2, rotations_deg=(0, 90)), "only")]
    nest = place_parts([plate], asked, zoned(zone), gap_mm=0.5, seed=1, effort=1)
    at = sorted(p.billet_from_part.shift_mm[0] for p in nest.placements)
    assert at == pytest.approx([30.0, 70.5], abs=1e-6)
    assert reach_out_mm(areas(nest, plate), shapely.Polygon(zone.polygon)) <= NOISE_MM


def test_two_zones_that_touch_count_as_one() -> None:
    halves = [Zone(name=name, polygon=rectangle(35, 24) + [x, 30], figure=1.0) for name, x in (("a", 20), ("b", 55))]
    asked = [bound(request("long", 1), "b", "a")]
    nest = place_parts([LONG], asked, zoned(*halves), gap_mm=1.5, seed=1, effort=1)
    assert reach_out_mm(areas(nest, LONG), shapely.box(20, 30, 90, 54)) <= NOISE_MM
    with pytest.raises(BadInput) as caught:
        place_parts([LONG], [bound(request("long", 1), "a")], zoned(*halves), gap_mm=1.5, seed=1, effort=1)
    assert caught.value.findings[0].code == "N202"


def test_a_hole_between_zones_is_kept_too() -> None:
    """Two zones like U and its mirror image close round a hole of 14 x 34, which nothing may cover."""
    low = U_SHAPE + [40, 20]
    high = U_SHAPE * [1, -1] + [40, 70]
    disc = plain_part("disc", Loop.circle(0, 0, 3.9))
    zones = (Zone(name="low", polygon=low, figure=1.0), Zone(name="high", polygon=high, figure=1.0))
    asked = [bound(request("disc", None), "low", "high")]
    nest = place_parts([disc], asked, zoned(*zones), gap_mm=0.5, seed=1, effort=2)
    room = shapely.difference(shapely.box(40, 20, 70, 70), shapely.box(48, 28, 62, 62))
    # 8 mm wide bars: centres go round a rectangle of 22 x 42, a pitch of 8.3 apart, so at most 128 / 8.3 = 15
    assert 10 <= len(nest.placements) <= 15
    for centre in (shapely.Point(p.billet_from_part.shift_mm[:2]) for p in nest.placements):
        assert shapely.covers(room, centre) and shapely.distance(centre, room.boundary) >= 3.9 - NOISE_MM


def test_round_parts_keep_their_zone_as_exact_discs() -> None:
    """A zone of 4 x 3 discs of a square grid: 8 mm each, and no room for more in a width of 24.0 mm."""
    zone = Zone(name="strip", polygon=rectangle(32, 24) + [50, 30], figure=1.0)
    disc = plain_part("disc", Loop.circle(0, 0, 3.99))
    nest = place_parts([disc], [bound(request("disc", None), "strip")], zoned(zone), gap_mm=0.0, seed=1, effort=2)
    centres = np.array([p.billet_from_part.shift_mm[:2] for p in nest.placements])
    assert 10 <= len(centres) <= 12
    low, high = centres.min(axis=0) - 3.99, centres.max(axis=0) + 3.99
    assert (low >= [50 - NOISE_MM, 30 - NOISE_MM]).all() and (high <= [82 + NOISE_MM, 54 + NOISE_MM]).all()


def test_the_exact_check_finds_a_body_out_of_its_zone_by_name() -> None:
    asked = [bound(request("rect", 1), "show", off=("knot",))]
    zones = (Zone(name="show", polygon=rectangle(50, 30) + [10, 10], figure=1.0),
             Zone(name="knot", polygon=rectangle(4, 4) + [30, 20], figure=0.0))
    [what] = bounds_of(asked, zones)
    kind = kind_of(plain_part("rect", rectangle(10, 6)), asked[0], what)
    walls = Walls.of(zoned(*zones, width=80, height=50))
    for x, y, wall, short in ((15, 13, "", 0), (14.98, 13, "show", 0.02), (25, 22, "", 0), (25.03, 22, "knot", 0.03),
                              (15, 12.7, "show", 0.3), (75, 47, "show", math.hypot(20, 10))):
        found = measure([kind], (0,), np.array([[x, y, 0.0]]), walls, gap_mm=2.0).shortfalls
        found = tuple(s for s in found if s.wall != "edge")
        assert (found[0].wall if found else "") == wall
        # slivers are measured as 2 area / perimeter, low by their width over their length
        assert not found or found[0].short_mm == pytest.approx(short, rel=0.06)


def test_pins_and_rotations_hold_beside_zones() -> None:
    pin = (25.0, 25.0, 0.0)
    asked = [bound(request("long", 2, rotations_deg=(0, 180), fixed=(pin,)), "show", "rest"),
             bound(request("stud", 3), "rest")]
    region = zoned(SHOW, Zone(name="rest", polygon=rectangle(110, 35) + [5, 50], figure=0.5))
    nest = place_parts([LONG, STUD], asked, region, gap_mm=1.5, seed=2, effort=1)
    longs = [p.billet_from_part for p in nest.placements if p.part == "long"]
    assert any((*p.shift_mm[:2], p.angle_rad) == pin for p in longs)
    assert all(min(abs(p.angle_rad - a) for a in (0.0, np.pi, -np.pi)) < 1e-9 for p in longs)
    both = shapely.union(shapely.Polygon(SHOW.polygon), shapely.box(5, 50, 115, 85))
    assert reach_out_mm(areas(nest, LONG), both) <= NOISE_MM
    assert reach_out_mm(areas(nest, STUD), shapely.box(5, 50, 115, 85)) <= NOISE_MM
    gap, edge = least_distances(nest, [LONG, STUD], region)
    assert gap >= 1.5 - NOISE_MM and edge >= -NOISE_MM


@pytest.mark.parametrize("asked, code, words", [
    # 60 x 20 with round corners of 6 in 58 x 40: too long at any angle
    (bound(request("long", 1), "short"), "N201", ("short to short", "in the zone short")),
    (bound(request("long", 3), "show"), "N202", ("in the zone show", "offers there")),
    # three of 7 with gaps of 1.5 in 8 x 22: even in zigzag they need 7 + 2 sqrt(8.5^2 - 1) = 23.9
    (bound(request("stud", 3), "slot"), "N203", ("stud in the zone slot", "2 x stud instead of 3 fits")),
    (bound(request("long", 1, fixed=((24.0, 19.0, 0.0),)), "show"), "N204", ("1.000 mm out of the zone show",)),
    (bound(request("ell", 1, fixed=((80.0, 30.0, 0.0),)), off=("knot",)), "N204", ("into the zone knot",)),
    (bound(request("ell", 1), "shwo"), "N208", ("shwo", "one of show, knot, short, slot")),
])
def test_refusals_name_the_zone(asked: PartRequest, code: str, words: tuple[str, ...]) -> None:
    region = zoned(SHOW, KNOT, Zone(name="short", polygon=rectangle(58, 40) + [20, 40], figure=1.0),
                   Zone(name="slot", polygon=rectangle(8, 22) + [5, 5], figure=1.0))
    with pytest.raises(BadInput) as caught:
        place_parts([LONG, ELL, STUD], [asked], region, gap_mm=1.5, seed=1, effort=1)
    [finding] = caught.value.findings
    assert finding.code == code and all(word in str(finding) for word in words), str(finding)


@pytest.mark.parametrize("asked, words", [
    ([bound(request("long", 1), "short")], "it fits without `zone: short` of long;"),
    ([bound(request("long", 1), "short", "slot")], "it fits without `zone: [short, slot]` of long;"),
    ([bound(request("long", 1), off=("whole",))], "it fits without `clear_of: whole` of long;"),
    # either alone is in the way, or only one of the two
    ([bound(request("long", 1), "short", off=("whole",))],
     "it fits without `zone: short` and `clear_of: whole` of long;"),
    ([bound(request("long", 1), "short", off=("knot",))], "it fits without `zone: short` of long;"),
    ([bound(request("long", 1), "show", off=("whole",))], "it fits without `clear_of: whole` of long;"),
    ([bound(request("long", 4), "show"), bound(request("ell", 1), "show")], "it fits without `zone: show` of long;"),
    ([bound(request("stud", 3), "slot"), bound(request("long", 2), "show")],
     "it fits without `zone: slot` of stud and `zone: show` of long;"),
])
def test_letting_go_of_a_zone_is_tried(asked: list[PartRequest], words: str) -> None:
    region = zoned(SHOW, KNOT, Zone(name="short", polygon=rectangle(58, 40) + [20, 40], figure=1.0),
                   Zone(name="slot", polygon=rectangle(8, 22) + [5, 5], figure=1.0),
                   Zone(name="whole", polygon=rectangle(90, 90) + [10, 0], figure=1.0))
    with pytest.raises(BadInput) as caught:
        place_parts([LONG, ELL, STUD], asked, region, gap_mm=1.5, seed=1, effort=1)
    hints = [finding.hint for finding in caught.value.findings]
    assert any(words in hint for hint in hints), hints


def test_a_zone_is_not_let_go_where_that_does_not_help() -> None:
    with pytest.raises(BadInput) as caught:
        place_parts([LONG], [bound(request("long", 1), "show")], zoned(SHOW, width=50, height=50), gap_mm=1.5, seed=1,
                    effort=1)
    [finding] = caught.value.findings
    assert "none of these was found to help: letting go of zones;" in finding.hint
