"""What the page tells the person at the machine: where to start, where the program stops, what to check and measure."""

from __future__ import annotations

from dataclasses import replace

import pytest

from pipeline.model.part import Hole, Side
from pipeline.packet.page.page import page_html
from tests.unit.gcode import small
from tests.unit.packet.test_page_html import JOB, Reader, inputs


@pytest.fixture(scope="module")
def page():
    return Reader(page_html(**inputs()))


def row_cells(page, row):
    """Text of the cells of a row by their label."""
    at = page.elements.index(row)
    cells = {}
    for e in page.elements[at + 1 :]:
        if e["tag"] == "tr":
            break
        if e["tag"] == "td" and "data-label" in e:
            cells[e["data-label"]] = e["text"]
    return cells


def test_one_start_line_in_heads_rows_cutters_and_list(page):
    """The bold line of a row is a listed start, at or before the cut and in the same cutter's section."""
    program = small.program()
    listed = {start.line for start in program.starts}
    bold, cut = [], []
    for row in page.by_class("op-row"):
        cells = row_cells(page, row)
        bold.append(int(cells["start at"]))
        cut.append(int(cells["in program"]))
    assert set(bold) <= listed
    for start, line in zip(bold, cut, strict=True):
        assert start == max(n for n in listed if n <= line)
    assert cut[0] == program.index[0].first_line
    in_cutters = [e["text"] for e in page.all("td") if e.get("data-label") == "start at line"]
    assert in_cutters == [str(line) for line in sorted(listed)]


def test_every_stop_of_the_program_is_listed_with_a_box():
    given = inputs(small.PLAIN)
    lines = given["program"].text.splitlines()
    page = Reader(page_html(**given))
    (table,) = page.by_class("stop-list")
    cells = page.elements[page.elements.index(table) :]
    numbers = [e["text"] for e in cells if e["tag"] == "td" and e.get("class") == "n"]
    wanted = [k for k, line in enumerate(lines, start=1) if line.split()[-1:] == ["M0"]]
    assert wanted
    assert numbers[: len(wanted)] == [str(k) for k in wanted]
    boxes = [e for e in page.all("input") if (e.get("aria-label") or "").startswith("stop at line")]
    assert [int(e["aria-label"].split()[3]) for e in boxes] == wanted
    for k in wanted:
        message = lines[k - 2].split("(MSG, ")[1].rstrip(")")
        assert message in table["text"]


def test_a_cutter_without_a_check_in_the_program_is_the_operators(page):
    checks = [e["text"] for e in page.all("td") if (e.get("data-label") or "").startswith("Z check")]
    lines = small.program().text.splitlines()
    assert "Z ZERO: T1" in lines[int(checks[0]) - 2]
    assert checks[1:] == ["yours: none in the program"] * 2


def test_seating_goes_in_the_order_of_the_program(page):
    """Thickness, pushing, pointer, gauge; the lines are those of the program's first two stops."""
    words = " ".join(page.by_id("seating")["text"].split())
    billet, lines = JOB.billet, small.program().text.splitlines()
    low, high = (f"{billet.thickness_mm + k * billet.thickness_uncertainty_mm:.3f}" for k in (-1, 1))
    first, second = [k for k, line in enumerate(lines, start=1) if line == "M0"]
    order = [f"between {low} and {high}", "Push the billet", f"first stop, line {first}", f"at its stop, line {second}"]
    assert sorted(order, key=words.index) == order
    assert "Nothing to key in" in words


def test_bores_that_the_program_stops_for_are_named_with_their_limits():
    given = inputs()
    hole = Hole(
        id="pivot", side=Side.INSIDE, x_mm=5, y_mm=5, diameter_mm=4, limits_mm=(4.0, 4.012), top_z_mm=3,
        bottom_z_mm=0, through=True, flat_bottom=False, fit="H7",
    )  # fmt: skip
    spot = given["setup"].parts[0]
    setup = replace(given["setup"], parts=(replace(spot, part=replace(spot.part, features=(hole,))),))
    path = given["plan"].toolpaths[-1]
    asked = replace(path.operation, kind="bore", feature_id="pivot", note="to 4.006 mm: measure it")
    for note, is_asked in ((asked.note, True), ("", False)):
        path = replace(path, operation=replace(asked, note=note))
        plan = replace(given["plan"], toolpaths=(*given["plan"].toolpaths[:-1], path))
        things = Reader(page_html(**given | {"setup": setup, "plan": plan})).by_id("fetch")["text"]
        assert ("Gauges for the bores pivot 4.000 to 4.012" in " ".join(things.split())) == is_asked


def test_the_digest_stands_in_the_title_block_and_at_the_foot(page):
    (block,) = page.by_class("block")
    assert "0123456789ab" in block["text"]
    assert "0123456789abc" not in block["text"]
    (foot,) = [e["text"] for e in page.all("style") if "@bottom-left" in e["text"]]
    assert "job digest 0123456789ab" in foot


def test_inches_are_a_word():
    words = Reader(page_html(**inputs(small.INCH))).words()
    assert "inches unless it says otherwise" in words
    assert "inches, inches/min" in words
