"""The setup sheet is read back with another PDF library: what must stand on it, that it is A4, that nothing runs off
it, and that its bytes are the same each time. Inputs: one whole run of an example job, and small ones drawn by hand."""

from __future__ import annotations

import hashlib
import io
import os
import pickle
import re
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from pypdf import PdfReader

from pipeline import stages
from pipeline.errors import Bug
from pipeline.job import read_job
from pipeline.model.findings import Finding
from pipeline.model.nest import Nest
from pipeline.model.shop import Block
from pipeline.model.verdict import SectionTime, StockField, Verdict
from pipeline.packet.copies import kind_of
from pipeline.packet.nest_drawing import hatch_lines
from pipeline.packet.page.page import CAUTIONS
from pipeline.packet.sheet.drawing import nest_drawing, scale_for
from pipeline.packet.sheet.paper import Paper
from pipeline.packet.sheet.program import left_of, stops_of, work_of
from pipeline.packet.sheet.setup_sheet import setup_sheet_pdf
from tests.unit.gcode import small

ROOT = Path(__file__).parents[3]
JOB = read_job(ROOT / "configs/jobs/budding-small.yaml")
MM = 72 / 25.4  # points
A4 = (210 * MM, 297 * MM)  # ISO 216
NEAREST_MM = 11.0  # no ink nearer to the paper's edge; a forced program's frame goes to 7, printers leave out about 5


@pytest.fixture(scope="module")
def real():
    """What the sheet of an example job is made from, by a whole run of it."""
    seen = {}

    def run(stage, inputs, compute):
        if stage != "packet":
            return compute()
        seen.update(inputs)
        return {}

    stages.make(JOB, run=run)
    wanted = ("job", "job_digest", "nest", "setup", "plan", "program", "written", "verdict", "status")
    return {name: seen[name] for name in wanted} | {"is_forced": False}


@pytest.fixture(scope="module")
def pdf(real):
    return setup_sheet_pdf(**real)


