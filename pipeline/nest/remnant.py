"""What is left of the billet when the parts are broken out: pieces, what is usable of them, what still fits in.

Words. *Taken* is what cutters take at any height: a kerf round each part, and where facing, open pockets and webs
reach farther. What was only faced is thinner than the plate and no longer plate. A *listed* part is one the job asks
for, in any number.

Steps: the billet less what is taken; its broad pieces (narrower strips take neither a clamp nor a part); per piece the
ground that parts could cover; then the listed parts, largest first, are tried on the piece by the nest itself, with
the gaps that a next job would keep. The skin does not matter here: it ties the pieces until the parts are out.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import islice

import numpy as np

from pipeline.errors import BadInput
from pipeline.geometry.offsets import Area
from pipeline.geometry.paths import chains
from pipeline.geometry.remnant import broad_pieces
from pipeline.model.arrays import Float
from pipeline.model.frames import Pose
from pipeline.model.job import NestRequest, PartRequest, Tolerances
from pipeline.model.loop import Loop
from pipeline.model.nest import Placement, Region, Silhouette, Zone
from pipeline.model.remnant import MOST_KEPT, Piece, Remnant
from pipeline.model.setup import Seating, Setup
from pipeline.model.shop import Billet, Crib
from pipeline.model.toolpath import PathPass, Plan
from pipeline.nest.place import place_parts
from pipeline.nest.shapes import CHORD_MM, disc_of

CLAMP_MM = 5.0  # a narrower strip gives a clamp's nose no seat (common practice, no source)
DRAWN_MM = 0.025  # outlines are written with fewer points and rounded: off by no more than this
_SIMPLER_MM = 0.02
_DECIMALS = 3
_SWEPT_CHORD_MM = 0.01
_NEAR_MM = 0.05  # of the diameter of a largest circle found, at most off
_TRIES = 6  # of parts on one piece
_EFFORT = 1
_BESIDE = frozenset({"face", "pocket", "web"})  # kinds of operation that cut beside the parts


def find_remnant(
    *, setup: Setup, plan: Plan, billet: Billet, crib: Crib, tolerances: Tolerances, nest_request: NestRequest,
    parts: Sequence[Silhouette], requests: Sequence[PartRequest],
) -> Remnant:  # fmt: skip
    """What the plan leaves of the billet, billet frame. `parts` and `requests` as the nest took them."""
    cutter = crib.cutter(nest_request.outline_cutter)
    plate = Area.of_loops(Loop.polygon(setup.billet), [Loop.polygon(hole) for hole in setup.holes])
    kept = _together(placed.part.outline.moved(placed.setup_from_part) for placed in setup.parts)
    kerf = cutter.diameter_mm + nest_request.margin_mm / 2  # the most that stays for the finishing pass
    taken = kept.grown(kerf).plus(_beside(plan, crib))
    listed = sorted((_Listed.of(part, request) for part, request in _pairs(parts, requests)), key=_Listed.largest_first)
    doubts = _doubts(setup, billet, tolerances)
    doubt = math.fsum(amount for _, amount in doubts)
    edge, spot = (cutter.diameter_mm * share + nest_request.edge_mm + doubt for share in (1.0, 0.5))
    disc = min((part.breadth_mm / 2 for part in listed), default=0.0)
    width = min(CLAMP_MM, 2 * (disc + edge))
    left = plate.minus(taken)
    found = broad_pieces(left, width_mm=width)
    spoilt = _together(Loop.polygon(defect) for defect in setup.defects)
    pieces = [_piece(piece, spoilt, setup.seating, disc_mm=disc, edge_mm=edge, defect_mm=spot) for piece in found]
    pieces.sort(key=lambda piece: piece.usable_mm2 == 0)
    gap = cutter.diameter_mm + nest_request.margin_mm
    for k, piece in enumerate(pieces[:MOST_KEPT]):
        if piece.usable_mm2 > 0:
            largest = _largest(piece, listed, billet.zones, edge, spot, gap, nest_request.seed)
            pieces[k] = replace(piece, largest=largest)
    broken = math.fsum(piece.common(spoilt).area_mm2 for piece in found)
    whole = math.fsum(piece.area_mm2 for piece in found)
    return Remnant(
        pieces=tuple(pieces), plate_mm2=plate.area_mm2, parts_mm2=kept.area_mm2,
        kerfs_mm2=plate.common(taken).minus(kept).area_mm2, slivers_mm2=left.area_mm2 - whole, defects_mm2=broken,
        sliver_width_mm=width, disc_radius_mm=disc, edge_gap_mm=edge, defect_gap_mm=spot, doubts=doubts,
    )  # fmt: skip


def _together(loops: Iterable[Loop]) -> Area:
    """The loops' insides, flattened outward: never less than the true shapes."""
    return Area.union(Loop.polygon(loop.flattened(chord_mm=CHORD_MM, outward=True)) for loop in loops)


