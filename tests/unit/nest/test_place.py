"""The nest against packings with known answers, measured by a polygon library, not by our check."""

from __future__ import annotations

import math

import numpy as np
import pytest

from pipeline.errors import BadInput
from pipeline.model.digests import digest
from pipeline.model.loop import Loop
from pipeline.nest import place_parts
from tests.reference.nest_measure import least_distances
from tests.reference.packings import (
    DISCS_IN_CIRCLE,
    L_SHAPE,
    RECTANGLES,
    U_SHAPE,
    plain_part,
    plain_region,
    rectangle,
    request,
    ring,
    slotted,
    star,
)

NOISE_MM = 1e-6  # floating-point noise of a distance, no allowance


@pytest.mark.parametrize("count", [12, None])
def test_rectangles_tile_a_plate(count: int | None) -> None:
    parts, region = [plain_part("rect", rectangle(40, 25))], plain_region(rectangle(120, 100))
    nest = place_parts(parts, [request("rect", count, rotations_deg=(0, 90))], region, gap_mm=0.0, seed=1, effort=4)
    assert len(nest.placements) == RECTANGLES[0.0][0]
    assert nest.parts_area_mm2 == pytest.approx(12000)
    gap, edge = least_distances(nest, parts, region)
    assert gap >= -NOISE_MM and edge >= -NOISE_MM


@pytest.mark.parametrize("count", [9, None])
def test_rectangles_with_a_gap_take_mixed_columns(count: int | None) -> None:
    parts, region = [plain_part("rect", rectangle(40, 25))], plain_region(rectangle(120, 100))
    nest = place_parts(parts, [request("rect", count, rotations_deg=(0, 90))], region, gap_mm=1.6, seed=1, effort=4)
    expected, bound = RECTANGLES[1.6]
    assert expected <= len(nest.placements) <= bound
    gap, edge = least_distances(nest, parts, region)
    assert gap >= 1.6 - NOISE_MM and edge >= -NOISE_MM


@pytest.mark.parametrize("n", sorted(DISCS_IN_CIRCLE))
def test_equal_discs_in_a_circle_reach_the_best_known(n: int) -> None:
    parts = [plain_part("disc", Loop.circle(1.0, -2.0, 3.5))]  # off the origin: the centre is not the part's zero
    found = {}
    for factor in (1.005, 0.995):
        # 720 corners: the polygon loses 1e-5 of the radius, far under the half per cent
        region = plain_region(ring(720, 3.5 * DISCS_IN_CIRCLE[n] * factor))
        nest = place_parts(parts, [request("disc", None)], region, gap_mm=0.0, seed=1, effort=4)
        found[factor] = len(nest.placements)
        gap, edge = least_distances(nest, parts, region)
        assert gap >= -NOISE_MM and edge >= -NOISE_MM
    assert found[1.005] == n
    assert found[0.995] < n


def _adversarial():
    parts = [plain_part("ell", L_SHAPE), plain_part("you", U_SHAPE), plain_part("star", star(5, 15, 6)),
             plain_part("stud", Loop.circle(0, 0, 3.5))]
    requests = [request("ell", 3), request("you", 2), request("star", 2, rotations_deg=(0, 36)), request("stud", None)]
    region = plain_region(rectangle(110, 90), edge_gap_mm=1.0, keepouts=(("hole", ring(32, 8) + [50, 40], 2.0),))
    return parts, requests, region


def test_hollow_outlines_round_a_hole() -> None:
    parts, requests, region = _adversarial()
    nest = place_parts(parts, requests, region, gap_mm=1.5, seed=3, effort=4)
    gap, edge = least_distances(nest, parts, region)
    assert gap >= 1.5 - NOISE_MM
    assert edge >= -NOISE_MM  # clearance: the outline and the hole have gaps of their own
    assert nest.least_gap_mm == pytest.approx(gap, abs=1e-9)
    ids = [p.part_id for p in nest.placements]
    assert len(set(ids)) == len(ids)
    assert ids[:7] == ["ell-1", "ell-2", "ell-3", "you-1", "you-2", "star-1", "star-2"]
    for name in ("ell", "you", "star", "stud"):
        at = [p.billet_from_part.shift_mm[:2] for p in nest.placements if p.part == name]
        assert at == sorted(at, key=lambda xy: (round(xy[0], 6), round(xy[1], 6)))


