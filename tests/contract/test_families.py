"""What every part family must keep, for whatever the scan finds.

Drawn for each family: the defaults, each size at each of its bounds, each choice, and random sizes from a fixed seed.
Each drawing must be one valid solid with its features on it. Features are looked for by asking the solid, at points a
hundredth of a millimetre to both sides of where the feature says its surface is, whether there is metal.
"""

from __future__ import annotations

import functools
import math
import random

import numpy as np
import pytest
import shapely

from pipeline.families import scan
from pipeline.model.loop import Loop, arc_of_bulge
from pipeline.model.part import Chamfer, Hole, Mark, Pocket, Side, Surface

FAMILIES = scan()
NEAR = 0.01  # mm to each side of a surface
N_RANDOM = 20
SMALLEST_CORNER_MM = 1.05  # a 2 mm end mill with room to turn: the shop's choice
SMALLEST_HOLLOW_MM = 1.6  # in outlines, which go the whole depth: the shop's choice


def draw(family, rng):
    return {size.name: rng.choice(size.choices) if size.kind == "pick" else rng.uniform(size.low, size.high)
            for size in family.sizes}


def at_value(family, size, value):
    """Sizes that hold this value: all others at their defaults, or, when that breaks a relation, the first random set
    (of 2,000, fixed seed) that goes together with it."""
    if not family.check({size.name: value}):
        return {size.name: value}
    rng = random.Random(f"{family.name} {size.name} {value}")
    for _ in range(2000):
        sizes = draw(family, rng) | {size.name: value}
        if not family.check(sizes):
            return sizes
    raise AssertionError(f"{family.name}: no sizes go with {size.name} = {value}")


@functools.cache
def cases(name):
    family = FAMILIES[name]
    out = [("defaults", {})]
    for size in family.sizes:
        for value in size.choices if size.kind == "pick" else (size.low, size.high):
            out.append((f"{size.name} {value}", at_value(family, size, value)))
    rng = random.Random(f"{name} 2024")
    kept = 0
    while kept < N_RANDOM:
        sizes = draw(family, rng)
        if not family.check(sizes):
            kept += 1
            out.append((f"random {kept}", sizes))
    return out


class Metal:
    """Asks a solid whether points lie in it."""

    def __init__(self, solid):
        from OCP.BRepClass3d import BRepClass3d_SolidClassifier

        self.classifier = BRepClass3d_SolidClassifier(solid.wrapped)

    def at(self, points):
        from OCP.gp import gp_Pnt
        from OCP.TopAbs import TopAbs_IN

        out = []
        for point in np.asarray(points, dtype=float):
            self.classifier.Perform(gp_Pnt(*map(float, point)), 1e-7)
            out.append(self.classifier.State() == TopAbs_IN)
        return np.array(out)

    def none(self, points):
        return not self.at(points).any()

    def all(self, points):
        return bool(self.at(points).all())


def along(loop, per_edge=3):
    """Points on a loop and its outward normals, a few in the middle of every edge (not at the joints)."""
    points, normals = [], []
    rows = loop.vertices
    for (x0, y0, bulge), (x1, y1, _) in zip(rows, np.roll(rows, -1, axis=0), strict=True):
        for share in (np.arange(per_edge) + 0.5) / per_edge:
            if bulge == 0:
                length = math.hypot(x1 - x0, y1 - y0)
                points.append((x0 + (x1 - x0) * share, y0 + (y1 - y0) * share))
                normals.append(((y1 - y0) / length, (x0 - x1) / length))
            else:
                cx, cy, radius, start, sweep = arc_of_bulge(x0, y0, x1, y1, bulge)
                angle, sign = start + sweep * share, math.copysign(1.0, bulge)
                points.append((cx + radius * math.cos(angle), cy + radius * math.sin(angle)))
                normals.append((sign * math.cos(angle), sign * math.sin(angle)))
    return np.array(points), np.array(normals)


def polygon(loop):
    return shapely.Polygon(loop.flattened(chord_mm=0.002))


def over(region, holes):
    """Points of a grid inside a region that keep 0.05 mm from its rim and 0.4 mm (a mouth's chamfer) from every hole.
    The grid is made finer until a narrow ring holds some."""
    inner = region.buffer(-0.05)
    for hole in holes:
        inner = inner.difference(shapely.Point(hole.x_mm, hole.y_mm).buffer(hole.diameter_mm / 2 + 0.4))
    low_x, low_y, high_x, high_y = region.bounds
    for spots in (9, 27, 81):
        x, y = np.meshgrid(np.linspace(low_x, high_x, spots + 2)[1:-1], np.linspace(low_y, high_y, spots + 2)[1:-1])
        kept = shapely.contains_xy(inner, x, y)
        if kept.any():
            return np.column_stack([x[kept], y[kept]])
    raise AssertionError("no place to look at")


