"""Where a feature begins and ends in Z, and what lies above it.

Words: the *surface* of a feature is where metal begins when its turn comes: the faced plane, or the floor of the
feature it lies in (its *host*: a pivot bore in a bearing pocket). *Under* is how far a through cut goes past the
part, into the stock below it and never past the skin.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.geometry.offsets import Area
from pipeline.model.part import Feature, Hole, Part, Pocket, Side
from pipeline.model.setup import PlacedPart, ZPlan

UNDER_MM = 0.1  # a through bore goes this far past the part where the stock below allows it
SAME_MM = 0.01  # heights closer than this are one plane
_CHORD_MM = 0.01


@dataclass(frozen=True, slots=True, kw_only=True)
class Nesting:
    """How deep a feature lies in others: `level` hosts above it, and the nearest `host`."""

    level: int
    host: Hole | Pocket | None


def nesting(feature: Hole | Pocket, part: Part) -> Nesting:
    """Which features of the inside face lie above this one."""
    level = 0
    host = first = _host(feature, part)
    while host is not None:
        level += 1
        host = _host(host, part)
    return Nesting(level=level, host=first)


def is_open(feature: Feature, part: Part) -> bool:
    """True when nothing of the finished part lies above the feature's top."""
    if not isinstance(feature, (Hole, Pocket)) or feature.side is Side.INSIDE:
        return feature.side is Side.INSIDE
    return feature.top_z_mm >= part.thickness_mm - SAME_MM or _host(feature, part) is not None


def surface_z_mm(placed: PlacedPart, host: Hole | Pocket | None) -> float:
    """Setup Z of the surface under which the feature begins."""
    return placed.inside_z_mm if host is None else placed.bottom_z_mm + _floor(host)


def through_floor_z_mm(placed: PlacedPart, low_z_mm: float, z: ZPlan) -> float:
    """Setup Z to which a through cut goes whose full size ends at part height `low_z_mm`: a little past it, into the
    stock below the part by at most half, never below the skin plane."""
    opens_below = low_z_mm > SAME_MM  # into something the second side cuts: no stock of the part's is spent
    under = UNDER_MM if opens_below else min(UNDER_MM, z.stock_below_mm / 2)
    return max(z.skin_mm, placed.bottom_z_mm + low_z_mm - under)


def _floor(feature: Hole | Pocket) -> float:
    return feature.bottom_z_mm if isinstance(feature, Hole) else feature.floor_z_mm


def _host(feature: Hole | Pocket, part: Part) -> Hole | Pocket | None:
    """The smallest feature of the inside face whose floor is this one's top and that holds it in plan."""
    hosts = [
        other
        for other in part.features
        if isinstance(other, (Hole, Pocket))
        and other.side is Side.INSIDE
        and other.id != feature.id
        and other.top_z_mm > feature.top_z_mm + SAME_MM
        and abs(_floor(other) - feature.top_z_mm) <= SAME_MM
        and _holds(other, feature)
    ]
    return min(hosts, key=lambda f: (_area_mm2(f), f.id), default=None)


def _holds(host: Hole | Pocket, feature: Hole | Pocket) -> bool:
    points = feature.outer.vertices[:, :2] if isinstance(feature, Pocket) else np.array([[feature.x_mm, feature.y_mm]])
    if isinstance(host, Hole):
        return bool((np.hypot(*(points - (host.x_mm, host.y_mm)).T) <= host.diameter_mm / 2 + SAME_MM).all())
    area = Area.of_loops(host.outer, host.islands, chord_mm=_CHORD_MM).grown(SAME_MM)
    return bool(area.contains(points).all())


def _area_mm2(feature: Hole | Pocket) -> float:
    return np.pi * feature.diameter_mm**2 / 4 if isinstance(feature, Hole) else feature.outer.area_mm2