def test_same_seed_same_bytes_and_workers_do_not_matter() -> None:
    parts, requests, region = _adversarial()
    one = place_parts(parts, requests, region, gap_mm=1.5, seed=3, effort=2)
    again = place_parts(parts, requests, region, gap_mm=1.5, seed=3, effort=2)
    two = place_parts(parts, requests, region, gap_mm=1.5, seed=3, effort=2, workers=2)
    other = place_parts(parts, requests, region, gap_mm=1.5, seed=4, effort=2)
    assert digest(one) == digest(again) == digest(two)
    assert digest(one) != digest(other)


def test_parts_that_must_not_turn_stay_at_their_angle() -> None:
    angles = (0.1, 0.1 + math.pi)
    long = plain_part("long", slotted(60, 20, 6))
    asked = [request("long", 3, rotations_deg=tuple(math.degrees(a) for a in angles))]
    nest = place_parts([long], asked, plain_region(rectangle(100, 90)), gap_mm=3.3, seed=1, effort=2)
    for placement in nest.placements:
        turn = placement.billet_from_part.angle_rad % (2 * math.pi)
        assert min(abs(turn - a) for a in angles) < 1e-9


def test_fixed_placements_are_kept_to_the_bit() -> None:
    parts = [plain_part("long", slotted(60, 20, 6)), plain_part("stud", Loop.circle(0, 0, 3.5))]
    fixed = ((12.34567891, 8.7654321, 0.25),)
    asked = [request("long", 2, fixed=fixed), request("stud", None)]
    region = plain_region(rectangle(100, 80), edge_gap_mm=2.0)
    nest = place_parts(parts, asked, region, gap_mm=3.3, seed=1, effort=2)
    long = [p.billet_from_part for p in nest.placements if p.part == "long"]
    poses = [(*pose.shift_mm[:2], pose.angle_rad) for pose in long]
    assert len(poses) == 2
    assert any(pose[:2] == fixed[0][:2] and abs(pose[2] - 0.25) < 1e-15 for pose in poses)
    gap, edge = least_distances(nest, parts, region)
    assert gap >= 3.3 - NOISE_MM and edge >= -NOISE_MM


def test_one_copy_is_named_without_a_number() -> None:
    nest = place_parts([plain_part("long", slotted(60, 20, 6))], [request("long", 1)], plain_region(rectangle(70, 30)),
                       gap_mm=3.0, seed=1, effort=1)
    assert [p.part_id for p in nest.placements] == ["long"]
    assert nest.least_gap_mm == math.inf


def test_more_value_per_area_is_taken_first() -> None:
    parts = [plain_part("big", Loop.circle(0, 0, 6.0)), plain_part("small", Loop.circle(0, 0, 3.0))]
    region = plain_region(rectangle(50, 50))
    dear, cheap = (place_parts(parts, [request("big", None, value=v), request("small", None)], region, gap_mm=1,
                               seed=1, effort=4) for v in (50, 0.1))

    def n_big(nest):
        return sum(p.part == "big" for p in nest.placements)

    assert n_big(dear) >= 9  # a square grid of pitch 13 holds 3 x 3: 12 + 2 * 13 = 38 <= 50
    assert n_big(cheap) < n_big(dear)


# ---- refusals ----------------------------------------------------------------------------------------------------


def _refused(parts, requests, region, *, gap_mm=3.3, effort=1):
    with pytest.raises(BadInput) as caught:
        place_parts(parts, requests, region, gap_mm=gap_mm, seed=1, effort=effort)
    return caught.value.findings


def test_a_part_that_does_not_fit_alone_is_named_with_its_shortfall() -> None:
    # 60 long in a 55 x 55 plate: turned by 45 degrees a 60 x 20 rectangle needs (60 + 20) / sqrt 2 = 56.57
    found = _refused([plain_part("long", rectangle(60, 20)), plain_part("ok", rectangle(5, 5))],
                     [request("long", 1), request("ok", 1)], plain_region(rectangle(55, 55)))
    assert [(f.code, f.where) for f in found] == [("N201", "long")]
    assert 0.1 < found[0].amount_mm < 5.0
    assert "of the plate's own frame" in found[0].found


