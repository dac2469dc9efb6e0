"""Places on the nest: flags on the drawing, and pictures that show again what `draw_nest` drew on the same page."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from html import escape

import numpy as np

from pipeline.model.setup import Setup
from pipeline.model.units import MM_PER_INCH
from pipeline.packet.ink import FONT, HALO, LETTER, num, text_at

_PLACE_HALF_MM = 12.0
_PLATE_MARGIN_MM = 4.0
_FLAG_MM = 3.4  # size of the words of a flag where the whole plate is shown
_SAME_PLACE_MM = 3.0  # places this near each other share a flag

# a ring round a place with its number beside it: x_mm, y_mm, number
Mark = tuple[float, float, str]
_Box = tuple[float, float, float, float]  # low x, low y, high x, high y, setup frame


def mark(x: float, y: float, number: str) -> str:
    """A finding: a ring round its place, open where it is, its number on a flag up and to the right."""
    width = 1.6 + LETTER * 2.6 * len(number)
    return (
        f'<g class="mark"><circle cx="{num(x)}" cy="{num(-y)}" r="1.4" fill="none" stroke="#fff" stroke-width="1.2"/>'
        f'<circle cx="{num(x)}" cy="{num(-y)}" r="1.4" fill="none" stroke="#000" stroke-width="0.55"/>'
        f'<path d="M{num(x + 1)} {num(-y - 1)}l1.6 -1.6" stroke="#000" stroke-width="0.55"/>'
        f'<rect x="{num(x + 2.6)}" y="{num(-y - 6)}" width="{num(width)}" height="3.6" fill="#000"/>'
        + text_at(x + 2.6 + width / 2, y + 4.2, 2.6, number, 'font-weight="700" fill="#fff"')
        + "</g>"
    )


def draw_place(x_mm: float, y_mm: float, *, number: str, units: str, amount: str = "") -> str:
    """A square cut-out of the nest round one place, with a cross on it and, in words, how much it is about."""
    half, bar, name = _PLACE_HALF_MM, *((MM_PER_INCH / 4, "1/4 in") if units == "in" else (5.0, "5 mm"))
    x, y = x_mm - half, -y_mm - half
    arms = "".join(
        f"M{num(x_mm + 1.9 * a)} {num(-y_mm + 1.9 * b)}l{num(1.8 * a)} {num(1.8 * b)}"
        for a, b in ((1, 0), (0, 1), (-1, 0), (0, -1))
    )
    style = f'font-weight="700" {HALO} stroke-width="1"'
    said = text_at(x_mm + half - 1, y_mm - half + 1.8, 2.4, amount, style, anchor="end") if amount else ""
    return (
        f'<svg viewBox="{num(x)} {num(y)} {num(2 * half)} {num(2 * half)}" role="img" font-family="{FONT}">'
        f"<title>Place of finding {escape(number)} on the nest</title>"
        f'<rect x="{num(x)}" y="{num(y)}" width="{num(2 * half)}" height="{num(2 * half)}" fill="#fff"/>'
        f'<use href="#nest-plate"/><path d="{arms}" stroke="#fff" stroke-width="1.2"/>'
        f'<path class="cross" d="{arms}" stroke="#000" stroke-width="0.4"/>{mark(x_mm, y_mm, number)}'
        f'<path d="M{num(x + 1)} {num(y + 2 * half - 1)}m0 -1.2v1.2h{num(bar)}v-1.2" fill="none" stroke="#000"'
        f' stroke-width="0.3"/><text x="{num(x + 1.6 + bar)}" y="{num(y + 2 * half - 1)}" font-size="1.7" {HALO}'
        f' stroke-width="0.7">{name}</text>{said}</svg>\n'
    )


def draw_places(setup: Setup, marks: Sequence[Mark], *, title: str) -> str:
    """The whole plate with a flag at each place, open flags so that they are told from those of findings."""
    rings = [setup.billet, *(block.outline for block in setup.blocks)]
    low = np.min([ring.min(axis=0) for ring in rings], axis=0) - _PLATE_MARGIN_MM
    high = np.max([ring.max(axis=0) for ring in rings], axis=0) + _PLATE_MARGIN_MM
    width, height = high - low
    return (
        f'<svg viewBox="{num(low[0])} {num(-high[1])} {num(width)} {num(height)}" role="img" font-family="{FONT}">'
        f"<title>{escape(title)}</title>"
        f'<rect x="{num(low[0])}" y="{num(-high[1])}" width="{num(width)}" height="{num(height)}" fill="#fff"/>'
        f'<use href="#nest-plate"/>{"".join(_flags(marks))}</svg>\n'
    )


def _flags(marks: Sequence[Mark]) -> list[str]:
    """Rings and flags; each flag lies where it covers the fewest others, and neighbours share one."""
    shared: list[tuple[float, float, list[str]]] = []
    for x, y, number in marks:
        near = next((s for s in shared if math.hypot(x - s[0], y - s[1]) < _SAME_PLACE_MM), None)
        if near:
            near[2].append(number)
        else:
            shared.append((x, y, [number]))
    taken: list[_Box] = [(x - 1.5, y - 1.5, x + 1.5, y + 1.5) for x, y, _ in shared]
    out = []
    for x, y, numbers in shared:
        words = ", ".join(numbers)
        wide, high = 1.8 + LETTER * _FLAG_MM * len(words) + 0.5, _FLAG_MM + 1.2
        ways = itertools.product((3.0, 7.0, 12.0), ((1, 1), (1, -1), (-1, 1), (-1, -1)))
        boxes = [_flag_box(x, y, away, way, (wide, high)) for away, way in ways]
        box = min(boxes, key=lambda b: sum(_overlaps(b, other) for other in taken))  # the first of equals
        taken.append(box)
        out.append(_flag(x, y, box, words))
    return out


def _flag_box(x: float, y: float, away: float, way: tuple[int, int], size: tuple[float, float]) -> _Box:
    cx, cy = x + way[0] * (away + size[0] / 2), y + way[1] * (away + size[1] / 2)
    return cx - size[0] / 2, cy - size[1] / 2, cx + size[0] / 2, cy + size[1] / 2


def _overlaps(a: _Box, b: _Box) -> bool:
    return a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]


def _flag(x: float, y: float, box: _Box, words: str) -> str:
    cx, cy = (box[0] + box[2]) / 2, (box[1] + box[3]) / 2
    near_x, near_y = (box[0] if cx > x else box[2]), (box[1] if cy > y else box[3])
    line = f"M{num(x)} {num(-y)}L{num(near_x)} {num(-near_y)}"
    return (
        f'<g class="flag"><path d="{line}" stroke="#fff" stroke-width="1.4"/>'
        f'<path d="{line}" stroke="#000" stroke-width="0.5"/>'
        f'<circle cx="{num(x)}" cy="{num(-y)}" r="1.3" fill="#fff" stroke="#000" stroke-width="0.6"/>'
        f'<rect x="{num(box[0])}" y="{num(-box[3])}" width="{num(box[2] - box[0])}" height="{num(box[3] - box[1])}"'
        ' fill="#fff" stroke="#000" stroke-width="0.5"/>'
        + text_at(cx, cy, _FLAG_MM, words, 'font-weight="700"')
        + "</g>"
    )
