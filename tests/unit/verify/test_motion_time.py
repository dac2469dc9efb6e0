"""Motion times: textbook single moves, corners, arcs, and what must hold for any program. Values: tests/reference."""

from __future__ import annotations

import dataclasses
import json
import math
import os
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest

from pipeline.kernels import verify_motion
from pipeline.model.shop import Machine
from pipeline.verify.motion_time import motion_seconds, motion_times, path_lengths
from pipeline.verify.reading import ARC_CCW, LINE, RAPID, Moves
from tests.reference import motion
from tests.unit.verify.text_bench import MACHINE, changed, read

ROOT = Path(__file__).resolve().parents[3]
DIGITS = 1e-6  # relative: the values are printed to nine digits


def limits(v: float, a: float, j: float | None = None) -> Machine:
    """The bench mill with these limits, mm/s, mm/s2, mm/s3."""
    return dataclasses.replace(
        MACHINE, feed_high_mm_min=v * 60, rapid_mm_min=v * 60, acceleration_mm_s2=a, jerk_mm_s3=j
    )


def path(points: Sequence[Sequence[float]], *, feed: float = 1e6, halts: bool = False, blend: bool = True) -> Moves:
    """Straight feed moves from point to point."""
    ends = np.array(points, float)
    n = len(ends) - 1
    return Moves(
        kind=np.full(n, LINE, np.int8), start=ends[:-1], end=ends[1:], centre=np.zeros((n, 2)),
        feed_mm_min=np.full(n, feed), rpm=np.full(n, 5000.0), spindle=np.ones(n, np.int8),
        coolant=np.ones(n, np.int8), tool=np.ones(n, np.int32), line=np.arange(1, n + 1, dtype=np.int32),
        known_z=np.ones(n, np.bool_), exact_stop=np.full(n, halts), blend=np.full(n, blend),
    )  # fmt: skip


@pytest.mark.parametrize("name", motion.SINGLE_MOVES)
def test_single_moves(name: str) -> None:
    length, v, a, j, seconds, _ = motion.SINGLE_MOVES[name]
    moves = path([(0, 0, 0), (length, 0, 0)])
    assert motion_seconds(moves, machine=limits(v, a, j)) == pytest.approx([seconds], rel=DIGITS)


@pytest.mark.parametrize("inside_deg", motion.CORNERS)
def test_corner_speed(inside_deg: int) -> None:
    """Two long sides: each ramps once from rest to full speed and once to or from the corner's speed."""
    speed, length, v, a = motion.CORNERS[inside_deg], 50.0, 100.0, 500.0
    turn = math.pi - math.radians(inside_deg)
    moves = path([(0, 0, 0), (length, 0, 0), (length + length * math.cos(turn), length * math.sin(turn), 0)])
    ramps = v / a + (v - speed) / a
    cruise = length - v * v / (2 * a) - (v * v - speed * speed) / (2 * a)
    one = ramps + cruise / v
    assert motion_seconds(moves, machine=limits(v, a)) == pytest.approx([one, one], rel=DIGITS)


