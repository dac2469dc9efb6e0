"""The 3D view of the page: one scene as JSON, and the scripts and styles that show it, all inlined.

The page includes `view3d.html.j2`, heading and all, and gives it three variables: `scene` (`scene_json`),
`view3d_scripts` (`scripts()`) and `view3d_styles` (`styles()`).

The scene is in the setup frame, mm. Where there are many numbers they are *packed*: rows of whole counts, each row as
its difference from the row before, small differences in few bytes, as base64. A *step* is one operation:

    xyz     points (n, 3), counts of 1/1000 mm: the ends of all moves, arcs and holes broken into short straight pieces
    moves   rows: how many of the points belong to the move, its kind, its feed in 1/10 mm/min; the first is a rapid
            of one point, the place where the view begins
    passes  rows: how many of the moves belong to the pass, its first and its last line of the program
"""

from __future__ import annotations

import base64
import json
import math
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from pipeline.model.arrays import Float
from pipeline.model.part import Part
from pipeline.model.program import LineRange, Program
from pipeline.model.setup import PlacedPart, Setup
from pipeline.model.shop import Crib, Cutter, CutterKind
from pipeline.model.toolpath import ARC_CCW, LINE, RAPID, HolePass, PathPass, Plan, Toolpath
from pipeline.model.units import EPS_MM, MM_PER_INCH

CHORD_MM = 0.05  # how far a drawn arc may stand off the arc that is cut
PATH_COUNTS = 1000  # per mm: what the page says of a place is the program's number, not the picture's
MESH_COUNTS = 100  # per mm
FEED_COUNTS = 10  # per mm/min
_SAME_MM = 1e-9  # an arc's end this near its start was computed as the same point: a full turn
_HERE = Path(__file__).parent
_SCRIPTS = ("three.js", "view3d_scene.js", "view3d_overlay.js", "view3d.js")

Point = tuple[float, float, float]
Move = tuple[float, float, list[Point]]  # kind, feed in mm/min, points after the one where it begins


def scene_json(*, setup: Setup, plan: Plan, program: Program, crib: Crib, units: str) -> str:
    """The scene as JSON text that may stand inside a script element. `units` ("mm" or "in") is what the page reads
    out; lines are those of `program`."""
    lines: dict[str, list[LineRange]] = {}
    for span in program.index:
        lines.setdefault(span.operation_id, []).append(span)
    kinds = {placed.part.name: placed.part for placed in setup.parts}
    names = list(kinds)
    numbers = sorted({path.operation.cutter for path in plan.toolpaths})
    scene = {
        "units": units,
        "mmPerUnit": MM_PER_INCH if units == "in" else 1.0,
        "places": 4 if units == "in" else 3,
        "counts": {"path": PATH_COUNTS, "mesh": MESH_COUNTS, "feed": FEED_COUNTS},
        "z": {"skin": _n(setup.z.skin_mm), "top": _n(setup.z.top_mm)},
        "billet": _points(setup.billet),
        "defects": [_points(defect) for defect in [*setup.defects, *setup.holes]],
        "gasket": _points(setup.gasket),
        "port": [_n(v) for v in setup.port_mm],
        "blocks": [
            {"name": b.name, "kind": b.kind, "height": _n(b.height_mm), "outline": _points(b.outline)}
            for b in setup.blocks
        ],
        "kinds": [_kind(part) for part in kinds.values()],
        "parts": [_copy(placed, names.index(placed.part.name)) for placed in setup.parts],
        "cutters": [
            {"t": n, "name": crib.cutter(n).name, "profile": [[_n(r), _n(z)] for r, z in profile(crib.cutter(n))]}
            for n in numbers
        ],
        "steps": [
            _step(path, lines[path.operation.id], setup.z.clearance_mm, numbers.index(path.operation.cutter))
            | {"start": _start(program, lines[path.operation.id][0].first_line)}
            for path in plan.toolpaths
        ],
    }
    return json.dumps(scene, separators=(",", ":"), allow_nan=False).replace("<", "\\u003c")


