"""The nest drawing: well-formed, black on white, whole, and to scale. Read back with the standard library's reader."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from pipeline.model.frames import Pose
from pipeline.model.nest import Zone
from pipeline.model.shop import Block
from pipeline.packet.nest_drawing import draw_nest, hatch_lines, sheet_mm
from pipeline.packet.nest_places import draw_place
from pipeline.packet.page.page import _paper
from tests.unit.gcode import small

SVG = "{http://www.w3.org/2000/svg}"


def nest(*families, ids=None):
    """The small plate with one 20 x 10 mm part for each family named, side by side."""
    setup = small.setup()
    placed = setup.parts[0]
    parts = []
    for k, family in enumerate(families or ("handle",)):
        pose = Pose.planar(to="setup-1", frm="part", x_mm=8 + 22 * k, y_mm=20, z_mm=0.654, angle_rad=0)
        part = replace(placed.part, family=family, name=family)
        parts.append(replace(placed, part=part, part_id=(ids or {}).get(k, f"{family}-{k + 1}"), setup_from_part=pose))
    clamp = np.array([[30, 45], [50, 45], [50, 60], [30, 60.0]])
    block = Block(name="cam", kind="clamp", outline=clamp, height_mm=12)
    return replace(setup, parts=tuple(parts), blocks=(block,), defects=(np.array([[70, 8], [72, 8], [71, 10.0]]),))


def drawn(setup, **more):
    return ET.fromstring(draw_nest(setup, **({"units": "mm"} | more)))


def words(svg):
    return [text.text for text in svg.iter(SVG + "text")]


def numbers(path):
    return np.array([float(n) for n in re.findall(r"-?\d+\.?\d*", path)]).reshape(-1, 2)


def test_every_part_is_a_group_with_its_id_its_outline_and_its_name():
    svg = drawn(nest("handle", "clip", "stud"))
    groups = [g for g in svg.iter(SVG + "g") if g.get("class") == "part"]
    assert [g.get("data-part") for g in groups] == ["handle-1", "clip-2", "stud-3"]
    for k, group in enumerate(groups):
        assert group.find(SVG + "title").text == group.get("data-part")
        (edge,) = [p for p in group.iter(SVG + "path") if p.get("class") == "edge"]
        outline = numbers(edge.get("d"))
        assert outline.min(axis=0) == pytest.approx([8 + 22 * k, -30])
        assert outline.max(axis=0) == pytest.approx([28 + 22 * k, -20])
        assert group.find(SVG + "text").text == str(k + 1), "no room for a whole name in 20 mm: the number"


def test_families_differ_in_hatching_and_the_key_shows_each():
    families = ("handle", "clip", "stud", "spacer", "pin", "ring")
    svg = drawn(nest(*families))
    assert not list(svg.iter(SVG + "pattern")), "patterns lose their sharpness on the way to paper"
    seen = []
    for group in (g for g in svg.iter(SVG + "g") if g.get("class") == "part"):
        (hatch,) = [p for p in group.iter(SVG + "path") if p.get("class") == "hatch"]
        rows = numbers(hatch.get("d")).reshape(-1, 4)
        turns = np.round(np.degrees(np.arctan2(rows[:, 1] - rows[:, 3], rows[:, 2] - rows[:, 0])) % 180)
        seen.append((*sorted(set(turns % 180)), len(rows)))
    assert len(set(seen)) == len(families), "two families with one hatching"
    key = [p for p in list(svg) if p.get("class") == "hatch"]
    assert len(key) == len(families) + 1, "and what stands on the bed"
    assert [word for word in words(svg) if word.endswith(", by number")] == [f"{name}, by number" for name in families]


@pytest.mark.parametrize("degrees", [0, 20, 45, 90, 135, -45])
def test_hatching_fills_its_outline_and_no_more(degrees):
    """A ring round a hollow: lines of a gap g cover an area of length times g."""
    turn = np.linspace(0, 2 * np.pi, 181)[:-1]
    bay = np.array([[0, 0], [40, 0], [40, 30], [25, 30], [20, 10], [15, 30], [0, 30.0]])
    circle = 10 * np.column_stack([np.cos(turn), np.sin(turn)])
    for ring, area in ((bay, 40 * 30 - 10 * 20 / 2), (circle, np.pi * 100)):
        x0, y0, x1, y1 = hatch_lines(ring, angle_rad=np.radians(degrees), gap=0.05).T
        assert 0.05 * np.hypot(x1 - x0, y1 - y0).sum() == pytest.approx(area, rel=0.005)
    assert np.hypot(x0, y0) == pytest.approx(10, abs=0.01), "lines end on the outline"


def test_black_white_and_grey_only():
    for ink in re.findall(r"#[0-9a-f]{3,6}\b", draw_nest(nest(), units="mm").split("</title>")[1]):
        assert len(set(ink[1:])) == 1, ink


def test_the_drawing_is_at_full_size_and_holds_everything():
    setup = nest()
    svg = drawn(setup)
    x, y, width, height = map(float, svg.get("viewBox").split())
    assert (svg.get("width"), svg.get("height")) == (f"{width:.2f}mm", f"{height:.2f}mm")
    assert sheet_mm(setup) == pytest.approx((width, height), abs=0.006)
    for points in (setup.billet, setup.blocks[0].outline, np.zeros((1, 2))):
        assert (points[:, 0] > x).all()
        assert (points[:, 0] < x + width).all()
        assert (-points[:, 1] > y).all()
        assert (-points[:, 1] < y + height).all()


@pytest.mark.parametrize(("units", "figures", "unit_mm"), [("mm", "0 20 40 60 80", 1), ("in", "0 1 2 3", 25.4)])
def test_figures_of_the_rule_stand_where_they_say(units, figures, unit_mm):
    svg = drawn(nest(), units=units)
    low = max(float(t.get("y")) for t in svg.iter(SVG + "text") if t.text == "0")
    rule = {t.text: float(t.get("x")) for t in svg.iter(SVG + "text") if float(t.get("y")) == low and t.text != units}
    assert list(rule) == figures.split()
    assert list(rule.values()) == pytest.approx([unit_mm * int(n) for n in figures.split()], abs=0.006)


def test_names_are_text_whatever_they_hold():
    hostile = '"><script>alert(1)</script>&'
    svg = drawn(nest("handle", ids={0: hostile}), banner=hostile)
    assert [e for e in svg.iter() if "script" in e.tag] == []
    assert [g.get("data-part") for g in svg.iter(SVG + "g") if g.get("class") == "part"] == [hostile]
    assert hostile in words(svg)


def test_a_static_drawing_has_neither_scripts_nor_links():
    text = draw_nest(nest(), units="mm")
    assert "<script" not in text
    assert "href" not in text
    assert re.findall(r"\bon[a-z]+=", text) == []


def test_marks_ring_their_places_and_the_cut_out_is_centred_on_one():
    svg = drawn(nest(), marks=[(30, 25, "7")])
    (mark,) = [g for g in svg.iter(SVG + "g") if g.get("class") == "mark"]
    assert {(c.get("cx"), c.get("cy")) for c in mark.iter(SVG + "circle")} == {("30.00", "-25.00")}
    assert mark.find(SVG + "text").text == "7"
    text = draw_place(30, 25, number="7", units="in")
    assert 'viewBox="18.00 -37.00 24.00 24.00"' in text
    assert 'href="#nest-plate"' in text
    assert ">1/4 in<" in text
    assert 'id="nest-plate"' in draw_nest(nest(), units="mm")
    assert "id=" not in text


@pytest.mark.parametrize(("width", "manner"), [(80, "upright"), (190, "turned"), (300, "fitted")])
def test_the_nest_goes_on_paper_at_full_size_when_it_can(width, manner):
    billet = np.array([[0, 0], [width, 0], [width, 50], [0, 50.0]])
    paper = _paper(replace(nest(), billet=billet))
    assert paper["manner"] == manner
    if manner != "fitted":
        short, long = sorted((float(paper["width"]), float(paper["height"])))
        assert short <= 210 - 12 - 12, "ISO 216 less the margins of the page"
        assert long <= 297 - 12 - 15


def graded():
    """A billet with two zones and layers, seated on the small plate by its pose."""
    zones = (Zone(name="waves <1>", polygon=[[10, 10], [40, 10], [40, 30]], figure=0.9),
             Zone(name="eye", polygon=[[12, 12], [20, 12], [20, 20]], figure=1))  # fmt: skip
    return SimpleNamespace(zones=zones, layers_rad=np.radians(30))


def zoned(setup, *zones, layers_deg=None):
    """A billet with zones given by name and corners on the bed; the figure is 0.5."""
    back = setup.seating.setup_from_billet.inverse()
    graded = [Zone(name=name, polygon=back.points(np.array(ring, dtype=float)), figure=0.5) for name, ring in zones]
    return SimpleNamespace(zones=tuple(graded), layers_rad=None if layers_deg is None else np.radians(layers_deg))


def square(x0, y0, x1, y1):
    return [(x0, y0), (x1, y0), (x1, y1), (x0, y1)]


def borders(svg):
    return [numbers(p.get("d")) * (1, -1) for p in svg.iter(SVG + "path") if p.get("class") == "zone"]


def placed_words(svg, words):
    (text,) = [t for t in svg.iter(SVG + "text") if t.text == words]
    return float(text.get("x")), -float(text.get("y")), text


def test_zones_are_drawn_with_name_and_figure_and_explained():
    setup = nest("handle")
    svg = drawn(setup, billet=graded())
    assert len(borders(svg)) == 2
    below = "zones: face that lies down, seen through the plate"
    assert {"waves <1> 0.9", "eye 1", "zone and its figure", below} <= set(words(svg))
    assert not {"zone and its figure", below} & set(words(drawn(setup))), "a plate without zones has no word of them"


def test_a_zone_ends_at_the_plate_and_at_a_later_zone():
    """The plate is 80 x 50; the first zone reaches beyond it on three sides, the second one lies across its border."""
    setup = replace(nest("handle"), parts=(), blocks=(), defects=())
    first, second = borders(
        drawn(setup, billet=zoned(setup, ("a", square(-20, -9, 30, 70)), ("b", square(20, 8, 60, 16))))
    )
    assert set(first[:, 0]) == {30}, "only the side that runs on the plate"
    assert first[:, 1].min() == pytest.approx(0.7) and first[:, 1].max() == pytest.approx(49.3)
    assert not ((first[:, 1] > 8) & (first[:, 1] < 16)).any(), "it ends where the later zone counts"
    assert np.array_equal(np.unique(second, axis=0), np.unique(square(20, 8, 60, 16), axis=0))
    assert not borders(drawn(setup, billet=zoned(setup, ("all", square(0, 0, 80, 50))))), "the plate's outline says it"


def test_borders_of_zones_leave_names_of_parts_readable():
    setup = nest("handle")  # its number stands at (18, 25)
    (border,) = borders(drawn(setup, billet=zoned(setup, ("half", square(-9, -9, 99, 25)))))
    assert not ((border[:, 1] == 25) & (abs(border[:, 0] - 18) < 0.7)).any()
    assert (border[:, 1] == 25).sum() >= 4, "two runs at the least"


@pytest.mark.parametrize("ring", [square(4, 5, 36, 40), square(-30, -30, 36, 90), square(2, 20, 30, 30)])
def test_the_name_of_a_zone_stands_on_plate_and_zone(ring):
    """In the third one there is hardly more than the part: the name is still in it, with a halo."""
    setup = nest("handle")  # the part from (8, 20) to (28, 30)
    x, y, text = placed_words(drawn(setup, billet=zoned(setup, ("half", ring))), "half 0.5")
    half = 3 * 0.5 * len("half 0.5") / 2
    (x0, y0), (x1, y1) = np.clip(np.min(ring, axis=0), 0, None), np.minimum(np.max(ring, axis=0), (80, 50))
    assert x0 <= x - half and x + half <= x1 and y0 <= y - 1.5 and y + 1.5 <= y1
    assert 'stroke="#fff"' in ET.tostring(text).decode() and text.get("font-size") == "3.0"
    if ring != square(2, 20, 30, 30):
        assert x + half <= 8 or x - half >= 28 or y + 1.5 <= 20 or y - 1.5 >= 30, "off the part"


def test_names_of_zones_keep_off_each_other_and_off_what_is_marked():
    setup = nest("handle")
    zones = [(name, square(0, 0, 80, 50)) for name in ("a", "b")]
    svg = drawn(setup, billet=zoned(setup, *zones))
    assert "a 0.5" not in words(svg), "a zone that lies wholly under a later one does not count"
    svg = drawn(setup, billet=zoned(setup, *zones[:1], ("b", square(30, 30, 70, 44)), layers_deg=30))
    spots = [placed_words(svg, name)[:2] for name in ("a 0.5", "b 0.5")]
    (arrow,) = [g for g in svg.iter(SVG + "g") if g.get("class") == "along"]
    spots.append(tuple(np.multiply([float(n) for n in re.findall(r"-?[\d.]+", arrow.get("transform"))[:2]], (1, -1))))
    assert min(np.hypot(*np.subtract(p, q)) for k, p in enumerate(spots) for q in spots[:k]) > 3
    marks = [(c.x_mm, c.y_mm) for c in setup.seating.pointer_checks] + [setup.port_mm]
    assert min(np.hypot(*np.subtract(p, q)) for p in spots for q in marks) > 3


def test_a_zone_off_the_plate_is_not_drawn():
    setup = nest("handle")
    svg = drawn(setup, billet=zoned(setup, ("off", square(100, 0, 140, 40))))
    assert not borders(svg) and "off 0.5" not in words(svg)


@pytest.mark.parametrize("degrees", [0, 30, 90, 187])
def test_an_arrow_on_the_plate_runs_along_the_layers(degrees):
    setup = nest("handle")
    svg = drawn(setup, billet=zoned(setup, layers_deg=degrees))
    (arrow,) = [g for g in svg.iter(SVG + "g") if g.get("class") == "along"]
    assert arrow.find(SVG + "text").text == "layers"
    x, y, turn = (float(n) for n in re.findall(r"-?[\d.]+", arrow.get("transform")))
    assert (turn + degrees) % 180 == pytest.approx(0, abs=0.01) and abs(turn) <= 90, "never upside down"
    c, s = np.cos(np.radians(turn)), np.sin(np.radians(turn))
    ends = np.array([[x, -y]]) + [[12 * c, -12 * s], [-12 * c, 12 * s]]
    assert (ends > 0).all() and (ends < (80, 50)).all()


def test_the_key_shows_which_way_the_layers_run():
    setup, billet = nest("handle"), graded()
    (sign,) = [p for p in drawn(setup, billet=billet).iter(SVG + "path") if p.get("class") == "layers"]
    ends = numbers(sign.get("d"))
    run = ends[1] - ends[0]
    turned = setup.seating.setup_from_billet.angle_rad + billet.layers_rad
    assert np.arctan2(-run[1], run[0]) == pytest.approx(turned, abs=0.01)
    assert "layers run so" in words(drawn(setup, billet=billet))
    assert not [p for p in drawn(setup).iter(SVG + "path") if p.get("class") == "layers"]


def test_the_sheet_grows_with_the_key():
    setup = nest("handle")
    svg = drawn(setup, billet=graded())
    _, _, width, height = map(float, svg.get("viewBox").split())
    assert sheet_mm(setup, billet=graded()) == pytest.approx((width, height), abs=0.006)
