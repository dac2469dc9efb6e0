"""What the machine does when it runs a text: moves of the true tip, pauses, and everything illegal or ambiguous.

What a control remembers from the last job is a parameter (`Before`), so that the same text can be run after two
different pasts: a text that then does different things depends on what ran before. Order inside a line: NISTIR 6556
(2000), section 3.8.
"""

from __future__ import annotations

from pipeline.model.shop import Crib, Machine
from tests.oracle.events import PLANES, Before, Reading
from tests.oracle.motion import AXES, DWELLING, MM, PECKING, Mover
from tests.oracle.words import Illegal, Line, read_line, whole


def run(text: str, *, machine: Machine, crib: Crib, before: Before | None = None) -> Reading:
    """Carry the whole text out. Illegal lines are skipped; everything illegal is in the faults."""
    return Runner(machine, crib, before or Before()).program(text)


class Runner(Mover):
    """The lines of a program, one after the other."""

    def program(self, text: str) -> Reading:
        lines = text.split("\n")
        percents, seen = 0, False
        for number, raw in enumerate(lines, 1):
            self.line = number
            raw = raw.removesuffix("\r")
            if not raw.strip():
                continue
            try:
                line = read_line(raw, self.parameters)
            except Illegal as wrong:
                self.fault(str(wrong))
                seen = True
                continue
            if percents == 2:
                self.fault("text after the second %, which some controls run")
                break
            if line.percent:
                percents += 1
                if percents == 1 and seen:
                    self.fault("a % in the middle")
                continue
            seen = True
            try:
                self.carry_out(line)
            except Illegal as wrong:
                self.fault(str(wrong))
        if percents == 1:
            self.fault("one % alone")
        if not self.s.ended:
            self.fault("no M2 or M30: nothing stops the machine")
        return self.out

    # -- one line, in the report's order

    def carry_out(self, line: Line) -> None:
        s, g, m, w = self.s, line.g, line.m, line.words
        if line.optional:
            self.fault("a line that the block delete switch leaves out")
        if line.blank:
            return
        if s.ended:
            self.fault("words after the end")
            return
        axes = any(a in w for a in AXES)
        once = g.get("once")
        code = g.get("motion")
        if once in (10.0, 28.0, 30.0, 92.0):
            if code not in (None, 80.0):
                raise Illegal("two codes that use the axis words")
        elif code is None and axes:
            code = s.motion
            if code is None or code == 80.0:
                raise Illegal("axis words with no motion in force")
        elif code == 80.0 and axes:
            raise Illegal("axis words with G80")
        moving = code if once not in (10.0, 28.0, 30.0, 92.0) and code != 80.0 else None
        self.check_words(w, g, moving)
        if "feed mode" in g:
            if g["feed mode"] != s.feed_mode:
                s.feed = 0.0
            s.feed_mode = g["feed mode"]
        if "f" in w:
            if "units" in g and g["units"] != s.units:
                self.fault("F on the line that changes the units")
            if w["f"] < 0:
                raise Illegal("a negative feed")
            s.feed = w["f"] * (1.0 if s.feed_mode == 93.0 else MM[s.units])
        if "s" in w:
            if w["s"] < 0:
                raise Illegal("a negative speed")
            s.rpm = w["s"]
        if "t" in w:
            s.selected = whole(w["t"], "T")
            if s.selected < 0:
                raise Illegal("a negative T")
        if "change" in m:
            self.change()
        if "spindle" in m:
            s.spin = {3: 1, 4: -1, 5: 0}[m["spindle"]]
        if "coolant" in m:
            s.mist = m["coolant"] == 7 or (s.mist and m["coolant"] == 8)
            s.flood = m["coolant"] == 8 or (s.flood and m["coolant"] == 7)
        if m.get("knobs") == 49:
            self.fault("M49: the operator's feed knob is dead")
        if once == 4.0:
            if w.get("p", -1.0) < 0:
                raise Illegal("G4 without a time")
            self.pause("dwell", w["p"])
        self.modes(g, w)
        if once in (28.0, 30.0):
            self.fault("home positions are not known")
            if axes:
                self.go(True, self.goal(w))
            low = self.machine.bed_origin_mm
            self.go(True, [-low[0], -low[1], -low[2]])
        elif once == 10.0:
            self.fault("G10 overwrites an origin that the shop has set")
            if w.get("l") == 2 and "p" in w:
                origin = self.origins.setdefault(53.0 + whole(w["p"], "P"), [0.0, 0.0, 0.0])
                for i, a in enumerate(AXES):
                    if a in w:
                        origin[i] = w[a] * MM[s.units] - self.machine.bed_origin_mm[i]
        elif once == 92.0:
            if not axes:
                raise Illegal("G92 without an axis word")
            if not all(known for a, known in zip(AXES, s.known, strict=True) if a in w):
                self.fault("G92 counts from a position that is not known")
            for i, a in enumerate(AXES):
                if a in w:
                    s.g92[i] += s.nose[i] - self.zero(i) - w[a] * MM[s.units]
        elif once in (92.1, 92.2):
            s.g92 = [0.0, 0.0, 0.0]
        elif once == 92.3:
            self.fault("G92.3 restores what another job may have left")
        if once == 53.0 and moving not in (0.0, 1.0):
            raise Illegal("G53 without G0 or G1")
        if moving is not None:
            self.move(moving, w, machine_frame=once == 53.0)
            s.motion = moving
        elif code == 80.0:
            s.motion, s.sticky = 80.0, {}
        for index, value in line.settings:
            self.parameters[index] = value
        if "stop" in m:
            if m["stop"] in (2, 30):
                s.ended = True
            elif m["stop"] == 60:
                raise Illegal("M60 on a machine without pallets")
            else:
                self.pause(f"M{m['stop']}", 0.0)
                if m["stop"] == 1:
                    self.fault("M1: a stop that a switch leaves out")

    def check_words(self, w: dict[str, float], g: dict[str, float], moving: float | None) -> None:
        """Words that nothing on the line uses are errors."""
        used = set("xyzfst")
        if moving in (2.0, 3.0):
            used |= set("r" + PLANES[g.get("plane", self.s.plane)][3])
        if moving is not None and moving >= 73.0:
            used |= set("rl") | ({"p"} if moving in DWELLING else {"q"} if moving in PECKING else set())
        if g.get("once") == 4.0:
            used.add("p")
        if g.get("once") == 10.0:
            used |= set("lp")
        if g.get("length") == 43.0:
            used.add("h")
        if g.get("comp") in (41.0, 42.0):
            used.add("d")
        for letter in w.keys() - used:
            raise Illegal(f"{letter.upper()} with nothing on the line to use it")

    def modes(self, g: dict[str, float], w: dict[str, float]) -> None:
        s = self.s
        s.plane = g.get("plane", s.plane)
        if "units" in g:
            if g["units"] != self.own_units:
                self.fault("a unit that the tool table is not in (section 3.5.7)")
            if s.units_said and g["units"] != s.units:
                self.fault("units changed on the way")
            s.units, s.units_said = g["units"], True
        s.comp = g.get("comp", s.comp)
        if g.get("length") == 49.0:
            s.offset_mm, s.offset_tool = 0.0, 0
        elif g.get("length") == 43.0:
            if "h" not in w:
                raise Illegal("G43 without H")
            self.length_offset(whole(w["h"], "H"))
        if "system" in g:
            s.system = g["system"]
            if s.system not in self.origins:
                self.fault(f"G{s.system:g}, whose origin nobody has set")
        s.path = g.get("path", s.path)
        s.distance = g.get("distance", s.distance)
        s.cycle_return = g.get("return", s.cycle_return)

    def length_offset(self, number: int) -> None:
        s, table = self.s, self.machine.dialect.length_offsets
        s.offset_mm, s.offset_tool = 0.0, 0
        for cutter in self.crib.cutters:
            if table.get(cutter.number, cutter.number) == number:
                s.offset_mm, s.offset_tool = cutter.stickout_mm, cutter.number
        if number and not s.offset_tool:
            self.fault(f"H{number} is empty")

    def change(self) -> None:
        s = self.s
        if s.selected is None:
            self.fault("M6 with no T before it")
        self.pause("M6", 0.0)
        s.tool = s.selected or 0
        s.true_length, s.spin, s.selected = 0.0, 0, None
        for cutter in self.crib.cutters:
            if cutter.number == s.tool:
                s.true_length = cutter.stickout_mm
                break
        else:
            self.fault(f"T{s.tool} is not in the crib")
