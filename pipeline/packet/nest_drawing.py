"""The nest as a drawing: black on white, parts told apart by hatching and by name, so that it reads on a greasy print.

Words: a *layer* is a named list of closed polygons in the setup frame; the DXF carries the same layers as the SVG.
A drawing's own unit is the millimetre, X to the right and Y down: a place (x, y) of the setup is drawn at (x, -y).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from html import escape

import numpy as np

from pipeline.model.arrays import Float
from pipeline.model.part import Hole, Pocket, Side
from pipeline.model.setup import PlacedPart, Setup
from pipeline.model.shop import Billet
from pipeline.packet.ink import FONT, HALO, LETTER, box, num, polygon, text_at, upright
from pipeline.packet.nest_places import Mark, mark
from pipeline.packet.nest_zones import ZONE_INK, layers_sign, zone_borders, zones_and_layers
from pipeline.packet.rules import RULE_MM, marked_corner, origin, rules

_CHORD_MM = 0.02
_MARGIN_MM = 5.0  # white round everything, inside the frame
_LEGEND_ROW_MM = 5.6
_KEY_MM = 3.1  # size of the words of the key
_BANNER_MM = 9.0
_HATCH_SHORT_MM = 0.2  # hatching ends before the outline's own ink
# one hatching per family, in the order families first appear: lines as (angle in degrees, gap in mm)
HATCHINGS = (((45, 1.9),), ((135, 1.2),), ((0, 1.1),), ((45, 1.9), (135, 1.9)), ((90, 1.3),), ((20, 1.5),))
_PLUG_INK = 'stroke="#000" stroke-width="0.9" stroke-dasharray="0.1 1.7" stroke-linecap="round"'
BED_HATCHING = ((-45, 0.95),)


def nest_layers(setup: Setup) -> dict[str, list[Float]]:
    """Closed polygons (n, 2) by layer name, setup frame, mm."""
    layers: dict[str, list[Float]] = {
        "BILLET": [setup.billet],
        "GASKET": [setup.gasket],
        "DEFECTS": list(setup.defects),
        "PLUGS": list(setup.holes),
        "BED": [b.outline for b in setup.blocks],
    }
    for placed in setup.parts:
        layers.setdefault("PARTS-" + placed.part.name.upper(), []).append(outline_of(placed))
        layers.setdefault("HOLES", []).extend(_circle(x, y, r) for x, y, r in holes_of(placed))
    return layers


def outline_of(placed: PlacedPart) -> Float:
    """A placed part's outline as points (n, 2), setup frame."""
    return placed.part.outline.moved(placed.setup_from_part).flattened(chord_mm=_CHORD_MM)


@dataclass(frozen=True, slots=True)
class _Sheet:
    """Where things lie on the drawing: the frame in the setup frame, and the strips round it."""

    low: tuple[float, float]
    high: tuple[float, float]
    legend: tuple[tuple[tuple[float, str], ...], ...]  # rows of (x from the frame's left edge, key)
    banner_mm: float

    @property
    def size_mm(self) -> tuple[float, float]:
        width, height = self.high[0] - self.low[0], self.high[1] - self.low[1]
        legend = _LEGEND_ROW_MM * len(self.legend) + 1.0
        return width + RULE_MM + 1.0, height + RULE_MM + legend + self.banner_mm + 1.0


def sheet_mm(setup: Setup, *, billet: Billet | None = None) -> tuple[float, float]:
    """Width and height of the drawing at full size."""
    return _sheet(setup, billet).size_mm


def draw_nest(
    setup: Setup, *, units: str, banner: str = "", marks: Sequence[Mark] = (), billet: Billet | None = None
) -> str:
    """The nest seen from above, at full size, with rules in `units` along its frame and a key of its signs. With a
    `billet` its zones and the direction of its layers are drawn and named, too.

    Every part is a group of class `part` that carries its id in `data-part`. The group `nest-plate` holds all that
    lies on the bed, for `draw_place`.
    """
    sheet = _sheet(setup, billet, banner)
    width, height = sheet.size_mm
    left, top = sheet.low[0] - RULE_MM, -sheet.high[1] - sheet.banner_mm - 0.5
    out = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="{num(left)} {num(top)} {num(width)} {num(height)}"'
        f' width="{num(width)}mm" height="{num(height)}mm" role="img" font-family="{FONT}">',
        f"<title>Nest of {escape(setup.name)}, {escape(setup.side_up)} face up</title>",
        f'<rect x="{num(left)}" y="{num(top)}" width="{num(width)}" height="{num(height)}" fill="#fff"/>',
        '<g id="nest-plate">',
        *_plate(setup, billet),
        "</g>",
        *_bed_marks(setup),
        *rules(sheet.low, sheet.high, units),
        *_legend(sheet, setup, billet),
        *(mark(x, y, number) for x, y, number in marks),
    ]
    if banner:
        out.append(
            f'<text x="{num(left + width / 2)}" y="{num(top + 6.5)}" font-size="6" font-weight="700"'
            f' text-anchor="middle">{escape(banner)}</text>'
        )
    out.append("</svg>")
    return "\n".join(out) + "\n"


