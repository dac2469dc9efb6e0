"""A dimensioned drawing of a single part, for the wall over the machine: plan, section, sizes, letters of features.

One millimetre of the drawing is one on paper. Third-angle projection: the plan, seen onto the inside face, stands over
the section, which is seen along +Y. Black on white; lines are told apart by weight and dashes.
"""

from __future__ import annotations

import math

import numpy as np

from pipeline.model.arrays import Float
from pipeline.model.part import Dimension, Hole, Mark, Part, Pocket, Side
from pipeline.model.units import EPS_MM
from pipeline.packet.part.dimensioning import Span, dimension
from pipeline.packet.part.drafting import Box, Figures, Point, Scale, Sheet, free_place, text_width
from pipeline.packet.part.feature_table import FeatureRow, circle_of, feature_rows, hole_limits
from pipeline.packet.part.label_rows import Label, said
from pipeline.packet.part.letter_places import draw_letters
from pipeline.packet.part.part_views import (
    Station,
    edges_behind,
    flat,
    hatching,
    plan_lines,
    section_cut,
    station_at,
    stations,
)

__all__ = ["FeatureRow", "draw_part", "feature_rows"]

_SCALES = (20.0, 10.0, 5.0, 3.0, 2.0, 1.5, 1.0, 0.5)
_HALF_MM = (183.0, 134.0)  # room for a drawing: half of an A4 inside its margins
_WHOLE_MM = (262.0, 180.0)  # with names, which take more: an A4 on its side
_ASIDE_MM = 5.0  # a row of labels is shorter than the room by this
_HATCH_MM = 1.5
_CHORD_MM = 0.012  # how far a polygon may be off an arc, on the paper
_SECTION = "S"  # not X, Y or Z: those are axes
_GENERAL = "Sizes without limits: general tolerance is the shop's; edges deburred by hand."


def draw_part(part: Part, *, units: str, names: bool = False) -> str:
    """The drawing as a self-contained SVG. `units` is "mm" or "in"; with `names` every size carries the name it has
    in a job file."""
    room = _WHOLE_MM if names else _HALF_MM
    long = float(np.ptp(flat(part.outline)[:, 0]))
    for ratio in _SCALES:
        if long * ratio > room[0] and ratio != _SCALES[-1]:
            continue
        sheet = _draw(part, ratio, Figures(units), names)
        width, height = sheet.high[0] - sheet.low[0], sheet.high[1] - sheet.low[1]
        if width <= room[0] and height <= room[1]:
            break
    return sheet.svg(f"Drawing of {part.name}")


def _draw(part: Part, ratio: float, figures: Figures, names: bool) -> Sheet:
    sheet, along = Sheet(), stations(part)
    plan = Scale(ratio, 0.0, 0.0)
    body = _draw_plan(sheet, plan, part)
    ends = _draw_plane(sheet, plan, along, body)
    _dimension_view(sheet, part, plan, body, figures, names, view="plan")
    _name_plane(sheet, ends)
    draw_letters(sheet, plan, part)

    section = Sheet()  # laid out by itself, then put under all of the plan
    body = _draw_section(section, plan, part, along)
    _dimension_view(section, part, plan, body, figures, names, view="side")
    places = [(body[0] - 8.0, (body[1] + body[3]) / 2), (section.low[0] + 4.0, section.low[1] - 3.5)]
    section.text(*free_place(section, places, (4.0, 2.0)), f"{_SECTION}–{_SECTION}", size=3.2, bold=True)
    _append(sheet, section, sheet.high[1] + 3.5 - section.low[1])
    _title(sheet, part, ratio, figures, names)
    return sheet


