"""The hold in time: worked examples, states by hand, second methods, and what must never go the wrong way."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

from pipeline.kernels.verify_holding import hull
from pipeline.model.shop import Block, CutterKind, Hold
from pipeline.model.units import EPS_MM
from pipeline.shop.pulses import mean_turned
from pipeline.verify.felt import Felt
from pipeline.verify.forces import Forces
from pipeline.verify.hold_cases import SEVERED, TIED, WHOLE, Pushes, SkinStrength
from pipeline.verify.holding import judge_holding, pushes_of
from pipeline.verify.lever import NO_STOPS, edges_of, stop_cone
from pipeline.verify.ties import NEVER, find_ties
from pipeline.verify.tools import tool_table
from pipeline.verify.vacuum import leak_l_min
from tests.reference import holding as reference
from tests.unit.verify.by_hand import Motion, box, crib, cutter
from tests.unit.verify.test_ties import A, B, Plate

ALLOY = SkinStrength(of="Ti-6Al-4V", shear_n_mm2=550.0, bending_n_mm2=900.0)
HOLD = Hold(vacuum_kpa=75.0, altitude_m=0.0, friction=0.2, pump_flow_l_min=0.0, safety_rough=3.0, safety_finish=2.0,
            safety_tilt=2.0)  # fmt: skip
FLAT = "for the push alone 0 kPa would do; below half of the planned reading how flat the plate lies is not known"


def judged(plate: Plate, at: list[tuple[float, float]], *parts, gasket=None, hold=HOLD, strength=ALLOY, blocks=None,
           contacts=None, skin=0.3, z=1.0, radius=1.0, drill=(), **forces):  # fmt: skip
    """A move of no length at each place of `at`: the result, the safety factors and the faults. Forces are of all
    moves, or lists of one each; `drill` are moves that go through the plate."""
    motion = Motion(*at[0], z)
    for k, (x, y) in enumerate(at):
        motion.line(x, y, -0.5 if k in drill else z)
    moves = motion.moves()
    moves = dataclasses.replace(moves, start=moves.end)
    setup = plate.setup(*parts)
    seating = setup.seating if contacts is None else dataclasses.replace(setup.seating, contacts=np.array(contacts))
    setup = dataclasses.replace(
        setup, gasket=box(plate.width, plate.height) if gasket is None else gasket, hold=hold, seating=seating,
        blocks=blocks or (), z=dataclasses.replace(setup.z, skin_mm=skin),
    )  # fmt: skip
    n = len(at)
    given = {"peak_n": 10.0, "force_x_n": 0.0, "force_y_n": 0.0, "turn_rad": math.pi, "lift_n": 0.0, "height_mm": 0.0,
             "radius_mm": radius, **forces}  # fmt: skip
    arrays = {name: np.broadcast_to(np.asarray(value, dtype=np.float64), n).copy() for name, value in given.items()
              if name != "is_rough"}  # fmt: skip
    rough = np.broadcast_to(np.asarray(forces.get("is_rough", True)), n).copy()
    return judge_holding(setup, moves=moves, seconds=np.full(n, 2.0), pushes=Pushes(**arrays, is_rough=rough),
                         pieces=find_ties(plate.times(), setup), times=plate.times(), strength=strength)  # fmt: skip


def codes(faults) -> list[str]:
    return [fault.code for fault in faults]


# --- worked examples -------------------------------------------------------------------------------------------------


def test_the_worked_example_of_sliding():
    """20 in2 at 22 inHg: 961.3 N; 60 N sideways and 40 N up at friction 0.2: 3.071."""
    plate = Plate(254.0, 50.8, 1.27)
    hold = dataclasses.replace(HOLD, vacuum_kpa=22 * 3.386389)
    result, safety, faults = judged(plate, [(127, 25.4)], hold=hold, peak_n=60, lift_n=40)
    assert safety[0] == pytest.approx(reference.EXAMPLE_SAFETY, rel=1e-7)
    assert safety[0] * 60 / 0.2 + 40 == pytest.approx(reference.EXAMPLE_NORMAL_N, rel=1e-6)
    assert (result.least, result.target, result.case, result.line) == (safety[0], 3.0, WHOLE, 1) and faults == []


def test_the_worked_example_of_tilting():
    """200 N with a lever of 10 mm against 60 N at 4 mm: 8.333."""
    plate = Plate(100.0, 20.0)
    hold = dataclasses.replace(HOLD, vacuum_kpa=100.0, safety_tilt=20.0, safety_rough=1.0, friction=1.0)
    result, _, faults = judged(plate, [(50, 10)], hold=hold, peak_n=60, height_mm=4)
    assert result.least == pytest.approx(reference.TILT_SAFETY, rel=1e-8)
    assert codes(faults) == ["V680"] and "tipping" in faults[0].found and "8.33" in faults[0].found


def test_linear_in_area():
    factors = [judged(Plate(100.0, 20.0 * k), [(50, 10)])[1][0] for k in (1, 2, 3)]
    assert factors[1] == pytest.approx(2 * factors[0]) and factors[2] == pytest.approx(3 * factors[0])


def test_the_gasket_takes_half_its_width():
    """A cord of 2 mm along 2 mm inside a plate of 40 x 20: sealed are 34 x 14."""
    plate = Plate(40, 20)
    gasket = box(36, 16, 2, 2)
    motion = Motion(20, 10, 1).line(21, 10)
    setup = dataclasses.replace(plate.setup(), gasket=gasket, gasket_width_mm=2.0, hold=HOLD)
    none, one = np.zeros(1), np.ones(1)
    pushes = Pushes(force_x_n=none, force_y_n=none, peak_n=one, turn_rad=one, lift_n=none, height_mm=none,
                    radius_mm=one, is_rough=one > 0)  # fmt: skip
    _, safety, _ = judge_holding(setup, moves=motion.moves(), seconds=one, pushes=pushes, pieces=(),
                                 times=plate.times())  # fmt: skip
    assert safety[0] == pytest.approx(0.2 * 0.075 * 34 * 14)


# --- states by hand --------------------------------------------------------------------------------------------------


def test_two_squares_state_by_state():
    """Plate 40 x 20, gasket round 36 x 16 of it, 75 kPa, friction 0.2; square `a` cut to the skin, `b` cut through with
    a pump that keeps up. By hand: 43.2 N hold the whole plate; its kerfs of 96 mm2 cost `b`'s vacuum, side by side."""
    plate = Plate(40, 20).ring(*A[1:], 2.0, 1).ring(*B[1:], 2.0, 6, through=True)
    hold = dataclasses.replace(HOLD, pump_flow_l_min=5000.0, safety_tilt=1.0)
    at = [(20, 10), (10, 4), (16, 10), (10, 16), (4, 10), (16, 10), (30, 4), (36, 10), (30, 16), (24, 10), (24, 10),
          (20, 10)]  # fmt: skip
    peak = np.array([2, 4, 4, 4, 4, 4, 3, 3, 3, 3, 1, 2.0])
    result, safety, faults = judged(plate, at, A, B, gasket=box(36, 16, 2, 2), hold=hold, peak_n=peak, radius=1.5)
    whole = 0.075 * np.array([576.0] * 6 + [576 - 28, 576 - 28 - 24, 576 - 52 - 24, 576 - 96, 576 - 96, 576 - 96])
    by_hand = 0.2 * whole / peak
    by_hand[9:11] = 0.2 * 0.075 * 100 / peak[9:11]  # b stands on its own 100 mm2: 7.5 N
    assert safety == pytest.approx(by_hand)
    assert result.least == pytest.approx(min(by_hand)) == pytest.approx(0.5)
    assert (result.case, result.what, result.line) == (SEVERED, "b", 10)
    freed = {f.what: (f.tied_line, f.tied_s, f.severed_line, f.severed_s) for f in result.freed}
    assert freed == {"a": (5, 10.0, 0, 0.0), "b": (10, 20.0, 10, 20.0)}
    assert codes(faults).count("V682") == 1 and codes(faults).count("V681") == 1
    assert next(f for f in faults if f.code == "V681").severity == "warning"


