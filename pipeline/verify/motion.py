"""Motions of the language: straight lines, arcs, machine-frame moves, homes and probing, as rows of true tip positions.
Rules: NISTIR 6556 (2000), sections 3.5.1 to 3.5.3, 3.5.8 to 3.5.10, 3.5.12 and 3.5.19. Canned cycles: `cycle_moves`."""

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
from pipeline.verify.compensation import Piece, along_arc, along_line, first_centre
from pipeline.verify.cycle_moves import in_axes, run_cycle
from pipeline.verify.cycles import Point
from pipeline.verify.expressions import Parameters, TextFault
from pipeline.verify.lexer import g_name
from pipeline.verify.reading import ARC_CCW, ARC_CW, LINE, RAPID
from pipeline.verify.record import Record
from pipeline.verify.state import State

_NEEDED = ("units", "distance", "plane", "cutter compensation", "work system", "G92")
_EXACT_STOP, _BLENDED = 611, 640  # G61.1, G64
_LEAST_PROBE_MM = 0.254  # NISTIR 6556 section 3.5.9: 0.01 inch
_ROW_OF = {"line": LINE, "cw": ARC_CW, "ccw": ARC_CCW}
_RISKY_RADIUS_ARCS = ((165.0, 195.0), (345.0, 360.0))  # degrees, NISTIR 6556 section 3.5.3.1


