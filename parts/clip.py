"""Pocket spring clip. Inside face up in the first setup: the face that lies against the handle.

Frame: origin at the tab's end in the middle of the width, on the outer (show) face; X to the nose, Y across, Z from the
outer face to the top of the contact hump (= thickness).

    Z  tab, flat seat     root       valley     hump
       ________________.                      .-''-.
      |  o    (o)    o  '.________--------__.'      '-.__ nose
      |__________________________________________________|   outer face, flat
    X 0            tab_length

The upper face of the beam is a profile of lines and arcs turned about an axis below the clip and parallel to X, so it
is crowned across the width: a truly three-dimensional face without a straight ruling. The seat is cut flat through
it. Every joint is tangent or convex: a ball cutter smaller than valley_radius_mm reaches everything.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

import parts._beam as _beam
import parts._dimensions as _dimensions
import parts._forms as _forms
from parts._clip_profile import Profile, crowned, trace
from pipeline.model.arrays import Float
from pipeline.model.loop import Loop
from pipeline.model.part import Built, Chamfer, Dimension, Feature, Hole, Pocket, Side, Surface, dim, pick

_PAST_MM = 1.0  # cutting bodies and open pockets reach this far past the part
_ACROSS = 41  # places across the width in the section integrals


@dataclass(frozen=True, slots=True, kw_only=True)
class Params:
    """Sizes of a clip."""

    length_mm: float = dim(48.0, low=42.0, high=60.0, note="over all")
    tab_width_mm: float = dim(8.0, low=7.0, high=10.0, note="width at the tab")
    nose_width_mm: float = dim(5.5, low=4.0, high=6.5, note="width of the round nose")
    tab_length_mm: float = dim(15.0, low=13.0, high=18.0, note="flat seat, from the end")
    tab_corner_mm: float = dim(2.0, low=1.0, high=3.0, note="outside corner radius of the tab")
    thickness_mm: float = dim(3.0, low=2.8, high=3.8, note="over all: outer face to the top of the hump")
    seat_mm: float = dim(2.2, low=1.8, high=2.4, note="thickness of the tab under the seat")
    root_mm: float = dim(1.25, low=1.0, high=1.5, note="thickness of the beam at its root")
    beam_mm: float = dim(0.95, low=0.8, high=1.2, note="thickness of the beam at its thinnest")
    nose_mm: float = dim(1.2, low=1.0, high=2.0, note="thickness at the tip of the nose")
    hump_from_tip_mm: float = dim(8.5, low=7.0, high=11.0, note="top of the hump, from the tip of the nose")
    hump_radius_mm: float = dim(5.0, low=3.0, high=8.0, note="radius of the hump along the clip")
    valley_radius_mm: float = dim(6.0, low=4.0, high=9.0, note="hollow radius at the root and before the hump")
    crown_radius_mm: float = dim(30.0, low=20.0, high=60.0, note="radius of the crown across the beam, at the hump")
    screw_holes: str = pick("two", "three", note="holes in the tab, in line")
    screw_diameter_mm: float = dim(2.5, low=2.2, high=3.0, note="screw clearance hole")
    edge_mm: float = dim(0.3, low=0.2, high=0.4, note="leg of the edge chamfer on the outer face")


def check(p: Params) -> Iterator[str]:
    """Relations between the sizes, one sentence for each that does not hold."""
    if p.tab_width_mm < p.nose_width_mm + 0.5:
        yield "tab_width_mm must be at least nose_width_mm + 0.5 mm"
    if p.seat_mm > p.thickness_mm - 0.4:
        yield "seat_mm must be at most thickness_mm - 0.4 mm, or the hump does not press"
    if p.root_mm > p.seat_mm - 0.3:
        yield "root_mm must be at most seat_mm - 0.3 mm"
    if p.beam_mm > p.root_mm:
        yield "beam_mm must be at most root_mm"
    if p.nose_mm > p.thickness_mm - 0.8:
        yield "nose_mm must be at most thickness_mm - 0.8 mm"
    if _hole_row(p)[1] < p.screw_diameter_mm + 1.2:
        yield "screw_diameter_mm must leave 1.2 mm between the holes; make tab_length_mm larger or take fewer holes"
    if p.tab_width_mm < p.screw_diameter_mm + 3.0:
        yield "tab_width_mm must be at least screw_diameter_mm + 3 mm"
    profile = _profile(p)
    if isinstance(profile, str):
        yield profile
        return
    thin = _thinnest(p, profile)
    if thin < p.edge_mm + 0.2:
        yield f"beam_mm leaves {thin:.2f} mm at the beam's edges, wanted edge_mm + 0.2 mm; raise crown_radius_mm"


def _thinnest(p: Params, profile: Profile) -> float:
    """The least height of the beam's edges: the crown falls away to both sides. Sampled every 0.1 mm or so."""
    x = np.linspace(profile.seat_end_mm, p.length_mm, 400)
    edge = np.sqrt((profile.height(x) + profile.axis_mm) ** 2 - _half_width(p, x) ** 2) - profile.axis_mm
    return float(edge.min())


