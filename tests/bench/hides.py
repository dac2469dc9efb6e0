"""Nesting on hides: irregular containers with holes and zones of lesser quality, pieces that may turn freely.

The hides are filled one after another, each as full as the search gets it, until nothing is left.

Quality: what no zone covers is of full quality. A piece without `min_quality` wants full quality: all zones are
keep-outs for it. A piece with one may also lie in zones of at least that quality.
"""

from __future__ import annotations

import math
import time
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from itertools import combinations
from typing import Any

import numpy as np
import shapely

from pipeline.kernels import nest_engine
from pipeline.model.arrays import Float
from pipeline.model.job import PartRequest
from pipeline.model.loop import Loop
from pipeline.model.nest import Region, Silhouette, Zone
from pipeline.nest.place import make_task
from pipeline.nest.search import repaired
from pipeline.nest.task import SAMPLES, TOL_MM, Layout, Task, free_mask, new_state
from pipeline.nest.task import run as run_all

NOISE = 1e-6  # floating-point noise of a distance in the instance's own unit, no allowance
STREAMS = 4
_EXTENT_MM = 100.0  # a hide's longest side as the engine sees it: its grids and tolerances are for plates of this size
_HAIR_MM = 1e-4  # kept everywhere, so that the engine's own noise never becomes an overlap
_RUIN = 6  # most pieces that one round takes out


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Piece:
    """What is cut: ring (n, 2), how often it may be cut, and the least quality that will do (None: full)."""

    id: int
    ring: Float
    demand: int
    min_quality: int | None
    turns_rad: tuple[float, ...] | None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Hide:
    """One container: outer ring, holes, and zones as (quality, ring)."""

    id: int
    copy: int
    outer: Float
    holes: tuple[Float, ...]
    zones: tuple[tuple[int, Float], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Laid:
    """A piece's ring turned by `angle_rad` about its own zero, then shifted. The instance's own unit."""

    hide: tuple[int, int]  # id and copy
    piece: int
    x: float
    y: float
    angle_rad: float


def load(data: Mapping[str, Any]) -> tuple[tuple[Hide, ...], tuple[Piece, ...]]:
    """Hides and pieces of an instance as it stands in JSON. Raises ValueError for another kind of instance."""
    if data.get("kind") != "multi_container":
        raise ValueError(f"found an instance of kind {data.get('kind')}, wanted multi_container")
    hides = tuple(
        Hide(id=c["id"], copy=copy, outer=np.array(c["outer"], dtype=float),
             holes=tuple(np.array(h, dtype=float) for h in c["holes"]),
             zones=tuple((z["quality"], np.array(z["polygon"], dtype=float)) for z in c["zones"]))
        for c in data["containers"] for copy in range(c["stock"])
    )
    pieces = []
    for item in data["items"]:
        turns = item["allowed_rotations_deg"]
        pieces.append(Piece(id=item["id"], ring=np.array(item["polygon"], dtype=float), demand=item["demand"],
                            min_quality=item["min_quality"],
                            turns_rad=None if turns is None else tuple(math.radians(t) for t in turns)))
    return hides, tuple(pieces)


def solve(data: Mapping[str, Any], *, rounds: int, seed: int, threads: int = 1,
          cpu_seconds: float = math.inf) -> list[Laid]:
    """Pieces laid on the hides, one hide after the other. Each of STREAMS streams of a hide makes `rounds` of ruin and
    recreate, or as many as begin within `cpu_seconds` of its own. The same rounds and seed give the same result,
    whatever the threads, when no stream is cut short."""
    hides, pieces = load(data)
    left = Counter({k: piece.demand for k, piece in enumerate(pieces)})
    out: list[Laid] = []
    for number, hide in enumerate(hides):
        if not +left:
            break
        scale = _EXTENT_MM / float(np.ptp(hide.outer, axis=0).max())
        kinds = sorted(+left)
        task = _task(hide, [pieces[k] for k in kinds], scale, seed=seed * 1000 + number)
        demand = [left[k] for k in kinds]
        filled = run_all((partial(_fill, task, demand, stream=s, rounds=rounds, cpu_seconds=cpu_seconds)
                          for s in range(STREAMS)), threads)
        best = max(filled, key=lambda layout: layout.score)
        for k, pose in zip(best.which, best.poses, strict=True):
            placed = task.kinds[k].placed(pose)
            x, y = (float(v) / scale for v in placed.shift_mm[:2])
            out.append(Laid(hide=(hide.id, hide.copy), piece=pieces[kinds[k]].id, x=x, y=y, angle_rad=float(pose[2])))
            left[kinds[k]] -= 1
    return out


def _task(hide: Hide, pieces: Sequence[Piece], scale: float, *, seed: int) -> Task:
    """The product's own task, with zones as what some kinds keep clear of."""
    zones = tuple(Zone(name=f"zone-{n}", polygon=_grown(ring * scale), figure=0.0)
                  for n, (_, ring) in enumerate(hide.zones))
    region = Region(outline=hide.outer * scale, edge_gap_mm=_HAIR_MM, zones=zones,
                    keepouts=tuple((f"hole-{n}", ring * scale, _HAIR_MM) for n, ring in enumerate(hide.holes)))
    parts = [Silhouette(name=str(p.id), outline=Loop.polygon(p.ring * scale)) for p in pieces]
    requests = [
        PartRequest(name=str(p.id), family="", sizes={}, count=0, value=1.0, rotations_rad=p.turns_rad, fixed=(),
                    clear_of=tuple(zone.name for zone, (quality, _) in zip(zones, hide.zones, strict=True)
                                   if not _will_do(quality, p.min_quality)))
        for p in pieces
    ]
    return make_task(parts, requests, region, gap_mm=_HAIR_MM, seed=seed, effort=1, workers=1)


def _will_do(quality: int, least: int | None) -> bool:
    return least is not None and quality >= least


def _grown(ring: Float) -> Float:
    """A zone is kept by a hair, as everything is."""
    return shapely.get_coordinates(shapely.buffer(shapely.Polygon(ring), _HAIR_MM, join_style="mitre").exterior)[:-1]


def _fill(task: Task, demand: Sequence[int], *, stream: int, rounds: int, cpu_seconds: float) -> Layout:
    """Pieces put in by size, large ones first; then some neighbours are taken out again and others tried, and what
    covers no less is kept. The best layout that passes the exact check; `score` is its area in mm2."""
    state, end = new_state(task.seed, stream), time.thread_time() + cpu_seconds
    most = sum(demand)
    which, poses, n = np.zeros(most + 1, dtype=np.int64), np.zeros((most + 1, 3)), 0
    best = Layout(which=(), poses=poses[:0], n_held=0, score=0.0)
    n = _put_in(task, demand, which, poses, n, state)
    covered, tried = _area(task, which[:n]), False
    for _ in range(rounds):
        if not tried and covered > best.score:
            best, tried = _checked(task, which, poses, n, best), True
        if n == most or time.thread_time() > end:
            break
        which2, poses2 = which.copy(), poses.copy()
        m = _take_out(which2, poses2, n, state)
        m = _put_in(task, demand, which2, poses2, m, state)
        now = _area(task, which2[:m])
        if now >= covered:
            tried = tried and now == covered
            which, poses, n, covered = which2, poses2, m, now
    return _checked(task, which, poses, n, best) if covered > best.score else best


def _checked(task: Task, which: Any, poses: Float, n: int, best: Layout) -> Layout:
    """The layout after the product's exact check and repair when that still covers more, else `best`."""
    layout = Layout(which=tuple(int(k) for k in which[:n]), poses=poses[:n].copy(), n_held=0, score=0.0)
    good = repaired(task, layout)
    if good is None or (area := _area(task, good[0].which)) <= best.score:
        return best
    return Layout(which=good[0].which, poses=good[0].poses, n_held=0, score=area)


def _area(task: Task, which: Sequence[int]) -> float:
    return math.fsum(task.kinds[k].area_mm2 for k in which)


def _put_in(task: Task, demand: Sequence[int], which: Any, poses: Float, n: int, state: Any) -> int:
    """Each kind as often as wanted, in an order by size with some chance in it. Returns the new number of pieces."""
    draws = [nest_engine.draw(state) for _ in task.kinds]
    order = sorted(range(len(task.kinds)), key=lambda k: (-task.kinds[k].area_mm2 * (0.6 + 0.8 * draws[k]), k))
    free = free_mask(len(which), 0, len(which))
    start, angles = task.angles
    room = task.usable_area_mm2 - _area(task, which[:n])
    for kind in order:
        area = task.kinds[kind].area_mm2
        for _ in range(demand[kind] - int((which[:n] == kind).sum())):
            which[n] = kind
            if area > room or not nest_engine.insert_body(task.world, which, poses, n, free, start, angles, task.boxes,
                                                          SAMPLES, 2, TOL_MM, state):
                break
            n, room = n + 1, room - area
    return n


def _take_out(which: Any, poses: Float, n: int, state: Any) -> int:
    """Some neighbours of a random piece leave, with it; in place. Returns how many pieces stay."""
    if n == 0:
        return 0
    at = poses[int(nest_engine.draw(state) * n), :2].copy()
    take = min(n, 1 + int(nest_engine.draw(state) * _RUIN))
    order = np.argsort(np.hypot(*(poses[:n, :2] - at).T), kind="stable")
    stay = np.sort(order[take:])
    which[: n - take], poses[: n - take] = which[stay], poses[stay]
    return n - take


def check(data: Mapping[str, Any], laid: Sequence[Laid]) -> dict[str, Any]:
    """Faults of a result, and what it covers: from the instance and the placements alone, with a polygon library.

    `faults` are sentences; everything deeper than NOISE is one. `density` is placed area over the outer area of the
    hides used, `net` over what holes leave of it.
    """
    hides, pieces = load(data)
    by_id, by_hide = {p.id: p for p in pieces}, {(h.id, h.copy): h for h in hides}
    faults, shapes = [], []
    for at, one in enumerate(laid):
        piece, hide = by_id.get(one.piece), by_hide.get(one.hide)
        if piece is None or hide is None or not all(math.isfinite(v) for v in (one.x, one.y, one.angle_rad)):
            faults.append(f"placement {at}: no such piece, hide or place")
            continue
        if piece.turns_rad is not None and all(abs(math.remainder(one.angle_rad - t, 2 * math.pi)) > 1e-9
                                               for t in piece.turns_rad):
            faults.append(f"piece {piece.id}: turned by {math.degrees(one.angle_rad):.3f} degrees")
        c, s = math.cos(one.angle_rad), math.sin(one.angle_rad)
        u, v = piece.ring.T
        shape = shapely.Polygon(np.column_stack([one.x + c * u - s * v, one.y + s * u + c * v]))
        shapes.append((one, shape))
        outer = shapely.Polygon(hide.outer)
        if not shapely.covers(shapely.buffer(outer, NOISE, join_style="mitre"), shape):
            faults.append(f"piece {piece.id} reaches out of hide {one.hide}")
        for hole in hide.holes:
            if _overlap(shape, shapely.Polygon(hole)):
                faults.append(f"piece {piece.id} lies over a hole of hide {one.hide}")
        for quality, ring in hide.zones:
            if (piece.min_quality is None or quality < piece.min_quality) and _overlap(shape, shapely.Polygon(ring)):
                faults.append(f"piece {piece.id} lies in a zone of quality {quality} of hide {one.hide}")
    for (a, one), (b, two) in combinations(shapes, 2):
        if a.hide == b.hide and _overlap(one, two):
            faults.append(f"pieces {a.piece} and {b.piece} overlap on hide {a.hide}")
    for key, n in Counter(one.piece for one in laid).items():
        if key in by_id and n > by_id[key].demand:
            faults.append(f"piece {key}: {n} laid, {by_id[key].demand} wanted")
    used = [by_hide[key] for key in dict.fromkeys(one.hide for one in laid) if key in by_hide]
    table = []
    for hide in used:
        outer = shapely.Polygon(hide.outer)
        net = shapely.difference(outer, shapely.union_all([shapely.Polygon(h) for h in hide.holes])).area
        area = math.fsum(shape.area for one, shape in shapes if one.hide == (hide.id, hide.copy))
        table.append({"hide": hide.id, "pieces": sum(one.hide == (hide.id, hide.copy) for one in laid), "area": area,
                      "outer": outer.area, "net_area": net, "density": area / outer.area, "net": area / net})
    placed = math.fsum(row["area"] for row in table)
    return {
        "faults": faults, "laid": len(laid), "wanted": sum(p.demand for p in pieces), "hides": len(used),
        "area": placed, "density": placed / max(math.fsum(row["outer"] for row in table), NOISE),
        "net": placed / max(math.fsum(row["net_area"] for row in table), NOISE), "by_hide": table,
    }


def _overlap(a: Any, b: Any) -> bool:
    """True when a, taken in by NOISE all round, still meets b: touching and noise are none."""
    return bool(shapely.intersects(shapely.buffer(a, -NOISE, join_style="mitre"), b))


def invented(seed: int = 1) -> dict[str, Any]:
    """A small instance: two hides with a hole and two zones each, and pieces of three shapes. INVENTED."""
    rng = np.random.default_rng(seed)
    containers = []
    for number in range(2):
        turn = np.linspace(0, 2 * np.pi, 24, endpoint=False)
        outer = np.column_stack([np.cos(turn) * 520, np.sin(turn) * 400]) * rng.uniform(0.85, 1.1, (24, 1)) + 600
        square = np.array([[-40, -30], [45, -35], [40, 40], [-35, 30]], dtype=float)
        places = rng.uniform(-180, 180, (3, 2)) + 600
        containers.append({
            "id": number, "stock": 1, "cost": 1, "outer": outer.round(1).tolist(),
            "holes": [(square + places[0]).round(1).tolist()],
            "zones": [{"quality": q, "polygon": (1.6 * square + places[q]).round(1).tolist()} for q in (1, 2)],
        })
    shapes = [[[0, 0], [260, 0], [260, 90], [0, 90]], [[0, 0], [300, 0], [300, 80], [80, 80], [80, 300], [0, 300]],
              [[0, 40], [60, 0], [180, 20], [200, 120], [90, 170]]]
    items = [{"id": k, "demand": 5, "min_quality": least, "allowed_rotations_deg": turns, "polygon": shape}
             for k, (shape, least, turns) in enumerate(zip(shapes, (None, 2, 1), ([0, 90], None, None), strict=True))]
    return {"schema": "nest-instance/1", "kind": "multi_container", "name": "invented", "containers": containers,
            "items": items}