class Motion:
    """Moves the state's tip and writes the rows. `find` takes a finding, `pause` a stop in mid-cycle; `stated` holds
    the modal groups stated."""

    def __init__(self, state: State, record: Record, find: Callable[..., None], pause: Callable[[], None]) -> None:
        self.state, self.record, self.find, self.pause = state, record, find, pause
        self.stated: set[str] = set()
        self.line = 0
        bed_z = state.machine.bed_origin_mm[2]
        self.nose_low_mm = state.machine.travel_low_mm[2] - bed_z - EPS_MM  # spindle nose in the bed frame
        self.nose_high_mm = state.machine.travel_high_mm[2] - bed_z + EPS_MM
        self._checked_modes = self._checked_feed_modes = self._checked_first = False

    def takes_plain_lines(self) -> bool:
        """True when a line of G0 to G3 with axis words can mean nothing but its words: all that could be found about
        the modes has been looked for, position and length are known, and nothing special is in force."""
        state = self.state
        return (
            self._checked_modes and self._checked_feed_modes and self._checked_first and bool(state.units)
            and state.known_z and state.known == [True, True, True] and state.plane == 170
            and state.motion in (0, 10, 20, 30) and not state.inverse_time and not state.compensation.side
            and not state.cycle.code and not state.ended
        )

    def offset_letters(self, plane_on_line: int | None) -> str:
        """Letters of the arc offsets in the plane that will be in force when the line moves."""
        return OFFSET_LETTERS[plane_on_line or self.state.plane]

    def go(self, code: int, words: dict[str, float], *, machine_frame: bool, explicit: bool) -> None:
        """Make the motion `code` (G code times ten) with the line's words."""
        state = self.state
        if code < 730:
            if not ("X" in words or "Y" in words or "Z" in words):
                raise TextFault("V610", f"{g_name(code)} without an axis word", "at least one of X Y Z")
            state.cycle.code = 0
            if machine_frame:
                self._in_machine_frame(code, words)
            elif code <= 10:
                self._straight(code, words)
            elif code == 382:
                self._probe(words)
            else:
                self._arc(code, words)
        else:
            run_cycle(self, code, words)
        state.motion = code

    def home(self, words: dict[str, float], name: str, parameters: Parameters) -> None:
        """G28 and G30: by way of the programmed point, then straight home in all axes. Home is where the program's
        own parameters say (5161 on for G28, 5181 on for G30), else machine zero."""
        state = self.state
        first = {"G28": 5161, "G30": 5181}[name]
        self.find("V625", f"{name}, whose home is not known here", "G53 moves",
                  "machine zero in all axes is assumed, or what this program puts into the home's parameters; many "
                  "controls move only the named axes")
        if not words.keys().isdisjoint("XYZ"):
            self.row(RAPID, self.target(words))
        self._checked_first = True
        x, y, z = (state.machine_tip(i, (parameters.own(first + i) or 0.0) * state.unit_mm) for i in range(3))
        self.row(RAPID, (x, y, z))
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
            self.check_feed_move()
            self.row(LINE, end, feed=self.feed(words, math.dist(state.tip, end)))
        else:
            self.row(RAPID, end)
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
                      "all of them stated before (G92.1 for G92)",
                      "the last job's would be in force, also after one that was stopped")

    def check_feed_move(self) -> None:
        state = self.state
        if not self._checked_feed_modes:
            self._checked_feed_modes = True
            if "feed mode" not in self.stated:
                self.find("V613", "a first feed move with nothing said about the feed mode", "G94")
            if "path control" not in self.stated:
                self.find("V613", "a first feed move with nothing said about path control",
                          state.machine.dialect.path_word,
                          "the last job's may round corners without a limit: M2 does not end it")
        if not state.spindle and state.tool:
            self.find("V621", "a feed move with the spindle standing", "M3 and S before")

    def check_height(self, with_z: bool, feeds: bool) -> None:
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

    def target(self, words: dict[str, float]) -> Point:
        """Where the axis words lead, mm: the tip, or the point of the contour under cutter compensation."""
        state = self.state
        x, y, z = state.programmed()
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

    def feed(self, words: dict[str, float], length_mm: float) -> float:
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
        self.check_height("Z" in words, code == 10)
        if code == 10:
            self._check_start()
            self.check_feed_move()
        end = self.target(words)
        if state.compensation.side:
            pieces = along_line(state.compensation, (state.tip[0], state.tip[1]), end[:2], feeds=code == 10)
            self._beside(pieces, end, words, feeds=code == 10)
        elif code == 0:
            self.row(RAPID, end)
        else:
            self.row(LINE, end, feed=self.feed(words, math.dist(state.tip, end) if state.inverse_time else 0.0))
        if "Z" in words:
            state.retracted = False

    def _beside(self, pieces: list[Piece], goal: Point, words: dict[str, float], *, feeds: bool) -> None:
        """The way of a compensated cutter. It rounds a corner at the height it has; the last piece goes to `goal`'s."""
        state = self.state
        length, at = 0.0, (state.tip[0], state.tip[1])
        for i, piece in enumerate(pieces):
            flat = math.dist(at, piece.end)
            if piece.what != "line":
                ends = ((*at, 0.0), (*piece.end, 0.0))
                flat = math.dist(at, piece.centre) * sweep(*ends, piece.centre, piece.what == "ccw")
            length += math.hypot(flat, goal[2] - state.tip[2]) if i == len(pieces) - 1 else flat
            at = piece.end
        feed = self.feed(words, length) if feeds else 0.0
        for i, piece in enumerate(pieces):
            last = i == len(pieces) - 1
            kind = _ROW_OF[piece.what] if feeds else RAPID
            self.row(kind, (*piece.end, goal[2] if last else state.tip[2]), piece.centre, feed, stops=last)
        state.compensation.at = goal[:2]

    def _probe(self, words: dict[str, float]) -> None:
        """G38.2: where it will touch is not known here. It is followed to its programmed end, then nothing is known."""
        state = self.state
        if state.inverse_time or state.compensation.side:
            raise TextFault("V617", "G38.2, probing, under G93 or with cutter compensation",
                            "no probing in a cutting program")
        self.check_height("Z" in words, True)
        self._check_start()
        end = self.target(words)
        if math.dist(state.tip, end) < _LEAST_PROBE_MM:
            raise TextFault("V617", f"G38.2, probing over less than {_LEAST_PROBE_MM} mm",
                            "no probing in a cutting program")
        self.find("V617", "G38.2, probing", "no probing in a cutting program",
                  "where the probe will touch cannot be known from the text")
        self.row(LINE, end, feed=self.feed(words, 0.0))
        state.known, state.retracted = [letter not in words and known for letter, known in
                                        zip("XYZ", state.known, strict=True)], False

    def _arc(self, code: int, words: dict[str, float]) -> None:
        state = self.state
        ccw = code == 30
        self.check_height("Z" in words, True)
        self._check_start()
        self.check_feed_move()
        axes, letters = PLANE_AXES[state.plane], OFFSET_LETTERS[state.plane]
        units = state.units or "mm"
        if "XYZ"[axes[0]] not in words and "XYZ"[axes[1]] not in words:
            raise TextFault("V610", "an arc without an end in its plane", f"{'XYZ'[axes[0]]} or {'XYZ'[axes[1]]}")
        goal, before = self.target(words), state.programmed()
        start = (before[axes[0]], before[axes[1]], before[axes[2]])
        end = (goal[axes[0]], goal[axes[1]], goal[axes[2]])
        has_offsets = letters[0] in words or letters[1] in words
        beside = bool(state.compensation.side)
        first = beside and state.compensation.at is None
        if "R" in words and has_offsets:
            raise TextFault("V618", "an arc with R and offsets", "one of the two")
        if "R" in words:
            radius = words["R"] * state.unit_mm
            centre = (first_centre(state.compensation, start[:2], end[:2], radius, ccw=ccw) if first
                      else centre_of_radius(start, end, radius, ccw, units))
        elif has_offsets:
            centre = (start[0] + words.get(letters[0], 0.0) * state.unit_mm,
                      start[1] + words.get(letters[1], 0.0) * state.unit_mm)
        else:
            raise TextFault("V610", "an arc without R or offsets", f"{letters[0]} {letters[1]} or R")
        radius = math.dist(centre, end[:2]) if first else check_radii(start, end, centre, units)
        turn = sweep(start, end, centre, ccw)
        if "R" in words and any(low < math.degrees(turn) < high for low, high in _RISKY_RADIUS_ARCS):
            self.find("V618", f"an R arc of {math.degrees(turn):.1f} degrees", "I and J there",
                      "a small rounding moves its centre far", severity="warning")
        if 0 < math.dist(start[:2], end[:2]) < SHORT_ARC_MM:
            self.find("V618", "an arc shorter than the text can tell", "a straight move",
                      "it may be read as a full turn")
        if beside:
            pieces = along_arc(state.compensation, (state.tip[0], state.tip[1]), end[:2], centre, ccw=ccw, units=units)
            self._beside(pieces, goal, words, feeds=True)
        elif state.plane == 170:
            feed = self.feed(words, math.hypot(radius * turn, end[2] - start[2]))
            self.row(ARC_CCW if ccw else ARC_CW, goal, centre, feed)
        else:
            feed = self.feed(words, math.hypot(radius * turn, end[2] - start[2]))
            points = chords(start, end, centre, ccw, turn)
            for point in points:
                self.row(LINE, in_axes(point, axes), feed=feed, stops=point is points[-1])
        if "Z" in words:
            state.retracted = False

    def row(self, kind: int, end: Point, centre: tuple[float, float] = (0.0, 0.0), feed: float = 0.0,
            blend: bool = True, stops: bool = True) -> None:
        """Move the tip to `end` and write it down. `blend`: corners may be rounded if G64 says so; `stops`: under
        G61.1 it ends at standstill. Raises TooManyMoves."""
        state = self.state
        tip = state.tip
        flags = (state.spindle, int(state.mist or state.flood), state.tool, self.line, state.known_z,
                 stops and state.path == _EXACT_STOP, blend and state.path == _BLENDED)
        self.record.add(kind, (tip[0], tip[1], tip[2]), end, centre, feed, state.rpm if state.spindle else 0.0, flags)
        tip[0], tip[1], tip[2] = end
        nose = state.length_mm + end[2]
        if not self.nose_low_mm <= nose <= self.nose_high_mm:
            over = max(self.nose_low_mm - nose, nose - self.nose_high_mm)
            low, high = state.machine.travel_low_mm[2], state.machine.travel_high_mm[2]
            self.find("V630", f"Z beyond its travel by {over:.3f} mm", f"machine Z from {low:g} to {high:g} mm")
