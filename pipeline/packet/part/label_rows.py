"""Rows of words over and under a view, each with a leader to what it says.

Words: extension lines that pass through a row divide it into *bins*; within a bin, labels keep the order that lets no
two leaders cross, and lie as near as they can to what they point at. Everything is on paper, mm, Y down.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, field

from pipeline.packet.part.drafting import TEXT_MM, Box, Point, Sheet, text_width

LABELS_MM = 7.0  # the row of labels, from the body of the view
_SMALL_MM = 2.5  # limits and names
_BETWEEN_MM = 2.2  # between labels
_CLEAR_MM = 1.5  # between a label and an extension line
_WORTH_MM2 = 0.01  # a change of labels must make this much of a difference


@dataclass(frozen=True, slots=True)
class Said:
    """What a dimension says: lines of text from above, each with its size."""

    lines: tuple[tuple[str, float], ...]

    @property
    def width(self) -> float:
        """mm on paper."""
        return max(text_width(words, size) for words, size in self.lines)

    @property
    def height(self) -> float:
        """mm on paper."""
        return sum(1.25 * size for _, size in self.lines)

    def write(self, sheet: Sheet, x: float, y: float, anchor: str = "middle") -> None:
        """Write the lines with their middle height at y."""
        top = y - self.height / 2
        for words, size in self.lines:
            sheet.text(x, top + 0.625 * size, words, size=size, anchor=anchor)
            top += 1.25 * size

    def box(self, x: float, y: float, anchor: str = "middle") -> Box:
        """Where `write` would put it."""
        left = x - {"start": 0.0, "middle": self.width / 2, "end": self.width}[anchor]
        return left, y - self.height / 2, left + self.width, y + self.height / 2


def said(name: str, figure: str, limits: str = "") -> Said:
    """Name over figure over limits; what is empty takes no line."""
    lines = ((name, _SMALL_MM), (figure, TEXT_MM), (limits, _SMALL_MM))
    return Said(tuple(line for line in lines if line[0]))


@dataclass(slots=True)
class Label:
    """Words with a leader. `tip` is where it points; a leader to a circle aims at its `centre` and meets it. `above`
    says on which side of the body the tip sticks out of it."""

    said: Said
    tip: Point
    arrow: bool = False
    centre: Point | None = None
    radius: float = 0.0
    above: bool | None = None
    x: float = 0.0


@dataclass(slots=True)
class Bin:
    """A stretch of a row of labels."""

    above: bool
    low: float
    high: float
    labels: list[Label] = field(default_factory=list)

    def has_room(self, label: Label) -> bool:
        """Whether one more label fits."""
        return sum(one.said.width + _BETWEEN_MM for one in [*self.labels, label]) <= self.high - self.low


def bins_of(middle: float, width: float, above: Sequence[float], below: Sequence[float]) -> list[Bin]:
    """Both rows about a middle x, divided at the x of extension lines that pass through them."""
    out = []
    for up, lines in ((True, above), (False, below)):
        low, high = middle - width / 2, middle + width / 2
        cuts = sorted({round(x, 3) for x in lines if low < x < high})
        for a, b in itertools.pairwise([low, *cuts, high]):
            out.append(Bin(up, a + (_CLEAR_MM if a != low else 0.0), b - (_CLEAR_MM if b != high else 0.0)))
    return out


def share_out(labels: Sequence[Label], bins: Sequence[Bin], body: Box) -> None:
    """Labels to bins: first each to the nearest with room, those that lose most by another first; then single labels
    are moved, and pairs exchanged, as long as that makes the leaders shorter."""

    def way(label: Label, one: Bin) -> float:
        aside = max(one.low + label.said.width / 2 - label.tip[0], label.tip[0] - one.high + label.said.width / 2, 0.0)
        if label.above is not None and label.above is not one.above:
            aside += 1000.0
        return aside + (max(label.tip[1] - body[1], 0.0) if one.above else max(body[3] - label.tip[1], 0.0))

    def loss(label: Label) -> float:
        ways = sorted(way(label, one) for one in bins)
        return round(ways[0] - ways[1], 6) if len(ways) > 1 else 0.0

    for label in sorted(labels, key=loss):
        roomy = [one for one in bins if one.has_room(label)] or [max(bins, key=lambda one: one.high - one.low)]
        ways = [round(way(label, one), 6) for one in roomy]
        roomy[ways.index(min(ways))].labels.append(label)
    while _improve(bins, body):
        pass


def _improve(bins: Sequence[Bin], body: Box) -> bool:
    """The first move or exchange that shortens the leaders; False when there is none."""
    for one, other in itertools.permutations(bins, 2):
        for label in list(one.labels):
            for back in [None, *(other.labels if one.low <= other.low else [])]:
                before = _cost(one, body) + _cost(other, body)
                kept = list(one.labels), list(other.labels)
                one.labels = [x for x in one.labels if x is not label] + ([back] if back else [])
                other.labels = [x for x in other.labels if x is not back] + [label]
                if _cost(one, body) + _cost(other, body) < before - _WORTH_MM2:
                    return True
                one.labels, other.labels = kept
    return False


def _cost(one: Bin, body: Box) -> float:
    """The sum of the squared lengths of a bin's leaders; a great deal more for labels that do not fit."""
    row = sorted(one.labels, key=lambda label: (label.tip[0], label.tip[1]))
    if not row:
        return 0.0
    _spread(row, one.low, one.high)
    y = body[1] - LABELS_MM if one.above else body[3] + LABELS_MM
    over = sum(label.said.width + _BETWEEN_MM for label in row) - (one.high - one.low)
    wrong = sum(label.above is not None and label.above is not one.above for label in row)
    return sum(math.dist(*_leader(label, y)) ** 2 for label in row) + 1e4 * max(over, 0.0) + 1e4 * wrong