def _profile(p: Params) -> Profile | str:
    return trace(length=p.length_mm, tab_length=p.tab_length_mm, tab_width=p.tab_width_mm, thickness=p.thickness_mm,
                 seat=p.seat_mm, root=p.root_mm, beam=p.beam_mm, nose=p.nose_mm, hump_from_tip=p.hump_from_tip_mm,
                 r_hump=p.hump_radius_mm, r_hollow=p.valley_radius_mm, r_crown=p.crown_radius_mm)


def _hole_row(p: Params) -> tuple[float, float]:
    """x of the first hole and the pitch of the row: two holes at the ends of the row, three with one between."""
    first = p.screw_diameter_mm / 2 + 1.8
    last = p.tab_length_mm - p.screw_diameter_mm / 2 - 1.0
    return first, (last - first) / (2 if p.screw_holes == "three" else 1)


def _outline(p: Params) -> Loop:
    """Tab with rounded corners, straight taper, round nose tangent to the taper."""
    half, r_nose, x0 = p.tab_width_mm / 2, p.nose_width_mm / 2, p.tab_length_mm
    cx = p.length_mm - r_nose
    far = math.hypot(cx - x0, half)
    # Tangent from (x0, half) to the upper side of the nose circle.
    aim = math.atan2(half, x0 - cx) - math.acos(r_nose / far)
    ux, uy = cx + r_nose * math.cos(aim), r_nose * math.sin(aim)
    turn = math.atan2(half - uy, ux - x0)
    soft = 20.0  # outside radius where the taper starts: no knee that the eye would catch
    corner = p.tab_corner_mm
    reach = soft * math.tan(turn / 2)
    quarter, bend = math.tan(math.pi / 8), math.tan(turn / 4)
    cos, sin = math.cos(turn), math.sin(turn)
    lower = [(0.0, corner - half, quarter), (corner, -half, 0.0), (x0 - reach, -half, bend),
             (x0 + reach * cos, reach * sin - half, 0.0)]
    upper = [(ux, uy, 0.0), (x0 + reach * cos, half - reach * sin, bend), (x0 - reach, half, 0.0),
             (corner, half, quarter), (0.0, half - corner, 0.0)]
    return Loop(np.array([*lower, (ux, -uy, math.tan(2 * aim / 4)), *upper]))


def _half_width(p: Params, x: Float) -> Float:
    """Half the clip's width at x (n,), past the tab's corners."""
    outline = _outline(p).vertices
    (_, _, _), (x_knee, y_knee, _), (x_nose, y_nose, _) = outline[2:5]
    taper = -y_knee + (y_knee - y_nose) * (x - x_knee) / (x_nose - x_knee)
    tip = np.sqrt(np.maximum((p.nose_width_mm / 2) ** 2 - (x - p.length_mm + p.nose_width_mm / 2) ** 2, 0.0))
    return np.where(x > x_nose, tip, np.minimum(taper, p.tab_width_mm / 2))


def build(p: Params) -> Built:
    """The solid and its features."""
    profile = _profile(p)
    if isinstance(profile, str):
        raise ValueError(profile)
    outline = _outline(p)
    features = tuple(_features(p, profile, outline))
    blank = _forms.with_chamfered_ends(_forms.prism(outline, 0.0, p.thickness_mm + _PAST_MM), p.edge_mm, (0.0,))
    body = blank.intersect(crowned(profile)).Solids()[0]
    # The seat's plane goes on over the ramp as far as the root, where the whole crown lies under it: no step is left.
    above_seat = _forms.prism(_seat(p, profile.root_x_mm), p.seat_mm, p.thickness_mm + 2 * _PAST_MM)
    holes = [feature for feature in features if isinstance(feature, Hole)]
    tools = [above_seat, *(tool for hole in holes for tool in _forms.drilled(hole, past_mm=_PAST_MM))]
    rate, stress = _spring(p, profile)
    lift = p.thickness_mm - p.seat_mm
    return Built(solid=_forms.cut(body, tools), outline=outline, thickness_mm=p.thickness_mm,
                 features=features,
                 report={"plan area, mm2": outline.area_mm2,
                         "spring length, mm": profile.hump_x_mm - profile.seat_end_mm,
                         "spring rate, N/mm": rate, "deflection when mounted, mm": lift,
                         "force when mounted, N": rate * lift, "bending stress when mounted, N/mm2": stress * lift,
                         "bending stress per mm of deflection, N/mm2": stress},
                 dimensions=tuple(_drawn(p, profile)))


