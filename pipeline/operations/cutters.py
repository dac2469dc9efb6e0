"""Which cutter for which feature: the largest that fits in plan, reaches down, and leaves what the limits allow.

Words: *means*, what the planner may use (crib, machine, material, tolerances); *drop*, how far below the billet's
highest top the tip goes, which the part of the cutter thinner than itself must span.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from pipeline.errors import PlanError
from pipeline.model.arrays import Float
from pipeline.model.job import NestRequest, Tolerances
from pipeline.model.loop import Loop, arc_of_bulge
from pipeline.model.part import Hole
from pipeline.model.shop import Crib, Cutter, CutterKind, Machine, Material
from pipeline.model.units import EPS_MM, shown
from pipeline.shop.cutting import CutData, cut_data

CORNER_SHARE = 0.98  # a cutter a little smaller than an inside corner walks round it instead of standing still
BLOCK_ROOM_MM = 2.0  # between a cutter and a clamp or stop. Common practice, no source
BORE_SHARE = 0.8  # of a bore's diameter: room for chips. Common practice, no source
DRILLED_SPREAD_MM = 0.03  # a drilled hole scatters more than limits closer than this. Common practice, no source
PREDRILL_SHARE = 0.5  # a helix on a narrower path, in cutter diameters, is opened by a drill first. Our shop's rule
PREDRILL_STOCK_MM = 0.2  # on the wall after it: more than a drill wanders. Our shop's rule
CLOSE_FIT_MM = 0.03  # limits at most this wide get a finishing ring of their own
ALLOWANCE_SHARE = 0.06  # of the diameter, left on walls for the finishing pass
ALLOWANCE_LOW_MM, ALLOWANCE_HIGH_MM = 0.05, 0.2


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Means:
    """What the planner may use. All in the setup frame, mm."""

    crib: Crib
    machine: Machine
    material: Material
    tolerances: Tolerances
    nest: NestRequest

    def of_kind(self, kind: CutterKind) -> tuple[Cutter, ...]:
        """The crib's cutters of this kind, largest first, then by number."""
        return tuple(sorted((c for c in self.crib.cutters if c.kind is kind), key=lambda c: (-c.diameter_mm, c.number)))

    def shown(self, mm: float) -> str:
        """A length as the machine's page and program show it, with its unit."""
        return shown(mm, unit=self.machine.dialect.units)

    def cut(self, cutter: Cutter) -> CutData:
        """Speeds and feeds of a cutter at the wall allowance it leaves."""
        return cut_data(cutter, self.material, self.machine, finish_radial_mm=self.allowance_mm(cutter))

    def allowance_mm(self, cutter: Cutter) -> float:
        """Stock left on a wall for the finishing pass: real stock, more than the rounding of corners on the way, and
        no more than half the margin between two kerfs of the outline cutter."""
        wanted = min(max(ALLOWANCE_SHARE * cutter.diameter_mm, ALLOWANCE_LOW_MM), ALLOWANCE_HIGH_MM)
        wanted = max(wanted, 2 * self.machine.dialect.blend_mm + self.tolerances.wall_mm)
        return min(wanted, self.nest.margin_mm / 2) if cutter.number == self.nest.outline_cutter else wanted

    def kerf_mm(self) -> float:
        """How far the outline takes stock away beside a part: its cutter and what is left for the finish. 0 without
        the cutter, whose own finding comes with the outline."""
        try:
            cutter = self.crib.cutter(self.nest.outline_cutter)
        except KeyError:
            return 0.0
        return cutter.diameter_mm + self.allowance_mm(cutter)

    def outside_feed_high_mm_min(self) -> float:
        """How far the feed may be raised on outside arcs: the machine's own bound, or 0, not at all, where arcs become
        chords. On a straight move nobody can see the arc that would excuse the feed."""
        return self.machine.feed_high_mm_min if self.machine.dialect.arcs else 0.0

    def wall_error_mm(self) -> float:
        """Most by which the machine rounds a wall off: blending of corners, and chords where it knows no arcs."""
        dialect = self.machine.dialect
        blend = dialect.blend_mm if dialect.path_word == "G64" else 0.0
        return blend + (0.0 if dialect.arcs else dialect.chord_mm)


def reaches(cutter: Cutter, drop_mm: float) -> bool:
    """True when the cutter's thin part spans the drop and, without a relieved neck, its flutes do."""
    thin = cutter.reach_mm if cutter.neck_diameter_mm < cutter.diameter_mm - EPS_MM else cutter.flute_length_mm
    return thin >= drop_mm - EPS_MM


