"""The drawing of a part says what the part's sizes are, can be read, and is the same every time."""

from __future__ import annotations

import dataclasses
import itertools
import math
import random
import re
import xml.etree.ElementTree as ET

import numpy as np
import pytest

from pipeline.model.job import PartRequest
from pipeline.model.part import Hole, Side
from pipeline.packet.part.drafting import Figures, Sheet
from pipeline.packet.part.label_rows import Bin, Label, said, write_row
from pipeline.packet.part.part_drawing import draw_part, feature_rows
from pipeline.packet.part.part_views import hatching, inside_pieces, slice_at, stations
from pipeline.solids.build import build_parts

SVG = "{http://www.w3.org/2000/svg}"
KINDS = {
    "handle-left": ("handle", {}),
    "handle-right": ("handle", {"hand": "right"}),
    "handle-three": ("handle", {"hand": "right", "screws": "three", "stop_pin": "blind"}),
    "clip": ("clip", {}),
    "clip-three": ("clip", {"screw_holes": "three", "screw_diameter_mm": 2.2}),
    "stud-domed": ("stud", {}),
    "stud-coned": ("stud", {"head": "coned", "thread": "M2.5-6H"}),
}
WAYS = [(name, units, names) for name in KINDS for units in ("mm", "in") for names in (False, True)]


@pytest.fixture(scope="module")
def parts():
    orders = [PartRequest(name=name, family=family, sizes=sizes, count=1, value=1.0, rotations_rad=None, fixed=())
              for name, (family, sizes) in KINDS.items()]
    return {part.name: part for part in build_parts(orders)}


@dataclasses.dataclass
class Drawn:
    """What a reader of the file finds on the sheet, mm on paper."""

    box: tuple[float, float, float, float]  # x, y, width, height of the view box
    texts: list[tuple[str, float, float, float, float]]  # words, low x, low y, high x, high y
    rings: list[tuple[str, float, float, float, float]]  # letters of features
    lines: list[tuple[float, np.ndarray]]  # width of the line, points


def read(svg):
    root = ET.fromstring(svg)
    box = tuple(float(v) for v in root.get("viewBox").split())
    assert (root.get("width"), root.get("height")) == tuple(f"{v:.2f}mm" for v in box[2:])
    drawn = Drawn(box, [], [], [])

    def walk(node, down):
        ring = None
        for child in node:
            if child.tag == SVG + "g":
                walk(child, down + float(re.fullmatch(r"translate\(0 (\S+)\)", child.get("transform"))[1]))
            elif child.tag == SVG + "rect" and child.get("rx"):
                x, y, w, h = (float(child.get(k)) for k in ("x", "y", "width", "height"))
                ring = (x, y + down, x + w, y + down + h)
            elif child.tag == SVG + "text" and ring:
                drawn.rings.append((child.text, *ring))
                ring = None
            elif child.tag == SVG + "text":
                size, x, y = (float(child.get(k)) for k in ("font-size", "x", "y"))
                assert 2.5 <= size <= 4.0
                width = 0.56 * size * len(child.text)  # digits of the common sans-serifs are 0.56 of their size wide
                left = x - {"start": 0.0, "middle": width / 2, "end": width}[child.get("text-anchor")]
                # y is the base line; capitals and digits are 0.72 of the size tall
                drawn.texts.append((child.text, left, y + down - 0.72 * size, left + width, y + down))
            elif child.tag == SVG + "path":
                for piece in child.get("d").split("M")[1:]:
                    numbers = np.array(re.findall(r"-?\d+\.\d+", piece), dtype=float).reshape(-1, 2)
                    drawn.lines.append((float(child.get("stroke-width", 0)), numbers + (0.0, down)))
    walk(root, 0.0)
    return drawn


def apart(a, b):
    return a[1] >= b[3] or b[1] >= a[3] or a[2] >= b[4] or b[2] >= a[4]


@pytest.mark.parametrize(("name", "units", "names"), WAYS)
def test_it_is_one_readable_sheet(parts, name, units, names):
    drawn = read(draw_part(parts[name], units=units, names=names))
    for a, b in itertools.combinations([*drawn.texts, *drawn.rings], 2):
        assert apart(a, b), (a, b)
    x, y, width, height = drawn.box
    for _, low_x, low_y, high_x, high_y in [*drawn.texts, *drawn.rings]:
        assert x < low_x and high_x < x + width and y < low_y and high_y < y + height
    for _, points in drawn.lines:
        assert (points >= (x, y)).all() and (points <= (x + width, y + height)).all()
    if not names:
        assert width <= 210 - 2 * 12 and height <= (297 - 2 * 12) / 2  # half of an A4, inside 12 mm margins


