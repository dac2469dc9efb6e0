"""Billet files of what is left: read by the product's own reader, and nested on."""

from __future__ import annotations

import io
import math
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest

from pipeline.job.read import check_job
from pipeline.model.frames import Pose
from pipeline.model.loop import Loop
from pipeline.model.nest import Region, Silhouette, Zone
from pipeline.model.remnant import MOST_KEPT, Piece
from pipeline.model.units import MM_PER_INCH
from pipeline.nest import place_parts
from pipeline.packet.remnant import billet_files, remnant_figures
from pipeline.packet.remnant_drawing import draw_remnant
from pipeline.shop.files import read_billet
from pipeline.shop.reading import Reader
from tests.reference.packings import plain_part, request, ring
from tests.unit.gcode import small
from tests.unit.packet.test_page_html import JOB, REMNANT

ROOT = Path(__file__).parents[3]
HOSTILE = 'the "bright" face: #1, \\ \u00fc {x} - [y]\'s top'
FILE = f"{JOB.name}-remnant-1.yaml"
STUD = plain_part("stud", Loop.circle(0, 0, 3.5))


def written(folder, remnant=REMNANT, *, job=JOB, setup=None, note="", is_plugged=True):
    files = billet_files(remnant, job=job, setup=setup or small.setup(), job_digest="0123456789abcdef" * 4, note=note)
    for name, content in files.items():
        text = content.decode()
        (folder / name).write_text(text.replace("holes_plugged: no ", "holes_plugged: yes ") if is_plugged else text)
    return files


def read(path):
    reader = Reader()
    billet = read_billet(path, reader, read_dxf=None).model
    assert [finding.code for finding in reader.findings] == []
    return billet


@pytest.mark.parametrize("units", ["mm", "in"])
def test_the_reader_takes_the_file_and_finds_the_same_plate(tmp_path, units):
    job = replace(JOB, units=units, billet=replace(JOB.billet, up_face=HOSTILE))
    assert list(written(tmp_path, job=job)) == [FILE], "nothing is made of the second piece"
    billet, piece = read(tmp_path / FILE), REMNANT.pieces[0]
    last_digit = 0.00005 * MM_PER_INCH if units == "in" else 0.0005
    assert np.abs(billet.outline - piece.outline).max() <= last_digit + 1e-9
    (hole,) = billet.holes
    assert np.abs(hole - piece.holes[0]).max() <= last_digit + 1e-9
    for field in ("thickness_mm", "thickness_uncertainty_mm", "bow_mm", "price_per_cm2"):
        assert getattr(billet, field) == pytest.approx(getattr(JOB.billet, field), abs=3e-5)
    for field in ("currency", "material", "up_face", "corner"):
        assert getattr(billet, field) == getattr(job.billet, field)
    assert 0.35 - 1e-9 <= billet.outline_uncertainty_mm <= 0.35 + 2 * last_digit + 1e-9, "never rounded down"


@pytest.mark.parametrize("units", ["mm", "in"])
def test_what_was_graded_goes_with_the_piece(tmp_path, units):
    """A zone over all of the piece, and a band across it with no corner on it; one far away is left out."""
    (x0, y0), (x1, y1) = REMNANT.pieces[0].outline.min(axis=0), REMNANT.pieces[0].outline.max(axis=0)
    corners = {"all": (x0 - 1, y0 - 1, x1 + 1, y1 + 1), "band": (x0 - 5, (y0 + y1) / 2, x1 + 5, y1 - 1),
               "away": (x1 + 20, y0, x1 + 30, y1)}  # fmt: skip
    zones = tuple(Zone(name=name, polygon=np.array([[a, b], [c, b], [c, d], [a, d]]), figure=0.25)
                  for name, (a, b, c, d) in corners.items())  # fmt: skip
    written(tmp_path, job=replace(JOB, units=units, billet=replace(JOB.billet, zones=zones, layers_rad=0.3)))
    billet = read(tmp_path / FILE)
    assert billet.layers_rad == pytest.approx(0.3) and [zone.name for zone in billet.zones] == ["all", "band"]
    for zone, was in zip(billet.zones, zones, strict=False):
        assert zone.figure == 0.25 and np.abs(zone.polygon - was.polygon).max() < 0.002


