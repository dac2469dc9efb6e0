"""Forces per move for cuts whose engagement is known, made by hand, and the findings about them."""

from __future__ import annotations

import cmath
import dataclasses
import math

import numpy as np
import pytest

from pipeline.model.shop import Crib, CutterKind
from pipeline.shop import forces as formulas
from pipeline.verify.felt import Felt
from pipeline.verify.force_limits import check_forces, feed_caps, thin_cuts
from pipeline.verify.forces import Forces, move_forces
from pipeline.verify.reading import Moves
from pipeline.verify.stretches import split
from pipeline.verify.tools import tool_table
from tests.reference import forces as ref
from tests.unit.verify.by_hand import MACHINE, MATERIAL, TOLERANCES, Motion, crib, cutter

RPM, FEED = 5000.0, 150.0
MILL = cutter(1, 3.0, helix_angle_rad=0.0, runout_mm=0.0)
WORN = formulas.WORN * formulas.MILLING


def felt(moves: Moves, **figures) -> Felt:
    """Nothing felt, but for the figures given, one value or one per move."""
    n = len(moves.kind)
    length = np.linalg.norm(moves.end - moves.start, axis=1)
    out = {f.name: np.zeros(n) for f in dataclasses.fields(Felt)}
    out |= {"length_mm": length, "cut_mm": length}
    out |= {name: np.broadcast_to(np.asarray(value, dtype=float), (n,)).copy() for name, value in figures.items()}
    return Felt(**out)


def side_cut(moves: Moves, width: float, depth: float, *, diameter: float = 3.0, left: bool = False) -> Felt:
    """Straight level cuts with stock along the right of the way (climb with M3), or the left."""
    arc = math.acos(1 - 2 * width / diameter)
    way = moves.end - moves.start
    ahead = (way[:, 0] + 1j * way[:, 1]) / np.maximum(np.hypot(way[:, 0], way[:, 1]), 1e-9)
    off = math.pi / 2 - arc / 2
    spread = math.sin(arc / 2) / (arc / 2)
    mean = ahead * cmath.exp(1j * (off if left else -off)) * spread
    return felt(
        moves, removed_mm3=np.linalg.norm(way, axis=1) * width * depth, deep_mm=depth, axial_mm=depth,
        engaged_mean_rad=arc, engaged_peak_rad=arc, width_mean_mm=width, arc_x=mean.real, arc_y=mean.imag,
    )  # fmt: skip


def run(moves: Moves, what: Felt, tools: Crib | None = None) -> Forces:
    return move_forces(moves, what, tools=tool_table(tools or crib(MILL)), material=MATERIAL)


def line(degrees: float = 0.0, length: float = 10.0) -> Moves:
    a = math.radians(degrees)
    return Motion(z=-0.0).line(length * math.cos(a), length * math.sin(a)).moves()


@pytest.mark.parametrize("width", [0.3, 1.5, 3.0], ids=["10 percent", "half", "slot"])
@pytest.mark.parametrize("left", [False, True], ids=["climb", "conventional"])
def test_straight_cuts_against_the_slow_turn(width: float, left: bool) -> None:
    """Mean force with its direction, peak and chips for a slot, half and a tenth of the diameter."""
    fz = FEED / (RPM * MILL.flutes)
    for degrees in (0.0, 130.0):
        moves = line(degrees)
        got = run(moves, side_cut(moves, width, 0.6, left=left))
        arc = math.acos(1 - 2 * width / 3.0)
        low, high = (0.0, arc) if left else (math.pi - arc, math.pi)
        law = lambda h: tuple(WORN * s * 1400 * h ** (1 - 0.23) for s in (1, formulas.RADIAL_SHARE, 1))  # noqa: E731
        turn = ref.turning(3, 0.6, low, high, law, feed_per_tooth=fz, steps=4000)
        x, y, along = turn.mean(axis=0)
        on_plate = -complex(x, y) * cmath.exp(1j * math.radians(degrees))
        tangential = got.power_w[0] / (math.pi * 3 * RPM / 60_000)
        # kc h is concave, so at the mean chip it is a little over its own mean: most in a narrow arc
        assert 1 <= tangential / along < 1.04
        assert complex(got.fx_n[0], got.fy_n[0]) / tangential == pytest.approx(on_plate / along, abs=1e-3)
        assert got.force_mean_n[0] == pytest.approx(abs(complex(got.fx_n[0], got.fy_n[0])), rel=1e-12)
        assert got.force_peak_n[0] == pytest.approx(np.hypot(turn[:, 0], turn[:, 1]).max(), rel=0.01)
        assert got.chip_mean_mm[0] == pytest.approx(2 * width * fz / (3 * arc), rel=1e-9)
        assert got.chip_peak_mm[0] == pytest.approx(fz * (math.sin(arc) if arc < math.pi / 2 else 1), rel=1e-9)
        assert got.rate_mm3_min[0] == pytest.approx(width * 0.6 * FEED, rel=1e-9)


