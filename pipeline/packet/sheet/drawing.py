"""The nest for paper: vector graphics in black on white, to a round scale that is stated.

Families are told apart by hatching. Hatch lines are cut exactly at the outline, so that nothing depends on a viewer's
clipping. Setup frame in mm in, points on the paper out; the places of names are those of the packet's other drawing.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

import numpy as np
from reportlab.graphics.shapes import FILL_EVEN_ODD, Circle, Drawing, Group, Line, Path, Rect, String
from reportlab.lib.colors import black, white
from reportlab.lib.units import mm
from reportlab.pdfbase.pdfmetrics import stringWidth

from pipeline.model.arrays import Float
from pipeline.model.setup import PlacedPart, Setup
from pipeline.model.shop import Block
from pipeline.model.units import MM_PER_INCH
from pipeline.packet.nest_drawing import (
    BED_HATCHING,
    HATCHINGS,
    hatch_lines,
    holes_of,
    is_long,
    label_place,
    outline_of,
    pockets_of,
)
from pipeline.packet.sheet.paper import BOLD, TEXT, register_fonts

_ROUND = (1.0, 1.25, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0)
_EDGE_MM = 7.0  # on the paper, round everything that is drawn: room for the names outside
_Hatch = tuple[tuple[float, float], ...]


def scale_for(size_mm: tuple[float, float], room_mm: tuple[float, float]) -> float:
    """The smallest round N of a scale 1:N at which something of this size fits the room; never larger than life."""
    need = max(1.0, size_mm[0] / room_mm[0], size_mm[1] / room_mm[1])
    decade = 10.0 ** math.floor(math.log10(need))
    return next(n * decade for n in (*_ROUND, 10.0) if n * decade >= need)


def nest_drawing(setup: Setup, *, units: str, width_mm: float, height_mm: float) -> tuple[Drawing, float]:
    """The drawing, at most this large on the paper, and N of its scale 1:N."""
    register_fonts()
    everything = np.vstack([setup.billet, setup.gasket, *(b.outline for b in setup.blocks), [[0.0, 0.0]]])
    low, high = everything.min(axis=0), everything.max(axis=0)
    scale = scale_for(tuple((high - low).tolist()), (width_mm - 2 * _EDGE_MM, height_mm - 2 * _EDGE_MM))
    sheet = _Sheet(low, scale)
    width, height = (high - low) / scale + 2 * _EDGE_MM
    sheet.shift = ((width_mm - width) / 2, 0.0)
    drawing = Drawing(width_mm * mm, height * mm, initialFontName=TEXT)
    for shape in _shapes(setup, sheet, units):
        drawing.add(shape)
    return drawing, scale


class _Sheet:
    """Takes the setup frame to the paper and knows how thick lines and names are there."""

    def __init__(self, low: Float, scale: float) -> None:
        self.low, self.scale, self.shift = low, scale, (0.0, 0.0)

    def at(self, points: Float | Sequence[Sequence[float]]) -> Float:
        """Setup frame, mm, to points on the paper."""
        paper: Float = ((np.asarray(points, dtype=float) - self.low) / self.scale + _EDGE_MM + self.shift) * mm
        return paper

    def polygon(self, rings: Iterable[Float], *, width: float, fill: object = None, dash: object = None) -> Path:
        """Closed rings; holes in a ring stay open."""
        path = Path(fillColor=fill, strokeColor=black, strokeWidth=width, strokeDashArray=dash, fillMode=FILL_EVEN_ODD)
        path.strokeLineJoin = 1
        for ring in rings:
            _run(path, self.at(ring))
            path.closePath()
        return path

    def hatch(self, ring: Float, hatching: _Hatch, *, width: float) -> Path:
        path = Path(fillColor=None, strokeColor=black, strokeWidth=width)
        for degrees, gap_mm in hatching:
            for x0, y0, x1, y1 in hatch_lines(self.at(ring), angle_rad=math.radians(degrees), gap=gap_mm * mm):
                path.moveTo(_r(x0), _r(y0))
                path.lineTo(_r(x1), _r(y1))
        return path


def _run(path: Path, points: Float) -> None:
    for k, (x, y) in enumerate(points.tolist()):
        (path.lineTo if k else path.moveTo)(_r(x), _r(y))


def _r(points: float) -> float:
    """A thousandth of a point is less than a printer's dot."""
    return round(float(points), 3)


