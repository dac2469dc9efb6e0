"""Speeds and times along a chain of moves, for the verifier's time estimate.

Goal: the time of every move under a speed limit per move, a speed limit per junction, one acceleration `a` and, when
`j` is above 0, one jerk. Units: mm, s.

A *ramp* changes the speed from u to v. Without jerk it takes |v-u|/a. With jerk its acceleration begins and ends at
zero, so it takes |v-u|/a + a/j, or 2 sqrt(|v-u|/j) when a is never reached, and covers (u+v)/2 times that (textbook
kinematics of the constant-jerk profile, from memory). Steps: a pass forward lowers junction speeds to what can be
reached, a pass backward to what can be braked from, then each move gets the highest peak that its length allows.

With jerk each move begins and ends without acceleration. That is a motion the machine can make, so the time is never
below what its limits allow; a control that keeps accelerating through a junction is quicker. A ramp from a slow start
can need more length than one from standstill; to keep time non-increasing in a, j and speed, `ramp_length` then takes
the longest of all ramps that begin between u and v (found in closed form: v/3, or a^2/(2j)). From standstill itself the
length is exact, so a single move from rest to rest has its textbook time.

Words: the *inside angle* of a junction is 180 degrees when its two moves go straight on. A program has hundreds of
thousands of moves, so what every move needs is worked out here, one move at a time: no functions but square roots.
"""

import math

import numpy as np
from numba import njit

_HALVINGS = 60


@njit(cache=True, nogil=True)
def ramp_time(u, v, a, j):
    """Seconds to change the speed from u to v."""
    change = abs(v - u)
    if j <= 0.0:
        return change / a
    if change >= a * a / j:
        return change / a + a / j
    return 2.0 * math.sqrt(change / j)


@njit(cache=True, nogil=True)
def ramp_length(u, v, a, j):
    """Length set aside for a ramp between u and v, u <= v. See the module's text for u > 0 with jerk."""
    if j > 0.0 and u > 0.0:
        worst = a * a / (2.0 * j) if v >= 1.5 * a * a / j else v / 3.0
        u = max(u, worst)
    return (u + v) / 2.0 * ramp_time(u, v, a, j)


@njit(cache=True, nogil=True)
def reach(u, length, limit, a, j):
    """Greatest speed, at most `limit`, that a ramp from u reaches within `length`."""
    if limit <= u:
        return limit
    if ramp_length(u, limit, a, j) <= length:
        return limit
    high = min(limit, math.sqrt(u * u + 2.0 * a * length))
    if j <= 0.0:
        return high
    low = u
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        if ramp_length(u, middle, a, j) <= length:
            low = middle
        else:
            high = middle
    return low


@njit(cache=True, nogil=True)
def move_time(length, u, v, limit, a, j):
    """Seconds for one move from speed u to speed v, never above `limit`."""
    low = max(u, v)
    high = max(limit, low)
    if ramp_length(u, high, a, j) + ramp_length(v, high, a, j) <= length:
        peak = high
    elif j <= 0.0:
        peak = max(low, math.sqrt((2.0 * a * length + u * u + v * v) / 2.0))
    else:
        for _ in range(_HALVINGS):
            middle = 0.5 * (low + high)
            if ramp_length(u, middle, a, j) + ramp_length(v, middle, a, j) <= length:
                low = middle
            else:
                high = middle
        peak = low
    up, down = ramp_time(u, peak, a, j), ramp_time(v, peak, a, j)
    rest = length - (u + peak) / 2.0 * up - (v + peak) / 2.0 * down
    return up + down + max(rest, 0.0) / peak


@njit(cache=True, nogil=True)
def chain_times(lengths, limits, junctions, a, j):
    """Seconds of each of n moves that follow one another.

    `lengths` (n,) mm, above 0; `limits` (n,) greatest speed of each, mm/s; `junctions` (n+1,) greatest speed at each
    end, mm/s, 0 where the machine stands; `a` mm/s2; `j` mm/s3, 0 for none.
    """
    n = lengths.shape[0]
    speed = junctions.copy()
    for i in range(n):
        speed[i] = min(speed[i], limits[i])
        speed[i + 1] = min(speed[i + 1], limits[i])
    for i in range(n):
        speed[i + 1] = reach(speed[i], lengths[i], speed[i + 1], a, j)
    for i in range(n - 1, -1, -1):
        speed[i] = reach(speed[i + 1], lengths[i], speed[i], a, j)
    seconds = np.empty(n)
    for i in range(n):
        seconds[i] = move_time(lengths[i], speed[i], speed[i + 1], limits[i], a, j)
    return seconds