def test_power_is_removal_times_kc_and_force_times_speed() -> None:
    moves = line()
    got = run(moves, side_cut(moves, 0.3, 0.6))
    kc = 1400 * got.chip_mean_mm[0] ** -0.23
    assert got.power_w[0] == pytest.approx(WORN * got.rate_mm3_min[0] * kc / 60_000, rel=1e-9)
    assert got.torque_n_m[0] * 2 * math.pi * RPM / 60 == pytest.approx(got.power_w[0], rel=1e-9)
    arc = math.acos(0.8)
    tooth = WORN * 0.6 * got.chip_mean_mm[0] * kc
    speed = math.pi * 3 * RPM / 60_000  # m/s
    assert tooth * MILL.flutes * arc / (2 * math.pi) * speed == pytest.approx(got.power_w[0], rel=1e-9)


def test_stock_on_both_sides_is_a_slot() -> None:
    moves = line()
    slot = run(moves, side_cut(moves, 3.0, 0.6))
    one = math.acos(1 - 0.2 / 1.5)
    mean = math.sin(one / 2) ** 2 / (one / 2)  # of two arcs whose middles are pi/2 - one/2 to either side
    both = felt(moves, removed_mm3=10 * 0.4 * 0.6, deep_mm=0.6, axial_mm=0.6, engaged_mean_rad=2 * one,
                engaged_peak_rad=2 * one, width_mean_mm=0.4, arc_x=mean, arc_y=0.0)  # fmt: skip
    got = run(moves, both)
    assert got.force_peak_n[0] == pytest.approx(slot.force_peak_n[0], rel=1e-9)
    assert got.chip_peak_mm[0] == pytest.approx(slot.chip_peak_mm[0], rel=1e-9)
    assert got.force_mean_n[0] < slot.force_mean_n[0]


def test_a_narrow_arc_ahead_takes_the_whole_chip() -> None:
    """A web met head on: one straight edge in the arc, its chip the feed per tooth; with a helix, what finds room."""
    moves, arc = line(), 0.4
    width = 3 * math.sin(arc / 2)
    web = felt(moves, removed_mm3=10 * 0.6 * width, deep_mm=0.6, axial_mm=0.6, engaged_mean_rad=arc,
               engaged_peak_rad=arc, width_mean_mm=width, arc_x=math.sin(arc / 2) / (arc / 2))  # fmt: skip
    got = run(moves, web)
    edge = WORN * 1400 * 0.6 * 0.01**0.77 * math.sqrt(2)
    assert got.force_peak_n[0] == pytest.approx(edge, rel=1e-3)  # a table's error
    assert got.chip_peak_mm[0] == pytest.approx(0.01)
    assert got.chip_mean_mm[0] == pytest.approx(0.01 * math.sin(arc / 2) / (arc / 2), rel=1e-9)
    assert got.wall_mm[0] == 0
    tight = run(moves, web, crib(dataclasses.replace(MILL, helix_angle_rad=math.radians(75))))
    lag = 2 * 0.6 * math.tan(math.radians(75)) / 3
    assert tight.force_peak_n[0] == pytest.approx(edge * arc / lag, rel=1e-9)


def test_a_cut_too_thin_to_be_felt_at_the_edge_is_as_deep_as_the_stock_fell() -> None:
    moves = line()
    thin = side_cut(moves, 0.02, 0.6)
    unfelt = dataclasses.replace(thin, axial_mm=np.zeros(1), engaged_peak_rad=np.zeros(1), arc_x=np.zeros(1),
                                 arc_y=np.zeros(1))  # fmt: skip
    got, wanted = run(moves, unfelt), run(moves, thin)
    assert got.power_w[0] == pytest.approx(wanted.power_w[0], rel=1e-9)
    assert got.force_peak_n[0] == pytest.approx(wanted.force_peak_n[0], rel=1e-9)


