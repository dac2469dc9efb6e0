"""Motions of the language: straight lines, arcs, machine-frame moves, homes and canned cycles, as rows of true tip
positions. Rules: NISTIR 6556 (2000), sections 3.5.1 to 3.5.3, 3.5.8, 3.5.12, 3.5.16 and 3.5.19."""

from __future__ import annotations

import math
from collections.abc import Callable

from pipeline.model.units import EPS_MM
from pipeline.verify.arcs import (
    OFFSET_LETTERS,
    PLANE_AXES,
    SHORT_ARC_MM,
    centre_of_radius,
    check_radii,
    chords,
    sweep,
)
from pipeline.verify.cycles import NOT_CHECKED, Holes, Point, Step, remember, steps
from pipeline.verify.expressions import TextFault
from pipeline.verify.lexer import g_name
from pipeline.verify.reading import ARC_CCW, ARC_CW, LINE, RAPID
from pipeline.verify.record import Record
from pipeline.verify.state import State

_NEEDED = ("units", "distance", "plane", "cutter compensation", "work system")
_RISKY_RADIUS_ARCS = ((165.0, 195.0), (345.0, 360.0))  # degrees, NISTIR 6556 section 3.5.3.1


class Motion:
    """Moves the state's tip and writes the rows. `find` takes a finding; `stated` holds the modal groups stated."""

    def __init__(self, state: State, record: Record, find: Callable[..., None]) -> None:
        self.state, self.record, self.find = state, record, find
        self.stated: set[str] = set()
        self.line = 0
        self.exact_stops: list[int] = []
        self._turning = 0
        bed_z = state.machine.bed_origin_mm[2]
        self._nose_low_mm = state.machine.travel_low_mm[2] - bed_z - EPS_MM  # spindle nose in the bed frame
        self._nose_high_mm = state.machine.travel_high_mm[2] - bed_z + EPS_MM
        self._checked_modes = self._checked_feed_modes = self._checked_first = False

    def offset_letters(self, plane_on_line: int | None) -> str:
        """Letters of the arc offsets in the plane that will be in force when the line moves."""
        return OFFSET_LETTERS[plane_on_line or self.state.plane]

    def go(self, code: int, words: dict[str, float], *, machine_frame: bool, explicit: bool) -> None:
        """Make the motion `code` (G code times ten) with the line's words."""
        state = self.state
        if code == 382:
            raise TextFault("V617", "G38.2, probing", "no probing in a cutting program")
        if code < 730:
            if not ("X" in words or "Y" in words or "Z" in words):
                raise TextFault("V610", f"{g_name(code)} without an axis word", "at least one of X Y Z")
            state.cycle.code = 0
            if machine_frame:
                self._in_machine_frame(code, words)
            elif code <= 10:
                self._straight(code, words)
            else:
                self._arc(code, words)
        else:
            self._cycle(code, words)
        state.motion = code

    def home(self, words: dict[str, float], name: str) -> None:
        """G28 and G30: by way of the programmed point, then straight to machine zero in all axes."""
        state = self.state
        self.find("V625", f"{name}, whose home is not known here", "G53 moves",
                  "machine zero in all axes was assumed; many controls move only the named axes")
        if not words.keys().isdisjoint("XYZ"):
            self._row(RAPID, self._target(words))
        self._checked_first = True
        self._row(RAPID, (state.machine_tip(0, 0.0), state.machine_tip(1, 0.0), state.machine_tip(2, 0.0)))
        state.known, state.retracted = [True, True, True], True

    def _in_machine_frame(self, code: int, words: dict[str, float]) -> None:
        state = self.state
        if not state.absolute:
            self.find("V625", "G53 under G91", "G53 under G90", "controls differ there: some ignore the G53")
        tip = list(state.tip)
        for axis, letter in enumerate("XYZ"):
            if letter in words:
                tip[axis] = state.machine_tip(axis, words[letter] * state.unit_mm)
                state.known[axis] = True
        if not self._checked_first and code == 0 and words.keys().isdisjoint("XY"):
            self._checked_first = True
        self._check_first()
        end = (tip[0], tip[1], tip[2])
        if code == 10:
            self._check_feed_move()
            self._row(LINE, end, feed=self._feed(words, math.dist(state.tip, end)))
        else:
            self._row(RAPID, end)
        if "Z" in words:
            state.retracted = code == 0

    def _check_first(self) -> None:
        if not self._checked_first:
            self._checked_first = True
            self.find("V626", "a first move that is not a rapid of Z alone in the machine frame",
                      "the machine's safe retract first")

    def _check_modes(self) -> None:
        """Before the first move in a work system all that it depends on must have been stated."""
        self._checked_modes = True
        missing = [group for group in _NEEDED if group not in self.stated]
        if missing:
            self.find("V613", "a first move with nothing said about " + ", ".join(missing),
                      "all of them stated before", "the last job's modes would be in force")

    def _check_feed_move(self) -> None:
        state = self.state
        if not self._checked_feed_modes:
            self._checked_feed_modes = True
            if "feed mode" not in self.stated:
                self.find("V613", "a first feed move with nothing said about the feed mode", "G94")
            if "path control" not in self.stated:
                self.find("V613", "a first feed move with nothing said about path control",
                          state.machine.dialect.path_word, severity="warning")
        if not state.spindle and state.tool:
            self.find("V621", "a feed move with the spindle standing", "M3 and S before")

    def _check_height(self, with_z: bool, feeds: bool) -> None:
        """No move may count on a Z that the control does not know."""
        state = self.state
        if not self._checked_modes:
            self._check_modes()
        if not self._checked_first:
            self._check_first()
        if not state.known_z and (feeds or with_z or not state.retracted):
            what = "a feed move" if feeds else "a Z move" if with_z else "a rapid away from the safe retract"
            self.find("V624", f"{what} without the length offset of the cutter in the spindle", "G43 H before",
                      "" if state.tool else "no cutter is known to be in the spindle")

    def _target(self, words: dict[str, float]) -> Point:
        """Where the axis words lead, tip, mm."""
        state = self.state
        x, y, z = state.tip
        unit, shift = state.unit_mm, state.shift
        if state.absolute:
            if "X" in words:
                x, state.known[0] = words["X"] * unit + shift[0], True
            if "Y" in words:
                y, state.known[1] = words["Y"] * unit + shift[1], True
            if "Z" in words:
                z, state.known[2] = words["Z"] * unit + shift[2], True
            return x, y, z
        for axis, letter in enumerate("XYZ"):
            if letter in words and not state.known[axis]:
                self.find("V626", f"a step in {letter} from a position that is not known", "an absolute position first")
                state.known[axis] = True
        return x + words.get("X", 0.0) * unit, y + words.get("Y", 0.0) * unit, z + words.get("Z", 0.0) * unit

    def _check_start(self) -> None:
        known = self.state.known
        if not (known[0] and known[1] and known[2]):
            self.find("V626", "a feed move from a position that is not known", "rapids to a known position first")

    def _feed(self, words: dict[str, float], length_mm: float) -> float:
        """Feed of a feed move of this length, mm/min."""
        state = self.state
        if state.inverse_time:
            if "F" not in words:
                self.find("V620", "a feed move under G93 without F", "F on every feed line")
            return state.feed * length_mm
        if state.feed <= 0:
            self.find("V620", "a feed move without a feed", "F before")
        return state.feed

    def _straight(self, code: int, words: dict[str, float]) -> None:
        state = self.state
        self._check_height("Z" in words, code == 10)
        if code == 10:
            self._check_start()
            self._check_feed_move()
        end = self._target(words)
        if code == 0:
            self._row(RAPID, end)
        else:
            self._row(LINE, end, feed=self._feed(words, math.dist(state.tip, end) if state.inverse_time else 0.0))
        if "Z" in words:
            state.retracted = False

    def _arc(self, code: int, words: dict[str, float]) -> None:
        state = self.state
        ccw = code == 30
        self._check_height("Z" in words, True)
        self._check_start()
        self._check_feed_move()
        axes, letters = PLANE_AXES[state.plane], OFFSET_LETTERS[state.plane]
        units = state.units or "mm"
        if "XYZ"[axes[0]] not in words and "XYZ"[axes[1]] not in words:
            raise TextFault("V610", "an arc without an end in its plane", f"{'XYZ'[axes[0]]} or {'XYZ'[axes[1]]}")
        goal = self._target(words)
        start = (state.tip[axes[0]], state.tip[axes[1]], state.tip[axes[2]])
        end = (goal[axes[0]], goal[axes[1]], goal[axes[2]])
        has_offsets = letters[0] in words or letters[1] in words
        if "R" in words and has_offsets:
            raise TextFault("V618", "an arc with R and offsets", "one of the two")
        if "R" in words:
            centre = centre_of_radius(start, end, words["R"] * state.unit_mm, ccw, units)
        elif has_offsets:
            centre = (start[0] + words.get(letters[0], 0.0) * state.unit_mm,
                      start[1] + words.get(letters[1], 0.0) * state.unit_mm)
        else:
            raise TextFault("V610", "an arc without R or offsets", f"{letters[0]} {letters[1]} or R")
        radius = check_radii(start, end, centre, units)
        turn = sweep(start, end, centre, ccw)
        if "R" in words and any(low < math.degrees(turn) < high for low, high in _RISKY_RADIUS_ARCS):
            self.find("V618", f"an R arc of {math.degrees(turn):.1f} degrees", "I and J there",
                      "a small rounding moves its centre far", severity="warning")
        if 0 < math.dist(start[:2], end[:2]) < SHORT_ARC_MM:
            self.find("V618", "an arc shorter than the text can tell", "a straight move",
                      "it may be read as a full turn")
        feed = self._feed(words, math.hypot(radius * turn, end[2] - start[2]))
        if state.plane == 170:
            self._row(ARC_CCW if ccw else ARC_CW, goal, centre, feed)
        else:
            for point in chords(start, end, centre, ccw, turn):
                self._row(LINE, _in_axes(point, axes), feed=feed)
        if "Z" in words:
            state.retracted = False

    def _cycle(self, code: int, words: dict[str, float]) -> None:
        state = self.state
        axes = PLANE_AXES[state.plane]
        names = "".join("XYZ"[axis] for axis in axes)
        name, dialect = g_name(code), state.machine.dialect
        if state.inverse_time:
            raise TextFault("V619", f"{name} under G93", "G94 for cycles")
        if words.keys().isdisjoint("XYZ"):
            raise TextFault("V610", f"{name} without an axis word", "at least one of X Y Z")
        if name not in dialect.canned_cycles:
            self.find("V636", f"{name}, which this machine's dialect has not",
                      " ".join(sorted(dialect.canned_cycles)) or "no cycles")
        if code in NOT_CHECKED:
            self.find("V617", f"{name}, {NOT_CHECKED[code]}", "cycles that are checked here")
        if code == 870:
            raise TextFault("V617", "G87, whose motion is not followed here")
        self._check_height(True, True)
        if "cycle return" not in self.stated:
            self.find("V613", "a cycle with nothing said about its return height", "G98 or G99")
        if state.cycle.code == code and state.to_start and not state.cycle.to_start:
            self.find("V619", "G98 after G99 in one series of holes", "one return mode for a series",
                      "controls differ there")
        if state.cycle.code == code and names[2] not in words and state.absolute != state.cycle.absolute:
            self.find("V619", "a depth kept across a change of G90 and G91", f"{names[2]} written again")
        repeats = remember(state.cycle, code, words, names)
        state.cycle.to_start, state.cycle.absolute = state.to_start, state.absolute
        self._check_feed_move()
        feed = self._feed(words, 0.0)
        start = (state.tip[axes[0]], state.tip[axes[1]], state.tip[axes[2]])
        for step in steps(self._holes(code, words, axes, repeats, start)):
            self._do(step, axes, feed)
        state.known[axes[2]], state.retracted = True, False

    def _holes(self, code: int, words: dict[str, float], axes: tuple[int, int, int], repeats: int,
               start: Point) -> Holes:
        state = self.state
        unit, sticky = state.unit_mm, state.cycle
        plane = {letter: words[letter] for letter in ("XYZ"[axes[0]], "XYZ"[axes[1]]) if letter in words}
        goal = self._target(plane)
        self._check_start_of_cycle(axes)
        first = (goal[axes[0]], goal[axes[1]])
        z, r = sticky.z or 0.0, sticky.r or 0.0
        if state.absolute:
            step, r_mm = (0.0, 0.0), r * unit + state.shift[axes[2]]
            bottom = z * unit + state.shift[axes[2]]
        else:
            step, r_mm = (first[0] - start[0], first[1] - start[1]), start[2] + r * unit
            bottom = r_mm + z * unit
        return Holes(code=code, start=start, first=first, step=step, repeats=repeats, r_mm=r_mm, bottom_mm=bottom,
                     back_to_start=state.to_start, dwell_s=sticky.p or 0.0, peck_mm=(sticky.q or 0.0) * unit,
                     backoff_mm=state.machine.dialect.peck_backoff_mm)

    def _check_start_of_cycle(self, axes: tuple[int, int, int]) -> None:
        if not (self.state.known[axes[0]] and self.state.known[axes[1]]):
            self.find("V626", "a cycle at a position that is not known", "rapids to a known position first")

    def _do(self, step: Step, axes: tuple[int, int, int], feed: float) -> None:
        state = self.state
        if step.what == "dwell":
            self.record.dwell(self.line, step.seconds)
        elif step.what == "stop":
            self._turning, state.spindle = state.spindle, 0
            self.record.halt()
        elif step.what == "start":
            state.spindle = self._turning
            self.record.halt()
        else:
            feeds = step.what == "feed"
            # The report's own log shows exact path in force for the length of a cycle.
            self._row(LINE if feeds else RAPID, _in_axes(step.to, axes), feed=feed if feeds else 0.0, blend=False)

    def _row(self, kind: int, end: Point, centre: tuple[float, float] = (0.0, 0.0), feed: float = 0.0,
             blend: bool = True) -> None:
        state = self.state
        tip = state.tip
        if state.path == 611:
            self.exact_stops.append(len(self.record.rows))
        self.record.rows.append((
            kind, tip[0], tip[1], tip[2], end[0], end[1], end[2], centre[0], centre[1], feed,
            state.rpm if state.spindle else 0.0, state.spindle, 1 if state.mist or state.flood else 0, state.tool,
            self.line, state.known_z, blend and state.path == 640,
        ))
        tip[0], tip[1], tip[2] = end
        nose = state.length_mm + end[2]
        if not self._nose_low_mm <= nose <= self._nose_high_mm:
            over = max(self._nose_low_mm - nose, nose - self._nose_high_mm)
            low, high = state.machine.travel_low_mm[2], state.machine.travel_high_mm[2]
            self.find("V630", f"Z beyond its travel by {over:.3f} mm", f"machine Z from {low:g} to {high:g} mm")


def _in_axes(point: Point, axes: tuple[int, int, int]) -> Point:
    """A point in plane order as (x, y, z)."""
    placed = [0.0, 0.0, 0.0]
    for value, axis in zip(point, axes, strict=True):
        placed[axis] = value
    return placed[0], placed[1], placed[2]
