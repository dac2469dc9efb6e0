"""Sabotage: a released program, spoiled in one place, must be refused for the right reason.

Each saboteur takes the lines of a program and returns them with one fault of the kind that hands, disks and posts
make. The first program here is written by hand for one turned stud; the second is the whole program of the small
example job, spoiled in places that only a real program has.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pytest

from pipeline.model.job import Job
from pipeline.model.setup import Setup
from pipeline.model.toolpath import NotCut
from pipeline.model.verdict import Verdict
from pipeline.verify import check_program
from tests.e2e.conftest import JOBS
from tests.unit.verify import by_hand

Lines = list[str]
X, Y = by_hand.STUD_AT
POINT_Z = round(4.6 - 2.0 - by_hand.POINT_MM, 4)


@dataclass(frozen=True)
class Saboteur:
    """`spoil` makes the fault; at least one of `codes` must be among the errors, and every one of `also`."""

    name: str
    spoil: Callable[[Lines], Lines]
    codes: frozenset[str]
    also: frozenset[str] = frozenset()


def refusal(verdict: Verdict) -> set[str]:
    """The codes of the errors of a refused program; empty for a released one."""
    errors = {f.code for f in verdict.findings if f.severity == "error"}
    assert (verdict.verdict == "refused") == bool(errors)
    return errors


def ring(radius: float, z: float) -> Lines:
    """Down beside the part, round it clockwise in two halves (climb milling outside), up again."""
    return [
        f"G0 X{X + radius:g} Y{Y:g}",
        "G0 Z5.5",
        f"G1 Z{z:g} F60",
        f"G2 X{X - radius:g} Y{Y:g} I-{radius:g} J0 F150",
        f"G2 X{X + radius:g} Y{Y:g} I{radius:g} J0",
        "G0 Z7",
    ]


def section(tool: int, speed: int, x: float, body: Lines, *, stop: bool = False) -> Lines:
    return [
        "G53 G0 Z0",
        f"T{tool} M6",
        *(["(MSG, check Z zero with the gauge block)", "M0"] if stop else []),
        f"G0 X{x:g} Y{Y:g}",
        f"M3 S{speed}",
        "G4 P3",
        "M8",
        f"G43 H{tool} G0 Z25",
        "G0 Z7",
        *body,
        "M9",
        "M5",
    ]


def hand_written() -> Lines:
    """Face, drill, step, outline down to the skin."""
    face = ["(face)", *ring(5.2, 4.6), *ring(3, 4.6), *ring(1, 4.6)]
    step = ["(step)", *(line for z in (3.9, 3.2, 2.6, 2.0) for line in ring(3.7, z))]
    outline = ["(outline)", *(line for z in (4.2, 3.4, 2.6, 1.8, 1.0, 0.3) for line in ring(5.5, z))]
    drill = [f"G98 G83 X{X:g} Y{Y:g} Z{POINT_Z:g} R5.5 Q0.8 F100", "G80"]
    return [
        "(a stud, written by hand)",
        "G21 G17 G90 G94 G40 G49 G80 G54 G98 G61",
        "G92.1",
        "G92.1",
        *section(1, 5000, X + 5.2, face, stop=True),
        *section(2, 5000, X, drill),
        *section(1, 5000, X + 3.7, [*step, *outline]),
        "G53 G0 Z0",
        "M2",
    ]


def check(lines: Sequence[str]) -> Verdict:
    return check_program(
        "\n".join(lines) + "\n", setup=by_hand.stud_setup(), crib=by_hand.STUD_CRIB, machine=by_hand.MACHINE,
        material=by_hand.MATERIAL, tolerances=by_hand.TOLERANCES, not_cut=(), cell_mm=0.1,
    )  # fmt: skip


def find(lines: Lines, pattern: str, nth: int = 0) -> int:
    """Index of the nth line that matches; -1 counts from the end. A saboteur that finds nothing is a broken test."""
    return [i for i, line in enumerate(lines) if re.search(pattern, line)][nth]


def swap(pattern: str, new: str | Callable[[re.Match[str]], str], nth: int = 0) -> Callable[[Lines], Lines]:
    """Replace `pattern` in the nth line that has it."""

    def spoil(lines: Lines) -> Lines:
        i = find(lines, pattern, nth)
        return [*lines[:i], re.sub(pattern, new, lines[i], count=1), *lines[i + 1 :]]

    return spoil


def drop(pattern: str, nth: int = 0) -> Callable[[Lines], Lines]:
    """Leave out the nth line that matches."""

    def spoil(lines: Lines) -> Lines:
        i = find(lines, pattern, nth)
        return [*lines[:i], *lines[i + 1 :]]

    return spoil


def after(pattern: str, new: Lines, nth: int = 0) -> Callable[[Lines], Lines]:
    """Put lines after the nth line that matches."""

    def spoil(lines: Lines) -> Lines:
        i = find(lines, pattern, nth)
        return [*lines[: i + 1], *new, *lines[i + 1 :]]

    return spoil


def both(*spoils: Callable[[Lines], Lines]) -> Callable[[Lines], Lines]:
    def spoil(lines: Lines) -> Lines:
        for one in spoils:
            lines = one(lines)
        return lines

    return spoil


def without(operation: str) -> Callable[[Lines], Lines]:
    """Leave out an operation: from its comment to the next comment or the end of the section."""

    def spoil(lines: Lines) -> Lines:
        a = find(lines, rf"^\({operation}\)")
        b = next(i for i in range(a + 1, len(lines)) if lines[i].startswith(("(", "M9")))
        return [*lines[: a + 1], *lines[b:]]

    return spoil


def s(name: str, spoil: Callable[[Lines], Lines], *codes: str, also: Sequence[str] = ()) -> Saboteur:
    return Saboteur(name, spoil, frozenset(codes), frozenset(also))


SABOTEURS = [
    s("retract lost before the next XY", drop(r"^G0 Z7$", 1), "V641"),
    s("retract lost between step and outline", drop(r"^G0 Z7$", -7), "V641"),
    s("digits turned round in Z of a step", swap("G1 Z3.2 ", "G1 Z2.3 "), "V664"),
    s("a tenth too deep in the outline", swap("G1 Z0.3 ", "G1 Z0.2 "), "V640"),
    s("point lost in Z", swap("G1 Z0.3 ", "G1 Z03 "), "V653"),
    s("sign in Z", swap("G1 Z0.3 ", "G1 Z-0.3 "), "V640"),
    s("digits turned round in X before the plunge", swap("^G0 X17.5", "G0 X15.7"), "V618"),
    s("digits turned round in X of an arc", swap("^G2 X6.5", "G2 X5.6"), "V618"),
    s("a whole pass shifted by a tenth",
      both(swap("^G0 X17.5", "G0 X17.4", -1), swap("^G2 X6.5", "G2 X6.4", -1), swap("^G2 X17.5", "G2 X17.4", -1)),
      "V649"),
    s("a pass shifted by a hundredth",
      both(swap("^G0 X17.5", "G0 X17.49", -1), swap("^G2 X6.5", "G2 X6.49", -1), swap("^G2 X17.5", "G2 X17.49", -1)),
      "V649"),
    s("G2 for G3 on half a wall", swap("^G2 X6.5", "G3 X6.5", -1), "V653"),
    s("arc centre shifted", swap("I-5.5", "I-5.4", -1), "V618"),
    s("arc centre on the wrong side", swap("I-5.5", "I5.5", -1), "V618"),
    s("cutter swapped, its offset not", swap("^T1 M6", "T3 M6", -1), "V624"),
    s("cutter swapped, with its offset", both(swap("^T1 M6", "T3 M6", -1), swap("G43 H1", "G43 H3", -1)), "V651"),
    s("drill and mill swapped", both(swap("^T2 M6", "T1 M6"), swap("G43 H2", "G43 H1")), "V649"),
    s("length offset of another cutter", swap("G43 H1", "G43 H2"), "V624"),
    s("no length offset", swap("G43 H1 ", ""), "V624", "V626", "V645"),
    s("half of the last wall pass missing", drop("^G2 X17.5", -1), "V653", also=["V653"]),
    s("plunge and wall of the last level missing",
      both(drop("G1 Z0.3"), drop("^G2 X6.5", -1), drop("^G2 X17.5", -1)), "V653"),
    s("spindle not started", drop("^M3 S"), "V621", "V642"),
    s("spindle started after the cut", both(drop("^M3 S", -1), after("^M9", ["M3 S5000"], -1)), "V621", "V642"),
    s("spindle backwards", swap("^M3 S", "M4 S"), "V643"),
    s("coolant not on", drop("^M8"), "V644"),
    s("inch for metric", swap("G21", "G20"), "V612"),
    s("units changed half way", after("^M8", ["G20"], 1), "V612"),
    s("ten times the feed", swap("F150", "F1500", -1), "V660"),
    s("feed over the machine's", swap("F150", "F15000"), "V631"),
    s("speed over the machine's", swap("S5000", "S50000"), "V632"),
    s("speed too low for the machine", swap("S5000", "S500"), "V632"),
    s("speed over the cutter's", swap("S5000", "S15000"), "V661"),
    s("plunge at rapid", swap("^G1 Z3.2 F60", "G0 Z3.2"), "V641"),
    s("rapid written as feed before any F", swap("^G0 X17.2", "G1 X17.2"), "V620"),
    s("cutter not changed", swap("^T1 M6", "T1"), "V623", "V624", "V626", "V659"),
    s("second cutter not changed", drop("^T2 M6"), "V624"),
    s("cutter that the crib has not", swap("^T2 M6", "T7 M6"), "V623"),
    s("another work system", swap("G54", "G55"), "V625"),
    s("origin set by the program", after("^G92.1", ["G10 L2 P1 Z-199.9"]), "V625"),
    s("axes shifted", after("^M8", ["G92 X0"]), "V654", "V649", "V618"),
    s("incremental", swap("G90", "G91"), "V613", "V630", "V649", "V654", "V640"),
    s("plane of the arcs", swap("G17", "G18"), "V610", "V609", "V619"),
    s("compensation on", swap("G40", "G41"), "V617"),
    s("another path mode", swap("G61", "G64"), "V636", "V613"),
    s("unknown word", swap("^G0 Z5.5$", "G0 Z5.5 U2"), "V601"),
    s("number with an exponent", swap("^G0 Z5.5$", "G0 Z5.5e0"), "V601", "V602"),
    s("decimal comma", swap(r"^G0 Z5\.5$", "G0 Z5,5"), "V601", "V602"),
    s("letter O for a nought", swap("J0", "JO"), "V601", "V602"),
    s("two motions on a line", swap("^G1 Z3.2", "G0 G1 Z3.2"), "V607"),
    s("a word twice", swap("^G1 Z3.2", "G1 Z3.2 Z3"), "V606"),
    s("comment not closed", swap(r"\(outline\)", "(outline"), "V603"),
    s("line too long", swap(r"\(outline\)", f"({'outline ' * 40})"), "V604"),
    s("gauge block stop left out", drop("^M0$"), "V633"),
    s("end left out", drop("^M2$"), "V611"),
    s("file cut off", lambda lines: lines[: int(0.7 * len(lines))], "V611"),
    s("file cut off in a line", lambda lines: [*lines[:-30], lines[-30][:5]], "V611"),
    s("hole drilled deeper", swap(f"Z{POINT_Z:g} R", f"Z{POINT_Z - 0.3:g} R"), "V649", "V650"),
    s("hole not drilled to its depth", swap(f"Z{POINT_Z:g} R", f"Z{POINT_Z + 0.3:g} R"), "V651", "V652"),
    s("hole beside its place", swap("G83 X12 ", "G83 X12.1 "), "V649"),
    s("part not cut out", without("outline"), "V653"),
    s("part not begun but for its face", both(without("outline"), without("step")), "V654"),
    s("floor of the step not reached", swap("^G1 Z2 F60", "G1 Z2.6 F60"), "V652"),
    s("through the clamp", after(r"^\(outline\)", ["G0 Z8", "G0 X23 Y21.8", "G0 X17.5 Y10"]), "V655"),
    s("into the stop", after(r"^\(outline\)", ["G0 X-1 Y6", "G0 Z3.5", "G0 Z7"]), "V656"),
    s("safe retract left out at the beginning", drop("^G53 G0 Z0"), "V626"),
    s("safe retract left out before a change", drop("^G53 G0 Z0", 1), "V626", "V624", "V622"),
    s("change with the spindle turning", drop("^M5$"), "V622"),
    s("change with coolant on", drop("^M9$"), "V622"),
]  # fmt: skip


@pytest.fixture(scope="module")
def program() -> Lines:
    return hand_written()


def test_the_program_itself_is_released(program):
    verdict = check(program)
    assert verdict.verdict == "released", [str(f) for f in verdict.findings]
    # Nothing is said of how this little plate is held; nothing else is amiss.
    assert [f.code for f in verdict.findings] == ["V683"]
    assert len(verdict.line_seconds) == len(program)
    assert verdict.line_seconds[program.index("T1 M6")] >= by_hand.MACHINE.tool_change_s
    assert [t.cutter for t in verdict.section_times] == [1, 2, 1]


def test_there_are_saboteurs_enough():
    assert len({one.name for one in SABOTEURS}) == len(SABOTEURS) >= 60


@pytest.mark.parametrize("saboteur", SABOTEURS, ids=[one.name.replace(" ", "-") for one in SABOTEURS])
def test_sabotage_is_refused_for_its_reason(program, saboteur):
    spoiled = saboteur.spoil(list(program))
    assert spoiled != program
    errors = refusal(check(spoiled))
    assert errors & saboteur.codes, errors
    assert saboteur.also <= errors


# The real program: every stage but the packet, run once, on the small example job (inches, no cycles, by-hand changes).


@dataclass(frozen=True)
class Real:
    """A program that was made, and everything that it is judged with. `lines` are without their numbers."""

    job: Job
    setup: Setup
    not_cut: tuple[NotCut, ...]
    text: str

    @property
    def lines(self) -> Lines:
        return [re.sub(r"^N\d+ ?", "", line) for line in self.text.splitlines()]

    def check(self, text: str, *, cell_mm: float = 0.05, not_cut: Sequence[NotCut] | None = None) -> Verdict:
        job = self.job
        return check_program(
            text, setup=self.setup, crib=job.crib, machine=job.machine, material=job.material,
            tolerances=job.tolerances, not_cut=self.not_cut if not_cut is None else not_cut, cell_mm=cell_mm,
            workers=2,
        )  # fmt: skip

    def refused(self, lines: Lines, **options) -> set[str]:
        return refusal(self.check("\n".join(lines) + "\n", **options))


@pytest.fixture(scope="module")
def real() -> Real:
    from pipeline import stages
    from pipeline.job import read_job

    job = read_job(JOBS / "budding-small.yaml")
    drafted = stages.draft(replace(job, nest=replace(job.nest, effort=min(job.nest.effort, 2))), workers=2)
    return Real(job, drafted.setup, drafted.plan.not_cut, drafted.program.text)


def operation(lines: Lines, name: str) -> tuple[int, int]:
    """First line of an operation's motion and the line behind its last: from its comment to the next one, or M9."""
    a = find(lines, rf"^\({name},")
    return a + 1, next(i for i in range(a + 1, len(lines)) if lines[i].startswith(("(", "M9")))