def test_a_helix_in_a_drilled_hole_is_shared_between_side_and_end() -> None:
    """A hole of 3.2 opened to 4 on a path of 0.5: the end stands over the crescent outside the drilled hole."""
    path, pitch, hole = 0.5, 0.15, 1.6
    slope = pitch / (2 * math.pi * path)
    length = math.pi * path * math.hypot(1, slope)
    moves = Motion(path, 0, 5).arc(-path, 0, 0, 0, z=5 - pitch / 2).moves()
    ring = math.pi * ((1.5 + path) ** 2 - hole**2)
    x, y = np.meshgrid(*[(np.arange(2000) + 0.5) / 500 - 2] * 2)
    crescent = ((x - path) ** 2 + y * y < 1.5**2) & (x * x + y * y > hole**2)
    arc = math.acos((hole**2 - path**2 - 1.5**2) / (2 * path * 1.5))
    out = cmath.exp(1j * math.pi / 2)  # from the axis at the middle of the move away from the hole's middle
    mean = out * cmath.exp(1j * arc / 2) * 0.6
    got = run(moves, felt(moves, length_mm=length, cut_mm=length, removed_mm3=ring * pitch / 2, axial_mm=pitch,
                          engaged_mean_rad=arc, engaged_peak_rad=arc, arc_x=mean.real, arc_y=mean.imag))  # fmt: skip
    sinks = pitch / 2 / length
    end = crescent.sum() / 500**2 * sinks * FEED
    side = ring * pitch / 2 / length * FEED - end
    chip = side / (RPM * 3 * pitch * arc * 1.5)
    kc_side, kc_end = (WORN * 1400 * max(h, 0.0012) ** 0.77 / h for h in (chip, 0.01 * sinks))
    assert got.power_w[0] == pytest.approx((side * kc_side + end * kc_end) / 60_000, rel=5e-3)
    assert got.lift_n[0] == pytest.approx(-kc_end * end / (math.pi * 1.5 * RPM), rel=5e-3)  # no helix: thrust alone


def test_slot_pushes_the_plate_ahead_and_to_the_right() -> None:
    moves = line()
    got = run(moves, side_cut(moves, 3.0, 0.6))
    assert got.fx_n[0] > 0 > got.fy_n[0]
    back = dataclasses.replace(moves, spindle=np.array([-1], dtype=np.int8))
    assert run(back, side_cut(moves, 3.0, 0.6)).fy_n[0] > 0


def test_an_arc_is_taken_at_its_middle() -> None:
    """A quarter round the origin, clockwise, stock outside on the left; the same as a straight move at its middle."""
    moves = Motion(10, 0, 0).arc(0, -10, 0, 0, clockwise=True).moves()
    arc, length = math.acos(0.8), 5 * math.pi
    e = cmath.exp(-1j * math.pi / 4)
    ahead = -1j * e
    mean = ahead * cmath.exp(1j * (math.pi / 2 - arc / 2)) * 0.9
    got = run(moves, felt(moves, length_mm=length, cut_mm=length, removed_mm3=length * 0.3 * 0.6, axial_mm=0.6,
                          engaged_mean_rad=arc, engaged_peak_rad=arc, width_mean_mm=0.3, arc_x=mean.real,
                          arc_y=mean.imag))  # fmt: skip
    straight = line(math.degrees(cmath.phase(ahead)))
    wanted = run(straight, side_cut(straight, 0.3, 0.6, left=True))
    for name in ("fx_n", "fy_n", "force_peak_n", "wall_mm"):
        assert getattr(got, name)[0] == pytest.approx(getattr(wanted, name)[0], rel=1e-6, abs=1e-9)


def test_helix_pulls_up_and_bends_a_climb_cut_off_the_wall() -> None:
    moves = line()
    spiral = crib(dataclasses.replace(MILL, helix_angle_rad=math.radians(30)))
    what = side_cut(moves, 0.18, 3.0)
    straight, got = run(moves, what), run(moves, what, spiral)
    tangential = got.power_w[0] / (math.pi * 3 * RPM / 60_000)
    assert got.lift_n[0] == pytest.approx(400 / 1900 * tangential, rel=1e-9)  # Ka / Kt at 30 degrees
    assert straight.lift_n[0] == pytest.approx(0, abs=1e-12)
    assert got.force_peak_n[0] < 0.6 * straight.force_peak_n[0]  # a third of the edge stands in the arc
    assert got.power_w[0] == pytest.approx(straight.power_w[0], rel=1e-12)
    assert got.wall_mm[0] > 0
    assert straight.wall_mm[0] == pytest.approx(0, abs=1e-12)


