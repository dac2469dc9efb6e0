"""No-fit polygons and separation by them, against areas, moves and polygons that shapely measures."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from shapely import affinity

from pipeline.geometry.nofit import convex_parts, no_fit
from pipeline.kernels import nest_nofit
from pipeline.nest.forms import forms_of
from tests.bench import strips
from tests.reference.packings import L_SHAPE, U_SHAPE, rectangle, star

TOL = 2e-7
RINGS = {
    "L": L_SHAPE, "U": U_SHAPE, "star": star(5, 10, 4), "plate": rectangle(7, 3),
    "wedge": np.array([[0, 0], [9, 0], [2, 5.0]]),
}  # fmt: skip


@pytest.mark.parametrize("name", RINGS)
def test_convex_parts_are_convex_and_make_up_the_ring(name):
    parts = [shapely.Polygon(p) for p in convex_parts(RINGS[name])]
    assert all(p.convex_hull.area == pytest.approx(p.area) for p in parts)
    assert shapely.union_all(parts).symmetric_difference(shapely.Polygon(RINGS[name])).area < 1e-9
    assert sum(p.area for p in parts) == pytest.approx(shapely.Polygon(RINGS[name]).area)


def test_the_sum_of_two_rectangles_is_a_rectangle():
    """Sides add up: closed form."""
    edges = no_fit([rectangle(7, 3)], [rectangle(2, 1)])
    assert sorted(map(tuple, edges[:, :2].tolist())) == [(-2.0, -1.0), (-2.0, 3.0), (7.0, -1.0), (7.0, 3.0)]


def test_a_plate_that_fits_a_slot_has_a_place_in_it():
    """The slot of the U is 14 wide: a plate of 10 by 5 has 4 of play in it, from its floor up."""
    edges = no_fit(convex_parts(U_SHAPE), [rectangle(10, 5)])
    ring = shapely.polygonize([shapely.LineString(e.reshape(2, 2)) for e in edges]).geoms
    inside = shapely.union_all(list(ring))
    assert not inside.contains(shapely.Point(10, 9)) and inside.contains(shapely.Point(10, 7.9))
    assert inside.contains(shapely.Point(7.9, 9)) and inside.contains(shapely.Point(12.1, 9))


def _depth(forms, a, b, offset):
    state_forms, places = np.array([a, b]), np.array([[0.0, 0.0], offset])
    depths = np.zeros((2, 2))
    nest_nofit._measure(forms.fit, state_forms, places, depths)
    return float(depths[0, 1])


def test_depths_are_the_shortest_way_apart():
    """Moved by its depth some way, and by no less any way, a form is free of the other (fixed seed)."""
    rng = np.random.default_rng(5)
    forms = forms_of(list(RINGS.values()), [(0.0, 0.5 * math.pi, 2.1)] * len(RINGS))
    polygons = [shapely.Polygon(ring) for ring in forms.rings]
    n_deep = 0
    for _ in range(400):
        a, b = rng.integers(0, len(polygons), 2)
        offset = rng.uniform(-20, 20, 2)
        depth = _depth(forms, a, b, offset)
        moved = affinity.translate(polygons[b], *offset)
        if depth == 0.0:
            assert polygons[a].intersection(moved).area < 1e-9
            continue
        n_deep += 1
        out = np.array(nest_nofit._way_out(forms.fit, a * len(polygons) + b, *offset))
        assert math.hypot(*out) == pytest.approx(depth)
        assert polygons[a].intersection(affinity.translate(moved, *out)).area < 1e-9
        for turn in rng.uniform(0, 2 * math.pi, 40):
            way = 0.99 * depth * np.array([math.cos(turn), math.sin(turn)])
            assert polygons[a].intersection(affinity.translate(moved, *way)).area > 0.0
    assert n_deep > 100


def test_equal_forms_are_one():
    forms = forms_of([rectangle(3, 2) - [1.5, 1]], [(0.0, math.pi / 2, math.pi)])
    assert len(forms.rings) == 2
    with pytest.raises(ValueError, match="without an angle"):
        forms_of([rectangle(3, 2)], [()])


def test_separation_leaves_no_overlap_and_stays_inside():
    """Nine pieces that cover 70 % of the rim, ten seeds."""
    forms = forms_of([L_SHAPE - [15, 15], rectangle(20, 10) - [10, 5]], [(0.0, math.pi), (0.0, math.pi / 2)])
    kinds = np.array([0] * 4 + [1] * 5)
    rim = np.array([0.0, 0.0, 95.0, 40.0])
    for seed in range(10):
        state = np.array([seed + 1], dtype=np.int64)
        pieces = np.array([forms.fit.of_kind[k] for k in kinds])
        places = np.tile([35.0, 20.0], (9, 1))
        left = nest_nofit.separate(
            forms.fit, kinds, pieces, places, np.ones((9, 9)), rim, 3, 100, 50, 25, TOL, 10**6, state
        )  # fmt: skip
        placed = [affinity.translate(shapely.Polygon(forms.rings[f]), *p) for f, p in zip(pieces, places, strict=True)]
        overlap = max(a.intersection(b).area for i, a in enumerate(placed) for b in placed[:i])
        assert left == 0.0 and overlap < 1e-5
        x0, y0, x1, y1 = shapely.union_all(placed).bounds
        assert x0 >= -1e-9 and y0 >= -1e-9 and x1 <= 95 + 1e-9 and y1 <= 40 + 1e-9


def test_compiled_and_interpreted_separation_agree():
    forms = forms_of([L_SHAPE - [15, 15], rectangle(20, 10) - [10, 5]], [(0.0, math.pi), (0.0,)])
    kinds = np.array([0, 0, 1, 1])
    found = []
    for function in (nest_nofit.separate, nest_nofit.separate.py_func):
        pieces, places = np.array([0, 1, 2, 2]), np.tile([20.0, 20.0], (4, 1))
        function(forms.fit, kinds, pieces, places, np.ones((4, 4)), np.array([0, 0, 60.0, 40.0]), 1, 20, 10, 5, TOL, 40,
                 np.array([7], dtype=np.int64))  # fmt: skip
        found.append((pieces.tolist(), places.tolist()))
    assert found[0] == found[1]


INVENTED = {
    "kind": "strip", "name": "invented-strip", "strip_height": 20.0, "items": [
        {"id": 0, "demand": 4, "allowed_rotations_deg": [0.0, 180.0], "polygon": [[0, 0], [10, 0], [0, 20]]},
        {"id": 1, "demand": 3, "allowed_rotations_deg": [0.0, 90.0], "polygon": [[0, 0], [30, 0], [30, 5], [0, 5]]},
    ],
}  # fmt: skip


def test_a_strip_is_packed_short_and_its_faults_are_seen():
    """Four right triangles make two plates of 10 x 20, three bars of 30 x 5 lie over each other: 50 x 20 at best."""
    strip = strips.load(INVENTED)
    packed = strips.solve(strip, seconds=1.0, seed=1)
    assert strips.faults(strip, INVENTED, packed) == []
    assert 84.5 < strips.density(strip, packed) <= 85.0 + 1e-4
    packed.places[0] = packed.places[1] + [0.001, 0.0]
    assert strips.faults(strip, INVENTED, packed) != []