def test_a_tied_part_stands_on_its_skin():
    """Square of 10 x 10 tied by 0.25 of skin in kerfs of 2 mm, stops on all sides of the plate, 75 kPa, a cut of 100 N.
    It tips over an edge at 4 mm: 2 x 14.06 N mm/mm over 2 mm hold it down all round, 10 mm of border at 10 mm and 20 at
    5 on the average; 7.5 N at 5 mm do too. In plane at 0 mm: 40 mm x 137.5 N/mm and a fifth of 7.5 N."""
    plate = Plate(200, 100).ring(*A[1:], 2.0, 0)
    at, peak = [(20, 10)] * 4 + [(16, 10)], [0, 0, 0, 0, 100.0]
    given = dict(skin=0.25, blocks=ALL_ROUND, contacts=CONTACTS, peak_n=peak, radius=1.5)
    hold = dataclasses.replace(HOLD, safety_tilt=8.0)
    result, safety, faults = judged(plate, at, A, height_mm=4.0, hold=hold, **given)
    assert (result.case, result.what, result.target) == (TIED, "a", 8.0)
    by_hand = (2 * reference.SKIN_MOMENT_N / 2 * (10 * 10 + 20 * 5) + 7.5 * 5) / 400
    assert result.least == safety[4] == pytest.approx(by_hand)
    assert [f.part_id for f in faults if f.code == "V680"] == ["a"]
    result, safety, faults = judged(plate, at, A, height_mm=0.0, **given)
    assert (result.case, result.what, result.target) == (TIED, "a", 3.0) and faults == []
    assert safety[4] == pytest.approx((40 * reference.SKIN_SHEAR_N_MM + 0.2 * 7.5) / 100)
    assert result.gauge_least_kpa == 37.5 and FLAT in result.assumed  # skin alone does it


