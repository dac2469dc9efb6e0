"""A time, or Ctrl-C, ends the nest's search and nothing else; a second Ctrl-C stops."""

from __future__ import annotations

import signal

import pytest

from pipeline.batch.cache import Cache
from pipeline.batch.nest_search import NestSearch
from pipeline.model.nest import Nest, Progress
from pipeline.stages import plainly


def _search(seconds: float | None = None):
    said: list[str] = []
    return NestSearch(seconds, say=said.append), said


def _press() -> None:
    signal.raise_signal(signal.SIGINT)


@pytest.mark.parametrize(("seconds", "is_over"), [(0.0, True), (3600.0, False), (None, False)])
def test_a_time_ends_the_search(seconds, is_over):
    search, _ = _search(seconds)
    assert search.around(plainly)("nest", {}, search.stop) is is_over


def test_ctrl_c_ends_the_search_and_a_second_one_stops(capsys):
    search, _ = _search()
    run = search.around(plainly)
    assert run("nest", {}, lambda: (_press(), search.stop())[1])
    assert "best so far" in capsys.readouterr().err
    again, _ = _search()
    with pytest.raises(KeyboardInterrupt):
        again.around(plainly)("nest", {}, lambda: (_press(), _press()))


def test_beside_the_nest_ctrl_c_stops_at_once():
    search, _ = _search()
    run = search.around(plainly)
    with pytest.raises(KeyboardInterrupt):
        run("solids", {}, _press)
    run("nest", {}, search.stop)
    with pytest.raises(KeyboardInterrupt):
        run("verify", {}, _press)


def test_progress_names_studs_value_and_area():
    search, said = _search()
    search.tell(Progress(rounds=3, of=20, studs=12, value=171.5, share=0.613))
    assert said == ["nest: round 3 of 20, 12 beyond the counted parts, value 171.5, 61.3 % of the usable area"]


def test_a_nest_that_was_ended_early_is_not_kept(tmp_path):
    def nest(rounds: int, *, is_ended_early: bool) -> Nest:
        return Nest(placements=(), least_gap_mm=1.0, least_edge_mm=1.0, parts_area_mm2=1.0, usable_area_mm2=1.0,
                    rounds=rounds, is_ended_early=is_ended_early)

    cache = Cache(tmp_path)
    assert cache.recall("nest", "in", lambda: nest(2, is_ended_early=True)).rounds == 2
    assert cache.recall("nest", "in", lambda: nest(9, is_ended_early=False)).rounds == 9
    assert cache.recall("nest", "in", lambda: nest(2, is_ended_early=True)).rounds == 9
