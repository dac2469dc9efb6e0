"""Seating against closed forms: a rectangle against three pins has a pose that can be written down."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

from pipeline.errors import BadInput
from pipeline.model.shop import Billet, Holding, Stop
from pipeline.setups.seating import nearest_on_outline, seat


def billet(outline, **changes):
    values = dict(
        name="b",
        outline=outline,
        outline_uncertainty_mm=0.1,
        thickness_mm=4.8,
        thickness_uncertainty_mm=0.03,
        bow_mm=0.05,
        defects=(),
        price_per_cm2=1.0,
        currency="x",
        material="m",
        up_face="u",
        corner="c",
    )
    return Billet(**(values | changes))


def holding(stops, pose=(1.0, 1.0, 0.02), **changes):
    values = dict(
        name="h",
        origin="o",
        gasket=[[5, 5], [95, 5], [95, 55]],
        gasket_width_mm=2.0,
        port_mm=(50, 30),
        stops=stops,
        nominal_pose=pose,
        blocks=(),
        stop_uncertainty_mm=0.0,
        gauge_block_mm=10.0,
    )
    return Holding(**(values | changes))


def stop(name, x, y, r=3.0):
    return Stop(name=name, x_mm=x, y_mm=y, radius_mm=r, height_mm=3.0)


RECTANGLE = np.array([[0, 0], [100, 0], [100, 60], [0, 60.0]])
SQUARE_STOPS = (stop("A", 20, -3), stop("B", 80, -3), stop("C", -3, 30))


def test_a_rectangle_seats_square():
    pose = seat(billet(RECTANGLE), holding(SQUARE_STOPS)).setup_from_billet
    assert np.abs(pose.matrix - np.eye(4)).max() < 1e-9  # closed form: pins of radius 3 at -3 touch the axes


def test_a_high_stop_turns_the_rectangle_by_its_sine():
    stops = (stop("A", 20, -3), stop("B", 80, -2), stop("C", -3, 30))
    seated = seat(billet(RECTANGLE), holding(stops))
    assert seated.setup_from_billet.angle_rad == pytest.approx(math.atan2(1.0, 60.0), abs=1e-9)  # same radii: parallel
    for touch, pin in zip(seated.contacts, stops, strict=True):
        assert math.hypot(touch[0] - pin.x_mm, touch[1] - pin.y_mm) == pytest.approx(3.0, abs=1e-8)


def test_spread_of_two_pins_is_the_lever_rule():
    """Closed form: turn spread = e sqrt(2) / base; both independent contact errors e."""
    seated = seat(billet(RECTANGLE), holding(SQUARE_STOPS))
    assert seated.spread_angle_rad == pytest.approx(0.1 * math.sqrt(2) / 60, rel=1e-6)
    # y at x = 50, half way between the pins: mean of two independent errors
    assert seated.spread_y_mm == pytest.approx(0.1 / math.sqrt(2), rel=1e-6)


def test_monte_carlo_agrees_with_the_first_order_spread():
    """Independent method: solve again with each stop moved by a random error; seed 7."""
    rng = np.random.default_rng(7)
    ragged = RECTANGLE + rng.uniform(-0.5, 0.5, RECTANGLE.shape)
    held = holding(SQUARE_STOPS, stop_uncertainty_mm=0.0)
    seated = seat(billet(ragged), held)
    angles = []
    for _ in range(400):
        e = rng.normal(0, 0.1, 3)
        moved = (stop("A", 20, -3 + e[0]), stop("B", 80, -3 + e[1]), stop("C", -3 + e[2], 30))
        angles.append(seat(billet(ragged), dataclasses.replace(held, stops=moved)).setup_from_billet.angle_rad)
    assert np.std(angles) == pytest.approx(seated.spread_angle_rad, rel=0.12)  # 400 samples: about 3.5 % one sigma


def test_pointer_checks_lie_on_the_edges_away_from_the_stops():
    seated = seat(billet(RECTANGLE), holding(SQUARE_STOPS))
    places = np.array([[c.x_mm, c.y_mm] for c in seated.pointer_checks])
    for x, y in places:
        assert abs(nearest_on_outline(RECTANGLE, x, y)[2]) < 1e-6
    assert [c.approach for c in seated.pointer_checks] == ["Y-", "Y-", "X-"]  # two stops below, one on the left
    assert places[:2, 1] == pytest.approx(60)
    assert places[2, 0] == pytest.approx(100)
    gaps = [np.hypot(*(places[i] - places[j])) for i in range(3) for j in range(i)]
    assert min(gaps) > 20


def test_a_shift_along_either_axis_and_a_turn_move_some_pointer():
    """Independent check: move the outline a little and look how far the edge moves along each pointer's approach."""
    checks = seat(billet(RECTANGLE), holding(SQUARE_STOPS)).pointer_checks
    lever = np.array(
        [[c.approach[0] == "X", c.approach[0] == "Y", -c.y_mm if c.approach[0] == "X" else c.x_mm] for c in checks],
        dtype=float,
    )
    assert abs(np.linalg.det(lever)) > 10


def test_stops_in_a_row_are_refused():
    row = (stop("A", 20, -3), stop("B", 50, -3), stop("C", 80, -3))
    with pytest.raises(BadInput) as bad:
        seat(billet(RECTANGLE), holding(row))
    assert bad.value.findings[0].code in {"S301", "S302"}


def test_a_far_nominal_pose_is_said_so():
    with pytest.raises(BadInput) as bad:
        seat(billet(RECTANGLE), holding((stop("A", 500, -3), stop("B", 580, -3), stop("C", -300, 30))))
    assert bad.value.findings[0].code == "S301"


def test_signed_distance():
    assert nearest_on_outline(RECTANGLE, 50, 70) == pytest.approx((50, 60, 10))
    assert nearest_on_outline(RECTANGLE, 50, 55) == pytest.approx((50, 60, -5))
    assert nearest_on_outline(RECTANGLE, 103, 64)[2] == pytest.approx(5)
