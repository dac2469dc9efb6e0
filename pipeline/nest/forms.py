"""Polygons at listed angles, with the no-fit polygons of every two of them, as the separation kernel wants them."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.geometry.nofit import convex_parts, no_fit
from pipeline.kernels.nest_nofit import Fit
from pipeline.model.arrays import Float, product

_SAME = 1e-9  # of the size: forms whose corners differ by less are one; corners that far inside an edge make no dent
_RIGHT = {0: (1.0, 0.0), 1: (0.0, 1.0), 2: (-1.0, 0.0), 3: (0.0, -1.0)}  # cosine and sine of quarter turns, exact


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Forms:
    """The forms of some kinds: the ring (n, 2) of each about its reference point, the angle it stands at, and `fit`."""

    rings: tuple[Float, ...]
    angles_rad: tuple[float, ...]
    fit: Fit


def forms_of(rings: Sequence[Float], angles_rad: Sequence[Sequence[float]]) -> Forms:
    """The forms of kinds given as simple rings (n, 2), counter-clockwise, about their reference points, each with the
    angles it may stand at. Angles that give the same form are taken once. Raises ValueError for a kind without one."""
    turned: list[Float] = []
    parts: list[list[Float]] = []
    angles: list[float] = []
    of_kind = [0]
    for ring, allowed in zip(rings, angles_rad, strict=True):
        pieces = convex_parts(ring)
        for angle in allowed:
            form = _turned(ring, angle)
            if not any(_is_same(form, other) for other in turned[of_kind[-1] :]):
                turned.append(form)
                angles.append(angle)
                parts.append([_turned(piece, angle) for piece in pieces])
        if len(turned) == of_kind[-1]:
            raise ValueError("a kind without an angle")
        of_kind.append(len(turned))
    n = len(turned)
    edges: dict[tuple[int, int], Float] = {}
    for a in range(n):
        for b in range(a, n):
            edges[a, b] = no_fit(parts[a], parts[b])
            edges[b, a] = -edges[a, b]
    width = np.array([float(np.ptp(ring, axis=0).min()) for ring in rings])
    fit = _packed([edges[a, b] for a in range(n) for b in range(n)])._replace(
        extent=np.array([[*ring.min(axis=0), *ring.max(axis=0)] for ring in turned]),
        of_kind=np.array(of_kind), width=width, usual=float(np.median(width)),
    )  # fmt: skip
    return Forms(rings=tuple(turned), angles_rad=tuple(angles), fit=fit)


def _turned(points: Float, angle: float) -> Float:
    """Points turned about the origin; by quarters exactly."""
    quarters = angle / (0.5 * math.pi)
    c, s = math.cos(angle), math.sin(angle)
    if abs(quarters - round(quarters)) < _SAME:
        c, s = _RIGHT[round(quarters) % 4]
    turned: Float = product(points, np.array([[c, s], [-s, c]]))
    return turned


def _is_same(a: Float, b: Float) -> bool:
    """Whether two rings have the same corners, in whatever order."""
    near = np.abs(a[:, None, :] - b[None, :, :]).max(axis=2) <= _SAME * float(np.ptp(a, axis=0).max())
    return len(a) == len(b) and bool(near.any(axis=1).all())


def _packed(polygons: Sequence[Float]) -> Fit:
    """No-fit polygons (edges, inside to the left) as flat tables."""
    first = np.cumsum([0, *(len(e) for e in polygons)])
    e = np.concatenate(polygons)
    d = e[:, 2:] - e[:, :2]
    size = np.hypot(d[:, 0], d[:, 1])
    nx, ny = -d[:, 1] / size, d[:, 0] / size
    offset = -(nx * e[:, 0] + ny * e[:, 1])
    convex = []
    for a, b in itertools.pairwise(first):
        side = np.outer(e[a:b, 0], nx[a:b]) + np.outer(e[a:b, 1], ny[a:b]) + offset[a:b]
        convex.append(bool(side.min() > -_SAME * size[a:b].max()))
    return Fit(
        first=first, edges=np.column_stack([e[:, :2], d, 1 / size**2, e[:, 3], nx, ny, offset]),
        box=np.array([[*p[:, :2].min(axis=0), *p[:, :2].max(axis=0)] for p in polygons]), convex=np.array(convex),
        extent=np.zeros((0, 4)), of_kind=np.zeros(0, dtype=np.int64), width=np.zeros(0), usual=0.0,
    )  # fmt: skip