def _shapes(setup: Setup, sheet: _Sheet, units: str) -> Iterable[object]:
    """Everything on the drawing, from the bed up."""
    yield sheet.polygon([setup.billet], width=1.6, fill=white)
    yield sheet.polygon([setup.gasket], width=0.8, dash=[6, 3])
    for block in setup.blocks:
        yield sheet.polygon([block.outline], width=0.8, fill=white)
        yield sheet.hatch(block.outline, BED_HATCHING, width=0.6)
    families = list(dict.fromkeys(placed.part.family for placed in setup.parts))
    for placed in setup.parts:
        yield from _part(placed, HATCHINGS[families.index(placed.part.family) % len(HATCHINGS)], sheet)
    for defect in setup.defects:
        yield sheet.polygon([defect], width=0.6, fill=black)
    for hole in setup.holes:
        yield sheet.polygon([hole], width=1.6, fill=white)
    for placed in setup.parts:
        yield _part_name(placed, sheet)
    x, y = sheet.at([setup.port_mm])[0]
    yield Circle(x, y, 4.5, fillColor=None, strokeColor=black, strokeWidth=1, strokeDashArray=[2, 1.2])
    yield _name("port", x, y + 9.5, 6)
    centre = setup.billet.mean(axis=0)
    for block in setup.blocks:
        yield _block_name(block, centre, sheet)
    for cx, cy in sheet.at(setup.seating.contacts):
        yield Circle(cx, cy, 2.2, fillColor=black, strokeColor=white, strokeWidth=0.4)
    yield from _origin(sheet)
    yield from _pointer_checks(setup, sheet)
    yield from _marked_corner(setup, centre, sheet)
    yield from _scale_bar(setup, sheet, units)


def _part(placed: PlacedPart, hatching: _Hatch, sheet: _Sheet) -> Iterable[object]:
    outline = outline_of(placed)
    yield sheet.polygon([outline], width=0.9, fill=white)
    yield sheet.hatch(outline, hatching, width=0.3)
    yield sheet.polygon([outline], width=0.9)
    for rings in pockets_of(placed):
        yield sheet.polygon(rings, width=0.4, fill=white)
    for x, y, radius in holes_of(placed) if is_long(outline) else ():  # a small part's number needs the room
        px, py = sheet.at([(x, y)])[0]
        yield Circle(px, py, radius / sheet.scale * mm, fillColor=white, strokeColor=black, strokeWidth=0.5)


def _part_name(placed: PlacedPart, sheet: _Sheet) -> object:
    """The name where it fits, the copy's number alone where it does not."""
    outline = outline_of(placed)
    if not is_long(outline):
        x, y = sheet.at([label_place(placed, outline, 0.0)])[0]
        return _name(placed.part_id.rpartition("-")[2], x, y, 6.5)
    size = 8.5 if np.ptp(outline, axis=0).max() > 60 else 6.5
    half_mm = stringWidth(placed.part_id, BOLD, size) / 2 / mm * sheet.scale
    x, y = sheet.at([label_place(placed, outline, half_mm)])[0]
    turned = (math.degrees(placed.setup_from_part.angle_rad) + 90) % 180 - 90  # never upside down
    return _name(placed.part_id, x, y, size, degrees=turned)


def _block_name(block: Block, centre: Float, sheet: _Sheet) -> object:
    """Inside where there is room; else beside it, away from the billet."""
    ring = sheet.at(block.outline)
    (x, y), (low, high) = (ring.min(axis=0) + ring.max(axis=0)) / 2, (ring.min(axis=0)[1], ring.max(axis=0)[1])
    if stringWidth(block.name, BOLD, 6) > np.ptp(ring[:, 0]) - 3 or high - low < 8:
        y = low - 5 if y < sheet.at(centre[None, :])[0][1] else high + 5
    return _name(block.name, x, y, 6)


