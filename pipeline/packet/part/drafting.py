"""A sheet of paper to draw a part on: line styles, text with its box, numbers as a drawing shows them.

Coordinates are paper millimetres, X to the right and Y down. The sheet grows with what is drawn on it and remembers
where text and lines are, so that what is placed later can keep clear of them.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from html import escape

import numpy as np

from pipeline.model.arrays import Float
from pipeline.model.units import MM_PER_INCH

Point = tuple[float, float]
Box = tuple[float, float, float, float]  # low x, low y, high x, high y

TEXT_MM = 2.8
_MARGIN_MM = 1.5
_ARROW_MM, _ARROW_HALF_MM = 2.2, 0.4
_STYLES = {
    "visible": 'stroke-width="0.5"',
    "inner": 'stroke-width="0.35"',
    "thin": 'stroke-width="0.25"',
    "hatch": 'stroke-width="0.18"',
    "hidden": 'stroke-width="0.3" stroke-dasharray="1.6 0.8"',
    "centre": 'stroke-width="0.2" stroke-dasharray="5 0.8 0.6 0.8"',
    "place": 'stroke-width="0.25" stroke-dasharray="3 0.7 0.5 0.7 0.5 0.7"',
    "plane": 'stroke-width="0.7"',
}
_NARROW, _WIDE = frozenset(" .,:;'|/il-()"), frozenset("mwMW⌀@")


@dataclass(frozen=True, slots=True)
class Scale:
    """Where a view lies on the paper: paper mm per mm of the part, and the paper place of the view's origin."""

    ratio: float
    x: float
    y: float

    def at(self, points: Float | Sequence[Point]) -> Float:
        """Points (n, 2) of the view on the paper."""
        points = np.asarray(points, dtype=np.float64).reshape(-1, 2)
        return np.column_stack([self.x + self.ratio * points[:, 0], self.y - self.ratio * points[:, 1]])

    def point(self, point: Point) -> Point:
        """One point of the view on the paper."""
        return self.x + self.ratio * point[0], self.y - self.ratio * point[1]