def by_hand(dialect=small.MM, *, errors=0, force=False, **changes):
    """The small invented plan as the sheet's inputs; `changes` go to the job."""
    clamp, stop = np.array([[30, 45], [50, 45], [50, 60], [30, 60.0]]), np.array([[8, -8], [16, -8], [16, 0], [8, 0.0]])
    blocks = (
        Block(name="cam-back", kind="clamp", outline=clamp, height_mm=12),
        Block(name="front", kind="stop", outline=stop, height_mm=3.5),
    )
    setup = replace(small.setup(), blocks=blocks)
    program = small.program(dialect=dialect, where=setup)
    found = [
        Finding(code=f"V6{k:02d}", where=f"T3, line {k}", found=f"wall cut {k} too far", wanted="0.02", hint="look")
        for k in range(errors)
    ]
    verdict = Verdict(
        verdict="refused" if errors else "released",
        findings=tuple(found),
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
    return {
        "job": replace(JOB, machine=small.machine(dialect), crib=small.CRIB, **changes),
        "job_digest": "0123456789abcdef" * 4,
        "nest": Nest(placements=(), least_gap_mm=5, least_edge_mm=5, parts_area_mm2=200, usable_area_mm2=3000),
        "setup": setup,
        "plan": small.plan(),
        "program": program,
        "written": program if force or not errors else None,
        "verdict": verdict,
        "status": "REFUSED, WRITTEN BY FORCE" if force else "" if errors else "SIMULATED, NO FINDINGS. NOT YET RUN.",
        "is_forced": force,
    }


def pages(pdf: bytes) -> list[str]:
    """The text of each page, blanks and line ends as single blanks."""
    return [" ".join(page.extract_text().split()) for page in PdfReader(io.BytesIO(pdf)).pages]


def text_of(pdf: bytes) -> str:
    return " ".join(pages(pdf))


def ink(pdf: bytes) -> np.ndarray:
    """Every point (x, y) that a path goes through and every place where text starts, points from the lower left."""
    places: list[tuple[float, float]] = []

    def see(operator, operands, matrix, text_matrix):
        a, b, c, d, e, f = matrix
        values = [float(v) for v in operands] if operator in {b"m", b"l", b"c", b"re"} else []
        if operator == b"re":
            x, y, width, height = values
            values = [x, y, x + width, y, x + width, y + height, x, y + height]
        if operator in {b"Tj", b"TJ"}:
            values = [text_matrix[4], text_matrix[5]]
        for x, y in zip(values[::2], values[1::2], strict=True):
            places.append((a * x + c * y + e, b * x + d * y + f))

    for page in PdfReader(io.BytesIO(pdf)).pages:
        page.extract_text(visitor_operand_before=see)
    return np.array(places)


def assert_inside_margins(pdf: bytes, nearest_mm: float = NEAREST_MM) -> None:
    places = ink(pdf)
    assert len(places) > 500
    assert places.min() > nearest_mm * MM
    assert places[:, 0].max() < A4[0] - nearest_mm * MM
    assert places[:, 1].max() < A4[1] - nearest_mm * MM


def test_a4_numbered_pages_with_the_digest_on_each(pdf, real):
    reader = PdfReader(io.BytesIO(pdf))
    count = len(reader.pages)
    assert 2 <= count <= 6
    for k, page in enumerate(reader.pages, start=1):
        assert [float(v) for v in page.mediabox] == pytest.approx([0, 0, *A4], abs=0.01)
        words = " ".join(page.extract_text().split())
        assert f"job digest {real['job_digest'][:12]}, page {k} of {count}" in words
        assert "budding-small, setup-1" in words
        assert real["status"] and real["status"] in words
    fonts = [font for page in reader.pages for font in page["/Resources"]["/Font"].values()]
    assert {font["/BaseFont"].partition("+")[2] for font in fonts} == {"DejaVuSans", "DejaVuSans-Bold"}
    assert all("/FontFile2" in font["/FontDescriptor"] for font in fonts), "embedded, not the reading computer's"


def test_every_cutter_is_there_with_what_is_set_on_it(pdf, real):
    words, job = text_of(pdf), real["job"]
    used = {path.operation.cutter for path in real["plan"].toolpaths}
    assert len(used) > 5
    for number in used:
        cutter = job.crib.cutter(number)
        row = f"T{number} H{number} {cutter.name}, {cutter.substrate} {cutter.diameter_mm / 25.4:.4f}"
        row += f" {cutter.flute_length_mm / 25.4:.3f} {cutter.stickout_mm / 25.4:.3f}"
        [rpm] = {p.operation.spindle_rpm for p in real["plan"].toolpaths if p.operation.cutter == number}
        row += f" {cutter.holder_diameter_mm / 25.4:.3f} {rpm:.0f}"
        assert row in words
        lines = real["program"].text.splitlines()
        check = next(k for k, line in enumerate(lines, start=1) if f"Z ZERO: T{number} AT" in line) + 1
        assert lines[check - 1].endswith("M0")
        sized = number in (1, 3)  # they bore the bearing pockets and the pivots
        assert f"{row} {check}" in words
        assert (f"{row} {check} –" in words) != sized
    assert "flute length" in words and "yours: none" not in words.lower()


def test_a_cutter_without_a_stop_for_the_gauge_block_is_yours_to_check():
    inputs = by_hand()
    assert "Z ZERO: T1" in inputs["program"].text and "Z ZERO: T2" not in inputs["program"].text
    words = text_of(setup_sheet_pdf(**inputs))
    assert re.search(r"T2 H2 [^☐]* yours: none", words)
    assert not re.search(r"T1 H1 [^☐]* yours: none", words)


def test_bores_have_limits_and_a_box_for_what_is_found(pdf, real):
    words = text_of(pdf)
    # ISO 286-2, H7 over 6 to 10 mm: 0 / +15 um on 9.525 mm; the depth is 0.030 in + 13 um
    bearing = "0.3750 to 0.3756, cut to 0.3753 in, depth 0.0300 to 0.0305"
    pivot = "0.1875 to 0.1880, cut to 0.1877 in"
    for hand in ("left", "right"):
        assert f"bearing pocket handle-{hand} {bearing}" in words
        assert f"pivot bore handle-{hand} {pivot} –" in words, "no limits of depth: nothing to write"
    assert f"Gauges for the bores: bearing pocket {bearing} (handle-left, handle-right); pivot bore {pivot}" in words


def test_what_is_measured_and_set_before_clamping(pdf, real):
    words = text_of(pdf)
    heads = " ".join(f"place {k}" for k in range(1, 6))
    assert f"thickness, before clamping {heads} within 0.1708 to 0.1732 in" in words
    assert "One place thinner or thicker: stop" in words
    blend = real["job"].machine.dialect.blend_mm / 25.4
    assert f"Control set to round corners by at most {blend:.4f} in" in words
    assert words.index("thickness, before clamping") < words.index("then clamps")
    assert f"its head says job digest {real['job_digest'][:12]}" in words
    assert f"job digest: {real['job_digest']}" in real["written"].text
    assert "nothing to key in" in words and "stop below" in words
    exact = text_of(setup_sheet_pdf(**by_hand(replace(small.MM, path_word="G61"))))
    assert "Exact path: the program calls G61; ask the machine's manual" in exact and "round corners" not in exact


def test_after_the_end_the_billet_stays_where_it_is(pdf, real):
    words = text_of(pdf)
    said = words[words.index("After the program's end") : words.index("7 Work left")]
    assert "do not unseat" in said and f"a skin of {real['setup'].z.skin_mm / 25.4:.4f} in" in said
    assert "setup-2: this program gives no fixture and no locating plan for it yet" in said


def test_work_stands_in_the_order_of_the_program_and_is_not_lumped_over_other_work(real):
    rows = work_of(real["plan"], real["program"], real["verdict"])
    lines = [row.line for row in rows]
    assert lines == sorted(lines)
    first = {span.operation_id: span.first_line for span in reversed(real["program"].index)}
    ends = [*lines[1:], 10**9]
    for path in real["plan"].toolpaths:
        op = path.operation
        [row] = [r for r, end in zip(rows, ends, strict=True) if r.line <= first[op.id] < end]
        assert row.kind == op.kind and row.bottom_z_mm <= op.bottom_z_mm
        assert kind_of(op.feature_id) in row.what and kind_of(op.part_id) in row.what


def test_everything_on_the_bed_and_every_pointer_check_is_there(pdf, real):
    words, setup = text_of(pdf), real["setup"]
    assert len(setup.blocks) == 7
    for block in setup.blocks:
        assert re.search(rf"{block.name} {block.kind}[^\d]*(\d\.\d+ deep)? ?{block.height_mm / 25.4:.3f}", words)
    for k, check in enumerate(setup.seating.pointer_checks, start=1):
        row = f"P{k} {check.x_mm / 25.4:.3f} {check.y_mm / 25.4:.3f} {check.approach} {check.allowed_mm / 25.4:.3f}"
        assert row in words
    for said in (
        real["job"].billet.up_face,
        real["job"].billet.corner,
        "Gauge block 1.0000 in",
        "Class D agent",
        "trap before the vacuum pump",
        "the program calls M7",
        "0.1708 to 0.1732 in",  # 0.172 +- 0.0012 in, of the billet's file
        setup.origin,
        *CAUTIONS,
        *real["verdict"].not_checked,
    ):
        assert " ".join(said.split()) in words, said


def test_every_stop_of_the_text_is_there_with_a_box(pdf, real):
    lines = real["program"].text.splitlines()
    stops = [k for k, line in enumerate(lines, start=1) if line.split() and line.split()[-1] == "M0"]
    words = text_of(pdf)
    assert len(stops) >= 10
    for line in stops:
        message = re.fullmatch(r"\(MSG, (.*)\)", lines[line - 2]).group(1)
        assert f"{line} STOP" in words
        assert message in words
    boxes = {"checks": 10, "thickness": 1, "bed": 7, "clamps": 1, "end": 2}
    boxes |= {"cutters": len(real["program"].sections), "pointers": 3, "stops": len(stops)}
    assert words.count("☐") == sum(boxes.values())


def test_every_operation_start_and_piece_of_work_left_is_there(pdf, real):
    words = text_of(pdf)
    first = {span.operation_id: span.first_line for span in reversed(real["program"].index)}
    table = words[words.index("5 The program") : words.index("Where it can be started")]
    shown = {int(n) for n in re.findall(r"\b(\d+) (?:face|bore|spot|drill|pocket|web|outline) ", table)}
    assert min(first.values()) in shown
    assert shown <= set(first.values())
    for path in real["plan"].toolpaths:
        assert re.search(rf"\b{path.operation.kind}\b[^☐]*\b{kind_of(path.operation.feature_id)}\b", words)
    for start in real["program"].starts:
        cutter, _, place = start.words.partition(", ")
        assert f"{start.line} {cutter} {place}" in words
    left = words[words.index("7 Work left") :]
    assert real["plan"].not_cut
    for piece in real["plan"].not_cut:
        for said in (piece.operation, kind_of(piece.feature_id), kind_of(piece.part_id), piece.setup, piece.reason):
            assert said in left


def test_minutes_of_the_cutters_are_those_of_the_run(pdf, real):
    total = sum(t.cutting_s + t.air_s for t in real["verdict"].section_times) / 60
    words = text_of(pdf)
    assert f"about {total:.0f} min, without stops and changes" in words
    shown = [float(m) for m in re.findall(r"\d+ T\d+ (?:#\d+|\d+/\d+ in)[^☐]*? (\d+\.\d) (?=\d)", words)]
    assert len(shown) == len(real["program"].sections)
    [between] = re.findall(r"between its operations (\d+\.\d)", words)
    assert sum(shown) + float(between) == pytest.approx(total, abs=0.05 * (len(shown) + 1)), "but for rounding"
    assert f"run time, without stops and changes of cutter {total:.1f}" in words


def test_nothing_runs_off_the_paper(pdf):
    assert_inside_margins(pdf)


def test_same_bytes_again_and_whatever_the_hash_seed(pdf, real, tmp_path):
    assert setup_sheet_pdf(**real) == pdf
    file = tmp_path / "inputs"
    file.write_bytes(pickle.dumps(real))
    code = (
        "import hashlib, pickle, sys; from pipeline.packet.sheet.setup_sheet import setup_sheet_pdf;"
        "inputs = pickle.loads(open(sys.argv[1], 'rb').read());"
        "print(hashlib.sha256(setup_sheet_pdf(**inputs)).hexdigest())"
    )
    seen = {
        subprocess.run(
            [sys.executable, "-c", code, str(file)],
            env=os.environ | {"PYTHONHASHSEED": seed, "PYTHONPATH": str(ROOT), "TZ": zone},
            text=True,
            capture_output=True,
            check=True,
        ).stdout.strip()
        for seed, zone in (("1", "UTC"), ("2", "Asia/Tokyo"))
    }
    assert seen == {hashlib.sha256(pdf).hexdigest()}


def test_reading_the_module_does_not_load_the_pdf_library():
    code = "import sys, pipeline.packet.sheet.setup_sheet; sys.exit(any('reportlab' in name for name in sys.modules))"
    assert subprocess.run([sys.executable, "-c", code], cwd=ROOT).returncode == 0


def test_what_a_user_writes_comes_out_as_text_and_stays_on_the_paper():
    title = "<script>alert(1)</script> & <b>bold</b> <para> &amp; 'quoted' \"twice\""
    inputs = by_hand(
        title=title,
        name="long-name-" * 40,
        serial="<7> & 8",
        notes=("<i>note</i> & more", "w" * 3000, "many words " * 1500),
    )
    wide = replace(small.CRIB.cutters[0], name="<u>cutter</u> & " + "x" * 200)
    inputs["job"] = replace(inputs["job"], crib=replace(small.CRIB, cutters=(wide, *small.CRIB.cutters[1:])))
    pdf = setup_sheet_pdf(**inputs)
    words = text_of(pdf)
    assert title in words
    assert "serial <7> & 8" in words
    assert "<i>note</i> & more" in words
    assert "<u>cutter</u> &" in words
    note = words[words.index("many words") : words.index("Checked, by")]
    assert note.count("many") == note.count("words") == 1500, "longer than a page: it runs on, nothing is cut off"
    assert words.replace(" ", "").count("w" * 3000) == 1
    assert PdfReader(io.BytesIO(pdf)).metadata.title == f"{title}: setup sheet"
    assert_inside_margins(pdf)


def test_released_says_so_and_no_more():
    words = text_of(setup_sheet_pdf(**by_hand()))
    assert "RELEASED" in words
    for never in ("REFUSED", "refused", "safe", "proven", "force"):
        assert never not in words


def test_refused_says_why_and_that_nothing_was_written():
    sheet = pages(setup_sheet_pdf(**by_hand(errors=11)))
    assert "REFUSED" in sheet[0]
    assert "No program was written: do not set up by this sheet; 11 findings stop it." in sheet[0]
    assert "V600 error, T3, line 0: wall cut 0 too far; allowed: 0.02. look" in sheet[0]
    assert "3 more are in packet.html." in sheet[0]
    for page in sheet:
        assert "REFUSED. No program was written." in page
        assert "NO FINDINGS" not in page
        assert ".ngc" not in page
        assert "Where it can be started" not in page


def test_forced_is_marked_on_every_page():
    pdf = setup_sheet_pdf(**by_hand(errors=1, force=True))
    for page in pages(pdf):
        assert page.count("REFUSED, WRITTEN BY FORCE") == 2, "banner and foot"
    assert "The program was written by force; 1 finding stops it." in text_of(pdf)
    assert "No program was written" not in text_of(pdf)
    assert_inside_margins(pdf, nearest_mm=7.0)


def test_warnings_of_a_released_program_are_on_the_sheet():
    inputs = by_hand()
    warning = Finding(code="V690", severity="warning", where="T2", found="a short reach", wanted="", hint="")
    inputs["verdict"] = replace(inputs["verdict"], findings=(warning,))
    assert "V690 warning, T2: a short reach" in text_of(setup_sheet_pdf(**inputs))


def test_cutters_beyond_the_pockets_are_loaded_later():
    inputs = by_hand(replace(small.MM, pockets=2))
    words = text_of(setup_sheet_pdf(**inputs))
    swaps = [k for k, line in enumerate(inputs["program"].text.splitlines(), start=1) if "TAKE OUT" in line]
    assert len(swaps) == 1
    assert "The changer holds 2 cutters, this program uses 3." in words
    assert f"line {swaps[0] + 1}: T1 out of pocket 1, T3 in" in words
    assert [w in words for w in ("1 T1 H1", "2 T2 H2", "later T3 H13")] == [True] * 3
    header = " ".join(re.findall(r"\((.*)\)", inputs["program"].text)).replace("  ", " ")
    assert [f"pocket {k}" in header for k in (1, 2)] == [True, True]


def test_pockets_are_those_of_the_program():
    inputs = by_hand()
    header = " ".join(line.strip("() ") for line in inputs["program"].text.splitlines())
    in_text = {int(t): int(p) for t, p in re.findall(r"T(\d+) H\d+ [^()]*?pocket (\d+)", header)}
    words = text_of(setup_sheet_pdf(**inputs))
    assert in_text == {1: 1, 2: 2, 3: 3}
    for cutter, pocket in in_text.items():
        assert f"☐ {pocket} T{cutter} H" in words


def test_by_hand_names_the_lines_and_without_coolant_none_is_asked_for():
    words = text_of(setup_sheet_pdf(**by_hand(small.PLAIN)))
    assert "Cutters are changed by hand" in words
    assert "Coolant" not in words
    assert "Coolant: tank full" in text_of(setup_sheet_pdf(**by_hand()))


def test_stops_are_found_with_their_messages_also_with_line_numbers():
    text = "(MSG, NOT THIS ONE)\nG0 X1\n(MSG, LOAD T1,)\n(MSG, LENGTH IN H1)\nN5 M0\nM5\nM00\n(M0)\nG0 X0 (M0)\n"
    assert [(s.line, s.message) for s in stops_of(text)] == [(5, "LOAD T1, LENGTH IN H1"), (7, "")]


def test_work_left_shares_rows_and_loses_nothing():
    one = small.plan().not_cut[0]
    many = tuple(
        replace(one, part_id=part, feature_id=feature)
        for part in ("stud-1", "stud-2", "stud-3", "clip")
        for feature in (("bore", "step") if part != "clip" else ("seat",))
    )
    plan = replace(small.plan(), not_cut=(*many, replace(one, setup="setup-1, later", operation="chamfer")))
    assert [(row.setup, row.operation, row.what) for row in left_of(plan)] == [
        ("setup-1, later", "chamfer", "thread of handle-left"),
        ("setup-2", "thread milling", "bore, step of stud-1 to 3; seat of clip"),
    ]


ELL = np.array([[0, 0], [30, 0], [30, 10], [10, 10], [10, 40], [0, 40.0]])


@pytest.mark.parametrize("degrees", [0, 20, 45, 90, 135])
def test_hatching_fills_its_outline_and_no_more(degrees):
    """The lines' length times their gap is the area; in an L no line's middle lies in the notch."""
    lines = hatch_lines(ELL, angle_rad=np.radians(degrees), gap=0.05)
    lengths = np.hypot(lines[:, 2] - lines[:, 0], lines[:, 3] - lines[:, 1])
    assert lengths.sum() * 0.05 == pytest.approx(30 * 10 + 10 * 30, rel=0.01)
    middle = (lines[:, :2] + lines[:, 2:]) / 2
    assert not ((middle > 10.001).all(axis=1)).any()
    assert (lines.min(axis=0) > -1e-9).all() and (lines.max(axis=0) < [30.001, 40.001] * 2).all()


@pytest.mark.parametrize(
    ("size", "scale"),
    [((100, 50), 1.0), ((186, 175), 1.0), ((187, 10), 1.25), ((10, 260), 1.5), ((372, 10), 2.0), ((1900, 1), 12.5)],
)
def test_the_scale_is_round_and_the_largest_that_fits(size, scale):
    assert scale_for(size, (186, 175)) == pytest.approx(scale)


@pytest.mark.parametrize(("width", "wanted"), [(186, 1.0), (60, 2.0)])
def test_the_drawing_is_to_the_scale_it_states(width, wanted):
    drawing, scale = nest_drawing(by_hand()["setup"], units="mm", width_mm=width, height_mm=150)
    assert scale == wanted
    assert drawing.width <= width * MM + 0.01
    billet = np.array(drawing.contents[0].points).reshape(-1, 2)
    assert np.ptp(billet, axis=0) == pytest.approx(np.array([80, 50]) / scale * MM, abs=0.01)


def test_what_is_too_wide_for_the_paper_is_refused():
    paper = Paper(title="t", head="h", reference="r", foot="f")
    with pytest.raises(Bug, match=r"190\.0 mm wide"):
        paper.table([("a", 100, "text"), ("b", 90, "text")], [["1", "2"]])
    drawing, _ = nest_drawing(by_hand()["setup"], units="mm", width_mm=190, height_mm=150)
    with pytest.raises(Bug, match="a drawing"):
        paper.drawing("head", "", drawing, "caption")


def test_a_table_repeats_its_head_on_every_page():
    paper = Paper(title="t", head="h", reference="r", foot="f")
    paper.table([("first column", 60, "text"), ("second", 60, "number")], [[f"row {k}", str(k)] for k in range(150)])
    sheet = pages(paper.pdf())
    assert len(sheet) > 1
    assert all("first column second" in page for page in sheet)
    assert all(f"row {k} " in " ".join(sheet) for k in range(150))