@pytest.mark.parametrize(("name", "units", "names"), WAYS)
def test_no_edge_of_the_part_runs_through_words(parts, name, units, names):
    drawn = read(draw_part(parts[name], units=units, names=names))
    for width, points in drawn.lines:
        if width < 0.5 or len(points) < 2:
            continue
        pairs = itertools.pairwise(points)  # looked at every tenth of a millimetre
        along = np.vstack([np.linspace(a, b, math.ceil(math.dist(a, b) / 0.1) + 1) for a, b in pairs])
        for words, x0, y0, x1, y1 in drawn.texts:
            assert not ((along > (x0, y0)) & (along < (x1, y1))).all(axis=1).any(), words


@pytest.mark.parametrize("units", ["mm", "in"])
@pytest.mark.parametrize("name", KINDS)
def test_every_name_stands_over_the_value_of_its_size(parts, name, units):
    part = parts[name]
    words = [text[0] for text in read(draw_part(part, units=units, names=True)).texts]
    shown = {dimension.size for dimension in part.dimensions} - {""}
    assert len(shown) >= 6
    for size in shown:
        figure = words[words.index(size.removesuffix("_mm")) + 1]
        figure = figure.split("× ")[-1].lstrip("⌀R")
        value = part.sizes[size]
        assert figure == f"{value / 25.4:.4f}" if units == "in" else float(figure) == pytest.approx(value, abs=5e-4)
    others = " ".join(words[words.index("origin of X and Y; letters as in the feature table") + 1:])
    for size in set(part.sizes) - shown:
        assert f"{size.removesuffix('_mm')} " in others


def test_a_plain_drawing_carries_no_names_and_trims_plain_sizes(parts):
    words = [text[0] for text in read(draw_part(parts["handle-left"], units="mm")).texts]
    assert "length" not in words and {"100", "13.5", "R240", "3.8", "⌀15"} <= set(words)
    # ISO 286-2: H7 over 3 to 6 mm is 12 um, over 6 to 10 mm 15 um
    assert words[words.index("⌀4.000") + 1] == "+0.012 / 0" and words[words.index("⌀9.500") + 1] == "+0.015 / 0"
    assert "2 × 2-56 UNC-2B" in words and "scale 1.5:1, sizes in mm; plan seen onto the inside face" in words
    assert "third-angle projection" in words
    for name, figure in (("handle-right", "2 × ⌀4.200"), ("handle-three", "3 × ⌀2.500"), ("clip-three", "3 × ⌀2.200")):
        assert figure in [text[0] for text in read(draw_part(parts[name], units="mm")).texts]


def test_a_plain_drawing_lists_the_sizes_no_view_shows_and_none_that_do_nothing(parts):
    words = {name: " ".join(text[0] for text in read(draw_part(parts[name], units="mm")).texts) for name in KINDS}
    assert "crown radius 30" in words["clip"]  # a face without straight lines: no view has a dimension for it
    for name in ("handle-left", "handle-right"):
        assert "stop pin through" in words[name] and "belly share 0.62" in words[name]
        assert "stop depth" not in words[name] and "counterbore" not in words[name].replace("counterbored", "")
    assert "thread 2-56 UNC-2B" in words["handle-left"] and "clearance" not in words["handle-left"]
    assert "2-56" not in words["handle-right"], "its screws go through"
    assert all("Sizes without limits: general tolerance is the shop's" in said for said in words.values())


def test_the_section_is_not_named_like_an_axis_or_a_feature(parts):
    texts = [text[0] for text in read(draw_part(parts["handle-left"], units="mm")).texts]
    assert texts.count("S") == 2 and texts.count("S–S") == 1 and not {"X", "Y", "Z"} & set(texts)
    assert not {row.letter for row in feature_rows(parts["handle-left"], units="mm")} & set("SXYZ")


@pytest.mark.parametrize("name", KINDS)
def test_the_scale_it_states_is_the_scale_it_has(parts, name):
    part = parts[name]
    svg = draw_part(part, units="mm")
    ratio = float(re.search(r"scale ([\d.]+):1", svg)[1])
    outline = next(points for width, points in read(svg).lines if width == 0.5)
    long = np.ptp(part.mesh.vertices[:, 0])
    assert np.ptp(outline[:, 0]) == pytest.approx(ratio * long, abs=0.03)


def test_the_same_bytes_twice_and_words_that_are_escaped(parts):
    part = dataclasses.replace(parts["clip"], name='<script>"&')
    svg = draw_part(part, units="in", names=True)
    assert svg == draw_part(part, units="in", names=True)
    assert "<script>" not in svg
    assert '<script>"&' in [text[0] for text in read(svg).texts]