def _drawn(p: Params, profile: Profile) -> Iterator[Dimension]:
    half, nose, corner = p.tab_width_mm / 2, p.nose_width_mm / 2, p.tab_corner_mm
    first, pitch = _hole_row(p)
    yield _dimensions.length("length_mm", (0.0, 0.0), (p.length_mm, 0.0))
    yield _dimensions.length("tab_length_mm", (0.0, half), (p.tab_length_mm, half))
    yield _dimensions.length("tab_width_mm", (0.0, -half), (0.0, half))
    yield _dimensions.diameter("nose_width_mm", (p.length_mm - nose, 0.0), p.nose_width_mm)
    yield _dimensions.radius("tab_corner_mm", (corner, half - corner), corner, math.radians(135.0))
    yield _dimensions.diameter("screw_diameter_mm", (first, 0.0), p.screw_diameter_mm, at_rad=math.radians(60.0))
    yield _dimensions.length("", (0.0, 0.0), (first, 0.0))
    yield _dimensions.length("", (first, 0.0), (first + pitch, 0.0))

    hump = profile.hump_x_mm
    valley = next(row[0] for row in profile.rows if row[2] > 0 and row[0] > profile.root_x_mm)
    x_valley = valley + p.valley_radius_mm * math.sin(_lean(profile))
    low = p.beam_mm + p.valley_radius_mm
    yield _dimensions.height("thickness_mm", hump, 0.0, p.thickness_mm)
    yield _dimensions.height("seat_mm", 0.0, 0.0, p.seat_mm)
    yield _dimensions.height("root_mm", profile.root_x_mm, 0.0, p.root_mm)
    yield _dimensions.height("beam_mm", x_valley, 0.0, p.beam_mm)
    yield _dimensions.height("nose_mm", p.length_mm, 0.0, p.nose_mm)
    yield _dimensions.height("edge_mm", p.length_mm, 0.0, p.edge_mm)
    yield _dimensions.length("hump_from_tip_mm", (hump, p.thickness_mm), (p.length_mm, p.thickness_mm), view="side")
    yield _dimensions.radius("hump_radius_mm", (hump, p.thickness_mm - p.hump_radius_mm), p.hump_radius_mm,
                             math.radians(85.0), view="side")
    yield _dimensions.radius("valley_radius_mm", (x_valley, low), p.valley_radius_mm, math.radians(275.0), view="side")


def _lean(profile: Profile) -> float:
    """How far the beam's straight taper falls towards the valley, as an angle."""
    (x0, z0, _), (x1, z1, _) = profile.rows[3:5]
    return math.atan2(z0 - z1, x1 - x0)


def _seat(p: Params, end: float) -> Loop:
    """The plan of the seat's pocket up to x = `end`, past the outline on three sides."""
    half = p.tab_width_mm / 2 + _PAST_MM
    return _forms.rectangle(-_PAST_MM, -half, end, half)


def _features(p: Params, profile: Profile, outline: Loop) -> Iterator[Feature]:
    first, pitch = _hole_row(p)
    for i in range(3 if p.screw_holes == "three" else 2):
        yield Hole(id=f"screw-{i + 1}", side=Side.INSIDE, x_mm=first + i * pitch, y_mm=0.0,
                   diameter_mm=p.screw_diameter_mm, limits_mm=(p.screw_diameter_mm - 0.05, p.screw_diameter_mm + 0.1),
                   top_z_mm=p.seat_mm, bottom_z_mm=0.0, through=True)
    yield Pocket(id="seat", side=Side.INSIDE, outer=_seat(p, profile.seat_end_mm), top_z_mm=p.thickness_mm,
                 floor_z_mm=p.seat_mm, corner_radius_mm=p.tab_width_mm / 2, open_edge=True)
    yield Surface(id="beam", side=Side.INSIDE, region=_beyond(outline, profile.seat_end_mm),
                  low_z_mm=_thinnest(p, profile) - 0.01, high_z_mm=p.thickness_mm)
    yield Chamfer(id="edge-outer", side=Side.OUTER, loop=outline, z_mm=0.0, leg_mm=p.edge_mm, inward=False)


def _beyond(outline: Loop, x_mm: float) -> Loop:
    """The part of the outline past x, closed by a straight line; x lies on the knees (their chord is 0.01 mm off)."""
    (x0, y0, _), (x1, y1, _) = outline.vertices[2:4]
    half = -y0 + (y0 - y1) * (x_mm - x0) / (x1 - x0)
    tail = outline.vertices[3:7].copy()
    tail[-1, 2] = 0.0
    return Loop(np.vstack([[x_mm, -half, 0.0], tail, [x_mm, half, 0.0]]))


def _spring(p: Params, profile: Profile) -> tuple[float, float]:
    """Rate and stress per mm of the beam between the end of the seat and the top of the hump."""

    def section(along: Float) -> tuple[Float, Float]:
        x = along + profile.seat_end_mm
        half = _half_width(p, x)
        across = half[:, None] * np.linspace(-1.0, 1.0, _ACROSS)
        crown = np.sqrt((profile.height(x)[:, None] + profile.axis_mm) ** 2 - across**2) - profile.axis_mm
        trimmed = np.where(x[:, None] < profile.root_x_mm, np.minimum(crown, p.seat_mm), crown)
        return _beam.over_flat(trimmed, 2 * half)

    return _beam.spring(profile.hump_x_mm - profile.seat_end_mm, section)
