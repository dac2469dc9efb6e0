"""The packet page, read back with the standard library's HTML reader. Inputs: the small plan that is drawn by hand."""

from __future__ import annotations

import math
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest

from pipeline.job import read_job
from pipeline.model.findings import Finding
from pipeline.model.frames import Pose
from pipeline.model.nest import Nest, Placement
from pipeline.model.part import Mesh
from pipeline.model.program import Start
from pipeline.model.remnant import Piece, Remnant
from pipeline.model.shop import Block
from pipeline.model.verdict import SectionTime, StockField, Verdict
from pipeline.packet.page.page import SECTIONS, page_html
from pipeline.packet.remnant import remnant_figures
from pipeline.packet.summary import summarise
from tests.unit.gcode import small

ROOT = Path(__file__).parents[3]
JOB = read_job(ROOT / "configs/jobs/budding-small.yaml")
HOSTILE = '</style></script><script>alert("1")</script>\'&amp;'
FORCED = "REFUSED, WRITTEN BY FORCE"
# of the small plate when its part is out; the figures are invented
REMNANT = Remnant(
    pieces=(
        Piece(
            outline=np.array([[0, 0], [80, 0], [80, 50], [0, 50.0]]),
            holes=(np.array([[17, 17], [43, 17], [43, 33], [17, 33.0]]),),
            defects=(),
            area_mm2=3584.0,
            usable_mm2=1234.5,
            has_corner=True,
            largest=Placement(
                part_id="handle-left",
                part="handle-left",
                billet_from_part=Pose.planar(to="billet", frm="part", x_mm=50, y_mm=8, angle_rad=math.radians(30)),
            ),
        ),
        Piece(
            outline=np.array([[20, 20], [40, 20], [40, 30.0]]),
            holes=(),
            defects=(np.array([[38, 22], [39, 22], [39, 23.0]]),),
            area_mm2=99.5,
            usable_mm2=0.0,
            has_corner=False,
        ),
    ),
    plate_mm2=4000.0,
    parts_mm2=200.0,
    kerfs_mm2=116.0,
    slivers_mm2=0.0,
    defects_mm2=0.5,
    sliver_width_mm=5.0,
    disc_radius_mm=5.0,
    edge_gap_mm=4.1,
    defect_gap_mm=2.6,
    doubts=(("the old edge as measured", 0.1), ("how the plate lay, three sigma", 0.25)),
)


def plate():
    """The small setup with a clamp, its part as the box it is: 20 x 10 x 3 mm."""
    setup = small.setup()
    corners = np.array([[x, y, z] for z in (0, 3.0) for x, y in ((0, 0), (20, 0), (20, 10), (0, 10))])
    sides = [t for k in range(4) for t in ((k, (k + 1) % 4, (k + 1) % 4 + 4), (k, (k + 1) % 4 + 4, k + 4))]
    faces = np.array([(0, 2, 1), (0, 3, 2), (4, 5, 6), (4, 6, 7), *sides], dtype=float)
    placed = setup.parts[0]
    box = replace(placed.part, mesh=Mesh(vertices=corners, triangles=faces, deviation_mm=0.0))
    clamp = np.array([[30, 45], [50, 45], [50, 60], [30, 60.0]])
    block = Block(name="cam-back", kind="clamp", outline=clamp, height_mm=12)
    return replace(setup, blocks=(block,), parts=(replace(placed, part=box),))