def _sheet(setup: Setup, billet: Billet | None, banner: str = "") -> _Sheet:
    everything = np.vstack([setup.billet, setup.gasket, *(b.outline for b in setup.blocks), [[0.0, 0.0]]])
    low, high = everything.min(axis=0) - _MARGIN_MM, everything.max(axis=0) + _MARGIN_MM
    rows: list[list[tuple[float, str]]] = [[]]
    x, width = 0.0, float(high[0] - low[0])
    graded = ["zone", "below"] if billet is not None and billet.zones else []
    layered = ["layers"] if billet is not None and billet.layers_rad is not None else []
    defects = [*(["defect"] if setup.defects else []), *(["plug"] if setup.holes else [])]
    for key in [*_families(setup), "bed", *defects, *graded, *layered, "gasket", "contact", "pointer"]:
        needed = _sign_mm(key) + LETTER * _KEY_MM * len(_key_words(key, setup)) + 3.0
        if rows[-1] and x + needed > width:
            rows.append([])
            x = 0.0
        rows[-1].append((x, key))
        x += needed
    return _Sheet(
        (float(low[0]), float(low[1])),
        (float(high[0]), float(high[1])),
        tuple(tuple(row) for row in rows),
        _BANNER_MM if banner else 0.0,
    )


def _families(setup: Setup) -> list[str]:
    return list(dict.fromkeys(p.part.family for p in setup.parts))


def hatch_lines(points: Float, *, angle_rad: float, gap: float) -> Float:
    """Rows (x0, y0, x1, y1) of parallel lines `gap` apart, cut to the inside of a closed polygon (n, 2). They are
    drawn as lines, for patterns lose their sharpness on the way to paper."""
    c, s = math.cos(angle_rad), math.sin(angle_rad)
    x, y = points.T
    u, v = x * c + y * s, y * c - x * s  # along the lines and across them
    u_next, v_next = np.roll(u, -1), np.roll(v, -1)
    rows = []
    for k in range(math.ceil(v.min() / gap), math.floor(v.max() / gap) + 1):
        level = k * gap  # counted from the origin: lines of neighbours run on
        crosses = (v <= level) != (v_next <= level)
        share = (level - v[crosses]) / (v_next[crosses] - v[crosses])
        places = np.sort(u[crosses] + share * (u_next[crosses] - u[crosses]))
        rows += [
            (a * c - level * s, a * s + level * c, b * c - level * s, b * s + level * c)
            for a, b in zip(places[::2], places[1::2], strict=True)
        ]
    return np.array(rows).reshape(-1, 4)


def _hatching(ring: Float, key: str, setup: Setup) -> str:
    """The hatching of a family, or of what stands on the bed, inside a ring."""
    families = _families(setup)
    of_family = HATCHINGS[families.index(key) % len(HATCHINGS)] if key in families else BED_HATCHING
    path = ""
    for angle, gap in of_family:
        turn = math.radians(angle)
        dx, dy = _HATCH_SHORT_MM * math.cos(turn), _HATCH_SHORT_MM * math.sin(turn)
        for x0, y0, x1, y1 in hatch_lines(ring, angle_rad=turn, gap=gap):
            if math.hypot(x1 - x0, y1 - y0) > 2 * _HATCH_SHORT_MM:
                path += f"M{num(x0 + dx)} {num(-y0 - dy)}L{num(x1 - dx)} {num(dy - y1)}"
    ink = 'stroke="#777" stroke-width="0.22"' if key in families else 'stroke="#000" stroke-width="0.4"'
    return f'<path class="hatch" d="{path}" {ink}/>'


