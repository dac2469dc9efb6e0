"""The machine's limits and its dialect: each broken once, and a clean twin."""

from __future__ import annotations

import dataclasses
import math

import pytest

from pipeline.model.findings import Finding
from pipeline.model.shop import Machine
from pipeline.verify.limits import check_limits
from pipeline.verify.reader import read_program
from tests.unit.gcode import small
from tests.unit.verify.text_bench import CRIB, ENDING, MACHINE, PREAMBLE, changed, read


def found(body: str, machine: Machine = MACHINE) -> tuple[Finding, ...]:
    """Findings of the limits for `body` on `machine`."""
    return check_limits(read(body, machine=machine), machine=machine, setup=small.setup())


def test_a_clean_program() -> None:
    assert found("G1 X1 F6000\nG3 X1 Y0 I-1 J0 Z1\nS12000 M3 G1 X3\nS100 X4") == ()


@pytest.mark.parametrize(("body", "code", "words"), [
    ("G0 X300.01", "V630", "X above its travel by 0.010"), ("G0 X-100.5", "V630", "X below its travel by 0.500"),
    ("G0 Y-101", "V630", "Y below its travel by 1.000"), ("G0 Y200.02", "V630", "Y above its travel by 0.020"),
    ("G1 X1 F6010", "V631", "6010"), ("S12001 G1 X1", "V632", "S 12001"), ("S99 G1 X1", "V632", "S 99"),
    ("S0 G1 X1", "V632", "S 0"),
])  # fmt: skip
def test_limits_of_the_machine(body: str, code: str, words: str) -> None:
    (finding,) = found(body)
    assert (finding.code, finding.severity, finding.line) == (code, "error", 10)
    assert words in finding.found


def test_travel_of_an_arc_between_its_ends() -> None:
    """A half circle of radius 10 from (295, 0) to (295, 20) bulges to X 305; the travel ends at 300."""
    (finding,) = found("G0 X295\nG3 X295 Y20 I0 J10")
    assert finding.code == "V630"
    assert finding.amount_mm == pytest.approx(5, abs=1e-9)
    assert found("G0 X295\nG2 X295 Y20 I0 J10") == ()


@pytest.mark.parametrize(("z", "over"), [(-75, False), (-80, False), (-80.01, True), (220, False), (220.01, True)])
def test_travel_of_z_counts_the_length_of_the_cutter(z: float, over: bool) -> None:
    """Machine Z = tip + 30 of cutter - 250 of bed, travel -300 to 0."""
    codes = [f.code for f in read(f"G0 Z{z}").findings]
    assert codes == (["V630"] if over else [])


def test_many_moves_one_finding() -> None:
    (finding,) = found("\n".join(f"G0 X{301 + i}\nX0" for i in range(500)))
    assert finding.line == 10
    assert finding.amount_mm == pytest.approx(500)
    assert "1000 moves" in finding.found


def test_arcs_of_the_dialect() -> None:
    half, helix, full = "G3 X-2 Y0 I-1 J0", "G3 X-2 Y0 I-1 J0 Z1", "G3 X0 Y0 I-1 J0"
    assert [f.code for f in found(half, changed(arcs=False))] == ["V634"]
    assert [f.code for f in found(helix, changed(helices=False))] == ["V634"]
    assert found(half, changed(helices=False, longest_arc_rad=math.pi)) == ()
    assert [f.code for f in found(half, changed(longest_arc_rad=math.pi / 2))] == ["V634"]
    assert [f.code for f in found(full, changed(longest_arc_rad=math.pi))] == ["V634"]


def test_gauge_block_stop_before_the_first_cut() -> None:
    def codes(text: str) -> list[str]:
        reading = read_program(text, machine=MACHINE, crib=CRIB)
        return [f.code for f in check_limits(reading, machine=MACHINE, setup=small.setup())]

    cut = PREAMBLE + "G1 X1\n" + ENDING
    assert codes(cut) == []
    assert codes(cut.replace("M0\n", "")) == ["V633"]
    assert codes(cut.replace("M0\n", "M1\n")) == ["V633"]
    assert codes(cut.replace("T1 M6\nM0\n", "M0\nT1 M6\n")) == ["V633"]  # the cutter was not in the spindle yet
    assert codes(PREAMBLE.replace("M0\n", "") + "G1 X1\nM5\nM0\nM3\nG1 X2\n" + ENDING) == ["V633"]
    assert codes(PREAMBLE.replace("M0\n", "") + ENDING) == []  # nothing is cut


def test_more_cutters_than_pockets() -> None:
    body = "M9\nM5\nT2 M6\nM3\nG43 H12 G0 Z20"
    assert found(body) == ()
    assert [f.code for f in found(body, changed(pockets=1))] == ["V635"]
    assert found(body, changed(pockets=0, tool_change="by hand")) == ()


def test_a_limit_is_not_a_rounding_matter() -> None:
    """A feed at the limit, written in in/min to two decimals, may not be refused."""
    machine = dataclasses.replace(changed(units="in"), feed_high_mm_min=100.0)
    assert found(f"G1 X1 F{100 / 25.4:.2f}", machine) == ()


@pytest.mark.parametrize("dialect", [small.MM, small.INCH, small.PLAIN], ids=["mm", "inch", "plain"])
def test_written_programs_read_clean(dialect) -> None:
    """What the writer makes of a small plan has no fault of text and breaks no limit, in three dialects."""
    machine = small.machine(dialect)
    reading = read_program(small.program(dialect=dialect).text, machine=machine, crib=small.CRIB)
    assert reading.findings == ()
    assert check_limits(reading, machine=machine, setup=small.setup()) == ()
    assert {stop.tool for stop in reading.stops if stop.word == "M6"} == {1, 2, 3}