@pytest.mark.parametrize("name", KINDS)
def test_letters_of_the_drawing_are_those_of_the_table(parts, name):
    part = parts[name]
    rows = feature_rows(part, units="mm")
    ringed = [letter for ring in read(draw_part(part, units="mm")).rings for letter in ring[0].split()]
    assert sorted(ringed) == sorted(row.letter for row in rows)
    assert len(set(ringed)) == len(ringed)
    mouths = [feature for feature in part.features if feature.id.endswith("-mouth")]
    assert len(rows) == len(part.features) - len(mouths)


def test_the_table_says_what_a_machinist_needs(parts):
    rows = {row.what: row for row in feature_rows(parts["handle-left"], units="mm")}
    pocket, bore = rows["bearing pocket"], rows["pivot bore"]
    assert (pocket.x, pocket.y, pocket.diameter, pocket.depth) == ("0", "0", "9.500 +0.015 / 0", "0.800 +0.013 / 0")
    assert (bore.diameter, bore.depth, bore.side) == ("4.000 +0.012 / 0", "from 0.8, through", "inside face")
    stop = rows["stop pin"]  # 9.5 mm from the pivot, 15 degrees up
    assert (float(stop.x), float(stop.y)) == pytest.approx((9.5 * math.cos(math.pi / 12), 9.5 * math.sin(math.pi / 12)),
                                                          abs=5e-4)
    assert rows["detent"].depth == "1.4, then the drill's point"
    assert rows["pocket 1"].depth == "1.6" and rows["pocket 1"].call_out.endswith("corner R2")
    assert rows["edge outer"].call_out == "chamfer 0.4 x 45°, outline" and rows["edge outer"].side == "outer face"

    inch = {row.what: row for row in feature_rows(parts["handle-left"], units="in")}
    # ASME B1.1, 2-56 UNC-2B: minor diameter 0.0667 to 0.0737 in
    assert inch["screw 1"].call_out.startswith("2-56 UNC-2B, minor diameter 0.0667 to 0.0737; countersink 90° to Ø0.")
    screw = next(f for f in parts["handle-left"].features if f.id == "screw-1")
    leg = next(f for f in parts["handle-left"].features if f.id == "screw-1-mouth").leg_mm
    wide = float(rows["screw 1"].call_out.rpartition("Ø")[2])
    assert wide == pytest.approx(screw.diameter_mm + 2 * leg, abs=6e-4)  # 45 degrees: a leg on either side
    assert "drill" not in rows["screw 1"].call_out
    assert inch["pivot bore"].diameter == "0.1575 +0.0005 / 0"

    right = {row.what: row for row in feature_rows(parts["handle-right"], units="mm")}
    assert float(right["stop pin"].y) == -float(stop.y)
    assert right["counterbore 1"].depth == "1.4 from the outer face" and right["counterbore 1"].side == "outer face"
    stud = {row.what: row for row in feature_rows(parts["stud-domed"], units="mm")}
    assert stud["step"].call_out == "Ø7 less Ø4.4, open at the edge" and stud["step"].depth == "2.6"


def test_figures():
    assert [Figures("mm").plain(v) for v in (100.0, 13.5, 0.0, 1 / 3, -0.0001)] == ["100", "13.5", "0", "0.333", "0"]
    assert Figures("in").plain(25.4) == "1.0000" and Figures("mm").full(4.0) == "4.000"
    assert Figures("mm").deviations(3.0, (2.95, 3.1)) == "+0.100 / -0.050"
    assert Figures("in").deviations(25.4, (25.4, 25.4127)) == "+0.0005 / 0"


# --- the section ----------------------------------------------------------------------------------------------------


def heights_at(rows, x):
    """z of everything that the rows (x, z, x, z) cross at x, from below."""
    a, b = rows[:, :2], rows[:, 2:]
    crossing = (a[:, 0] <= x) != (b[:, 0] <= x)
    t = (x - a[crossing, 0]) / (b[crossing, 0] - a[crossing, 0])
    return np.sort(a[crossing, 1] + t * (b[crossing, 1] - a[crossing, 1]))