def _plate(setup: Setup, billet: Billet | None) -> Iterable[str]:
    """Billet, gasket, what stands on the bed, parts with their names, zones, defects, layers."""
    yield polygon([setup.billet], 'fill="#fff" stroke="#000" stroke-width="0.9" stroke-linejoin="round"')
    yield polygon([setup.gasket], 'fill="none" stroke="#000" stroke-width="0.4" stroke-dasharray="3 1.4"')
    for block in setup.blocks:
        yield polygon([block.outline], 'fill="#fff" stroke="#000" stroke-width="0.45"')
        yield _hatching(block.outline, "bed", setup)
    for placed in setup.parts:
        outline = outline_of(placed)
        yield f'<g class="part" data-part="{escape(placed.part_id)}"><title>{escape(placed.part_id)}</title>'
        yield polygon([outline], 'class="edge" fill="#fff" stroke="#000" stroke-width="0.5"')
        yield _hatching(outline, placed.part.family, setup)
        for rings in pockets_of(placed):
            yield polygon(rings, 'fill="#fff" fill-rule="evenodd" stroke="#000" stroke-width="0.22"')
        for x, y, r in holes_of(placed) if is_long(outline) else ():  # a stud's number needs the room
            yield f'<circle cx="{num(x)}" cy="{num(-y)}" r="{num(r)}" fill="#fff" stroke="#000" stroke-width="0.28"/>'
        yield _label(placed, outline)
        yield "</g>"
    if billet is not None:
        yield from zone_borders(setup, billet, taken=_taken(setup))
    for defect in setup.defects:
        yield polygon([defect], 'fill="#000" stroke="#000" stroke-width="0.3"')
    for hole in setup.holes:
        yield polygon([hole], f'fill="#fff" {_PLUG_INK}')
    for block in setup.blocks:
        x, y = (block.outline.min(axis=0) + block.outline.max(axis=0)) / 2
        yield text_at(x, y, 2.8, block.name, f'{HALO} stroke-width="1.4"')
    if billet is not None:
        yield from zones_and_layers(setup, billet, parts=list(map(outline_of, setup.parts)), taken=_taken(setup))


def _taken(setup: Setup) -> list[Float]:
    """Rings that words of the plate must not cover: marks, names of parts, defects, what stands on the bed."""
    marks = [_circle(check.x_mm, check.y_mm, 2.5) for check in setup.seating.pointer_checks]
    names = [_name_of(placed, outline_of(placed)) for placed in setup.parts]
    boxes = [box(x, y, LETTER * size * len(name), size, turn) for x, y, size, name, turn in names]
    blocks = [block.outline for block in setup.blocks]
    return [*setup.defects, *setup.holes, *blocks, *marks, *boxes, _circle(*setup.port_mm, 5.0)]


def _name_of(placed: PlacedPart, outline: Float) -> tuple[float, float, float, str, float]:
    """Where a part's name stands, its size, the name and its turn: the whole name where it fits, the copy's number
    alone where it does not (studs)."""
    has_room = is_long(outline)
    size = 3.8 if np.ptp(outline, axis=0).max() > 60 else 3.0
    name = placed.part_id if has_room else placed.part_id.rpartition("-")[2]
    x, y = label_place(placed, outline, 0.26 * size * len(name))
    return x, y, size, name, upright(placed.setup_from_part.angle_rad) if has_room else 0.0


def _label(placed: PlacedPart, outline: Float) -> str:
    x, y, size, name, angle_rad = _name_of(placed, outline)
    style = f'font-weight="700" {HALO} stroke-width="1.1"'
    if is_long(outline):
        style += f' transform="rotate({num(-math.degrees(angle_rad))} {num(x)} {num(-y)})"'
    return text_at(x, y, size, name, style)


def label_place(placed: PlacedPart, points: Float, half_mm: float) -> tuple[float, float]:
    """The middle of the outline; for a long part the place along its axis where a label of this half width stays
    farthest from the holes. Over a pocket it reads well."""
    low, high = points.min(axis=0), points.max(axis=0)
    if not is_long(points):
        return float((low[0] + high[0]) / 2), float((low[1] + high[1]) / 2)
    axis = placed.setup_from_part.vectors(np.array([[1.0, 0.0]]))[0]
    holes = holes_of(placed)

    def room(t: float) -> float:
        letters = [points.mean(axis=0) + axis * (t + s * half_mm) for s in (-1, -0.5, 0, 0.5, 1)]
        return round(min((math.hypot(p[0] - x, p[1] - y) - r for p in letters for x, y, r in holes), default=0.0), 6)

    reach = 0.25 * float(np.hypot(*(high - low)))
    best = points.mean(axis=0) + axis * max(np.linspace(-reach, reach, 41), key=room)
    return float(best[0]), float(best[1])


def is_long(points: Float) -> bool:
    """Long enough to carry its whole name along its axis."""
    return bool(np.ptp(points, axis=0).max() > 25)