def scripts() -> str:
    """Text of a script element: the library and the view, in order."""
    return "\n".join((_HERE / name).read_text(encoding="utf-8") for name in _SCRIPTS)


def styles() -> str:
    """Text of a style element."""
    return (_HERE / "view3d.css").read_text(encoding="utf-8")


def packed(rows: ArrayLike, *, counts: int) -> str:
    """Rows (n, k) as base64 of differences from the row before. Each difference is counted, made unsigned by putting
    its sign last (0, -1, 1, -2 become 0, 1, 2, 3) and written seven bits to a byte, low bits first, with the top bit
    set on all but its last byte."""
    whole = np.rint(np.asarray(rows, dtype=np.float64) * counts).astype(np.int64)
    if whole.size == 0:
        return ""
    steps = np.diff(whole, axis=0, prepend=np.zeros((1, whole.shape[1]), dtype=np.int64)).ravel()
    left = (steps << 1) ^ (steps >> 63)
    columns, used = [], [np.ones(len(left), dtype=bool)]
    while used[-1].any():
        columns.append((left & 127) | np.where(left > 127, 128, 0))
        left = left >> 7
        used.append(left > 0)
    table = np.column_stack(columns).astype(np.uint8)
    return base64.b64encode(table[np.column_stack(used[:-1])].tobytes()).decode("ascii")


def profile(cutter: Cutter) -> list[tuple[float, float]]:
    """Half the outline of a cutter: (radius, height above the tip) from the tip to the rim of its holder, mm."""
    radius = cutter.diameter_mm / 2
    if cutter.kind is CutterKind.BALL:
        turns = [math.pi / 16 * k for k in range(9)]
        points = [(radius * math.sin(a), radius * (1 - math.cos(a))) for a in turns]
    elif cutter.point_angle_rad > 0 and cutter.kind is not CutterKind.THREAD:
        tip = cutter.tip_diameter_mm / 2
        points = [(0.0, 0.0), (tip, 0.0), (radius, (radius - tip) / math.tan(cutter.point_angle_rad / 2))]
    else:
        points = [(0.0, 0.0), (radius, 0.0)]
    for r, low, high in (
        (radius, points[-1][1], cutter.flute_length_mm),
        (cutter.neck_diameter_mm / 2, cutter.flute_length_mm, cutter.reach_mm),
        (cutter.shank_diameter_mm / 2, cutter.reach_mm, cutter.stickout_mm),
    ):
        if high - low > EPS_MM:
            points += [(r, low), (r, high)]
    points.append((cutter.holder_diameter_mm / 2, cutter.stickout_mm))
    return [p for k, p in enumerate(points) if k == 0 or math.dist(p, points[k - 1]) > EPS_MM]


def moves_of(path: Toolpath, *, clearance_mm: float) -> list[list[Move]]:
    """The moves of each pass of a toolpath. The very first move holds the one point where the toolpath begins."""
    passes: list[list[Move]] = []
    at: Point | None = None
    for one in path.passes:
        moves: list[Move] = []
        for kind, feed, end, centre in _rows(one, clearance_mm):
            if at is None or kind == LINE:
                points = [end]
            elif kind == RAPID:
                points = _rapid(at, end)
            else:
                points = _arc(at, end, centre, ccw=kind == ARC_CCW)
            moves.append((kind, feed, points))
            at = end
        passes.append(moves)
    return passes


def _rows(one: PathPass | HolePass, clearance_mm: float) -> Iterator[tuple[float, float, Point, tuple[float, float]]]:
    """Kind, feed, end and centre of each move. A hole is drawn as one stroke: its pecks lie on top of each other."""
    if isinstance(one, PathPass):
        for kind, x, y, z, cx, cy, feed in one.moves.tolist():
            yield kind, feed, (x, y, z), (cx, cy)
        return
    for kind, z in (
        (RAPID, clearance_mm),
        (RAPID, one.retract_z_mm),
        (LINE, one.bottom_z_mm),
        (RAPID, one.retract_z_mm),
        (RAPID, clearance_mm),
    ):
        yield kind, one.feed_mm_min if kind == LINE else 0.0, (one.x_mm, one.y_mm, z), (0.0, 0.0)


