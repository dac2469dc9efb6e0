"""Pockets of the changer."""

from __future__ import annotations

import itertools

import pytest

from pipeline.gcode.pockets import plan_pockets


def test_enough_pockets_need_no_stop() -> None:
    loads = plan_pockets([4, 2, 4, 7], 3)
    assert [load.pocket for load in loads] == [1, 2, 1, 3]
    assert all(load.replaces is None for load in loads)


def test_the_cutter_needed_last_gives_way() -> None:
    loads = plan_pockets([1, 2, 3, 1, 2], 2)
    # At 3 the cutter 2 is in the spindle, so 1 must go although it is needed first.
    assert [load.replaces for load in loads] == [None, None, 1, 2, 3]


def swaps_at_best(order: tuple[int, ...], pockets: int) -> int:
    """Fewest swaps by trying everything."""
    states = {frozenset(list(dict.fromkeys(order))[:pockets]): 0}
    for k, cutter in enumerate(order):
        after: dict[frozenset[int], int] = {}
        for held, cost in states.items():
            if cutter in held:
                options = [(held, cost)]
            else:
                options = [(held - {out} | {cutter}, cost + 1) for out in held if out != order[k - 1] or len(held) == 1]
            for new, new_cost in options:
                after[new] = min(new_cost, after.get(new, new_cost))
        states = after
    return min(states.values())


@pytest.mark.parametrize("pockets", [1, 2, 3])
def test_never_more_swaps_than_needed(pockets: int) -> None:
    for order in itertools.product((1, 2, 3, 4), repeat=6):
        if any(a == b for a, b in itertools.pairwise(order)):
            continue  # neighbours with one cutter are one section
        loads = plan_pockets(order, pockets)
        assert sum(load.replaces is not None for load in loads) == swaps_at_best(order, pockets)


def test_no_pockets_is_refused() -> None:
    with pytest.raises(ValueError, match="at least 1"):
        plan_pockets([1], 0)