def test_a_job_on_it_passes_the_check_once_its_hole_is_plugged_and_the_nest_fills_it(tmp_path):
    written(tmp_path, is_plugged=False)
    base = ROOT / "configs/jobs/budding-small.yaml"
    says = f"based_on: {base}\nbillet: ./{FILE}\nparts: {{handle: {{count: 0}}}}\n"
    (tmp_path / "next.yaml").write_text(says)
    (finding,) = {f.code: f for f in check_job(tmp_path / "next.yaml").findings}.values()
    assert finding.code == "J127" and "hole-1" in finding.found, "the vacuum goes through it"
    written(tmp_path)
    checked = check_job(tmp_path / "next.yaml")
    assert checked.job is not None and checked.findings == ()
    billet = checked.job.billet
    region = Region(outline=billet.outline, edge_gap_mm=REMNANT.edge_gap_mm,
                    keepouts=tuple(("hole", h, REMNANT.edge_gap_mm) for h in billet.holes))  # fmt: skip
    part = Silhouette(name="stud", outline=STUD.outline)
    nest = place_parts([part], [request("stud", None)], region, gap_mm=3.5, seed=1, effort=1)
    assert len(nest.placements) >= 4


def test_it_says_that_it_must_be_measured_and_where_it_comes_from(tmp_path):
    text = written(tmp_path, note="REFUSED, WRITTEN BY FORCE")[FILE].decode()
    first, second, third = text.split("\n")[:3]
    assert first == "# REFUSED, WRITTEN BY FORCE"
    assert JOB.billet.name in second and JOB.name in second and "0123456789ab" in second and "piece 1 of 1" in second
    assert third.startswith("# RECKONED, NOT MEASURED.") and "MEASURE ANEW" in third
    assert read(tmp_path / FILE) is not None
    assert "the old edge as measured 0.0040, how the plate lay, three sigma 0.0099" in text, "in the job's unit, up"
    assert "open right through" in text


def test_a_piece_without_the_marked_corner_asks_for_a_new_mark(tmp_path):
    piece = replace(REMNANT.pieces[0], has_corner=False, outline=np.array([[30, 20], [60, 10], [60, 40], [20, 40.0]]),
                    holes=(), defects=())  # fmt: skip
    written(tmp_path, replace(REMNANT, pieces=(piece,)), job=replace(JOB, units="mm"))
    assert "near [30.000, 20.000]" in read(tmp_path / FILE).corner, "the lowest x + y on the bed"


def test_at_most_a_handful_of_files():
    pieces = tuple(replace(REMNANT.pieces[0], usable_mm2=float(40 - k)) for k in range(8))
    many = replace(REMNANT, pieces=pieces)
    files = billet_files(many, job=JOB, setup=small.setup(), job_digest="0" * 64)
    assert list(files) == [f"{JOB.name}-remnant-{k}.yaml" for k in range(1, MOST_KEPT + 1)]
    rows = remnant_figures(many, job=JOB, has_files=True)["pieces"]
    assert [row["file"] for row in rows] == [*files, None, None, None]
    assert {row["file"] for row in remnant_figures(many, job=JOB, has_files=False)["pieces"]} == {None}


def test_worth_is_the_usable_ground_at_the_plates_price():
    figures = remnant_figures(REMNANT, job=JOB, has_files=True)
    assert figures["pieces"][0]["worth"] == pytest.approx(12.345 * JOB.billet.price_per_cm2, abs=0.005)
    assert figures["pieces"][1]["worth"] == 0 and figures["currency"] == JOB.billet.currency
    assert figures["worth"] == figures["pieces"][0]["worth"]
    assert figures["pieces"][0]["largest"]["angle_rad"] == pytest.approx(math.radians(30))