def test_deflection_and_stress_are_the_beams() -> None:
    """A cutter that is one rod: F L^3 / (3 E I) and 32 F L / (pi d^3), with torsion beside it."""
    rod = dataclasses.replace(MILL, flute_length_mm=20.0, reach_mm=20.0, stickout_mm=20.0)
    moves = line()
    got = run(moves, side_cut(moves, 3.0, 0.6), crib(rod))
    f, d = got.force_peak_n[0], 0.8 * 3.0
    assert got.deflection_mm[0] == pytest.approx(f * 20**3 / (3 * 600_000 * math.pi * d**4 / 64), rel=1e-9)
    bent, twisted = 32 * f * 20 / (math.pi * d**3), 16_000 * got.torque_n_m[0] / (math.pi * d**3)
    assert got.stress_n_mm2[0] == pytest.approx(math.sqrt(bent**2 + 3 * twisted**2), rel=1e-9)


def test_run_out_raises_the_peak_alone() -> None:
    moves = line()
    what = side_cut(moves, 0.3, 0.6)
    plain, off = run(moves, what), run(moves, what, crib(dataclasses.replace(MILL, runout_mm=0.005)))
    ratio = 0.005 * math.sin(math.pi / 3) / 0.01
    assert off.force_peak_n[0] / plain.force_peak_n[0] == pytest.approx((1 + ratio) ** 0.77, rel=1e-6)
    assert off.power_w[0] == plain.power_w[0]


def test_drilling() -> None:
    """kc f d^2 / 8, no plan force, a push down; the first turns of the point take less."""
    drill = cutter(2, 2.2606, CutterKind.DRILL, flutes=2, substrate="cobalt", point_angle_rad=math.radians(135))
    m = Motion(0, 0, 5, tool=2)
    m.rpm, m.feed = 1500.0, 1500 * 0.04
    moves = m.line(z=4).line(z=3).moves()
    area = math.pi / 4 * 2.2606**2
    got = run(moves, felt(moves, removed_mm3=area, axial_mm=[0.2, 1.0], engaged_mean_rad=2 * math.pi,
                          engaged_peak_rad=2 * math.pi), crib(drill))  # fmt: skip
    _, wanted = ref.DRILL_TORQUE_N_MM
    assert got.torque_n_m[1] * 1000 == pytest.approx(formulas.WORN * wanted, rel=ref.REL)
    assert got.torque_n_m[0] / got.torque_n_m[1] == pytest.approx((0.4 * math.tan(math.radians(67.5)) / 2.2606) ** 2)
    assert got.lift_n[1] < got.lift_n[0] < 0
    assert got.force_peak_n.tolist() == [0, 0] and got.deflection_mm.tolist() == [0, 0]
    assert got.power_w[1] == pytest.approx(got.torque_n_m[1] * 2 * math.pi * 25)
    assert got.chip_mean_mm[1] == pytest.approx(0.02 * math.sin(math.radians(67.5)))


def test_a_plunge_pushes_down_and_not_aside() -> None:
    moves = Motion(0, 0, 5).line(z=4).moves()
    got = run(moves, felt(moves, removed_mm3=math.pi * 1.5**2, axial_mm=1.0, engaged_mean_rad=2 * math.pi,
                          engaged_peak_rad=2 * math.pi))  # fmt: skip
    assert got.force_peak_n[0] == 0 == got.fx_n[0]
    kc = WORN * 1400 * 0.01**-0.23
    assert got.power_w[0] == pytest.approx(got.rate_mm3_min[0] * kc / 60_000)
    assert got.lift_n[0] == pytest.approx(-kc * (FEED / RPM) * 1.5)