def _name(text: str, x: float, y: float, size: float, *, degrees: float = 0.0, box: bool = True) -> Group:
    """Text about its middle on a white ground, so that it reads on hatching."""
    half = stringWidth(text, BOLD, size) / 2
    group = Group()
    if box:
        group.add(Rect(-half - 1.2, -0.6 * size, 2 * half + 2.4, 1.2 * size, fillColor=white, strokeColor=None))
    group.add(String(0, -0.36 * size, text, fontName=BOLD, fontSize=size, textAnchor="middle"))
    group.translate(_r(x), _r(y))
    group.rotate(round(degrees, 3))
    return group


def _arrow(x0: float, y0: float, x1: float, y1: float, *, width: float = 1.0) -> Iterable[object]:
    """A line with a filled head whose tip is exactly at (x1, y1)."""
    turn = math.atan2(y1 - y0, x1 - x0)
    back = [(x1 - 5 * math.cos(turn + s), y1 - 5 * math.sin(turn + s)) for s in (-0.35, 0.35)]
    yield Line(_r(x0), _r(y0), _r((back[0][0] + back[1][0]) / 2), _r((back[0][1] + back[1][1]) / 2), strokeWidth=width)
    head = Path(fillColor=black, strokeColor=None)
    _run(head, np.array([(x1, y1), *back]))
    head.closePath()
    yield head


def _origin(sheet: _Sheet) -> Iterable[object]:
    x, y = sheet.at([(0.0, 0.0)])[0]
    yield from _arrow(x, y, x + 24, y, width=0.8)
    yield from _arrow(x, y, x, y + 24, width=0.8)
    yield Circle(x, y, 3.4, fillColor=white, strokeColor=black, strokeWidth=0.9)
    yield Circle(x, y, 0.9, fillColor=black, strokeColor=None)
    yield _name("X", x + 29, y, 7)
    yield _name("Y", x, y + 29, 7)
    yield _name("X0 Y0", x + 5, y - 10, 7)


def _pointer_checks(setup: Setup, sheet: _Sheet) -> Iterable[object]:
    """An arrow the way the pointer comes, its tip on the edge to be touched."""
    for k, check in enumerate(setup.seating.pointer_checks, start=1):
        x, y = sheet.at([(check.x_mm, check.y_mm)])[0]
        way = 1.0 if check.approach.endswith("+") else -1.0
        dx, dy = (way, 0.0) if check.approach.startswith("X") else (0.0, way)
        yield from _arrow(x - 13 * dx, y - 13 * dy, x, y, width=1.2)
        x, y = x - 19 * dx, y - 19 * dy
        yield Circle(x, y, 6.8, fillColor=white, strokeColor=black, strokeWidth=1.1)
        yield _name(f"P{k}", x, y, 7, box=False)


def _marked_corner(setup: Setup, centre: Float, sheet: _Sheet) -> Iterable[object]:
    """An arrow from outside to the marked corner."""
    (x, y), (cx, cy) = sheet.at(np.array([setup.seating.corner_mm, centre]))
    dx, dy = math.copysign(0.7071, x - cx), math.copysign(0.7071, y - cy)
    yield from _arrow(x + 17 * dx, y + 17 * dy, x, y, width=1.4)
    yield _name("marked corner", x + 17 * dx, y + 17 * dy + math.copysign(5, dy), 6.5)


def _scale_bar(setup: Setup, sheet: _Sheet, units: str) -> Iterable[object]:
    """A bar under the billet's right end, to compare with a rule: a print can be shrunk."""
    length_mm, name = (MM_PER_INCH, "1 in") if units == "in" else (20.0, "20 mm")
    length = length_mm / sheet.scale * mm
    right = sheet.at([(setup.billet[:, 0].max(), 0.0)])[0][0]
    x, y = right - length, 10.0
    yield Line(x, y, right, y, strokeWidth=1.2)
    for end in (x, right):
        yield Line(end, y - 3, end, y + 3, strokeWidth=1.2)
    yield String((x + right) / 2, y + 4, f"{name} on the bed", fontName=TEXT, fontSize=6.5, textAnchor="middle")