@dataclass(slots=True)
class Sheet:
    """What has been drawn so far."""

    out: list[str] = field(default_factory=list)
    texts: list[Box] = field(default_factory=list)
    lines: list[tuple[float, float, float, float]] = field(default_factory=list)
    low: Point = (math.inf, math.inf)
    high: Point = (-math.inf, -math.inf)

    def line(self, points: Float | Sequence[Point], style: str, *, closed: bool = False) -> None:
        """A row of straight lines."""
        points = np.asarray(points, dtype=np.float64).reshape(-1, 2)
        rows = "L".join(f"{number(x)} {number(y)}" for x, y in points)
        self._stroke(f"M{rows}{'Z' if closed else ''}", style)
        ends = np.roll(points, -1, axis=0) if closed else points[1:]
        starts = points if closed else points[:-1]
        self.lines += [(*a, *b) for a, b in zip(starts.tolist(), ends.tolist(), strict=True)]
        self._grow(*points.min(axis=0), *points.max(axis=0))

    def segments(self, rows: Float, style: str) -> None:
        """Many single lines (n, 4) in one path: a section's edges, or its hatching."""
        if len(rows) == 0:
            return
        self._stroke("".join(f"M{number(a)} {number(b)}L{number(c)} {number(d)}" for a, b, c, d in rows), style)
        if style != "hatch":
            self.lines += [tuple(row) for row in rows.tolist()]
        self._grow(*rows.reshape(-1, 2).min(axis=0), *rows.reshape(-1, 2).max(axis=0))

    def _stroke(self, path: str, style: str) -> None:
        self.out.append(
            f'<path d="{path}" fill="none" stroke="#000" stroke-linecap="round" stroke-linejoin="round"'
            f" {_STYLES[style]}/>"
        )

    def circle(self, x: float, y: float, radius: float, style: str) -> None:
        """A whole circle."""
        self.out.append(
            f'<circle cx="{number(x)}" cy="{number(y)}" r="{number(radius)}" fill="none" stroke="#000"'
            f" {_STYLES[style]}/>"
        )
        turns = [k * math.tau / 24 for k in range(25)]
        ring = [(x + radius * math.cos(t), y + radius * math.sin(t)) for t in turns]
        self.lines += [(*a, *b) for a, b in itertools.pairwise(ring)]
        self._grow(x - radius, y - radius, x + radius, y + radius)

    def solid(self, points: Sequence[Point]) -> None:
        """A filled polygon: arrow heads and the like."""
        rows = "L".join(f"{number(x)} {number(y)}" for x, y in points)
        self.out.append(f'<path d="M{rows}Z" fill="#000"/>')
        xs, ys = zip(*points, strict=True)
        self._grow(min(xs), min(ys), max(xs), max(ys))

    def arrow(self, tip: Point, tail: Point) -> None:
        """An arrow head at `tip`, coming from the direction of `tail`."""
        far = math.dist(tip, tail) or 1.0
        ux, uy = (tail[0] - tip[0]) / far, (tail[1] - tip[1]) / far
        foot = (tip[0] + _ARROW_MM * ux, tip[1] + _ARROW_MM * uy)
        self.solid([tip, (foot[0] - _ARROW_HALF_MM * uy, foot[1] + _ARROW_HALF_MM * ux),
                    (foot[0] + _ARROW_HALF_MM * uy, foot[1] - _ARROW_HALF_MM * ux)])

    def text(self, x: float, y: float, words: str, *, size: float = TEXT_MM, anchor: str = "middle",
             bold: bool = False) -> Box:
        """Words with their middle height at y; a white rim keeps them apart from lines they cross. Gives their box."""
        weight = ' font-weight="700"' if bold else ""
        self.out.append(
            f'<text x="{number(x)}" y="{number(y + 0.36 * size)}" font-size="{size:g}" text-anchor="{anchor}"{weight}'
            f' paint-order="stroke" stroke="#fff" stroke-width="0.7" stroke-linejoin="round">{escape(words)}</text>'
        )
        box = text_box(x, y, words, size=size, anchor=anchor)
        self.texts.append(box)
        self._grow(*box)
        return box

    def pill(self, x: float, y: float, words: str) -> None:
        """Letters in a ring: the name of a feature."""
        half = pill_half(words)
        self.out.append(
            f'<rect x="{number(x - half[0])}" y="{number(y - half[1])}" width="{number(2 * half[0])}"'
            f' height="{number(2 * half[1])}" rx="{number(half[1])}" fill="#fff" stroke="#000" stroke-width="0.25"/>'
        )
        self.out.append(
            f'<text x="{number(x)}" y="{number(y + 0.36 * 2.6)}" font-size="2.6" font-weight="700"'
            f' text-anchor="middle">{escape(words)}</text>'
        )
        box = (x - half[0], y - half[1], x + half[0], y + half[1])
        self.texts.append(box)
        self._grow(*box)

    def _grow(self, x0: float, y0: float, x1: float, y1: float) -> None:
        self.low = min(self.low[0], float(x0)), min(self.low[1], float(y0))
        self.high = max(self.high[0], float(x1)), max(self.high[1], float(y1))

    def svg(self, title: str) -> str:
        """The whole sheet; one millimetre of the view box is one millimetre on paper."""
        x, y = self.low[0] - _MARGIN_MM, self.low[1] - _MARGIN_MM
        width, height = self.high[0] - x + _MARGIN_MM, self.high[1] - y + _MARGIN_MM
        head = (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="{number(x)} {number(y)} {number(width)}'
            f' {number(height)}" width="{number(width)}mm" height="{number(height)}mm" role="img"'
            f' font-family="sans-serif"><title>{escape(title)}</title>\n<rect x="{number(x)}" y="{number(y)}"'
            f' width="{number(width)}" height="{number(height)}" fill="#fff"/>'
        )
        return "\n".join([head, *self.out, "</svg>"]) + "\n"


def text_width(words: str, size: float = TEXT_MM) -> float:
    """A generous estimate of how wide the words are in a plain sans-serif, mm."""
    share = sum(0.37 if c in _NARROW else 0.97 if c in _WIDE else 0.76 if c.isupper() else 0.63 for c in words)
    return share * size