def lift(points, z):
    return np.column_stack([points, np.full(len(points), z)])


def check_hole(hole, features, metal):
    low, high = hole.bottom_z_mm, hole.top_z_mm
    assert low < high
    assert hole.limits_mm[0] <= hole.diameter_mm <= hole.limits_mm[1]
    for other in features:
        if isinstance(other, Hole) and other is not hole and other.diameter_mm > hole.diameter_mm \
                and math.hypot(other.x_mm - hole.x_mm, other.y_mm - hole.y_mm) < NEAR:
            if other.side is Side.OUTER:
                low = max(low, other.top_z_mm)
            else:
                high = min(high, other.bottom_z_mm)
        if isinstance(other, Chamfer) and other.inward \
                and math.dist(other.loop.vertices[:, :2].mean(axis=0), (hole.x_mm, hole.y_mm)) < NEAR:
            high -= other.leg_mm
    turn = np.linspace(0, math.tau, 8, endpoint=False)
    ring = np.column_stack([np.cos(turn), np.sin(turn)])
    middle = np.array([hole.x_mm, hole.y_mm])
    for z in np.linspace(low + 2 * NEAR, high - 2 * NEAR, 3):
        assert metal.none(lift(middle + ring * (hole.diameter_mm / 2 - NEAR), z))
        assert metal.all(lift(middle + ring * (hole.diameter_mm / 2 + NEAR), z))
    if hole.side is Side.OUTER:
        assert hole.bottom_z_mm == 0.0 and hole.flat_bottom
        assert metal.all(lift(middle + ring * (hole.diameter_mm / 2 - NEAR), hole.top_z_mm + 2 * NEAR))
    elif hole.through:
        assert hole.bottom_z_mm == 0.0
        assert metal.none(lift(middle[None], np.array([NEAR])))
    else:
        assert metal.all(lift(middle + ring * (hole.diameter_mm / 2 - NEAR), hole.bottom_z_mm - 2 * NEAR))
        if not hole.flat_bottom:
            point = hole.diameter_mm / 2 / math.tan(math.radians(59))
            assert metal.none(lift(middle[None], hole.bottom_z_mm - point + NEAR))
            assert metal.all(lift(middle[None], hole.bottom_z_mm - point - NEAR))
    if hole.thread is not None:
        assert hole.limits_mm == hole.thread.drill_limits_mm
    if hole.depth_limits_mm is not None:
        assert hole.depth_limits_mm[0] <= hole.bottom_z_mm <= hole.depth_limits_mm[1]


def check_pocket(pocket, built, metal):
    holes = [feature for feature in built.features if isinstance(feature, Hole)]
    region = polygon(pocket.outer).difference(shapely.unary_union([polygon(loop) for loop in pocket.islands]))
    floor = over(region.intersection(polygon(built.outline)), holes)
    assert metal.none(lift(floor, pocket.floor_z_mm + NEAR)) and metal.none(lift(floor, pocket.top_z_mm - NEAR))
    assert metal.all(lift(floor, pocket.floor_z_mm - NEAR))
    middle = (pocket.floor_z_mm + pocket.top_z_mm) / 2
    walls = [(loop, -1.0) for loop in pocket.islands] + ([] if pocket.open_edge else [(pocket.outer, 1.0)])
    for loop, out in walls:
        points, normals = along(loop)
        assert metal.none(lift(points - out * normals * NEAR, middle))
        assert metal.all(lift(points + out * normals * NEAR, middle))
    if not pocket.open_edge:
        assert pocket.corner_radius_mm >= SMALLEST_CORNER_MM
        assert smallest_radius(pocket.outer, convex=True) == pytest.approx(pocket.corner_radius_mm, abs=1e-9)
        assert polygon(built.outline).contains(polygon(pocket.outer))


def check_chamfer(chamfer, metal):
    points, normals = along(chamfer.loop)
    into = 1.0 if chamfer.inward else -1.0  # where the metal lies, along the normal
    down = -1.0 if chamfer.side is Side.INSIDE else 1.0
    middle = np.column_stack([points + into * normals * chamfer.leg_mm / 2,
                              np.full(len(points), chamfer.z_mm + down * chamfer.leg_mm / 2)])
    away = np.column_stack([-into * normals, np.full(len(points), -down)]) * NEAR
    assert metal.none(middle + away)
    assert metal.all(middle - away)


