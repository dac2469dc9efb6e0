"""Loads as they are shown: the timeline, its columns, rows by operation, worst places."""

from __future__ import annotations

import json
import math
import re
from dataclasses import replace
from xml.etree import ElementTree

import numpy as np
import pytest

from pipeline.model.verdict import Timeline, WorstPlace
from pipeline.packet.nest_places import draw_place, draw_places
from pipeline.packet.simulated.stretches import (
    cutter_loads,
    flags_of,
    load_rows,
    name_of,
    start_of,
    worst_places,
)
from pipeline.packet.simulated.timeline import columns, draw_timeline, timeline_json, times_of_worst
from tests.unit.gcode import small
from tests.unit.packet.figures_by_hand import with_figures
from tests.unit.packet.test_page_html import inputs

PLAIN = {"units": "mm", "targets": [(2.0, "roughing")], "skin_mm": 0.25, "skin_needed_mm": 0.19, "flags": {}}
SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture(scope="module")
def verdict():
    given = inputs()
    return with_figures(given["verdict"], **{name: given[name] for name in ("plan", "program", "setup")})


@pytest.fixture(scope="module")
def loads(verdict):
    return verdict.loads


def long_loads(loads, n: int):
    """A program of n steps, for two cutters."""
    chance = np.random.default_rng(6)
    first, second = (replace(loads.stretches[0], cutter=k) for k in (1, 2))
    holding = np.where(chance.random(n) < 0.2, np.inf, chance.uniform(1, 9, n))
    line = Timeline(
        step_s=1.0,
        force_n=chance.uniform(0, 100, n),
        engaged_rad=chance.uniform(0, 6, n),
        holding=holding,
        skin_mm=np.sort(chance.uniform(0.2, 5, n))[::-1],
        stretch=(np.arange(n) >= n // 4).astype(np.int32),
    )
    return replace(loads, stretches=(first, second), timeline=line)


@pytest.mark.parametrize("n", [1, 7, 600, 601, 4999])
def test_columns_hold_the_worst_of_their_steps(loads, n):
    many = long_loads(loads, n)
    at, line = columns(many), many.timeline
    each = round(at.step_s / line.step_s)
    assert len(at.force_n) <= 600
    assert len(at.force_n) == math.ceil(n / each)
    for k in range(len(at.force_n)):
        part = slice(k * each, (k + 1) * each)
        assert at.force_n[k] == max(line.force_n[part])
        assert at.holding[k] == min(line.holding[part])
        assert at.skin_mm[k] == min(line.skin_mm[part])
        assert at.engaged_deg[k] == pytest.approx(math.degrees(max(line.engaged_rad[part])))
        worst = max(range(n)[part], key=lambda j: line.force_n[j])
        assert at.stretch[k] == line.stretch[worst]


def drawing(loads, **changes) -> ElementTree.Element:
    text = draw_timeline(columns(loads), loads, **PLAIN | changes)
    return ElementTree.fromstring(text.replace("<svg", f'<svg xmlns="{SVG[1:-1]}"', 1))


def test_a_step_is_drawn_at_its_time_and_height(loads):
    """Four steps of one minute, forces 0, 50, 100, 20 N on a strip of 78 px up to 100 N."""
    line = Timeline(
        step_s=60.0,
        force_n=np.array([0.0, 50, 100, 20]),
        engaged_rad=np.zeros(4),
        holding=np.full(4, np.inf),
        skin_mm=np.full(4, 1.0),
        stretch=np.zeros(4, dtype=np.int32),
    )
    text = draw_timeline(columns(replace(loads, timeline=line)), loads, **PLAIN)
    assert 'd="M0 78H1V39H2V0H3V62.4H4" fill="none"' in text
    words = [e.text for e in drawing(replace(loads, timeline=line)).iter(f"{SVG}text")]
    assert {"0", "50", "100"} <= set(words)


def test_a_gap_in_the_hold_is_not_drawn_and_a_weak_hold_is_black(loads):
    line = Timeline(
        step_s=60.0,
        force_n=np.ones(4),
        engaged_rad=np.zeros(4),
        holding=np.array([4.0, np.inf, 1.0, 4.0]),
        skin_mm=np.full(4, 1.0),
        stretch=np.zeros(4, dtype=np.int32),
    )
    text = draw_timeline(columns(replace(loads, timeline=line)), loads, **PLAIN)
    assert 'd="M0 15.6H1M2 62.4H3V15.6H4"' in text, "5 at the top: the next round number over 4"
    assert text.count('class="weak"') == 1
    assert '<path class="weak" d="M2 46.8V62.4H3V46.8Z" fill="#000"/>' in text, "between 2 asked for and 1 found"


def test_without_a_hold_there_are_three_strips(loads):
    titles = [e.text for e in drawing(loads, targets=[]).iter(f"{SVG}text") if e.get("font-weight") == "700"]
    assert not any((title or "").startswith("Hold") for title in titles)
    assert any((title or "").startswith("Thinnest skin") for title in titles)


def test_inches_on_the_skin(loads):
    text = draw_timeline(columns(loads), loads, **PLAIN | {"units": "in", "skin_mm": 0.254})
    assert "Thinnest skin so far, in" in text
    assert "planned: 0.0100" in text


def test_cutters_too_short_for_their_names_share_one(loads):
    n = 400
    many = long_loads(loads, n)
    stretches = tuple(replace(many.stretches[0], cutter=k) for k in (1, 7, 8, 9, 3))
    where = np.repeat(np.arange(5), [200, 5, 5, 5, 185]).astype(np.int32)
    many = replace(many, stretches=stretches, timeline=replace(many.timeline, stretch=where))
    words = [e.text for e in drawing(many).iter(f"{SVG}text")]
    assert [word for word in words if re.fullmatch(r"T\d+( … T\d+)?", word or "")] == ["T1", "T7 … T9", "T3"]


def test_a_flag_stands_at_its_time(loads):
    many = long_loads(loads, 200)
    flag = [e for e in drawing(many, flags={"force": (50.0, "W1")}).iter(f"{SVG}svg") if e.get("overflow")]
    assert [e.get("x") for e in flag] == ["25.000%"]
    assert [e.text for e in flag[0].iter(f"{SVG}text")] == ["W1"]


def test_the_read_out_has_what_is_drawn_and_ends_no_script(loads):
    at = columns(loads)
    names = ["</script><b>"] * len(loads.stretches)
    text = timeline_json(at, loads, names=names)
    assert "<" not in text
    data = json.loads(text)
    assert data["force"] == [round(v) for v in at.force_n.tolist()]
    assert data["hold"] == [None if math.isinf(v) else math.floor(v * 100) / 100 for v in at.holding.tolist()]
    assert data["stretches"][0][1:] == [
        loads.stretches[0].cutter,
        loads.stretches[0].first_line,
        loads.stretches[0].last_line,
    ]


def test_the_name_of_a_heading():
    assert name_of("(clip-1/inside-face/face, T1, Z 4.8000 to 3.5000)") == "clip-1/inside-face/face"
    assert name_of("clip-1/edge/outline") == "clip-1/edge/outline"
    assert name_of("") == "no heading"


def test_copies_and_hands_share_a_row_while_one_cutter_is_in(loads):
    one = loads.stretches[0]

    def made(part, cutter, force, seconds, mean, first):
        return replace(
            one,
            heading=f"({part}/bore/drill, T{cutter})",
            cutter=cutter,
            force_peak_n=force,
            cutting_s=seconds,
            engaged_mean_rad=math.radians(mean),
            holding=300 / force,
            first_line=first,
        )

    stretches = (
        made("stud-1", 3, 10.0, 60.0, 40.0, 11),
        made("stud-2", 3, 30.0, 20.0, 80.0, 22),
        made("left", 3, 5.0, 1.0, 1.0, 33),
        made("right", 3, 6.0, 1.0, 1.0, 44),
        made("stud-1", 4, 1.0, 1.0, 1.0, 55),
        made("stud-3", 4, 1.0, 0.0, 1.0, 66),
    )
    rows = load_rows(replace(loads, stretches=stretches), {"left": "handle", "right": "handle"})
    assert [(row.cutter, row.parts, row.line) for row in rows] == [
        (3, "stud-1, 2", 22),
        (3, "left; right", 44),
        (4, "stud-1", 55),
    ]
    assert (rows[0].cutting_s, rows[0].force_n, rows[0].holding) == (80.0, 30.0, 10.0)
    assert rows[0].engaged_mean_deg == pytest.approx((60 * 40 + 20 * 80) / 80)
    assert [(c.cutter, c.force_n, c.line) for c in cutter_loads(replace(loads, stretches=stretches))] == [
        (3, 30.0, 22),
        (4, 1.0, 55),
    ]


def test_worst_places_are_few_of_different_cutters_and_the_least_of_what_should_be_large(loads):
    def place(quantity, value, cutter, line):
        return WorstPlace(
            quantity=quantity, value=value, unit="N", line=line, cutter=cutter, heading="(a/b/c)", at_mm=(0, 0, 0)
        )

    given = [
        place("holding", 9.0, 1, 5),
        place("force", 10.0, 1, 6),
        place("force", 30.0, 1, 7),
        place("force", 20.0, 2, 8),
        place("force", 15.0, 3, 9),
        place("holding", 2.0, 2, 10),
        place("holding", math.inf, 3, 11),
    ]
    worst = worst_places(replace(loads, worst=tuple(given)), frozenset())
    assert [(one.number, one.place.quantity, one.place.value) for one in worst] == [
        ("W1", "force", 30.0),
        ("W2", "force", 20.0),
        ("W3", "holding", 2.0),
        ("W4", "holding", 9.0),
    ]
    assert flags_of(worst, {"force": 3.5, "holding": 5.0, "skin": 7.0}) == {
        "force": (3.5, "W1"),
        "holding": (5.0, "W3"),
    }


def test_a_drill_all_round_in_stock_is_no_worst_place(loads):
    def place(quantity, value, cutter):
        return WorstPlace(
            quantity=quantity, value=value, unit="", line=cutter, cutter=cutter, heading="(a/b/c)", at_mm=(0, 0, 0)
        )

    given = (place("engagement", 360.0, 8), place("engagement", 170.0, 1), place("torque", 0.5, 8))
    worst = worst_places(replace(loads, worst=given), frozenset({8}))
    assert [(one.place.quantity, one.place.cutter) for one in worst] == [("engagement", 1), ("torque", 8)]


def test_flags_stand_where_the_drawing_is_at_its_worst(loads):
    line = Timeline(
        step_s=10.0,
        force_n=np.array([1.0, 5, 9, 9]),
        engaged_rad=np.array([2.0, 1, 1, 1]),
        holding=np.array([np.inf, 3.0, 4.0, 2.0]),
        skin_mm=np.array([4.0, 0.3, 0.3, 0.3]),
        stretch=np.zeros(4, dtype=np.int32),
    )
    times = times_of_worst(columns(replace(loads, timeline=line)))
    assert times == {"force": 25.0, "engagement": 5.0, "holding": 35.0, "skin": 15.0}


def test_a_line_is_come_to_from_the_start_before_it():
    program = small.program()
    starts = [start.line for start in program.starts]
    assert start_of(program, starts[1]) == starts[1]
    assert start_of(program, starts[1] - 1) == starts[0]
    assert start_of(program, starts[0] - 1) is None


def test_flags_on_the_plate_do_not_cover_each_other():
    marks = [(20.0 + 5 * (k % 6), 20.0 + 5 * (k // 6), f"W{k}") for k in range(18)]
    text = draw_places(inputs()["setup"], marks, title="places")
    assert text.count('class="flag"') == 18
    boxes = [
        tuple(map(float, found))
        for found in re.findall(
            r'<rect x="([-\d.]+)" y="([-\d.]+)" width="([\d.]+)" height="([\d.]+)" fill="#fff" stroke', text
        )
    ]
    covered = [
        (a, b)
        for i, a in enumerate(boxes)
        for b in boxes[:i]
        if a[0] < b[0] + b[2] - 0.02
        and b[0] < a[0] + a[2] - 0.02
        and a[1] < b[1] + b[3] - 0.02
        and b[1] < a[1] + a[3] - 0.02
    ]
    assert len(covered) <= 4, "eighteen places in 25 x 10 mm are worse than any job"


def test_places_at_one_spot_share_a_flag():
    text = draw_places(inputs()["setup"], [(20, 20, "W1"), (21, 20, "W2"), (60, 20, "W3")], title="places")
    assert text.count('class="flag"') == 2
    assert ">W1, W2</text>" in text


def test_a_findings_picture_has_a_cross_and_its_amount():
    text = draw_place(30.0, 20.0, number="3", units="mm", amount="0.034 mm")
    cross = re.search(r'<path class="cross" d="([^"]+)"', text)[1]
    ends = [
        (float(x) + float(dx) / 2, float(y) + float(dy) / 2)
        for x, y, dx, dy in re.findall(r"M([-\d.]+) ([-\d.]+)l([-\d.]+) ([-\d.]+)", cross)
    ]
    assert np.mean(ends, axis=0) == pytest.approx((30.0, -20.0))
    assert ">0.034 mm</text>" in text
    assert "0.034" not in draw_place(30.0, 20.0, number="3", units="mm")
