"""Random plates with random zones, parts bound to them and pinned parts: zones are kept and pins do not move."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
import shapely

from pipeline.errors import BadInput
from pipeline.model.loop import Loop
from pipeline.model.nest import Zone
from pipeline.nest import place_parts
from tests.reference.nest_measure import least_distances
from tests.reference.packings import L_SHAPE, plain_part, plain_region, rectangle, request, ring, slotted

NOISE_MM = 1e-6  # floating-point noise of a distance, no allowance
CHORD_MM = 0.0005  # figures are flattened inward by this much


def _zones(rng: np.random.Generator) -> tuple[Zone, ...]:
    """Two big ones that may overlap, one small; convex or not."""
    shapes = [ring(int(rng.integers(4, 9)), float(rng.uniform(34, 42))) for _ in range(2)]
    shapes = [s * rng.uniform(0.85, 1.0, size=(len(s), 1)) for s in shapes]
    places = ([-28, -8], [28, 8])
    big = [Zone(name=f"big-{i}", polygon=s + np.array(p) + rng.uniform(-5, 5, 2), figure=1.0)
           for i, (s, p) in enumerate(zip(shapes, places, strict=True))]
    return (*big, Zone(name="knot", polygon=L_SHAPE * 0.4 + rng.uniform(-30, 20, size=2), figure=0.0))


def _case(seed: int):
    rng = np.random.default_rng(seed)
    outlines = [L_SHAPE * float(rng.uniform(0.5, 0.8)), slotted(30, 10, float(rng.uniform(2, 4))), rectangle(24, 7)]
    bounds = [(("big-0",), ()), (("big-1",), ("knot",)), (("big-0", "big-1"), ()), ((), ("knot",))]
    parts, requests = [], []
    for k in range(int(rng.integers(2, 4))):
        zones, off = bounds[int(rng.integers(len(bounds)))]
        turns = [None, (0.0, 90.0)][int(rng.integers(2))]
        parts.append(plain_part(f"part{k}", outlines[k]))
        requests.append(replace(request(f"part{k}", int(rng.integers(1, 3)), rotations_deg=turns), zones=zones,
                                clear_of=off))
    zones, off = bounds[int(rng.integers(len(bounds)))]
    parts.append(plain_part("stud", Loop.circle(1.0, 0.5, 8.0)))
    requests.append(replace(request("stud", None), zones=zones, clear_of=off))
    region = plain_region(ring(9, 1.0) * rng.uniform(70, 80, size=2), edge_gap_mm=1.0,
                          keepouts=(("pin", ring(6, 3.0) + rng.uniform(-40, 40, 2), 1.5),))
    return parts, requests, replace(region, zones=_zones(rng))


def _shape(part, pose) -> shapely.Geometry:
    return shapely.Polygon(pose.points(part.outline.flattened(chord_mm=CHORD_MM)))


@pytest.mark.parametrize("seed", range(6))
def test_zones_are_kept_and_pins_stay(seed: int) -> None:
    parts, requests, region = _case(seed)
    first = place_parts(parts, requests, region, gap_mm=1.5, seed=seed, effort=1)
    _check_all(first, parts, requests, region)
    # some of what was placed is pinned, with another seed for the rest: nothing may move it
    rng = np.random.default_rng(100 + seed)
    pinned = []
    for asked in requests:
        poses = [(*p.billet_from_part.shift_mm[:2], p.billet_from_part.angle_rad)
                 for p in first.placements if p.part == asked.name]
        keep = [tuple(float(v) for v in pose) for pose in poses if rng.random() < 0.4]
        pinned.append(replace(asked, fixed=tuple(keep)))
    again = place_parts(parts, pinned, region, gap_mm=1.5, seed=seed + 1, effort=1)
    _check_all(again, parts, requests, region)
    for asked in pinned:
        at = [(*p.billet_from_part.shift_mm[:2], p.billet_from_part.angle_rad)
              for p in again.placements if p.part == asked.name]
        for x, y, angle in asked.fixed:
            assert any(p[:2] == (x, y) and abs(math.remainder(p[2] - angle, 2 * math.pi)) < 1e-12 for p in at)
    # a pin on the wrong side of a zone's edge is refused by the zone's name
    for asked in requests:
        if asked.zones and asked.count:
            moved = replace(asked, fixed=((500.0, 0.0, 0.0),))
            with pytest.raises(BadInput) as caught:
                place_parts(parts, [moved], region, gap_mm=1.5, seed=seed, effort=1)
            assert any(f.code == "N204" and all(z in f.found for z in asked.zones) for f in caught.value.findings)


def _check_all(nest, parts, requests, region) -> None:
    gap, edge = least_distances(nest, parts, region)
    assert gap >= 1.5 - NOISE_MM and edge >= -NOISE_MM
    zones = {zone.name: shapely.Polygon(zone.polygon) for zone in region.zones}
    by_name = {part.name: part for part in parts}
    for asked in requests:
        shapes = [_shape(by_name[asked.name], p.billet_from_part) for p in nest.placements if p.part == asked.name]
        assert asked.count is None or len(shapes) == asked.count
        inside = shapely.union_all([zones[z] for z in asked.zones]) if asked.zones else None
        for shape in shapes:
            assert inside is None or shapely.covers(shapely.buffer(inside, NOISE_MM, join_style="mitre"), shape)
            for name in asked.clear_of:
                assert not shapely.intersects(shapely.buffer(shape, -NOISE_MM, join_style="mitre"), zones[name])
