"""The machine's limits and its dialect, checked against the moves read. Z travel is checked by the reader itself, which
knows where the spindle nose is.

Codes: V630 travel; V631 feed over the machine's; V632 spindle outside its range; V633 no gauge block stop before the
first cut; V634 arcs the dialect does not allow; V635 more cutters than pockets. A fault that many moves share is one
finding: its first line, how many, and the worst.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.model.findings import Finding
from pipeline.model.setup import Setup
from pipeline.model.shop import Machine
from pipeline.model.units import EPS_MM
from pipeline.verify.motion_time import is_arc, turns_of
from pipeline.verify.reading import ARC_CCW, RAPID, Moves, Reading

Array = NDArray[np.float64]
RPM_SLACK = 0.5  # ours: S is written in whole turns
FEED_SLACK = 1e-3  # ours: relative; a limit in mm/min, written in in/min with 2 decimals, may round up
TURN_SLACK_RAD = 0.02  # ours: a quarter turn between rounded ends is a little more or less than a quarter


def check_limits(reading: Reading, *, machine: Machine, setup: Setup) -> tuple[Finding, ...]:
    """Everything about the moves that the machine or its dialect does not allow."""
    moves = reading.moves
    found: list[Finding] = []
    if len(moves.kind):
        found += _travel(moves, machine)
        found += _feeds_and_speeds(moves, machine)
        found += _arcs(moves, machine)
        found += _first_cut(reading, setup)
    found += _pockets(reading, machine)
    return tuple(found)


def _travel(moves: Moves, machine: Machine) -> list[Finding]:
    arc, low, high = _bulges(moves)
    found = []
    for axis, name in enumerate("XY"):
        bed, ends = machine.bed_origin_mm[axis], (moves.start[:, axis], moves.end[:, axis])
        floor, ceiling = machine.travel_low_mm[axis], machine.travel_high_mm[axis]
        overs: list[tuple[str, Array]] = []
        # The farthest of all first, whatever is no number left out: nearly always it is inside, and nothing more to do.
        if floor - min(np.fmin.reduce(v, initial=np.inf) for v in (*ends, low[:, axis])) - bed > EPS_MM:
            reach = np.minimum(*ends)
            reach[arc] = low[:, axis]
            overs.append(("below", floor - reach - bed))
        if max(np.fmax.reduce(v, initial=-np.inf) for v in (*ends, high[:, axis])) + bed - ceiling > EPS_MM:
            reach = np.maximum(*ends)
            reach[arc] = high[:, axis]
            overs.append(("above", reach + bed - ceiling))
        for side, over in overs:
            bad = np.flatnonzero(over > EPS_MM)
            found += _shared(
                "V630", moves, bad, over[bad], f"{name} {side} its travel by {{:.3f}} mm",
                f"machine {name} from {floor:g} to {ceiling:g} mm", length=True,
            )  # fmt: skip
    return found


def _bulges(moves: Moves) -> tuple[NDArray[np.intp], Array, Array]:
    """The arcs, and (k, 2) lowest and highest X and Y on each, with the quadrant points that it passes."""
    rows = np.flatnonzero(is_arc(moves))
    radii, turns = turns_of(moves, rows)
    start, end, centre = moves.start[rows, :2], moves.end[rows, :2], moves.centre[rows]
    low, high = np.minimum(start, end), np.maximum(start, end)
    first = np.arctan2(start[:, 1] - centre[:, 1], start[:, 0] - centre[:, 0])
    ccw = np.where(moves.kind[rows] == ARC_CCW, 1.0, -1.0)
    for quadrant in range(4):
        angle = quadrant * np.pi / 2
        passed = (((angle - first) * ccw) % (2 * np.pi) <= turns)[:, None]
        point = centre + radii[:, None] * np.array([np.cos(angle), np.sin(angle)])
        low = np.where(passed, np.minimum(low, point), low)
        high = np.where(passed, np.maximum(high, point), high)
    return rows, low, high


def _feeds_and_speeds(moves: Moves, machine: Machine) -> list[Finding]:
    most, slowest, fastest = machine.feed_high_mm_min, machine.spindle_low_rpm, machine.spindle_high_rpm
    wanted = f"{slowest:g} to {fastest:g} rpm"
    bad = np.flatnonzero((moves.feed_mm_min > most * (1 + FEED_SLACK)) & (moves.kind != RAPID))
    found = _shared("V631", moves, bad, moves.feed_mm_min[bad], "a feed of {:.1f} mm/min", f"at most {most:g} mm/min")
    bad = np.flatnonzero((moves.rpm > fastest + RPM_SLACK) & (moves.spindle != 0))
    found += _shared("V632", moves, bad, moves.rpm[bad], "S {:.0f}", wanted)
    bad = np.flatnonzero((moves.rpm < slowest - RPM_SLACK) & (moves.spindle != 0))
    return found + _shared("V632", moves, bad, -moves.rpm[bad], "S {:.0f}", wanted)


def _arcs(moves: Moves, machine: Machine) -> list[Finding]:
    dialect = machine.dialect
    rows = np.flatnonzero(is_arc(moves))
    _, turns = turns_of(moves, rows)
    degrees = np.degrees(turns)
    if not dialect.arcs:
        return _shared("V634", moves, rows, degrees, "an arc of {:.1f} degrees", "straight moves on this machine")
    found: list[Finding] = []
    if not dialect.helices:
        climbs = np.abs(moves.end[rows, 2] - moves.start[rows, 2])
        bad = climbs > EPS_MM
        found += _shared("V634", moves, rows[bad], climbs[bad], "a helix that climbs {:.4f} mm",
                         "flat arcs on this machine")  # fmt: skip
    longest = dialect.longest_arc_rad
    bad = turns > longest + TURN_SLACK_RAD
    return found + _shared("V634", moves, rows[bad], degrees[bad], "an arc of {:.1f} degrees",
                           f"at most {np.degrees(longest):.0f} degrees a line")


def _first_cut(reading: Reading, setup: Setup) -> list[Finding]:
    """A program stop must let the operator check Z with the gauge block: with the first cutter in the spindle, before
    anything is cut."""
    feeds = reading.moves.kind != RAPID
    first = int(np.argmax(feeds))
    if not feeds[first]:
        return []
    tool, line = int(reading.moves.tool[first]), int(reading.moves.line[first])
    if any(s.word == "M0" and s.tool == tool and s.before_move <= first for s in reading.stops):
        return []
    return [Finding(
        code="V633", where=f"T{tool}, line {line}", line=line,
        found=f"a first feed move with no M0 between it and the change to T{tool}",
        wanted=f"a stop to check Z with the gauge block of {setup.z.gauge_block_mm:g} mm",
    )]


def _pockets(reading: Reading, machine: Machine) -> list[Finding]:
    cutters = sorted({stop.tool for stop in reading.stops if stop.word == "M6" and stop.tool})
    pockets = machine.dialect.pockets
    if machine.dialect.tool_change != "changer" or len(cutters) <= pockets:
        return []
    return [Finding(code="V635", where="the whole program", found=f"{len(cutters)} cutters",
                    wanted=f"at most {pockets}, the pockets of the changer")]


def _shared(code: str, moves: Moves, rows: NDArray[np.intp], amount: Array, found: str, wanted: str,
            length: bool = False) -> list[Finding]:
    """One finding for all moves in `rows`: the first of them, the count, and the worst (largest) of their amounts."""
    if not len(rows):
        return []
    first, k = int(rows[0]), int(np.argmax(amount))
    worst, text = int(rows[k]), found.format(abs(amount[k]))
    if len(rows) > 1:
        text += f" at worst (line {moves.line[worst]}), on {len(rows)} moves, here the first"
    tool, line = int(moves.tool[first]), int(moves.line[first])
    x, y, z = (float(v) for v in moves.end[worst])
    return [Finding(
        code=code, where=f"T{tool}, line {line}" if tool else f"line {line}", line=line, found=text, wanted=wanted,
        at_mm=(x, y, z), amount_mm=float(amount[k]) if length else None,
    )]