def test_a_ramp_in_a_slot_is_slot_and_plunge() -> None:
    """3 degrees down a slot 0.5 deep: what the end takes is pi r^2 for each mm sunk."""
    down = math.radians(3)
    moves = Motion(0, 0, 5).line(10 * math.cos(down), z=5 - 10 * math.sin(down)).moves()
    end, side = math.pi * 1.5**2 * math.sin(down), 3 * 0.5 * math.cos(down)
    got = run(moves, felt(moves, removed_mm3=10 * (end + side), axial_mm=0.5, engaged_mean_rad=math.pi,
                          engaged_peak_rad=math.pi, width_mean_mm=3.0, arc_x=2 / math.pi))  # fmt: skip
    level = line()
    slot = run(level, side_cut(level, 3.0, 0.5))
    assert got.force_peak_n[0] == pytest.approx(slot.force_peak_n[0], rel=0.01)
    assert got.force_mean_n[0] == pytest.approx(slot.force_mean_n[0], rel=0.01)
    assert got.lift_n[0] < 0 and got.power_w[0] > slot.power_w[0]


def test_rapids_air_and_a_standing_spindle_feel_nothing() -> None:
    m = Motion()
    m.rapid(x=10).line(x=0).line(x=10)
    moves = m.moves()
    moves = dataclasses.replace(moves, spindle=np.array([1, 0, 1], dtype=np.int8))
    got = run(moves, side_cut(moves, 3.0, 0.6))
    for name in Forces.__slots__:
        assert getattr(got, name)[:2].tolist() == [0, 0]
    assert got.force_peak_n[2] > 0
    empty = run(moves, felt(moves))
    assert not any(getattr(empty, name).any() for name in Forces.__slots__)


def test_feed_goes_into_force_by_its_exponent() -> None:
    one, two = Motion(), Motion()
    two.feed = 2 * FEED
    a, b = (run(m.line(x=10).moves(), side_cut(m.moves(), 0.3, 0.6)) for m in (one, two))
    for name in ("force_mean_n", "force_peak_n", "torque_n_m"):
        assert getattr(b, name)[0] / getattr(a, name)[0] == pytest.approx(2**0.77, rel=1e-9)


# Findings


def judged(moves: Moves, what: Felt, tools: Crib, *, power: float = 0.0, at_wall: bool = True):
    forces = run(moves, what, tools)
    reading = Motion().reading()
    reading = dataclasses.replace(reading, moves=moves)
    return forces, check_forces(
        moves, what, forces, tools=tool_table(tools), machine=dataclasses.replace(MACHINE, spindle_power_w=power),
        tolerances=TOLERANCES, seconds=np.ones(len(moves.kind)), stretches=split(reading),
        at_wall=np.full(len(moves.kind), at_wall), part_of_move=lambda i: "block-1",
    )  # fmt: skip


def test_a_cutter_that_breaks_is_an_error() -> None:
    moves = Motion().line(x=10).line(x=20).moves()
    assert judged(moves, side_cut(moves, 3.0, 0.6), crib(MILL), at_wall=False)[1] == []
    forces, faults = judged(moves, side_cut(moves, 3.0, 4.0), crib(MILL), at_wall=False)
    assert [(f.code, f.severity, f.part_id) for f in faults] == [("V670", "error", "block-1")]
    assert forces.stress_n_mm2[0] > 1500
    assert "1000 N/mm2" in faults[0].wanted and f"{forces.force_peak_n[0]:.0f} N" in faults[0].found


def test_a_wall_bent_off_by_more_than_half_its_tolerance_is_a_warning() -> None:
    moves = line()
    spiral = crib(dataclasses.replace(MILL, helix_angle_rad=math.radians(30)))
    forces, faults = judged(moves, side_cut(moves, 0.18, 3.0), spiral)
    assert forces.wall_mm[0] > 0.01  # half of what may be left
    assert [(f.code, f.severity) for f in faults] == [("V670", "warning")]
    assert faults[0].amount_mm == forces.wall_mm[0]
    assert judged(moves, side_cut(moves, 0.18, 3.0), spiral, at_wall=False)[1] == []
    assert judged(moves, side_cut(moves, 0.18, 0.5), spiral)[1] == []


def test_power_over_the_spindles_is_an_error() -> None:
    moves = line()
    what = side_cut(moves, 3.0, 0.6)
    power = float(run(moves, what).power_w[0])
    assert judged(moves, what, crib(MILL), power=power * 1.01)[1] == []
    assert [f.code for f in judged(moves, what, crib(MILL), power=power * 0.99)[1]] == ["V671"]
    assert judged(moves, what, crib(MILL))[1] == []  # not known