def inputs(dialect=small.MM, *, findings=(), force=False, **changes):
    """What the page of the small plan is made from; `changes` go to the job."""
    setup = plate()
    job = replace(JOB, **{"machine": small.machine(dialect), "crib": small.CRIB} | changes)
    program, plan, parts = small.program(dialect=dialect, where=setup), small.plan(), [setup.parts[0].part]
    is_refused = any(f.severity == "error" for f in findings)
    verdict = Verdict(
        verdict="refused" if is_refused else "released",
        findings=tuple(findings),
        checked=("walls",),
        not_checked=("chatter",),
        n_moves=100,
        path_mm=1000.0,
        removed_mm3=50.0,
        thinnest_skin_mm=0.25,
        section_times=tuple(
            SectionTime(cutter=s.cutter, cutting_s=60.0, air_s=6.0, cutting_mm=100.0) for s in program.sections
        ),
        line_seconds=np.full(program.text.count("\n"), 0.5),
        parts=(),
        stock=StockField(x0_mm=0, y0_mm=0, cell_mm=1, z=np.zeros((2, 2), dtype=np.float32)),
    )
    written = program if force or not is_refused else None
    nest = Nest(placements=(), least_gap_mm=5, least_edge_mm=5, parts_area_mm2=200, usable_area_mm2=3000)
    shared = {
        "job": job,
        "job_digest": "0123456789abcdef" * 4,
        "parts": parts,
        "nest": nest,
        "remnant": REMNANT,
        "setup": setup,
        "plan": plan,
        "program": program,
        "written": written,
        "verdict": verdict,
    }
    return shared | {
        "summary": summarise(n_kept=None, **shared),
        "is_forced": force,
        "status": FORCED if force else "" if is_refused else "SIMULATED, NO FINDINGS. NOT YET RUN.",
    }


def fault(k=1, severity="error", **more):
    more = {"where": f"T3, line {k}", "found": f"a wall cut {k} too far", "wanted": "0.02", "hint": "look"} | more
    return Finding(code=f"V6{k:02d}", severity=severity, **more)


class Reader(HTMLParser):
    """Elements in order with their attributes and the text inside; scripts and styles apart."""

    VOID = ("meta", "link", "input", "br")

    def __init__(self, page):
        super().__init__(convert_charrefs=True)
        self.elements, self._open = [], []
        self.feed(page)
        self.close()
        assert not self._open, f"left open: {[e['tag'] for e in self._open]}"

    def handle_starttag(self, tag, attrs):
        element = {"tag": tag, "text": "", "inside": [e["id"] for e in self._open if "id" in e], **dict(attrs)}
        self.elements.append(element)
        if tag not in self.VOID:
            self._open.append(element)

    def handle_startendtag(self, tag, attrs):
        self.handle_starttag(tag, attrs)
        if tag not in self.VOID:
            self._open.pop()

    def handle_endtag(self, tag):
        assert self._open.pop()["tag"] == tag

    def handle_data(self, data):
        for element in self._open:
            element["text"] += data

    def all(self, tag=None, **attrs):
        """Elements with this tag and these words among the values of these attributes."""
        return [
            e
            for e in self.elements
            if tag in (None, e["tag"]) and all(v in (e.get(k) or "").split() for k, v in attrs.items())
        ]

    def by_class(self, name):
        return self.all(**{"class": name})

    def by_id(self, name):
        (one,) = self.all(id=name)
        return one

    def words(self):
        """All that is read: neither scripts nor styles."""
        html = self.elements[0]["text"]
        for e in self.elements:
            if e["tag"] in ("script", "style"):
                html = html.replace(e["text"], "")
        return " ".join(html.split())


@pytest.fixture(scope="module")
def page():
    return Reader(page_html(**inputs(serial="GK-0417")))


def spans(row):
    return [tuple(map(int, span.split("-"))) for span in row["data-lines"].split()]


def test_sections_stand_in_the_order_of_the_contents_and_carry_its_numbers(page):
    ids = [e["id"] for e in page.elements if e.get("id") in {name for name, _ in SECTIONS}]
    assert ids == [name for name, _ in SECTIONS]
    (nav,) = page.by_class("contents")
    links = [e for e in page.all("a") if e.get("href", "").startswith("#") and e["text"].strip()[0].isdigit()]
    assert [e["href"][1:] for e in links[: len(SECTIONS)]] == ids
    assert nav["text"].split()[2] == "1"
    for name, heading in SECTIONS[1:]:
        (said,) = [" ".join(e["text"].split()) for e in page.all("h2") if name in e["inside"]]
        assert f"{said} ".startswith(f"{heading} "), "the menu's name is the heading"
    for k, name in enumerate(ids[1:], start=2):  # the first one is the title block
        assert page.by_id(name)["style"] == f'--n: "{k}"'


