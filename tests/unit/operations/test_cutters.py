"""The choice of cutters, and what is said when there is none."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from pipeline.errors import PlanError
from pipeline.model.loop import Loop
from pipeline.model.part import Hole, Side, Thread
from pipeline.model.shop import Crib, Cutter
from pipeline.operations import cutters
from pipeline.operations.cutters import Means
from tests.unit.operations.shop_values import (
    CRIB,
    DIALECT,
    MACHINE,
    MATERIAL,
    NEST,
    TOLERANCES,
    drill,
    flat,
    rectangle,
    rounded,
)


def means(*crib: Cutter, **more: object) -> Means:
    values: dict = dict(crib=Crib(name="c", cutters=crib) if crib else CRIB, machine=MACHINE, material=MATERIAL,
                        tolerances=TOLERANCES, nest=NEST)  # fmt: skip
    return Means(**{**values, **more})


def hole(diameter: float, limits: tuple[float, float], **more: object) -> Hole:
    values: dict = dict(id="h", side=Side.INSIDE, x_mm=0, y_mm=0, diameter_mm=diameter, limits_mm=limits, top_z_mm=3.8,
                        bottom_z_mm=0, through=True)  # fmt: skip
    return Hole(**{**values, **more})


def numbers(found: tuple[Cutter, ...]) -> list[int]:
    return [c.number for c in found]


def test_pocket_takes_the_largest_that_walks_round_the_corner() -> None:
    # r 2.0: the 4 mm cutter is exactly the corner and comes last of those that fit.
    assert numbers(cutters.pocket_cutters(2.0, 3.0, means(), "p")) == [3, 4, 6, 2]
    assert numbers(cutters.pocket_cutters(2.1, 3.0, means(), "p"))[0] == 2
    # Deeper than the short ones reach: only the larger stay.
    assert numbers(cutters.pocket_cutters(2.1, 11.0, means(), "p")) == [2, 3]


def test_no_cutter_says_which_is_missing() -> None:
    with pytest.raises(PlanError) as error:
        cutters.pocket_cutters(1.2, 12.0, means(), "clip-2/pocket-1")
    assert error.value.where == "clip-2/pocket-1"
    assert error.value.found == "inside corner radius 1.20 mm"
    assert error.value.wanted == ("a flat end mill of at most 2.40 mm diameter reaching 12.00 mm; "
                                  "the longest that fits, T4, reaches 8.00 mm")  # fmt: skip
    assert error.value.hint == "raise corner_radius_mm to 1.53, or add a longer 2 mm cutter to the crib"
    with pytest.raises(PlanError, match="the crib has none"):
        cutters.pocket_cutters(0.3, 1.0, means(), "p")


def test_flutes_limit_a_cutter_without_a_neck() -> None:
    stub = flat(5, 2.0, neck_diameter_mm=2.0)
    assert cutters.reaches(stub, 5.0) and not cutters.reaches(stub, 5.1)
    assert cutters.reaches(flat(5, 2.0), 8.0) and not cutters.reaches(flat(5, 2.0), 8.1)


def test_drills_within_limits_nearest_to_the_drawn_size() -> None:
    assert numbers(cutters.drills_for(hole(2.5, (2.45, 2.6)), means())) == [11]
    assert cutters.drills_for(hole(2.5, (2.45, 2.6), flat_bottom=True), means()) == ()
    assert cutters.drills_for(hole(3.0, (3.0, 3.012)), means()) == ()  # closer than drilling holds
    near = means(drill(1, 2.48), drill(2, 2.51), drill(3, 2.53), drill(4, 2.60))
    # 2.60 with its run-out passes the high limit; 2.53 and 2.48 are as near to the walls as accepted.
    assert numbers(cutters.drills_for(hole(2.5, (2.45, 2.6)), near)) == [2, 1, 3]
    # 2.56 is within the limits but cuts 0.03 mm into a wall that may lose 0.02.
    assert cutters.drills_for(hole(2.5, (2.45, 2.6)), means(drill(1, 2.56))) == ()


def test_thread_drill_by_the_minor_limits() -> None:
    # 4-40 UNC-2B minor diameter 0.0849 to 0.0939 in: ASME B1.1, limits of size (from memory); #43 is the usual drill.
    thread = Thread(name="4-40 UNC-2B", major_mm=0.112 * 25.4, pitch_mm=25.4 / 40,
                    drill_limits_mm=(0.0849 * 25.4, 0.0939 * 25.4))  # fmt: skip
    bore = hole(2.2708, (2.0, 3.0), thread=thread)
    assert numbers(cutters.drills_for(bore, means())) == [8]
    assert cutters.drills_for(bore, means(drill(1, 2.05), drill(2, 2.5))) == ()


def test_bore_cutter_leaves_room_for_chips() -> None:
    assert cutters.bore_cutter(hole(4.0, (4.0, 4.012)), 4.0, means(), "b").number == 3
    assert cutters.bore_cutter(hole(9.5, (9.5, 9.515)), 4.0, means(), "b").number == 1
    with pytest.raises(PlanError, match=r"at most 0\.80 mm"):
        cutters.bore_cutter(hole(1.0, (1.0, 1.01)), 2.0, means(), "b")


def test_face_cutter_clears_taller_neighbours() -> None:
    assert numbers(cutters.face_cutters(1.0, math.inf, means(), "f")) == [1, 2, 3, 4, 6]
    assert numbers(cutters.face_cutters(1.0, 2.3, means(), "f"))[0] == 2
    with pytest.raises(PlanError, match="margin_mm"):
        cutters.face_cutters(1.0, 0.2, means(), "f")


def test_outline_cutter_is_the_jobs_and_must_fit() -> None:
    assert cutters.outline_cutter(rounded(0, 0, 20, 10, 2), 4.6, means(), "o").number == 3
    with pytest.raises(PlanError, match="outline cutter T9"):
        cutters.outline_cutter(rounded(0, 0, 20, 10, 2), 4.6, means(nest=replace(NEST, outline_cutter=9)), "o")
    with pytest.raises(PlanError, match="longer outline_cutter"):
        cutters.outline_cutter(rounded(0, 0, 20, 10, 2), 12.5, means(), "o")
    hollow = Loop(np.array([[0, 0, 0], [8, 0, -1.0], [10.4, 0, 0], [20, 0, 0], [20, 10, 0], [0, 10, 0]]))
    assert cutters.smallest_inside_radius_mm(hollow) == pytest.approx(1.2)
    with pytest.raises(PlanError, match="smallest inside"):
        cutters.outline_cutter(hollow, 4.6, means(), "o")


def test_smallest_inside_radius() -> None:
    assert cutters.smallest_inside_radius_mm(rectangle(0, 0, 4, 4)) == math.inf
    assert cutters.smallest_inside_radius_mm(rounded(0, 0, 20, 10, 2)) == math.inf
    notched = Loop.polygon(np.array([[0, 0], [10, 0], [10, 10], [6, 10], [6, 5], [0, 5]]))
    assert cutters.smallest_inside_radius_mm(notched) == 0.0
    # The same notch with its corner rounded: a quarter circle of radius 2, clockwise, tangent to both edges.
    b = -math.tan(math.pi / 8)
    smooth = Loop(np.array([[0, 0, 0], [10, 0, 0], [10, 10, 0], [6, 10, 0], [6, 7, b], [4, 5, 0], [0, 5, 0]]))
    assert cutters.smallest_inside_radius_mm(smooth) == pytest.approx(2.0)


def test_allowance_is_real_stock_and_fits_the_kerf() -> None:
    m = means()
    assert m.allowance_mm(CRIB.cutter(2)) == pytest.approx(0.2)
    assert m.allowance_mm(CRIB.cutter(6)) == pytest.approx(0.06)
    tight = means(nest=replace(NEST, margin_mm=0.2))
    assert tight.allowance_mm(CRIB.cutter(3)) == pytest.approx(0.1)
    rough = means(machine=replace(MACHINE, dialect=replace(DIALECT, blend_mm=0.05)))
    assert rough.allowance_mm(CRIB.cutter(6)) > 2 * 0.05


def test_wall_error_of_the_machine() -> None:
    assert means().wall_error_mm() == pytest.approx(0.005)
    exact = means(machine=replace(MACHINE, dialect=replace(DIALECT, path_word="G61")))
    assert exact.wall_error_mm() == 0.0
    chords = means(machine=replace(MACHINE, dialect=replace(DIALECT, arcs=False)))
    assert chords.wall_error_mm() == pytest.approx(0.007)