def test_parts_larger_than_the_plate() -> None:
    found = _refused([plain_part("rect", rectangle(40, 25))], [request("rect", 12)], plain_region(rectangle(120, 90)),
                     gap_mm=0.0)
    assert [f.code for f in found] == ["N202"]


def test_parts_that_fit_alone_but_not_together() -> None:
    # two 60 x 40 on 100 x 75 with gap 3: side by side needs 83 one way or 123 the other
    parts = [plain_part("left", rectangle(60, 40)), plain_part("right", rectangle(60, 40))]
    asked = [request(n, 1, rotations_deg=(0, 180)) for n in ("left", "right")]
    found = _refused(parts, asked, plain_region(rectangle(100, 75)), gap_mm=3.0)
    assert [f.code for f in found] == ["N203"]
    assert found[0].where in ("left", "right")
    # 83 - 75 = 8 is missing; spread over two walls and the gap no less than a third of it remains
    assert 8 / 3 - 0.05 <= found[0].amount_mm <= 8.1
    assert "of the plate's own frame" in found[0].found and "a shorter part" in found[0].hint


def test_one_copy_fewer_is_offered_when_it_fits() -> None:
    found = _refused([plain_part("rect", rectangle(40, 25))], [request("rect", 3, rotations_deg=(0,))],
                     plain_region(rectangle(62, 65)), gap_mm=3.0)
    assert found[0].code == "N203"
    assert "2 x rect instead of 3 fits" in found[0].hint


def test_fixed_placements_too_near_are_all_found() -> None:
    parts = [plain_part("rect", rectangle(40, 25))]
    asked = [request("rect", 2, fixed=((-1.0, 5.0, 0.0), (20.0, 5.0, 0.0)))]
    found = _refused(parts, asked, plain_region(rectangle(120, 100)))
    assert [f.code for f in found] == ["N204", "N204"]
    assert {f.where for f in found} <= {"rect-1", "rect-2"}
    assert max(f.amount_mm for f in found) == pytest.approx(3.3 + 19.0, rel=0.01)  # overlap 39 - 20, and the gap
    assert min(f.amount_mm for f in found) == pytest.approx(1.0)


def test_more_fixed_than_copies() -> None:
    found = _refused([plain_part("rect", rectangle(10, 10))], [request("rect", 1, fixed=((5, 5, 0), (30, 5, 0)))],
                     plain_region(rectangle(60, 60)))
    assert [f.code for f in found] == ["N205"]


def test_no_region_left() -> None:
    found = _refused([plain_part("rect", rectangle(5, 5))], [request("rect", 1)],
                     plain_region(rectangle(10, 10), edge_gap_mm=6.0))
    assert [f.code for f in found] == ["N206"]


def test_usable_area_is_the_region_less_gaps() -> None:
    hole = np.array([[40, 40], [50, 40], [50, 50], [40, 50]], dtype=float)
    region = plain_region(rectangle(100, 80), edge_gap_mm=2.0, keepouts=(("hole", hole, 3.0),))
    nest = place_parts([plain_part("rect", rectangle(10, 10))], [request("rect", 1)], region, gap_mm=1, seed=1,
                       effort=1)
    keepout = 100 + 4 * 10 * 3 + math.pi * 9
    assert nest.usable_area_mm2 == pytest.approx(96 * 76 - keepout, abs=0.01)
    assert nest.parts_area_mm2 == pytest.approx(100)


def test_fixed_places_exactly_at_the_gap_leave_room_for_the_others() -> None:
    """What is fixed keeps its gap to the last bit and needs no safety beyond it."""
    parts = [plain_part("rect", rectangle(40, 25)), plain_part("bar", rectangle(20, 6))]
    fixed = ((1.0, 1.0, 0.0), (1.0, 1.0 + 25 + 3.3, 0.0))
    region = plain_region(rectangle(80, 60), edge_gap_mm=1.0)
    for asked in ([request("rect", 2, fixed=fixed)], [request("rect", 2, fixed=fixed), request("bar", 2)]):
        nest = place_parts(parts, asked, region, gap_mm=3.3, seed=1, effort=1)
        gap, edge = least_distances(nest, parts, region)
        assert gap == pytest.approx(3.3) and edge >= -NOISE_MM