def write_row(sheet: Sheet, one: Bin, y: float, sign: float) -> None:
    """Place the labels of a bin in the order in which no leaders cross, and write them with their leaders."""
    row = sorted(one.labels, key=lambda label: (label.tip[0], label.tip[1]))
    _spread(row, one.low, one.high)
    for _ in range(len(row) ** 2):
        for k in range(len(row) - 1):
            if _crossed(_leader(row[k], y), _leader(row[k + 1], y)):
                row[k], row[k + 1] = row[k + 1], row[k]
                _spread(row, one.low, one.high)
                break
        else:
            break
    for label in row:
        start, tip = _leader(label, y)
        label.said.write(sheet, label.x, y + sign * (label.said.height / 2 + 0.5))
        half = label.said.width / 2
        sheet.line([(label.x - half, y), (label.x + half, y)], "thin")
        sheet.line([start, tip], "thin")
        if label.arrow:
            sheet.arrow(tip, start)


def _leader(label: Label, y: float) -> tuple[Point, Point]:
    """From the line under the words to what they point at."""
    half = label.said.width / 2
    aim = label.centre or label.tip
    start = (min(max(aim[0], label.x - half), label.x + half), y)
    if label.centre is None:
        return start, label.tip
    far = math.dist(start, label.centre)
    share = label.radius / far
    return start, (aim[0] + (start[0] - aim[0]) * share, aim[1] + (start[1] - aim[1]) * share)


def _spread(row: Sequence[Label], low: float, high: float) -> None:
    """Places in this order, without overlap, with the least sum of squared ways from what is pointed at."""
    offsets = list(itertools.accumulate(
        (a.said.width + b.said.width) / 2 + _BETWEEN_MM for a, b in itertools.pairwise(row)))
    offsets = [0.0, *offsets]
    blocks: list[list[float]] = []  # sum of wishes, how many
    for label, offset in zip(row, offsets, strict=True):
        blocks.append([(label.centre or label.tip)[0] - offset, 1.0])
        while len(blocks) > 1 and blocks[-2][0] / blocks[-2][1] >= blocks[-1][0] / blocks[-1][1]:
            last = blocks.pop()
            blocks[-1] = [blocks[-1][0] + last[0], blocks[-1][1] + last[1]]
    wishes = [total / count for total, count in blocks for _ in range(int(count))]
    least, most = low + row[0].said.width / 2, high - row[-1].said.width / 2 - offsets[-1]
    if least > most:
        least = most = (least + most) / 2  # too many: the row runs out at both ends
    for label, wish, offset in zip(row, wishes, offsets, strict=True):
        label.x = min(max(wish, least), most) + offset


def _crossed(a: tuple[Point, Point], b: tuple[Point, Point]) -> bool:
    def side(p: Point, q: Point, r: Point) -> float:
        return (q[0] - p[0]) * (r[1] - p[1]) - (q[1] - p[1]) * (r[0] - p[0])

    return side(*a, b[0]) * side(*a, b[1]) < 0 and side(*b, a[0]) * side(*b, a[1]) < 0