def test_waste_that_may_be_torn_out_is_a_warning():
    """A square of waste in a kerf of 2 mm, cut at 40 mm of height: it tips long before the plate does."""
    plate = Plate(200, 100).ring(*A[1:], 2.0, 0)
    given = dict(peak_n=[0, 0, 0, 0, 100.0], radius=1.5, height_mm=40.0, skin=0.25, hold=dataclasses.replace(
        HOLD, friction=1.0))  # fmt: skip
    at = [(20, 10)] * 4 + [(16, 10)]
    result, safety, faults = judged(plate, at, **given)
    assert (result.case, safety[4]) == (WHOLE, pytest.approx(0.075 * 20000 / 100)) and result.freed[0].what == "waste"
    assert [(f.code, f.part_id, f.severity) for f in faults] == [("V680", "waste", "warning")]
    result, safety, faults = judged(plate, at, A, **given)
    assert (result.case, result.what) == (TIED, "a") and safety[4] < 1
    assert [(f.code, f.part_id, f.severity) for f in faults] == [("V680", "a", "error")]


def test_only_a_cutter_that_reaches_a_piece_pushes_it():
    plate = Plate(40, 20).ring(*A[1:], 2.0, 0, through=True)
    hold = dataclasses.replace(HOLD, pump_flow_l_min=5000.0)
    at = [(20, 10)] * 4 + [(16.4, 10), (18.1, 10), (20, 4)]
    peak = [0, 0, 0, 0, 1, 1, 1.0]
    _, safety, faults = judged(plate, at, A, hold=hold, peak_n=peak, radius=1.5)
    assert safety[4] == pytest.approx(0.2 * 7.5) and safety[5] > 5 and safety[6] > 5
    assert "1 more moves" in next(f for f in faults if f.code == "V682").found


def test_an_arc_that_passes_a_piece_on_its_way():
    plate = Plate(40, 20).ring(*A[1:], 2.0, 0, through=True)
    setup = dataclasses.replace(plate.setup(A), hold=dataclasses.replace(HOLD, pump_flow_l_min=5000.0))
    motion = Motion(2, 10, 1).line(2, 10).line(2, 10).line(2, 10).line(2, 10).arc(18, 10, 10, 10, clockwise=True)
    motion.arc(26, 10, 22, 10)
    ones = np.ones(6)
    pushes = Pushes(force_x_n=ones, force_y_n=ones, peak_n=np.array([0, 0, 0, 0, 1, 1.0]), turn_rad=ones,
                    lift_n=0 * ones, height_mm=0 * ones, radius_mm=ones * 3.5, is_rough=ones > 0)  # fmt: skip
    _, safety, _ = judge_holding(setup, moves=motion.moves(), seconds=ones, pushes=pushes, times=plate.times(),
                                 pieces=find_ties(plate.times(), setup))  # fmt: skip
    assert safety[4] == pytest.approx(0.2 * 7.5 / 2**0.5) and safety[5] == pytest.approx(0.2 * 7.5 / 2**0.5)


# --- holes and the pump ----------------------------------------------------------------------------------------------


