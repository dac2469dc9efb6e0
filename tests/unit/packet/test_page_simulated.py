"""What page and setup sheet say of the simulation: the hold, loads, parts as simulated. Figures are made up by hand."""

from __future__ import annotations

import json
import math
import re
from dataclasses import replace

import numpy as np
import pytest

from pipeline.model.findings import Finding
from pipeline.model.shop import Block
from pipeline.model.verdict import Measured
from pipeline.packet.page.page import page_html
from pipeline.packet.sheet.setup_sheet import setup_sheet_pdf
from pipeline.packet.summary import summarise
from tests.unit.gcode import small
from tests.unit.packet.figures_by_hand import with_figures
from tests.unit.packet.test_page_html import HOSTILE, Reader, inputs
from tests.unit.packet.test_setup_sheet import assert_inside_margins, by_hand, text_of

SECTIONS = ("hold", "felt", "simulated")
SQUARE = np.array([[30, 45], [50, 45], [50, 60], [30, 60.0]])


def figured(dialect=small.MM, *, made=inputs, change=lambda verdict: verdict):
    """Inputs of a page or a sheet whose verdict has all figures, then changed by `change`."""
    given = made(dialect)
    names = ("plan", "program", "setup")
    given["verdict"] = change(with_figures(given["verdict"], **{name: given[name] for name in names}))
    if "summary" in given:
        shared = {name: given[name] for name in given if name not in {"summary", "is_forced", "status"}}
        given["summary"] = summarise(n_kept=None, **shared)
    return given


def sheet(dialect=small.MM, **changes) -> bytes:
    return setup_sheet_pdf(**figured(dialect, made=by_hand, **changes))


def features(*rows: dict) -> tuple[Measured, ...]:
    plain = {"part_id": "handle-left", "feature_id": "pivot", "quantity": "diameter", "unit": "mm", "nominal": 4.0}
    plain |= {"low": 3.99, "high": 4.02, "measured": 4.01}
    return tuple(Measured(**plain | row) for row in rows)


@pytest.fixture(scope="module")
def page():
    return Reader(page_html(**figured()))


def words_of(page: Reader, section: str) -> str:
    return " ".join(page.by_id(section)["text"].split())


def cells_of(page: Reader, section: str) -> str:
    """The cells of a section's tables, with strokes between them."""
    cells = [e for e in page.elements if e["tag"] in ("td", "th") and section in e["inside"]]
    return " | ".join(" ".join(e["text"].split()) for e in cells)


def test_the_lowest_reading_stands_large_with_what_to_do(page):
    (reading,) = page.by_class("reading")
    assert reading["text"].split() == ["72", "kPa", "21.1", "inHg"]
    words = words_of(page, "hold")
    assert "When the gauge falls below 72 kPa (21.1 inHg): feed hold." in words
    assert "85 kPa (25.1 inHg), 13 kPa to spare" in words
    assert "asked for there: 2" in words
    assert "tied part handle-left" in words
    assert "gauge at least 72 kPa (21.1 inHg)" in words_of(page, "seating")
    for line in figured()["verdict"].holding.assumed:
        assert line in words or line[0].upper() + line[1:] in words


def test_the_lowest_reading_is_the_same_wherever_it_stands():
    """Half of the planned 85 kPa: 42.5, rounded up, and 12.55 inHg."""

    def strong(verdict):
        return replace(verdict, holding=replace(verdict.holding, least=40.0, gauge_least_kpa=42.5))

    page, said = Reader(page_html(**figured(change=strong))), " ".join(text_of(sheet(change=strong)).split())
    hold = words_of(page, "hold")
    assert "falls below 43 kPa (12.6 inHg): feed hold. Do not start below it." in hold and "42 kPa to spare" in hold
    assert "gauge at least 43 kPa (12.6 inHg)" in words_of(page, "seating")
    assert "Gauge below 43 kPa (12.6 inHg): feed hold. Do not start below it." in said and "42 kPa to spare" in said


