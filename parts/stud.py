"""Stud: a round shouldered post with a threaded bore. Inside face up in the first setup: the end with the thread.

Frame: origin on the axis on the outer (show) face, which is the head's top; Z to the end of the shoulder (= thickness).

          |  thread  |
        __|__|    |__|__    Z = thickness, inside face
       |     |    |     |
       |     |    |     |   shoulder
    ___|      \\  /      |___
   |           \\/           |  step: Z = head_height
    \\                      /
      '-----..____..-----'     dome or cone, Z = 0
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import parts._dimensions as _dimensions
import parts._forms as _forms
from parts._threads import THREADS, bore_mm, mouth_leg_mm
from pipeline.model.loop import Loop
from pipeline.model.part import Built, Chamfer, Dimension, Feature, Hole, Pocket, Side, Surface, dim, pick

_RUN_OUT_PITCHES = 1.5  # what a thread mill leaves unfinished at the bottom. Common practice, no source
_FLOOR_MM = 0.4  # least metal between the drill's point and the outer face
_RIM_MM = 0.3  # least straight edge of the head, and least step beside the shoulder
_WALL_MM = 0.25  # least wall round the thread's mouth
_PAST_MM = 1.0  # cutting bodies reach this far past the faces they open


@dataclass(frozen=True, slots=True, kw_only=True)
class Params:
    """Sizes of a stud."""

    head_diameter_mm: float = dim(7.0, low=4.0, high=16.0, note="across the head")
    head_height_mm: float = dim(1.2, low=0.9, high=1.8, note="from the outer face to the step")
    shoulder_diameter_mm: float = dim(4.4, low=3.0, high=6.2, note="across the shoulder")
    thickness_mm: float = dim(3.8, low=3.6, high=5.0, note="over all, from the outer face to the seat")
    thread: str = pick("4-40 UNC-2B", "2-56 UNC-2B", "M2-6H", "M2.5-6H", "M3-6H", note="from the seat")
    bore_depth_mm: float = dim(2.4, low=1.5, high=2.7, note="full diameter of the bore, without the drill's point")
    head: str = pick("domed", "coned", note="shape of the outer face")
    crown_mm: float = dim(0.4, low=0.2, high=0.6, note="height of the dome, or leg of the cone")


def check(p: Params) -> Iterator[str]:
    """Relations between the sizes, one sentence for each that does not hold."""
    thread = THREADS[p.thread]
    least = bore_mm(thread) + 2 * (mouth_leg_mm(thread) + _WALL_MM)
    if p.shoulder_diameter_mm < least:
        yield f"shoulder_diameter_mm must be at least {least:.2f} mm round thread {p.thread}"
    if p.head_diameter_mm < p.shoulder_diameter_mm + 2 * _RIM_MM:
        yield f"head_diameter_mm must be at least shoulder_diameter_mm + {2 * _RIM_MM:g} mm"
    if p.crown_mm > p.head_height_mm - _RIM_MM:
        yield f"crown_mm must be at most head_height_mm - {_RIM_MM:g} mm"
    point = _forms.point_depth_mm(bore_mm(thread))
    if p.bore_depth_mm + point > p.thickness_mm - _FLOOR_MM:
        yield f"bore_depth_mm must be at most thickness_mm - {_FLOOR_MM + point:.2f} mm (drill point and floor)"


def build(p: Params) -> Built:
    """The solid and its features."""
    thread = THREADS[p.thread]
    outline = Loop.circle(0.0, 0.0, p.head_diameter_mm / 2)
    features = tuple(_features(p, outline))
    tools = []
    for feature in features:
        if isinstance(feature, Hole):
            tools += _forms.drilled(feature, past_mm=_PAST_MM)
        elif isinstance(feature, Chamfer) and feature.inward:
            tools.append(_forms.countersunk(feature))
    return Built(solid=_forms.cut(_blank(p), tools), outline=outline, thickness_mm=p.thickness_mm, features=features,
                 report={"plan area, mm2": outline.area_mm2,
                         "usable thread less 1.5 pitches of run-out, diameters":
                             (p.bore_depth_mm - _RUN_OUT_PITCHES * thread.pitch_mm) / thread.major_mm},
                 dimensions=tuple(_drawn(p)))


def _drawn(p: Params) -> Iterator[Dimension]:
    head, up = p.head_diameter_mm / 2, p.thickness_mm
    yield _dimensions.diameter("head_diameter_mm", (0.0, 0.0), p.head_diameter_mm)
    yield _dimensions.diameter("shoulder_diameter_mm", (0.0, 0.0), p.shoulder_diameter_mm, at_rad=math.radians(135.0))
    yield _dimensions.height("thickness_mm", head, 0.0, up)
    yield _dimensions.height("head_height_mm", -head, 0.0, p.head_height_mm)
    yield _dimensions.height("bore_depth_mm", 0.0, up - p.bore_depth_mm, up)
    yield _dimensions.height("crown_mm", head, 0.0, p.crown_mm)


def _blank(p: Params) -> Any:
    """Head and shoulder, turned from one profile."""
    import cadquery as cq

    r_head, r_shoulder, c = p.head_diameter_mm / 2, p.shoulder_diameter_mm / 2, p.crown_mm
    axis = (cq.Vector(0, 0, 0), cq.Vector(0, 0, 1))

    def at(x: float, z: float) -> Any:
        return cq.Vector(x, 0.0, z)

    if p.head == "domed":
        radius = dome_radius_mm(p)
        half = math.asin(r_head / radius) / 2
        crown = [cq.Edge.makeThreePointArc(at(0, 0), at(radius * math.sin(half), radius * (1 - math.cos(half))),
                                           at(r_head, c))]
    else:
        crown = [cq.Edge.makeLine(at(0, 0), at(r_head - c, 0)), cq.Edge.makeLine(at(r_head - c, 0), at(r_head, c))]
    corners = [at(r_head, c), at(r_head, p.head_height_mm), at(r_shoulder, p.head_height_mm),
               at(r_shoulder, p.thickness_mm), at(0, p.thickness_mm), at(0, 0)]
    sides = [cq.Edge.makeLine(a, b) for a, b in itertools.pairwise(corners)]
    return cq.Solid.revolve(cq.Face.makeFromWires(cq.Wire.assembleEdges([*crown, *sides])), 360.0, *axis)


def dome_radius_mm(p: Params) -> float:
    """Radius of the sphere whose cap of height crown_mm is as wide as the head."""
    return ((p.head_diameter_mm / 2) ** 2 + p.crown_mm**2) / (2 * p.crown_mm)


def _features(p: Params, outline: Loop) -> Iterator[Feature]:
    thread, up = THREADS[p.thread], p.thickness_mm
    yield Hole(id="bore", side=Side.INSIDE, x_mm=0.0, y_mm=0.0, diameter_mm=bore_mm(thread),
               limits_mm=thread.drill_limits_mm, top_z_mm=up, bottom_z_mm=up - p.bore_depth_mm, through=False,
               fit="thread", thread=thread)
    yield Chamfer(id="bore-mouth", side=Side.INSIDE, loop=Loop.circle(0.0, 0.0, bore_mm(thread) / 2), z_mm=up,
                  leg_mm=mouth_leg_mm(thread), inward=True)
    # No inside corner in plan: any cutter may go round the shoulder, and off the head's edge.
    shoulder = Loop.circle(0.0, 0.0, p.shoulder_diameter_mm / 2)
    yield Pocket(id="step", side=Side.INSIDE, outer=outline, islands=(shoulder,), top_z_mm=up,
                 floor_z_mm=p.head_height_mm, corner_radius_mm=p.head_diameter_mm / 2, open_edge=True)
    if p.head == "domed":
        yield Surface(id="dome", side=Side.OUTER, region=outline, low_z_mm=0.0, high_z_mm=p.crown_mm)
    else:
        yield Chamfer(id="cone", side=Side.OUTER, loop=outline, z_mm=0.0, leg_mm=p.crown_mm, inward=False)