def test_names_for_two_metres(page):
    names = dict(zip(*[[e["text"] for e in page.all(tag)][:3] for tag in ("dt", "dd")], strict=True))
    assert names == {"Job": JOB.name, "Serial": "GK-0417", "Program": small.program().file}
    assert page.all("h1")[0]["text"] == "RELEASED"


def test_every_operation_is_in_one_row_and_its_lines_lead_to_it(page):
    rows, program, plan = page.by_class("op-row"), small.program(), small.plan()
    owner = {line: row for row in rows for a, b in spans(row) for line in range(a, b + 1)}
    assert len(owner) == sum(b - a + 1 for row in rows for a, b in spans(row)), "a line leads to two rows"
    feature = {path.operation.id: path.operation.feature_id for path in plan.toolpaths}
    for span in program.index:
        for line in range(span.first_line, span.last_line + 1):
            assert feature[span.operation_id] in owner[line]["text"]
    first, last = program.sections[0].first_line, max(span.last_line for span in program.index)
    assert set(owner) == set(range(first, last + 1)), "a line between two passes leads to the next one"
    assert {part for row in rows for part in row["data-parts"].split()} == {"handle-left"}


def test_rows_stand_under_their_cutter_with_its_speed(page):
    heads = [" ".join(e["text"].split()) for e in page.by_class("op-head")][:3]
    starts = [start.line for start in small.program().starts]
    assert heads == [
        f'T1 rougher, 1/4" (long), 3000 rpm start at line {starts[0]}',
        f"T2 drill, 3000 rpm start at line {starts[1]}",
        f"T3 finisher start at line {starts[2]}",
    ]
    assert [row["text"].count("rpm") for row in page.by_class("op-row")] == [0, 0, 1, 1], "two speeds"


def test_every_start_is_listed_under_its_cutter():
    given = inputs()
    lines = [given["program"].sections[k].first_line + 1 for k in (0, 0, 1, 2)]
    lines[1] += 3
    starts = tuple(Start(line=n, words=f"T{t}, a/{n}") for n, t in zip(lines, (1, 1, 2, 3), strict=True))
    page = Reader(page_html(**given | {"program": replace(given["program"], starts=starts)}))
    listed = [e["text"] for e in page.elements if e["tag"] in ("dt", "dd") and "operations" in e["inside"]]
    a, b, c, d = (f"{n} a/{n}" for n in lines)
    assert listed == ["T1", a, b, "T2", c, "T3", d]


def test_the_list_to_fetch_has_a_box_for_each_thing(page):
    boxes = [e for e in page.all("input", type="checkbox") if "fetch" in e["inside"]]
    things = page.by_id("fetch")["text"]
    wanted = [
        JOB.billet.name,
        "10.000 mm",
        "Pointer",
        "cam-back",
        small.program().file,
        "Class D agent",
        "T1",
        "T2",
        "T3",
    ]
    wanted += [stop.name for stop in JOB.holding.stops]
    assert [word for word in wanted if word not in things] == []
    wanted += ["chip trap", "calls M8", "set to at most 0.010 mm", "carbide, sticks out at least 20.00"]
    assert [word for word in wanted if word not in things] == []
    assert len(boxes) == 8 + 5, "the three stops share one"
    assert page.all("a", href="setup-sheet.pdf")


def test_search_picks_and_zoom_are_where_the_scripts_look_for_them(page):
    assert page.by_id("find-operation")["type"] == "search"
    assert page.by_id("found-operations")
    assert [e["data-zoom"] for e in page.elements if "data-zoom" in e] == ["in", "out", "fit"]
    assert [e["data-part"] for e in page.by_class("pick")] == ["handle-left"]
    assert [e["data-part"] for e in page.by_class("part") if "nest" in e["inside"]] == ["handle-left"]