def test_chips_that_rub_for_a_fifth_of_the_time() -> None:
    """Least chip 0.3 x 4 um; at fz 10 um a cut 0.004 x 3 mm wide has 0.73 um."""
    m = Motion()
    for k in range(10):
        m.line(x=10.0 * (k + 1))
    moves = m.moves()
    for thin, wanted in ((2, []), (3, ["V672"])):
        width = np.where(np.arange(10) < thin, 0.004, 0.3)
        whole = [side_cut(moves, float(w), 0.6) for w in (0.004, 0.3)]
        mixed = Felt(**{f.name: np.where(width < 0.1, getattr(whole[0], f.name), getattr(whole[1], f.name))
                        for f in dataclasses.fields(Felt)})  # fmt: skip
        assert [f.code for f in judged(moves, mixed, crib(MILL), at_wall=False)[1]] == wanted


def test_thin_cuts_are_level_cuts_by_the_side_of_a_mill() -> None:
    moves = Motion(0, 0, 5).line(x=10).line(x=20, z=4).moves()
    tools = tool_table(crib(MILL))
    for width, wanted in ((0.2, [True, False]), (1.0, [False, False])):
        what = side_cut(moves, width, 2.0)
        assert thin_cuts(moves, what, run(moves, what), tools).tolist() == wanted


def caps(moves: Moves, what: Felt, tools: Crib, *, holding: float = math.inf, power: float = 0.0):
    reading = dataclasses.replace(Motion().reading(), moves=moves)
    n = len(moves.kind)
    return feed_caps(
        moves, run(moves, what, tools), tools=tool_table(tools), material_mc=0.23,
        machine=dataclasses.replace(MACHINE, spindle_power_w=power), tolerances=TOLERANCES, stretches=split(reading),
        at_wall=np.zeros(n, dtype=bool), holding=np.full(n, holding), holding_target=np.full(n, 2.0),
    )  # fmt: skip


def test_caps_bring_the_force_within_its_limit() -> None:
    moves = Motion().line(x=10).line(x=20).moves()
    what = side_cut(moves, 3.0, 0.6)
    assert caps(moves, what, crib(MILL)) == ()
    (cap,) = caps(moves, what, crib(MILL), holding=1.5)
    assert (cap.first_line, cap.last_line, cap.reason) == (1, 2, "holding")
    assert cap.feed_factor == pytest.approx(0.6)  # (1.5 / (1.05 x 2)) ^ (1 / 0.77) = 0.646, down to a twentieth
    slower = dataclasses.replace(moves, feed_mm_min=moves.feed_mm_min * cap.feed_factor)
    eased = run(moves, what).force_mean_n[0] / run(slower, what).force_mean_n[0]
    assert 1.5 * eased >= 2.0
    (cap,) = caps(moves, side_cut(moves, 3.0, 4.0), crib(MILL))
    assert cap.reason == "force" and cap.feed_factor < 1


def test_no_cap_below_the_least_chip() -> None:
    """fz 10 um, least chip 1.2 um: nothing under 0.12 of the feed; rounded up to a twentieth."""
    moves = line()
    (cap,) = caps(moves, side_cut(moves, 3.0, 0.6), crib(MILL), holding=0.01)
    assert cap.feed_factor == pytest.approx(0.15)
    thin = side_cut(moves, 0.004, 0.6)  # rubs already
    assert caps(moves, thin, crib(MILL), holding=0.01) == ()


def test_caps_far_apart_stay_apart() -> None:
    m = Motion()
    for k in range(100):
        m.line(x=10.0 * (k + 1))
    moves = m.moves()
    what = side_cut(moves, 3.0, 0.6)
    reading = dataclasses.replace(m.reading(), headings=((50, "b"),))
    holding = np.full(100, math.inf)
    holding[[0, 10, 45, 52]] = 1.0
    got = feed_caps(
        moves, run(moves, what), tools=tool_table(crib(MILL)), material_mc=0.23, machine=MACHINE,
        tolerances=TOLERANCES, stretches=split(reading), at_wall=np.zeros(100, dtype=bool), holding=holding,
        holding_target=np.full(100, 2.0),
    )  # fmt: skip
    assert [(c.first_line, c.last_line) for c in got] == [(1, 11), (46, 46), (53, 53)]
