"""Where a program waits for the operator, what it says there, and where it can be started again.

A *stop* is comments, a message on the screen, and M0. The writer switches everything off and
lifts before it, and writes a whole start block after it. Which stops there are and where is decided here; common
practice of the trade, no source, unless a rule says more.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from pipeline.gcode.comments import Lines, plain
from pipeline.gcode.words import Format
from pipeline.model.setup import Setup
from pipeline.model.toolpath import HolePass, Operation, Toolpath
from pipeline.model.units import EPS_MM

SKIN_BAND_MM = 0.3  # a cutter that comes this close to the skin plane decides the skin
LARGE_MM2 = 100.0  # outline area from which a part has a start of its own
PARTING = ("outline", "web")  # kinds of operation that cut parts loose
_NO_STARTS = ("spot", "drill")  # short work: begin at the section


def write_seating(lines: Lines, *, setup: Setup, form: Format) -> None:
    """The three places where a pointer should just touch the billet's edge, and a stop to check them."""
    lines.say("SEATING CHECK, spindle off, pointer in the spindle. Jog or use MDI: this program does not move there.")
    for check in setup.seating.pointer_checks:
        lines.say(
            f"pointer going {check.approach} touches at X {form.length(check.x_mm)} Y {form.length(check.y_mm)} "
            f"within {form.length(check.allowed_mm)} {form.units}, {plain(check.name)}"
        )
    if setup.holes:
        holes = f"{len(setup.holes)} plugged hole{'s' if len(setup.holes) > 1 else ''}"
        lines.say(f"The plate has {holes}. Look at each plug, press it: it must not give.")
        lines.say("Facing near a part may skim the top of a plug: it must be bonded in and soft enough to cut.")
    lines.say("If one is off: seat the billet again. Do not move the origin to fit. Then take the pointer out.")
    lines.stop("SEATING: CHECK THREE POINTER PLACES, THEN TAKE THE POINTER OUT")


def decides_skin(toolpaths: Iterable[Toolpath], *, skin_mm: float) -> bool:
    """True when the lowest programmed Z of a section is within SKIN_BAND_MM of the skin plane, or under it."""
    lows = (
        item.bottom_z_mm if isinstance(item, HolePass) else float(item.moves[:, 3].min())
        for path in toolpaths
        for item in path.passes
    )
    return min(lows, default=skin_mm) <= skin_mm + SKIN_BAND_MM + EPS_MM


def write_z_check(lines: Lines, *, setup: Setup, cutter: int, offset: int, form: Format) -> None:
    """The gauge-block check of Z zero and length. The program does not go down by itself: the operator jogs."""
    block = form.length(setup.z.gauge_block_mm)
    lines.say(f"Z ZERO CHECK, spindle off, T{cutter} in the spindle, H{offset} active. The program does not move down.")
    lines.say("Jog over bare bed, clear of billet and blocks. Come down beside the gauge block, never onto it.")
    lines.say(f"At Z {block} on the display a gauge block of {block} {form.units} just slides between bed and tip.")
    lines.say("If it is loose or does not go in: end the program, set the length or Z zero again, start again.")
    lines.say("If jogging in a stop is not possible here: end the program, check in MDI, start again at this section.")
    lines.say("Lift, then take the gauge block away before cycle start.")
    lines.add(f"G43 H{offset}")
    lines.stop(f"Z ZERO: T{cutter} AT Z {block} CLEARS THE GAUGE BLOCK. TAKE THE BLOCK AWAY")


def write_parting(lines: Lines, *, kind: str, cutter: int, offset: int, check_line: int, start_line: int) -> None:
    """Before the first cut that can set a part loose: how is it held, and is the cutter still good?

    `check_line` starts the cutter's section, with its length check; `start_line` is the start before this stop.
    """
    lines.say(f"CHECK BEFORE THE FIRST {kind.upper()}, spindle and coolant off.")
    lines.say("From here on waste and parts hang on the thin skin and on the hold-down. Read the vacuum, clear chips.")
    lines.say(f"Look at the edges of T{cutter}.")
    then = f" Then end the program and start at line {start_line}." if start_line != check_line else ""
    lines.say(
        f"If worn or chipped: end the program, put in a fresh one, set H{offset}. Start at line {check_line}, which "
        f"stops for the length check: a fresh cutter never comes here without it.{then}"
    )
    lines.stop(f"FIRST {kind.upper()}: READ THE VACUUM, CLEAR CHIPS, LOOK AT T{cutter}")


def measured_bores(toolpaths: Iterable[Toolpath]) -> tuple[Operation, ...]:
    """The bores of a section whose note asks for a measurement, in cutting order."""
    operations = (path.operation for path in toolpaths)
    return tuple(o for o in operations if o.kind == "bore" and "measure" in o.note)


def write_measuring(lines: Lines, bores: Sequence[Operation]) -> None:
    """After the last of a section's close bores: measure them while the billet still lies where it was."""
    lines.say("MEASURE THE BORES, spindle and coolant off. Clean them first, do not move the billet.")
    lines.say("If one is outside its limits: decide before going on.")
    lines.say("A tight one can be bored again, by a program made anew with the measured cutter diameter.")
    lines.stop("MEASURE " + ", ".join(f"{o.part_id}/{o.feature_id}" for o in bores))


def start_places(toolpaths: Sequence[Toolpath], setup: Setup) -> frozenset[int]:
    """Indexes of a section's toolpaths that get a whole start block, so that the machine can be started there.

    Where the work comes to another part, and that part is large or the first of its family in the section. The first
    toolpath is left out: the section itself starts there.
    """
    parts = {placed.part_id: placed.part for placed in setup.parts}
    places: set[int] = set()
    seen: set[str] = set()
    before = ""
    for k, path in enumerate(toolpaths):
        operation = path.operation
        part = parts.get(operation.part_id)
        if part is not None and operation.part_id != before and operation.kind not in _NO_STARTS:
            if k > 0 and (part.outline.area_mm2 > LARGE_MM2 or part.family not in seen):
                places.add(k)
            seen.add(part.family)
        before = operation.part_id
    return frozenset(places)
