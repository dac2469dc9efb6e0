"""The search goes by rounds: ended early it has the nest of fewer rounds, and it says how far it is."""

from __future__ import annotations

from dataclasses import replace

import pytest

from pipeline.errors import BadInput
from pipeline.model.digests import digest
from pipeline.model.loop import Loop
from pipeline.nest import place_parts
from tests.reference.packings import plain_part, plain_region, rectangle, request, ring, slotted


def _case():
    parts = [plain_part("long", slotted(50, 14, 5)), plain_part("stud", Loop.circle(0, 0, 3.5))]
    asked = [request("long", 2, value=30), request("stud", None, value=3)]
    region = plain_region(rectangle(90, 48), edge_gap_mm=1.5, keepouts=(("hole", ring(12, 4) + [50, 30], 2.0),))
    return {"parts": parts, "requests": asked, "region": region, "gap_mm": 1.8, "seed": 5}


def _ended_after(rounds: int, **more):
    told = []
    nest = place_parts(**_case(), effort=9, tell=told.append, stop=lambda: len(told) >= rounds, **more)
    return nest, told


@pytest.fixture(scope="module")
def two():
    return place_parts(**_case(), effort=2)


def test_ended_early_is_the_nest_of_as_many_rounds(two) -> None:
    nest, _ = _ended_after(2)
    assert (nest.rounds, nest.is_ended_early) == (2, True)
    assert (two.rounds, two.is_ended_early) == (2, False)
    assert digest(replace(nest, is_ended_early=False)) == digest(two)
    assert digest(_ended_after(2, workers=2)[0]) == digest(nest)
    assert digest(_ended_after(1)[0].placements) != digest(two.placements)  # else the above says nothing


def test_every_round_is_told(two) -> None:
    nest, told = _ended_after(2)
    assert [(at.rounds, at.of) for at in told] == [(1, 9), (2, 9)]
    assert [at.value for at in told] == sorted(at.value for at in told)
    last = told[-1]
    assert last.studs == sum(p.part == "stud" for p in nest.placements)
    assert last.value == 2 * 30 + 3 * last.studs
    assert last.share == pytest.approx(nest.parts_area_mm2 / nest.usable_area_mm2)


def test_a_search_that_is_done_is_not_ended_early() -> None:
    """Asked to end after its last round, and where no round could gain anything."""
    assert not place_parts(**_case(), effort=1, stop=lambda: True).is_ended_early
    case = _case()
    nest = place_parts(**(case | {"parts": case["parts"][:1], "requests": case["requests"][:1]}), effort=9,
                       stop=lambda: True)
    assert (nest.rounds, nest.is_ended_early) == (1, False)


def test_without_a_layout_the_search_goes_on_to_its_refusal() -> None:
    case = _case() | {"region": plain_region(rectangle(55, 31), edge_gap_mm=1.0)}  # 14 + 1.8 + 14 + 2 = 31.8
    with pytest.raises(BadInput) as caught:
        place_parts(**case, effort=2, stop=lambda: True)
    assert [f.code for f in caught.value.findings] == ["N203"]