def check_surface(surface, built, metal):
    holes = [feature for feature in built.features if isinstance(feature, Hole)]
    spots = over(polygon(surface.region).intersection(polygon(built.outline).buffer(-0.01)), holes)
    inside = surface.side is Side.INSIDE
    air, deep = (surface.high_z_mm, surface.low_z_mm) if inside else (surface.low_z_mm, surface.high_z_mm)
    step = NEAR if inside else -NEAR
    assert metal.none(lift(spots, air + step))
    assert metal.all(lift(spots, deep - step))


def check_mark(mark, built, metal):
    spots = over(polygon(mark.region), [])
    assert metal.all(lift(spots, mark.z_mm - NEAR)) and metal.none(lift(spots, mark.z_mm + NEAR))
    assert metal.all(lift(spots, mark.z_mm - mark.depth_mm - 0.2))
    for feature in built.features:
        if isinstance(feature, Pocket):
            assert polygon(feature.outer).distance(polygon(mark.region)) > 0.5
        if isinstance(feature, Hole):
            near = shapely.Point(feature.x_mm, feature.y_mm).distance(polygon(mark.region))
            assert near > feature.diameter_mm / 2 + 0.5


def smallest_radius(loop, *, convex):
    radii = [arc_of_bulge(x0, y0, x1, y1, bulge)[2]
             for (x0, y0, bulge), (x1, y1, _) in zip(loop.vertices, np.roll(loop.vertices, -1, axis=0), strict=True)
             if (bulge > 0 if convex else bulge < 0)]
    return min(radii, default=math.inf)


def check_outline(built, metal):
    legs = [feature.leg_mm for feature in built.features
            if isinstance(feature, Chamfer) and feature.side is Side.OUTER]
    domes = [feature.high_z_mm for feature in built.features
             if isinstance(feature, Surface) and feature.side is Side.OUTER]
    z = max([0.0, *legs, *domes]) + 2 * NEAR  # just above what the outer face's edge loses, the silhouette is whole
    points, normals = along(built.outline, per_edge=4)
    assert metal.all(lift(points - normals * NEAR, z))
    assert metal.none(lift(points + normals * NEAR, z))
    assert smallest_radius(built.outline, convex=False) >= SMALLEST_HOLLOW_MM
    return z


def check_smooth(loop):
    """No corner: the direction at the end of each edge is that at the start of the next."""
    rows = loop.vertices
    ends = np.roll(rows, -1, axis=0)
    chord = np.arctan2(ends[:, 1] - rows[:, 1], ends[:, 0] - rows[:, 0])
    half = 2 * np.arctan(rows[:, 2])
    turn = np.roll(chord - half, -1) - (chord + half)
    assert np.abs((turn + math.pi) % math.tau - math.pi).max() < 1e-6


def check_all(built):
    from OCP.Bnd import Bnd_Box
    from OCP.BRepBndLib import BRepBndLib

    solid = built.solid
    assert solid.ShapeType() == "Solid" and solid.isValid() and len(solid.Shells()) == 1
    box = Bnd_Box()
    BRepBndLib.AddOptimal_s(solid.wrapped, box, False, False)
    assert box.Get()[2] == pytest.approx(0.0, abs=1e-6) and box.Get()[5] == pytest.approx(built.thickness_mm, abs=1e-6)
    metal = Metal(solid)
    check_outline(built, metal)
    check_smooth(built.outline)
    ids = [feature.id for feature in built.features]
    assert len(set(ids)) == len(ids)
    for feature in built.features:
        if isinstance(feature, Hole):
            check_hole(feature, built.features, metal)
        elif isinstance(feature, Pocket):
            check_pocket(feature, built, metal)
        elif isinstance(feature, Chamfer):
            check_chamfer(feature, metal)
        elif isinstance(feature, Surface):
            check_surface(feature, built, metal)
        else:
            assert isinstance(feature, Mark)
            check_mark(feature, built, metal)


def check_dimensions(family, sizes, built):
    """Each dimension is as long as the size it names, once, and those of arcs end on an arc of the part."""
    whole = family.complete(sizes)
    named = [dimension.size for dimension in built.dimensions if dimension.size]
    assert len(set(named)) == len(named)
    rings = [polygon(built.outline).exterior]
    for feature in built.features:
        if isinstance(feature, Hole):
            rings.append(polygon(Loop.circle(feature.x_mm, feature.y_mm, feature.diameter_mm / 2)).exterior)
        if isinstance(feature, Pocket):
            rings += [polygon(loop).exterior for loop in (feature.outer, *feature.islands)]
    for dimension in built.dimensions:
        if dimension.size:
            assert dimension.value_mm == pytest.approx(whole[dimension.size], abs=1e-6), dimension.size
        if dimension.view == "plan" and dimension.kind != "length":
            off = min(ring.distance(shapely.Point(dimension.end)) for ring in rings)
            assert off < 0.003, f"{dimension.size} ends {off:.3f} mm from every arc"


