"""Handle half of a folding knife. Inside face up in the first setup.

Frame: origin on the pivot's axis on the outer (show) face; X to the tail, Z from the outer face to the inside face.
Left half: Y to the spine. Right half: the mirror image, Y away from the spine; it is drawn mirrored, so holes,
threads and the place of the serial number are true on both.

              groove along the spine
        .--------=================-------.
      /  o detent                  o      \\      o screws (threaded in one half, counterbored in the other)
     |  (O) pivot   o  [pocket] #### [pocket] o |    #### serial number
      \\    . pin  .--.                     /
        '------'      '-------------------'
                finger hollow    belly

Sources: layout and walls are common practice, no source; H7 limits ISO 286-2, ranges to 10 mm.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np

import parts._dimensions as _dimensions
import parts._forms as _forms
from parts._handle_outline import Outline, trace
from parts._threads import THREADS, bore_mm, mouth_leg_mm
from pipeline.model.loop import Loop, arc_of_bulge
from pipeline.model.part import Built, Chamfer, Dimension, Feature, Hole, Mark, Pocket, Side, dim, pick

_PAST_MM = 1.0  # cutting bodies reach this far past the faces they open
_DEPTH_OVER_MM = 0.0127  # a bearing pocket may be deeper by this (0.0005 in) and never shallower: common practice
_H7_MM = ((3.0, 0.010), (6.0, 0.012), (10.0, 0.015), (18.0, 0.018))  # ISO 286-2: size up to and including, upper limit
_FLOOR_MM = 0.8  # least floor under a pocket or a blind hole


@dataclass(frozen=True, slots=True, kw_only=True)
class Params:
    """Sizes of a handle half."""

    hand: str = pick("left", "right", note="which half; the right one is the mirror image")
    length_mm: float = dim(100.0, low=80.0, high=130.0, note="over all, from the pivot end to the tail end")
    thickness_mm: float = dim(3.8, low=3.2, high=5.0, note="finished thickness")
    pivot_width_mm: float = dim(24.0, low=21.5, high=28.0, note="width of the round pivot end")
    tail_width_mm: float = dim(15.0, low=13.0, high=17.0, note="width of the round tail end")
    tail_drop_mm: float = dim(0.5, low=0.0, high=2.0, note="how far the tail's middle lies below the pivot")
    belly_depth_mm: float = dim(13.5, low=12.0, high=16.0, note="how far the belly hangs below the pivot")
    belly_share: float = dim(0.62, low=0.56, high=0.72, note="where the belly is lowest, in parts of pivot to tail")
    finger_depth_mm: float = dim(3.4, low=2.0, high=4.5, note="finger relief, from the pivot end's lowest point up")
    spine_radius_mm: float = dim(240.0, low=160.0, high=600.0, note="radius of the spine")
    pivot_diameter_mm: float = dim(4.0, low=3.0, high=5.0, note="pivot bore, H7")
    bearing_diameter_mm: float = dim(9.5, low=7.5, high=11.0, note="bearing pocket, H7")
    bearing_depth_mm: float = dim(0.8, low=0.5, high=1.4, note="bearing pocket, from the inside face")
    stop_pin: str = pick("through", "blind", note="stop pin hole")
    stop_diameter_mm: float = dim(3.0, low=2.0, high=3.2, note="stop pin hole")
    stop_depth_mm: float = dim(1.8, low=1.0, high=2.2, note="full depth of a blind stop pin hole")
    stop_distance_mm: float = dim(9.5, low=8.5, high=10.0, note="stop pin, from the pivot")
    detent_diameter_mm: float = dim(1.6, low=1.0, high=2.0, note="detent ball hole, blind, drilled")
    detent_depth_mm: float = dim(1.4, low=0.6, high=1.9, note="full depth of the detent hole")
    screws: str = pick("two", "three", note="body screws")
    screw_holes: str = pick("by hand", "threaded", "counterbored", note="by hand: left threaded, right counterbored")
    thread: str = pick("2-56 UNC-2B", "M2-6H", note="body screw")
    clearance_mm: float = dim(2.5, low=2.3, high=2.9, note="screw hole in the counterbored half")
    counterbore_diameter_mm: float = dim(4.2, low=3.6, high=4.8, note="for the screw's head, from the outer face")
    counterbore_depth_mm: float = dim(1.4, low=0.8, high=2.0, note="from the outer face")
    pocket_depth_mm: float = dim(1.6, low=0.6, high=2.2, note="lightening pockets, from the inside face")
    pocket_corner_mm: float = dim(2.0, low=1.6, high=2.5, note="inside corner radius of the lightening pockets")
    wall_mm: float = dim(1.5, low=1.0, high=2.0, note="least wall between features and to the edge")
    groove_width_mm: float = dim(2.2, low=2.1, high=3.0, note="relief groove along the spine")
    groove_depth_mm: float = dim(0.5, low=0.2, high=1.0, note="relief groove, from the inside face")
    edge_mm: float = dim(0.4, low=0.2, high=0.8, note="leg of the edge chamfers on both faces")


@dataclass(frozen=True, slots=True, kw_only=True)
class _Layout:
    """Where everything lies, in the spine-up frame."""

    outline: Outline
    stop: tuple[float, float]
    detent: tuple[float, float]
    screws: tuple[tuple[float, float], ...]
    pockets: tuple[Loop, ...]
    groove: Loop
    serial: Loop


def check(p: Params) -> Iterator[str]:
    """Relations between the sizes, one sentence for each that does not hold."""
    layout = _lay_out(p)
    if isinstance(layout, str):
        yield layout
        return
    if p.bearing_diameter_mm < p.pivot_diameter_mm + 2.0:
        yield "bearing_diameter_mm must be at least pivot_diameter_mm + 2 mm"
    if p.counterbore_diameter_mm < p.clearance_mm + 0.8:
        yield "counterbore_diameter_mm must be at least clearance_mm + 0.8 mm"
    if p.clearance_mm < THREADS[p.thread].major_mm + 0.1:
        yield f"clearance_mm must be at least {THREADS[p.thread].major_mm + 0.1:.2f} mm for thread {p.thread}"
    for name, depth, diameter in (("pocket_depth_mm", p.pocket_depth_mm, 0.0),
                                  ("bearing_depth_mm", p.bearing_depth_mm, 0.0),
                                  ("detent_depth_mm", p.detent_depth_mm, p.detent_diameter_mm),
                                  ("stop_depth_mm", p.stop_depth_mm, p.stop_diameter_mm),
                                  ("counterbore_depth_mm", p.counterbore_depth_mm, 0.0)):
        point = _forms.point_depth_mm(diameter)
        if name == "stop_depth_mm" and p.stop_pin == "through":
            continue
        if depth + point > p.thickness_mm - _FLOOR_MM:
            words = f" - {point:.2f} mm for the drill's point" if point else ""
            yield f"{name} must be at most thickness_mm - {_FLOOR_MM:g} mm{words}"
    plan = _in_plan(p, layout)
    least = p.wall_mm + p.edge_mm - _forms.GAP_ERROR_MM
    edge = layout.outline.loop
    for name, loop in plan:
        if not _forms.inside(loop.vertices[:, :2], edge) or _forms.gap_mm(loop, edge) < least:
            yield f"{name} is closer to the edge than wall_mm + edge_mm"
    for i, (name, loop) in enumerate(plan):
        for other, second in plan[:i]:
            # None of these shapes has room for another inside it, so boundaries far enough apart are enough.
            near = _forms.gap_mm(loop, second) < p.wall_mm - _forms.GAP_ERROR_MM
            if near or _forms.inside(loop.vertices[:1, :2], second):
                yield f"{name} and {other} are closer than wall_mm"


def _lay_out(p: Params) -> _Layout | str:
    outline = trace(length=p.length_mm, pivot_width=p.pivot_width_mm, tail_width=p.tail_width_mm,
                    tail_drop=p.tail_drop_mm, belly_depth=p.belly_depth_mm, belly_share=p.belly_share,
                    finger_depth=p.finger_depth_mm, spine_radius=p.spine_radius_mm)
    if isinstance(outline, str):
        return outline
    rim = p.edge_mm + p.wall_mm
    head = max(p.counterbore_diameter_mm, THREADS[p.thread].major_mm + 0.1) / 2  # both halves take the same layout
    under_groove = rim + p.groove_width_mm + p.wall_mm
    x_tail = outline.tail[0]

    x_first = p.stop_distance_mm * math.cos(_STOP_RAD) + p.stop_diameter_mm / 2 + p.wall_mm + head + 1.0
    first = (x_first, (outline.high(x_first, under_groove) + outline.low(x_first) + rim) / 2)
    last = (x_tail, (outline.high(x_tail, under_groove) + outline.low(x_tail) + rim) / 2)
    left, right = first[0] + head + p.wall_mm, last[0] - head - p.wall_mm
    land_low, land_high = left + 0.38 * (right - left), left + 0.66 * (right - left)
    pockets = []
    for x0, x1 in ((left, land_low), (land_high, right)):
        top = [outline.high(x, under_groove) for x in (x0, x1)]
        # The chord between two points over the hollow would dip into it: lift it until it clears all of the edge.
        xs = np.linspace(x0, x1, 41)
        floor = np.array([outline.low(x) for x in xs]) + rim * 1.08
        chord = floor[0] + (floor[-1] - floor[0]) * (xs - x0) / (x1 - x0)
        lift = float(np.max(floor - chord))
        corners = [(x0, floor[0] + lift), (x1, floor[-1] + lift), (x1, top[1]), (x0, top[0])]
        if min(x1 - x0, top[0] - corners[0][1], top[1] - corners[1][1]) < 2.2 * p.pocket_corner_mm:
            return ("pocket_corner_mm leaves no room for the pockets; make it or wall_mm smaller, "
                    "or length_mm larger")
        pockets.append(_forms.rounded(corners, p.pocket_corner_mm))
    middle = ((land_low + land_high) / 2, outline.high((land_low + land_high) / 2, under_groove + head))
    screws = (first, middle, last) if p.screws == "three" else (first, last)

    half = (land_high - land_low) / 2 - p.wall_mm
    low = max(outline.low(x) for x in (land_low, middle[0], land_high)) + rim
    high = middle[1] - head - p.wall_mm
    y_mark = (low + high) / 2
    tall = min(3.2, high - low)
    if half < 2.5 or tall < 1.6:
        return "wall_mm leaves no flat place of 5 x 1.6 mm for the serial number; make length_mm larger"
    serial = _forms.rectangle(middle[0] - half, y_mark - tall / 2, middle[0] + half, y_mark + tall / 2)

    cx, cy, radius = outline.spine
    track = radius - rim - p.groove_width_mm / 2
    ends = [math.acos((x - cx) / track) for x in (x_tail - 2.0, p.pivot_width_mm / 4)]
    groove = _forms.arc_slot(cx, cy, track, p.groove_width_mm, *ends)
    stop = (p.stop_distance_mm * math.cos(_STOP_RAD), p.stop_distance_mm * math.sin(_STOP_RAD))
    reach = p.bearing_diameter_mm / 2 + p.wall_mm + p.detent_diameter_mm / 2 + 0.1
    detent = (reach * math.cos(_DETENT_RAD), reach * math.sin(_DETENT_RAD))
    return _Layout(outline=outline, stop=stop, detent=detent, screws=screws, pockets=tuple(pockets), groove=groove,
                   serial=serial)


_STOP_RAD = math.radians(15.0)  # direction of the stop pin from the pivot
_EDGE_SHOWN_RAD = math.radians(252.0)  # where on the pivot end a drawing shows the edge's chamfer
_DETENT_RAD = math.radians(200.0)  # direction of the detent from the pivot


def _in_plan(p: Params, layout: _Layout) -> list[tuple[str, Loop]]:
    """Every feature as the largest loop it needs in plan, whichever hand is drawn: what walls are measured between."""
    head = max(p.counterbore_diameter_mm, THREADS[p.thread].major_mm + 0.1) / 2
    plan = [("the bearing pocket (bearing_diameter_mm)", Loop.circle(0.0, 0.0, p.bearing_diameter_mm / 2)),
            ("the stop pin (stop_diameter_mm)", Loop.circle(*layout.stop, p.stop_diameter_mm / 2)),
            ("the detent (detent_diameter_mm)", Loop.circle(*layout.detent, p.detent_diameter_mm / 2)),
            ("the groove (groove_width_mm)", layout.groove)]
    plan += [(f"pocket {i}", loop) for i, loop in enumerate(layout.pockets, 1)]
    plan += [(f"screw {i} (counterbore_diameter_mm)", Loop.circle(*at, head)) for i, at in enumerate(layout.screws, 1)]
    return [*plan, ("the serial number", layout.serial)]


def build(p: Params) -> Built:
    """The solid and its features."""
    layout = _lay_out(p)
    if isinstance(layout, str):
        raise ValueError(layout)
    turn = _forms.mirrored if p.hand == "right" else (lambda loop: loop)
    outline = turn(layout.outline.loop)
    features = tuple(_features(p, layout, outline))

    body = _forms.with_chamfered_ends(_forms.prism(outline, 0.0, p.thickness_mm), p.edge_mm, (0.0, p.thickness_mm))
    tools = []
    for feature in features:
        if isinstance(feature, Hole):
            tools += _forms.drilled(feature, past_mm=_PAST_MM)
        elif isinstance(feature, Pocket):
            tools.append(_forms.prism(feature.outer, feature.floor_z_mm, p.thickness_mm + _PAST_MM))
        elif isinstance(feature, Chamfer) and feature.inward:
            tools.append(_forms.countersunk(feature))
    return Built(solid=_forms.cut(body, tools), outline=outline, thickness_mm=p.thickness_mm, features=features,
                 report={"plan area, mm2": outline.area_mm2, "length over all, mm": p.length_mm,
                         "radius of the finger hollow, mm": -layout.outline.hollow[2]},
                 dimensions=tuple(_drawn(p, layout)))


def _drawn(p: Params, layout: _Layout) -> Iterator[Dimension]:
    flip = _dimensions.mirrored if p.hand == "right" else (lambda same: same)
    yield from map(flip, _drawn_outline(p, layout))
    yield from map(flip, _drawn_features(p, layout))


def _drawn_outline(p: Params, layout: _Layout) -> Iterator[Dimension]:
    outline = layout.outline
    pivot, (x_tail, y_tail, _) = p.pivot_width_mm / 2, outline.tail
    right, x_belly, x_hollow = p.length_mm - pivot, outline.belly[0], outline.hollow[0]
    cx, cy, radius = outline.spine
    yield _dimensions.length("length_mm", (-pivot, 0.0), (right, 0.0))
    yield _dimensions.diameter("pivot_width_mm", (0.0, 0.0), p.pivot_width_mm, at_rad=math.radians(135.0))
    yield _dimensions.diameter("tail_width_mm", (x_tail, y_tail), p.tail_width_mm, at_rad=math.radians(40.0))
    yield _dimensions.length("tail_drop_mm", (right, y_tail), (right, 0.0))
    beside = x_belly + 3.0  # clear of the extension line at the belly's lowest point, and still as low to the eye
    yield _dimensions.length("belly_depth_mm", (beside, -p.belly_depth_mm), (beside, 0.0))
    yield _dimensions.length("", (0.0, -p.belly_depth_mm), (x_belly, -p.belly_depth_mm))
    yield _dimensions.length("finger_depth_mm", (x_hollow, -pivot), (x_hollow, p.finger_depth_mm - pivot))
    yield _dimensions.radius("spine_radius_mm", (cx, cy), radius, math.acos((0.55 * right - cx) / radius))
    yield _dimensions.height("thickness_mm", right, 0.0, p.thickness_mm)
    cos, sin = math.cos(_EDGE_SHOWN_RAD), math.sin(_EDGE_SHOWN_RAD)
    yield _dimensions.length("edge_mm", (pivot * cos, pivot * sin),
                             ((pivot - p.edge_mm) * cos, (pivot - p.edge_mm) * sin))


def _drawn_features(p: Params, layout: _Layout) -> Iterator[Dimension]:
    up, origin = p.thickness_mm, (0.0, 0.0)
    yield _dimensions.diameter("pivot_diameter_mm", origin, p.pivot_diameter_mm, at_rad=math.radians(110.0))
    yield _dimensions.diameter("bearing_diameter_mm", origin, p.bearing_diameter_mm, at_rad=math.radians(120.0))
    yield _dimensions.diameter("stop_diameter_mm", layout.stop, p.stop_diameter_mm)
    yield _dimensions.length("stop_distance_mm", origin, layout.stop)
    yield _dimensions.diameter("detent_diameter_mm", layout.detent, p.detent_diameter_mm, at_rad=math.radians(150.0))
    yield _dimensions.height("bearing_depth_mm", (p.pivot_diameter_mm + p.bearing_diameter_mm) / 4,
                             up - p.bearing_depth_mm, up)
    yield _dimensions.height("detent_depth_mm", layout.detent[0], up - p.detent_depth_mm, up)
    if p.stop_pin == "blind":
        yield _dimensions.height("stop_depth_mm", layout.stop[0], up - p.stop_depth_mm, up)
    if not _threaded(p):
        last = layout.screws[-1]
        yield _dimensions.diameter("clearance_mm", layout.screws[0], p.clearance_mm)
        yield _dimensions.diameter("counterbore_diameter_mm", last, p.counterbore_diameter_mm)
        yield _dimensions.height("counterbore_depth_mm", last[0] + (p.clearance_mm + p.counterbore_diameter_mm) / 4,
                                 0.0, p.counterbore_depth_mm)

    x0, y0, bulge = layout.pockets[0].vertices[0]
    cx, cy, corner, start, sweep = arc_of_bulge(x0, y0, *layout.pockets[0].vertices[1, :2], bulge)
    pocket = layout.pockets[0].vertices[:, 0]
    yield _dimensions.radius("pocket_corner_mm", (cx, cy), corner, start + sweep / 2)
    yield _dimensions.height("pocket_depth_mm", float(pocket.min() + pocket.max()) / 2, up - p.pocket_depth_mm, up)

    # The groove is dimensioned over the land between the pockets, where a section has room for it.
    land = layout.pockets[0].vertices[:, 0].max(), layout.pockets[1].vertices[:, 0].min()
    x_groove = float(land[0] + (land[1] - land[0]) * (0.5 if p.screws == "two" else 0.2))
    cx, cy, spine = layout.outline.spine

    def on_spine(x: float, inset: float) -> tuple[float, float]:
        aim = math.acos((x - cx) / spine)
        return cx + (spine - inset) * math.cos(aim), cy + (spine - inset) * math.sin(aim)

    rim = p.edge_mm + p.wall_mm
    x_wall = 0.6 * layout.screws[0][0] + 0.4 * float(land[0])
    x_width = 0.7 * float(land[1]) + 0.3 * layout.screws[-1][0]
    yield _dimensions.length("wall_mm", on_spine(x_wall, rim), on_spine(x_wall, p.edge_mm))
    yield _dimensions.length("groove_width_mm", on_spine(x_width, rim + p.groove_width_mm), on_spine(x_width, rim))
    yield _dimensions.height("groove_depth_mm", x_groove, up - p.groove_depth_mm, up)


def _threaded(p: Params) -> bool:
    return p.screw_holes == "threaded" or (p.screw_holes == "by hand" and p.hand == "left")


def _features(p: Params, layout: _Layout, outline: Loop) -> Iterator[Feature]:
    up = p.thickness_mm
    flip = -1.0 if p.hand == "right" else 1.0
    turn = _forms.mirrored if p.hand == "right" else (lambda loop: loop)
    seat = up - p.bearing_depth_mm

    def hole(name: str, at: tuple[float, float], diameter: float, limits: tuple[float, float], top: float,
             bottom: float, **more: Any) -> Hole:
        return Hole(id=name, side=Side.INSIDE, x_mm=at[0], y_mm=flip * at[1], diameter_mm=diameter,
                    limits_mm=limits, top_z_mm=top, bottom_z_mm=bottom, through=bottom == 0.0, **more)

    yield hole("bearing-pocket", (0.0, 0.0), p.bearing_diameter_mm, _h7(p.bearing_diameter_mm), up, seat,
               flat_bottom=True, fit="bearing H7", depth_limits_mm=(seat - _DEPTH_OVER_MM, seat))
    yield hole("pivot-bore", (0.0, 0.0), p.pivot_diameter_mm, _h7(p.pivot_diameter_mm), seat, 0.0, fit="H7")
    stop_z = 0.0 if p.stop_pin == "through" else up - p.stop_depth_mm
    yield hole("stop-pin", layout.stop, p.stop_diameter_mm, _drill_limits(p.stop_diameter_mm), up, stop_z, fit="pin")
    yield hole("detent", layout.detent, p.detent_diameter_mm, _drill_limits(p.detent_diameter_mm), up,
               up - p.detent_depth_mm, fit="detent ball")

    thread = THREADS[p.thread]
    threaded = _threaded(p)
    for i, at in enumerate(layout.screws, 1):
        if threaded:
            yield hole(f"screw-{i}", at, bore_mm(thread), thread.drill_limits_mm, up, 0.0, fit="thread", thread=thread)
            yield Chamfer(id=f"screw-{i}-mouth", side=Side.INSIDE, z_mm=up, leg_mm=mouth_leg_mm(thread), inward=True,
                          loop=Loop.circle(at[0], flip * at[1], bore_mm(thread) / 2))
        else:
            yield hole(f"screw-{i}", at, p.clearance_mm, _drill_limits(p.clearance_mm), up, 0.0)
            # From the outer face: the mouth is at z = 0 and the flat floor, on which the head sits, at top_z_mm.
            yield Hole(id=f"counterbore-{i}", side=Side.OUTER, x_mm=at[0], y_mm=flip * at[1],
                       diameter_mm=p.counterbore_diameter_mm,
                       limits_mm=(p.counterbore_diameter_mm, p.counterbore_diameter_mm + 0.1),
                       top_z_mm=p.counterbore_depth_mm, bottom_z_mm=0.0, through=False, flat_bottom=True,
                       fit="screw head")
    for i, loop in enumerate(layout.pockets, 1):
        yield Pocket(id=f"pocket-{i}", side=Side.INSIDE, outer=turn(loop), top_z_mm=up,
                     floor_z_mm=up - p.pocket_depth_mm, corner_radius_mm=p.pocket_corner_mm)
    yield Pocket(id="groove", side=Side.INSIDE, outer=turn(layout.groove), top_z_mm=up,
                 floor_z_mm=up - p.groove_depth_mm, corner_radius_mm=p.groove_width_mm / 2)
    yield Mark(id="serial", side=Side.INSIDE, region=turn(layout.serial), z_mm=up, depth_mm=0.1)
    yield Chamfer(id="edge-inside", side=Side.INSIDE, loop=outline, z_mm=up, leg_mm=p.edge_mm, inward=False)
    yield Chamfer(id="edge-outer", side=Side.OUTER, loop=outline, z_mm=0.0, leg_mm=p.edge_mm, inward=False)


def _h7(diameter: float) -> tuple[float, float]:
    return diameter, diameter + next(upper for most, upper in _H7_MM if diameter <= most)


def _drill_limits(diameter: float) -> tuple[float, float]:
    """What a drill of that size leaves: common practice, no source."""
    return diameter - 0.05, diameter + 0.1