def test_blend_takes_at_most_half_of_the_shorter_move() -> None:
    """A polygon of short chords goes no faster than the circle inscribed at the middles of its chords."""
    n, apothem, a = 360, 10.0, 500.0
    corner = apothem / math.cos(math.pi / n)
    angles = np.arange(n + 1) * 2 * np.pi / n
    points = np.column_stack([corner * np.cos(angles), corner * np.sin(angles), 0 * angles])
    wide = dataclasses.replace(limits(1000.0, a), dialect=changed(blend_mm=1e3).dialect)
    seconds = motion_seconds(path(points), machine=wide)
    middle = slice(n // 3, 2 * n // 3)
    lengths = path_lengths(path(points))
    assert (lengths[middle] / seconds[middle]).mean() == pytest.approx(math.sqrt(a * apothem), rel=5e-3)


def test_arc_speed_limit() -> None:
    n = 40
    angles = np.arange(n + 1) * math.pi / 2
    points = np.round(np.column_stack([np.cos(angles), np.sin(angles), 0 * angles]), 12)
    moves = dataclasses.replace(path(points), kind=np.full(n, ARC_CCW, np.int8))
    seconds = motion_seconds(moves, machine=limits(1000.0, 500.0))
    middle = slice(10, 30)
    assert path_lengths(moves)[middle] / seconds[middle] * 60 == pytest.approx(motion.ARC_LIMIT_MM_MIN, rel=DIGITS)


def test_closed_square_with_exact_stops() -> None:
    corners = [(0, 0, 0), (30, 0, 0), (30, 30, 0), (0, 30, 0), (0, 0, 0)]
    for j in (None, 5000.0):
        machine = limits(100.0, 500.0, j)
        one = motion_seconds(path(corners[:2]), machine=machine)[0]
        for moves in (path(corners, halts=True), path(corners, blend=False)):
            assert motion_seconds(moves, machine=machine) == pytest.approx([one] * 4, rel=1e-12)


def test_square_under_blend_is_quicker_than_with_stops() -> None:
    corners = [(0, 0, 0), (30, 0, 0), (30, 30, 0), (0, 30, 0), (0, 0, 0)]
    for j in (None, 5000.0):
        machine = limits(100.0, 500.0, j)
        assert motion_seconds(path(corners), machine=machine).sum() < motion_seconds(
            path(corners, halts=True), machine=machine).sum()


def test_twice_the_acceleration_halves_the_ramps_only() -> None:
    length, v, a = 100.0, 50.0, 500.0
    moves = path([(0, 0, 0), (length, 0, 0)])
    slow = motion_seconds(moves, machine=limits(v, a))[0] - length / v
    fast = motion_seconds(moves, machine=limits(v, 2 * a))[0] - length / v
    assert fast == pytest.approx(slow / 2, rel=1e-9)


@pytest.mark.parametrize("j", [None, 4000.0])
def test_splitting_a_straight_line(j: float | None) -> None:
    """Without jerk a split line takes the time of the whole. With jerk every piece ends without acceleration, so the
    estimate errs to the long side, never to the short."""
    machine = limits(100.0, 500.0, j)
    whole = motion_seconds(path([(0, 0, 0), (100, 0, 0)]), machine=machine).sum()
    split = motion_seconds(path([(x, 0, 0) for x in np.linspace(0, 100, 41)]), machine=machine).sum()
    if j is None:
        assert split == pytest.approx(whole, rel=1e-9)
    else:
        assert whole < split < 1.7 * whole


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("j", [None, 300.0, 20000.0])
def test_time_never_grows_with_a_higher_limit(seed: int, j: float | None) -> None:
    """1000 random blocks; acceleration, jerk and speed raised one at a time."""
    rng = np.random.default_rng(seed)
    steps = rng.normal(size=(1000, 3)) * np.exp(rng.uniform(-4, 2, size=(1000, 1)))
    points = np.vstack([np.zeros(3), np.cumsum(steps, axis=0)])
    moves = dataclasses.replace(
        path(points), feed_mm_min=rng.uniform(60, 9000, 1000), exact_stop=rng.random(1000) < 0.05,
        blend=rng.random(1000) < 0.9, kind=np.where(rng.random(1000) < 0.05, RAPID, LINE).astype(np.int8),
    )  # fmt: skip
    base = {"v": 60.0, "a": 300.0, "j": j}
    for name in ("a", "v", "j"):
        if base[name] is None:
            continue
        before = math.inf
        for factor in (0.5, 0.8, 1.0, 1.01, 1.3, 2.0, 5.0):
            now = motion_seconds(moves, machine=limits(**{**base, name: base[name] * factor})).sum()
            assert math.isfinite(now)
            assert now <= before * (1 + 1e-9), (name, factor)
            before = now
    if j is not None:
        assert motion_seconds(moves, machine=limits(60.0, 300.0)).sum() <= motion_seconds(
            moves, machine=limits(60.0, 300.0, j)).sum()


@pytest.mark.parametrize("j", [None, 4000.0])
def test_no_move_beats_its_feed(j: float | None) -> None:
    rng = np.random.default_rng(9)
    moves = path(np.cumsum(rng.normal(size=(200, 3)), axis=0), feed=600.0)
    assert (motion_seconds(moves, machine=limits(60.0, 300.0, j)) >= path_lengths(moves) / 10 * (1 - 1e-12)).all()


def test_rapid_and_feed_meet_at_standstill() -> None:
    moves = path([(0, 0, 0), (30, 0, 0), (60, 0, 0)])
    machine = limits(100.0, 500.0)
    one = motion_seconds(path([(0, 0, 0), (30, 0, 0)]), machine=machine)[0]
    mixed = dataclasses.replace(moves, kind=np.array([RAPID, LINE], np.int8))
    assert motion_seconds(mixed, machine=machine) == pytest.approx([one, one])
    assert motion_seconds(moves, machine=machine).sum() < 1.9 * one


def test_moves_of_no_length_take_no_time_but_keep_their_stop() -> None:
    moves = path([(0, 0, 0), (30, 0, 0), (30, 0, 0), (60, 0, 0)])
    machine = limits(100.0, 500.0)
    through = motion_seconds(moves, machine=machine)
    halted = motion_seconds(dataclasses.replace(moves, exact_stop=np.array([False, True, False])), machine=machine)
    assert through[1] == halted[1] == 0
    assert halted.sum() > through.sum()


def test_lines_hold_motion_dwells_and_changes() -> None:
    reading = read("G1 X10\nG4 P2.5\nG1 X20")
    seconds = motion_times(reading, machine=MACHINE)
    assert len(seconds) == reading.n_lines
    assert seconds[2] == MACHINE.tool_change_s
    assert seconds[10] == 2.5
    assert seconds.sum() == pytest.approx(
        motion_seconds(reading.moves, machine=MACHINE).sum() + 2.5 + MACHINE.tool_change_s)


def test_no_moves_no_time() -> None:
    assert motion_seconds(path([(0, 0, 0)]), machine=MACHINE).tolist() == []
    assert motion_seconds(path([(0, 0, 0), (0, 0, 0)]), machine=MACHINE).tolist() == [0]


SCRIPT = """
import json, numpy as np
from pipeline.kernels.verify_motion import chain_times
rng = np.random.default_rng(2)
n = 60
lengths, limits, junctions = rng.uniform(0.01, 5, n), rng.uniform(1, 50, n), rng.uniform(0, 20, n + 1)
junctions[[0, 10, -1]] = 0
print(json.dumps([chain_times(lengths, limits, junctions, 400.0, j).tolist() for j in (0.0, 3000.0)]))
"""


def test_kernel_compiled_and_interpreted_agree() -> None:
    results = []
    for flag in ("0", "1"):
        done = subprocess.run([sys.executable, "-c", SCRIPT], cwd=ROOT, env={**os.environ, "NUMBA_DISABLE_JIT": flag},
                              capture_output=True, text=True, check=True)
        results.append(np.array(json.loads(done.stdout)))
    assert results[0] == pytest.approx(results[1], rel=1e-12)
    assert (results[0] > 0).all()


def test_ramp_length_is_the_longest_of_later_starts() -> None:
    """The closed form of the kernel against a plain search over all starts between u and v."""
    rng = np.random.default_rng(4)
    for _ in range(50):
        v, a, j = rng.uniform(1, 100), rng.uniform(10, 900), rng.uniform(50, 9000)
        u = rng.uniform(0.001, 1) * v
        starts = np.linspace(u, v, 4001)
        searched = max((s + v) / 2 * verify_motion.ramp_time(s, v, a, j) for s in starts)
        assert verify_motion.ramp_length(u, v, a, j) == pytest.approx(searched, rel=1e-4)


def junctions(moves: Moves, machine: Machine) -> list[float]:
    """The plain way to the speeds at both ends of every move: one corner after the other, by vectors."""
    speeds = [0.0]
    for i in range(1, len(moves.kind)):
        if moves.exact_stop[i - 1] or (moves.kind[i - 1] == RAPID) != (moves.kind[i] == RAPID):
            speeds.append(0.0)
            continue
        ways = []
        for k, points in ((i - 1, moves.end), (i, moves.start)):
            way = moves.end[k] - moves.start[k]
            if moves.kind[k] >= 2:
                arm = points[k, :2] - moves.centre[k]
                one, two = (complex(*(p[k, :2] - moves.centre[k])) for p in (moves.start, moves.end))
                sign = 1 if moves.kind[k] == ARC_CCW else -1
                turn = (np.angle(two / one) * sign) % (2 * math.pi) or 2 * math.pi
                way = np.array([-arm[1] * sign * turn, arm[0] * sign * turn, way[2]])
            ways.append(way / np.linalg.norm(way))
        turned = math.acos(max(-1.0, min(1.0, float(ways[0] @ ways[1]))))
        if moves.blend[i] and moves.blend[i - 1]:
            s = math.cos(turned / 2)
            radius = machine.dialect.blend_mm * s / (1 - s) if s < 1 else math.inf
            room = math.inf if turned == 0 else min(path_lengths(moves)[i - 1 : i + 1]) / 2 / math.tan(turned / 2)
            speeds.append(math.sqrt(machine.acceleration_mm_s2 * min(radius, room)))
        else:
            speeds.append(math.inf if 2 * math.sin(turned / 2) <= 0.01 else 0.0)
    return [*speeds, 0.0]


@pytest.mark.parametrize("seed", range(6))
def test_moves_of_all_kinds_against_corners_one_by_one(seed: int) -> None:
    rng = np.random.default_rng(seed)
    n = 60
    points = np.cumsum(rng.uniform(-2, 2, (n + 1, 3)), axis=0)
    moves = path(points, feed=900.0)
    kind, centre = rng.choice([RAPID, LINE, LINE, 2, ARC_CCW], n).astype(np.int8), np.zeros((n, 2))
    across = (points[1:, :2] - points[:-1, :2]) @ np.array([[0, 1], [-1, 0]])
    centre = (points[1:, :2] + points[:-1, :2]) / 2 + rng.uniform(-2, 2, (n, 1)) * across
    moves = dataclasses.replace(
        moves, kind=kind, centre=centre, exact_stop=rng.random(n) < 0.1, blend=rng.random(n) < 0.8,
        feed_mm_min=rng.choice([0.0, 300.0, 900.0, 1e5], n),
    )  # fmt: skip
    machine = limits(100.0, 400.0, 3000.0 if seed % 2 else None)
    radius = np.where(kind >= 2, np.hypot(*(points[:-1, :2] - centre).T), math.inf)
    most = np.where((kind == RAPID) | (moves.feed_mm_min <= 0), 6000.0, np.minimum(moves.feed_mm_min, 6000.0)) / 60
    corners, jerk = np.array(junctions(moves, machine)), 3000.0 if seed % 2 else 0.0
    slow = verify_motion.chain_times(
        path_lengths(moves), np.minimum(most, np.sqrt(400.0 * radius)), corners, 400.0, jerk
    )
    assert motion_seconds(moves, machine=machine) == pytest.approx(slow, rel=1e-6)
    gone = np.array([0, 7, 7, 31, n])  # moves that go nowhere take no time and change nothing
    wider = {f.name: np.insert(getattr(moves, f.name), gone, 0, axis=0) for f in dataclasses.fields(Moves)}
    still = np.zeros(n + len(gone), dtype=np.bool_)
    still[gone + np.arange(len(gone))] = True
    wider["start"][still] = wider["end"][still] = 1.0
    found = motion_seconds(Moves(**wider), machine=machine)
    assert (found[still] == 0).all() and found[~still] == pytest.approx(slow, rel=1e-6)