def test_a_hold_that_is_too_weak_is_said_without_a_reading_to_start_at():
    def weak(verdict):
        return replace(verdict, holding=replace(verdict.holding, least=0.9, gauge_least_kpa=math.inf))

    page = Reader(page_html(**figured(change=weak)))
    assert page.by_class("weak")
    words = words_of(page, "hold")
    assert "At no gauge reading is the hold as asked for" in words
    assert "Do not start." in words and "feed hold" not in words
    assert "gauge at least" not in words_of(page, "seating")
    said = text_of(sheet(change=weak))
    assert "NO READING" in said and "Do not start." in said

    def short(verdict):
        return replace(verdict, holding=replace(verdict.holding, least=1.5, gauge_least_kpa=90.2))

    words = words_of(Reader(page_html(**figured(change=short))), "hold")
    assert "6 kPa too little" in words and "91 kPa" in words
    assert "6 kPa TOO LITTLE" in text_of(sheet(change=short))


def test_the_factor_is_the_same_wherever_it_stands():
    """2.0899: 2.08 in the box, in the list of worst places, by operation, in the read-out, on the sheet, in figures."""

    def weak(verdict):
        loads = verdict.loads
        worst = tuple(replace(one, value=2.0899) if one.quantity == "holding" else one for one in loads.worst)
        stretches = tuple(replace(one, holding=2.0899) for one in loads.stretches)
        line = replace(loads.timeline, holding=np.full_like(loads.timeline.holding, 2.0899))
        loads = replace(loads, worst=worst, stretches=stretches, timeline=line)
        return replace(verdict, loads=loads, holding=replace(verdict.holding, least=2.0899))

    given = figured(change=weak)
    page = Reader(page_html(**given))
    assert "2.08; asked for there: 2" in words_of(page, "hold")
    cells = cells_of(page, "felt")
    assert "hold, safety factor | 2.08 |" in cells and "2.09" not in cells and " 2.0 " not in cells
    data = json.loads(page.by_id("over-time")["text"])
    assert set(data["hold"]) == {2.08}
    summary = given["summary"]
    assert summary["hold"]["least"] == 2.08 and set(summary["loads"]["timeline"]["holding"]) == {2.08}
    assert {one["holding"] for one in summary["loads"]["stretches"]} == {2.08}
    assert "safety factor 2.08, asked for: 2" in text_of(sheet(change=weak))


def test_clamps_and_waste_stand_beside_the_reading_on_page_and_sheet():
    waste = Finding(code="V680", severity="warning", where="waste, T3, line 9", found="safety 1.6", amount_mm=0.0,
                    at_mm=(20.0, 20.0, 0.2))  # fmt: skip

    def weak(verdict):
        return replace(verdict, findings=(waste,))

    for made, read in ((inputs, lambda given: words_of(Reader(page_html(**given)), "hold")),
                       (by_hand, lambda given: text_of(setup_sheet_pdf(**given)))):  # fmt: skip
        given = figured(made=made, change=weak)
        clamp = Block(name="cam", kind="clamp", outline=SQUARE, height_mm=12.0, press_n=3000.0)
        given["setup"] = replace(given["setup"], blocks=(clamp,))
        said = read(given)
        assert "The plate is held by clamps too: cam 3000 N (figures of the holding file; tighten before" in said
        assert "arts and plate: " in said and "Waste: see finding 1; no gauge reading cures it" in said
    assert "☐ The plate is held by clamps too" in said
    assert "1. V680 warning, waste" in said, "findings carry the page's numbers"
    assert "held by clamps" not in text_of(sheet()) and "Waste" not in text_of(sheet())


def test_a_picture_says_no_amount_where_there_is_none():
    finding = Finding(code="V680", where="waste", found="weak", at_mm=(20.0, 20.0, 0.2))
    for amount, n in ((None, 0), (0.0, 0), (0.034, 1)):
        found = (replace(finding, amount_mm=amount),)
        page = page_html(**figured(change=lambda verdict, found=found: replace(verdict, findings=found)))
        picture = page[page.index("Place of finding 1") :].partition("</svg>")[0]
        assert len(re.findall(r">[\d.]+ mm</text>", picture.replace(">5 mm</text>", ""))) == n


def test_caps_that_are_left_are_called_harmless_only_where_no_force_was_found():
    force = Finding(code="V670", severity="warning", where="T1", found="a stress")
    page = Reader(page_html(**figured(change=lambda verdict: replace(verdict, findings=(force,)))))
    assert "Left after two rounds at most; see Findings." in words_of(page, "felt")


