"""Small faults put into a good program on purpose: each is found, and its size is measured."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from pipeline.verify.judge import judge
from tests.unit.verify import by_hand
from tests.unit.verify.by_hand import Motion

X, Y = by_hand.STUD_AT
# Programs here are moves without text, so without dwells: this machine's spindle is up at once.
MACHINE = dataclasses.replace(
    by_hand.MACHINE, dialect=dataclasses.replace(by_hand.MACHINE.dialect, spin_up_s=0.0)
)  # fmt: skip
FINE = dataclasses.replace(by_hand.TOLERANCES, floor_mm=0.005)


def program(*, wall: float = 0.0, floor: float = 0.0, step: float = 0.0, pierce: bool = False) -> Motion:
    """The stud faced, stepped, drilled and cut out, with its wall, face or step cut too deep by so much."""
    motion = Motion(z=30.0)

    def ring(radius: float, z: float) -> None:
        motion.rapid(X + radius, Y).rapid(z=5.5).line(z=z).circle(X, Y, clockwise=True).rapid(z=7.0)

    for radius in (5.2, 3.0, 1.0):
        ring(radius, 4.6)
    if floor:
        ring(1.0, 4.6 - floor)
    for z in (3.9, 3.2, 2.6, 2.0 - step):
        ring(3.7, z)
    for z in (4.2, 3.4, 2.6, 1.8, 1.0):
        ring(5.5, z)
    if pierce:
        motion.rapid(X + 5.5, Y).rapid(z=5.5).line(z=-0.02).line(z=5.5).rapid(z=7.0)
    ring(5.5 - wall, 0.3)
    motion.rapid(z=30.0)
    motion.tool = 2
    motion.rapid(X, Y).rapid(z=5.5)
    for z in (3.8, 3.0, 2.2, 2.6 - by_hand.POINT_MM):
        motion.line(z=z).rapid(z=5.5)
    motion.rapid(z=30.0)
    return motion


def judged(motion: Motion):
    return judge(
        motion.reading(), list, setup=by_hand.stud_setup(blocks=()), crib=by_hand.STUD_CRIB, machine=MACHINE,
        material=by_hand.MATERIAL, tolerances=FINE, not_cut=(), cell_mm=0.02, workers=1,
    )  # fmt: skip


def errors_of(verdict) -> set[str]:
    return {f.code for f in verdict.findings if f.severity == "error"}


def test_the_clean_twin_is_released():
    verdict = judged(program())
    assert verdict.verdict == "released" and verdict.parts[0].worst_gouge_mm < 0.001


def test_a_wall_gouge_of_a_hundredth_is_found_and_measured_within_a_micron():
    verdict = judged(program(wall=0.010))
    assert "V649" in errors_of(verdict)
    # The stud's mesh has 240 sides: its middles lie 0.00034 mm inside the true round.
    assert verdict.parts[0].worst_gouge_mm == pytest.approx(0.010, abs=0.001)


@pytest.mark.parametrize("where", ["floor", "step"])
def test_a_floor_gouge_of_a_hundredth_is_found_and_measured_within_two_microns(where):
    verdict = judged(program(**{where: 0.010}))
    assert "V649" in errors_of(verdict)
    assert verdict.parts[0].worst_gouge_mm == pytest.approx(0.010, abs=0.002)


def test_a_skin_pierced_for_one_moment_is_found_though_the_last_pass_covers_the_place():
    """The plunge goes through where the ring after it, at the skin, passes: nothing of it shows in the ring's text."""
    verdict = judged(program(pierce=True))
    assert "V640" in errors_of(verdict)
    assert verdict.thinnest_skin_mm == pytest.approx(-0.02, abs=1e-5)


@pytest.mark.parametrize(("errors", "bad"), [((0.05, 0.02, 0.02, 0.05), False), ((0.15, 0.05, 0.05, 0.06), True)])
def test_a_skin_must_be_thicker_than_all_errors_added_up(errors, bad):
    """Bow, Z datum, tool length and spare against a skin of 0.3: the skin must exceed their sum (statics of stacks)."""
    setup = by_hand.stud_setup(blocks=())
    terms = tuple((f"error {k}", mm) for k, mm in enumerate(errors))
    setup = dataclasses.replace(setup, z=dataclasses.replace(setup.z, errors_mm=terms))
    verdict = judge(
        program().reading(), list, setup=setup, crib=by_hand.STUD_CRIB, machine=MACHINE, material=by_hand.MATERIAL,
        tolerances=FINE, not_cut=(), cell_mm=0.05, workers=1,
    )  # fmt: skip
    assert errors_of(verdict) == ({"V669"} if bad else set())
    assert sum(mm for _, mm in verdict.skin_stack) == pytest.approx(sum(errors))


@pytest.mark.parametrize("workers", [1, 2])
def test_the_maps_show_the_gouge_where_it_is(workers):
    verdict = judge(
        program(floor=0.010).reading(), list, setup=by_hand.stud_setup(blocks=()), crib=by_hand.STUD_CRIB,
        machine=MACHINE, material=by_hand.MATERIAL, tolerances=FINE, not_cut=(), cell_mm=0.02, workers=workers,
    )  # fmt: skip
    (part_map,) = verdict.maps
    row, col = np.unravel_index(np.nanargmin(part_map.deviation), part_map.deviation.shape)
    assert part_map.deviation[row, col] == pytest.approx(-0.010, abs=1e-5)
    x, y = part_map.x0_mm + col * part_map.cell_mm, part_map.y0_mm + row * part_map.cell_mm
    assert np.hypot(x - X, y - Y) < 2.6  # the ring of radius 1 with a cutter of 3
