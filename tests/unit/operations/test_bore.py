"""Helical boring: path length, radii, climb, the flat floor, and what must be refused."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest

from pipeline.errors import PlanError
from pipeline.model.toolpath import ARC_CCW, ARC_CW, LINE, RAPID, PathPass
from pipeline.operations.bore import plan_bore, plan_ring, ring_diameters_mm, ring_pitch_mm
from pipeline.shop.cutting import cut_data, helix_angle_rad
from tests.reference import cutting as ref
from tests.unit.operations.area_sweep import data
from tests.unit.operations.shop_values import MACHINE, MATERIAL, flat

CENTRE = (12.0, -7.0)


def ring(hole: float, d: float, pitch: float, depth: float, *, cleared: float = 0.0) -> PathPass:
    return plan_ring(pass_id="b", centre_mm=CENTRE, hole_mm=hole, cleared_mm=cleared, start_z_mm=depth, floor_z_mm=0.0,
                     pitch_mm=pitch, feed_mm_min=100.0, cutter=flat(9, d), cut=data(), clearance_mm=10.0)  # fmt: skip


def arcs(path: PathPass) -> list[tuple[np.ndarray, np.ndarray]]:
    """(start, row) of every arc."""
    moves = path.moves
    return [(moves[i - 1], moves[i]) for i in range(1, len(moves)) if moves[i, 0] in (ARC_CW, ARC_CCW)]


def length_mm(start: np.ndarray, row: np.ndarray) -> float:
    r = math.hypot(row[1] - row[4], row[2] - row[5])
    a0, a1 = (math.atan2(p[2] - row[5], p[1] - row[4]) for p in (start, row))
    sweep = (a1 - a0) % (2 * math.pi) or 2 * math.pi
    return math.hypot(r * sweep, row[3] - start[3])


def test_path_length_with_one_flat_turn() -> None:
    (hole, d, pitch, depth), wanted = ref.BORE_PATH
    path = ring(hole, d, pitch, depth)
    turns = [(s, r) for s, r in arcs(path) if (r[4], r[5]) == CENTRE]
    assert sum(length_mm(s, r) for s, r in turns) == pytest.approx(wanted, rel=ref.REL)
    assert [s[3] == r[3] for s, r in turns] == [False] * 16 + [True]
    for s, r in turns[:-1]:
        angle = math.atan((s[3] - r[3]) / (math.pi * (hole - d)))
        assert angle == pytest.approx(helix_angle_rad(hole - d, pitch))


def test_every_radius_and_the_direction() -> None:
    path = ring(6.0, 3.0, 0.25, 4.0)
    for start, row in arcs(path):
        assert row[0] == ARC_CCW  # climb inside with the spindle clockwise
        wanted = 1.5 if (row[4], row[5]) == CENTRE else 0.75
        for p in (start, row):
            assert math.hypot(p[1] - row[4], p[2] - row[5]) == pytest.approx(wanted, abs=1e-9)
    lead_in, lead_out = arcs(path)[0], arcs(path)[-1]
    assert tuple(lead_in[0][1:3]) == CENTRE and tuple(lead_out[1][1:3]) == CENTRE
    # Tangent at the wall: the half circle's centre lies on the line from the axis to the point of contact.
    for _, row in (lead_in, lead_out):
        assert row[5] == CENTRE[1]
    assert path.moves[0, 0] == RAPID and path.moves[-1, 3] == 10.0
    down = path.moves[(path.moves[:, 0] == LINE)]
    assert len(down) == 1 and down[0, 3] == 4.0


def test_the_chip_of_a_narrow_bore_is_not_too_thin() -> None:
    cutter = flat(1, 3.0, chip_load_mm=0.012, edge_radius_mm=0.02)
    cut = cut_data(cutter, MATERIAL, MACHINE)
    (one,) = plan_bore(pass_prefix="b", centre_mm=CENTRE, hole_mm=3.3, top_z_mm=3.0, floor_z_mm=0.0, cutter=cutter,
                       cut=cut, finish_mm=0.0, clearance_mm=14.0)  # fmt: skip
    per_tooth = one.moves[one.moves[:, 0] != RAPID][:, 6] / cut.rpm / cutter.flutes
    # (3.3 - 3.0) / 3.3 of 0.012 would be 0.0011; 0.3 edge radii are 0.006 (common practice, no source)
    assert per_tooth.min() == pytest.approx(0.006)


def test_a_depth_that_is_no_whole_number_of_pitches_gets_a_finer_pitch() -> None:
    turns = [(s, r) for s, r in arcs(ring(6.0, 3.0, 0.3, 4.0)) if (r[4], r[5]) == CENTRE]
    drops = [s[3] - r[3] for s, r in turns[:-1]]
    assert len(drops) == 14 and max(drops) <= 0.3
    assert sum(drops) == pytest.approx(4.0)


def test_cutter_as_large_as_the_hole_is_refused() -> None:
    for hole in (3.0, 2.5):
        with pytest.raises(PlanError, match="smaller"):
            ring(hole, 3.0, 0.25, 4.0)


def test_a_post_is_refused_unless_the_middle_is_clear() -> None:
    (hole, d), post = ref.BORE_POST
    with pytest.raises(PlanError, match=f"post of {post:.3f}"):
        ring(hole, d, 0.25, 4.0)
    assert len(arcs(ring(hole, d, 0.25, 4.0, cleared=post))) > 0


def covered(hole: float, d: float, rings: tuple[float, ...]) -> bool:
    """Does every radius from the axis to the wall lie under the cutter's end in some ring?"""
    samples = np.linspace(0, hole / 2, 400)
    spans = [((size - d) / 2 - d / 2, (size - d) / 2 + d / 2) for size in rings]
    return all(any(low - 1e-9 <= r <= high + 1e-9 for low, high in spans) for r in samples)