def _append(sheet: Sheet, other: Sheet, down: float) -> None:
    """Put another sheet's drawing on this one, moved down."""
    sheet.out += [f'<g transform="translate(0 {down:.2f})">', *other.out, "</g>"]
    sheet.texts += [(a, b + down, c, d + down) for a, b, c, d in other.texts]
    sheet.low = (min(sheet.low[0], other.low[0]), min(sheet.low[1], other.low[1] + down))
    sheet.high = (max(sheet.high[0], other.high[0]), max(sheet.high[1], other.high[1] + down))


def _draw_plan(sheet: Sheet, scale: Scale, part: Part) -> Box:
    outline = scale.at(flat(part.outline))
    for line in plan_lines(part, chord_mm=_CHORD_MM / scale.ratio):
        sheet.line(scale.at(line.points), line.style, closed=line.closed)
    for hole in (f for f in part.features if isinstance(f, Hole)):
        _cross(sheet, scale.point((hole.x_mm, hole.y_mm)), hole.diameter_mm / 2 * scale.ratio + 1.4)
    ring = circle_of(part.outline)
    if ring:
        _cross(sheet, scale.point(ring[:2]), ring[2] * scale.ratio + 2.5)
    _origin(sheet, scale.point((0.0, 0.0)))
    return (*outline.min(axis=0).tolist(), *outline.max(axis=0).tolist())


def _cross(sheet: Sheet, at: Point, reach: float) -> None:
    """Centre lines."""
    sheet.line([(at[0] - reach, at[1]), (at[0] + reach, at[1])], "centre")
    sheet.line([(at[0], at[1] - reach), (at[0], at[1] + reach)], "centre")


def _origin(sheet: Sheet, at: Point) -> None:
    """The part's origin: a small circle, two quarters of it black."""
    radius = 0.9
    sheet.circle(*at, radius, "thin")
    for low in (0.0, 180.0):
        turns = [math.radians(low + 15.0 * k) for k in range(7)]
        rim = [(at[0] + radius * math.cos(t), at[1] - radius * math.sin(t)) for t in turns]
        sheet.solid([at, *rim])


def _draw_plane(sheet: Sheet, scale: Scale, along: list[Station], body: Box) -> list[Point]:
    """The section's plane in the plan: chain-dotted, heavy at its ends and corners. Gives its two ends."""
    points = []
    for s in along:
        points += [(s.low, s.y), (s.high, s.y)]
    paper = [tuple(p) for p in scale.at(points).tolist()]
    paper[0], paper[-1] = (body[0] - 4.5, paper[0][1]), (body[2] + 4.5, paper[-1][1])
    sheet.line(paper, "centre")
    for k, at in enumerate(paper):
        for other in paper[max(k - 1, 0):k] + paper[k + 1:k + 2]:
            far = math.dist(at, other)
            reach = min(1.6 if 0 < k < len(paper) - 1 else 2.6, far / 2)
            if far > 0:
                end = (at[0] + (other[0] - at[0]) * reach / far, at[1] + (other[1] - at[1]) * reach / far)
                sheet.line([at, end], "plane")
    for x, y in (paper[0], paper[-1]):
        sheet.line([(x, y), (x, y - 3.2)], "thin")
        sheet.arrow((x, y - 3.6), (x, y))
    return [paper[0], paper[-1]]


def _name_plane(sheet: Sheet, ends: list[Point]) -> None:
    for x, y in ends:
        at = free_place(sheet, [(x, y + 2.6), (x, y - 5.6)], (1.3, 1.6))
        sheet.text(*at, _SECTION, size=3.2, bold=True)


def _draw_section(sheet: Sheet, scale: Scale, part: Part, along: list[Station]) -> Box:
    cut = section_cut(part.mesh, along)
    sheet.segments(_on_paper(scale, hatching(part.mesh, along, _HATCH_MM / scale.ratio)), "hatch")
    for line in edges_behind(part, along):
        sheet.line(scale.at(line.points), line.style)
    rows = _on_paper(scale, cut)
    sheet.segments(rows, "visible")
    for hole in (f for f in part.features if isinstance(f, Hole)):
        if station_at(along, hole.x_mm).y == hole.y_mm:
            x, low = scale.point((hole.x_mm, hole.bottom_z_mm))
            sheet.line([(x, low + 1.4), (x, scale.point((0.0, hole.top_z_mm))[1] - 1.4)], "centre")
    both = rows.reshape(-1, 2)
    return (*both.min(axis=0).tolist(), *both.max(axis=0).tolist())