def _bed_marks(setup: Setup) -> Iterable[str]:
    """Origin with its axes, contacts, marked corner, pointer checks, port."""
    yield origin()
    for x, y in setup.seating.contacts:
        yield f'<circle cx="{num(x)}" cy="{num(-y)}" r="0.9" fill="#000"/>'
    yield marked_corner(*setup.seating.corner_mm)
    for k, check in enumerate(setup.seating.pointer_checks, start=1):
        yield _pointer(check.x_mm, check.y_mm, f"P{k}")
    x, y = setup.port_mm
    yield (
        f'<circle cx="{num(x)}" cy="{num(-y)}" r="2" fill="none" stroke="#000" stroke-width="0.4"'
        ' stroke-dasharray="1 0.6"/>'
    )
    yield text_at(x, y + 3.7, 2.6, "port", f'{HALO} stroke-width="0.8"')


def _pointer(x: float, y: float, name: str) -> str:
    return f'<circle cx="{num(x)}" cy="{num(-y)}" r="2.3" fill="#fff" stroke="#000" stroke-width="0.5"/>' + text_at(
        x, y, 2.6, name, 'font-weight="700"'
    )


def _legend(sheet: _Sheet, setup: Setup, billet: Billet | None) -> Iterable[str]:
    """What each hatching and sign means, in rows under the frame."""
    for row, keys in enumerate(sheet.legend):
        y = sheet.low[1] - RULE_MM - _LEGEND_ROW_MM * (row + 0.5)
        for dx, key in keys:
            x = sheet.low[0] + dx
            sign = layers_sign(x + 3, y, setup, billet) if key == "layers" else _sign(x, y, key, setup)
            yield sign + text_at(x + _sign_mm(key), y, _KEY_MM, _key_words(key, setup), anchor="start")


def _sign_mm(key: str) -> float:
    """Room for the sign of a key; what lies below is told in words alone."""
    return 0.0 if key == "below" else 7.5


def _sign(x: float, y: float, key: str, setup: Setup) -> str:
    """The sign beside its meaning: 6 mm wide, centred on y."""
    if key == "below":
        return ""
    if key == "gasket":
        return f'<path d="M{num(x)} {num(-y)}h6" stroke="#000" stroke-width="0.4" stroke-dasharray="2 1"/>'
    if key == "zone":
        return f'<path d="M{num(x)} {num(-y)}h6" {ZONE_INK}/>'
    if key == "contact":
        return f'<circle cx="{num(x + 3)}" cy="{num(-y)}" r="0.9" fill="#000"/>'
    if key == "pointer":
        return _pointer(x + 3, y, "P1")
    frame = np.array([[x, y - 1.9], [x + 6, y - 1.9], [x + 6, y + 1.9], [x, y + 1.9]])
    if key == "plug":
        return polygon([frame], f'fill="#fff" {_PLUG_INK}')
    fill = "#000" if key == "defect" else "#fff"
    hatching = "" if key == "defect" else _hatching(frame, key, setup)
    return polygon([frame], f'fill="{fill}" stroke="#000" stroke-width="0.4"') + hatching


def _key_words(key: str, setup: Setup) -> str:
    words = {
        "bed": "keep clear",
        "defect": "defect",
        "plug": "plugged hole",
        "zone": "zone and its figure",
        "below": "zones: face that lies down, seen through the plate",
        "layers": "layers run so",
        "gasket": "gasket",
        "contact": "contact",
        "pointer": "pointer check",
    }
    if key in words:
        return words[key]
    is_short = any(p.part.family == key and not is_long(outline_of(p)) for p in setup.parts)
    return f"{key}, by number" if is_short else key


def holes_of(placed: PlacedPart) -> list[tuple[float, float, float]]:
    """Centre and radius of every hole reached from the side that is up."""
    holes = [f for f in placed.part.features if isinstance(f, Hole) and (f.through or f.side is Side.INSIDE)]
    if not holes:
        return []
    centres = placed.setup_from_part.points(np.array([[h.x_mm, h.y_mm] for h in holes]))
    return [(float(x), float(y), h.diameter_mm / 2) for (x, y), h in zip(centres, holes, strict=True)]


def pockets_of(placed: PlacedPart) -> list[list[Float]]:
    """Rings (outer first) of every pocket on the side that is up."""
    return [
        [loop.moved(placed.setup_from_part).flattened(chord_mm=_CHORD_MM) for loop in (f.outer, *f.islands)]
        for f in placed.part.features
        if isinstance(f, Pocket) and f.side is Side.INSIDE and not f.open_edge
    ]


def _circle(x: float, y: float, r: float) -> Float:
    turn = np.linspace(0, 2 * np.pi, 48, endpoint=False)
    return np.column_stack([x + r * np.cos(turn), y + r * np.sin(turn)])
