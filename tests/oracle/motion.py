"""The machine under the reader: where the nose stands, and the motions that a line can ask for.

Position is kept as the machine keeps it: where the spindle nose is. A programmed number means the nose at
`number + origin + G92 + length offset in force`; the tip hangs below the nose by the true length of the cutter that is
really in the spindle. Arcs: NISTIR 6556 (2000), section 3.5.3; cycles: 3.5.16.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from pipeline.model.shop import Crib, Machine
from tests.oracle.events import PLANES, Before, Move, Pause, Point, Reading
from tests.oracle.words import Illegal, whole

MM = {20.0: 25.4, 21.0: 1.0}
MISMATCH = {20.0: 0.0002 * 25.4, 21.0: 0.002}  # of an arc's two radii, section 3.5.3
NOISE_MM = 1e-9
SOMEWHERE_MM = (11.0, 7.0, 3.0)  # the origin of a work system that another job has left in force
AXES = "xyz"
NOT_FOLLOWED = (84.0, 87.0, 88.0)  # tapping, back boring, boring with a manual retract: nothing here needs them
DWELLING = (82.0, 86.0, 89.0)
PECKING = (73.0, 83.0)


@dataclass(slots=True)
class Control:
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


class Mover:
    """Carries motions out and writes them down in `out`. `line` is the line that is being carried out."""

    def __init__(self, machine: Machine, crib: Crib, before: Before) -> None:
        self.machine, self.crib = machine, crib
        own = 20.0 if machine.dialect.units == "in" else 21.0
        low, high, bed = machine.travel_low_mm, machine.travel_high_mm, machine.bed_origin_mm
        nose = [(low[i] + high[i]) / 2 - bed[i] for i in (0, 1)] + [high[2] - bed[2]]
        path = before.path or (64.0 if machine.dialect.path_word == "G64" else 61.0)
        self.s = Control(
            nose, [False, False, False], before.units or own, before.plane, before.distance, before.feed_mode,
            before.comp, before.cycle_return, before.system, path, before.length_mm, list(before.g92), before.feed,
            before.rpm,
        )  # fmt: skip
        self.own_units = own
        self.origins = {54.0: [0.0, 0.0, 0.0]}
        if before.system not in self.origins:
            self.origins[before.system] = list(SOMEWHERE_MM)
        self.out = Reading()
        self.line = 0
        self.parameters: dict[int, float] = {}
        self.moved = False

    def fault(self, words: str) -> None:
        self.out.faults.append((self.line, words))

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
        if code in PECKING and s.sticky.get("q", 0.0) <= 0:
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
            if code in PECKING:
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
