"""The features of a part as a table: letters, places, sizes with limits. The drawing carries the same letters."""

from __future__ import annotations

import math
from dataclasses import dataclass

from pipeline.model.loop import Loop
from pipeline.model.part import Chamfer, Dimension, Feature, Hole, Mark, Part, Pocket, Side, Surface
from pipeline.model.units import EPS_MM
from pipeline.packet.part.drafting import Figures

_LETTERS = "ABCDEFGHJKLMNPRTUVW"  # without those that look like figures, S, the section, and the axes


@dataclass(frozen=True, slots=True, kw_only=True)
class FeatureRow:
    """One feature, as text in the units asked for. Places are from the part's origin; a loop's place is the middle of
    its box, and the outline has none. `depth` is from the inside face unless it says otherwise."""

    letter: str
    what: str
    x: str
    y: str
    diameter: str
    depth: str
    call_out: str
    side: str


def letters(part: Part) -> dict[str, str]:
    """The letter of each feature by its id, in the order of the family. A mouth's chamfer belongs to its hole."""
    named = [feature for feature in part.features if _hole_under(feature, part) is None]
    return {feature.id: _letter(k) for k, feature in enumerate(named)}


def _letter(k: int) -> str:
    round_, place = divmod(k, len(_LETTERS))
    return _LETTERS[place] + (str(round_ + 1) if round_ else "")


def feature_rows(part: Part, *, units: str) -> list[FeatureRow]:
    """One row for each lettered feature."""
    figures, by_id = Figures(units), letters(part)
    return [_row(feature, part, figures, by_id[feature.id]) for feature in part.features if feature.id in by_id]


def hole_limits(part: Part, dimension: Dimension) -> tuple[tuple[float, float] | None, int]:
    """Limits of the size a dimension shows, when a feature states them, and on how many equal holes it stands."""
    value, (x, y) = dimension.value_mm, dimension.start
    if dimension.kind == "diameter":
        for hole in (f for f in part.features if isinstance(f, Hole)):
            if math.hypot(hole.x_mm - x, hole.y_mm - y) < EPS_MM and abs(hole.diameter_mm - value) < EPS_MM:
                equal = [f for f in part.features if isinstance(f, Hole) and f.thread == hole.thread and (
                    f.diameter_mm, f.limits_mm, f.side) == (hole.diameter_mm, hole.limits_mm, hole.side)]
                return hole.limits_mm, len(equal)
    elif dimension.view == "side" and abs(dimension.start[0] - dimension.end[0]) < EPS_MM:
        low, high = sorted((dimension.start[1], dimension.end[1]))
        for feature in part.features:
            if isinstance(feature, Hole) and feature.depth_limits_mm and abs(feature.bottom_z_mm - low) < EPS_MM \
                    and abs(feature.top_z_mm - high) < EPS_MM and abs(feature.x_mm - x) < feature.diameter_mm / 2:
                return (high - feature.depth_limits_mm[1], high - feature.depth_limits_mm[0]), 1
            if isinstance(feature, Pocket) and feature.floor_limits_mm and abs(feature.floor_z_mm - low) < EPS_MM \
                    and abs(feature.top_z_mm - high) < EPS_MM:
                return (high - feature.floor_limits_mm[1], high - feature.floor_limits_mm[0]), 1
    return None, 1


def mouth_of(hole: Hole, part: Part) -> Chamfer | None:
    """The chamfer at the mouth of a hole."""
    return next((f for f in part.features if isinstance(f, Chamfer) and _hole_under(f, part) is hole), None)


def _hole_under(feature: Feature, part: Part) -> Hole | None:
    """The hole whose mouth an inward chamfer breaks."""
    if not isinstance(feature, Chamfer) or not feature.inward:
        return None
    circle = circle_of(feature.loop)
    if circle is None:
        return None
    x, y, radius = circle
    return next((f for f in part.features if isinstance(f, Hole) and f.side is feature.side
                 and math.hypot(f.x_mm - x, f.y_mm - y) < EPS_MM and abs(f.diameter_mm / 2 - radius) < EPS_MM), None)


def circle_of(loop: Loop) -> tuple[float, float, float] | None:
    """Centre and radius of a loop that is one circle."""
    rows = loop.vertices
    if len(rows) != 2 or abs(rows[0, 2] - 1) > EPS_MM or abs(rows[1, 2] - 1) > EPS_MM:
        return None
    (x0, y0, _), (x1, y1, _) = rows.tolist()
    return (x0 + x1) / 2, (y0 + y1) / 2, math.hypot(x1 - x0, y1 - y0) / 2


