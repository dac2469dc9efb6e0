"""Deviation maps: each part as the program leaves it in simulation, seen from above, coloured by how far it is off.

Blue, dark in a print without colours, is cut too deep; orange, lighter, is left on; white is right; grey is not judged.
Blue and orange are told apart by all common kinds of colour blindness, and triangles mark the extremes besides.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

import numpy as np
from numpy.typing import NDArray

from pipeline.model.arrays import Float
from pipeline.model.job import Tolerances
from pipeline.model.setup import PlacedPart, Setup
from pipeline.model.units import EPS_MM
from pipeline.model.verdict import PartMap
from pipeline.packet.ink import FONT, num, polygon
from pipeline.packet.nest_drawing import outline_of
from pipeline.packet.simulated.png import data_uri, png

_MOST_CELLS = 240_000  # of all maps of a page together: half a byte each at worst, 160 kB of page
_SHARES = (1 / 8, 1 / 2, 1.0)  # of a limit: where one colour ends and the next begins
# classes from the deepest cut over white to the most left; the outermost two are beyond the limits
COLOURS = ((8, 29, 88), (34, 94, 168), (147, 188, 222), (255, 255, 255), (253, 212, 158), (252, 141, 40), (153, 60, 0))
_NOT_JUDGED = len(COLOURS)
_GREY = (205, 205, 205)
_ROOM_MM = 1.5  # round the outline
_SIGN_MM = 1.1  # half the height of a triangle where the part is as large as a handle


@dataclass(frozen=True, slots=True)
class MapPicture:
    """One part's map with its figures. Extremes are None where nothing was judged."""

    part_id: str
    picture: str  # SVG
    width_mm: float
    height_mm: float
    least_mm: float | None
    most_mm: float | None
    over_mm2: float
    judged_mm2: float


def limits_mm(tolerances: Tolerances) -> tuple[float, ...]:
    """The six bounds between the seven colours, from the deepest to the most left."""
    deep = [-share * tolerances.floor_mm for share in reversed(_SHARES)]
    return (*deep, *(share * tolerances.left_mm for share in _SHARES))


def colour_classes(deviation: NDArray[np.float32], tolerances: Tolerances) -> NDArray[np.uint8]:
    """Index into `COLOURS` for every cell, 7 where nothing is judged. A value on a limit is inside it."""
    bounds = np.array(limits_mm(tolerances))
    half = len(bounds) // 2
    value = np.nan_to_num(np.asarray(deviation, dtype=np.float64))
    found = (value[..., None] > bounds[half:] + EPS_MM).sum(axis=-1) + half
    found -= (value[..., None] < bounds[:half] - EPS_MM).sum(axis=-1)
    return np.where(np.isfinite(deviation), found, _NOT_JUDGED).astype(np.uint8)


def draw_maps(maps: Sequence[PartMap], setup: Setup, tolerances: Tolerances) -> list[MapPicture]:
    """A picture for each map, in the order of the parts on the plate. Maps with more cells than fit the page are
    thinned, the value farthest from 0 staying."""
    total = sum(one.deviation.size for one in maps)
    every = max(1, math.ceil(math.sqrt(total / _MOST_CELLS)))
    placed = {spot.part_id: (k, spot) for k, spot in enumerate(setup.parts)}
    known = sorted((one for one in maps if one.part_id in placed), key=lambda one: placed[one.part_id][0])
    return [_draw(one, placed[one.part_id][1], tolerances, every) for one in known]


def thinned(one: PartMap, every: int) -> PartMap:
    """The map in cells `every` times as large; a cell is judged when any of its own is."""
    if every == 1:
        return one
    rows, columns = (math.ceil(n / every) * every for n in one.deviation.shape)
    whole = np.full((rows, columns), np.nan, dtype=np.float32)
    whole[: one.deviation.shape[0], : one.deviation.shape[1]] = one.deviation
    blocks = whole.reshape(rows // every, every, columns // every, every).swapaxes(1, 2)
    blocks = blocks.reshape(rows // every, columns // every, every * every)
    far = np.where(np.isfinite(blocks), np.abs(blocks), -1.0).argmax(axis=-1)
    shift = (every - 1) / 2 * one.cell_mm
    return PartMap(
        part_id=one.part_id,
        x0_mm=one.x0_mm + shift,
        y0_mm=one.y0_mm + shift,
        cell_mm=one.cell_mm * every,
        deviation=np.take_along_axis(blocks, far[..., None], axis=-1)[..., 0],
    )


def _draw(full: PartMap, spot: PlacedPart, tolerances: Tolerances, every: int) -> MapPicture:
    judged = full.deviation[np.isfinite(full.deviation)]
    classes = colour_classes(full.deviation, tolerances)
    over = int(((classes == 0) | (classes == _NOT_JUDGED - 1)).sum())
    ring = outline_of(spot)
    low, high = ring.min(axis=0) - _ROOM_MM, ring.max(axis=0) + _ROOM_MM
    small = thinned(full, every)
    cells = colour_classes(small.deviation, tolerances)[::-1]  # the first row of a picture is on top
    picture = data_uri(png(cells, (*COLOURS, _GREY), clear=_NOT_JUDGED))
    rows, columns = cells.shape
    x, y = small.x0_mm - small.cell_mm / 2, small.y0_mm - small.cell_mm / 2
    width, height = high - low
    grey = "#{:02x}{:02x}{:02x}".format(*_GREY)
    return MapPicture(
        spot.part_id,
        f'<svg viewBox="{num(low[0])} {num(-high[1])} {num(width)} {num(height)}" role="img" font-family="{FONT}">'
        f"<title>{escape(spot.part_id)}: how far the simulated part is off</title>"
        + polygon([ring], f'fill="{grey}" stroke="none"')
        + f'<image x="{num(x)}" y="{num(-y - rows * small.cell_mm)}" width="{num(columns * small.cell_mm)}"'
        f' height="{num(rows * small.cell_mm)}" preserveAspectRatio="none" style="image-rendering: pixelated"'
        f' href="{picture}"/>'
        + polygon([ring], 'fill="none" stroke="#000" stroke-width="0.35"')
        + _signs(full, min(1.0, float(max(width, height)) / 40))
        + "</svg>",
        float(width),
        float(height),
        float(judged.min()) if judged.size else None,
        float(judged.max()) if judged.size else None,
        over * full.cell_mm**2,
        judged.size * full.cell_mm**2,
    )


def _signs(one: PartMap, scale: float) -> str:
    """A triangle on its tip where the cut is deepest, one on its base where most is left."""
    if not np.isfinite(one.deviation).any():
        return ""
    out = ""
    for way, flat in ((1, int(np.nanargmin(one.deviation))), (-1, int(np.nanargmax(one.deviation)))):
        row, column = divmod(flat, one.deviation.shape[1])
        if abs(float(one.deviation[row, column])) < EPS_MM or float(one.deviation[row, column]) * way > 0:
            continue
        out += _triangle(np.array([one.x0_mm + column * one.cell_mm, one.y0_mm + row * one.cell_mm]), way, scale)
    return out


def _triangle(at: Float, way: int, scale: float) -> str:
    x, y, size = float(at[0]), -float(at[1]), _SIGN_MM * max(scale, 0.4)
    path = f"M{num(x - size)} {num(y - way * size)}h{num(2 * size)}L{num(x)} {num(y + way * size)}Z"
    return f'<path class="extreme" d="{path}" fill="#fff" stroke="#000" stroke-width="{0.35 * max(scale, 0.4):.2f}"/>'