def test_pieces_are_freed_at_lines_and_minutes(page):
    freed = figured()["verdict"].holding.freed[0]
    minute = f"{freed.tied_s / 60:.1f}"
    row = f"handle-left | {freed.area_mm2:.1f} | {freed.tied_line} | {minute} | {freed.severed_line} | {minute}"
    assert row in cells_of(page, "hold")


def test_what_was_not_worked_out_is_said_where_it_matters():
    page = Reader(page_html(**inputs()))
    for section in SECTIONS:
        assert "Not worked out." in page.by_id(section)["text"] or "not worked out" in page.by_id(section)["text"]
    assert page.by_class("timeline") == []
    said = text_of(setup_sheet_pdf(**by_hand()))
    assert "the hold was not worked out" in said
    assert "Sizes to measure" in said and "Not worked out" in said


def test_every_line_leads_to_its_operation(page):
    links = page.by_class("to-line")
    assert len(links) > 10
    for link in links:
        assert link["href"] == "#cuts"
        assert link["data-line"] == link["text"]


def test_operations_and_worst_places_are_those_of_the_verdict(page):
    given = figured()
    loads = given["verdict"].loads
    rows = [e for e in page.all("tr") if e["inside"][-1:] == ["felt"]]
    told = [row["text"] for row in rows]
    for one in loads.stretches:
        assert any(str(round(one.force_peak_n)) in words for words in told)
    assert "30 % higher or lower" in words_of(page, "felt")
    flags = [e["text"].strip() for e in page.by_class("flag")]
    numbers = {number for flag in flags for number in flag.split(", ")}
    listed = {e["text"].strip() for e in page.all("th", scope="row") if re.fullmatch(r"W\d+", e["text"].strip())}
    assert numbers == listed and len(listed) >= 8
    assert "80 % of the feed, for the deflection" in words_of(page, "felt")
    assert "Left after two rounds at most; within the target, nothing to do." in words_of(page, "felt")
    assert "together | 0.090" in cells_of(page, "felt")
    assert {e.get("data-sort") for e in page.all("th") if "felt" in e["inside"]} >= {"number", "text"}


def test_sizes_out_of_limits_and_not_measured_are_marked():
    found = features(
        {},
        {"part_id": "handle-right", "measured": 4.03},
        {"quantity": "depth", "low": None, "high": 2.0, "measured": None, "why": "it opens on the other side"},
        {
            "feature_id": "thread",
            "quantity": "turns",
            "unit": "",
            "nominal": 3,
            "low": 3,
            "high": None,
            "measured": 4,
        },
    )
    given = figured(change=lambda verdict: replace(verdict, features=found))
    words = words_of(Reader(page_html(**given)), "simulated")
    assert "2 within limits, 1 out, 1 not measured" in words
    assert "OUT" in words and "Not measured It opens on the other sidepivot depth (handle-left)" in words
    said = text_of(setup_sheet_pdf(**figured(made=by_hand, change=lambda verdict: replace(verdict, features=found))))
    assert "thread turns handle-left 3 at least 3 4" in said
    assert "4.010" in said and "OUT 4.030" in said and "3.990 to 4.020" in said
    assert "what was not measured in simulation, with why (1)" in said


def test_the_sheet_leaves_out_what_no_gauge_at_the_mill_measures_unless_it_is_out():
    off = {"quantity": "position", "nominal": 0.0, "low": None, "high": 0.02}
    found = features({}, off | {"measured": 0.003}, off | {"measured": 0.07, "feature_id": "far"})
    said = text_of(sheet(change=lambda verdict: replace(verdict, features=found)))
    assert "far position handle-left 0.000 at most 0.020 OUT 0.070" in said
    assert "pivot position" not in said
    assert "pivot diameter" in said and "positions and walls within limits (1)" in said


def test_both_hands_share_a_row_when_they_are_of_one_family():
    given = figured()
    left = given["setup"].parts[0]
    setup = replace(given["setup"], parts=(left, replace(left, part_id="handle-right")))
    found = features({}, {"part_id": "handle-right", "measured": 4.03})
    verdict = replace(given["verdict"], features=found)
    page = Reader(page_html(**given | {"setup": setup, "verdict": verdict}))
    (row,) = [e for e in page.all("tr") if "simulated" in e["inside"] and "pivot" in e["text"]]
    assert "4.010 to 4.030" in row["text"]
    assert "OUT: handle-right" in " ".join(row["text"].split())


