"""Billets to measure the nest on: knapsack instances, ten tight ones made here, and what plain bottom-left gets.

An instance is JSON of the form `nest-instance/1`, kind `knapsack`: `container.outer` and `container.keepouts` (rings),
`gaps` (mm), `items` with `id`, `shape` (polygon or disc), `mandatory`, `max`, `value`, `rotation` (free or degrees).

Baselines. Bottom-left: the big parts, largest first, each at the lowest place along one axis and then the other that a
scan finds, then slid there as far as it goes; then studs one by one at the lowest point that is free for a centre. All
by exact figures. Multi-start: random orders, angles and axes, the best within the same time.
"""

from __future__ import annotations

import json
import math
import random
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from shapely import affinity
from shapely.geometry import Point, Polygon
from shapely.prepared import prep

from pipeline.errors import BadInput
from pipeline.model.job import PartRequest
from pipeline.model.loop import Loop
from pipeline.model.nest import Region
from pipeline.model.part import Part
from pipeline.nest import place_parts
from pipeline.verify import check_nest
from tests.reference.packings import plain_part, plain_region, request, ring

ROUNDS = 10_000  # more than any time allows
_SCAN_MM = 2.0  # of the bottom-left scan; what it finds is slid on
_SLIDE_MM = 0.01
_PROBES = 16  # corners of a part that are looked up first
# Of each billet the first one, from a hundred times its number on, on which multi-start bottom-left gets the big parts
# and five studs in within 1.5 s: else there would be nothing to compare with.
_SEEDS = 100, 201, 302, 402, 500, 606, 707, 812, 905, 1001
_SEGMENTS = 32  # of a quarter of a circle that is grown; circumscribed, so that nothing is too near


@dataclass(frozen=True, slots=True, kw_only=True)
class Instance:
    """A billet as the nest takes it. `studs` is the kind of which as many as fit are taken."""

    name: str
    parts: tuple[Part, ...]
    requests: tuple[PartRequest, ...]
    region: Region
    gap_mm: float
    studs: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """`studs` is None when the counted parts found no place. Times are processor seconds of this thread, or of the
    clock with more threads."""

    studs: int | None
    value: float
    feasible_s: float
    seconds: float
    rounds: int
    faults: int = 0  # what the independent check says of the nest


def load_billet(source: Path | Mapping[str, Any]) -> Instance:
    """The instance of a file or of its data. Raises ValueError for another kind of instance."""
    data = json.loads(source.read_text()) if isinstance(source, Path) else source
    if data.get("kind") != "knapsack":
        raise ValueError(f"{data.get('name')}: a {data.get('kind')} instance, not a knapsack")
    parts, asked = [], []
    for item in data["items"]:
        is_disc = item["shape"] == "disc"
        outline = Loop.circle(0, 0, item["diameter"] / 2) if is_disc else np.array(item["polygon"])
        angles = None if item.get("rotation", "free") == "free" else tuple(item["rotation"])
        parts.append(plain_part(item["id"], outline))
        count = None if item["max"] is None else item["mandatory"]
        asked.append(request(item["id"], count, value=item["value"], rotations_deg=angles))
    gaps, container = data["gaps"], data["container"]
    keepouts = tuple((f"keepout-{n}", np.array(points), gaps["part_keepout"])
                     for n, points in enumerate(container["keepouts"], start=1))
    region = plain_region(np.array(container["outer"]), edge_gap_mm=gaps["part_boundary"], keepouts=keepouts)
    studs = next(item["id"] for item in data["items"] if item["max"] is None)
    return Instance(name=data["name"], parts=tuple(parts), requests=tuple(asked), region=region,
                    gap_mm=gaps["part_part"], studs=studs)


def solve(instance: Instance, seconds: float, seed: int, threads: int = 1) -> Result:
    """The nest, its search ended after so many seconds. Run once before with 0 seconds to load the engine."""
    clock = time.thread_time if threads == 1 else time.perf_counter
    begin, feasible = clock(), []

    def tell(progress) -> None:
        feasible.append(clock() - begin)

    try:
        nest = place_parts(instance.parts, instance.requests, instance.region, gap_mm=instance.gap_mm, seed=seed,
                           effort=ROUNDS, workers=threads, stop=lambda: clock() - begin > seconds, tell=tell)
    except BadInput:
        return Result(studs=None, value=0.0, feasible_s=math.inf, seconds=clock() - begin, rounds=0)
    value = {r.name: r.value for r in instance.requests}
    checked = check_nest(nest, instance.parts, instance.requests, instance.region, gap_mm=instance.gap_mm)
    return Result(studs=sum(p.part == instance.studs for p in nest.placements),
                  value=math.fsum(value[p.part] for p in nest.placements), feasible_s=feasible[0],
                  seconds=clock() - begin, rounds=nest.rounds, faults=len(checked.faults))


