"""Webs between kerfs: what is one, how thick it is, and that discs go where they leave none that is too thin."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import numpy as np
import pytest

from pipeline.model.loop import Loop
from pipeline.model.nest import Silhouette
from pipeline.nest import place_parts
from pipeline.nest.place import make_task
from pipeline.nest.task import Layout
from pipeline.nest.webs import find_webs, spread_webs
from tests.reference.nest_measure import least_distances
from tests.reference.packings import plain_part, plain_region, rectangle, request

KERF = 1.5
STUD, SLAB = Loop.circle(0, 0, 3.5), rectangle(40, 20)
PARTS = [Silhouette(name=name, outline=plain_part(name, outline).outline)
         for name, outline in (("slab", SLAB), ("stud", STUD))]  # fmt: skip
PLATE = rectangle(100, 60)


def region(**more):
    return replace(plain_region(rectangle(94, 54) + (3, 3)), kerf_mm=KERF, **more)


def task(where=None):
    asked = [request("slab", 1), request("stud", None)]
    return make_task(PARTS, asked, where or region(), gap_mm=2.0, seed=1, effort=1, workers=1)


def webs(*poses, which=None, limit_mm=0.0, **more):
    kinds = task().kinds
    at = np.array(poses, dtype=float)
    return find_webs(kinds, which or (1,) * len(at), at, region(**more), limit_mm=limit_mm)


@pytest.mark.parametrize(("apart", "web"), [(9.0, None), (10.0, None), (10.25, 0.25), (13.0, 3.0)])
def test_a_web_begins_where_two_kerfs_part(apart, web):
    """Studs of 7 with kerfs of 1.5: centres 10 apart and the kerfs touch."""
    found = webs((20, 20, 0), (20 + apart, 20, 0))
    assert [w.thick_mm for w in found] == ([] if web is None else [pytest.approx(web)])


def test_a_web_to_the_edge_of_the_plate():
    (found,) = webs((5.5, 30, 0), plate=PLATE)
    assert (found.first, found.second, found.thick_mm) == (0, None, pytest.approx(5.5 - 3.5 - KERF))


def test_all_thin_webs_are_found_thinnest_first():
    chance = np.random.default_rng(3)
    for _ in range(10):
        at = np.column_stack([chance.uniform((10, 10), (90, 50), (25, 2)), np.zeros(25)])
        gaps = sorted(math.dist(p[:2], q[:2]) - 10.0 for p, q in itertools.combinations(at, 2))
        thick = [g for g in gaps if g > 1e-6]
        expected = [g for g in thick if g < 0.8] or thick[:1]
        assert [w.thick_mm for w in webs(*at, limit_mm=0.8)] == pytest.approx(expected)


def test_discs_are_moved_out_of_thin_webs_and_keep_every_gap():
    where = region(plate=PLATE)
    job = task(where)
    at = np.array([(30, 20, 0), (30, 36.7, 0), (70, 30, 0), (80.3, 30, 0)], dtype=float)  # webs of 0.2 and 0.3
    layout = Layout(which=(0, 1, 1, 1), poses=at, n_held=0, score=0.0)
    assert len(find_webs(job.kinds, layout.which, at, where, limit_mm=0.6)) == 2
    moved = spread_webs(job, layout, where, limit_mm=0.6)
    found = find_webs(job.kinds, moved.which, moved.poses, where, limit_mm=0.6)
    assert all(w.thick_mm >= 0.6 for w in found)
    assert np.array_equal(moved.poses[0], at[0]), "a body that is no disc stays"
    assert np.abs(moved.poses - at).max() <= 2 * 0.6 + 1e-9


def test_a_disc_that_is_fixed_stays():
    fixed = ((70.0, 30.0, 0.0), (80.3, 30.0, 0.0))
    asked = [request("slab", 1, fixed=((10, 10, 0),)), request("stud", 2, fixed=fixed)]
    nest = place_parts(PARTS, asked, region(), gap_mm=2.0, seed=1, effort=1, web_mm=0.6)
    assert nest.least_web_mm == pytest.approx(0.3)
    (finding,) = nest.findings
    assert (finding.code, finding.severity) == ("N207", "warning")
    assert "0.300 mm between its kerf and that of stud-1" in finding.found
    assert finding.hint.startswith("move the pin;"), "no seed moves it"


def test_a_pin_beside_the_edge_is_to_move_and_beside_what_is_free_the_seed_may_help():
    where = region(plate=PLATE)
    pinned = [request("stud", 1, fixed=((6.7, 30.0, 0.0),))]
    (finding,) = place_parts(PARTS, pinned, where, gap_mm=2.0, seed=1, effort=1, web_mm=2.0).findings
    assert "the plate's edge" in finding.found and finding.hint.startswith("move the pin;")
    free = [request("slab", 1), request("stud", 1, fixed=((50.0, 30.0, 0.0),))]
    (finding,) = place_parts(PARTS, free, where, gap_mm=2.0, seed=1, effort=1, web_mm=50.0).findings
    assert finding.hint.startswith("another seed or more effort;")


def test_a_nest_says_its_least_web_and_with_a_limit_has_fewer_thin_ones():
    asked = [request("slab", 1), request("stud", None)]
    where = region(plate=PLATE)
    loose = place_parts(PARTS, asked, where, gap_mm=2.0, seed=2, effort=2)
    kept = place_parts(PARTS, asked, where, gap_mm=2.0, seed=2, effort=2, web_mm=0.5)
    assert loose.findings == ()
    assert len(kept.placements) == len(loose.placements)
    assert kept.least_web_mm >= loose.least_web_mm
    gap, edge = least_distances(kept, [plain_part("slab", SLAB), plain_part("stud", STUD)], where)
    assert gap >= 2.0 - 1e-6 and edge >= -1e-6
    assert [t.name for t in kept.terms] == ["value", "remnant"]
