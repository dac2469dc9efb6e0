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
"""

import math

import numpy as np
from numba import njit

_HALVINGS = 60


@njit(cache=True)
def ramp_time(u, v, a, j):
    """Seconds to change the speed from u to v."""
    change = abs(v - u)
    if j <= 0.0:
        return change / a
    if change >= a * a / j:
        return change / a + a / j
    return 2.0 * math.sqrt(change / j)


@njit(cache=True)
def ramp_length(u, v, a, j):
    """Length set aside for a ramp between u and v, u <= v. See the module's text for u > 0 with jerk."""
    if j > 0.0 and u > 0.0:
        worst = a * a / (2.0 * j) if v >= 1.5 * a * a / j else v / 3.0
        u = max(u, worst)
    return (u + v) / 2.0 * ramp_time(u, v, a, j)


@njit(cache=True)
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


@njit(cache=True)
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


@njit(cache=True)
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
