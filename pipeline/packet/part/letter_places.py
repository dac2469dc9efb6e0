"""Where the letters of the features stand in a plan: on a pocket's floor, beside a hole, outside the outline."""

from __future__ import annotations

import math

import numpy as np

from pipeline.model.arrays import Float
from pipeline.model.part import Chamfer, Feature, Hole, Part, Pocket, Side, Surface
from pipeline.packet.part.drafting import Point, Scale, Sheet, free_place, pill_half
from pipeline.packet.part.feature_table import letters
from pipeline.packet.part.part_views import flat, is_inside

_AWAY_MM = (1.6, 3.2, 5.0, 8.0)  # how far from its feature a letter may stand, the best first
_SPOTS = 40  # places along a loop that are tried


def draw_letters(sheet: Sheet, scale: Scale, part: Part) -> None:
    """The letter of every feature beside it; features about one axis share a ring."""
    by_id, outline = letters(part), scale.at(flat(part.outline))
    groups: dict[tuple[float, float] | str, list[Feature]] = {}
    for feature in part.features:
        if feature.id in by_id:
            key = (round(feature.x_mm, 4), round(feature.y_mm, 4)) if isinstance(feature, Hole) else feature.id
            if isinstance(feature, Chamfer) and not feature.inward:
                key = "edges"
            groups.setdefault(key, []).append(feature)
    for features in groups.values():
        words = " ".join(by_id[f.id] for f in features)
        half = pill_half(words)
        places, anchors = _around(features, scale, half, outline)
        at = free_place(sheet, places, half)
        anchor = anchors[places.index(at)]
        if anchor is not None:
            sheet.line([at, anchor], "thin")
        sheet.pill(*at, words)


def _around(features: list[Feature], scale: Scale, half: Point,
            outline: Float) -> tuple[list[Point], list[Point | None]]:
    """Places for a letter, the best first, and what each is tied to by a line (None: it stands on its feature)."""
    first = features[0]
    if isinstance(first, Hole):
        x, y = scale.point((first.x_mm, first.y_mm))
        radius = max(f.diameter_mm for f in features if isinstance(f, Hole)) / 2 * scale.ratio
        turns = [(math.cos(k * math.pi / 8), math.sin(k * math.pi / 8)) for k in range(-2, 14)]
        rim = [(x + radius * cos, y + radius * sin, cos, sin) for cos, sin in turns]
    else:
        loop = first.outer if isinstance(first, Pocket) else first.loop if isinstance(first, Chamfer) else first.region
        ring = scale.at(flat(loop))
        hidden = first.side is Side.OUTER
        if isinstance(first, Pocket) and first.islands:
            return _on_floor(scale.at(flat(first.outer)), scale.at(flat(first.islands[0])))
        if not isinstance(first, Chamfer) and not hidden:
            middle = (ring.min(axis=0) + ring.max(axis=0)) / 2
            size = np.ptp(ring, axis=0)
            inner = [(float(middle[0] + a * size[0]), float(middle[1] + b * size[1]))
                     for a in (0.0, 0.15, -0.15, 0.3, -0.3) for b in (0.0, 0.2, -0.2)]
            inner = [at for at in inner if _holds(ring, at, half) and _holds(outline, at, half)]
            if inner and isinstance(first, (Pocket, Surface)):
                return inner, [None] * len(inner)
        step = np.roll(ring, -1, axis=0) - ring
        normal = np.column_stack([-step[:, 1], step[:, 0]]) / np.hypot(*step.T)[:, None]
        rim = [(*p, *n) for p, n in zip(ring.tolist(), normal.tolist(), strict=True)]
        rim = rim[::max(1, len(rim) // _SPOTS)]
    places: list[Point] = []
    anchors: list[Point | None] = []
    for away in _AWAY_MM:
        for x, y, nx, ny in rim:
            reach = away + abs(nx) * half[0] + abs(ny) * half[1]
            places.append((x + nx * reach, y + ny * reach))
            anchors.append((x, y))
    return places, anchors


def _holds(ring: Float, at: Point, half: Point) -> bool:
    """Whether a box of this half size about a place lies in a ring, by its corners."""
    return all(is_inside(np.array([at[0] + a * half[0], at[1] + b * half[1]]), ring) for a in (-1, 1) for b in (-1, 1))


def _on_floor(outer: Float, island: Float) -> tuple[list[Point], list[Point | None]]:
    """Places on the floor of a pocket round an island: half way from one to the other."""
    places: list[Point] = []
    for x, y in outer[::max(1, len(outer) // _SPOTS)].tolist():
        near = island[np.hypot(island[:, 0] - x, island[:, 1] - y).argmin()]
        places.append(((x + float(near[0])) / 2, (y + float(near[1])) / 2))
    return places, [None] * len(places)
