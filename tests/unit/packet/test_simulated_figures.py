"""Figures of the simulation in the summary: what is said, how it is rounded, and that it is JSON."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import numpy as np
import pytest

from pipeline.model.job import Tolerances
from pipeline.model.verdict import PartMap
from pipeline.packet.simulated.figures import simulated
from pipeline.packet.summary import as_text, summarise
from tests.unit.gcode import small
from tests.unit.packet.figures_by_hand import with_figures
from tests.unit.packet.test_page_html import inputs

TOLERANCES = Tolerances(wall_mm=0.02, floor_mm=0.02, left_mm=0.05)


@pytest.fixture(scope="module")
def given():
    shared = inputs()
    verdict = with_figures(shared["verdict"], plan=shared["plan"], program=shared["program"], setup=shared["setup"])
    return {name: shared[name] for name in shared if name not in {"summary", "is_forced", "status"}} | {
        "verdict": verdict
    }


def test_everything_that_was_worked_out_is_in_the_summary(given):
    summary, verdict = summarise(n_kept=None, **given), given["verdict"]
    loads = summary["loads"]
    assert [row["heading"] for row in loads["stretches"]] == [one.heading for one in verdict.loads.stretches]
    for row, one in zip(loads["stretches"], verdict.loads.stretches, strict=True):
        assert set(row) == set(type(one).__dataclass_fields__)
        assert row["force_peak_n"] == pytest.approx(one.force_peak_n, abs=0.05)
        assert row["deflection_peak_mm"] == pytest.approx(one.deflection_peak_mm, abs=0.00005)
    assert len(loads["worst"]) == len(verdict.loads.worst)
    assert {len(row) for name, row in loads["timeline"].items() if name != "step_s"} == {
        len(verdict.loads.timeline.force_n)
    }
    assert loads["uncertainty"] == 0.3
    assert loads["assumed"] == list(verdict.loads.assumed)
    hold = summary["hold"]
    assert (hold["gauge_least_kpa"], hold["gauge_planned_kpa"], hold["target"]) == (71.3, 85.0, 2.0)
    assert [row["what"] for row in hold["freed"]] == [one.what for one in verdict.holding.freed]
    assert hold["freed"][0]["severed_line"] > 0
    assert len(summary["features"]) == len(verdict.features)
    assert summary["skin_needs_mm"]["bow of the plate"] == 0.05
    assert summary["caps"] == [{"first_line": 40, "last_line": 44, "feed_factor": 0.8, "reason": "deflection"}]


def test_what_was_not_worked_out_is_null(given):
    bare = inputs()
    summary = summarise(n_kept=None, **{name: bare[name] for name in given})
    assert summary["loads"] is None and summary["hold"] is None
    assert summary["features"] == summary["maps"] == summary["caps"] == []


def test_what_is_endless_is_null_and_the_text_is_strict_json(given):
    loads = given["verdict"].loads
    endless = replace(given["verdict"].holding, gauge_least_kpa=math.inf, least=math.inf)
    verdict = replace(given["verdict"], holding=endless)
    summary = summarise(n_kept=None, **given | {"verdict": verdict})
    assert np.isinf(loads.timeline.holding).any() and None in summary["loads"]["timeline"]["holding"]
    assert summary["hold"]["gauge_least_kpa"] is None and summary["hold"]["least"] is None
    text = as_text(summary)
    assert "Infinity" not in text and "NaN" not in text
    assert json.loads(text) == summary


def test_a_list_of_numbers_is_on_one_line_and_words_are_left_alone():
    data = {"a": [1, -2.5, None, 3e-07], "words": ["[\n 1,\n 2\n]", "x"], "b": [], "c": [[1, 2], [3]], "d": ["1", 2]}
    text = as_text(data)
    assert json.loads(text) == data
    assert '"a": [1, -2.5, null, 3e-07],\n' in text
    assert "[1, 2],\n" in text


def test_a_map_in_figures_by_hand():
    """Six judged cells of 0.5 mm: two are over a limit, one is just on it."""
    z = np.array([[np.nan, 0.05, 0.051], [-0.0205, 0.0, 0.01], [0.0, np.nan, np.nan]], dtype=np.float32)
    one = PartMap(part_id="a", x0_mm=0, y0_mm=0, cell_mm=0.5, deviation=z)
    verdict = replace(inputs()["verdict"], maps=(one,))
    (row,) = simulated(verdict, TOLERANCES)["maps"]
    assert row == {
        "part": "a",
        "judged_mm2": 1.5,
        "least_mm": -0.0205,
        "most_mm": 0.051,
        "share_over_limits": pytest.approx(2 / 6, abs=1e-5),
    }


def test_features_stand_in_order_and_say_whether_they_are_within(given):
    rows = summarise(n_kept=None, **given)["features"]
    keys = [(row["part"], row["feature"], row["quantity"]) for row in rows]
    assert keys == sorted(keys)
    assert {row["within"] for row in rows if row["measured"] is None} <= {None}
    shuffled = replace(given["verdict"], features=given["verdict"].features[::-1])
    assert summarise(n_kept=None, **given | {"verdict": shuffled})["features"] == rows


def test_same_text_twice(given):
    assert as_text(summarise(n_kept=None, **given)) == as_text(summarise(n_kept=None, **given))
    assert small.program().text  # the program the figures are laid over
