"""The record of what is cut: never more than the discs took, and the highest stock that is left."""

from __future__ import annotations

import math

import numpy as np
import pytest

from pipeline.geometry.offsets import Area
from pipeline.model.loop import Loop
from pipeline.operations.cleared import Cleared
from pipeline.operations.motion import PassBuilder
from tests.unit.operations.area_sweep import swept

TOP = 5.0


def square(x: float, y: float, side: float) -> Area:
    return Area.of_loops(Loop.polygon(np.array([[x, y], [x + side, y], [x + side, y + side], [x, y + side]])))


def test_highest_stock_left() -> None:
    cleared = Cleared()
    cleared.add(square(0, 0, 10), 4.0)
    cleared.add(square(10, 0, 10), 2.0)
    assert cleared.top_over(square(1, 1, 5), top_mm=TOP) == 4.0
    assert cleared.top_over(square(12, 1, 5), top_mm=TOP) == 2.0
    assert cleared.top_over(square(7, 1, 6), top_mm=TOP) == 4.0  # half of it stands at 4
    assert cleared.top_over(square(7, 6, 6), top_mm=TOP) == TOP  # a strip was never cut
    assert cleared.top_over(square(1, 1, 5), top_mm=3.5) == 3.5
    assert cleared.at(3.0).area_mm2 == pytest.approx(100)


def test_moves_are_read_as_the_discs_travel() -> None:
    path = PassBuilder("p", clearance_mm=9.0).start(0, 0).rapid_down(5.0)
    path.line(0, 0, 4.5, 50).line(3, 0, 4.0, 50)  # the ramp counts nothing
    path.line(10, 0, 4.0, 50)
    path.arc(12, 2, 4.0, centre=(10, 2), ccw=True, feed=50)
    path.arc(12, 2, 4.0, centre=(14, 2), ccw=False, feed=50)
    one = path.done()
    cleared = Cleared()
    cleared.add_passes([one], 1.5)
    truth = swept([one], 4.0, 1.5)
    assert cleared.at(4.0).area_mm2 == pytest.approx(truth.area, abs=0.05)
    assert cleared.at(4.0).shape.difference(truth.buffer(1e-3)).area == pytest.approx(0, abs=1e-9)
    assert cleared.at(3.9).is_empty
    assert cleared.top_over(Area.of_loops(Loop.circle(14, 2, 0.1)), top_mm=TOP) == TOP  # inside the ring
    assert math.isclose(cleared.top_over(Area.of_loops(Loop.circle(16, 2, 0.1)), top_mm=TOP), 4.0)
