"""Carrying out the blocks of a program one after the other, in the order that the language lays down.

Order inside a line (NISTIR 6556 (2000), section 3.8): comment, feed mode, F, S, T, tool change, spindle, coolant,
overrides, dwell, plane, units, cutter compensation, length offset, work system, path control, distance mode, cycle
return, non-modal codes, motion, stop. The order of the words on the line never matters.
"""

from __future__ import annotations

from pipeline.model.findings import Severity
from pipeline.model.shop import Crib, Machine
from pipeline.model.units import EPS_MM, MM_PER_INCH
from pipeline.verify.compensation import LEFT, RIGHT, Compensation
from pipeline.verify.expressions import MACHINES_OWN, Parameters, TextFault, whole
from pipeline.verify.lexer import Block, g_name
from pipeline.verify.motion import Motion
from pipeline.verify.reading import Stop
from pipeline.verify.record import FindingLog, Record
from pipeline.verify.state import start_state
from pipeline.verify.systems import Systems

_PURE_MOTION = frozenset("XYZIJKRF")
_LENGTHS = frozenset("XYZIJKRQF")
_AXES = frozenset("XYZ")
_AXIS_USERS = frozenset({100, 280, 300, 920})
_SETTERS = ("plane", "units", "cutter compensation", "length offset", "work system", "path control", "distance",
            "cycle return")
_FREE_WORDS = frozenset("XYZFST")
_DWELL_WORDS = frozenset({820, 860, 880, 890})
_NOT_BESIDE = ("units", "length offset", "work system")  # groups that may not change under cutter compensation