def test_the_leak_of_a_hole():
    """Choked: 11.9 l/min for a square millimetre, whatever the vacuum; steady across the change; slow for little."""
    assert leak_l_min(1.0, 75, 101.325) == pytest.approx(reference.CHOKED_L_MIN_MM2, rel=1e-3)
    assert leak_l_min(1.0, 75, 101.325) == leak_l_min(1.0, 95, 101.325)
    critical = 101.325 * (1 - 0.528282)
    assert leak_l_min(1.0, critical - 1e-4, 101.325) == pytest.approx(leak_l_min(1.0, critical + 1e-4, 101.325))
    rho = 101325 / (287.05 * 293.15)  # Bernoulli at 1 kPa: sqrt(2 dp / rho)
    assert leak_l_min(1.0, 1, 101.325) == pytest.approx(1e-6 * math.sqrt(2 * 1000 / rho) * 60000, rel=0.02)
    flows = [leak_l_min(2.0, v, 101.325) for v in range(101)]
    assert flows == sorted(flows) and flows[0] == 0.0


def test_a_hole_through_inside_the_gasket_loses_the_vacuum():
    plate = Plate(40, 20)
    at = [(10, 10), (20, 10), (30, 10)]
    result, safety, faults = judged(plate, at, drill=(1,), radius=1.0, peak_n=[5, 5, 5])
    assert safety[0] == pytest.approx(0.2 * 60 / 5) and list(safety[1:]) == [0.0, 0.0]
    assert (result.least, result.line, result.gauge_least_kpa) == (0.0, 2, math.inf)
    (fault,) = (f for f in faults if f.code == "V681")
    assert (fault.line, fault.severity) == (2, "error") and "37 l/min" in fault.found  # 3.14 mm2 x 11.9
    assert [f.line for f in faults if f.code == "V680"] == [1]  # what follows from the hole is not said again


@pytest.mark.parametrize(("flow", "is_lost"), [(0.0, True), (37.0, True), (38.0, False), (400.0, False)])
def test_a_pump_may_cover_a_leak(flow: float, is_lost: bool):
    hold = dataclasses.replace(HOLD, pump_flow_l_min=flow)
    _, safety, faults = judged(Plate(40, 20), [(10, 10), (20, 10), (30, 10)], drill=(1,), hold=hold, peak_n=1.0)
    assert bool(safety[2] == 0.0) is is_lost
    assert [f.severity for f in faults if f.code == "V681"] == ["error" if is_lost else "warning"]
    if not is_lost:
        assert safety[2] == pytest.approx(0.2 * 0.075 * (800 - math.pi))


def test_pecks_in_one_place_are_one_hole():
    hold = dataclasses.replace(HOLD, pump_flow_l_min=38.0)
    _, safety, _ = judged(Plate(40, 20), [(20, 10)] * 5, drill=(0, 2, 3), hold=hold, peak_n=1.0)
    assert (safety > 0).all()


def test_a_hole_outside_the_gasket_costs_nothing():
    _, safety, faults = judged(Plate(40, 20), [(1, 10), (20, 10)], drill=(0,), gasket=box(36, 16, 2, 2), peak_n=1.0)
    assert (safety > 0).all() and codes(faults) == []


def test_a_slot_through_in_cells_loses_it_when_the_first_cell_opens():
    plate = Plate(40, 20).cut(10, 10, 12, 11, 2, through=True)
    _, safety, faults = judged(plate, [(20, 10)] * 4, peak_n=1.0)
    assert list(safety > 0) == [True, True, False, False] and "V681" in codes(faults)


# --- stops -----------------------------------------------------------------------------------------------------------

CONTACTS = [[10.0, 0.0], [30.0, 0.0], [0.0, 10.0]]


def stops(*centres):
    return tuple(Block(name=f"s{k}", kind="stop", outline=box(4, 4, x - 2, y - 2), height_mm=4) for k, (x, y) in
                 enumerate(centres))  # fmt: skip


CORNER = stops((10, -2), (30, -2), (-2, 10))
ALL_ROUND = stops((8, -1), (32, -1), (0, 12))  # towards: down left, down right, up