def test_the_picture_is_drawn_from_the_same_places():
    setup = small.setup()
    part = replace(setup.parts[0].part)
    svg = ElementTree.parse(io.StringIO(draw_remnant(REMNANT, setup=setup, parts=[part], units="mm"))).getroot()
    texts = [(e.text, float(e.get("x")), float(e.get("y"))) for e in svg.iter() if e.tag.endswith("text")]
    c, s = math.cos(math.radians(30)), math.sin(math.radians(30))
    corners = np.array([[50, 8]]) + np.array([[0, 0], [20, 0], [20, 10], [0, 10]]) @ np.array([[c, s], [-s, c]])
    x, y = (corners.min(axis=0) + corners.max(axis=0)) / 2
    assert texts[0] == ("handle-left", pytest.approx(x, abs=0.01), pytest.approx(-y, abs=0.01))
    assert [text for text, _, _ in texts[1:3]] == ["1", "2"], "a piece's number stands apart from the part's name"
    at = (np.array([texts[1][1], -texts[1][2]]) - (50, 8)) @ np.array([[c, -s], [s, c]])
    assert not ((at > 0) & (at < (20, 10))).all() and not (17 < texts[1][1] < 43 and 17 < -texts[1][2] < 33)
    assert sum(e.get("class") == "piece" for e in svg.iter()) == 2


@pytest.mark.parametrize(("units", "figures", "unit_mm"), [("mm", "0 20 40 60 80", 1), ("in", "0 1 2 3", 25.4)])
def test_the_pictures_rule_corner_and_cross_say_where_things_lie_on_the_bed(units, figures, unit_mm):
    moved = Pose.planar(to="setup-1", frm="billet", x_mm=6, y_mm=4, angle_rad=0.1)
    setup = small.setup()
    setup = replace(setup, billet=moved.points(setup.billet),
                    seating=replace(setup.seating, setup_from_billet=moved, corner_mm=(6.0, 4.0)))  # fmt: skip
    text = draw_remnant(REMNANT, setup=setup, parts=[setup.parts[0].part], units=units)
    svg = ElementTree.parse(io.StringIO(text)).getroot()
    texts = [(e.text, float(e.get("x")), float(e.get("y"))) for e in svg.iter() if e.tag.endswith("text")]
    low = max(y for word, _, y in texts if word == "0")
    rule = {word: x for word, x, y in texts if y == low and word != units}
    assert list(rule) == figures.split()
    assert list(rule.values()) == pytest.approx([unit_mm * int(n) for n in figures.split()], abs=0.006)
    assert {"marked corner", "X0 Y0", units} <= {word for word, _, _ in texts}
    (cross,) = [e.get("d") for e in svg.iter() if e.get("class") == "zero"]
    ((x, y),) = moved.points(np.array([[50.0, 8]]))
    assert cross.startswith(f"M{x - 1.5:.2f} {-y:.2f}h3"), "the zero of the part that fits"
    left, top, width, height = map(float, svg.get("viewBox").split())
    reach = [*setup.billet * (1, -1), (0, 0), (6 - 16, -(4 - 9))]
    assert all(left < px < left + width and top < py < top + height for px, py in reach)


def test_a_piece_in_the_hole_of_another_is_drawn_over_it():
    inner = Piece(
        outline=ring(12, 5.0) + [30, 25], holes=(), defects=(), area_mm2=70.0, usable_mm2=1.0, has_corner=False
    )
    swapped = replace(REMNANT, pieces=(inner, REMNANT.pieces[0]))
    drawing = draw_remnant(swapped, setup=small.setup(), parts=[small.setup().parts[0].part], units="mm")
    assert drawing.index(">handle-left<") < drawing.index(">1<"), "the second piece first"