class Interpreter:
    """Runs blocks against a state, and writes moves, stops, dwells and findings down."""

    def __init__(self, machine: Machine, crib: Crib) -> None:
        self.machine, self.crib = machine, crib
        self.state = start_state(machine, crib)
        self.record, self.log, self.parameters = Record(), FindingLog(), Parameters()
        self.motion = Motion(self.state, self.record, self.find, self._pause)
        self.systems = Systems(self.state, self.parameters, self.find)
        self.headings: list[tuple[int, str]] = []
        self.units_first = ""
        self._line = 0
        self._words_before_units = False
        self._note = ""
        self._numbers = {cutter.number for cutter in crib.cutters}

    def find(self, code: str, found: str, wanted: str = "", hint: str = "", severity: Severity = "error") -> None:
        """Write a finding down for the line that is being carried out."""
        x, y, z = self.state.tip
        self.log.add(code, self._line, self.state.tool, found, wanted, hint, severity, (x, y, z))

    def forget_note(self) -> None:
        """The machine has moved: the last comment belongs to no stop that is still to come."""
        self._note = ""

    def run(self, block: Block) -> None:
        """Carry one block out. A block with faults is written down as findings and does nothing."""
        self._line = self.motion.line = block.line
        if block.faults:
            for fault in block.faults:
                self.find(fault.code, fault.found, fault.wanted, fault.hint or "the line was not carried out")
            return
        if block.comment:
            self._note = block.message or block.comment
        if block.heading:
            self.headings.append((block.line, block.heading))
        if block.deleted:
            self.find("V614", "a line that a switch can leave out", "one program, whatever the switches say",
                      "it was read with the switch off")
        if block.empty:
            return
        if self.state.ended:
            self.find("V611", "words after M2 or M30", "nothing after the end")
            return
        try:
            self._carry_out(block)
            for index, value in block.settings:
                self.parameters.set(index, value)
                if index >= MACHINES_OWN:
                    self.find("V615", f"#{index}= sets the machine's own data", f"#1 to #{MACHINES_OWN - 1}")
                    self.systems.own_data(index, value)
        except TextFault as fault:
            self.find(fault.code, fault.found, fault.wanted, fault.hint or "the line was not carried out to its end")

    def _carry_out(self, block: Block) -> None:
        g, words, state = block.g, block.words, self.state
        if not state.units and not self._words_before_units and "units" not in g and not _LENGTHS.isdisjoint(words):
            self._words_before_units = True
            self.find("V612", "lengths before G20 or G21", "the units first")
        pure = not block.m and words.keys() <= _PURE_MOTION and (not g or (len(g) == 1 and "motion" in g))
        code = self._motion_of(block)
        self._check_words(block, code)
        n_before = self.record.n
        if pure:
            if "F" in words:
                self._feed_word(words["F"])
        else:
            self._before_motion(block)
        if code is not None:
            self.motion.go(code, words, machine_frame=g.get("non-modal") == 530, explicit="motion" in g)
        elif g.get("motion") == 800:
            state.motion, state.cycle.code = 800, 0
        if not pure and "stop" in block.m:
            self._stop(block.m["stop"])
        if self.record.n > n_before:
            self._note = ""

    def _motion_of(self, block: Block) -> int | None:
        """The motion this block makes, if any."""
        explicit, aside = block.g.get("motion"), block.g.get("non-modal")
        has_axes = not _AXES.isdisjoint(block.words)
        if aside in _AXIS_USERS:
            if explicit not in (None, 800):
                found = f"{g_name(aside or 0)} and {g_name(explicit or 0)}, which both use the axis words"
                raise TextFault("V616", found, "one of them on a line")
            return None
        if explicit not in (None, 800):
            return explicit
        if not has_axes:
            return None
        if explicit == 800 or self.state.motion in (None, 800):
            raise TextFault("V616", "axis words without a motion in force", "G0 to G3 or a cycle")
        return self.state.motion

    def _check_words(self, block: Block, code: int | None) -> None:
        """Every word must be used by something on the line."""
        extra = block.words.keys() - _FREE_WORDS
        if not extra:
            return
        allowed: set[str] = set()
        g = block.g
        users_of_p = 0
        if code in (20, 30):
            allowed.update("R" + self.motion.offset_letters(g.get("plane")))
        elif code is not None and code >= 730:
            allowed.update("RL")
            users_of_p += code in _DWELL_WORDS
            if code in (730, 830):
                allowed.add("Q")
            if code == 870:
                allowed.update("IJK")
        aside = g.get("non-modal")
        users_of_p += aside in (40, 100)
        if aside == 100:
            allowed.add("L")
        if g.get("path control") == 640 and "G64 P" in self.machine.dialect.extensions:
            users_of_p += 1
        if users_of_p:
            allowed.add("P")
        if g.get("length offset") == 430:
            allowed.add("H")
        if g.get("cutter compensation") in (410, 420):
            allowed.add("D")
        for letter in sorted(extra - allowed):
            found = f"{letter}{block.words[letter]:g}" + (", an axis this machine has not" if letter in "ABC" else "")
            if letter == "P" and g.get("path control") == 640:
                raise TextFault("V636", f"{found} with G64, a tolerance this machine's control has not", "G64 alone")
            raise TextFault("V609", found, "words that something on the line uses")
        if users_of_p > 1 and "P" in extra:
            raise TextFault("V609", "P for two things", "one use of a word on a line")

    def _feed_word(self, value: float) -> None:
        if value < 0:
            raise TextFault("V602", f"F{value:g}", "a feed above 0")
        self.state.feed = value if self.state.inverse_time else value * self.state.unit_mm

    def _before_motion(self, block: Block) -> None:
        """All that a line does before it moves, in order."""
        g, m, words, state = block.g, block.m, block.words, self.state
        if "feed mode" in g:
            self.motion.stated.add("feed mode")
            inverse = g["feed mode"] == 930
            if inverse != state.inverse_time:
                state.inverse_time, state.feed = inverse, 0.0
        if "F" in words:
            if "units" in g and g["units"] != {"mm": 210, "in": 200, "": 0}[state.units]:
                self.find("V612", "F on the line that sets the units", "F on a later line", "controls differ there")
            self._feed_word(words["F"])
        if "S" in words:
            if words["S"] < 0:
                raise TextFault("V602", f"S{words['S']:g}", "a speed of 0 or more")
            state.rpm = words["S"]
        if "T" in words:
            self._select(whole(words["T"], "T"))
        if m:
            self._machine_functions(m)
        if g.get("non-modal") == 40:
            self._dwell(words)
        for group in _SETTERS:
            if group in g:
                self.motion.stated.add(group)
                self._set(group, g[group], words)
        aside = g.get("non-modal")
        if aside is not None and aside not in (40, 530):
            self._aside(aside, words)
            if aside in (921, 922):
                self.motion.stated.add("G92")
        if aside == 530 and state.compensation.side:
            raise TextFault("V639", "G53 under cutter compensation", "G40 before")
        if aside == 530 and self._motion_of(block) not in (0, 10):
            raise TextFault("V616", "G53 without G0 or G1 and an axis word", "G53 G0 Z...")

    def _select(self, number: int) -> None:
        if number < 0:
            raise TextFault("V602", f"T{number}", "a cutter's number")
        if number and number not in self._numbers:
            self.find("V623", f"T{number}, which is not in the crib", "cutters of the crib")
        self.state.selected = number

    def _machine_functions(self, m: dict[str, int]) -> None:
        state = self.state
        if "tool change" in m:
            self._change()
        if "spindle" in m:
            turn = {3: 1, 4: -1, 5: 0}[m["spindle"]]
            if turn != state.spindle:
                self.record.halt()
            state.spindle = turn
        if "coolant" in m:
            state.mist = m["coolant"] == 7 or (state.mist and m["coolant"] != 9)
            state.flood = m["coolant"] == 8 or (state.flood and m["coolant"] != 9)
            wanted = self.machine.dialect.coolant_on
            if m["coolant"] != 9 and wanted and f"M{m['coolant']}" != wanted:
                self.find("V636", f"M{m['coolant']}, a coolant this machine has not", wanted)
        if m.get("overrides") == 49:
            self.find("V637", "M49, which takes the feed and speed knobs away", "M48, or nothing",
                      "a first run is made with a hand on the feed knob")

    def _change(self) -> None:
        state = self.state
        if state.compensation.side:
            self.find("V639", "a tool change under cutter compensation", "G40 before M6")
        if state.spindle:
            self.find("V622", "a tool change with the spindle turning", "M5 before M6")
        if state.mist or state.flood:
            self.find("V622", "a tool change with coolant on", "M9 before M6")
        retract = self.machine.dialect.safe_retract
        if state.tool and not state.retracted and any("G53" in line for line in retract):
            self.find("V622", "a tool change away from the safe retract", f"{' and '.join(retract)} before M6")
        if state.selected is None:
            self.find("V623", "M6 without a T since the last change", "T and M6")
            state.selected = state.tool
        before = (state.spindle, int(state.mist or state.flood))
        state.swap(state.selected)
        self._write_stop("M6", *before)

    def _write_stop(self, word: str, spindle: int, coolant: int) -> None:
        self.record.halt()
        self.record.stops.append(Stop(line=self._line, word=word, tool=self.state.tool, message=self._note,
                                      spindle=spindle, coolant=coolant, before_move=self.record.n))

    def _dwell(self, words: dict[str, float]) -> None:
        seconds = words.get("P")
        if seconds is None:
            raise TextFault("V610", "G4 without P", "P in seconds")
        if seconds < 0:
            raise TextFault("V602", f"P{seconds:g}", "a time of 0 or more")
        self.record.dwell(self._line, seconds)

    def _pause(self) -> None:
        """The stop inside a cycle, for the operator to lift the cutter out."""
        self._write_stop("M0", self.state.spindle, int(self.state.mist or self.state.flood))

    def _set(self, group: str, code: int, words: dict[str, float]) -> None:
        """One modal code that moves nothing."""
        state = self.state
        if state.compensation.side and (group in _NOT_BESIDE or (group == "plane" and code != 170)):
            raise TextFault("V639", f"{g_name(code)} under cutter compensation", "G40 before")
        if group == "units":
            self._units("in" if code == 200 else "mm")
        elif group == "plane":
            state.plane = code
        elif group == "distance":
            state.absolute = code == 900
        elif group == "cycle return":
            state.to_start = code == 980
        elif group == "path control":
            self._path(code, words)
        elif group == "cutter compensation":
            self._compensate(code, words)
        elif group == "length offset":
            self.systems.length_offset(code, words)
        elif group == "work system":
            self.systems.select(code)

    def _path(self, code: int, words: dict[str, float]) -> None:
        self.state.path = code
        dialect = self.machine.dialect
        if code != 640:
            return  # exact path is always allowed: it rounds nothing
        if dialect.path_word != "G64":
            self.find("V636", "G64", dialect.path_word, "the tolerance budget counts on it")
        if "P" in words:
            if words["P"] < 0:
                raise TextFault("V602", f"P{words['P']:g}", "a tolerance of 0 or more")
            tolerance = words["P"] * self.state.unit_mm
            if tolerance > dialect.blend_mm + EPS_MM:
                self.find("V636", f"G64 with corners rounded by {tolerance:.4f} mm", f"at most {dialect.blend_mm:g} mm",
                          "the tolerance budget counts on it")

    def _compensate(self, code: int, words: dict[str, float]) -> None:
        """G40, G41 and G42. D names a cutter of the crib, 0 none; without D the one in the spindle counts."""
        state = self.state
        if code == 400:
            state.compensation = Compensation()
            return
        name = g_name(code)
        self.find("V617", f"{name}, cutter compensation", "G40 and computed paths")
        if state.compensation.side:
            raise TextFault("V639", f"{name} while cutter compensation is on", "G40 between")
        if state.plane != 170:
            raise TextFault("V639", f"{name} outside the XY plane", "G17 before")
        number = whole(words["D"], "D") if "D" in words else state.tool
        if number < 0:
            raise TextFault("V602", f"D{number}", "a cutter's number, or 0")
        diameters = {cutter.number: cutter.diameter_mm for cutter in self.crib.cutters}
        if number not in diameters and ("D" not in words or number):
            self.find("V623", f"{name} with the radius of T{number}, which is not in the crib", "cutters of the crib")
        elif number not in (0, state.tool):
            self.find("V639", f"{name} D{number} with T{state.tool} in the spindle", f"D{state.tool}, or no D")
        state.compensation = Compensation(LEFT if code == 410 else RIGHT, diameters.get(number, 0.0) / 2)

    def _units(self, units: str) -> None:
        state = self.state
        if state.units and units != state.units:
            self.find("V612", "a change of units inside the program", "one statement of the units")
        if not self.units_first:
            self.units_first = units
            if units != self.machine.dialect.units:
                self.find("V612", f"a program in {units}", f"{self.machine.dialect.units}, as this machine is set up",
                          "its length offsets are stored in that unit")
        state.units, state.unit_mm = units, MM_PER_INCH if units == "in" else 1.0

    def _aside(self, code: int, words: dict[str, float]) -> None:
        """G10, G28, G30 and the G92 family."""
        if self.state.compensation.side:
            raise TextFault("V639", f"{g_name(code)} under cutter compensation", "G40 before")
        if code in (280, 300):
            self.motion.home(words, "G28" if code == 280 else "G30", self.parameters)
        elif code == 100:
            self.systems.set_origin(words)
        else:
            self.systems.shift(code, words)

    def _stop(self, code: int) -> None:
        state = self.state
        coolant = int(state.mist or state.flood)
        if code in (2, 30):
            # The end also sets many modes back (3.6.1), but nothing runs after it that could see them.
            state.ended = True
            return
        if code == 60:
            self.find("V617", "M60, a pallet change", "M0 or M1")
        if code in (0, 1) and state.spindle:
            self.find("V627", f"M{code} with the spindle turning", "M5 before the stop",
                      "hands may be in the machine")
        self._write_stop("M1" if code == 1 else "M0", state.spindle, coolant)
