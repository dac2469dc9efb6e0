"""The Z plan of the main job by hand: 4.8 plate, skin 0.25, stock below 0.25, handle 3.8. Closed forms."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest

from pipeline.job import read_job
from pipeline.model.nest import Nest, Zone
from pipeline.setups import nest_region, seat
from pipeline.setups.heights import bed_blocks, plan_setup, plan_z
from pipeline.setups.seating import nearest_on_outline

ROOT = Path(__file__).parents[3]


@pytest.fixture(scope="module")
def job():
    return read_job(ROOT / "configs/jobs/grafting-pair.yaml")


def test_heights(job):
    z = plan_z(job)
    assert z.bottom_of_part_mm() == pytest.approx(0.25 + 0.25)
    assert z.bottom_of_part_mm() + 3.8 == pytest.approx(4.3)
    assert (z.top_mm, z.top_low_mm) == pytest.approx((4.8, 4.77))
    assert z.top_high_mm == pytest.approx(4.8 + 0.03 + 0.05)
    assert z.clearance_mm >= 12 + 2  # the clamps are 12 high
    assert z.safe_mm > z.clearance_mm


def test_stops_are_drawn_round_their_circles(job):
    for stop in job.holding.stops:
        block = next(b for b in bed_blocks(job.holding) if b.name == stop.name)
        sides = [nearest_on_outline(block.outline, stop.x_mm, stop.y_mm)[2]]
        assert -sides[0] >= stop.radius_mm - 1e-9


def test_the_region_keeps_the_kerf_off_edge_and_cord(job):
    """Independent distances: every corner of the region against the measured outline and the cord's centre line."""
    seating = seat(job.billet, job.holding)
    region = nest_region(job, seating)
    kerf = job.crib.cutter(job.nest.outline_cutter).diameter_mm
    cord = seating.setup_from_billet.inverse().points(job.holding.gasket)
    for x, y in region.outline:
        assert -nearest_on_outline(job.billet.outline, x, y)[2] >= kerf + job.nest.edge_mm
        assert -nearest_on_outline(cord, x, y)[2] >= job.holding.gasket_width_mm / 2 + kerf
    (plate, edge, to_edge), (gasket, sealed, to_seal) = region.rims
    assert (plate, gasket) == ("the edge of the plate", "the gasket") and np.array_equal(edge, job.billet.outline)
    away = [(-nearest_on_outline(edge, x, y)[2] - to_edge, -nearest_on_outline(sealed, x, y)[2] - to_seal)
            for x, y in region.outline]  # fmt: skip
    assert max(abs(min(both)) for both in away) < 1e-3, "each corner is where one of the two says"
    names = {name for name, _, _ in region.keepouts}
    assert {"defect-1", "cam-right", "cam-back", "rest-back", "left"} <= names
    assert "run-off-front" not in names  # a sacrificial spacer may be cut
    assert min(gap for name, _, gap in region.keepouts if name.startswith("cam")) >= kerf + 2


def test_the_heights_carry_the_budget_under_the_skin(job):
    """The terms of J140; with Z zero on the top face the thickness too, as in J141."""
    z = plan_z(job)
    assert [mm for _, mm in z.errors_mm] == [0.05, 0.02, 0.02, 0.05]  # as the job and its billet say
    assert z.top_high_mm - z.top_mm == pytest.approx(job.billet.thickness_uncertainty_mm + job.billet.bow_mm)
    top = plan_z(dataclasses.replace(job, z=dataclasses.replace(job.z, zero="top")))
    assert sum(mm for _, mm in top.errors_mm) == pytest.approx(0.14 + job.billet.thickness_uncertainty_mm)


def test_the_setup_carries_the_hold(job):
    seating = seat(job.billet, job.holding)
    nothing = Nest(placements=(), least_gap_mm=0.0, least_edge_mm=0.0, parts_area_mm2=0.0, usable_area_mm2=1.0)
    setup = plan_setup(job, (), nothing, seating)
    assert setup.hold == job.holding.hold and setup.hold is not None
    assert setup.gasket_width_mm == job.holding.gasket_width_mm == 2.0


def test_the_region_knows_what_a_layout_is_judged_by(job):
    """In the billet's frame: what the bed's frame says, brought back by hand with the seating's own pose."""
    waves = Zone(name="waves", polygon=[[30, 50], [60, 50], [60, 80]], figure=0.9)
    billet = dataclasses.replace(job.billet, zones=(waves,), layers_rad=0.12)
    seating = seat(billet, job.holding)
    region = nest_region(dataclasses.replace(job, billet=billet), seating)
    assert (region.zones, region.layers_rad) == ((waves,), 0.12)
    assert np.array_equal(region.plate, billet.outline)
    there = seating.setup_from_billet.points(np.array([region.port_mm]))[0]
    assert there == pytest.approx(job.holding.port_mm)
    assert [name for name, _ in region.clamps] == ["cam-right", "cam-back"]
    cam = next(b for b in job.holding.blocks if b.name == "cam-back")
    assert seating.setup_from_billet.points(region.clamps[1][1]) == pytest.approx(cam.outline)
    cord = seating.setup_from_billet.inverse().points(job.holding.gasket)
    inward = [-nearest_on_outline(cord, x, y)[2] for x, y in region.sealed]
    assert min(inward) == pytest.approx(job.holding.gasket_width_mm / 2, abs=1e-3)
    assert region.kerf_mm == 3.0
