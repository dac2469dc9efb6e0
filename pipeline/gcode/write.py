"""Plan -> program text: one self-contained section per cutter.

A section can be started at the machine on its own. In order: coolant and spindle off, the machine file's own safe
retract, all modes, the cutter, its checks, then a *start block*: the retract and all modes again (the operator may have
jogged), spindle and spin-up, X and Y at the retract height, the length offset together with the first Z, coolant. Then
the passes and the way back. X and Y never move before Z is known to be high (NISTIR 6556 leaves coordinates after G49
to the reader). Inside a section a start block stands after every stop and where a long section can be started again.

The first cutter, every one put in by hand, and every other that comes near the skin, stops for a gauge-block check
before its spindle turns.
One M word per line throughout: some controls take no more.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace

from pipeline.errors import Bug, PlanError
from pipeline.gcode.comments import Lines, plain, with_status
from pipeline.gcode.header import length_offset, sort_of, write_header
from pipeline.gcode.motion import EXACT, Cursor
from pipeline.gcode.pockets import Load, plan_pockets
from pipeline.gcode.stops import (
    PARTING,
    decides_skin,
    measured_bores,
    start_places,
    write_measuring,
    write_parting,
    write_seating,
    write_z_check,
)
from pipeline.gcode.words import Format, fixed
from pipeline.model.program import LineRange, Program, Section, Start
from pipeline.model.setup import Setup
from pipeline.model.shop import Crib, Machine, Material
from pipeline.model.toolpath import Operation, PathPass, Plan, Toolpath


def write_program(
    plan: Plan,
    setup: Setup,
    *,
    job_name: str,
    job_digest: str,
    crib: Crib,
    machine: Machine,
    material: Material,
    status: str,
    serial: str = "",
) -> Program:
    """The program of one setup for one machine. Numbers are the setup frame's (G54), in the machine's unit.

    `status` is one line about what was checked, shown at the top and at every section. Raises PlanError when the
    machine file lacks what a program needs or the plan is empty, Bug when a toolpath breaks a promise.
    """
    if not plan.toolpaths:
        raise PlanError(where=setup.name, found="a plan without toolpaths", wanted="something to cut")
    writer = _Writer(plan=plan, setup=setup, crib=crib, machine=machine, status=status)
    write_header(
        writer.lines,
        plan=plan,
        setup=setup,
        job_name=job_name,
        job_digest=job_digest,
        serial=serial,
        crib=crib,
        machine=machine,
        material=material,
        status=status,
        form=writer.form,
        loads=writer.first_loads(),
    )
    writer.opening()
    sections, index = writer.sections()
    writer.closing()
    return Program(
        file=file_name(job_name, setup.name),
        setup=setup.name,
        text=writer.lines.text(),
        sections=sections,
        index=index,
        starts=tuple(writer.starts),
    )


def mark_status(program: Program, status: str) -> Program:
    """The same program with another status in its header and at the start of every section.

    No line moves, so the index stays right. Raises Bug when the text does not carry its status lines.
    """
    text, found = with_status(program.text, status)
    if found != len(program.sections) + 1:
        raise Bug(f"{program.file}: found {found} status lines, wanted {len(program.sections) + 1}")
    return replace(program, text=text)


def file_name(job_name: str, setup_name: str) -> str:
    """`grafting-pair-setup-1.ngc`: lower case, digits and dashes only."""
    stem = re.sub(r"[^a-z0-9]+", "-", plain(f"{job_name}-{setup_name}").lower()).strip("-")
    return f"{stem}.ngc"


@dataclass(frozen=True, slots=True)
class _Run:
    """The toolpaths of one section."""

    cutter: int
    toolpaths: tuple[Toolpath, ...]


class _Writer:
    def __init__(self, *, plan: Plan, setup: Setup, crib: Crib, machine: Machine, status: str):
        self._setup, self._crib, self._machine, self._status = setup, crib, machine, status
        self._dialect = machine.dialect
        self._is_unfinished = any(left.setup == setup.name for left in plan.not_cut)
        if not self._dialect.safe_retract:
            raise PlanError(
                where=f"machine {machine.name}, dialect",
                found="no lines for a safe retract",
                wanted="lines that lift the tool whatever the offsets say, such as G53 G0 Z0",
                hint="without them no section could be started safely",
            )
        self.form = Format.of(self._dialect, machine=machine.name)
        self.lines = Lines(numbered=self._dialect.line_numbers)
        self._cursor = Cursor(self.lines, form=self.form, dialect=self._dialect, clearance_mm=setup.z.clearance_mm)
        grouped = itertools.groupby(plan.toolpaths, key=lambda path: path.operation.cutter)
        self._runs = tuple(_Run(cutter, tuple(paths)) for cutter, paths in grouped)
        self._loads: tuple[Load, ...] = ()
        self._parted: set[str] = set()  # kinds of parting cut whose stop has been written
        self.starts: list[Start] = []
        self._section_line = 0  # where the section that is being written can be started
        if self._dialect.tool_change == "changer":
            if self._dialect.pockets < 1:
                where = f"machine {machine.name}, dialect"
                raise PlanError(where=where, found="a changer without pockets", wanted="at least 1 pocket")
            self._loads = plan_pockets([run.cutter for run in self._runs], self._dialect.pockets)

    def first_loads(self) -> dict[int, Load]:
        """Each cutter's first pocket, in order of use."""
        loads: dict[int, Load] = {}
        for run, load in zip(self._runs, self._loads, strict=False):
            loads.setdefault(run.cutter, load)
        return loads

    def opening(self) -> None:
        """Everything off and up, all modes stated, and the stop for the seating."""
        self._all_off()
        write_seating(self.lines, setup=self._setup, form=self.form)

    def sections(self) -> tuple[tuple[Section, ...], tuple[LineRange, ...]]:
        """Write all sections. Returns where they and their passes stand."""
        sections: list[Section] = []
        index: list[LineRange] = []
        for k, run in enumerate(self._runs):
            first = self.lines.next_line
            self._start(k, run)
            index += self._cut(run)
            self._finish(run)
            sections.append(Section(cutter=run.cutter, first_line=first, last_line=self.lines.next_line - 1))
        return tuple(sections), tuple(index)

    def closing(self) -> None:
        """Offset off, end of program. The end of program does not cancel a length offset by itself."""
        if self._is_unfinished:
            self.lines.say("WORK IS LEFT IN THIS SEATING, see the packet. Do not move the billet.")
            self.lines.say("Vacuum and clamps stay on.")
        self.lines.say("end of program")
        self.lines.add("G49")
        self.lines.add("M30")

    def _unit_word(self) -> str:
        return "G20" if self.form.units == "in" else "G21"

    def _modes(self) -> None:
        self.lines.add(f"{self._unit_word()} G17 G90 G94")
        self.lines.add("G40 G49 G80")
        self.lines.add(f"G54 G98 {EXACT}")

    def _retract(self) -> None:
        """The machine's own way up, then all modes again: the retract lines may have used others."""
        for line in self._dialect.safe_retract:
            self.lines.add(line)
        self._modes()

    def _lift(self) -> None:
        """Up from anywhere, whatever modes are in force."""
        # So that the retract lines are read in the right unit and nothing shifts or bends them. Not G49 yet: some
        # controls move when a length offset is cancelled, and the tool may still be low.
        self.lines.add(f"{self._unit_word()} G90 G40 G80")
        self.lines.add("G92.1")
        self._retract()

    def _all_off(self) -> None:
        self.lines.add("M9")
        self.lines.add("M5")
        self._lift()

    def _note_start(self, path: Toolpath) -> None:
        """The next line of words is one to start at."""
        operation = path.operation
        words = f"T{operation.cutter}, {operation.part_id}/{operation.feature_id}"
        self.starts.append(Start(line=self.lines.next_line, words=words))

    def _start(self, k: int, run: _Run) -> None:
        lines, cutter = self.lines, self._crib.cutter(run.cutter)
        offset = length_offset(self._machine, run.cutter)
        first = run.toolpaths[0]
        lines.say(f"T{run.cutter} H{offset}, {sort_of(cutter, self.form)}, {cutter.name}")
        lines.status(self._status)
        self._note_start(first)
        self._section_line = self.starts[-1].line
        self._all_off()
        self._stop_for_cutter(k, run.cutter, offset)
        lines.add(f"T{run.cutter} M6")
        by_hand = self._dialect.tool_change != "changer"  # a length that was just typed in
        if k == 0 or by_hand or decides_skin(run.toolpaths, skin_mm=self._setup.z.skin_mm):
            write_z_check(lines, setup=self._setup, cutter=run.cutter, offset=offset, form=self.form)
        if self._is_parting(first):
            self._stop_for_parting(first)
        self._start_block(first)

    def _start_block(self, path: Toolpath) -> None:
        """From any state, with the cutter in the spindle, to over the first place of a toolpath, ready to cut."""
        self._cursor.forget()
        self._lift()  # a change or a stop may have moved the machine
        self._spin(path.operation.spindle_rpm)
        self._cursor.over(*_first_place(path))
        self._cursor.down_to_safe(self._setup.z.safe_mm, offset=length_offset(self._machine, path.operation.cutter))
        if self._dialect.coolant_on:
            self.lines.add(self._dialect.coolant_on)

    def _is_parting(self, path: Toolpath) -> bool:
        return path.operation.kind in PARTING and path.operation.kind not in self._parted

    def _stop_for_parting(self, path: Toolpath) -> None:
        kind, cutter = path.operation.kind, path.operation.cutter
        self._parted.add(kind)
        write_parting(
            self.lines,
            kind=kind,
            cutter=cutter,
            offset=length_offset(self._machine, cutter),
            check_line=self._section_line,
            start_line=self.starts[-1].line,
        )

    def _stop_for_cutter(self, k: int, number: int, offset: int) -> None:
        cutter, form = self._crib.cutter(number), self.form
        sort = f"{cutter.kind.value} {form.length(cutter.diameter_mm)} {form.units}".upper()
        wanted = f"T{number}, {sort}, LENGTH IN H{offset}"
        if self._dialect.tool_change != "changer":
            self.lines.stop(f"LOAD {wanted}")
        elif (load := self._loads[k]).replaces is not None:
            self.lines.stop(f"POCKET {load.pocket}: TAKE OUT T{load.replaces}, PUT IN {wanted}")

    def _spin(self, rpm: float) -> None:
        if not rpm > 0:
            raise Bug(f"a spindle speed of {rpm}")
        self.lines.add(f"S{fixed(rpm, 0)} M3")
        if self._dialect.spin_up_s > 0:
            self.lines.add(f"G4 P{fixed(self._dialect.spin_up_s, 1)}")

    def _cut(self, run: _Run) -> list[LineRange]:
        index: list[LineRange] = []
        rpm = run.toolpaths[0].operation.spindle_rpm
        measured = measured_bores(run.toolpaths)
        starts = start_places(run.toolpaths, self._setup)
        for k, path in enumerate(run.toolpaths):
            operation = path.operation
            if k > 0:
                to_measure = measured if run.toolpaths[k - 1].operation in measured[-1:] else ()
                if to_measure or k in starts or self._is_parting(path):
                    self._start_again(path, to_measure)
                    rpm = operation.spindle_rpm
            height = f"Z {self.form.length(operation.top_z_mm)} to {self.form.length(operation.bottom_z_mm)}"
            self.lines.say(f"{operation.id}, T{operation.cutter}, {height}")
            if operation.spindle_rpm != rpm:
                rpm = operation.spindle_rpm
                self._spin(rpm)
            self._cursor.restate_feed()
            for item in path.passes:
                first = self.lines.next_line
                if isinstance(item, PathPass):
                    self._cursor.path(item)
                else:
                    self._cursor.hole(item)
                last = self.lines.next_line - 1
                if last < first:
                    raise Bug(f"{item.id}: a pass that moves nothing")
                index.append(LineRange(operation_id=operation.id, pass_id=item.id, first_line=first, last_line=last))
        return index

    def _start_again(self, path: Toolpath, to_measure: Sequence[Operation]) -> None:
        """A start block inside a section, after the stops that are due there."""
        self._cursor.up_to_safe(self._setup.z.safe_mm)
        operation = path.operation
        self.lines.say(f"START with T{operation.cutter} in the spindle, {operation.part_id}/{operation.feature_id}")
        self._note_start(path)
        is_parting = self._is_parting(path)
        if to_measure or is_parting:
            self._all_off()
        if to_measure:
            write_measuring(self.lines, to_measure)
        if is_parting:
            self._stop_for_parting(path)
        self._start_block(path)

    def _finish(self, run: _Run) -> None:
        self._cursor.up_to_safe(self._setup.z.safe_mm)
        self.lines.add("M9")
        self.lines.add("M5")
        for line in self._dialect.safe_retract:
            self.lines.add(line)
        measured = measured_bores(run.toolpaths)
        if run.toolpaths[-1].operation in measured[-1:]:
            write_measuring(self.lines, measured)
            self._lift()  # the operator may have jogged


def _first_place(path: Toolpath) -> tuple[float, float]:
    """Where the first pass of a toolpath starts in X and Y, mm."""
    if not path.passes:
        raise Bug(f"{path.operation.id}: a toolpath without passes")
    first = path.passes[0]
    if isinstance(first, PathPass):
        return float(first.moves[0, 1]), float(first.moves[0, 2])
    return first.x_mm, first.y_mm