def _beside(plan: Plan, crib: Crib) -> Area:
    """What facing, pockets and webs cut, at whatever height. Setup frame."""
    swept = Area.nothing()
    for toolpath in plan.toolpaths:
        if toolpath.operation.kind in _BESIDE:
            radius = crib.cutter(toolpath.operation.cutter).diameter_mm / 2
            for one in toolpath.passes:
                if isinstance(one, PathPass):
                    for path in chains(one.moves):
                        swept = swept.plus(Area.swept(path, radius, chord_mm=_SWEPT_CHORD_MM))
    return swept


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Listed:
    """A listed part with what tells quickly that it does not fit: its area and its broadest disc."""

    part: Silhouette
    request: PartRequest
    area_mm2: float
    breadth_mm: float

    @classmethod
    def of(cls, part: Silhouette, request: PartRequest) -> _Listed:
        disc = disc_of(part.outline)
        radius = disc[2] if disc is not None else Area.of_loops(part.outline).deepest()[2]
        request = replace(request, count=1, fixed=())
        return cls(part=part, request=request, area_mm2=part.outline.area_mm2, breadth_mm=2 * radius)

    def largest_first(self) -> tuple[float, str]:
        return -round(self.area_mm2, 6), self.part.name


def _pairs(parts: Sequence[Silhouette], requests: Sequence[PartRequest]) -> list[tuple[Silhouette, PartRequest]]:
    by_name = {part.name: part for part in parts}
    return [(by_name[request.name], request) for request in requests]


def _doubts(setup: Setup, billet: Billet, tolerances: Tolerances) -> tuple[tuple[str, float], ...]:
    """What an outline may be wrong by, each the worst way: kerfs lie where the machine cut, the old edge where it was
    measured, and how the plate lay on its stops is known to the spread of the seating."""
    seating = setup.seating
    reach = float(np.ptp(billet.outline, axis=0).max()) / 2
    shake = 3 * math.hypot(seating.spread_x_mm, seating.spread_y_mm, reach * seating.spread_angle_rad)
    return (
        ("the old edge as measured", billet.outline_uncertainty_mm),
        ("how the plate lay, three sigma", shake),
        ("how far cut walls may be off", max(tolerances.wall_mm, tolerances.left_mm)),
        ("outlines drawn simpler", DRAWN_MM),
    )


def _piece(piece: Area, spoilt: Area, seating: Seating, *, disc_mm: float, edge_mm: float, defect_mm: float) -> Piece:
    """One piece in the billet frame, without what fits in."""
    billet_from_setup = seating.setup_from_billet.inverse()
    outer, holes = piece.simplified(_SIMPLER_MM).loops()
    inside = Area.of_loops(outer, holes).shrunk(DRAWN_MM)  # so that rounded defects stay within the rounded outline
    defects = inside.common(spoilt).simplified(_SIMPLER_MM).polygons()
    centres = Area.of_loops(outer, holes).shrunk(edge_mm + disc_mm)
    centres = centres.minus(_together(Loop.polygon(defect) for defect in defects).grown(defect_mm + disc_mm))
    return Piece(
        outline=_written(outer.vertices[:, :2], billet_from_setup),
        holes=tuple(_written(hole.vertices[:, :2], billet_from_setup) for hole in holes),
        defects=tuple(_written(defect, billet_from_setup) for defect in defects),
        area_mm2=piece.minus(spoilt).area_mm2,
        usable_mm2=0.0 if centres.is_empty else centres.grown(disc_mm).area_mm2,
        has_corner=piece.room(*seating.corner_mm) < DRAWN_MM,
    )


def _written(points: Float, billet_from_setup: Pose) -> Float:
    """Points (n, 2) in the billet frame, counter-clockwise, as they will be written: from the lowest, then leftmost."""
    ring: Float = np.round(Loop.polygon(billet_from_setup.points(points)).vertices[:, :2], _DECIMALS) + 0.0
    first = min(range(len(ring)), key=lambda k: (ring[k, 1], ring[k, 0]))
    return np.roll(ring, -first, axis=0)


def _largest(
    piece: Piece, listed: Sequence[_Listed], zones: tuple[Zone, ...], edge_mm: float, defect_mm: float, gap_mm: float,
    seed: int,
) -> Placement | None:
    """The largest listed part that the nest finds a place for on the piece, alone, in the zones it is bound to."""
    avoid = [(f"hole-{k}", ring, edge_mm) for k, ring in enumerate(piece.holes, start=1)]
    avoid += [(f"defect-{k}", ring, defect_mm) for k, ring in enumerate(piece.defects, start=1)]
    region = Region(outline=piece.outline, edge_gap_mm=edge_mm, keepouts=tuple(avoid), zones=zones)
    field = Area.of_loops(Loop.polygon(piece.outline)).shrunk(edge_mm)
    for _, ring, gap in avoid:
        field = field.minus(Area.of_loops(Loop.polygon(ring)).grown(gap))
    rooms = [(room.area_mm2, 2 * room.deepest()[2]) for room in field.pieces()]
    may_fit = (p for p in listed if any(area >= p.area_mm2 and b >= p.breadth_mm - _NEAR_MM for area, b in rooms))
    for one in islice(may_fit, _TRIES):
        try:
            nest = place_parts([one.part], [one.request], region, gap_mm=gap_mm, seed=seed, effort=_EFFORT)
        except BadInput:
            continue
        return nest.placements[0]
    return None
