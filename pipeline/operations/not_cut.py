"""What this program leaves, said aloud: one `NotCut` per thing, with the region where stock may then be found.

An empty region means that the stock seen from above is not touched by leaving it (a thread, a pocket on the far side).
A ring (a chamfer) is one polygon with a slit of no width between its outer and its inner line.
"""

from __future__ import annotations

import math

import numpy as np

from pipeline.model.arrays import Float
from pipeline.model.loop import Loop
from pipeline.model.part import Chamfer, Feature, Hole, Pocket, Side, Surface
from pipeline.model.setup import PlacedPart, Setup
from pipeline.model.toolpath import NotCut
from pipeline.model.units import shown
from pipeline.operations.recipes import LATER, Recipe

NO_REGION: Float = np.zeros((0, 2))
CHORD_MM = 0.005
CIRCLE_CORNERS = 72
SPILL_MM = 0.05  # regions reach this far past what they stand for: limits of size and the edge's own rounding


def later_by_recipe(placed: PlacedPart, feature: Feature, recipe: Recipe, *, setup: Setup) -> NotCut:
    """A feature that this program does not touch at all."""
    if recipe.later is None:
        raise ValueError(f"{feature.id}: its recipe leaves nothing")
    operation, later_setup = recipe.later
    region, low, high = _untouched(placed, feature, setup)
    return NotCut(
        part_id=placed.part_id,
        feature_id=feature.id,
        operation=operation,
        setup=later_setup,
        reason=recipe.reason,
        region=region,
        low_z_mm=low,
        high_z_mm=high,
    )


def later_of_part(placed: PlacedPart, setup: Setup, *, units: str) -> tuple[NotCut, NotCut]:
    """What every part waits for: its outer face, and the way out of the plate."""
    amounts = f"skin {shown(setup.z.skin_mm, unit=units)} and stock {shown(setup.z.stock_below_mm, unit=units)}"
    low, high = 0.0, placed.bottom_z_mm
    return (
        later_by_rule(placed, "outer-face", "outer face", low_z_mm=low, high_z_mm=high, amounts=amounts),
        later_by_rule(placed, "edge", "break-out", low_z_mm=low, high_z_mm=setup.z.skin_mm),
    )


def later_by_rule(
    placed: PlacedPart, feature_id: str, what: str, *, region: Float = NO_REGION, low_z_mm: float, high_z_mm: float,
    amounts: str = "",
) -> NotCut:  # fmt: skip
    """A row of LATER: what a feature carries beside the operations of this program. `region` in the setup frame;
    `amounts` goes before the row's reason."""
    operation, later_setup, reason = LATER[what]
    return NotCut(
        part_id=placed.part_id,
        feature_id=feature_id,
        operation=operation,
        setup=later_setup,
        reason=f"{amounts}: {reason}" if amounts else reason,
        region=region,
        low_z_mm=low_z_mm,
        high_z_mm=high_z_mm,
    )


def circle_region(x_mm: float, y_mm: float, radius_mm: float) -> Float:
    """A polygon (n, 2) that holds the circle."""
    angles = 2 * math.pi * np.arange(CIRCLE_CORNERS) / CIRCLE_CORNERS
    reach = radius_mm / math.cos(math.pi / CIRCLE_CORNERS)
    return np.column_stack([x_mm + reach * np.cos(angles), y_mm + reach * np.sin(angles)])


def hole_region(placed: PlacedPart, hole: Hole) -> Float:
    """The hole at its largest, as a polygon (n, 2) in the setup frame."""
    x, y = centre_setup(placed, hole)
    return circle_region(x, y, max(hole.diameter_mm, hole.limits_mm[1]) / 2 + SPILL_MM)


def hole_ring(placed: PlacedPart, hole: Hole, inner_mm: float) -> Float:
    """The ring between a smaller diameter and the hole at its largest, (n, 2) in the setup frame."""
    x, y = centre_setup(placed, hole)
    return _slit(hole_region(placed, hole), circle_region(x, y, inner_mm / 2 - SPILL_MM))


def loop_region(placed: PlacedPart, loop: Loop) -> Float:
    """A loop's inside as a polygon (n, 2) in the setup frame."""
    return loop.moved(placed.setup_from_part).flattened(chord_mm=CHORD_MM, outward=True)


def centre_setup(placed: PlacedPart, hole: Hole) -> tuple[float, float]:
    """The hole's axis in the setup frame."""
    x, y = placed.setup_from_part.points(np.array([[hole.x_mm, hole.y_mm]]))[0]
    return float(x), float(y)


def chamfer_ring(loop: Loop, leg_mm: float, *, inward: bool) -> Float:
    """The band in plan that a chamfer of this leg takes, (n, 2) in the loop's frame.

    At a hole's mouth (`inward`) it lies outside the loop, at a part's edge inside it.
    """
    line = loop.flattened(chord_mm=CHORD_MM)
    outer = _moved_out(line, (leg_mm if inward else 0.0) + SPILL_MM)
    inner = _moved_out(line, -(0.0 if inward else leg_mm) - SPILL_MM)
    return _slit(outer, inner)


def _slit(outer: Float, inner: Float) -> Float:
    """One polygon from a ring's two counter-clockwise lines: round the outer, across, back round the inner, across."""
    return np.vstack([outer, outer[:1], inner[:1], inner[:0:-1], inner[:1]])


def _untouched(placed: PlacedPart, feature: Feature, setup: Setup) -> tuple[Float, float, float]:
    """Region and band of stock that stays when nothing is done to the feature."""
    bottom, top = placed.bottom_z_mm, placed.inside_z_mm
    if isinstance(feature, Hole) and feature.through:
        return hole_region(placed, feature), setup.z.skin_mm, top
    if feature.side is Side.OUTER:
        if isinstance(feature, Pocket) and _spans(placed, feature.top_z_mm, feature.floor_z_mm):
            return loop_region(placed, feature.outer), setup.z.skin_mm, top
        return NO_REGION, bottom, top
    if isinstance(feature, Chamfer):
        ring = chamfer_ring(feature.loop, feature.leg_mm, inward=feature.inward)
        z = bottom + feature.z_mm
        return placed.setup_from_part.points(ring), z - feature.leg_mm - SPILL_MM, z
    if isinstance(feature, Surface):
        return loop_region(placed, feature.region), bottom + feature.low_z_mm, top
    return NO_REGION, bottom, top


def _spans(placed: PlacedPart, one_z_mm: float, other_z_mm: float) -> bool:
    return abs(one_z_mm - other_z_mm) >= placed.part.thickness_mm - SPILL_MM


def _moved_out(points: Float, distance_mm: float) -> Float:
    """A counter-clockwise polygon's corners moved outward so that its sides move by `distance_mm` (mitred)."""
    side = np.roll(points, -1, axis=0) - points
    side /= np.hypot(*side.T)[:, None]
    normal = np.column_stack([side[:, 1], -side[:, 0]])
    before = np.roll(normal, 1, axis=0)
    both = normal + before
    length2 = np.maximum((both**2).sum(axis=1, keepdims=True), 0.25)  # a needle's tip is not chased to infinity
    return points + both * (2 * distance_mm / length2)
