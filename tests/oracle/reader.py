"""What the machine does when it runs a text: moves of the true tip, pauses, and everything illegal or ambiguous.

Position is kept as the machine keeps it: where the spindle nose is. A programmed number means the nose at
`number + origin + G92 + length offset in force`; the tip hangs below the nose by the true length of the cutter that is
really in the spindle. What a control remembers from the last job is a parameter (`Before`), so that the same text can
be run after two different pasts: a text that then does different things depends on what ran before.

Order inside a line: NISTIR 6556 (2000), section 3.8. Arcs: 3.5.3. Cycles: 3.5.16.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from pipeline.model.shop import Crib, Machine
from tests.oracle.words import Illegal, Line, read_line, whole

MM = {20.0: 25.4, 21.0: 1.0}
MISMATCH = {20.0: 0.0002 * 25.4, 21.0: 0.002}  # of an arc's two radii, section 3.5.3
NOISE_MM = 1e-9
PLANES = {17.0: (0, 1, 2, "ij"), 18.0: (2, 0, 1, "ki"), 19.0: (1, 2, 0, "jk")}  # two axes of the plane, its normal
AXES = "xyz"
NOT_FOLLOWED = (84.0, 87.0, 88.0)  # tapping, back boring, boring with a manual retract: nothing here needs them
DWELLING = (82.0, 86.0, 89.0)
Point = tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class Before:
    """What the last job left in the control."""

    units: float = 0.0  # 0: the machine's own
    plane: float = 17.0
    distance: float = 90.0
    feed_mode: float = 94.0
    comp: float = 40.0
    cycle_return: float = 98.0
    system: float = 54.0
    path: float = 0.0  # 0: the machine's own
    length_mm: float = 0.0
    g92: Point = (0.0, 0.0, 0.0)
    feed: float = 0.0
    rpm: float = 0.0


@dataclass(frozen=True, slots=True)
class Move:
    """One motion of the tip, mm. An arc turns by `turn` (signed, seen from the positive end of its normal)."""

    line: int
    rapid: bool
    start: Point
    end: Point
    sure: bool  # the start is known
    feed: float
    rpm: float
    spin: int  # 1 clockwise, -1 the other way, 0 standing
    coolant: bool
    tool: int
    offset_tool: int  # the cutter whose length offset is in force
    path: float
    cycle: bool = False
    plane: float = 17.0
    centre: tuple[float, float] = (0.0, 0.0)
    turn: float = 0.0

    @property
    def length(self) -> float:
        if not self.turn:
            return math.dist(self.start, self.end)
        a, b, c, _ = PLANES[self.plane]
        radius = math.dist((self.start[a], self.start[b]), self.centre)
        return math.hypot(radius * self.turn, self.end[c] - self.start[c])


@dataclass(frozen=True, slots=True)
class Pause:
    """A dwell, a stop or a change of the cutter: `what` is dwell, M0, M1 or M6. State is that before it."""

    line: int
    what: str
    seconds: float
    tip: Point
    nose_z: float
    retracted: bool  # the nose stands where the last machine-frame rapid in Z put it
    spin: int
    coolant: bool
    tool: int


@dataclass(slots=True)
class Reading:
    """Moves and pauses in order, and what is wrong with the text itself: (line, words)."""

    events: list[Move | Pause] = field(default_factory=list)
    faults: list[tuple[int, str]] = field(default_factory=list)

    @property
    def moves(self) -> list[Move]:
        return [e for e in self.events if isinstance(e, Move)]


@dataclass(slots=True)
class _Control:
    """All that a line leaves for the next."""

    nose: list[float]
    known: list[bool]
    units: float
    plane: float
    distance: float
    feed_mode: float
    comp: float
    cycle_return: float
    system: float
    path: float
    offset_mm: float
    g92: list[float]
    feed: float
    rpm: float
    offset_tool: int = 0
    tool: int = 0
    true_length: float = 0.0
    selected: int | None = None
    spin: int = 0
    mist: bool = False
    flood: bool = False
    motion: float | None = None
    sticky: dict[str, float] = field(default_factory=dict)
    retracted: bool = False
    units_said: bool = False
    ended: bool = False


def run(text: str, *, machine: Machine, crib: Crib, before: Before | None = None) -> Reading:
    """Carry the whole text out. Illegal lines are skipped; everything illegal is in the faults."""
    return _Runner(machine, crib, before or Before()).program(text)


class _Runner:
    def __init__(self, machine: Machine, crib: Crib, before: Before) -> None:
        self.machine, self.crib = machine, crib
        own = 20.0 if machine.dialect.units == "in" else 21.0
        low, high, bed = machine.travel_low_mm, machine.travel_high_mm, machine.bed_origin_mm
        nose = [(low[i] + high[i]) / 2 - bed[i] for i in (0, 1)] + [high[2] - bed[2]]
        path = before.path or (64.0 if machine.dialect.path_word == "G64" else 61.0)
        self.s = _Control(
            nose, [False, False, False], before.units or own, before.plane, before.distance, before.feed_mode,
            before.comp, before.cycle_return, before.system, path, before.length_mm, list(before.g92), before.feed,
            before.rpm,
        )  # fmt: skip
        self.own_units = own
        self.origins = {54.0: [0.0, 0.0, 0.0]}
        self.out = Reading()
        self.line = 0
        self.parameters: dict[int, float] = {}
        self.moved = False

    def fault(self, words: str) -> None:
        self.out.faults.append((self.line, words))

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
            used |= set("rlpq")
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

    # -- places

    def tip(self) -> Point:
        s = self.s
        return s.nose[0], s.nose[1], s.nose[2] - s.true_length

    def zero(self, axis: int) -> float:
        """Where the nose stands when the axis reads 0."""
        s = self.s
        origin = self.origins.get(s.system, [0.0, 0.0, 0.0])[axis]
        return origin + s.g92[axis] + (s.offset_mm if axis == 2 else 0.0)

    def goal(self, w: dict[str, float]) -> list[float]:
        """Nose, from the axis words."""
        s = self.s
        goal = list(s.nose)
        for i, a in enumerate(AXES):
            if a not in w:
                continue
            if s.distance == 91.0:
                if not s.known[i]:
                    self.fault(f"a step in {a.upper()} from a place that is not known")
                goal[i] += w[a] * MM[s.units]
            else:
                goal[i] = self.zero(i) + w[a] * MM[s.units]
                s.known[i] = True
        return goal

    def pause(self, what: str, seconds: float) -> None:
        s = self.s
        self.out.events.append(
            Pause(self.line, what, seconds, self.tip(), s.nose[2], s.retracted, s.spin, s.mist or s.flood, s.tool)
        )

    def go(self, rapid: bool, nose: list[float], feed: float = 0.0, centre: tuple[float, float] = (0.0, 0.0),
           turn: float = 0.0, cycle: bool = False, sure: bool | None = None) -> None:
        s = self.s
        start = self.tip()
        if not turn and math.dist(s.nose, nose) < NOISE_MM:
            return
        was_sure = all(s.known) if sure is None else sure
        s.nose = list(nose)
        self.out.events.append(
            Move(self.line, rapid, start, self.tip(), was_sure, feed, s.rpm, s.spin, s.mist or s.flood, s.tool,
                 s.offset_tool, s.path, cycle, s.plane, centre, turn)
        )  # fmt: skip
        self.moved = True

    # -- motion

    def move(self, code: float, w: dict[str, float], *, machine_frame: bool) -> None:
        s = self.s
        if code == 38.2:
            raise Illegal("probing in a cutting program")
        if s.comp != 40.0 and not machine_frame:
            self.fault("cutter compensation with a radius that only the control knows")
        was = list(s.known)
        if machine_frame:
            if s.distance == 91.0:
                self.fault("G53 under G91, which controls read in different ways")
            if s.comp != 40.0:
                raise Illegal("G53 with compensation on")
            goal = list(s.nose)
            for i, a in enumerate(AXES):
                if a in w:
                    goal[i] = w[a] * MM[s.units] - self.machine.bed_origin_mm[i]
                    s.known[i] = True
            if not self.moved and (code != 0.0 or "x" in w or "y" in w):
                self.fault("a first move that is not straight up in the machine frame")
            self.go(code == 0.0, goal, self.feed(w, math.dist(s.nose, goal)) if code == 1.0 else 0.0, sure=all(was))
            self.moved = True
            if "z" in w:
                s.retracted = code == 0.0
            return
        if not any(a in w for a in AXES):
            raise Illegal("a motion without an axis word")
        if not self.moved:
            self.fault("a first move that is not straight up in the machine frame")
        if code >= 73.0:
            self.cycle(code, w)
        elif code in (0.0, 1.0):
            goal = self.goal(w)
            if code == 1.0 and not all(was):
                self.fault("a feed move from a place that is not known")
            self.go(code == 0.0, goal, self.feed(w, math.dist(s.nose, goal)) if code == 1.0 else 0.0, sure=all(was))
        else:
            self.arc(code, w, was)
        if code < 73.0:
            s.sticky = {}
        if "z" in w or code >= 73.0:
            s.retracted = False

    def feed(self, w: dict[str, float], length: float) -> float:
        s = self.s
        if s.feed_mode == 93.0:
            if "f" not in w:
                raise Illegal("a feed move under G93 without F")
            return s.feed * length
        if s.feed <= 0:
            raise Illegal("a feed move with no feed")
        return s.feed

    def arc(self, code: float, w: dict[str, float], was: list[bool]) -> None:
        s = self.s
        a, b, c, letters = PLANES[s.plane]
        if AXES[a] not in w and AXES[b] not in w:
            raise Illegal("an arc with no end in its plane")
        if not all(was):
            self.fault("an arc from a place that is not known")
        goal = self.goal(w)
        start, end = (s.nose[a], s.nose[b]), (goal[a], goal[b])
        offsets = [letter in w for letter in letters]
        if "r" in w and any(offsets):
            raise Illegal("an arc with R and with offsets")
        ccw = code == 3.0
        if "r" in w:
            centre = self.by_radius(start, end, w["r"] * MM[s.units], ccw)
        elif any(offsets):
            centre = (start[0] + w.get(letters[0], 0.0) * MM[s.units], start[1] + w.get(letters[1], 0.0) * MM[s.units])
        else:
            raise Illegal("an arc with neither R nor offsets")
        first, last = math.dist(start, centre), math.dist(end, centre)
        if first < NOISE_MM or last < NOISE_MM or abs(first - last) > MISMATCH[s.units] + NOISE_MM:
            raise Illegal(f"an arc whose radii differ by {abs(first - last):.4f} mm")
        angle = math.atan2(end[1] - centre[1], end[0] - centre[0]) - math.atan2(
            start[1] - centre[1], start[0] - centre[0])
        angle = angle % (2 * math.pi) if ccw else -(-angle % (2 * math.pi))
        if math.dist(start, end) < NOISE_MM:
            angle = 2 * math.pi if ccw else -2 * math.pi
        if "r" in w and (165 < abs(math.degrees(angle)) < 195 or abs(math.degrees(angle)) > 345):
            self.fault("an R arc near a half or a full turn: its centre hangs on the last digit (section 3.5.3)")
        length = math.hypot(first * angle, goal[c] - s.nose[c])
        if self.machine.dialect.longest_arc_rad < abs(angle) - math.radians(1.5):
            self.fault(f"an arc of {abs(math.degrees(angle)):.0f} degrees, longer than this control takes")
        if c == 2:
            centre_nose = centre
        else:
            centre_nose = (centre[0] - s.true_length, centre[1]) if a == 2 else (centre[0], centre[1] - s.true_length)
        self.go(False, goal, self.feed(w, length), centre_nose, angle, sure=all(was))

    def by_radius(self, start: tuple[float, float], end: tuple[float, float], radius: float,
                  ccw: bool) -> tuple[float, float]:
        chord = math.dist(start, end)
        if chord < NOISE_MM or radius == 0:
            raise Illegal("an R arc that ends where it begins")
        if chord / 2 > abs(radius) + MISMATCH[self.s.units]:
            raise Illegal("an R arc that cannot reach its end")
        h = math.sqrt(max(0.0, radius * radius - chord * chord / 4))
        left = (-(end[1] - start[1]) / chord, (end[0] - start[0]) / chord)
        side = 1.0 if ccw == (radius > 0) else -1.0  # short way counter-clockwise: the centre is on the left
        middle = ((start[0] + end[0]) / 2, (start[1] + end[1]) / 2)
        return middle[0] + side * h * left[0], middle[1] + side * h * left[1]

    def cycle(self, code: float, w: dict[str, float]) -> None:
        s = self.s
        name = f"G{code:g}"
        if name not in self.machine.dialect.canned_cycles:
            self.fault(f"{name}, which this control has not")
        if code in NOT_FOLLOWED:
            raise Illegal(f"{name}, whose motion is not followed here")
        if s.feed_mode == 93.0:
            raise Illegal("a cycle under G93")
        if s.sticky.get("code") != code:
            s.sticky = {"code": code, "return": s.cycle_return, "distance": s.distance}
        elif s.sticky["return"] == 99.0 and s.cycle_return == 98.0:
            self.fault("G98 after G99 in one series, which controls read in different ways")
        a, b, c, _ = PLANES[s.plane]
        if AXES[c] not in w and s.sticky["distance"] != s.distance:
            self.fault("a depth kept across G90 and G91")
        s.sticky["return"], s.sticky["distance"] = s.cycle_return, s.distance
        for letter in (AXES[c], "r", "p", "q"):
            if letter in w:
                s.sticky[letter] = w[letter]
        if AXES[c] not in s.sticky or "r" not in s.sticky:
            raise Illegal("a cycle without its depth or its R")
        if code in DWELLING and s.sticky.get("p", -1.0) < 0:
            raise Illegal("a dwelling cycle without P")
        if code in (73.0, 83.0) and s.sticky.get("q", 0.0) <= 0:
            raise Illegal("a pecking cycle without Q above 0")
        times = whole(w.get("l", 1.0), "L")
        if times < 1:
            raise Illegal("L below 1")
        unit = MM[s.units]
        if s.distance == 90.0:
            clear = self.zero(c) + s.sticky["r"] * unit
            bottom = self.zero(c) + s.sticky[AXES[c]] * unit
        else:
            clear = s.nose[c] + s.sticky["r"] * unit
            bottom = clear + s.sticky[AXES[c]] * unit
        if clear < bottom - NOISE_MM:
            raise Illegal("R below the bottom of the hole")
        if not (s.known[a] and s.known[b] and s.known[c]) and not (s.known[c] and AXES[a] in w and AXES[b] in w):
            self.fault("a cycle from a place that is not known")
        old = s.nose[c]
        back = max(clear, old) if s.cycle_return == 98.0 else clear
        feed = self.feed(w, 0.0)
        plane_words = {key: value for key, value in w.items() if key in (AXES[a], AXES[b])}

        def to(height: float, rapid: bool = True) -> None:
            goal = list(s.nose)
            goal[c] = height
            self.go(rapid, goal, 0.0 if rapid else feed, cycle=True)

        s.known[c] = True
        if old < clear:
            to(clear)
        for turn in range(times):
            goal = self.goal(plane_words) if turn == 0 or s.distance == 91.0 else list(s.nose)
            goal[c] = s.nose[c]
            self.go(True, goal, cycle=True)
            to(clear)
            if code in (73.0, 83.0):
                depth, peck = clear - s.sticky["q"] * unit, s.sticky["q"] * unit
                if (clear - bottom) / peck > 5000:
                    raise Illegal("more pecks than a hole can want")
                while depth > bottom + NOISE_MM:
                    to(depth, False)
                    if code == 83.0:
                        to(back)
                    to(min(depth + self.machine.dialect.peck_backoff_mm, back))
                    depth -= peck
            to(bottom, False)
            if code in DWELLING:
                self.pause("dwell", s.sticky["p"])
            turning = s.spin
            if code == 86.0:
                s.spin = 0
            to(back, code not in (85.0, 89.0))
            s.spin = turning