NOT_DRAWN = {  # lengths that no dimension of the two views can show, and why
    ("clip", "crown_radius_mm"): "the crown curves across the clip: plan and side view see it from above and edge-on",
}


@pytest.mark.parametrize("name", FAMILIES)
def test_every_length_is_dimensioned_with_some_choice(name):
    family = FAMILIES[name]
    sets = [{}, *({size.name: word} for size in family.sizes for word in size.choices[1:])]
    drawn = [family.build(sizes) for sizes in sets if not family.check(sizes)]
    shown = {dimension.size for built in drawn for dimension in built.dimensions}
    wanted = {size.name for size in family.sizes if size.kind == "dim" and size.unit == "mm"}
    assert shown - {""} == wanted - {size for owner, size in NOT_DRAWN if owner == name}


def test_the_dimension_check_sees_a_wrong_dimension():
    import dataclasses

    family = FAMILIES["handle"]
    built = family.build({})
    check_dimensions(family, {}, built)
    by_size = {dimension.size: dimension for dimension in built.dimensions}
    longer, tail = by_size["length_mm"], by_size["tail_width_mm"]
    lies = [dataclasses.replace(longer, end=(longer.end[0] + 2e-6, longer.end[1])),
            dataclasses.replace(tail, start=tail.end, end=tail.start)]  # as wide as before, but ends in the metal
    for lie in lies:
        dimensions = tuple(lie if d.size == lie.size else d for d in built.dimensions)
        with pytest.raises(AssertionError):
            check_dimensions(family, {}, dataclasses.replace(built, dimensions=dimensions))
    with pytest.raises(AssertionError):
        check_dimensions(family, {}, dataclasses.replace(built, dimensions=(*built.dimensions, longer)))


@pytest.mark.parametrize("name", FAMILIES)
def test_every_set_of_sizes_draws_one_valid_solid_with_its_features_on_it(name):
    faults = []
    for label, sizes in cases(name):
        try:
            built = FAMILIES[name].build(sizes)
            check_all(built)
            check_dimensions(FAMILIES[name], sizes, built)
        except Exception as error:  # an assertion or whatever the kernel raises: name the case, look at them all
            faults.append(f"{label}: {sizes}: {type(error).__name__}: {error}")
    assert not faults, "\n".join(faults)


@pytest.mark.parametrize("name", FAMILIES)
def test_four_of_five_single_changes_inside_the_bounds_go_together_with_the_defaults(name):
    family, rng = FAMILIES[name], random.Random(f"{name} single")
    passed = [not family.check({size.name: rng.uniform(size.low, size.high)})
              for size in family.sizes if size.kind == "dim" for _ in range(8)]
    passed += [not family.check({size.name: word}) for size in family.sizes for word in size.choices]
    assert sum(passed) >= 0.8 * len(passed)


@pytest.mark.parametrize("name", FAMILIES)
def test_the_outline_has_the_area_of_the_section(name):
    import cadquery as cq

    built = FAMILIES[name].build({})
    z = check_outline(built, Metal(built.solid))
    plane = cq.Face.makePlane(500, 500, cq.Vector(0, 0, z), cq.Vector(0, 0, 1))
    [section] = built.solid.intersect(plane).Faces()
    assert cq.Face.makeFromWires(section.outerWire()).Area() == pytest.approx(built.outline.area_mm2, rel=1e-9)
    assert section.outerWire().Length() == pytest.approx(built.outline.length_mm, rel=1e-9)


@pytest.mark.parametrize("name", FAMILIES)
def test_each_hole_has_its_cylinder(name):
    built = FAMILIES[name].build({})
    cylinders = []
    for face in built.solid.Faces():
        if face.geomType() == "CYLINDER":
            cylinder, box = face._geomAdaptor().Cylinder(), face.BoundingBox()
            place = cylinder.Axis().Location()
            cylinders.append((place.X(), place.Y(), 2 * cylinder.Radius(), box.zmin, box.zmax))
    holes = [feature for feature in built.features if isinstance(feature, Hole)]
    assert holes
    for hole in holes:
        mouth = [chamfer.leg_mm for chamfer in built.features if isinstance(chamfer, Chamfer) and chamfer.inward
                 and chamfer.id == f"{hole.id}-mouth"]
        wanted = (hole.x_mm, hole.y_mm, hole.diameter_mm, hole.bottom_z_mm, hole.top_z_mm - sum(mouth))
        assert any(np.allclose(found, wanted, atol=1e-5) for found in cylinders), hole.id


