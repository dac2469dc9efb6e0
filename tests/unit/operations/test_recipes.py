"""The table of recipes, row by row."""

from __future__ import annotations

import pytest

from pipeline.model.loop import Loop
from pipeline.model.part import Chamfer, Feature, Hole, Mark, Pocket, Side, Surface
from pipeline.operations.recipes import NEXT_PROGRAM, RECIPES, SECOND_SIDE, STAGES, Case, recipe_for
from tests.unit.operations.shop_values import rectangle

AREA = rectangle(0, 0, 5, 5)


def hole(side: Side, *, through: bool = False) -> Hole:
    return Hole(id="h", side=side, x_mm=0, y_mm=0, diameter_mm=2.5, limits_mm=(2.45, 2.6), top_z_mm=3.8,
                bottom_z_mm=0 if through else 2, through=through)  # fmt: skip


FEATURES = {
    side: (
        Pocket(id="p", side=side, outer=AREA, top_z_mm=3.8, floor_z_mm=2.0, corner_radius_mm=1.0),
        Chamfer(id="c", side=side, loop=Loop.circle(0, 0, 1), z_mm=3.8, leg_mm=0.3, inward=True),
        Surface(id="s", side=side, region=AREA, low_z_mm=1, high_z_mm=2),
        Mark(id="m", side=side, region=AREA, z_mm=3.8, depth_mm=0.1),
    )
    for side in Side
}


def chosen(feature: Feature, *, is_open: bool = True, is_drillable: bool = False) -> tuple[tuple[str, ...], str, str]:
    recipe = recipe_for(Case(feature=feature, is_open=is_open, is_drillable=is_drillable))
    operation, setup = recipe.later or ("", "")
    return recipe.now, operation, setup


def test_holes() -> None:
    assert chosen(hole(Side.INSIDE), is_drillable=True) == (("spot", "drill"), "", "")
    narrow = recipe_for(Case(feature=hole(Side.INSIDE), is_open=True, is_drillable=False, is_narrow=True))
    assert narrow.now == ("spot", "drill", "bore")
    assert chosen(hole(Side.INSIDE)) == (("bore",), "", "")
    assert chosen(hole(Side.OUTER, through=True), is_drillable=True) == (("spot", "drill"), "", "")
    assert chosen(hole(Side.OUTER, through=True), is_open=False, is_drillable=True) == ((), "hole", SECOND_SIDE)
    assert chosen(hole(Side.OUTER), is_open=True, is_drillable=True) == ((), "hole", SECOND_SIDE)


@pytest.mark.parametrize(("index", "operation"), [(1, "chamfer"), (2, "3D surface"), (3, "engraving")])
def test_what_waits(index: int, operation: str) -> None:
    assert chosen(FEATURES[Side.INSIDE][index]) == ((), operation, NEXT_PROGRAM)
    assert chosen(FEATURES[Side.OUTER][index], is_open=False) == ((), operation, SECOND_SIDE)


def test_pockets() -> None:
    assert chosen(FEATURES[Side.INSIDE][0]) == (("pocket",), "", "")
    assert chosen(FEATURES[Side.OUTER][0], is_open=False) == ((), "pocket", SECOND_SIDE)


def test_every_row_either_cuts_or_says_where() -> None:
    for row in RECIPES:
        assert bool(row.now) != bool(row.later), row.when
        assert not row.later or row.reason
        assert set(row.now) <= set(STAGES)
