"""How the force of milling comes and goes while the cutter turns: shapes without units, for `pipeline.shop.forces`.

Words: the *arc* is the part of the cutter's circle that stands in stock, `engaged` rad long; angles on it count from
its thin end, where a tooth goes along the wall and takes no chip. The chip at angle a is h = fz sin(a), and a piece of
edge there pushes with h^(1 - mc), so all of it is fz^(1 - mc) times a *pulse* sin(a)^(1 - mc) exp(i a): a force that
keeps its angle to the edge turns with it. The *lag* is the angle by which the helix holds back the upper end of the
edge: depth tan(helix) / radius. The *pitch* is 2 pi / flutes, from tooth to tooth.

One tooth's edge covers a window of the arc, one lag long; its force is the mean of the pulse over that window. Peaks
are over all positions of the cutter. While one tooth at most is in the arc, they follow in closed form from the
integral of the pulse; beyond that they stand in tables over arc and lag, made once per (flutes, mc) with `summed`;
between nodes they are interpolated (peaks within 0.1 %, within 1.5 % where the lag is over a pitch). A lag over one
pitch holds whole pitches, whose force is steady, and a rest.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]
Turned = NDArray[np.complex128]
_N_STEPS = 16384  # of the integral along the arc
_N_ARCS, _N_LAGS, _N_STARTS = 65, 33, 24  # of the tables
_LEAST_RAD = 1e-4  # a narrower arc is taken as this
_PEAK, _CLIMB, _CONVENTIONAL = 0, 1, 2
_OfOne = Callable[[Array, Array, float, float], Array]


# Gauss-Legendre of 6 points (Abramowitz and Stegun, table 25.4, from memory; a test integrates polynomials with them).
# Constants, since a library's eigenvalues differ in the last bits from one processor to another.
_GAUSS_HALF = np.array([0.2386191860831969, 0.6612093864662645, 0.9324695142031521])
_GAUSS_HALF_WEIGHTS = np.array([0.4679139345726910, 0.3607615730481386, 0.1713244923791704])
_GAUSS_POINTS = np.concatenate([-_GAUSS_HALF[::-1], _GAUSS_HALF])
_GAUSS_WEIGHTS = np.concatenate([_GAUSS_HALF_WEIGHTS[::-1], _GAUSS_HALF_WEIGHTS])


@lru_cache(maxsize=8)
def _integrals(mc: float) -> tuple[Turned, Turned, Array, Array]:
    """Integrals of the pulse from 0 to each of the even steps up to pi, and how much each next one is more; the same of
    sin(a)^(1 - mc) alone. The last step, which begins at pi, is nothing."""
    point, weight = _GAUSS_POINTS, _GAUSS_WEIGHTS
    a = math.pi * (np.arange(_N_STEPS)[:, None] + (point + 1) / 2) / _N_STEPS
    size = np.sin(a) ** (1 - mc) * (math.pi / 2 / _N_STEPS)
    parts = [np.cumsum(np.einsum("...i,i->...", f, weight)) for f in (size * np.exp(1j * a), size)]
    pulse, alone = np.concatenate([[0.0], parts[0]]), np.concatenate([[0.0], parts[1]]).real
    return pulse, np.diff(pulse, append=pulse[-1]), alone, np.diff(alone, append=alone[-1])


def _step(angle: Array) -> tuple[NDArray[np.int64], Array]:
    """The step of the integrals that each angle lies in, 0 to pi, and how far into it, 0 to 1."""
    x = angle * (_N_STEPS / math.pi)
    i = x.astype(np.int64)
    return i, x - i


def _upto(angle: Array, mc: float) -> Turned:
    """Integral of the pulse from 0 to each angle, 0 to pi."""
    pulse, more, _, _ = _integrals(mc)
    i, part = _step(angle)
    return pulse[i] + part * more[i]


def mean_turned(engaged_rad: ArrayLike, mc: float) -> Turned:
    """Mean of exp(i a) over the arc, weighted by the force at a: where the mean force of all teeth points, from the
    thin end, and how much of it is left after what cancels (the absolute value, at most 1). (n,)."""
    arc = np.clip(np.asarray(engaged_rad, dtype=np.float64), _LEAST_RAD, math.pi)
    pulse, more, alone, alone_more = _integrals(mc)
    i, part = _step(arc)
    return (pulse[i] + part * more[i]) / (alone[i] + part * alone_more[i])


def summed(engaged_rad: Array, lag_rad: Array, starts: Array, flutes: int, mc: float) -> Turned:
    """Sum over all teeth, when the window of one of them begins at `starts` (n, s); arcs and lags (n,). (n, s).

    Straight from the integral. A lag of 0 is a straight edge.
    """
    pitch = 2 * math.pi / flutes
    arc, lag = engaged_rad[:, None], lag_rad[:, None]
    longest = float(lag_rad.max(initial=0.0))
    first = starts % pitch
    out = np.zeros(np.broadcast_shapes(first.shape, arc.shape), dtype=np.complex128)
    for k in range(-math.ceil(longest / pitch) - 1, math.ceil(math.pi / pitch) + 1):
        low = first + k * pitch
        window = _upto(np.clip(low + lag, 0.0, arc), mc) - _upto(np.clip(low, 0.0, arc), mc)
        inside = (low >= 0) & (low <= arc)
        straight = np.where(inside, np.abs(np.sin(low)) ** (1 - mc), 0.0) * np.exp(1j * low)
        out += np.where(lag > 0, window / np.where(lag > 0, lag, 1.0), straight)
    return out


def peak(engaged_rad: ArrayLike, lag_rad: ArrayLike, flutes: int, mc: float) -> Array:
    """Largest length of the sum over all teeth, over all positions of the cutter. (n,).

    Times sqrt(1 + radial share^2), depth and kc1.1 fz^(1 - mc) it is the peak of the plan force. A straight edge
    (lag 0) of a single tooth in half a circle or more gives 1.
    """
    return _over_pitches(engaged_rad, lag_rad, flutes, mc, _peak_of_one, _PEAK, 1.0)


def wall(engaged_rad: ArrayLike, lag_rad: ArrayLike, flutes: int, mc: float, radial: float, *, climb: bool) -> Array:
    """Force across the wall while the wall is made, in the units of `peak`: positive away from it, which leaves stock.

    The wall at one height is made when the edge at that height passes the thin end; what bends the cutter then is the
    rest of the edge in the arc. The largest over the heights, with its sign. `radial` is the radial share.
    """
    return _over_pitches(engaged_rad, lag_rad, flutes, mc, _climb_of_one if climb else _conventional_of_one,
                         _CLIMB if climb else _CONVENTIONAL, radial)  # fmt: skip


def _over_pitches(
    engaged_rad: ArrayLike, lag_rad: ArrayLike, flutes: int, mc: float, of_one: _OfOne, which: int, radial: float
) -> Array:
    """Closed form where one tooth at most is in the arc, the table elsewhere, whole pitches of lag apart."""
    pitch = 2 * math.pi / flutes
    arc, lag = np.broadcast_arrays(
        np.clip(np.asarray(engaged_rad, dtype=np.float64), _LEAST_RAD, math.pi),
        np.maximum(np.asarray(lag_rad, dtype=np.float64), 0.0),
    )
    shape = arc.shape
    arc, lag = arc.ravel(), lag.ravel()
    whole = np.floor(lag / pitch) * pitch
    rest = lag - whole
    value, many = np.empty(len(arc)), arc + rest > pitch
    one = ~many
    if one.any():
        value[one] = of_one(arc[one], rest[one], mc, radial)
    if many.any():
        value[many] = _looked_up(which, arc[many], rest[many], flutes, mc, radial, False)
    long = whole > 0
    if long.any():
        if which != _PEAK:  # some point of so long an edge is at the wall in every position
            value[long] = _looked_up(which, arc[long], rest[long], flutes, mc, radial, True)
        steady = _across(_upto(arc[long], mc), which, radial) / pitch
        value[long] = (whole[long] * steady + rest[long] * value[long]) / lag[long]
    return value.reshape(shape)


def _across(force: Turned, which: int, radial: float) -> Array:
    if which == _PEAK:
        return np.abs(force)
    return radial * force.real + (force.imag if which == _CLIMB else -force.imag)


def _mean_from(low: Array, high: Array, lag: Array, mc: float) -> Turned:
    """Mean of the pulse over a window one lag long of which low to high lies in the arc."""
    straight = lag <= _LEAST_RAD
    mean = (_upto(high, mc) - _upto(low, mc)) / np.where(straight, 1.0, lag)
    if straight.any():
        mean[straight] = np.sin(high[straight]) ** (1 - mc) * np.exp(1j * high[straight])
    return mean


def _peak_of_one(arc: Array, lag: Array, mc: float, radial: float) -> Array:
    """The window as near the thickest chip, at a quarter turn, as it can be."""
    half = np.minimum(lag, arc) / 2
    middle = np.clip(math.pi / 2, half, np.maximum(arc - half, half))
    return np.abs(_mean_from(middle - half, middle + half, lag, mc))


def _climb_of_one(arc: Array, lag: Array, mc: float, radial: float) -> Array:
    """sin(a) + radial cos(a) pushes away from the wall up to pi/2 + atan(radial)."""
    high = np.minimum(np.minimum(arc, lag), math.pi / 2 + math.atan(radial))
    return _across(_from_wall(high, lag, mc), _CLIMB, radial)


def _conventional_of_one(arc: Array, lag: Array, mc: float, radial: float) -> Array:
    """radial cos(a) - sin(a) pushes away up to atan(radial), and pulls in beyond."""
    away = _across(_from_wall(np.minimum(np.minimum(arc, lag), math.atan(radial)), lag, mc), _CONVENTIONAL, radial)
    whole = _across(_from_wall(np.minimum(arc, lag), lag, mc), _CONVENTIONAL, radial)
    return np.where(np.abs(whole) > np.abs(away), whole, away)


def _from_wall(high: Array, lag: Array, mc: float) -> Turned:
    thick = lag > _LEAST_RAD
    return np.where(thick, _upto(high, mc) / np.where(thick, lag, 1.0), 0.0)


@lru_cache(maxsize=32)
def _tables(flutes: int, mc: float, radial: float, every_position: bool) -> tuple[Array, Array, Array]:
    """Peak, climb and conventional, each (arcs, lags from 0 to one pitch). The walls' for `every_position` of the
    cutter, or only while an edge is at the wall."""
    pitch = 2 * math.pi / flutes
    arc = np.maximum(math.pi / 2 * (1 - np.cos(math.pi * np.linspace(0, 1, _N_ARCS))), _LEAST_RAD).repeat(_N_LAGS)
    lag = np.tile(pitch * np.linspace(0, 1, _N_LAGS), _N_ARCS)
    just_in = arc * (1 - _LEAST_RAD)
    spread = np.broadcast_to(np.linspace(0, 1, _N_STARTS), (len(arc), _N_STARTS))
    anywhere = summed(arc, lag, np.column_stack([pitch * spread, -lag, just_in - lag, just_in]), flutes, mc)
    at_wall = anywhere if every_position else summed(arc, lag, -lag[:, None] * spread, flutes, mc)
    out = []
    for which, force in ((_PEAK, anywhere), (_CLIMB, at_wall), (_CONVENTIONAL, at_wall)):
        size = _across(force, which, radial)
        worst = np.argmax(np.abs(size), axis=1)
        out.append(size[np.arange(len(arc)), worst].reshape(_N_ARCS, _N_LAGS))
    return out[0], out[1], out[2]


def _looked_up(which: int, arc: Array, lag: Array, flutes: int, mc: float, radial: float,
               every_position: bool) -> Array:  # fmt: skip
    table = _tables(flutes, mc, radial, every_position)[which]
    x = np.arccos(1 - 2 * arc / math.pi) * ((_N_ARCS - 1) / math.pi)
    y = np.clip(lag * flutes / (2 * math.pi), 0.0, 1.0) * (_N_LAGS - 1)
    i = np.minimum(x.astype(np.int64), _N_ARCS - 2)
    j = np.minimum(y.astype(np.int64), _N_LAGS - 2)
    x, y = x - i, y - j
    table, at, rest = table.ravel(), i * _N_LAGS + j, 1 - y
    low = table[at] * rest + table[at + 1] * y
    high = table[at + _N_LAGS] * rest + table[at + _N_LAGS + 1] * y
    return low * (1 - x) + high * x
