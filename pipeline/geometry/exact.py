"""Exact offsets: a fitted offset path put onto the true offsets of the lines and arcs it came from.

Goal: where a loop is made of lines and arcs, its offset is too; the fitted path is within about a micron of it, and
here the last micron goes: tangent joints become tangent and a circle gets its own radius.

Steps. The offset of a line is the parallel, of an arc the arc of radius R +- d, of a corner a circle of radius d.
Each segment of the path takes the nearest of these that runs within `MATCH_MM` of its ends and its middle; each joint
becomes the meeting point of its two neighbours that is nearest to the old one. If one segment finds no partner (it was
fitted over a joint or to a curve that is no arc) or a joint would move by more than `JOINT_MM`, the path comes back
unchanged.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np

from pipeline.geometry.paths import Path
from pipeline.model.arrays import Float
from pipeline.model.loop import Loop, arc_of_bulge
from pipeline.model.units import EPS_MM

MATCH_MM = 0.0025
JOINT_MM = 0.08
LEAST_RADIUS_MM = 0.001

Line = tuple[float, float, float, float]  # a point and a unit direction
Circle = tuple[float, float, float]  # centre and radius


def snapped(path: Path, sources: Iterable[tuple[Loop, float]]) -> Path:
    """The closed path on the exact offsets of the loops, or as it is. Each loop comes with its distance, mm: positive
    outward (to the right of the counter-clockwise loop), negative inward."""
    lines, circles = _primitives(sources)
    found: list[Line | Circle] = []
    for row in path.segments:
        match = _match(row, lines, circles)
        if match is None:
            return path
        found.append(match)
    joints: list[tuple[float, float]] = []
    for i, row in enumerate(path.segments.tolist()):
        joint = _meeting(found[i - 1], found[i], (row[0], row[1]))
        if joint is None or math.dist(joint, (row[0], row[1])) > JOINT_MM:
            return path
        joints.append(joint)
    rows = []
    for i, row in enumerate(path.segments.tolist()):
        (x0, y0), (x1, y1), shape = joints[i], joints[(i + 1) % len(joints)], found[i]
        if len(shape) == 4:
            rows.append((x0, y0, x1, y1, 0.0, 0.0, 0.0))
            continue
        cx, cy, _ = shape
        turned = math.atan2(y1 - cy, x1 - cx) - math.atan2(y0 - cy, x0 - cx)
        sweep = math.copysign((turned if row[6] > 0 else -turned) % math.tau, row[6])
        if sweep == 0 or abs(sweep - row[6]) > abs(row[6]) + 2 * JOINT_MM:  # the arc vanished and came round again
            return path
        rows.append((x0, y0, x1, y1, cx, cy, sweep))
    return Path(np.array(rows), True)


def _primitives(sources: Iterable[tuple[Loop, float]]) -> tuple[Float, Float]:
    """Offset lines (n, 4) and circles (m, 3) of all edges and corners."""
    lines: list[Line] = []
    circles: list[Circle] = []
    for loop, distance in sources:
        rows = loop.vertices.tolist()
        for i, (x0, y0, bulge) in enumerate(rows):
            x1, y1, _ = rows[(i + 1) % len(rows)]
            circles.append((x0, y0, abs(distance)))
            if bulge == 0:
                length = math.hypot(x1 - x0, y1 - y0)
                if length > EPS_MM:
                    dx, dy = (x1 - x0) / length, (y1 - y0) / length
                    lines.append((x0 + dy * distance, y0 - dx * distance, dx, dy))
            else:
                cx, cy, radius, _, _ = arc_of_bulge(x0, y0, x1, y1, bulge)
                circles.append((cx, cy, radius + math.copysign(distance, distance * bulge)))
    circles = [c for c in circles if c[2] > LEAST_RADIUS_MM]
    return np.array(lines).reshape(-1, 4), np.array(circles).reshape(-1, 3)


def _match(row: Float, lines: Float, circles: Float) -> Line | Circle | None:
    """The line or circle that runs nearest to the ends and the middle of the segment."""
    x0, y0, x1, y1, cx, cy, sweep = row.tolist()
    if sweep == 0:
        points = np.array([[x0, y0], [(x0 + x1) / 2, (y0 + y1) / 2], [x1, y1]])
        if not len(lines):
            return None
        dx, dy = points[None, :, 0] - lines[:, None, 0], points[None, :, 1] - lines[:, None, 1]
        off = np.max(np.abs(dx * lines[:, None, 3] - dy * lines[:, None, 2]), axis=1)
        best = int(np.argmin(off))
        a, b, c, d = lines[best].tolist()
        return (a, b, c, d) if off[best] <= MATCH_MM else None
    if not len(circles):
        return None
    cos, sin = math.cos(sweep / 2), math.sin(sweep / 2)
    middle = (cx + (x0 - cx) * cos - (y0 - cy) * sin, cy + (x0 - cx) * sin + (y0 - cy) * cos)
    points = np.array([[x0, y0], middle, [x1, y1]])
    reach = np.hypot(points[None, :, 0] - circles[:, None, 0], points[None, :, 1] - circles[:, None, 1])
    off = np.max(np.abs(reach - circles[:, None, 2]), axis=1)
    best = int(np.argmin(off))
    a, b, c = circles[best].tolist()
    return (a, b, c) if off[best] <= MATCH_MM else None


def _meeting(a: Line | Circle, b: Line | Circle, near: tuple[float, float]) -> tuple[float, float] | None:
    """The point on both that is nearest to `near`; on one and the same line or circle, `near` moved onto it."""
    if len(a) == 3 and len(b) == 4:
        a, b = b, a
    if len(a) == 4 and len(b) == 4:
        cross = a[2] * b[3] - a[3] * b[2]
        if abs(cross) < EPS_MM:
            along = (near[0] - a[0]) * a[2] + (near[1] - a[1]) * a[3]
            return a[0] + a[2] * along, a[1] + a[3] * along
        t = ((b[0] - a[0]) * b[3] - (b[1] - a[1]) * b[2]) / cross
        return a[0] + a[2] * t, a[1] + a[3] * t
    if len(a) == 4 and len(b) == 3:
        along = (b[0] - a[0]) * a[2] + (b[1] - a[1]) * a[3]
        foot = (a[0] + a[2] * along, a[1] + a[3] * along)
        return _chord_end(foot, (a[2], a[3]), math.hypot(foot[0] - b[0], foot[1] - b[1]), b[2], near)
    assert len(a) == 3 and len(b) == 3
    dx, dy = b[0] - a[0], b[1] - a[1]
    gap = math.hypot(dx, dy)
    if gap < EPS_MM:
        if abs(a[2] - b[2]) > EPS_MM:
            return None
        reach = math.hypot(near[0] - a[0], near[1] - a[1])
        return a[0] + (near[0] - a[0]) * a[2] / reach, a[1] + (near[1] - a[1]) * a[2] / reach
    along = (gap * gap + a[2] * a[2] - b[2] * b[2]) / (2 * gap)
    foot = (a[0] + dx / gap * along, a[1] + dy / gap * along)
    return _chord_end(foot, (-dy / gap, dx / gap), abs(along), a[2], near)


def _chord_end(
    foot: tuple[float, float], direction: tuple[float, float], height: float, radius: float, near: tuple[float, float]
) -> tuple[float, float] | None:
    """The end, near a point, of the chord at this height over the centre; None when the line passes the circle by."""
    if height > radius + EPS_MM:
        return None
    half = math.sqrt(max(0.0, radius * radius - height * height))
    ends = [(foot[0] + direction[0] * k, foot[1] + direction[1] * k) for k in (half, -half)]
    return min(ends, key=lambda p: math.dist(p, near))