def left_out(name: str) -> Callable[[Lines], Lines]:
    def spoil(lines: Lines) -> Lines:
        a, b = operation(lines, name)
        return [*lines[:a], *lines[b:]]

    return spoil


def within(name: str, spoil: Callable[[Lines], Lines]) -> Callable[[Lines], Lines]:
    """Spoil the lines of one operation only."""

    def spoiled(lines: Lines) -> Lines:
        a, b = operation(lines, name)
        return [*lines[:a], *spoil(lines[a:b]), *lines[b:]]

    return spoiled


def everywhere(pattern: str, new: str | Callable[[re.Match[str]], str]) -> Callable[[Lines], Lines]:
    """Replace in every line that is no comment."""
    return lambda lines: [line if line.startswith("(") else re.sub(pattern, new, line) for line in lines]


def moved(axis: str, by_in: float) -> Callable[[Lines], Lines]:
    """All absolute positions of an axis, but those of the machine frame, off by the same."""

    def spoil(lines: Lines) -> Lines:
        return [
            line if line.startswith("(") or "G53" in line
            else re.sub(rf"{axis}(-?[\d.]+)", lambda m: f"{axis}{float(m[1]) + by_in:.5f}", line)
            for line in lines
        ]  # fmt: skip

    return spoil


def one_stroke(lines: Lines) -> Lines:
    """A hole drilled in one go: of its feeds only the last is left."""
    feeds = [i for i, line in enumerate(lines) if line.startswith("G1 Z")]
    feed = lines[feeds[0]].split("F")[1]
    return [*lines[: feeds[0]], f"{lines[feeds[-1]].split(' F')[0]} F{feed}", *lines[feeds[-1] + 1 :]]