def drills_for(hole: Hole, means: Means) -> tuple[Cutter, ...]:
    """Drills that make the hole within its limits and within the accepted walls, the nearest to its drawn size first.

    None when it asks for a flat floor or for limits closer than drilling holds.
    """
    low, high = hole.thread.drill_limits_mm if hole.thread else hole.limits_mm
    if hole.flat_bottom or high - low < DRILLED_SPREAD_MM - EPS_MM:
        return ()
    wall, left = means.tolerances.wall_mm, means.tolerances.left_mm
    fit = [
        drill
        for drill in means.of_kind(CutterKind.DRILL)
        if low - EPS_MM <= drill.diameter_mm
        and drill.diameter_mm + 2 * drill.runout_mm <= high + EPS_MM
        and drill.diameter_mm - hole.diameter_mm <= 2 * wall + EPS_MM
        and (hole.thread is not None or hole.diameter_mm - drill.diameter_mm <= 2 * left + EPS_MM)
    ]
    return tuple(sorted(fit, key=lambda c: (abs(c.diameter_mm - hole.diameter_mm), -c.diameter_mm, c.number)))


def spot_drill(drill: Cutter, means: Means, where: str) -> Cutter:
    """The crib's smallest spot drill, as blunt as the drill's point if there is one. Raises PlanError."""
    spots = means.of_kind(CutterKind.SPOT)
    if not spots:
        raise PlanError(
            where=where,
            found="no spot drill in the crib",
            wanted="one, so that drills start where the hole belongs",
            hint="add a spot drill to the crib",
            code="O402",
        )
    blunt = [spot for spot in spots if spot.point_angle_rad >= drill.point_angle_rad - EPS_MM]
    return (blunt or spots)[-1]


def predrill(size_mm: float, cutter: Cutter, means: Means) -> Cutter | None:
    """The largest drill that opens a bore for a cutter barely smaller than it and leaves its wall real stock.

    A helix on a narrow path has little feed, so its chip in the solid is thin. None where the path is wide enough, and
    without such a drill.
    """
    if size_mm - cutter.diameter_mm > PREDRILL_SHARE * cutter.diameter_mm:
        return None
    limit = size_mm - 2 * PREDRILL_STOCK_MM
    fit = [d for d in means.of_kind(CutterKind.DRILL) if size_mm / 2 <= d.diameter_mm <= limit + EPS_MM]
    return fit[0] if fit else None


def bore_cutter(hole: Hole, drop_mm: float, means: Means, where: str) -> Cutter:
    """The largest end mill that leaves room for chips in the bore and reaches its floor. Raises PlanError."""
    limit = BORE_SHARE * hole.diameter_mm
    fit = [c for c in means.of_kind(CutterKind.FLAT) if c.diameter_mm <= limit + EPS_MM]
    found = f"a bore of {hole.diameter_mm:.3f} mm"
    return _first_that_reaches(fit, drop_mm, limit, where, found=found, hint="raise the hole's diameter, or add")


def pocket_cutters(corner_radius_mm: float, drop_mm: float, means: Means, where: str) -> tuple[Cutter, ...]:
    """End mills that finish corners of this radius `drop_mm` down, largest first.

    Cutters a little smaller than the corner come before one exactly its size. Raises PlanError when there is none.
    """
    flat = means.of_kind(CutterKind.FLAT)
    easy = [c for c in flat if c.diameter_mm / 2 <= CORNER_SHARE * corner_radius_mm + EPS_MM]
    exact = [c for c in flat if c not in easy and c.diameter_mm / 2 <= corner_radius_mm + EPS_MM]
    first = _first_that_reaches(
        [*easy, *exact], drop_mm, 2 * corner_radius_mm, where, found=f"inside corner radius {corner_radius_mm:.2f} mm",
        hint=f"raise corner_radius_mm to {_next_radius(flat, drop_mm, corner_radius_mm)}, or add",
    )  # fmt: skip
    fit = [c for c in [*easy, *exact] if reaches(c, drop_mm)]
    return tuple(fit[fit.index(first):])


