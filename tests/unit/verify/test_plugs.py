"""A plugged hole of the plate: what the hold and the ties take as plate. Areas by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.verify.removal import grid_over
from pipeline.verify.target import Comparison, build_target
from pipeline.verify.walls import build_solids
from tests.unit.verify import by_hand
from tests.unit.verify.by_hand import TOLERANCES


def plate_of(*holes: np.ndarray) -> np.ndarray:
    stud = by_hand.placed(by_hand.turned([(0.0, 0.0), (2.0, 0.0), (2.0, 3.0), (0.0, 3.0), (0.0, 0.0)]), 5.0, 9.0, 0.8)
    setup = replace(by_hand.setup(by_hand.box(20, 18), top=5.0, skin=0.3, parts=(stud,)), holes=holes)
    grid = grid_over(setup.billet, 0.02)
    target = build_target(setup, build_solids(setup, TOLERANCES), grid)
    times = Comparison(setup, target, TOLERANCES).times(setup)
    return times.plate.sum() * times.cell_mm**2


def test_a_plug_is_no_plate():
    whole = plate_of()
    assert whole == pytest.approx(20 * 18, rel=0.02)
    assert whole - plate_of(by_hand.box(6, 4, 10, 8)) == pytest.approx(24, rel=0.03)
    assert whole - plate_of(by_hand.box(6, 4, 10, 2), by_hand.box(3, 3, 12, 12)) == pytest.approx(33, rel=0.03)