def test_a_push_straight_at_the_stops_is_theirs():
    """Two stops below, one at the left. Towards the left and down: held; towards the right: friction alone; to the
    left and up at 30 degrees: half of it is friction's."""
    toward = {"down": (0, -10), "left": (-10, 0), "corner": (-7, -7), "right": (10, 0),
              "slant": (-10 * math.cos(math.pi / 6), 10 * math.sin(math.pi / 6))}  # fmt: skip
    found = {}
    for name, (fx, fy) in toward.items():
        _, safety, _ = judged(Plate(40, 20), [(20, 10)], blocks=CORNER, contacts=CONTACTS, force_x_n=fx, force_y_n=fy,
                              turn_rad=0.0)  # fmt: skip
        found[name] = float(safety[0])
    assert found["down"] == found["left"] == found["corner"] == math.inf
    assert found["right"] == pytest.approx(0.2 * 60 / 10) and found["slant"] == pytest.approx(0.2 * 60 / 5)


def test_a_push_that_turns_is_taken_at_its_worst():
    def factor(turn):
        return judged(Plate(40, 20), [(20, 10)], blocks=CORNER, contacts=CONTACTS, force_x_n=-7, force_y_n=-7,
                      turn_rad=turn)[1][0]  # fmt: skip

    assert factor(math.pi / 4) == math.inf
    assert factor(math.pi / 4 + math.pi / 6) == pytest.approx(2 * 0.2 * 60 / 10)  # sin 30 of it
    assert factor(math.pi) == factor(3 * math.pi / 4) == pytest.approx(0.2 * 60 / 10)


def test_without_a_mean_direction_every_direction_counts():
    _, safety, _ = judged(Plate(40, 20), [(20, 10)], blocks=CORNER, contacts=CONTACTS, turn_rad=0.0)
    assert safety[0] == pytest.approx(0.2 * 60 / 10)


@pytest.mark.parametrize("seed", range(8))
def test_stops_against_every_choice_of_stop_forces(seed: int):
    rng = np.random.default_rng(seed)
    plate = Plate(40, 20)
    turns = rng.uniform(0, 2 * math.pi, 3) if seed % 2 else rng.uniform(0, 2.5, 3)
    unit = np.column_stack([np.cos(turns), np.sin(turns)])
    contacts = rng.uniform(5, 15, (3, 2))
    setup = dataclasses.replace(plate.setup(), blocks=stops(*(contacts + 4 * unit)),
                                seating=dataclasses.replace(plate.setup().seating, contacts=contacts))  # fmt: skip
    cone = stop_cone(setup)
    for _ in range(12):
        angle, turn = rng.uniform(-math.pi, math.pi), rng.uniform(0, 1.8)
        found = cone.left_over(np.array([angle]), np.array([turn]))[0]
        wanted = reference.left_for_friction(1.0, angle, turn, [tuple(u) for u in unit])
        assert found == pytest.approx(wanted, abs=2e-3)


def test_no_stops_take_nothing():
    assert stop_cone(Plate(40, 20).setup()) == NO_STOPS
    assert NO_STOPS.left_over(np.array([0.0, 2.0]), np.array([0.0, 1.0])) == pytest.approx([1, 1])


# --- tipping by a second method --------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(6))
def test_tipping_against_the_centre_of_pressure(seed: int):
    rng = np.random.default_rng(seed)
    turn = np.sort(rng.uniform(0, 2 * math.pi, 9))
    gasket = np.column_stack([30 + 25 * np.cos(turn), 30 + rng.uniform(12, 25) * np.sin(turn)])
    plate = Plate(60, 60)
    lift, height, at = rng.uniform(0, 8), rng.uniform(2, 9), rng.uniform(25, 35, 2)
    hold = dataclasses.replace(HOLD, safety_tilt=20.0, safety_rough=1.0, safety_finish=1.0, friction=1.0)
    at = np.asarray([30.0, 30.0]) + (at - 30) * 0.5
    result, _, _ = judged(plate, [tuple(at)], gasket=gasket, hold=hold, peak_n=20.0, lift_n=lift, height_mm=height)
    import shapely

    area = shapely.Polygon(gasket)
    xy = 0.25 + 0.5 * np.array([(c, r) for r in range(120) for c in range(120)])
    sealed = xy[shapely.contains_xy(area, xy[:, 0], xy[:, 1])]
    expected = reference.tip_factor(gasket, sealed.mean(axis=0), 0.075 * len(sealed) * 0.25, 20.0, height, lift, at)
    assert result.least == pytest.approx(expected, rel=3e-3)