def _on_paper(scale: Scale, rows: Float) -> Float:
    return scale.at(rows.reshape(-1, 2)).reshape(-1, 4)


# --- what dimensions say --------------------------------------------------------------------------------------------


def _dimension_view(sheet: Sheet, part: Part, scale: Scale, body: Box, figures: Figures, names: bool, *,
                    view: str) -> None:
    spans, labels = [], []
    for one in part.dimensions:
        if one.view != view:
            continue
        words = said(*_words(part, one, figures, names))
        start, end = scale.point(one.start), scale.point(one.end)
        if one.kind == "length":
            spans.append(Span(words, start, end))
        elif one.kind == "diameter" and _is_round(part, one):
            labels.append(Label(words, end, arrow=True, centre=start, radius=math.dist(start, end)))
        else:
            labels.append(Label(words, end, arrow=True))
    if view == "plan":
        labels += _threads(part, scale)
    dimension(sheet, body, spans, labels, width=(_WHOLE_MM if names else _HALF_MM)[0] - _ASIDE_MM)


def _is_round(part: Part, one: Dimension) -> bool:
    """Whether the whole circle is there to point at, not only an arc of it."""
    rings = [(f.x_mm, f.y_mm, f.diameter_mm / 2) for f in part.features if isinstance(f, Hole)]
    loops = [part.outline, *(loop for f in part.features if isinstance(f, Pocket) for loop in (f.outer, *f.islands))]
    rings += [ring for ring in map(circle_of, loops) if ring]
    return any(math.dist((*one.start, one.value_mm / 2), ring) < EPS_MM for ring in rings)


def _words(part: Part, one: Dimension, figures: Figures, names: bool) -> tuple[str, str, str]:
    """Name, figure and limits of a dimension."""
    limits, count = hole_limits(part, one)
    sign = {"length": "", "diameter": "⌀", "radius": "R"}[one.kind]
    value = one.value_mm
    figure = sign + (figures.full(value) if limits else figures.plain(value))
    name = one.size.removesuffix("_mm") if names else ""
    times = f"{count} × " if count > 1 else ""
    return name, times + figure, figures.deviations(value, limits) if limits else ""


def _threads(part: Part, scale: Scale) -> list[Label]:
    """One label for each thread of the part."""
    out = []
    holes = [f for f in part.features if isinstance(f, Hole) and f.thread]
    for name in dict.fromkeys(hole.thread.name for hole in holes if hole.thread):
        mine = [hole for hole in holes if hole.thread and hole.thread.name == name]
        times = f"{len(mine)} × " if len(mine) > 1 else ""
        at = scale.point((mine[0].x_mm, mine[0].y_mm))
        radius = scale.ratio * mine[0].thread.major_mm / 2 if mine[0].thread else 0.0
        out.append(Label(said("", times + name), (at[0], at[1] - radius), arrow=True, centre=at, radius=radius))
    return out


# --- words under the drawing -----------------------------------------------------------------------------------------


