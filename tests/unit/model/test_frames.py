"""Poses: frames that do not fit are refused, a mirror is refused, turning over twice is nothing."""

from __future__ import annotations

import math

import numpy as np
import pytest

from pipeline.model.frames import Pose


def planar(to, frm, x=0.0, y=0.0, angle=0.0, z=0.0):
    return Pose.planar(to=to, frm=frm, x_mm=x, y_mm=y, angle_rad=angle, z_mm=z)


def test_neighbours_cancel():
    billet_from_part = planar("billet", "part", 10, 0, math.pi / 2)
    setup_from_billet = planar("setup-1", "billet", 0, 5)
    chain = setup_from_billet @ billet_from_part
    assert (chain.to, chain.frm) == ("setup-1", "part")
    assert chain.points(np.array([[1.0, 0.0]])) == pytest.approx(np.array([[10.0, 6.0]]))


def test_frames_that_do_not_fit_are_refused():
    with pytest.raises(ValueError, match="cannot chain"):
        planar("billet", "part") @ planar("setup-1", "billet")


def test_a_point_is_shifted_and_a_direction_is_not():
    pose = planar("a", "b", 3, 4, 0.0, 5)
    assert pose.points(np.zeros((1, 3))) == pytest.approx(np.array([[3, 4, 5]]))
    assert pose.vectors(np.array([[1.0, 0, 0]])) == pytest.approx(np.array([[1.0, 0, 0]]))


def test_a_mirror_is_refused():
    with pytest.raises(ValueError, match="mirror"):
        Pose(to="a", frm="b", matrix=np.diag([-1.0, 1, 1, 1]))


def test_turning_over_about_an_axis_twice_is_the_identity():
    """Closed form: turned about a line parallel to X through y0, plate t: (x, 2 y0 - y, t - z)."""
    y0, t = 50.0, 4.0
    turn = Pose(to="b", frm="a", matrix=np.array([[1, 0, 0, 0], [0, -1, 0, 2 * y0], [0, 0, -1, t], [0, 0, 0, 1.0]]))
    assert turn.points(np.array([[12.0, 7.0, 3.0]])) == pytest.approx(np.array([[12.0, 93.0, 1.0]]))
    back = Pose(to="a", frm="b", matrix=turn.matrix)
    assert (back @ turn).matrix == pytest.approx(np.eye(4))
    assert np.linalg.det(turn.matrix[:3, :3]) == pytest.approx(1)
    with pytest.raises(ValueError, match="Z up"):
        _ = turn.angle_rad


def test_inverse_is_the_way_back_seeded():
    rng = np.random.default_rng(5)
    for _ in range(50):
        pose = planar("a", "b", *rng.uniform(-100, 100, 2), rng.uniform(-4, 4), rng.uniform(0, 5))
        points = rng.uniform(-50, 50, (7, 3))
        assert pose.inverse().points(pose.points(points)) == pytest.approx(points, abs=1e-9)
