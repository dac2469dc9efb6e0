"""Feeds lowered by what checking a program asked for: in the passes named, down to the least chip, no move else."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.model.feedback import Cap, Feedback
from pipeline.model.toolpath import RAPID, HolePass, Operation, PathPass, Toolpath
from pipeline.operations.capped import capped
from tests.unit.operations.shop_values import drill, flat
from tests.unit.operations.test_plan import PIVOT, SCREW, SEAT, of, planned

CUTTER = replace(flat(3, 3.0), edge_radius_mm=0.004)  # least chip 0.3 x 0.004 = 0.0012 mm, three flutes
RPM = 5000.0
LEAST = 0.0012 * 3 * RPM  # 18 mm/min
ROWS = [(0, 0, 0, 10, 0, 0, 0), (1, 0, 0, 2, 0, 0, 30.0), (2, 5, 5, 2, 5, 0, 120.0), (1, 9, 5, 2, 0, 0, 15.0),
        (0, 9, 5, 10, 0, 0, 0)]  # fmt: skip


def path(*ids: str, note: str = "") -> Toolpath:
    operation = Operation(id="a/b/pocket", kind="pocket", part_id="a", feature_id="b", cutter=3, spindle_rpm=RPM,
                          feed_mm_min=120.0, top_z_mm=4.0, bottom_z_mm=2.0, note=note)  # fmt: skip
    return Toolpath(operation=operation, passes=tuple(PathPass(id=name, moves=np.array(ROWS)) for name in ids))


def cap(pass_id: str, factor: float, reason: str = "deflection", operation_id: str = "a/b/pocket") -> Cap:
    return Cap(operation_id=operation_id, pass_id=pass_id, feed_factor=factor, reason=reason)


def feeds(one: PathPass | HolePass) -> list[float]:
    return [one.feed_mm_min] if isinstance(one, HolePass) else one.moves[one.moves[:, 0] != RAPID, 6].tolist()


def test_only_the_feeds_of_the_pass_that_is_named_change() -> None:
    before = path("one", "two", note="climb")
    after = capped(before, Feedback(caps=(cap("two", 0.7),)), CUTTER)
    assert after.passes[0] is before.passes[0]
    assert feeds(after.passes[1]) == pytest.approx([21.0, 84.0, 15.0])  # 15 was under the least chip's feed before
    assert np.array_equal(after.passes[1].moves[:, :6], before.passes[1].moves[:, :6])
    assert after.operation.feed_mm_min == 120.0  # the other pass still runs at it
    assert after.operation.note == "climb; feed lowered to 70 % for deflection"
    assert replace(after.operation, note="climb") == before.operation


def test_no_feed_falls_under_the_least_chip() -> None:
    after = capped(path("one"), Feedback(caps=(cap("one", 0.01, "force"),)), CUTTER)
    assert feeds(after.passes[0]) == pytest.approx([LEAST, LEAST, 15.0])
    assert after.operation.feed_mm_min == pytest.approx(LEAST)
    assert after.operation.note == "feed lowered to 15 % for force"


def test_caps_of_other_passes_and_operations_change_nothing() -> None:
    before = path("one")
    for other in (cap("two", 0.5), cap("one", 0.5, operation_id="a/b/bore"), cap("one", 1.0)):
        assert capped(before, Feedback(caps=(other,)), CUTTER) is before
    assert capped(before, Feedback(), CUTTER) is before


def test_a_drilled_hole_is_slowed_too() -> None:
    hole = HolePass(id="one", cycle="peck", x_mm=1, y_mm=2, retract_z_mm=5, bottom_z_mm=1, peck_mm=0.5, feed_mm_min=80)
    before = replace(path("x"), passes=(hole,))
    after = capped(before, Feedback(caps=(cap("one", 0.5, "holding"),)), drill(8, 2.0))
    assert after.passes == (replace(hole, feed_mm_min=40.0),)


def test_a_plan_with_feedback_differs_in_the_named_feeds_alone() -> None:
    features = (SEAT, PIVOT, SCREW)
    before = planned(features)
    outline = of(before, "plate-1/edge/outline")
    wanted = Cap(operation_id=outline.operation.id, pass_id=outline.passes[0].id, feed_factor=0.8, reason="force")
    after = planned(features, feedback=Feedback(caps=(wanted,)))
    assert [t.operation.id for t in after.toolpaths] == [t.operation.id for t in before.toolpaths]
    for a, b in zip(after.toolpaths, before.toolpaths, strict=True):
        if a.operation.id != outline.operation.id:
            assert a.operation == b.operation
            assert all(feeds(x) == feeds(y) for x, y in zip(a.passes, b.passes, strict=True))
        else:
            assert max(feeds(a.passes[0])) == pytest.approx(0.8 * max(feeds(b.passes[0])))
            assert np.array_equal(a.passes[0].moves[:, :6], b.passes[0].moves[:, :6])
            assert a.operation.feed_mm_min == pytest.approx(0.8 * b.operation.feed_mm_min)
    assert after.findings == before.findings and len(after.not_cut) == len(before.not_cut)
