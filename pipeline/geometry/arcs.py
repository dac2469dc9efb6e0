"""Arc fitting: from finely sampled points back to few lines and arcs.

The fitted path stays within `tolerance_mm` of the points and of the middles of the edges between them: the chords of
the points must stand off their curve by less than that, or every edge is taken for a line of its own. A whole circle
comes back as a circle; lines much longer than their neighbours come back unchanged (see `kernels.plan_arcs`).
"""

from __future__ import annotations

import math

import numpy as np

from pipeline.geometry.paths import Path
from pipeline.kernels.plan_arcs import fit_chain
from pipeline.model.arrays import Float
from pipeline.model.units import EPS_MM

FIT_MM = 0.0007  # with the 0.0003 of flattening and the 0.0003 of offset corners the sum stays under 2 um
STRAIGHT_MM = 1e-7  # a point nearer than this to the line of its neighbours is in the middle of it
LONGEST_SWEEP_RAD = 1.5 * math.pi  # beyond it the centre follows badly from the ends


def fit_closed(points: Float, *, tolerance_mm: float = FIT_MM) -> Path:
    """A closed path along the points (n >= 3, 2), in their direction; a repeated end point is dropped."""
    points = _without_repeats(np.asarray(points, dtype=np.float64), closed=True)
    circle = _circle(points, tolerance_mm)
    if circle is not None:
        return circle
    edges = np.roll(points, -1, axis=0) - points
    points = np.roll(points, -int(np.argmax(np.hypot(*edges.T))), axis=0)
    pieces = _fit(points, tolerance_mm)
    # a start in the middle of an arc would cut it in two: begin again at the first joint found
    points = np.roll(points, -int(pieces[0, 0]), axis=0)
    pieces = _fit(points, tolerance_mm)
    begins = np.concatenate([[0], pieces[:-1, 0].astype(np.int64)])
    return Path.of_bulges(np.column_stack([points[begins], pieces[:, 1]]), closed=True)


def fit_open(points: Float, *, tolerance_mm: float = FIT_MM) -> Path:
    """An open path from the first to the last of the points (n >= 2, 2)."""
    points = _without_repeats(np.asarray(points, dtype=np.float64), closed=False)
    pieces = fit_chain(points, tolerance_mm, LONGEST_SWEEP_RAD, False)
    joints = np.concatenate([[0], pieces[:, 0].astype(np.int64)])
    return Path.of_bulges(np.column_stack([points[joints], np.append(pieces[:, 1], 0.0)]), closed=False)


def _fit(points: Float, tolerance_mm: float) -> Float:
    pieces: Float = fit_chain(np.vstack([points, points[:1]]), tolerance_mm, LONGEST_SWEEP_RAD, True)
    return pieces


def _without_repeats(points: Float, *, closed: bool) -> Float:
    """Drops points on top of the one before and points in the middle of a straight line."""
    gap = np.hypot(*(points - np.roll(points, 1, axis=0)).T)
    gap[0] = gap[0] if closed else math.inf
    points = points[gap > EPS_MM]
    before, after = points - np.roll(points, 1, axis=0), np.roll(points, -1, axis=0) - points
    off = np.abs(before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0])
    along = np.sum(before * after, axis=1)
    keep = (off > STRAIGHT_MM * np.hypot(*(before + after).T)) | (along <= 0)
    keep[1:] |= ~keep[:-1]  # never two neighbours at once, or a slow curve would be eaten up
    if not closed:
        keep[[0, -1]] = True
    return points[keep]


def _circle(points: Float, tolerance_mm: float) -> Path | None:
    """The circle through all the points, when there is one: least squares of x^2 + y^2 = 2 a x + 2 b y + c, which about
    the points' mean is two equations for a and b. In plain sums, so that every processor finds the same bits."""
    if len(points) < 12:
        return None
    shift = points.mean(axis=0)
    local = points - shift
    square = np.sum(local * local, axis=1)
    xx, yy = (float(v) for v in np.sum(local * local, axis=0))
    xy = float(np.sum(local[:, 0] * local[:, 1]))
    x2, y2 = (float(v) / 2 for v in np.sum(local * square[:, None], axis=0))
    if xx * yy - xy * xy <= EPS_MM * xx * yy:  # points in a line
        return None
    a = (x2 * yy - y2 * xy) / (xx * yy - xy * xy)
    b = (y2 * xx - x2 * xy) / (xx * yy - xy * xy)
    reach = np.hypot(local[:, 0] - a, local[:, 1] - b)
    middle = (local + np.roll(local, -1, axis=0)) / 2
    middle_reach = np.hypot(middle[:, 0] - a, middle[:, 1] - b)
    radius = float(reach.mean())
    if max(np.abs(reach - radius).max(), np.abs(middle_reach - radius).max()) > tolerance_mm:
        return None
    x, y = local[:, 0], local[:, 1]
    ccw = float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y)) > 0
    path = Path.circle(float(a + shift[0]), float(b + shift[1]), radius)
    return path if ccw else path.reversed()
