"""Canned cycles made into moves: what a line of a cycle means in the state at hand, then its steps one by one.

Rules: NISTIR 6556 (2000), sections 3.5.16 and 3.5.20.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.verify.arcs import OFFSET_LETTERS, PLANE_AXES
from pipeline.verify.cycles import NEEDS_SPINDLE, NOT_CHECKED, Holes, Point, Step, remember, steps
from pipeline.verify.expressions import TextFault
from pipeline.verify.lexer import g_name
from pipeline.verify.reading import LINE, RAPID

if TYPE_CHECKING:
    from pipeline.verify.motion import Motion


def run_cycle(motion: Motion, code: int, words: dict[str, float]) -> None:
    """Drill as a line of cycle `code` with these words says. Raises TextFault, TooManyMoves."""
    state = motion.state
    axes = PLANE_AXES[state.plane]
    names = "".join("XYZ"[axis] for axis in axes)
    name = g_name(code)
    _check_cycle(motion, code, words, names)
    motion.check_height(True, True)
    if "cycle return" not in motion.stated:
        motion.find("V613", "a cycle with nothing said about its return height", "G98 or G99")
    if state.cycle.code == code and state.to_start and not state.cycle.to_start:
        motion.find("V619", "G98 after G99 in one series of holes", "one return mode for a series",
                    "controls differ there")
    if state.cycle.code == code and names[2] not in words and state.absolute != state.cycle.absolute:
        motion.find("V619", "a depth kept across a change of G90 and G91", f"{names[2]} written again")
    if state.cycle.code not in (0, code) and "R" not in words and state.cycle.r is not None:
        motion.find("V619", f"{name} with the R of another cycle", "R written again", "controls differ there")
    repeats = remember(state.cycle, code, words, names)
    state.cycle.to_start, state.cycle.absolute = state.to_start, state.absolute
    motion.check_feed_move()
    if code in NEEDS_SPINDLE and not state.spindle:
        raise TextFault("V619", f"{name} with the spindle standing", "a turning spindle, which the cycle stops itself")
    if code == 840 and state.spindle < 0:
        raise TextFault("V619", "G84 with the spindle turning backward", "M3 before")
    feed = motion.feed(words, 0.0)
    start = (state.tip[axes[0]], state.tip[axes[1]], state.tip[axes[2]])
    turning = state.spindle
    for step in steps(_holes(motion, code, words, axes, repeats, start)):
        _do(motion, step, axes, feed, turning)
    state.known[axes[2]], state.retracted = True, False


def _check_cycle(motion: Motion, code: int, words: dict[str, float], names: str) -> None:
    state, name = motion.state, g_name(code)
    if state.inverse_time:
        raise TextFault("V619", f"{name} under G93", "G94 for cycles")
    if state.compensation.side:
        raise TextFault("V639", f"{name} under cutter compensation", "G40 before")
    if words.keys().isdisjoint("XYZ"):
        raise TextFault("V610", f"{name} without an axis word", "at least one of X Y Z")
    known = state.machine.dialect.canned_cycles
    if name not in known:
        motion.find("V636", f"{name}, which this machine's dialect has not", " ".join(sorted(known)) or "no cycles")
    if code in NOT_CHECKED:
        motion.find("V617", f"{name}, {NOT_CHECKED[code]}", "cycles that are checked here")


def _holes(motion: Motion, code: int, words: dict[str, float], axes: tuple[int, int, int], repeats: int,
           start: Point) -> Holes:
    state = motion.state
    unit, sticky = state.unit_mm, state.cycle
    plane = {letter: words[letter] for letter in ("XYZ"[axes[0]], "XYZ"[axes[1]]) if letter in words}
    goal = motion.target(plane)
    if not (state.known[axes[0]] and state.known[axes[1]]):
        motion.find("V626", "a cycle at a position that is not known", "rapids to a known position first")
    first = (goal[axes[0]], goal[axes[1]])
    z, r, top = sticky.z or 0.0, sticky.r or 0.0, sticky.offset.get("IJK"[axes[2]], 0.0)
    if state.absolute:
        step, r_mm = (0.0, 0.0), r * unit + state.shift[axes[2]]
        bottom, top_mm = z * unit + state.shift[axes[2]], top * unit + state.shift[axes[2]]
    else:
        step, r_mm = (first[0] - start[0], first[1] - start[1]), start[2] + r * unit
        bottom = r_mm + z * unit
        top_mm = bottom + top * unit
    letters = OFFSET_LETTERS[state.plane]
    aside = (sticky.offset.get(letters[0], 0.0) * unit, sticky.offset.get(letters[1], 0.0) * unit)
    return Holes(code=code, start=start, first=first, step=step, repeats=repeats, r_mm=r_mm, bottom_mm=bottom,
                 back_to_start=state.to_start, dwell_s=sticky.p or 0.0, peck_mm=(sticky.q or 0.0) * unit,
                 backoff_mm=state.machine.dialect.peck_backoff_mm, aside_mm=aside, top_mm=top_mm)


def _do(motion: Motion, step: Step, axes: tuple[int, int, int], feed: float, turning: int) -> None:
    """One step. `turning` is how the spindle turned before the cycle."""
    state = motion.state
    if step.what == "dwell":
        motion.record.dwell(motion.line, step.seconds)
    elif step.what == "pause":
        motion.pause()
    elif step.what in ("stop", "reverse", "start"):
        state.spindle = {"stop": 0, "reverse": -turning, "start": turning}[step.what]
        motion.record.halt()
    else:
        feeds = step.what == "feed"
        # The report's own log shows exact path in force for the length of a cycle.
        motion.row(LINE if feeds else RAPID, in_axes(step.to, axes), feed=feed if feeds else 0.0, blend=False)


def in_axes(point: Point, axes: tuple[int, int, int]) -> Point:
    """A point in plane order as (x, y, z)."""
    placed = [0.0, 0.0, 0.0]
    for value, axis in zip(point, axes, strict=True):
        placed[axis] = value
    return placed[0], placed[1], placed[2]