LIFT = r"G0 Z0\.57874$"


def lift_lost(lines: Lines) -> Lines:
    """A lift to the clearance height left out where the next move goes across, in the middle of the program."""
    moves = [i for i, line in enumerate(lines) if not line.startswith("(")]
    i = next(a for a, b in itertools.pairwise(moves)
             if a > len(lines) // 2 and re.search(LIFT, lines[a]) and lines[b].startswith("G0 X"))  # fmt: skip
    return [*lines[:i], *lines[i + 1 :]]


REAL_SABOTEURS = [
    s("a face left out", left_out("handle-left/inside-face/face"), "V652"),
    s("a bore left out", left_out("handle-left/pivot-bore/bore"), "V651", "V652"),
    s("a drilling left out", left_out("handle-right/stop-pin/drill"), "V651", "V652"),
    s("a bearing pocket left out", left_out("handle-right/bearing-pocket/bore"), "V651", "V652"),
    s("a groove left out", left_out("handle-left/groove/pocket"), "V651", "V652"),
    s("a step left out", left_out("stud-1/step/pocket"), "V651", "V652"),
    s("a seat left out", left_out("clip/seat/pocket"), "V652"),
    s("a stud not cut out", left_out("stud-1/edge/outline"), "V653", "V654"),
    s("a handle not cut out", left_out("handle-left/edge/outline"), "V654"),
    s("an outline shifted by 0.03 mm", within("clip/edge/outline", moved("X", 0.0012)), "V649"),
    s("a pocket 0.03 mm too deep", within("handle-left/pocket-1/pocket", moved("Z", -0.0012)), "V649", "V650"),
    s("a finish pass broken off", within("handle-left/edge/outline", drop("^G[123] X", -4)), "V618", "V649", "V651"),
    s("all of Z 0.03 mm low", moved("Z", -0.0012), "V640"),
    s("all of X 0.03 mm aside", moved("X", 0.0012), "V649"),
    s("the skin cut through", within("stud-1/edge/outline", everywhere(r"Z0\.0100", "Z-0.0100")), "V640"),
    s("lift lost between two places", lift_lost, "V641", "V668"),
    s("lift too low", swap(LIFT, "G0 Z0.15", 8), "V641", "V668"),
    s("straight down into the plate",
      within("clip/edge/outline", swap(r"G1 Z([\d.]+)", lambda m: f"G1 Z{float(m[1]) - 0.02:.5f}")), "V665"),
    s("a hole in one stroke", within("stud-1/bore/drill", one_stroke), "V664"),
    s("arcs the other way round", within("clip/edge/outline", everywhere(r"^G2 ", "G3 ")), "V634", "V649", "V653"),
    s("arc centre wrong in the first digit", within("clip/edge/outline", swap(r"I(-?)0\.(\d)", r"I\g<1>1.\2", -1)),
      "V618"),
    s("ten times the feed", within("handle-left/edge/outline", swap(r"F(\d+)\.(\d)(\d*)$", r"F\1\2.\3", -1)),
      "V660", "V631"),
    s("ten times the speed", swap(r"^S(\d+) M3", r"S\g<1>0 M3", -1), "V632"),
    s("spindle backwards", swap(r"^(S\d+) M3", r"\1 M4", -1), "V643"),
    s("spindle not started", everywhere(r"^(S\d+) M3", r"\1"), "V621"),
    s("no time to come up to speed", lambda lines: [x for x in lines if not x.startswith("G4")], "V667"),
    s("coolant not on", everywhere("^M7$", ""), "V644"),
    s("a coolant that is not there", swap("^M7$", "M8", -1), "V636"),
    s("another cutter", swap("^T3 M6", "T2 M6", -1), "V624"),
    s("another offset", swap("G43 H3", "G43 H2", -1), "V624"),
    s("no offset", everywhere("G43 H3 ?", ""), "V624", "V626"),
    s("change at the clearance height", swap("^G53 G0 Z0", "G0 Z1.4", -9), "V622", "V624"),
    s("no safe retract at all", lambda lines: [x for x in lines if not x.startswith("G53")], "V626"),
    s("metric", everywhere("G20", "G21"), "V612"),
    s("incremental", swap("G90", "G91", -1), "V625", "V613", "V630"),
    s("a line that a switch leaves out", within("clip/edge/outline", swap("^G2 ", "/G2 ", 3)), "V614"),
    s("gauge stop only when a switch is on", everywhere("^M0$", "M1"), "V633"),
    s("stop in the cut", within("clip/edge/outline", after("^G2 X", ["M1"], 3)), "V627"),
    s("a long dwell in the cut", within("clip/edge/outline", after("^G2 X", ["G4 P5"], 3)), "V648"),
    s("shifted by the program", after("^M7", ["G92 X1"], 2), "V625"),
    s("home by way of the plate", after("^M5", ["G28 Z0.1"], 4), "V625"),
    s("a move hidden in a comment", after("^M7", ["(a remark\rG0 Z0)"], 2), "V601"),
    s("two programs", lambda lines: lines + lines, "V611"),
    s("two programs between percents", lambda lines: ["%", *lines, "%", *lines], "V611"),
    s("end left out", drop("^M30"), "V611"),
    s("file cut off", lambda lines: lines[: int(0.8 * len(lines))], "V611"),
]  # fmt: skip


def test_the_real_program_is_released_with_no_word_but_of_waste(real):
    for text in (real.text, "\n".join(real.lines) + "\n"):  # and without line numbers
        verdict = real.check(text)
        assert verdict.verdict == "released"
        assert {(f.code, f.where.split(",")[0]) for f in verdict.findings} <= {("V680", "waste")}


def test_there_are_saboteurs_enough_for_the_real_program():
    assert len({one.name for one in REAL_SABOTEURS}) == len(REAL_SABOTEURS) >= 40


@pytest.mark.parametrize("saboteur", REAL_SABOTEURS, ids=[one.name.replace(" ", "-") for one in REAL_SABOTEURS])
def test_sabotage_of_the_real_program_is_refused_for_its_reason(real, saboteur):
    spoiled = saboteur.spoil(real.lines)
    assert spoiled != real.lines
    errors = real.refused(spoiled)
    assert errors & saboteur.codes, errors


def test_the_real_program_against_what_stands_on_the_bed(real):
    for block in real.setup.blocks:
        x, y = block.outline.mean(axis=0) / 25.4
        dive = ["G0 Z1.49606", f"G0 X{x:.4f} Y{y:.4f}", f"G0 Z{block.height_mm / 25.4 - 0.02:.4f}", "G0 Z1.49606"]
        errors = real.refused(after(r"^\(stud-1/edge/outline", dive)(real.lines))
        assert errors & {"V655", "V656", "V657"}, block.name


def test_the_spindle_nose_down_before_the_first_cutter(real):
    dive = after("^G53 G0 Z0", ["G53 G0 X5.5 Y3.5", "G53 G0 Z-7.4"])(real.lines)
    assert "V659" in real.refused(dive)


def test_no_declaration_hides_more_than_its_feature(real):
    """Everything declared as left, in all of the plate and at all heights, under the name of one feature."""
    plate = np.array([[-1e3, -1e3], [1e3, -1e3], [1e3, 1e3], [-1e3, 1e3]])
    wide = tuple(replace(item, region=plate, low_z_mm=0.0, high_z_mm=100.0) for item in real.not_cut
                 if item.feature_id == "edge-inside")  # fmt: skip
    assert wide
    declared = (*real.not_cut, *wide)
    assert real.check(real.text, not_cut=declared).verdict == "released"
    for name in ("handle-left/groove/pocket", "handle-left/pocket-1/pocket", "handle-left/edge/outline"):
        assert real.refused(left_out(name)(real.lines), not_cut=declared) & {"V651", "V652", "V654"}, name
    nobody = replace(wide[0], feature_id="nobody")
    assert "V666" in real.refused(real.lines, not_cut=(*real.not_cut, nobody))