def test_the_hull_of_a_rectangle_with_points_in_line():
    edges = edges_of(np.array([[0, 0], [5, 0], [10, 0], [10, 4], [5, 4], [0, 4], [3, 2]], dtype=float),
                     np.array([5.0, 2.0]), 0.5)  # fmt: skip
    assert len(edges.lever_mm) == 4
    assert sorted(edges.lever_mm) == pytest.approx([1.5, 1.5, 4.5, 4.5])
    assert sorted(edges.across_mm) == pytest.approx([3, 3, 9, 9])


@pytest.mark.parametrize(("n", "long"), [(1, 1.0), (2, 2.0), (5, 5.0)])
def test_a_body_of_one_cell_or_of_cells_in_a_row_tips_over_all_its_sides(n: int, long: float):
    """Cells of 1 mm: a rectangle of 1 by n, by hand."""
    points = np.column_stack([np.arange(n, dtype=float), np.full(n, 3.0)])
    edges = edges_of(points, points.mean(axis=0), -0.5)
    assert sorted(edges.lever_mm) == pytest.approx([0.5, 0.5, long / 2, long / 2])
    assert sorted(edges.across_mm) == pytest.approx(sorted([1, 1, long, long]))


# --- the lowest reading ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(10))
def test_the_lowest_reading_is_where_the_first_target_fails(seed: int):
    """Judged anew just above it everything holds, just below it does not."""
    rng = np.random.default_rng(seed)
    plate = Plate(40, 20).ring(*A[1:], 2.0, 1).ring(*B[1:], 2.0, 5)
    n = 40
    at = [(float(x), float(y)) for x, y in rng.uniform([0, 0], [40, 20], (n, 2))]
    given = dict(peak_n=rng.uniform(0.1, 0.5, n), lift_n=rng.uniform(0, 0.3, n), height_mm=rng.uniform(0, 5, n),
                 is_rough=rng.random(n) < 0.5, radius=1.5)  # fmt: skip
    weak = SkinStrength(of="a test", shear_n_mm2=0.01, bending_n_mm2=0.5)

    def at_reading(kpa):
        return judged(plate, at, A, B, hold=dataclasses.replace(HOLD, vacuum_kpa=kpa), strength=weak, **given)

    least = at_reading(10.0)[0].gauge_least_kpa  # what forces alone ask for: over half of 10
    assert 5 < least < 101
    assert "V680" not in codes(at_reading(least * 1.0001)[2]) and "V680" in codes(at_reading(least * 0.9999)[2])
    for planned in (20.0, 40.0, 90.0):
        assert at_reading(planned)[0].gauge_least_kpa == pytest.approx(max(least, planned / 2))


@pytest.mark.parametrize(
    ("press", "by_forces", "shown"), [(0.0, 60, 60.0), (16.0, 40, 40.0), (21.0, 34, 37.5), (60.0, 0, 37.5)]
)
def test_no_reading_under_half_of_the_plan_is_given_as_the_limit(press, by_forces, shown):
    """By hand: 3.2 N at three times need 48 N on 800 mm2, 60 kPa less 1.25 for each N that a clamp presses. Of 75 kPa
    planned half is 37.5, however strong the clamp; the words on what the figures stand on say when that decides."""
    clamp = Block(name="a", kind="clamp", outline=box(4, 4, 18, 8), height_mm=9, press_n=press)
    result, _, faults = judged(Plate(40, 20), [(20, 10)], blocks=(clamp,), peak_n=3.2)
    assert result.gauge_least_kpa == pytest.approx(shown) and faults == []
    said = [line for line in result.assumed if "for the push alone" in line]
    assert said == ([FLAT.replace(" 0 kPa", f" {by_forces} kPa")] if by_forces < shown else [])


def test_a_reading_over_the_airs_pressure_is_none():
    result, _, faults = judged(Plate(40, 20), [(20, 10)], peak_n=10.0)
    assert result.gauge_least_kpa == math.inf and "kPa" not in faults[0].hint  # 3 x 10 / 0.2 / 800 mm2: 188 kPa
    result, _, faults = judged(Plate(40, 20), [(20, 10)], peak_n=5.0)
    assert result.gauge_least_kpa == pytest.approx(93.75) and "a reading of 94 kPa holds it" in faults[0].hint