def test_nothing_waits_for_a_script_and_nothing_comes_from_elsewhere(page):
    own = [e for e in page.elements if "view3d" not in e["inside"] and e.get("id") != "view3d"]
    assert [e for e in own if "hidden" in e] == []
    for e in page.elements:
        assert "src" not in e
        if "href" in e:
            assert e["href"].startswith("#") or e["href"] == "setup-sheet.pdf"
    for e in page.all("style"):
        assert "url(" not in e["text"]
        assert "@import" not in e["text"]


def test_no_two_elements_have_one_id(page):
    ids = [e["id"] for e in page.elements if "id" in e]
    assert sorted(ids) == sorted(set(ids))
    assert {e["href"][1:] for e in page.elements if e.get("href", "").startswith("#")} <= set(ids)


def test_what_a_user_writes_comes_out_as_text():
    setup = plate()
    placed = replace(setup.parts[0], part_id=HOSTILE, part=replace(setup.parts[0].part, name=HOSTILE, family=HOSTILE))
    # the writer of programs has its own rules for names: the hostile ones are put beside the plain program
    given = inputs(
        title=HOSTILE,
        name=HOSTILE,
        notes=(HOSTILE,),
        serial=HOSTILE,
        billet=replace(JOB.billet, up_face=HOSTILE, corner=HOSTILE, name=HOSTILE),
        findings=[fault(where=HOSTILE, found=HOSTILE, wanted=HOSTILE, hint=HOSTILE, at_mm=(25, 25, 1))],
        force=True,
    )
    setup = replace(setup, name=HOSTILE, origin=HOSTILE, parts=(*setup.parts, placed))
    page, plain = Reader(page_html(**given | {"setup": setup})), Reader(page_html(**inputs()))
    for tag in ("script", "style"):
        assert len(page.all(tag)) == len(plain.all(tag))
    assert not any("alert" in e["text"] for e in page.all("script") if e.get("type") != "application/json")
    assert page.words().count(HOSTILE) >= 12
    for key in ("onclick", "onload", "onerror", "onmouseover"):
        assert not any(key in e for e in page.elements)


def test_a_refused_page_says_why_and_names_no_program():
    findings = [fault(k) for k in range(1, 15)] + [fault(20, "warning"), fault(21, "note")]
    page = Reader(page_html(**inputs(findings=findings)))
    words = page.words()
    assert page.all("h1")[0]["text"] == "REFUSED"
    assert "14 findings stop this program. No program was written." in words
    assert words.index("What stops it") < words.index("T3, line 1: a wall cut 1 too far; allowed: 0.02. Look")
    assert "2 more stand under" in words
    assert small.program().file not in words
    for never in ("RELEASED", "NO FINDINGS", "NOT YET RUN", "released"):
        assert never not in words
    severities = [e["class"].split()[1] for e in page.by_class("finding")]
    assert severities == ["error"] * 14 + ["warning", "note"]


def test_one_finding_stops_and_two_stop():
    for findings, words in (([fault()], "1 finding stops this"), ([fault(1), fault(2)], "2 findings stop this")):
        assert words in Reader(page_html(**inputs(findings=findings))).words()


def test_forced_is_said_first_last_and_at_the_foot_of_every_sheet():
    page = Reader(page_html(**inputs(findings=[fault()], force=True)))
    body = next(e for e in page.elements if e["tag"] == "body")["text"].split("\n")
    read = [line for line in (line.strip() for line in body) if line]
    assert read[0] == FORCED
    assert [e["text"] for e in page.by_class("forced")] == [FORCED] * 2
    assert f'@bottom-center {{ content: "{FORCED}"; }}' in page.all("style")[0]["text"]


