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
from pipeline.verify.motion_time import arc_shapes, is_arc
from pipeline.verify.reading import RAPID, Moves, Reading

Mask = NDArray[np.bool_]
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
    low, high = _extent(moves)
    found = []
    for axis, name in enumerate("XY"):
        bed = machine.bed_origin_mm[axis]
        floor, ceiling = machine.travel_low_mm[axis], machine.travel_high_mm[axis]
        for over, side in ((floor - low[:, axis] - bed, "below"), (high[:, axis] + bed - ceiling, "above")):
            found += _shared(
                "V630", moves, over > EPS_MM, over, f"{name} {side} its travel by {{:.3f}} mm",
                f"machine {name} from {floor:g} to {ceiling:g} mm", length=True,
            )
    return found


def _extent(moves: Moves) -> tuple[Array, Array]:
    """(n, 2) lowest and highest X and Y on each move; arcs count the quadrant points that they pass."""
    low = np.minimum(moves.start, moves.end)[:, :2]
    high = np.maximum(moves.start, moves.end)[:, :2]
    radii, turns, _ = arc_shapes(moves)
    arm = moves.start[:, :2] - moves.centre
    first = np.arctan2(arm[:, 1], arm[:, 0])
    ccw = np.where(moves.kind == 3, 1.0, -1.0)
    for quadrant in range(4):
        angle = quadrant * np.pi / 2
        passed = is_arc(moves) & (((angle - first) * ccw) % (2 * np.pi) <= turns)
        point = moves.centre + radii[:, None] * np.array([np.cos(angle), np.sin(angle)])
        low = np.where(passed[:, None], np.minimum(low, point), low)
        high = np.where(passed[:, None], np.maximum(high, point), high)
    return low, high


def _feeds_and_speeds(moves: Moves, machine: Machine) -> list[Finding]:
    feeds = moves.kind != RAPID
    most = machine.feed_high_mm_min
    found = _shared("V631", moves, feeds & (moves.feed_mm_min > most * (1 + FEED_SLACK)), moves.feed_mm_min,
                    "a feed of {:.1f} mm/min", f"at most {most:g} mm/min")
    turning = moves.spindle != 0
    slowest, fastest = machine.spindle_low_rpm, machine.spindle_high_rpm
    wanted = f"{slowest:g} to {fastest:g} rpm"
    found += _shared("V632", moves, turning & (moves.rpm > fastest + RPM_SLACK), moves.rpm, "S {:.0f}", wanted)
    return found + _shared("V632", moves, turning & (moves.rpm < slowest - RPM_SLACK), -moves.rpm, "S {:.0f}", wanted)


def _arcs(moves: Moves, machine: Machine) -> list[Finding]:
    dialect = machine.dialect
    arcs = is_arc(moves)
    _, turns, climbs = arc_shapes(moves)
    degrees = np.degrees(turns)
    if not dialect.arcs:
        return _shared("V634", moves, arcs, degrees, "an arc of {:.1f} degrees", "straight moves on this machine")
    found: list[Finding] = []
    if not dialect.helices:
        found += _shared("V634", moves, arcs & (np.abs(climbs) > EPS_MM), np.abs(climbs),
                         "a helix that climbs {:.4f} mm", "flat arcs on this machine")
    longest = dialect.longest_arc_rad
    return found + _shared("V634", moves, arcs & (turns > longest + TURN_SLACK_RAD), degrees,
                           "an arc of {:.1f} degrees", f"at most {np.degrees(longest):.0f} degrees a line")


def _first_cut(reading: Reading, setup: Setup) -> list[Finding]:
    """A program stop must let the operator check Z with the gauge block: with the first cutter in the spindle, before
    anything is cut."""
    feeds = np.flatnonzero(reading.moves.kind != RAPID)
    if not len(feeds):
        return []
    tool, line = int(reading.moves.tool[feeds[0]]), int(reading.moves.line[feeds[0]])
    if any(s.word == "M0" and s.tool == tool and s.before_move <= feeds[0] for s in reading.stops):
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


def _shared(code: str, moves: Moves, bad: Mask, amount: Array, found: str, wanted: str,
            length: bool = False) -> list[Finding]:
    """One finding for all moves in `bad`: the first of them, the count, and the worst (largest) amount."""
    rows = np.flatnonzero(bad)
    if not len(rows):
        return []
    first, worst = int(rows[0]), int(rows[np.argmax(amount[rows])])
    text = found.format(abs(amount[worst]))
    if len(rows) > 1:
        text += f" at worst (line {moves.line[worst]}), on {len(rows)} moves, here the first"
    tool, line = int(moves.tool[first]), int(moves.line[first])
    x, y, z = (float(v) for v in moves.end[worst])
    return [Finding(
        code=code, where=f"T{tool}, line {line}" if tool else f"line {line}", line=line, found=text, wanted=wanted,
        at_mm=(x, y, z), amount_mm=float(amount[worst]) if length else None,
    )]
