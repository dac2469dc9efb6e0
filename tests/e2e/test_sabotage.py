"""Sabotage: a released program, spoiled in one place, must be refused for the right reason.

Each saboteur takes the lines of a program and returns them with one fault of the kind that hands, disks and posts
make. The program here is written by hand for one turned stud; the harness (`Saboteur`, `refusal`) fits any program.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import pytest

from pipeline.model.verdict import Verdict
from pipeline.verify import check_program
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


def swap(pattern: str, new: str, nth: int = 0) -> Callable[[Lines], Lines]:
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
    assert [str(f) for f in verdict.findings if f.severity == "warning"] == []
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
