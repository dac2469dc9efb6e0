"""Seating: the pose of a ragged billet pushed against three round stops.

A forging has no corner to measure from, so its pose is computed from the outline that was measured: find x, y and the
turn for which the outline just touches each stop. Each stop gives one equation, *signed distance of the stop's centre
to the outline = radius of the stop*, solved by Newton's method with step halving; the gradient of a distance is the
unit normal at the nearest point, so the Jacobian is exact. Spread to first order: with contact errors e of one sigma,
cov(pose) = J^-1 diag(e^2) J^-T (closed form: linear error propagation).
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from pipeline.errors import BadInput
from pipeline.model.arrays import Float
from pipeline.model.findings import Finding
from pipeline.model.frames import Pose
from pipeline.model.setup import PointerCheck, Seating
from pipeline.model.shop import Billet, Holding

FRAME = "setup-1"
_TOUCH_MM = 1e-9  # a contact is solved when the distance is right to this, far under any measurement
_POSE_DECIMALS = 11  # far under any measurement; rounds off bits in which processors differ
_LOOSE = 1e4  # condition number from which the three contacts no longer fix the billet
_ROUNDS = 60
_POINTER_STEP_MM = 1.0  # spacing of the candidate places for a pointer check
_FACING = 0.9  # cosine: an edge faces a direction when its normal is within about 25 degrees of it
_POINTER_ROOM_MM = 8.0  # a pointer needs this much room beside clamps, stops and spacers


def nearest_on_outline(outline: Float, x: float, y: float) -> tuple[float, float, float]:
    """Nearest point of a closed polygon (n, 2) and the signed distance to it, positive outside. mm."""
    start, end = outline, np.roll(outline, -1, axis=0)
    along = end - start
    to_point = np.array([x, y]) - start
    t = np.clip(np.sum(to_point * along, axis=1) / np.sum(along * along, axis=1), 0, 1)
    foot = start + t[:, None] * along
    gaps = np.hypot(x - foot[:, 0], y - foot[:, 1])
    k = int(np.argmin(gaps))
    crosses = (start[:, 1] > y) != (end[:, 1] > y)
    with np.errstate(divide="ignore", invalid="ignore"):
        x_at = start[:, 0] + (y - start[:, 1]) / (end[:, 1] - start[:, 1]) * along[:, 0]
    is_inside = bool(np.sum(crosses & (x < x_at)) % 2)
    return float(foot[k, 0]), float(foot[k, 1]), -float(gaps[k]) if is_inside else float(gaps[k])


def seat(billet: Billet, holding: Holding) -> Seating:
    """The billet's pose on the bed, `setup_from_billet`, from its three stop contacts.

    Raises BadInput (S301) when no pose touches all three stops, (S302) when the stops do not fix the billet.
    """
    x, y, angle = holding.nominal_pose
    pose = np.array([x, y, angle])
    off, jacobian, contacts = _contacts(pose, billet, holding)
    if _is_loose(jacobian, billet):
        _cannot(
            "S302",
            holding,
            "stops that leave the billet free to slide or turn",
            "two stops along one edge and one on another, as far apart as the billet allows",
        )
    for _ in range(_ROUNDS):
        if np.abs(off).max() < _TOUCH_MM or _is_loose(jacobian, billet):  # loose on the way: gone astray
            break
        step = np.linalg.solve(jacobian, -off)
        scale = 1.0
        while scale > 1e-4:
            tried = _contacts(pose + scale * step, billet, holding)
            if np.abs(tried[0]).max() < np.abs(off).max():
                break
            scale /= 2
        pose = pose + scale * step
        off, jacobian, contacts = tried
    if np.abs(off).max() >= _TOUCH_MM:
        _cannot(
            "S301",
            holding,
            f"no pose that touches all three stops (nearest is {np.abs(off).max():.3f} mm off)",
            "a nominal pose close to how the billet lies, and stops that its edge can reach",
        )
    pose = np.round(pose, _POSE_DECIMALS)
    _, jacobian, contacts = _contacts(pose, billet, holding)
    errors = np.full(3, math.hypot(billet.outline_uncertainty_mm, holding.stop_uncertainty_mm))
    inverse = np.linalg.inv(jacobian)
    setup_from_billet = Pose.planar(to=FRAME, frm="billet", x_mm=pose[0], y_mm=pose[1], angle_rad=pose[2])
    outline = setup_from_billet.points(billet.outline)
    centre = outline.mean(axis=0)
    spread_x, spread_y, spread_angle = _spread(centre, pose, inverse, errors)
    return Seating(
        setup_from_billet=setup_from_billet,
        contacts=contacts,
        spread_x_mm=spread_x,
        spread_y_mm=spread_y,
        spread_angle_rad=spread_angle,
        pointer_checks=_pointer_checks(outline, contacts, holding, billet, pose, inverse, errors),
        corner_mm=_corner(outline),
    )


def _is_loose(jacobian: Float, billet: Billet) -> bool:
    """True when some small motion of the billet changes no contact, turns weighed by the billet's size."""
    return bool(np.linalg.cond(jacobian / [1, 1, _size(billet)]) > _LOOSE)