def _rapid(start: Point, end: Point) -> list[Point]:
    """As the program is written: up before across, across before down, never both at once."""
    if end[:2] == start[:2] or end[2] == start[2]:
        return [end]
    return [(*end[:2], start[2]) if start[2] > end[2] else (*start[:2], end[2]), end]


def _arc(start: Point, end: Point, centre: tuple[float, float], *, ccw: bool) -> list[Point]:
    """Points on the arc, the last is `end` itself; the height changes evenly with the angle."""
    r0, r1 = math.dist(start[:2], centre), math.dist(end[:2], centre)
    first = math.atan2(start[1] - centre[1], start[0] - centre[0])
    last = math.atan2(end[1] - centre[1], end[0] - centre[0])
    sweep = (last - first) % math.tau if ccw else -((first - last) % math.tau)
    if math.dist(start[:2], end[:2]) <= _SAME_MM:
        sweep = math.tau if ccw else -math.tau
    step = 2 * math.acos(1 - min(CHORD_MM / max(r0, r1, CHORD_MM), 1.0))
    n = max(1, math.ceil(abs(sweep) / min(step, math.pi / 4)))
    points: list[Point] = []
    for k in range(1, n):
        share = k / n
        angle, radius = first + sweep * share, r0 + (r1 - r0) * share
        points.append(
            (
                centre[0] + radius * math.cos(angle),
                centre[1] + radius * math.sin(angle),
                start[2] + (end[2] - start[2]) * share,
            )
        )
    return [*points, end]


def _step(path: Toolpath, spans: Sequence[LineRange], clearance_mm: float, cutter: int) -> dict[str, Any]:
    op = path.operation
    passes = moves_of(path, clearance_mm=clearance_mm)
    moves = [move for one in passes for move in one]
    by_pass: dict[str, tuple[int, int]] = {}  # a long pass may be written in several ranges
    for span in spans:
        first, _ = by_pass.get(span.pass_id, (span.first_line, 0))
        by_pass[span.pass_id] = (first, span.last_line)
    return {
        "op": op.id,
        "kind": op.kind,
        "part": op.part_id,
        "feature": op.feature_id,
        "cutter": cutter,
        "top": _n(op.top_z_mm),
        "bottom": _n(op.bottom_z_mm),
        "note": op.note,
        "line": spans[0].first_line,
        "passes": [[len(moves_in), *by_pass[one.id]] for one, moves_in in zip(path.passes, passes, strict=True)],
        "moves": packed([(len(p), k, f * FEED_COUNTS) for k, f, p in moves], counts=1),
        "xyz": packed([point for _, _, points in moves for point in points], counts=PATH_COUNTS),
    }


def _start(program: Program, line: int) -> int:
    """Where to start the program again to come to a line: the last start before it while its cutter is in."""
    begin = max((section.first_line for section in program.sections if section.first_line <= line), default=1)
    return max((start.line for start in program.starts if begin <= start.line <= line), default=begin)


def _kind(part: Part) -> dict[str, Any]:
    return {
        "name": part.name,
        "xyz": packed(part.mesh.vertices, counts=MESH_COUNTS),
        "triangles": packed(part.mesh.triangles, counts=1),
    }


def _copy(placed: PlacedPart, kind: int) -> dict[str, Any]:
    """A copy of a part: its kind and where it lies, the first three rows of the pose one after the other."""
    return {
        "id": placed.part_id,
        "kind": kind,
        "pose": [round(float(v), 9) + 0.0 for v in placed.setup_from_part.matrix[:3].ravel()],
    }


def _points(points: Float) -> list[list[float]]:
    return [[_n(x), _n(y)] for x, y in points.tolist()]


def _n(value: float) -> float:
    """Rounded far under what a control can show; no minus zero."""
    return round(float(value), 5) + 0.0