def test_nothing_is_cut():
    result, safety, faults = judged(Plate(40, 20), [(20, 10)], peak_n=0.0)
    assert result.least == math.inf and list(safety) == [math.inf] and faults == []
    assert result.gauge_least_kpa == 37.5 and result.gauge_planned_kpa == 75.0


def test_a_hold_that_is_not_known():
    plate = Plate(40, 20)
    result, safety, faults = judged(plate, [(20, 10)], hold=None)
    assert result is None and list(safety) == [math.inf]
    assert [(f.code, f.severity) for f in faults] == [("V683", "warning")]


def test_finishing_asks_for_less():
    weak = [judged(Plate(40, 20), [(20, 10)], peak_n=5.0, is_rough=rough)[2] for rough in (True, False)]
    assert codes(weak[0]) == ["V680"] and weak[1] == []  # 2.4, wanted 3 and 2
    fault = weak[0][0]
    assert "safety 2.40 against sliding: 12 N hold, 5 N push" in fault.found and fault.wanted == "at least 3"
    assert "15 N more that press" in fault.hint  # 3 x 5 / 0.2 less 60


# --- the right way round ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(12))
def test_nothing_goes_the_wrong_way(seed: int):
    """Less vacuum, a smaller gasket, less friction, a stronger push, a higher cut, more lift: never a higher factor."""
    rng = np.random.default_rng(seed)
    plate = Plate(40, 20).ring(*A[1:], 2.0, 3).ring(*B[1:], 2.0, 7, through=bool(seed % 3 == 0))
    n = 60
    at = [(float(x), float(y)) for x, y in rng.uniform([0, 0], [40, 20], (n, 2))]
    given = dict(peak_n=rng.uniform(0, 30, n), lift_n=rng.uniform(0, 5, n), height_mm=rng.uniform(0, 5, n),
                 is_rough=rng.random(n) < 0.5, force_x_n=rng.normal(0, 9, n), force_y_n=rng.normal(0, 9, n),
                 turn_rad=rng.uniform(0, 2, n), radius=1.5)  # fmt: skip
    hold = dataclasses.replace(HOLD, pump_flow_l_min=float(rng.choice([0.0, 600.0, 9000.0])))

    def factors(*, inset=1.0, hold=hold, **changes):
        gasket = box(40 - 2 * inset, 20 - 2 * inset, inset, inset)
        return judged(plate, at, A, B, gasket=gasket, hold=hold, blocks=CORNER, contacts=CONTACTS,
                      **{**given, **changes})[1]  # fmt: skip

    usual = factors()
    worse = [
        factors(hold=dataclasses.replace(hold, vacuum_kpa=60.0)),
        factors(hold=dataclasses.replace(hold, friction=0.15)),
        factors(peak_n=given["peak_n"] * 1.2),
        factors(height_mm=given["height_mm"] + 1),
        factors(lift_n=given["lift_n"] * 1.5),
        factors(turn_rad=given["turn_rad"] + 0.3),
        factors(hold=dataclasses.replace(hold, pump_flow_l_min=hold.pump_flow_l_min / 2)),
    ]
    if seed % 3:  # a smaller gasket also leaves holes outside, which then cost nothing
        worse.append(factors(inset=2.0))
    for factor in worse:
        assert (factor <= usual * (1 + 1e-12)).all()
    assert any((factor < usual).any() for factor in worse)


def test_the_same_twice():
    plate = Plate(40, 20).ring(*A[1:], 2.0, 1)
    first, second = (judged(plate, [(16, 10)] * 9, A, peak_n=20.0, height_mm=3.0) for _ in range(2))
    assert first[0] == second[0] and np.array_equal(first[1], second[1]) and first[2] == second[2]


def test_never_is_after_every_move():
    assert np.iinfo(np.int32).max == NEVER


# --- what the moves push ---------------------------------------------------------------------------------------------