def _contacts(pose: Float, billet: Billet, holding: Holding) -> tuple[Float, Float, Float]:
    """Distances still missing (3,), Jacobian by x, y and turn about the billet's origin (3, 3), contacts (3, 2)."""
    to_bed = Pose.planar(to=FRAME, frm="billet", x_mm=pose[0], y_mm=pose[1], angle_rad=pose[2])
    outline = to_bed.points(billet.outline)
    off, rows, points = [], [], []
    for stop in holding.stops:
        px, py, gap = nearest_on_outline(outline, stop.x_mm, stop.y_mm)
        nx, ny = (stop.x_mm - px) / gap, (stop.y_mm - py) / gap  # outward normal, whichever side the stop is on
        off.append(gap - stop.radius_mm)
        rows.append([-nx, -ny, -(ny * (px - pose[0]) - nx * (py - pose[1]))])
        points.append([px, py])
    return np.array(off), np.array(rows), np.array(points)


def _spread(at: Float, pose: Float, inverse: Float, errors: Float) -> tuple[float, float, float]:
    """One-sigma spread in x, y and turn of the point `at` (setup frame) that rides on the billet."""
    lever = np.array([[1, 0, -(at[1] - pose[1])], [0, 1, at[0] - pose[0]], [0, 0, 1.0]])
    variance = ((lever @ inverse) ** 2) @ errors**2
    x, y, turn = np.round(np.sqrt(variance), _POSE_DECIMALS)
    return float(x), float(y), float(turn)


def _pointer_checks(
    outline: Float, contacts: Float, holding: Holding, billet: Billet, pose: Float, inverse: Float, errors: Float
) -> tuple[PointerCheck, PointerCheck, PointerCheck]:
    """Three places that together see a shift in X, a shift in Y and a turn: each on an edge that faces away from one
    stop, far from the contacts and from each other, with room for a pointer."""
    places, normals = _spaced(outline, _POINTER_STEP_MM)
    obstacles = [block.outline for block in holding.blocks]
    is_free = np.array([all(nearest_on_outline(o, x, y)[2] > _POINTER_ROOM_MM for o in obstacles) for x, y in places])
    taken = [(float(x), float(y)) for x, y in contacts]
    checks = []
    for k, stop in enumerate(holding.stops):
        toward = np.array([stop.x_mm, stop.y_mm]) - contacts[k]
        axis = int(np.argmax(np.abs(toward)))
        faces = normals[:, axis] * np.sign(toward[axis])  # -1 where the edge looks straight away from the stop
        wanted = is_free & (faces < -_FACING)
        choice = np.flatnonzero(wanted if wanted.any() else is_free if is_free.any() else np.full(len(places), True))
        reach = np.min([np.hypot(*(places[choice] - t).T) for t in taken], axis=0)
        x, y = places[choice[int(np.argmax(np.round(reach, 6)))]]
        taken.append((float(x), float(y)))
        spread = _spread(np.array([x, y]), pose, inverse, errors)[axis]
        allowed = 3 * spread + billet.outline_uncertainty_mm
        checks.append(
            PointerCheck(
                name=f"pointer-{k + 1}",
                x_mm=float(x),
                y_mm=float(y),
                approach="XY"[axis] + ("+" if toward[axis] > 0 else "-"),
                allowed_mm=math.ceil(allowed * 20) / 20,
            )
        )
    return checks[0], checks[1], checks[2]


def _spaced(outline: Float, step: float) -> tuple[Float, Float]:
    """Points about `step` apart along a closed polygon, and the outward normal of the edge each lies on."""
    x, y = outline.T
    turn = np.sign(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))  # outward is right of travel when counter-clockwise
    points, normals = [], []
    for a, b in zip(outline, np.roll(outline, -1, axis=0), strict=True):
        length = np.hypot(*(b - a))
        n = max(1, int(length // step))
        points.extend(a + (b - a) * (k + 0.5) / n for k in range(n))
        normals.extend([turn * np.array([b[1] - a[1], a[0] - b[0]]) / length] * n)
    return np.array(points), np.array(normals)


def _corner(outline: Float) -> tuple[float, float]:
    """The corner that lies in the angle of the stops: lowest x + y on the bed."""
    x, y = outline[int(np.argmin(np.round(outline.sum(axis=1), 6)))]
    return float(x), float(y)


def _size(billet: Billet) -> float:
    return float(np.ptp(billet.outline, axis=0).max())


def _cannot(code: str, holding: Holding, found: str, wanted: str) -> None:
    stops: Sequence[str] = [f"{s.name} at X{s.x_mm:.2f} Y{s.y_mm:.2f}" for s in holding.stops]
    raise BadInput(
        [
            Finding(
                code=code,
                where=f"seating on {', '.join(stops)}",
                found=found,
                wanted=wanted,
                hint="check stops and nominal_pose in the holding file against the measured outline",
            )
        ]
    )