def test_the_feature_checks_see_a_shifted_feature():
    """The checks above can fail: the same solid with one feature moved, deepened or resized by 0.03 mm."""
    import dataclasses

    built = FAMILIES["handle"].build({})
    check_all(built)
    by_id = {feature.id: feature for feature in built.features}
    lies = [dataclasses.replace(by_id["stop-pin"], x_mm=by_id["stop-pin"].x_mm + 0.03),
            dataclasses.replace(by_id["pivot-bore"], diameter_mm=4.05, limits_mm=(4.0, 4.1)),
            dataclasses.replace(by_id["detent"], bottom_z_mm=by_id["detent"].bottom_z_mm - 0.03),
            dataclasses.replace(by_id["pocket-1"], floor_z_mm=by_id["pocket-1"].floor_z_mm - 0.03),
            dataclasses.replace(by_id["pocket-2"], outer=Loop(by_id["pocket-2"].outer.vertices + (0.03, 0.0, 0.0))),
            dataclasses.replace(by_id["edge-outer"], leg_mm=0.43),
            dataclasses.replace(by_id["screw-1-mouth"], leg_mm=by_id["screw-1-mouth"].leg_mm + 0.03),
            dataclasses.replace(by_id["serial"], region=by_id["groove"].outer)]
    for lie in lies:
        features = tuple(lie if feature.id == lie.id else feature for feature in built.features)
        with pytest.raises(AssertionError):
            check_all(dataclasses.replace(built, features=features))
            raise RuntimeError(f"nothing seen wrong with {lie.id}")
    wider = built.outline.vertices * (1.001, 1.001, 1.0)
    with pytest.raises(AssertionError):
        check_all(dataclasses.replace(built, outline=Loop(wider)))
    clip = FAMILIES["clip"].build({})
    lower = tuple(dataclasses.replace(f, high_z_mm=clip.thickness_mm - 0.5) if isinstance(f, Surface) else f
                  for f in clip.features)
    with pytest.raises(AssertionError):
        check_all(dataclasses.replace(clip, features=lower))


def test_left_and_right_handles_are_mirror_images():
    from parts._forms import mirrored

    for sizes in ({"screw_holes": "threaded"}, {"screw_holes": "counterbored", "screws": "three", "stop_pin": "blind"}):
        left, right = (FAMILIES["handle"].build(sizes | {"hand": hand}) for hand in ("left", "right"))
        assert right.solid.Volume() == pytest.approx(left.solid.Volume(), rel=1e-10)
        assert right.outline.area_mm2 == pytest.approx(left.outline.area_mm2, rel=1e-12)
        assert np.allclose(mirrored(right.outline).vertices, left.outline.vertices, atol=1e-12)
        image = left.solid.mirror("XZ")
        assert (image.Center() - right.solid.Center()).Length < 1e-6
        assert image.cut(right.solid).Volume() + right.solid.cut(image).Volume() < 1e-4
        assert abs(left.solid.Center().y) > 0.1  # so that a copy in place of a mirror image would be seen
        for a, b in zip(left.features, right.features, strict=True):
            assert (a.id, a.side, type(a)) == (b.id, b.side, type(b))
            if isinstance(a, Hole):
                assert (a.x_mm, a.y_mm, a.diameter_mm, a.thread) == (b.x_mm, -b.y_mm, b.diameter_mm, b.thread)


def test_by_hand_the_left_handle_is_threaded_and_the_right_one_counterbored():
    left, right = (FAMILIES["handle"].build({"hand": hand}) for hand in ("left", "right"))
    threads = {f.id for f in left.features if isinstance(f, Hole) and f.thread}
    bores = {f.id for f in right.features if isinstance(f, Hole) and f.side is Side.OUTER}
    assert threads == {"screw-1", "screw-2"} and bores == {"counterbore-1", "counterbore-2"}
    assert not any(isinstance(f, Hole) and f.thread for f in right.features)
    at = [{f.id: (f.x_mm, abs(f.y_mm)) for f in half.features if isinstance(f, Hole) and f.id in threads}
          for half in (left, right)]
    assert at[0] == at[1]  # the screws line up
