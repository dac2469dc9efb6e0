"""Speeds and feeds against outside values, and the warnings that must and must not come."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from pipeline.errors import Bug
from pipeline.model.shop import Cutter, CutterKind, Dialect, Machine, Material
from pipeline.shop import cutting
from tests.reference import cutting as ref


def mill(diameter_mm: float = 3.0, **more: object) -> Cutter:
    values: dict = dict(
        number=3, name="mill", kind=CutterKind.FLAT, diameter_mm=diameter_mm, flutes=3, flute_length_mm=8.0,
        reach_mm=4 * diameter_mm, neck_diameter_mm=0.95 * diameter_mm, shank_diameter_mm=6.0, stickout_mm=22.0,
        holder_diameter_mm=20.0, substrate="carbide", chip_load_mm=0.012, surface_speed_m_min=50.0, stepdown_mm=0.6,
        stepover_mm=0.4 * diameter_mm, ramp_angle_rad=math.radians(3),
    )  # fmt: skip
    return Cutter(**{**values, **more})


def drill(**more: object) -> Cutter:
    values: dict = dict(kind=CutterKind.DRILL, flutes=2, substrate="cobalt", chip_load_mm=0.018,
                        surface_speed_m_min=12.0, point_angle_rad=math.radians(135), ramp_angle_rad=0.0)  # fmt: skip
    return mill(**{"diameter_mm": 2.2606, **values, **more})


DIALECT = Dialect(
    units="mm", linear_decimals=4, arc_decimals=4, feed_decimals=1, canned_cycles=frozenset(), arcs=True, helices=True,
    longest_arc_rad=math.pi, chord_mm=0.002, path_word="G64", blend_mm=0.005, tool_change="changer", pockets=10,
    length_offsets={}, safe_retract=(), coolant_on="M8", spin_up_s=3.0, peck_backoff_mm=0.25, line_numbers=False,
)  # fmt: skip
MACHINE = Machine(
    name="mill", travel_low_mm=(0, 0, -200), travel_high_mm=(300, 200, 0), bed_origin_mm=(0, 0, -180),
    spindle_low_rpm=1000, spindle_high_rpm=24000, feed_high_mm_min=5000, rapid_mm_min=10000, acceleration_mm_s2=500,
    jerk_mm_s3=None, tool_change_s=9, dialect=DIALECT,
)  # fmt: skip
MATERIAL = Material(
    name="layered titanium", layers=("Ti-6Al-4V",), density_g_cm3=4.46, kc11_n_mm2=1400, mc=0.23,
    speed_band_m_min={"carbide": (30.48, 76.2), "cobalt": (6.0, 12.0)}, speed_factor=1.0,
)  # fmt: skip


def codes(data: cutting.CutData) -> list[str]:
    return [finding.code for finding in data.warnings]


def test_rpm_from_surface_speed() -> None:
    for (feet, inches), wanted in ref.RPM_INCH:
        got = cutting.spindle_rpm(feet * ref.MM_MIN_PER_FT_MIN, inches * ref.MM_PER_INCH)
        assert got == pytest.approx(wanted, rel=ref.REL)
    (speed, d), wanted = ref.RPM_METRIC
    assert cutting.spindle_rpm(speed, d) == pytest.approx(wanted, rel=ref.REL)
    (rpm, inches), wanted = ref.CLAMPED_FT_MIN
    got = cutting.surface_speed_m_min(rpm, inches * ref.MM_PER_INCH) / ref.MM_MIN_PER_FT_MIN
    assert got == pytest.approx(wanted, rel=ref.REL)


def test_feed_follows_the_rpm_that_the_spindle_leaves() -> None:
    (rpm, flutes, inches), wanted = ref.FEED_INCH
    cutter = mill(3.175, flutes=flutes, chip_load_mm=inches * ref.MM_PER_INCH, surface_speed_m_min=120 * 0.3048)
    data = cutting.cut_data(cutter, MATERIAL, MACHINE)
    assert data.rpm == pytest.approx(rpm, rel=ref.REL)
    assert data.slot_feed_mm_min / ref.MM_PER_INCH == pytest.approx(wanted, rel=ref.REL)
    slow = cutting.cut_data(cutter, MATERIAL, replace(MACHINE, spindle_high_rpm=3000))
    assert slow.rpm == 3000
    assert slow.slot_feed_mm_min == pytest.approx(3000 * flutes * cutter.chip_load_mm)


def test_the_materials_factor_scales_speed_and_feed_together() -> None:
    full, half = (cutting.cut_data(mill(), replace(MATERIAL, speed_factor=f), MACHINE) for f in (1.0, 0.5))
    assert half.rpm == pytest.approx(full.rpm / 2)
    assert half.clear_feed_mm_min == pytest.approx(full.clear_feed_mm_min / 2)


def test_chip_thinning() -> None:
    for q, wanted in ref.CHIP_THINNING:
        assert cutting.chip_thinning(q) == pytest.approx(wanted, rel=ref.REL)
    assert cutting.chip_thinning(0.8) == 1.0
    (fz, q), wanted = ref.THICKEST_CHIP
    assert cutting.thickest_chip_mm(fz, q) == pytest.approx(wanted, rel=ref.REL)
    for bad in (0.0, -0.1, 1.2, math.nan):
        with pytest.raises(Bug):
            cutting.chip_thinning(bad)


def test_clearing_feed_keeps_the_chip_at_the_chip_load() -> None:
    cutter = mill()
    data = cutting.cut_data(cutter, MATERIAL, MACHINE, clear_radial_mm=0.6)
    fz = data.clear_feed_mm_min / data.rpm / cutter.flutes
    assert cutting.thickest_chip_mm(fz, 0.2) == pytest.approx(cutter.chip_load_mm)
    assert data.clear_feed_mm_min == pytest.approx(data.slot_feed_mm_min * 1.25)
    thin = cutting.cut_data(cutter, MATERIAL, MACHINE, finish_radial_mm=0.03)
    assert thin.finish_feed_mm_min == pytest.approx(thin.slot_feed_mm_min * cutting.THINNING_HIGH)


def test_arc_and_bore_feeds() -> None:
    (feed, wall, radius), wanted = ref.ARC_INSIDE
    assert feed * cutting.inside_arc_factor(wall, radius) == pytest.approx(wanted, rel=ref.REL)
    (feed, wall, radius), wanted = ref.ARC_OUTSIDE
    assert feed * cutting.outside_arc_factor(wall, radius) == pytest.approx(wanted, rel=ref.REL)
    (feed, hole, d), wanted = ref.BORE_FEED
    assert feed * cutting.bore_factor(hole, d) == pytest.approx(wanted, rel=ref.REL)
    with pytest.raises(Bug):
        cutting.inside_arc_factor(1.0, 1.0)


def test_ramps_slow_down_with_their_angle() -> None:
    data = cutting.cut_data(mill(), MATERIAL, MACHINE)  # a crib entry of 3 degrees
    shares = [data.ramp_share(math.radians(a)) for a in (0.3, 1.0, 2.0, 3.0, 10.0)]
    # Full feed up to a degree, half at the crib's angle, straight between: common practice, no source
    assert shares == pytest.approx([1.0, 1.0, 0.75, 0.5, 0.5])
    flat = cutting.cut_data(mill(ramp_angle_rad=math.radians(0.8)), MATERIAL, MACHINE)
    assert flat.ramp_share(math.radians(0.8)) == 1.0


def test_inside_an_arc_the_chip_still_cuts() -> None:
    assert cutting.inside_feed_mm_min(100.0, 0.5, least_feed_mm_min=20.0) == 50.0
    assert cutting.inside_feed_mm_min(100.0, 0.01, least_feed_mm_min=20.0) == 40.0  # our floor
    assert cutting.inside_feed_mm_min(100.0, 0.01, least_feed_mm_min=60.0) == 60.0
    assert cutting.inside_feed_mm_min(100.0, 0.01, least_feed_mm_min=200.0) == 100.0  # never over the feed
    data = cutting.cut_data(mill(edge_radius_mm=0.005), MATERIAL, MACHINE)
    assert data.least_feed_mm_min == pytest.approx(0.3 * 0.005 * data.rpm * 3)
    thin = cutting.cut_data(mill(chip_load_mm=0.001, edge_radius_mm=0.004), MATERIAL, MACHINE)
    assert any("narrow bore" in f.found for f in thin.warnings)


def test_helix_pitch_and_angle() -> None:
    (inches, degrees), wanted = ref.HELIX_PITCH_IN
    assert cutting.helix_pitch_mm(inches, math.radians(degrees)) == pytest.approx(wanted, rel=ref.REL)
    (inches, pitch), wanted = ref.HELIX_ANGLE_DEG
    assert math.degrees(cutting.helix_angle_rad(inches, pitch)) == pytest.approx(wanted, rel=ref.REL)


def test_feeds_stay_under_the_machines_feed() -> None:
    data = cutting.cut_data(mill(), MATERIAL, replace(MACHINE, feed_high_mm_min=100))
    assert data.slot_feed_mm_min == data.clear_feed_mm_min == data.finish_feed_mm_min == 100
    assert data.ramp_feed_mm_min < 100


def test_a_sound_cutter_raises_no_warning() -> None:
    for diameter, ((low_ft, high_ft), (low_fz, high_fz)) in ref.TITANIUM_START.items():
        for feet, fz in ((low_ft, low_fz), (high_ft, high_fz)):
            cutter = mill(diameter * 25.4, surface_speed_m_min=feet * 0.3048, chip_load_mm=fz * 25.4)
            assert codes(cutting.cut_data(cutter, MATERIAL, MACHINE)) == [], (diameter, feet, fz)
    assert codes(cutting.cut_data(drill(surface_speed_m_min=ref.COBALT_DRILL_M_MIN), MATERIAL, MACHINE)) == []


def test_warnings() -> None:
    assert codes(cutting.cut_data(mill(surface_speed_m_min=90.0), MATERIAL, MACHINE)) == ["O421"]
    slow_spindle = cutting.cut_data(mill(), MATERIAL, replace(MACHINE, spindle_high_rpm=2000))
    assert codes(slow_spindle) == ["O421"]
    assert "spindle" in slow_spindle.warnings[0].found
    assert codes(cutting.cut_data(mill(substrate="ceramic"), MATERIAL, MACHINE)) == ["O422"]
    rubbing = cutting.cut_data(mill(chip_load_mm=0.001, edge_radius_mm=0.005), MATERIAL, MACHINE)
    assert set(codes(rubbing)) == {"O423"}
    assert codes(cutting.cut_data(mill(reach_mm=15.0), MATERIAL, MACHINE)) == ["O424"]
    assert all(f.severity == "warning" for f in rubbing.warnings)


def test_least_chip() -> None:
    known, unknown = ref.LEAST_CHIP_MM
    assert cutting.least_chip_mm(mill(edge_radius_mm=0.005)) == pytest.approx(known)
    assert cutting.least_chip_mm(mill(edge_radius_mm=0.0)) == unknown


def test_drill_feed_is_per_turn_and_judged_by_diameter() -> None:
    data = cutting.cut_data(drill(), MATERIAL, MACHINE)
    assert data.drill_feed_mm_min == pytest.approx(data.rpm * 0.018)
    inches, (low, high) = ref.DRILL_FEED_IN
    for per_turn, wanted in ((low, []), (high * 0.97, []), (low * 0.5, ["O425"]), (high * 1.3, ["O425"])):
        got = cutting.cut_data(drill(diameter_mm=inches * 25.4, chip_load_mm=per_turn * 25.4), MATERIAL, MACHINE)
        assert codes(got) == wanted, per_turn