def _title(sheet: Sheet, part: Part, ratio: float, figures: Figures, names: bool) -> None:
    """What the drawing is: name, scale, projection, the sizes that neither view shows, and what holds for all."""
    left, y = sheet.low[0], sheet.high[1] + 3.8
    sheet.text(left, y + 0.8, part.name, size=4.0, anchor="start", bold=True)
    scale = f"{ratio:g}:1" if ratio >= 1 else f"1:{1 / ratio:g}"
    words = f"scale {scale}, sizes in {'inch' if figures.units == 'in' else 'mm'}; plan seen onto the inside face"
    x = left + text_width(part.name, 4.4) + 5.0
    box = sheet.text(x, y + 0.8, words, anchor="start")
    _projection(sheet, (box[2] + 4.0, y + 0.8))
    sheet.text(box[2] + 17.0, y + 0.8, "third-angle projection", anchor="start")
    sheet.line([(left, y - 2.5), (sheet.high[0], y - 2.5)], "thin")
    y += 4.6
    _origin(sheet, (left + 1.0, y))
    words = f"origin; letters: feature table. {_GENERAL}"
    if names:  # of no job: nothing is made by it
        words = "origin of X and Y; letters as in the feature table"
    sheet.text(left + 3.4, y, words, size=2.5, anchor="start")
    for line in _other_sizes(part, figures, names):
        y += 3.3
        sheet.text(left, y, line, size=2.5, anchor="start")


def _other_sizes(part: Part, figures: Figures, names: bool) -> list[str]:
    """Lines with the sizes and choices that neither view shows; with `names` also those that do nothing here."""
    shown = {one.size for one in part.dimensions}
    unseen = [(k, v) for k, v in part.sizes.items() if k not in shown and (names or not _is_idle(part, k, v))]
    others = [f"{k.removesuffix('_mm')} {_value(k, v, figures)}" for k, v in unseen]
    if not names:  # words, not keys to copy into a job file
        others = [other.replace("_", " ") for other in others]
    lines, line = [], "other sizes and choices:"
    for k, other in enumerate(others):
        if text_width(f"{line} {other};", 2.5) > 175.0:
            lines.append(line)
            line = ""
        line = f"{line} {other}{';' if k < len(others) - 1 else ''}".strip()
    return [*lines, line] if others else []


def _is_idle(part: Part, size: str, value: float | str) -> bool:
    """Whether a size that is not drawn is known to do nothing with the choices made: a thread that no hole has, or in
    a family that draws its sizes a depth or diameter of no feature but those drawn under another name. What cannot
    be told counts as at work."""
    holes = [f for f in part.features if isinstance(f, Hole)]
    if isinstance(value, str):
        return size == "thread" and not any(hole.thread and hole.thread.name == value for hole in holes)
    if size.endswith("_depth_mm"):
        heights = [f.bottom_z_mm if isinstance(f, Hole) else f.floor_z_mm
                   for f in part.features if isinstance(f, (Hole, Pocket)) and f.side is Side.INSIDE]
        made = [part.thickness_mm - z for z in heights]
        made += [f.top_z_mm for f in part.features if isinstance(f, (Hole, Pocket)) and f.side is Side.OUTER]
        made += [f.depth_mm for f in part.features if isinstance(f, Mark)]
    elif size.endswith(("_diameter_mm", "clearance_mm")):
        made = [hole.diameter_mm for hole in holes]
    else:
        return False
    drawn = [one.value_mm for one in part.dimensions]
    undrawn = [m for m in made if all(abs(m - d) > EPS_MM for d in drawn)]
    return bool(part.dimensions) and all(abs(value - m) > EPS_MM for m in undrawn)


def _value(size: str, value: float | str, figures: Figures) -> str:
    if isinstance(value, str):
        return value
    return figures.plain(value) if size.endswith("_mm") else f"{value:g}"


def _projection(sheet: Sheet, at: Point) -> None:
    """The sign of third-angle projection: the round end of a cone to the left of its side."""
    x, y = at
    sheet.circle(x + 2.0, y, 1.8, "thin")
    sheet.circle(x + 2.0, y, 0.9, "thin")
    sheet.line([(x + 5.6, y - 0.9), (x + 10.0, y - 1.8), (x + 10.0, y + 1.8), (x + 5.6, y + 0.9)], "thin", closed=True)
    sheet.line([(x - 0.6, y), (x + 11.0, y)], "centre")
