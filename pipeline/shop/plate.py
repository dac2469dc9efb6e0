"""The top of a billet: thickness, its uncertainty and the bow, measured by hand or worked out of a grid of probes.

Words: a *probe* is one height of the top over the bed, read at a place of the billet frame with the vacuum on. From
there on everything takes the top as flat and level within plus or minus `thickness_uncertainty`, with `bow` on top of
it; so whatever a real plate is not must go into these two figures.

The rule, for probes z_i at (x_i, y_i) that each may be wrong by u:
- the least-squares plane through the probes stands for the top, its residuals for the bow;
- thickness = the plane's mean over the outline. A plane's mean over an area is its height at the area's centroid, and
  its extremes over a polygon lie at corners, so both are exact;
- thickness uncertainty = the plane's largest departure from that height at a corner of the outline (half of its range
  where both sides are alike), plus the deepest probe below the plane, plus the plane's own error. A height of the plane
  is a sum of the probes, each times a weight; with every probe off by u the worst way it is off by u times the sum of
  the weights' sizes. Probes in a heap or nearly in line thus answer for themselves where they do not reach;
- bow = the largest residual, up or down.

What probes cannot tell: a plate that lies on a chip reads like a wedge, and what stands up between the probes is not
seen. Four corners of an evenly domed plate have no residual at all: probe its middle, too.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from pipeline.model.arrays import Float
from pipeline.model.units import EPS_MM, shown
from pipeline.shop.polygons import Points, is_inside
from pipeline.shop.reading import Reader, Values

BY_HAND = {
    "thickness": "measured thickness",
    "thickness_uncertainty": "plus or minus",
    "bow": "left under full vacuum",
}
BY_PROBES = {
    "probes": "[x, y, z] of the top: x and y in the billet frame, z over the bed with vacuum on",
    "probe_uncertainty": "of one probe's height, plus or minus",
}
_LEAST_PROBES = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class Plane:
    """z = z_at_origin + slope_x * x + slope_y * y, and the largest distance in z of a point it was fitted to. mm."""

    slope_x: float
    slope_y: float
    z_at_origin: float
    residual: float

    def at(self, x: float, y: float) -> float:
        """Height at a place."""
        return self.z_at_origin + self.slope_x * x + self.slope_y * y


@dataclass(frozen=True, slots=True, kw_only=True)
class Top:
    """What the rest needs to know of a billet's top."""

    thickness_mm: float
    thickness_uncertainty_mm: float
    bow_mm: float


def fit_plane(points: ArrayLike) -> Plane:
    """The plane of least squares in z through points (n, 3). Raises ValueError for fewer than 3, or 3 in one line."""
    xyz = np.asarray(points, dtype=np.float64)
    weights = _weights(xyz)
    z, slope_x, slope_y = (weights @ xyz[:, 2]).tolist()
    x, y = xyz[:, :2].mean(axis=0).tolist()
    centred = xyz[:, :2] - (x, y)
    off = xyz[:, 2] - (z + centred @ (slope_x, slope_y))
    return Plane(
        slope_x=slope_x,
        slope_y=slope_y,
        z_at_origin=z - slope_x * x - slope_y * y,
        residual=float(np.abs(off).max()),
    )


def _weights(xyz: Float) -> Float:
    """(3, n): rows that give, times the heights, the plane's height at the middle of the points and its two slopes."""
    if xyz.ndim != 2 or xyz.shape[1] != 3 or len(xyz) < 3:
        raise ValueError(f"found points of shape {xyz.shape}, wanted 3 or more (x, y, z)")
    design = np.column_stack([np.ones(len(xyz)), xyz[:, :2] - xyz[:, :2].mean(axis=0)])  # centred: no digits lost
    if np.linalg.svd(design[:, 1:], compute_uv=False)[1] < EPS_MM:
        raise ValueError("found points in one line, wanted them spread over a plane")
    out: Float = np.linalg.pinv(design)
    return out