def test_rings_open_wide_holes_without_a_post() -> None:
    rng = np.random.default_rng(20260)
    for _ in range(300):
        d = rng.uniform(1.0, 6.0)
        hole = d * rng.uniform(1.15, 5.0)
        finish = rng.choice([0.0, 0.1])
        rings = ring_diameters_mm(hole, d, 0.4 * d, finish)
        assert rings[-1] == hole and list(rings) == sorted(set(rings))
        assert covered(hole, d, rings), (d, hole, rings)
        assert all(b - a <= 0.8 * d + 1e-9 for a, b in itertools.pairwise(rings))
        if finish and len(rings) > 1 and hole - 0.2 - d >= 0.2:
            assert rings[-1] - rings[-2] == pytest.approx(0.2)


def test_a_close_fit_takes_its_last_ring_with_real_stock() -> None:
    cutter = flat(1, 3.0)
    cut = cut_data(cutter, MATERIAL, MACHINE, finish_radial_mm=0.15)
    passes = plan_bore(pass_prefix="p/pivot/bore", centre_mm=CENTRE, hole_mm=4.006, top_z_mm=3.5, floor_z_mm=0.4,
                       cutter=cutter, cut=cut, finish_mm=0.15, clearance_mm=14.0)  # fmt: skip
    assert [p.id.rsplit("/", 1)[1] for p in passes] == ["ring-1", "finish"]
    radii = [max(math.hypot(r[1] - CENTRE[0], r[2] - CENTRE[1]) for _, r in arcs(p)) for p in passes]
    assert radii[0] == pytest.approx((4.006 - 0.3 - 3.0) / 2)
    assert radii[1] == pytest.approx((4.006 - 3.0) / 2, abs=1e-9)
    assert min(r[3] for p in passes for r in p.moves) == 0.4


def test_pitch_by_ramp_angle_and_stepdown() -> None:
    cut = cut_data(flat(1, 3.0), MATERIAL, MACHINE)
    assert ring_pitch_mm(3.2, 3.0, cut) == pytest.approx(math.pi * 0.2 * math.tan(cut.ramp_angle_rad))
    assert ring_pitch_mm(60.0, 3.0, cut) == cut.stepdown_mm