def face_cutters(drop_mm: float, free_mm: float, means: Means, where: str) -> tuple[Cutter, ...]:
    """End mills whose disc, centred on the edge, clears the taller neighbours `free_mm` away, largest first.

    Raises PlanError when there is none.
    """
    fit = [c for c in means.of_kind(CutterKind.FLAT) if c.diameter_mm <= 2 * free_mm + EPS_MM]
    first = _first_that_reaches(
        fit, drop_mm, 2 * free_mm, where, found=f"{free_mm:.2f} mm to the next part or block that stands higher",
        hint="raise the nest's margin_mm, or add",
    )  # fmt: skip
    return tuple(c for c in fit[fit.index(first):] if reaches(c, drop_mm))


def outline_cutter(outline: Loop, drop_mm: float, means: Means, where: str) -> Cutter:
    """The job's outline cutter, checked against the outline's inside corners and the depth. Raises PlanError."""
    try:
        cutter = means.crib.cutter(means.nest.outline_cutter)
    except KeyError:
        raise PlanError(
            where=where, found=f"outline cutter T{means.nest.outline_cutter}", wanted="a cutter of the crib",
            hint="correct outline_cutter in the job, or add the cutter to the crib",
        ) from None  # fmt: skip
    radius = smallest_inside_radius_mm(outline)
    if cutter.kind is not CutterKind.FLAT or cutter.diameter_mm / 2 > radius + EPS_MM:
        raise PlanError(
            where=where,
            found=f"T{cutter.number}, a {cutter.kind.value} of {cutter.diameter_mm:.3f} mm, for the outline",
            wanted=f"a flat end mill of at most {2 * radius:.3f} mm, twice the outline's smallest inside radius",
            hint="name a smaller outline_cutter in the job, or round the corner more",
            code="O407",
        )
    if not reaches(cutter, drop_mm):
        raise PlanError(
            where=where,
            found=f"T{cutter.number} reaches {cutter.reach_mm:.2f} mm with flutes of {cutter.flute_length_mm:.2f} mm",
            wanted=f"a reach of {drop_mm:.2f} mm, with a relieved neck above its flutes, down to the skin",
            hint="name a longer outline_cutter in the job",
        )
    return cutter


def smallest_inside_radius_mm(outline: Loop) -> float:
    """Radius of the tightest corner that a cutter outside the outline must enter: 0 for a sharp one, inf for none."""
    vertices = outline.vertices
    n = len(vertices)
    smallest = float("inf")
    headings = [_headings(vertices[i], vertices[(i + 1) % n]) for i in range(n)]
    for i in range(n):
        x0, y0, bulge = vertices[i]
        x1, y1, _ = vertices[(i + 1) % n]
        if bulge < 0:
            smallest = min(smallest, arc_of_bulge(x0, y0, x1, y1, bulge)[2])
        (ax, ay), (bx, by) = headings[i - 1][1], headings[i][0]
        if ax * by - ay * bx < -0.02:  # a right turn of over a degree: a corner, not a joint of two smooth edges
            smallest = 0.0
    return smallest


def _headings(start: Float, end: Float) -> tuple[tuple[float, float], tuple[float, float]]:
    """Unit headings at the start and at the end of an edge."""
    chord = np.arctan2(end[1] - start[1], end[0] - start[0])
    half = 2 * np.arctan(start[2])
    return ((float(np.cos(chord - half)), float(np.sin(chord - half))),
            (float(np.cos(chord + half)), float(np.sin(chord + half))))  # fmt: skip


def _next_radius(flat: Iterable[Cutter], drop_mm: float, radius_mm: float) -> str:
    """The least corner radius that a cutter of the crib would finish, in words for a hint."""
    larger = [c.diameter_mm / 2 for c in flat if reaches(c, drop_mm) and c.diameter_mm / 2 > radius_mm]
    radii = sorted(radius / CORNER_SHARE for radius in larger)
    return f"{radii[0]:.2f}" if radii else "a reachable size"


def _first_that_reaches(
    fit: list[Cutter], drop_mm: float, limit_mm: float, where: str, *, found: str, hint: str
) -> Cutter:
    for cutter in fit:
        if reaches(cutter, drop_mm):
            return cutter
    if fit:
        longest = max(fit, key=lambda c: (c.reach_mm, c.diameter_mm))
        has = f"the longest that fits, T{longest.number}, reaches {longest.reach_mm:.2f} mm"
        add = f"a longer {longest.diameter_mm:g} mm cutter to the crib"
    else:
        has = "the crib has none with flutes for it"
        add = "one to the crib"
    raise PlanError(
        where=where,
        found=found,
        wanted=f"a flat end mill of at most {limit_mm:.2f} mm diameter reaching {drop_mm:.2f} mm; {has}",
        hint=f"{hint} {add}",
    )