def top_of(probes: ArrayLike, outline: ArrayLike, *, probe_uncertainty_mm: float) -> Top:
    """The rule of this module. `probes` (n, 3) and `outline` (m, 2), a simple polygon, in the billet frame, mm.

    Raises ValueError as `fit_plane` does.
    """
    xyz, corners = np.asarray(probes, dtype=np.float64), np.asarray(outline, dtype=np.float64)
    plane = fit_plane(xyz)
    thickness = plane.at(*_centroid(corners))
    over = np.array([plane.at(x, y) for x, y in corners.tolist()])
    dip = max(0.0, *(plane.at(x, y) - z for x, y, z in xyz.tolist()))
    reach = np.column_stack([np.ones(len(corners)), corners - xyz[:, :2].mean(axis=0)])
    error = probe_uncertainty_mm * float(np.abs(reach @ _weights(xyz)).sum(axis=1).max())
    return Top(
        thickness_mm=thickness,
        thickness_uncertainty_mm=float(np.abs(over - thickness).max()) + dip + error,
        bow_mm=plane.residual,
    )


def _centroid(corners: Float) -> tuple[float, float]:
    """Centroid of a polygon's area, by triangles from its first corner (closed form)."""
    a = corners - corners[0]
    b = np.roll(a, -1, axis=0)
    twice = a[:, 0] * b[:, 1] - b[:, 0] * a[:, 1]
    x, y = (corners[0] + (twice[:, None] * (a + b)).sum(axis=0) / (3 * twice.sum())).tolist()
    return x, y


def find_top(billet: Values, outline: Points | None, reader: Reader) -> None:
    """Put `thickness`, `thickness_uncertainty` and `bow` into a billet that gives probes instead, after a finding for
    every fault. Keys that were not written are gone afterwards. `outline` is None when it is no polygon."""
    for key in (*BY_HAND, *BY_PROBES):
        if billet.get(key) is None:
            billet.pop(key, None)
    wrote = [key for key in BY_HAND if key in billet.nodes], [key for key in BY_PROBES if key in billet.nodes]
    ways = f"either {', '.join(BY_HAND)}, or {' and '.join(BY_PROBES)}"
    if all(wrote):
        reader.fault("J123", billet.at(wrote[1][0]), found=f"both {wrote[0][0]} and {wrote[1][0]}", wanted=ways)
        return
    if not any(wrote):
        reader.fault("J105", billet.node, found="neither thickness nor probes", wanted=ways, key="thickness")
        return
    for key, note in (BY_HAND if wrote[0] else BY_PROBES).items():
        if key not in billet.nodes:
            reader.fault("J105", billet.node, found=f"no key {key}", wanted=f"{key}: {note}", key=key)
    if outline is not None and billet.has(*BY_PROBES) and _are_sound(billet["probes"], outline, billet, reader):
        top = top_of(billet["probes"], outline, probe_uncertainty_mm=billet["probe_uncertainty"])
        found = (top.thickness_mm, top.thickness_uncertainty_mm, top.bow_mm)
        for key, value in zip(BY_HAND, found, strict=True):
            billet[key] = value
            billet.nodes[key] = billet.at("probes")  # what is wrong with them is wrong with the probes


def _are_sound(probes: Sequence[tuple[float, float, float]], outline: Points, billet: Values, reader: Reader) -> bool:
    """Enough probes, on the plate, not in one line; else findings."""
    node, unit = billet.at("probes"), reader.unit_of(billet.node)
    wanted = f"{_LEAST_PROBES} or more, spread over the plate and its middle"
    if len(probes) < _LEAST_PROBES:
        reader.fault(
            "J125", node, found=f"{len(probes)} probes", wanted=wanted, hint="a plane through 3 says nothing of the bow"
        )
        return False
    outside = [index for index, (x, y, _) in enumerate(probes) if not is_inside((x, y), outline)]
    for index in outside:
        x, y, _ = probes[index]
        reader.fault(
            "J125",
            node.items[index],
            found=f"a probe beside the plate at ({shown(x, unit=unit)}, {shown(y, unit=unit)})",
            wanted="probes inside the outline, in its frame",
        )
    if outside:
        return False
    try:
        fit_plane(probes)
    except ValueError:
        reader.fault("J125", node, found=f"{len(probes)} probes in one line", wanted=wanted)
        return False
    return True