def test_lengths_are_in_inches_for_an_inch_control():
    found = features({"nominal": 25.4, "low": 25.4, "high": 25.4254, "measured": 25.4127})
    change = {"change": lambda verdict: replace(verdict, features=found)}
    page = Reader(page_html(**figured(small.INCH, **change)))
    assert "1.0000 | 1.0000 | 1.0010 | 1.0005" in cells_of(page, "simulated")
    felt = words_of(page, "felt")
    assert "in³/min" in felt and "Thinnest skin so far, in" in felt and "1 lbf is 4.45 N" in felt
    assert "1.0000 1.0000 to 1.0010 1.0005" in text_of(sheet(small.INCH, **change))
    assert "72 kPa" in text_of(sheet(small.INCH))


def test_what_a_program_calls_itself_comes_out_as_text():
    def hostile(verdict):
        loads = verdict.loads
        named = tuple(replace(one, heading=HOSTILE) for one in loads.stretches)
        worst = tuple(replace(one, heading=HOSTILE, quantity=HOSTILE) for one in loads.worst)
        return replace(
            verdict,
            loads=replace(loads, stretches=named, worst=worst, assumed=(HOSTILE,)),
            holding=replace(verdict.holding, what=HOSTILE, assumed=(HOSTILE,)),
            features=features({"feature_id": HOSTILE, "measured": None, "why": HOSTILE, "quantity": HOSTILE}),
            skin_stack=((HOSTILE, 0.1),),
            caps=(replace(verdict.caps[0], reason=HOSTILE),),
        )

    page, plain = Reader(page_html(**figured(change=hostile))), Reader(page_html(**figured()))
    for tag in ("script", "style"):
        assert len(page.all(tag)) == len(plain.all(tag))
    assert not any("alert" in e["text"] for e in page.all("script") if e.get("type") != "application/json")
    assert not any("onload" in e or "onclick" in e for e in page.elements)
    assert page.words().count("alert") >= 8
    assert_inside_margins(sheet(change=hostile))


def test_pictures_come_with_the_page_and_no_two_elements_have_one_id(page):
    images = page.all("image")
    assert images
    assert all(e["href"].startswith("data:image/png;base64,") for e in images)
    ids = [e["id"] for e in page.elements if "id" in e]
    assert sorted(ids) == sorted(set(ids))
    links = {e["href"][1:] for e in page.elements if e.get("href", "").startswith("#")}
    assert links <= set(ids)


def test_the_sheet_has_the_gauge_the_worst_of_each_cutter_and_boxes_for_sizes():
    given = figured(made=by_hand)
    said = text_of(setup_sheet_pdf(**given))
    assert "72 kPa" in said and "21.1 inHg" in said
    assert "Gauge below 72 kPa (21.1 inHg): feed hold. Do not start below it." in said
    loads = given["verdict"].loads
    for cutter in {one.cutter for one in loads.stretches}:
        force = max(one.force_peak_n for one in loads.stretches if one.cutter == cutter)
        assert re.search(rf"T{cutter} {force:.0f} \d+ 0\.\d+", said)
    assert "forces within 30 %" in said
    assert said.index("2 Seating") < said.index("72 kPa") < said.index("3 Cautions")
    assert said.index("6 Sizes to measure") < said.index("7 Work left")


@pytest.mark.parametrize("dialect", [small.MM, small.INCH], ids=["mm", "in"])
def test_nothing_of_it_runs_off_the_sheet_and_bytes_are_the_same_twice(dialect):
    assert_inside_margins(sheet(dialect))
    assert sheet(dialect) == sheet(dialect)
    assert page_html(**figured(dialect)) == page_html(**figured(dialect))


def test_a_program_that_cuts_nothing_has_a_page():
    def idle(verdict):
        loads = verdict.loads
        line = loads.timeline
        still = replace(
            line,
            **{name: getattr(line, name)[:0] for name in ("force_n", "engaged_rad", "holding", "skin_mm", "stretch")},
        )
        return replace(verdict, loads=replace(loads, stretches=(), worst=(), timeline=still), features=(), maps=())

    assert "What the cutter feels" in page_html(**figured(change=idle))
    assert_inside_margins(sheet(change=idle))