def counted(instance: Instance) -> int:
    """Parts that must lie on it."""
    return sum(r.count or 0 for r in instance.requests)


# ---- baselines ---------------------------------------------------------------------------------------------------


class _Plate:
    """Free room for parts laid bottom-left; `axis` first."""

    def __init__(self, instance: Instance, axis: int) -> None:
        region, self.gap, self.axis = instance.region, instance.gap_mm, axis
        room = Polygon(region.outline).buffer(-region.edge_gap_mm, quad_segs=_SEGMENTS)
        for _, points, gap in region.keepouts:
            room = room.difference(_grown(Polygon(points), gap))
        room = affinity.rotate(room, -_turn(instance), origin=(0, 0), use_radians=True)
        self._set(room)

    def add(self, figure: Polygon) -> None:
        self._set(self.room.difference(_grown(figure, self.gap)))

    def _set(self, room: Any) -> None:
        shapely.prepare(room)
        self.room, self.prepared = room, prep(room)

    def lay(self, figure: Polygon) -> bool:
        """Lay it bottom-left at its angle; False when no place is found."""
        x0, y0, x1, y1 = figure.bounds
        figure = affinity.translate(figure, -x0, -y0)
        width, height = x1 - x0, y1 - y0
        low_x, low_y, high_x, high_y = self.room.bounds if not self.room.is_empty else (0, 0, 0, 0)
        columns = np.arange(low_x, high_x - width + _SCAN_MM, _SCAN_MM)
        rows = np.arange(low_y, high_y - height + _SCAN_MM, _SCAN_MM)
        grid = np.meshgrid(columns, rows, indexing="ij" if self.axis == 0 else "xy")
        places = np.column_stack([g.ravel() for g in grid])
        corners = np.array(figure.exterior.coords)[:-1]
        for corner in corners[:: max(1, len(corners) // _PROBES)]:  # most places end here, many at once
            places = places[shapely.contains_xy(self.room, *(places + corner).T)]
        for x, y in places:
            if self.prepared.contains(affinity.translate(figure, x, y)):
                self.add(self._slid(affinity.translate(figure, x, y)))
                return True
        return False

    def _slid(self, figure: Polygon) -> Polygon:
        """Slid down the second axis and the first in turn until it stays."""
        is_moving = True
        while is_moving:
            is_moving = False
            for axis in (self.axis, 1 - self.axis):
                step = 4.0
                while step >= _SLIDE_MM:
                    moved = affinity.translate(figure, *((-step, 0) if axis == 0 else (0, -step)))
                    if self.prepared.contains(moved):
                        figure, is_moving = moved, True
                    else:
                        step /= 2
        return figure

    def fill(self, radius: float) -> int:
        """Studs, each at the lowest free point for its centre; their number."""
        free = self.room.buffer(-radius, quad_segs=_SEGMENTS)
        count = 0
        while not free.is_empty:
            pieces = list(getattr(free, "geoms", [free]))
            points = np.concatenate([np.array(p.exterior.coords) if p.geom_type == "Polygon" else np.array(p.coords)
                                     for p in pieces])
            at = points[np.lexsort((points[:, 1 - self.axis], points[:, self.axis]))[0]]
            free = free.difference(_grown(Point(at), 2 * radius + self.gap))
            count += 1
        return count


def _turn(instance: Instance) -> float:
    """How the plate's long side lies: parts are laid along it, as anybody would."""
    corners = np.array(Polygon(instance.region.outline).minimum_rotated_rectangle.exterior.coords)
    sides = np.diff(corners, axis=0)
    x, y = sides[np.argmax(np.hypot(*sides.T))]
    return math.remainder(math.atan2(y, x), math.pi)


def _grown(figure: Any, by_mm: float) -> Any:
    """Grown by no less than that: the arcs are circumscribed."""
    return figure.buffer(by_mm / math.cos(math.pi / (4 * _SEGMENTS)), quad_segs=_SEGMENTS)


def _laid(instance: Instance, order: Sequence[int], angles: Sequence[float], axis: int) -> int | None:
    """Studs beside the counted parts laid in this order; None when one of them finds no place."""
    plate = _Plate(instance, axis)
    for index, angle in zip(order, angles, strict=True):
        figure = Polygon(instance.parts[index].outline.flattened(chord_mm=0.002, outward=True))
        if not plate.lay(affinity.rotate(figure, angle, use_radians=True)):
            return None
    stud = next(p for p in instance.parts if p.name == instance.studs)
    return plate.fill(math.sqrt(stud.outline.area_mm2 / math.pi))


def baseline(instance: Instance, seconds: float = 0.0, seed: int = 1) -> Result:
    """Bottom-left: largest first, along the plate or across it, whichever is better, as is the axis that comes first.
    With `seconds`, multi-start: then random orders, angles and axes for that long, the best kept."""
    begin, draw = time.thread_time(), random.Random(seed)
    counted = [i for i, r in enumerate(instance.requests) for _ in range(r.count or 0)]
    by_area = sorted(counted, key=lambda i: -instance.parts[i].outline.area_mm2)
    best: int | None = None
    feasible = math.inf
    tries = 0
    while tries < 4 or time.thread_time() - begin < seconds:
        if tries < 4:
            order, angles = by_area, [_allowed(instance, i, math.pi / 2 * (tries // 2)) for i in by_area]
            axis = tries % 2
        else:
            order = draw.sample(counted, len(counted))
            angles = [_drawn(instance, i, draw) for i in order]
            axis = draw.randrange(2)
        studs = _laid(instance, order, angles, axis)
        tries += 1
        if studs is not None and (best is None or studs > best):
            feasible = min(feasible, time.thread_time() - begin)
            best = studs
    counts = [(best or 0) if r.count is None else r.count for r in instance.requests]
    value = 0.0 if best is None else math.fsum(r.value * n for r, n in zip(instance.requests, counts, strict=True))
    return Result(studs=best, value=value, feasible_s=feasible, seconds=time.thread_time() - begin, rounds=tries)


def _allowed(instance: Instance, index: int, angle: float) -> float:
    """The angle, or the first that the part may have; from the plate's long side."""
    angles = instance.requests[index].rotations_rad
    return angle if angles is None else angles[0] - _turn(instance)


def _drawn(instance: Instance, index: int, draw: random.Random) -> float:
    """Any angle that the part may have; half of them along the plate's sides, where long parts lie well."""
    angles = instance.requests[index].rotations_rad
    if angles is not None:
        return draw.choice(angles) - _turn(instance)
    return math.pi / 2 * draw.randrange(4) if draw.random() < 0.5 else draw.uniform(0, 2 * math.pi)


# ---- ten tight billets -------------------------------------------------------------------------------------------


def tight_billets() -> list[dict[str, Any]]:
    """Ten billets on which a pair of handles and two clips take 55 to 70 % of the usable area. INVENTED.

    They are what forging and earlier jobs leave: no side is straight, some corners are gone. A layout of the big parts
    is known of each, the second handle leaning on the first and the clips slid against them at odd angles; the outline
    is wrapped round it and bulges in places as far as the share leaves. Then all is turned.
    """
    return [_tight(n, random.Random(seed)) for n, seed in enumerate(_SEEDS, start=1)]


def _tight(number: int, draw: random.Random) -> dict[str, Any]:
    gap = draw.choice((1.8, 2.4, 3.3))
    length, width = draw.uniform(92, 112), draw.uniform(19, 25)
    handle = _handle(length, width, bow=draw.uniform(0.5, 2.5), waist=draw.uniform(0.5, 2.0))
    clip = _handle(draw.uniform(0.40, 0.47) * length, draw.uniform(6.5, 9), bow=0.0, waist=draw.uniform(0.2, 0.8))
    mirrored = handle[::-1] * [1, -1]
    planted = [Polygon(handle)]
    for part, lean, way in ((mirrored, draw.uniform(3, 9), 90.0), (clip, draw.uniform(-25, 25), draw.uniform(60, 120)),
                            (clip, draw.uniform(60, 110), draw.uniform(-15, 15))):  # fmt: skip
        planted.append(_slid_up(Polygon(part), planted, lean, way, gap + 0.1))
    share = 0.55 + 0.15 * (number - 1) / 9
    parts_area = math.fsum(p.area for p in planted)
    grown = shapely.union_all([p.buffer(gap + 0.3) for p in planted])

    def share_of(outline: Polygon, keepouts: Sequence[Polygon]) -> float:
        room = outline.buffer(-gap)
        for keepout in keepouts:
            room = room.difference(keepout.buffer(gap))
        return parts_area / float(room.area)

    # the widest wrap that is not yet too roomy
    wrap = next(w for w in (_wrapped(grown, r) for r in (400, 100, 50, 25, 12, 6)) if share_of(w, ()) > share)
    bulges = [(draw.random(), draw.uniform(12, 30), draw.uniform(0.3, 1.0)) for _ in range(5)]
    keepouts = _defects(wrap, planted, gap, draw)
    low, high = 0.0, 60.0
    for _ in range(30):
        middle = (low + high) / 2
        outline = _bulging(wrap, bulges, middle)
        low, high = (middle, high) if share_of(outline, keepouts) > share else (low, middle)
    turn = draw.uniform(0, math.pi)

    def turned(figure: Polygon) -> list[list[float]]:
        points = np.array(affinity.rotate(figure, turn, origin=(0, 0), use_radians=True).exterior.coords)[:-1]
        return [[round(float(x), 4), round(float(y), 4)] for x, y in points]

    return {
        "schema": "nest-instance/1", "kind": "knapsack", "name": f"tight-{number:02d}", "units": "mm",
        "source": "INVENTED, made by tests/bench/billets.py",
        "container": {"outer": turned(outline), "keepouts": [turned(k) for k in keepouts]},
        "gaps": {"part_part": gap, "part_boundary": gap, "part_keepout": gap},
        "items": [
            _item("handle-left", handle, 1, 60.0), _item("handle-right", mirrored, 1, 60.0),
            _item("clip", clip, 2, 14.0),
            {"id": "stud", "shape": "disc", "diameter": 7.0, "mandatory": 0, "max": None, "value": 3.0},
        ],
    }  # fmt: skip


def _item(name: str, points: Any, count: int, value: float) -> dict[str, Any]:
    return {"id": name, "shape": "polygon", "polygon": [[round(x, 4), round(y, 4)] for x, y in points],
            "mandatory": count, "max": count, "value": value, "rotation": "free"}


def _handle(length: float, width: float, *, bow: float, waist: float) -> Any:
    """A ring (n, 2), counter-clockwise: a long plate with round ends, bowed, narrower in its middle."""
    t = np.linspace(0, 1, 25)
    x = length * (1 - np.cos(math.pi * t)) / 2
    ends = np.sqrt(np.clip(1 - np.abs(2 * t - 1) ** 6, 0, 1)) * width / 2
    half = ends - waist * np.sin(math.pi * t) ** 2 / 2
    middle = bow * np.sin(math.pi * t)
    lower, upper = np.column_stack([x, middle - half]), np.column_stack([x, middle + half])[::-1]
    return np.concatenate([lower, upper[1:-1]])


def _slid_up(figure: Polygon, planted: Sequence[Polygon], lean: float, way: float, clear: float) -> Polygon:
    """The figure at an angle, degrees, slid from far away along a way, degrees, to the planted ones."""
    around = shapely.union_all(list(planted))
    figure = affinity.rotate(figure, lean, origin="centroid")
    home, at = around.centroid, figure.centroid
    figure = affinity.translate(figure, home.x - at.x, home.y - at.y)
    c, s = math.cos(math.radians(way)), math.sin(math.radians(way))
    low, high = 0.0, 300.0
    for _ in range(40):
        middle = (low + high) / 2
        is_clear = affinity.translate(figure, middle * c, middle * s).distance(around) >= clear
        low, high = (low, middle) if is_clear else (middle, high)
    return affinity.translate(figure, high * c, high * s)


def _wrapped(figure: Any, radius: float) -> Polygon:
    """A skin round the figure: bays narrower than twice the radius are closed."""
    skin = figure.buffer(radius).buffer(-radius)
    return Polygon(max(getattr(skin, "geoms", [skin]), key=lambda p: p.area).exterior)


def _bulging(wrap: Polygon, bulges: Sequence[tuple[float, float, float]], size: float) -> Polygon:
    """The outline with bulges: at a place along it, of a radius, that share of the size high; corners eased."""
    middle = wrap.centroid
    knobs = []
    for along, radius, share in bulges:
        at = wrap.exterior.interpolate(along, normalized=True)
        away = at.distance(middle)
        inward = (share * size - radius) / away
        knobs.append(Point(at.x + inward * (at.x - middle.x), at.y + inward * (at.y - middle.y)).buffer(radius))
    outline = shapely.union_all([wrap, *knobs]).buffer(8).buffer(-8).simplify(0.05)
    return Polygon(max(getattr(outline, "geoms", [outline]), key=lambda p: p.area).exterior)


def _defects(outline: Polygon, planted: Sequence[Polygon], gap: float, draw: random.Random) -> list[Polygon]:
    """One or two small ones that keep clear of the planted parts."""
    x0, y0, x1, y1 = outline.bounds
    found: list[Polygon] = []
    for _ in range(draw.choice((1, 2))):
        radius = draw.uniform(1.0, 1.8)
        for _ in range(400):
            at = Point(draw.uniform(x0, x1), draw.uniform(y0, y1))
            if outline.contains(at) and all(p.distance(at) > radius + gap + 0.1 for p in [*planted, *found]):
                found.append(Polygon(ring(7, radius) + [at.x, at.y]))
                break
    return found