def test_pushes_of_what_the_cutters_felt():
    """A drill presses down and pushes nothing sideways. A mill of 3 mm, 30 degrees of helix, 4 mm deep along a narrow
    arc of 0.4: the edge meets it with 0.4 x 1.5 / tan 30 = 1.04 mm of itself, at last with the uppermost."""
    mill, drill = cutter(1, 3.0), cutter(2, 2.0, CutterKind.DRILL)
    moves = Motion(0, 0, 1).line(10, 0).line(20, 0).moves()
    moves = dataclasses.replace(moves, tool=np.array([1, 2], dtype=np.int32))
    two = {name: np.array([1.0, 1.0]) for name in Felt.__slots__}
    felt = Felt(**{**two, "axial_mm": np.array([4.0, 2.0]), "engaged_peak_rad": np.array([0.4, 0.0]),
                   "width_mean_mm": np.array([0.1, 1.0]), "length_mm": np.array([10.0, 10.0])})  # fmt: skip
    none = {name: np.zeros(2) for name in Forces.__slots__}
    forces = Forces(**{**none, "fx_n": np.array([3.0, 0.0]), "force_peak_n": np.array([9.0, 0.0]),
                       "lift_n": np.array([2.0, -50.0])})  # fmt: skip
    pushes = pushes_of(moves, felt, forces, tool_table(crib(mill, drill)), at_wall=np.array([True, False]))
    assert pushes.height_mm[0] == pytest.approx(1 + 4 - 0.4 * 1.5 / math.tan(mill.helix_angle_rad) / 2)
    assert list(pushes.lift_n) == [2.0, 0.0] and list(pushes.peak_n) == [9.0, 0.0]
    assert list(pushes.radius_mm) == [1.5, 1.0] and list(pushes.is_rough) == [False, True]
    assert pushes.turn_rad[0] == pytest.approx(0.4 * 2 / 3)


@pytest.mark.parametrize("mc", [0.05, 0.23, 0.5])
def test_the_mean_push_lies_within_the_middle_of_its_arc(mc: float):
    """So no push of the arc is farther from the mean than two thirds of it."""
    arc = np.linspace(0.02, math.pi, 60)
    share = np.angle(mean_turned(arc, mc)) / arc
    assert (share >= 1 / 3).all() and (share <= 2 / 3 + 1e-3).all()


def test_clamps_press_with_what_the_file_says():
    """Two clamps of 100 N and 50 N on the rim: friction a fifth of them; over the edge far from each they hold by their
    own arm, over the near one not at all."""
    def clamp(name, x, y, press):
        return Block(name=name, kind="clamp", outline=box(4, 4, x - 2, y - 2), height_mm=9, press_n=press)

    plate = Plate(40, 20)
    both = (clamp("a", 40, 10, 100.0), clamp("b", 20, 20, 50.0))
    given = dict(gasket=box(36, 16, 2, 2), peak_n=10.0)
    _, safety, _ = judged(plate, [(20, 10)], blocks=both, **given)
    assert safety[0] == pytest.approx(0.2 * (43.2 + 150) / 10)
    hold = dataclasses.replace(HOLD, safety_tilt=20.0, safety_rough=1.0)
    result, _, _ = judged(plate, [(20, 10)], blocks=both, hold=hold, height_mm=40.0, **given)
    # over the lower edge: 43.2 N at 8, 100 N at 8, 50 N at 17; over the upper: 43.2 and 100 at 8; left 18, 37, 18
    assert result.least == pytest.approx((43.2 * 8 + 100 * 8 + 0) / 400)
    off = (clamp("a", 60, 10, 100.0), dataclasses.replace(both[1], press_n=0.0))
    assert judged(plate, [(20, 10)], blocks=off, **given)[1][0] == pytest.approx(0.2 * 43.2 / 10)
    spacer = (dataclasses.replace(both[0], kind="rigid spacer"),)
    assert judged(plate, [(20, 10)], blocks=spacer, **given)[1][0] == pytest.approx(0.2 * 43.2 / 10)


@pytest.mark.parametrize("seed", range(5))
def test_a_hull_has_all_points_on_its_left(seed: int):
    """Few places, so that points coincide and lie in line with corners, which are then left out."""
    rng = np.random.default_rng(seed)
    points = rng.integers(0, 4 + 3 * seed, (40, 2)).astype(np.float64)
    corners = hull(points[np.lexsort((points[:, 1], points[:, 0]))], EPS_MM)
    assert {tuple(p) for p in corners} <= {tuple(p) for p in points}
    step = np.roll(corners, -1, axis=0) - corners
    assert (step[:, 0] * np.roll(step[:, 1], -1) - step[:, 1] * np.roll(step[:, 0], -1) > 0).all()
    off = points[:, None, :] - corners[None, :, :]
    assert (step[:, 0] * off[:, :, 1] - step[:, 1] * off[:, :, 0] >= 0).all()