def _row(feature: Feature, part: Part, figures: Figures, letter: str) -> FeatureRow:
    words = feature.id.replace("-", " ")
    inside = feature.side is Side.INSIDE
    side = "inside face" if inside else "outer face"
    if isinstance(feature, Hole):
        return FeatureRow(letter=letter, what=words, x=figures.plain(feature.x_mm), y=figures.plain(feature.y_mm),
                          diameter=_diameter(feature, figures), depth=_hole_depth(feature, part, figures),
                          call_out=_call_out(feature, part, figures), side=side)
    if isinstance(feature, Pocket):
        x, y, size = _place(feature.outer, figures)
        # A round pocket's corner is its own radius: nothing to say about it.
        corner = "" if circle_of(feature.outer) else f", corner R{figures.plain(feature.corner_radius_mm)}"
        islands = "".join(f" less {_place(island, figures)[2]}" for island in feature.islands)
        depth = _depth(part, feature.floor_z_mm, feature.floor_limits_mm, figures, inside)
        open_edge = ", open at the edge" if feature.open_edge else ""
        return FeatureRow(letter=letter, what=words, x=x, y=y, diameter="", depth=depth,
                          call_out=f"{size}{islands}{corner}{open_edge}", side=side)
    if isinstance(feature, Chamfer):
        x, y, edge = ("", "", "outline") if _same(feature.loop, part.outline) else _place(feature.loop, figures)
        return FeatureRow(letter=letter, what=words, x=x, y=y, diameter="", depth="",
                          call_out=f"chamfer {figures.plain(feature.leg_mm)} x 45°, {edge}", side=side)
    if isinstance(feature, Surface):
        x, y, size = _place(feature.region, figures)
        depth = f"{figures.plain(feature.low_z_mm)} to {figures.plain(feature.high_z_mm)} from the outer face"
        return FeatureRow(letter=letter, what=words, x=x, y=y, diameter="", depth=depth,
                          call_out=f"curved face over {size}", side=side)
    assert isinstance(feature, Mark)
    x, y, size = _place(feature.region, figures)
    text = f'"{feature.text}"' if feature.text else "text"
    return FeatureRow(letter=letter, what=words, x=x, y=y, diameter="", depth=figures.plain(feature.depth_mm),
                      call_out=f"{text} inside {size}", side=side)


def _same(a: Loop, b: Loop) -> bool:
    return a.vertices.shape == b.vertices.shape and bool((a.vertices == b.vertices).all())


def _diameter(hole: Hole, figures: Figures) -> str:
    if hole.thread:
        return figures.limits(hole.limits_mm)
    return f"{figures.full(hole.diameter_mm)} {figures.deviations(hole.diameter_mm, hole.limits_mm)}"


def _hole_depth(hole: Hole, part: Part, figures: Figures) -> str:
    if hole.side is Side.OUTER:
        return f"{figures.plain(hole.top_z_mm)} from the outer face"
    if hole.through:
        below = part.thickness_mm - hole.top_z_mm
        return "through" if below < EPS_MM else f"from {figures.plain(below)}, through"
    point = "" if hole.flat_bottom else ", then the drill's point"
    return _depth(part, hole.bottom_z_mm, hole.depth_limits_mm, figures, True) + point


def _depth(part: Part, z: float, limits: tuple[float, float] | None, figures: Figures, inside: bool) -> str:
    if not inside:
        return f"{figures.plain(z)} from the outer face"
    up = part.thickness_mm
    if limits is None:
        return figures.plain(up - z)
    return f"{figures.full(up - z)} {figures.deviations(up - z, (up - limits[1], up - limits[0]))}"


def _call_out(hole: Hole, part: Part, figures: Figures) -> str:
    mouth = mouth_of(hole, part)
    words = [hole.fit]
    if hole.thread:
        words = [f"{hole.thread.name}, minor diameter {figures.limits(hole.thread.drill_limits_mm)}"]
    if mouth:
        words.append(f"countersink 90° to Ø{figures.plain(hole.diameter_mm + 2 * mouth.leg_mm)}")
    return "; ".join(words)


def _place(loop: Loop, figures: Figures) -> tuple[str, str, str]:
    """Middle of the loop's box, and its size: a diameter for a circle, width x height otherwise."""
    circle = circle_of(loop)
    if circle:
        return figures.plain(circle[0]), figures.plain(circle[1]), f"Ø{figures.plain(2 * circle[2])}"
    points = loop.flattened(chord_mm=0.0005)
    low, high = points.min(axis=0), points.max(axis=0)
    x, y = (low + high) / 2
    return figures.plain(x), figures.plain(y), f"{figures.plain(high[0] - low[0])} x {figures.plain(high[1] - low[1])}"
