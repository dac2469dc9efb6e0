"""Statics of a body on the bed: which pushes the stops take, and about which edges it tips. Plan view, mm, N, rad."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.kernels import verify_holding as kernel
from pipeline.model.setup import Setup
from pipeline.model.units import EPS_MM

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Cone:
    """Directions of a push that stops take whole: `half_rad` either side of `middle_rad`. Negative: there are none."""

    middle_rad: float
    half_rad: float

    def left_over(self, angle_rad: Array, turn_rad: Array) -> Array:
        """Share of a push that friction must hold, when it may point anywhere within `turn_rad` of `angle_rad`.

        Stops push only, each along its own normal. A push at an angle d outside their cone leaves sin d of itself,
        all of it from a right angle on.
        """
        if self.half_rad < 0:
            return np.ones(len(angle_rad))
        off = np.abs((angle_rad - self.middle_rad + math.pi) % (2 * math.pi) - math.pi)
        worst = np.minimum(off + turn_rad, math.pi) - self.half_rad
        return np.where(worst <= 0, 0.0, np.where(worst >= math.pi / 2, 1.0, np.sin(np.clip(worst, 0, math.pi / 2))))


_SQUARE = np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]])
NO_STOPS = Cone(middle_rad=0.0, half_rad=-1.0)


def stop_cone(setup: Setup) -> Cone:
    """The cone between the directions in which the plate would push straight at each stop."""
    stops = [block for block in setup.blocks if block.kind == "stop"]
    contacts = np.array(setup.seating.contacts)
    if not stops or len(stops) != len(contacts):
        return NO_STOPS
    toward = np.array([stop.outline.mean(axis=0) for stop in stops]) - contacts
    angles = np.sort(np.arctan2(toward[:, 1], toward[:, 0]))
    gaps = np.diff(np.append(angles, angles[0] + 2 * math.pi))
    k = int(np.argmax(gaps))
    if gaps[k] < math.pi:  # stops all round: every push meets some
        return Cone(middle_rad=0.0, half_rad=math.pi)
    first, width = float(angles[(k + 1) % len(angles)]), 2 * math.pi - float(gaps[k])
    return Cone(middle_rad=first + width / 2, half_rad=width / 2)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Edges:
    """The edges over which a body may tip. An inside point p lies `inward @ p - offset` from each, mm; `lever_mm` (m,)
    is that of the centre of its pull, `across_mm` (m,) how wide the body is across the edge."""

    inward: Array  # (m, 2) unit normals
    offset_mm: Array
    lever_mm: Array
    across_mm: Array


def edges_of(points: Array, centre: Array, inset_mm: float) -> Edges:
    """Edges of the convex hull of the points (n, 2), moved inward by `inset_mm` (outward when negative), for a pull
    at `centre` (2,). Points in one line have no hull: then of squares round them, as far out."""
    hull = kernel.hull(points[np.lexsort((points[:, 1], points[:, 0]))], EPS_MM)
    if len(hull) < 3 and inset_mm < 0:
        return edges_of((points[:, None, :] - inset_mm * _SQUARE).reshape(-1, 2), centre, 0.0)
    step = np.roll(hull, -1, axis=0) - hull
    step /= np.hypot(step[:, 0], step[:, 1])[:, None]
    inward = np.column_stack([-step[:, 1], step[:, 0]])
    offset = np.sum(inward * hull, axis=1) + inset_mm
    return Edges(
        inward=inward,
        offset_mm=offset,
        lever_mm=np.maximum(np.einsum("ij,j->i", inward, centre) - offset, 0.0),
        across_mm=np.ptp(np.einsum("ij,kj->ik", hull, inward), axis=0) - 2 * inset_mm,
    )