def test_the_nest_and_the_findings_show_the_same_numbers():
    findings = [fault(1, at_mm=(25, 25, 1)), fault(2), fault(3, "warning", at_mm=(60, 40, 1))]
    page = Reader(page_html(**inputs(findings=findings)))
    flags = [e["text"].strip() for e in page.by_class("mark") if "nest" in e["inside"]]
    assert flags == ["1", "3"]
    pictures = [e for e in page.all("use") if "findings" in e["inside"]]
    assert [e["href"] for e in pictures] == ["#nest-plate"] * 2
    numbers = [e["text"] for e in page.by_class("number")]
    assert numbers == ["1", "2", "3"]


def test_many_findings_keep_the_page_small():
    few, many = (page_html(**inputs(findings=[fault(k, at_mm=(25, 25, 1)) for k in range(n)])) for n in (1, 200))
    assert len(many) - len(few) < 250_000
    assert many.count("<use ") == 60


def test_lengths_are_in_the_unit_of_the_control():
    for dialect, face, gauge in ((small.MM, "3.654", "10.000 mm"), (small.INCH, "0.1439", "0.3937 in")):
        page = Reader(page_html(**inputs(dialect)))
        assert face in page.by_class("op-row")[0]["text"]
        assert gauge in page.by_id("fetch")["text"]


def test_a_program_without_findings_is_told_from_one_that_may_run(page):
    assert "NOT YET RUN" in page.words()
    for never in ("proven", "safe to run", "verified"):
        assert never not in page.words().lower()


def test_same_page_twice():
    assert page_html(**inputs()) == page_html(**inputs())


def test_parts_are_drawn_once_for_each_kind(page):
    (kind,) = page.by_class("kind")
    assert kind["text"].split()[:3] == ["handle-left", "1", "made,"]


def test_the_remnant_is_told_piece_by_piece(page):
    told = page.by_id("remnant")["text"]
    words = " ".join(told.split())
    price = JOB.billet.price_per_cm2
    assert f"1234.5 mm2 that parts of this job could still cover, worth {12.345 * price:.2f} USD" in words
    rows = [r["text"] for r in page.all("tr") if "remnant" in r["inside"]][1:]
    first = f"13584.01234.5{12.345 * price:.2f}handle-left at 50.00 8.00, turned 30.000\u00b0{JOB.name}-remnant-1.yaml"
    assert rows == [first, "299.50.00.00nonenone"]
    assert "may be off by 0.350 mm (the old edge as measured 0.100, how the plate lay, three sigma 0.250)" in words
    assert "Holes go right through" in words and "measure the piece anew" in words
    assert [e["text"] for e in page.all("text") if "remnant" in e["inside"]][:3] == ["handle-left", "1", "2"]
    assert "Black: defects." in words, "a piece has one"
    refused = Reader(page_html(**inputs(findings=[fault()]))).by_id("remnant")["text"]
    assert "-remnant-1.yaml" not in refused and "measure the piece anew" not in refused


def test_the_table_says_where_the_largest_part_lies_on_the_bed():
    moved = Pose.planar(to="setup-1", frm="billet", x_mm=6, y_mm=4, angle_rad=math.radians(90))
    given = inputs()
    setup = replace(given["setup"], seating=replace(given["setup"].seating, setup_from_billet=moved))
    table = Reader(page_html(**given | {"setup": setup})).by_id("remnant")["text"]
    assert "X Y on the bed" in table and "handle-left at -2.00 54.00, turned 120.000\u00b0" in table


def test_a_plate_that_is_used_up_is_scrap():
    given = inputs()
    spent = replace(REMNANT, pieces=REMNANT.pieces[1:])
    figures = given["summary"] | {"remnant": remnant_figures(spent, job=given["job"], has_files=True)}
    words = Reader(page_html(**given | {"remnant": spent, "summary": figures})).by_id("remnant")["text"]
    assert "what is left is scrap to this list" in words
    assert "worth 0" not in words and "measure the piece anew" not in words and "Holes" not in words
    sound = replace(REMNANT, pieces=REMNANT.pieces[:1])
    figures = given["summary"] | {"remnant": remnant_figures(sound, job=given["job"], has_files=True)}
    assert "Black" not in Reader(page_html(**given | {"remnant": sound, "summary": figures})).by_id("remnant")["text"]