@njit(cache=True, nogil=True)
def straight_lengths(start, end, out):
    """Distance from start to end (n, 3) of each move, mm, into out (n,)."""
    for i in range(start.shape[0]):
        x, y, z = end[i, 0] - start[i, 0], end[i, 1] - start[i, 1], end[i, 2] - start[i, 2]
        out[i] = math.sqrt(x * x + y * y + z * z)


@njit(cache=True, nogil=True)
def _direction(kind, start, end, centre, turn, i, at, out):
    """Unit vector along move i where it is at the point `at` (3,) of its path, into out (3,)."""
    if kind[i] >= 2:
        hand = turn[i] if kind[i] == 3 else -turn[i]
        out[0], out[1] = -(at[1] - centre[i, 1]) * hand, (at[0] - centre[i, 0]) * hand
        out[2] = end[i, 2] - start[i, 2]
    else:
        out[0], out[1], out[2] = end[i, 0] - start[i, 0], end[i, 1] - start[i, 1], end[i, 2] - start[i, 2]
    size = math.sqrt(out[0] * out[0] + out[1] * out[1] + out[2] * out[2])
    if size > 0.0:
        out[0], out[1], out[2] = out[0] / size, out[1] / size, out[2] / size


@njit(cache=True, nogil=True)
def motion_seconds(
    kind, start, end, centre, radius, turn, length, feed, exact_stop, blend, most_feed, rapid, a, j, blend_mm, flat_rad,
):  # fmt: skip
    """Seconds of each of n moves that follow one another, 0 for those that go nowhere.

    The first eight and the two after are columns of moves; `radius`, `turn` (n,) of arcs, mm and rad; `length` (n,) mm;
    `most_feed` and `rapid` mm/min; `blend_mm` the gap to a corner under G64; a join flatter than `flat_rad` is none.
    """
    n = kind.shape[0]
    lengths, limits, junctions = np.empty(n), np.empty(n), np.zeros(n + 1)
    first, last = np.empty(3), np.empty(3)
    m = 0
    before = -1
    halt = False  # an exact stop at the last move that went somewhere, or since
    for i in range(n):
        if length[i] > 0.0:
            speed = rapid
            if kind[i] != 0:
                speed = min(feed[i], most_feed) if feed[i] > 0.0 else most_feed
            speed = speed / 60.0
            if kind[i] >= 2:
                speed = min(speed, math.sqrt(a * radius[i]))
            lengths[m], limits[m] = length[i], speed
            if before >= 0 and not halt and (kind[i] == 0) == (kind[before] == 0):
                _direction(kind, start, end, centre, turn, i, start[i], first)
                x, y, z = first[0] - last[0], first[1] - last[1], first[2] - last[2]
                bend = math.sqrt(x * x + y * y + z * z) / 2.0  # sine of half the turn
                square = bend * bend
                if blend[i] and blend[before]:
                    corner = math.inf
                    if square > 0.0:
                        half = math.sqrt(max(1.0 - square, 0.0))  # sine of half the inside angle
                        inscribed = blend_mm * half * (1.0 + half) / square  # s/(1-s) without cancellation
                        room = half / bend * min(length[before], length[i]) / 2.0
                        corner = math.sqrt(a * min(inscribed, room))
                    junctions[m] = corner
                elif 2.0 * bend <= flat_rad:
                    junctions[m] = math.inf
            _direction(kind, start, end, centre, turn, i, end[i], last)
            before = i
            halt = False
            m += 1
        halt = halt or exact_stop[i]
    seconds = np.zeros(n)
    times = chain_times(lengths[:m], limits[:m], junctions[: m + 1], a, j)
    m = 0
    for i in range(n):
        if length[i] > 0.0:
            seconds[i] = times[m]
            m += 1
    return seconds