def test_the_section_is_the_cut_solid(parts):
    handle, stud = parts["handle-left"], parts["stud-domed"]
    sizes = handle.sizes
    pocket = next(f for f in handle.features if f.id == "pocket-1")
    x, y = (pocket.outer.vertices[:, :2].min(axis=0) + pocket.outer.vertices[:, :2].max(axis=0)) / 2
    up = sizes["thickness_mm"]
    assert heights_at(slice_at(handle.mesh, y), x + 0.123) == pytest.approx([0.0, up - sizes["pocket_depth_mm"]])
    assert heights_at(slice_at(handle.mesh, 0.0), 3.1) == pytest.approx([0.0, up - sizes["bearing_depth_mm"]])
    sizes = stud.sizes
    radius = ((sizes["head_diameter_mm"] / 2) ** 2 + sizes["crown_mm"] ** 2) / (2 * sizes["crown_mm"])
    rows = slice_at(stud.mesh, 0.0)
    for x, top in ((2.01, sizes["thickness_mm"]), (3.0, sizes["head_height_mm"])):
        dome = radius - math.sqrt(radius**2 - x * x)
        assert heights_at(rows, x) == pytest.approx([dome, top], abs=0.003)
    assert np.abs(rows[:, [0, 2]]).max() == pytest.approx(sizes["head_diameter_mm"] / 2, abs=0.003)


@pytest.mark.parametrize("name", KINDS)
def test_the_plane_passes_through_the_middle_of_every_hole_without_a_gap(parts, name):
    part = parts[name]
    along = stations(part)
    assert all(a.high == b.low and a.low < a.high for a, b in itertools.pairwise(along))
    assert along[0].low == pytest.approx(part.mesh.vertices[:, 0].min(), abs=0.01)
    assert along[-1].high == pytest.approx(part.mesh.vertices[:, 0].max(), abs=0.01)
    for hole in (f for f in part.features if isinstance(f, Hole)):
        [here] = [s for s in along if s.low < hole.x_mm < s.high]
        assert here.y == hole.y_mm
        assert here.low <= hole.x_mm - hole.diameter_mm / 2 and hole.x_mm + hole.diameter_mm / 2 <= here.high
    if not name.startswith("handle"):
        assert len(along) == 1


@pytest.mark.parametrize("name", ["handle-right", "clip", "stud-coned"])
def test_hatching_lies_in_the_metal(parts, name):
    mesh, along = parts[name].mesh, stations(parts[name])
    rows = hatching(mesh, along, 0.7)
    assert len(rows) > 10 and np.allclose(rows[:, 3] - rows[:, 1], rows[:, 2] - rows[:, 0])
    for x0, z0, x1, z1 in rows:
        x, z = (x0 + x1) / 2, (z0 + z1) / 2
        here = next(s for s in along if s.low <= x <= s.high)
        assert (heights_at(slice_at(mesh, here.y), x) < z).sum() % 2 == 1


def test_features_of_the_outer_side_are_dashed(parts):
    svg = draw_part(parts["handle-right"], units="mm")
    plan = svg[:svg.index("<g ")]
    hidden = [f for f in parts["handle-right"].features if isinstance(f, Hole) and f.side is Side.OUTER]
    assert len(hidden) == 2 and plan.count('stroke-dasharray="1.6 0.8"') == len(hidden)


# --- layout ---------------------------------------------------------------------------------------------------------


def test_a_row_keeps_its_labels_apart_and_its_leaders_uncrossed():
    rng = random.Random(7)
    for _ in range(200):
        labels = [Label(said("", "8" * rng.randint(1, 8)), (rng.uniform(0, 40), rng.uniform(0, 30)))
                  for _ in range(rng.randint(1, 9))]
        sheet = Sheet()
        write_row(sheet, Bin(True, -40.0, 130.0, labels), -7.0, -1.0)
        for a, b in itertools.combinations(sheet.texts, 2):
            assert apart(("", *a), ("", *b))
        leaders = [line for line in sheet.lines if line[1] != line[3]]
        for a, b in itertools.combinations(leaders, 2):
            assert not crossed(a, b)


def crossed(a, b):
    def side(p, q, r):
        return (q[0] - p[0]) * (r[1] - p[1]) - (q[1] - p[1]) * (r[0] - p[0])

    (a0, a1), (b0, b1) = ((line[:2], line[2:]) for line in (a, b))
    return side(a0, a1, b0) * side(a0, a1, b1) < 0 and side(b0, b1, a0) * side(b0, b1, a1) < 0


def test_what_runs_past_the_outline_is_left_out():
    edge = np.array([(0.0, 0.0), (10.0, 0.0), (10.0, 8.0), (0.0, 8.0)])
    step = np.array([(-1.0, -1.0), (4.0, -1.0), (4.0, 9.0), (-1.0, 9.0)])
    [line] = inside_pieces(step, edge)
    assert np.allclose(line, [(4.0, 0.0), (4.0, 8.0)])
    assert inside_pieces(edge, edge) == []
    [whole] = inside_pieces(edge / 2 + 2.0, edge)
    assert np.allclose(whole[0], whole[-1]) and len(whole) == 5
