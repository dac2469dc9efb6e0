"""Where dimensions go: a small layout that is the same every time.

Words, all on paper: the *body* is the box of the view. Distances along X or Y of the whole view are *stacked* outside
it, short ones nearest. Everything else is *labelled*: words in a row above or below the body, with a leader to what
they say. Extension lines of a stack divide its row into *bins*; within a bin, labels keep the order that lets no two
leaders cross and lie as near as they can to what they point at.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from pipeline.packet.part.drafting import Box, Point, Sheet, distance_to, overlap
from pipeline.packet.part.label_rows import LABELS_MM, Label, Said, bins_of, share_out, write_row

_GAP_MM = 0.8  # between the part and an extension line
_PAST_MM = 1.5  # an extension line goes this far past the dimension line
_FIRST_MM, _NEXT_MM = 7.5, 6.5  # first dimension line from the body, and the next ones
_TAIL_MM = 3.5  # of arrows that point inward from outside
_INSIDE_MM = 6.5  # at least so long, a dimension line has its arrows inside
_TOUCH_MM = 0.3  # a dimension line that ends this near to a line of the part needs no extension line
_FAR_MM = 12.0  # an extension line within the part is at most so long; a longer one is a centre line
_LEVEL_MM = 0.06  # corners this near to a level lie on it

Line = tuple[float, float, float, float]  # from x, y to x, y


@dataclass(frozen=True, slots=True)
class Span:
    """A straight distance on the paper."""

    said: Said
    start: Point
    end: Point

    @property
    def length(self) -> float:
        """mm on paper."""
        return math.dist(self.start, self.end)


def dimension(sheet: Sheet, body: Box, spans: Sequence[Span], labels: Sequence[Label], *, width: float) -> None:
    """Draw all dimensions of a view round its body.

    Level spans are stacked above or below, upright ones at the very end of the body beside it; all others become
    labels. `width` is what a row of labels may take. What is on the sheet before is the part, where extension lines
    start.
    """
    part = list(sheet.lines)
    level: list[Span] = []
    upright: list[Span] = []
    rest = list(labels)
    for span in spans:
        if span.length < 0.02:
            continue  # a size of zero has nothing to show
        dx, dy = abs(span.end[0] - span.start[0]), abs(span.end[1] - span.start[1])
        if dy < 0.01:
            level.append(span)
        elif dx < 0.01 and min(span.start[0] - body[0], body[2] - span.start[0]) <= _LEVEL_MM:
            upright.append(span)
        else:
            rest.append(_local(sheet, part, body, span))
    centre = (body[0] + body[2]) / 2
    _stack_upright(sheet, part, [s for s in upright if s.start[0] < centre], body[0], -1.0)
    _stack_upright(sheet, part, [s for s in upright if s.start[0] >= centre], body[2], 1.0)
    middle = (body[1] + body[3]) / 2
    above = [s for s in level if max(s.start[1], s.end[1]) < middle - 0.05 * (body[3] - body[1])]
    below = [s for s in level if s not in above]
    bins = bins_of((sheet.low[0] + sheet.high[0]) / 2, width, [x for s in above for x in (s.start[0], s.end[0])],
                   [x for s in below for x in (s.start[0], s.end[0])])
    share_out(rest, bins, body)
    for up, stack in ((True, above), (False, below)):
        mine = [b for b in bins if b.above is up and b.labels]
        tall = max((one.said.height for b in mine for one in b.labels), default=0.0)
        edge = body[1] if up else body[3]
        sign = -1.0 if up else 1.0
        _stack_level(sheet, part, stack, edge + sign * (LABELS_MM + tall if mine else 0.0), sign)
        for one in mine:
            write_row(sheet, one, edge + sign * LABELS_MM, sign)


def _witness(part: Sequence[Line], point: Point, *, upright: bool, towards: float | None = None) -> float | None:
    """Where on the part the level of a point is to be seen: the x (the y for a level span) of the corner on that level
    that lies nearest to it, or nearest to `towards`."""
    along, across = (0, 1) if upright else (1, 0)
    corners = [end for line in part for end in (line[:2], line[2:]) if abs(end[across] - point[across]) < _LEVEL_MM]
    goal = point[along] if towards is None else towards
    return min((end[along] for end in corners), key=lambda at: abs(at - goal), default=None)


# --- labels ---------------------------------------------------------------------------------------------------------


def _local(sheet: Sheet, part: Sequence[Line], body: Box, span: Span) -> Label:
    """Draw a distance where it is, with its arrows, and give the label for it: at the end that sticks out most of the
    body, or at the middle of an oblique one."""
    (x0, y0), (x1, y1) = span.start, span.end
    ux, uy = (x1 - x0) / span.length, (y1 - y0) / span.length
    upper, lower = sorted((span.start, span.end), key=lambda p: p[1])
    steep = abs(uy) > 0.9
    for point in (span.start, span.end) if abs(ux) < 0.01 else ():
        if all(distance_to(point, line) > _TOUCH_MM for line in part):  # nothing there to see the height at
            there = _witness(part, point, upright=True)
            if there is not None:
                end = point[0] + math.copysign(1.0, point[0] - there)
                sheet.line([(there, point[1]), (end, point[1])], "thin" if abs(end - there) < _FAR_MM else "centre")
    if span.length >= _INSIDE_MM:
        sheet.line([span.start, span.end], "thin")
        sheet.arrow(span.start, span.end)
        sheet.arrow(span.end, span.start)
        if not steep:
            return Label(span.said, ((x0 + x1) / 2, (y0 + y1) / 2))
    else:
        for tip, sign in ((span.start, -1.0), (span.end, 1.0)):
            tail = (tip[0] + sign * _TAIL_MM * ux, tip[1] + sign * _TAIL_MM * uy)
            sheet.line([tip, tail], "thin")
            sheet.arrow(tip, tail)
        sheet.line([span.start, span.end], "thin")
    way = (ux, uy) if uy < 0 else (-ux, -uy)  # upward on the paper
    ends = ((upper[0] + _TAIL_MM * way[0], upper[1] + _TAIL_MM * way[1]),
            (lower[0] - _TAIL_MM * way[0], lower[1] - _TAIL_MM * way[1]))
    out = ends[0] if body[1] - ends[0][1] >= ends[1][1] - body[3] - 0.01 else ends[1]
    if span.length >= _INSIDE_MM:
        sheet.line([upper if out is ends[0] else lower, out], "thin")
    return Label(span.said, out, above=out is ends[0])


# --- stacks ---------------------------------------------------------------------------------------------------------


def _foot(part: Sequence[Line], point: Point, towards: float, *, upright: bool) -> float:
    """Where an extension line starts: at the last corner of the part on its level, unless that is far off."""
    own = point[0 if upright else 1]
    there = _witness(part, point, upright=upright, towards=towards)
    return own if there is None or abs(there - own) > _FAR_MM else there


def _stack_level(sheet: Sheet, part: Sequence[Line], spans: Sequence[Span], edge: float, sign: float) -> None:
    """Dimension lines along X, away from `edge`; words on the line, beside it when they do not fit between."""
    rows: list[list[Box]] = []
    lifts = sorted({round(x, 3) for s in spans for x in (s.start[0], s.end[0])})
    tallest = max((span.said.height for span in spans), default=0.0)
    first, step = 5.0 + (tallest if sign > 0 else 0.0), max(_NEXT_MM, tallest + 2.0)
    for span in sorted(spans, key=lambda s: (round(s.length, 3), s.start[0])):
        a, b = sorted((span.start[0], span.end[0]))
        tall = span.said.height
        inside = span.length >= max(_INSIDE_MM, span.said.width + 1.0) or span.length > 3 * _INSIDE_MM
        for k in range(len(spans)):
            y = edge + sign * (first + k * step)
            beside = [(b + _TAIL_MM + 0.5, "start"), (a - _TAIL_MM - 0.5, "end")]
            places = [((a + b) / 2, "middle")] if inside else beside
            boxes = [(span.said.box(x, y - 0.7 - tall / 2, anchor), x, anchor) for x, anchor in places]
            taken = rows[k] if k < len(rows) else []
            reach = (a - (0.0 if inside else _TAIL_MM), y - 0.5, b + (0.0 if inside else _TAIL_MM), y + 0.5)
            free = [item for item in boxes if not any(overlap(item[0], other, 0.5) for other in taken)
                    and (inside or not any(item[0][0] < x < item[0][2] for x in lifts))]
            if free and not any(overlap(reach, other) for other in taken):
                break
        else:
            free = boxes
        box, x, anchor = free[0]
        while len(rows) <= k:
            rows.append([])
        rows[k] += [box, reach]
        for point in (span.start, span.end):
            foot = _foot(part, point, y, upright=False)
            sheet.line([(point[0], foot + sign * _GAP_MM), (point[0], y + sign * _PAST_MM)], "thin")
        _arrows(sheet, (a, y), (b, y), span.length >= _INSIDE_MM)
        if not inside:
            end = box[2] if anchor == "start" else box[0]
            sheet.line([(b if anchor == "start" else a, y), (end, y)], "thin")
        span.said.write(sheet, x, y - 0.7 - tall / 2, anchor)


def _stack_upright(sheet: Sheet, part: Sequence[Line], spans: Sequence[Span], edge: float, sign: float) -> None:
    """Dimension lines along Y, one column each, short ones nearest; level words outside their line."""
    column = edge + sign * _FIRST_MM
    ordered = sorted(spans, key=lambda s: (round(s.length, 3), s.start[1]))
    for k, span in enumerate(ordered):
        top, bottom = sorted((span.start[1], span.end[1]))
        inside = span.length >= _INSIDE_MM
        for point in (span.start, span.end):
            foot = _foot(part, point, column, upright=True)
            sheet.line([(foot + sign * _GAP_MM, point[1]), (column + sign * _PAST_MM, point[1])], "thin")
        _arrows(sheet, (column, top), (column, bottom), inside)
        half = span.said.height / 2
        outer = [y for other in ordered[k + 1:] for y in (other.start[1], other.end[1])]
        levels = [(top + bottom) / 2, top - half - 0.6, bottom + half + 0.6]
        anchor = "start" if sign > 0 else "end"
        x = column + sign * 1.2

        def conflicts(y: float, half: float = half, outer: Sequence[float] = tuple(outer)) -> int:
            return sum(y - half - 0.3 < line < y + half + 0.3 for line in outer)

        y = min(levels, key=conflicts)
        span.said.write(sheet, x, y, anchor)
        column += sign * (span.said.width + 3.5)


def _arrows(sheet: Sheet, start: Point, end: Point, inside: bool) -> None:
    """A dimension line with arrows between its ends, or pointing inward from outside."""
    if inside:
        sheet.line([start, end], "thin")
        sheet.arrow(start, end)
        sheet.arrow(end, start)
        return
    far = math.dist(start, end)
    ux, uy = (end[0] - start[0]) / far, (end[1] - start[1]) / far
    a = (start[0] - _TAIL_MM * ux, start[1] - _TAIL_MM * uy)
    b = (end[0] + _TAIL_MM * ux, end[1] + _TAIL_MM * uy)
    sheet.line([a, b], "thin")
    sheet.arrow(start, a)
    sheet.arrow(end, b)
