"""The independent check of a nest: true curves, exact distances, and what the job asked of places, turns and counts.

Shares nothing with the code that makes nests. What it finds wrong is a fault of ours: bad places of the user's are
refused before.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.model.arrays import Float
from pipeline.model.job import PartRequest
from pipeline.model.nest import Nest, Placement, Region, Silhouette
from pipeline.model.nest_check import NestCheck
from pipeline.model.units import EPS_MM
from pipeline.verify.curves import Index, Pieces, apart_mm, depth_mm, is_inside, near_pairs, out_of_mm

_NOISE_MM = 1e-9  # of one distance: curves this near are looked at for an overlap
_POSE_NOISE = 1e-9  # of a place (mm) and of an angle (rad) that must be one that was given
_FIRST_LOOK_MM = 1.0  # beyond the gap; farther only when nothing is so near

Exact = Callable[["_Body", "_Body", float], float]  # clearance of two solids, given the distance of their edges
Fault = tuple[float, str]  # by how much (inf for what is not a distance), and the sentence


@dataclass(frozen=True, slots=True, eq=False)
class _Body:
    """One thing with an edge: its name, its pieces, and the box round them."""

    name: str
    pieces: Pieces
    box: Float

    @classmethod
    def of(cls, name: str, pieces: Pieces) -> _Body:
        boxes = pieces.boxes
        return cls(name, pieces, np.concatenate([boxes[:, :2].min(axis=0), boxes[:, 2:].max(axis=0)]))


def check_nest(
    nest: Nest, parts: Iterable[Silhouette], requests: Sequence[PartRequest], region: Region, *, gap_mm: float,
    fill: bool = True,
) -> NestCheck:  # fmt: skip
    """Whether a nest keeps what was asked for. Billet frame. Parts lie inside the outline and `gap_mm` from each other,
    the region's gaps from its walls, all up to EPS_MM; zones are kept, fixed placements are where they were given,
    turns are allowed ones, counts are kept (without `fill` nothing is placed that has neither a count nor a fixed
    place); what the nest says of its own distances is no more than is true.
    """
    outlines = {part.name: part.outline for part in parts}
    known = [spot for spot in nest.placements if spot.part in outlines]
    faults = [(math.inf, f"{spot.part_id} is of a part {spot.part!r} that nobody asked for")
              for spot in nest.placements if spot.part not in outlines]  # fmt: skip
    moved = [outlines[spot.part].moved(spot.billet_from_part) for spot in known]
    bodies = [_Body.of(spot.part_id, Pieces.of_loop(loop)) for spot, loop in zip(known, moved, strict=True)]
    edge = [_Body.of("the plate's outline", Pieces.of_polygon(region.outline))]
    keepouts = [_Body.of(name, Pieces.of_polygon(points)) for name, points, _ in region.keepouts]

    gap, found = _least(bodies, bodies, [gap_mm] * len(bodies), _clearance_mm)
    least_edge, found_edge = _least(bodies, edge, [region.edge_gap_mm], _room_inside_mm)
    least_keepout, found_keepout = _least(bodies, keepouts, [g for _, _, g in region.keepouts], _clearance_mm)
    faults += found + found_edge + found_keepout
    zones = {zone.name: _Body.of(f"the zone {zone.name}", Pieces.of_polygon(zone.polygon)) for zone in region.zones}
    for request in requests:
        own = [body for spot, body in zip(known, bodies, strict=True) if spot.part == request.name]
        faults += _wrong_zones(own, [zones[name] for name in request.zones], [zones[name] for name in request.clear_of])
    faults += _claims(nest, gap, min(least_edge, least_keepout))
    faults += [(math.inf, fault) for fault in _broken_promises(nest.placements, requests, fill=fill)]
    faults.sort(key=lambda fault: -fault[0])  # stable
    return NestCheck(least_gap_mm=gap, least_edge_mm=least_edge, least_keepout_mm=least_keepout,
                     faults=tuple(sentence for _, sentence in faults))  # fmt: skip


def _least(
    bodies: Sequence[_Body], others: Sequence[_Body], gaps: Sequence[float], exact: Exact
) -> tuple[float, list[Fault]]:  # fmt: skip
    """The least clearance of any body to any of the others, and where it is less than the gap (one per other). A body
    far from an outline may be outside it: there no pair is passed over."""
    if not bodies or not others:
        return math.inf, []
    within = max(gaps) + _FIRST_LOOK_MM
    while True:
        near = within if exact is _clearance_mm else math.inf
        pairs, distances = _edge_distances(bodies, others, within, near)
        worth = {(i, j): exact(bodies[i], others[j], edges) for (i, j), edges in zip(pairs, distances, strict=True)}
        least = min(worth.values(), default=math.inf)
        if least <= within or within > _span_mm(bodies, others):
            break
        within *= 4
    faults = []
    for (i, j), clearance in worth.items():
        short = gaps[j] - clearance
        if short > EPS_MM + _NOISE_MM:
            a, b = bodies[i].name, others[j].name
            how = f"{clearance:.6f} mm apart" if clearance >= 0 else f"{-clearance:.6f} mm in each other"
            faults.append((short, f"{a} and {b} lie {how}, {short:.6f} mm less than the gap of {gaps[j]:.3f} mm"))
    return least, faults


def _edge_distances(
    bodies: Sequence[_Body], others: Sequence[_Body], within_mm: float, near_mm: float
) -> tuple[list[tuple[int, int]], list[float]]:
    """Pairs whose boxes are at most `near_mm` apart, with the distance of their edges (more than `within_mm` may read
    inf)."""
    i, j = near_pairs(np.array([b.box for b in bodies]), np.array([b.box for b in others]), near_mm)
    if others is bodies:
        i, j = i[j < i], j[j < i]
    least = np.full((len(bodies), len(others)), np.inf)
    mine, owner = _all_pieces(bodies)
    its, its_owner = _all_pieces(others)
    k, l = near_pairs(mine.boxes, its.boxes, within_mm)
    wanted = np.zeros(least.shape, dtype=np.bool_)
    wanted[i, j] = True
    is_wanted = wanted[owner[k], its_owner[l]]
    k, l = k[is_wanted], l[is_wanted]
    np.minimum.at(least, (owner[k], its_owner[l]), apart_mm(mine.at(k), its.at(l)))
    return list(zip(i.tolist(), j.tolist(), strict=True)), least[i, j].tolist()


def _all_pieces(bodies: Sequence[_Body]) -> tuple[Pieces, Index]:
    """All pieces in one row, and whose each is."""
    return Pieces.joined([b.pieces for b in bodies]), np.repeat(np.arange(len(bodies)), [len(b.pieces) for b in bodies])


def _clearance_mm(a: _Body, b: _Body, edges_mm: float) -> float:
    """Distance of two solids from that of their edges: negative when they overlap or one holds the other."""
    boxes_meet = (a.box[:2] <= b.box[2:]).all() and (b.box[:2] <= a.box[2:]).all()
    if not boxes_meet:
        return edges_mm
    holds = is_inside(a.pieces.start[:1], b.pieces)[0] or is_inside(b.pieces.start[:1], a.pieces)[0]
    if edges_mm > _NOISE_MM and not holds:
        return edges_mm
    deep = depth_mm(a.pieces, b.pieces)
    return -deep if deep > 0 else edges_mm


def _room_inside_mm(body: _Body, outline: _Body, edges_mm: float) -> float:
    """Distance of a solid to the outline round it: negative when it reaches out."""
    if edges_mm > _NOISE_MM and is_inside(body.pieces.start[:1], outline.pieces)[0]:
        return edges_mm
    deep = depth_mm(body.pieces, outline.pieces, is_hole=True)
    return -deep if deep > 0 else edges_mm


def _wrong_zones(bodies: Sequence[_Body], zones: Sequence[_Body], clear_of: Sequence[_Body]) -> Iterable[Fault]:
    """Where bodies leave the zones they are bound to, taken as one, or enter those they are to keep clear of."""
    yield from _least(bodies, clear_of, [0.0] * len(clear_of), _clearance_mm)[1]
    names = " and ".join(zone.name for zone in zones)
    for body in bodies if zones else ():
        out = out_of_mm(body.pieces, [zone.pieces for zone in zones])
        if out > EPS_MM + _NOISE_MM:
            yield out, f"{body.name} reaches {out:.6f} mm out of {names}"


def _span_mm(bodies: Sequence[_Body], others: Sequence[_Body]) -> float:
    """More than any two of them are apart."""
    boxes = np.array([b.box for b in (*bodies, *others)])
    return float(np.hypot(*(boxes[:, 2:].max(axis=0) - boxes[:, :2].min(axis=0))))


def _claims(nest: Nest, gap_mm: float, edge_mm: float) -> list[Fault]:
    """Where the nest says more of itself than is true."""
    said = (("parts are", nest.least_gap_mm, gap_mm), ("parts and walls are", nest.least_edge_mm, edge_mm))
    return [(claim - true, f"the nest says that {what} {claim:.6f} mm apart; {true:.6f} mm is true")
            for what, claim, true in said if claim > true + EPS_MM + _NOISE_MM]  # fmt: skip


def _broken_promises(placements: Sequence[Placement], requests: Sequence[PartRequest], *, fill: bool) -> Iterable[str]:
    """Names, fixed places, turns and counts that are not as asked for."""
    for part_id, n in Counter(spot.part_id for spot in placements).items():
        if n > 1:
            yield f"{n} placements have one name, {part_id}"
    for spot in placements:
        x, y, z = spot.billet_from_part.shift_mm
        if z != 0 or spot.billet_from_part.matrix[2, 2] != 1:
            yield f"{spot.part_id} does not lie flat"
    for request in requests:
        spots = [spot for spot in placements if spot.part == request.name]
        least = request.count if request.count is not None else len(request.fixed)
        if len(spots) < least or (len(spots) > least and (request.count is not None or not fill)):
            yield f"{len(spots)} x {request.name} where {least} were asked for"
        for x, y, angle in request.fixed:
            at = [k for k, spot in enumerate(spots) if _is_at(spot, x, y, angle)]
            if not at:
                yield f"no {request.name} at its fixed place x {x:.3f}, y {y:.3f} mm, {math.degrees(angle):.3f} degrees"
            else:
                del spots[at[0]]
        if request.rotations_rad is None:
            continue
        for spot in spots:  # those that were not fixed
            turn = spot.billet_from_part.angle_rad
            if all(_turn_between(turn, allowed) > _POSE_NOISE for allowed in request.rotations_rad):
                yield f"{spot.part_id} is turned by {math.degrees(turn):.6f} degrees, which is not an allowed angle"


def _is_at(spot: Placement, x_mm: float, y_mm: float, angle_rad: float) -> bool:
    x, y, _ = spot.billet_from_part.shift_mm
    return (
        abs(x - x_mm) <= _POSE_NOISE
        and abs(y - y_mm) <= _POSE_NOISE
        and _turn_between(spot.billet_from_part.angle_rad, angle_rad) <= _POSE_NOISE
    )


def _turn_between(a_rad: float, b_rad: float) -> float:
    return abs(math.remainder(a_rad - b_rad, 2 * math.pi))
