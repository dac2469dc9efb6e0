"""The hide benchmark on its INVENTED instance, and its own check on results with a fault put in."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import pytest

from tests.bench import hides


@cache
def laid() -> tuple[hides.Laid, ...]:
    return tuple(hides.solve(hides.invented(), rounds=1, seed=1))


def test_pieces_lie_on_hides_clear_of_holes_zones_and_each_other() -> None:
    found = hides.check(hides.invented(), laid())
    assert found["faults"] == []
    first = found["by_hide"][0]
    # 260 x 90; 300 x 80 + 80 x 220; by the shoelace formula
    area = {0: 23400.0, 1: 41600.0, 2: 21600.0}
    assert first["area"] == pytest.approx(sum(area[one.piece] for one in laid() if one.hide == (0, 0)))
    assert first["density"] > 0.5


def test_threads_do_not_matter() -> None:
    assert tuple(hides.solve(hides.invented(), rounds=1, seed=1, threads=2)) == laid()


@pytest.mark.parametrize("change, words", [
    ({"x": 5000.0}, "reaches out"), ({"piece": 0, "angle_rad": 0.1}, "turned by"), ({"piece": 99}, "no such piece"),
    ({"hide": (7, 0)}, "no such piece"), ({"y": float("nan")}, "no such piece"),
])
def test_the_check_finds_what_is_wrong(change: dict, words: str) -> None:
    result = [replace(laid()[0], **change), *laid()[1:]]
    assert any(words in fault for fault in hides.check(hides.invented(), result)["faults"])


def test_the_check_finds_a_piece_twice_in_one_place() -> None:
    faults = hides.check(hides.invented(), [*laid(), laid()[0]])["faults"]
    assert any("overlap" in fault for fault in faults)
    assert any("6 laid, 5 wanted" in fault for fault in faults)


def square(side: float, x: float, y: float) -> list[list[float]]:
    return [[x, y], [x + side, y], [x + side, y + side], [x, y + side]]


@pytest.mark.parametrize("x, least, words", [
    (20, 1, ""),  # touches the edge, a zone of lesser quality and the hole
    (20 - 2e-6, 1, "reaches out"), (20 + 2e-6, 1, "hole"), (20, None, ""),
    (40, 1, "hole"), (60, 1, ""), (60, None, "quality 1"), (80, 1, "quality 0"), (80, 2, "quality 0"),
    (60, 2, "quality 1"),
])
def test_touching_is_allowed_and_two_millionths_are_not(x: float, least: int | None, words: str) -> None:
    """A strip 20 high from x = 20: 20 of full quality, a hole, zones of quality 1 and 0, each 20 long."""
    data = {"kind": "multi_container", "containers": [{
        "id": 0, "stock": 1, "outer": [[20, 0], [100, 0], [100, 20], [20, 20]], "holes": [square(20, 40, 0)],
        "zones": [{"quality": 1, "polygon": square(20, 60, 0)}, {"quality": 0, "polygon": square(20, 80, 0)}]}],
        "items": [{"id": 0, "demand": 1, "min_quality": least, "allowed_rotations_deg": [0],
                   "polygon": square(20, 0, 0)}]}
    faults = hides.check(data, [hides.Laid(hide=(0, 0), piece=0, x=x, y=0.0, angle_rad=0.0)])["faults"]
    assert (faults == []) if not words else any(words in fault for fault in faults)