def text_box(x: float, y: float, words: str, *, size: float = TEXT_MM, anchor: str = "middle") -> Box:
    """The box of words whose middle height is at y."""
    width = text_width(words, size)
    left = x - {"start": 0.0, "middle": width / 2, "end": width}[anchor]
    return left, y - 0.5 * size, left + width, y + 0.5 * size


def pill_half(words: str) -> Point:
    """Half the width and half the height of a ring round letters."""
    return max(1.9, text_width(words, 2.6) / 2 + 0.9), 1.9


def overlap(a: Box, b: Box, gap: float = 0.0) -> bool:
    """Whether two boxes come nearer to each other than `gap`."""
    return a[0] < b[2] + gap and b[0] < a[2] + gap and a[1] < b[3] + gap and b[1] < a[3] + gap


def lines_through(lines: Float, box: Box) -> int:
    """How many of the lines (n, 4) pass through a box: each is clipped by the box's two pairs of sides in turn."""
    low, high = np.zeros(len(lines)), np.ones(len(lines))
    for axis in (0, 1):
        start, way = lines[:, axis], lines[:, axis + 2] - lines[:, axis]
        with np.errstate(divide="ignore", invalid="ignore"):
            a, b = (box[axis] - start) / way, (box[axis + 2] - start) / way
        level = way == 0
        beside = level & ((start <= box[axis]) | (start >= box[axis + 2]))
        low = np.where(level, low, np.maximum(low, np.minimum(a, b)))
        high = np.where(level, np.where(beside, -1.0, high), np.minimum(high, np.maximum(a, b)))
    return int((low < high).sum())


def distance_to(point: Point, line: tuple[float, float, float, float]) -> float:
    """From a point to a straight line between two ends."""
    x, y = line[2] - line[0], line[3] - line[1]
    px, py = point[0] - line[0], point[1] - line[1]
    square = x * x + y * y
    t = min(max((px * x + py * y) / square, 0.0), 1.0) if square else 0.0
    return math.hypot(px - t * x, py - t * y)


def free_place(sheet: Sheet, places: Sequence[Point], half: Point) -> Point:
    """The first of the places with the least words and lines under a box of this half size."""

    lines = np.array(sheet.lines).round(3)  # so that no last bit of a processor decides what touches

    def cost(place: Point) -> int:
        x, y = half[0] + 0.3, half[1] + 0.3
        low_x, low_y, high_x, high_y = (round(v, 3) for v in (place[0] - x, place[1] - y, place[0] + x, place[1] + y))
        box = (low_x, low_y, high_x, high_y)
        return 50 * sum(overlap(box, text) for text in sheet.texts) + lines_through(lines, box)

    return min(places, key=cost)


def number(value: float) -> str:
    """Two decimals are a hundredth of a millimetre on the paper; no minus zero."""
    text = f"{value:.2f}"
    return "0.00" if text == "-0.00" else text


@dataclass(frozen=True, slots=True)
class Figures:
    """How lengths are written: mm with three places, a plain size without trailing zeros; inch with four."""

    units: str

    @property
    def _per(self) -> float:
        return MM_PER_INCH if self.units == "in" else 1.0

    @property
    def _places(self) -> int:
        return 4 if self.units == "in" else 3

    def full(self, mm: float) -> str:
        """All places."""
        text = f"{mm / self._per:.{self._places}f}"
        return text[1:] if text.startswith("-") and float(text) == 0 else text

    def plain(self, mm: float) -> str:
        """A size without limits."""
        text = self.full(mm)
        return text if self.units == "in" else text.rstrip("0").rstrip(".")

    def deviations(self, mm: float, limits: Point) -> str:
        """Upper and lower deviation from the size: `+0.012 / 0`."""
        texts = [self.full(limit - mm) for limit in (limits[1], limits[0])]
        return " / ".join("0" if float(text) == 0 else text if text.startswith("-") else f"+{text}" for text in texts)

    def limits(self, limits: Point) -> str:
        """The allowed range: `1.695 to 1.871`."""
        return f"{self.full(limits[0])} to {self.full(limits[1])}"
