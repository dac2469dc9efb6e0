"""The terms of a nest's score: closed cases for every mark, and what must never fall when something gets better.

Frames: parts have their centre at the middle of their box; poses are of the centre.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from pipeline.model.job import Worth
from pipeline.model.loop import Loop
from pipeline.model.nest import Region, Silhouette, Zone
from pipeline.nest import marks
from pipeline.nest.marks import Bodies
from pipeline.nest.merit import merits, score
from pipeline.nest.place import make_task
from pipeline.nest.task import Layout, Task
from tests.reference.packings import L_SHAPE, plain_part, rectangle, request

NO_WORTH = Worth()
ALL = Worth(figure=20, alike=30, layers=10, remnant=5, held=7)
ROUGH = 0.03  # of a mark found on cells of a millimetre
LEFT_L, RIGHT_L = L_SHAPE, (L_SHAPE * (1, -1))[::-1]
OUTLINES = {
    "clip": rectangle(40, 8), "handle-left": rectangle(100, 20), "handle-right": rectangle(100, 20),
    "ell-left": LEFT_L, "ell-right": RIGHT_L, "slab": rectangle(20, 60), "stud": Loop.circle(0, 0, 3.5),
}  # fmt: skip


def task_of(asked, *, size=(200.0, 150.0), gap_mm=2.0, worth=NO_WORTH, along=None, **region) -> Task:
    """A task on a plate with its lower left corner at the origin. `asked`: name to count."""
    requests = [replace(request(name, count, value=2.0), along_layers_rad=(along or {}).get(name))
                for name, count in asked.items()]
    parts = [Silhouette(name=name, outline=plain_part(name, OUTLINES[name]).outline) for name in asked]
    plate = Region(outline=rectangle(*size), edge_gap_mm=0.0, keepouts=region.pop("keepouts", ()), **region)
    return make_task(parts, requests, plate, gap_mm=gap_mm, seed=1, effort=1, workers=1, worth=worth)


def poses(*rows):
    return np.array([(x, y, math.radians(a)) for x, y, a in rows]).reshape(-1, 3)


def mark(task, judge, which, at):
    return judge(task.aims, Bodies.of(task.aims, which, at)).mark


def zone(x0, y0, x1, y1, figure, name="z"):
    return Zone(name=name, polygon=rectangle(x1 - x0, y1 - y0) + (x0, y0), figure=figure)


# --- figure -----------------------------------------------------------------------------------------------------------


def test_figure_is_the_mean_over_the_parts_by_area():
    zones = (zone(0, 0, 100, 150, 0.8), zone(100, 0, 200, 150, 0.2), zone(150, 0, 200, 150, 0.6))
    task = task_of({"clip": 1, "slab": 1}, zones=zones)
    assert mark(task, marks.figure, (0,), poses((50, 50, 20))) == pytest.approx(0.8)
    assert mark(task, marks.figure, (0,), poses((100, 50, 0))) == pytest.approx(0.5), "half on each"
    assert mark(task, marks.figure, (0,), poses((175, 50, 0))) == pytest.approx(0.6), "the later zone counts"
    both = (320 * 0.8 + 1200 * 0.2) / 1520  # areas 40 x 8 and 20 x 60
    assert mark(task, marks.figure, (0, 1), poses((50, 50, 0), (125, 75, 0))) == pytest.approx(both)


def test_a_plate_without_zones_is_not_judged_and_plain_plate_has_no_figure():
    at = poses((50, 50, 0))
    task = task_of({"clip": 1})
    assert marks.figure(task.aims, Bodies.of(task.aims, (0,), at)) is None
    task = task_of({"clip": 1}, zones=(zone(100, 100, 120, 120, 1.0),))
    assert mark(task, marks.figure, (0,), at) == 0.0


def test_a_better_zone_never_lowers_the_figure():
    chance = np.random.default_rng(5)
    for _ in range(20):
        x0, y0, x1, y1 = np.sort(chance.uniform(0, 150, (2, 2)), axis=0).ravel()
        figures = np.sort(chance.uniform(0, 1, 4))
        at = chance.uniform((20, 20, 0), (180, 130, 6), (2, 3))
        found = [mark(task_of({"clip": 2}, zones=(zone(x0, y0, x1 + 1, y1 + 1, f),)), marks.figure, (0, 0), at)
                 for f in figures]
        assert found == sorted(found)
        assert found[0] >= 0 and found[-1] <= figures[-1] + 1e-12


# --- layers -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("layers", "along", "turn", "expected"), [
    (0, 0, 0, 1.0), (0, 0, 180, 1.0), (7, 0, 7, 1.0), (0, 90, 90, 1.0), (7, 12, -5, 1.0),
    (0, 0, 30, 0.75), (0, 0, -30, 0.75), (30, 0, 0, 0.75), (0, 0, 45, 0.5), (0, 0, 90, 0.0),
])  # fmt: skip
def test_layers_is_the_share_of_a_stress_along_them(layers, along, turn, expected):
    """A stress s at an angle a to a direction is s cos2 a along it (Mohr's circle, from memory)."""
    task = task_of({"clip": 1}, layers_rad=math.radians(layers), along={"clip": math.radians(along)})
    assert mark(task, marks.layers, (0,), poses((50, 50, turn))) == pytest.approx(expected)


def test_layers_is_the_mean_of_the_parts_that_want_it_and_falls_with_the_angle():
    task = task_of({"clip": 2, "slab": 1}, layers_rad=0.0, along={"clip": 0.0})
    at = poses((50, 50, 0), (50, 100, 60), (150, 75, 33))
    assert mark(task, marks.layers, (0, 0, 1), at) == pytest.approx((1 + 0.25) / 2)
    found = [mark(task, marks.layers, (0,), poses((50, 50, a))) for a in range(0, 91, 5)]
    assert found == sorted(found, reverse=True)
    assert found[0] > found[1]


@pytest.mark.parametrize("missing", ["layers", "along"])
def test_layers_need_both_directions(missing):
    more = {"layers_rad": 0.0} if missing == "along" else {"along": {"clip": 0.0}}
    task = task_of({"clip": 1}, **more)
    assert marks.layers(task.aims, Bodies.of(task.aims, (0,), poses((50, 50, 0)))) is None


# --- alike ------------------------------------------------------------------------------------------------------------

HANDLES = {"handle-left": 1, "handle-right": 1}


def alike(left, right, **region):
    return mark(task_of(HANDLES, **region), marks.alike, (0, 1), poses(left, right))


@pytest.mark.parametrize("layers", [None, 0.0])
def test_a_pair_mirrored_exactly_side_by_side_is_perfect(layers):
    """Width 20 and gap 2: centres 22 apart."""
    assert alike((80, 50, 0), (80, 72, 0), layers_rad=layers) == pytest.approx(1.0)
    assert alike((80, 50, 0), (80, 72, 180), layers_rad=layers) == pytest.approx(1.0)


def test_a_pair_is_less_alike_the_farther_apart_it_lies():
    """In steps of half the length, each with half of the half that nearness has: the length is 102 corner to corner."""
    length = math.hypot(100, 20)
    expected = [1.0, 0.75, 0.5, 0.5]
    found = [alike((80, 20, 0), (80, 42 + d, 0), size=(200, 300)) for d in (0, length / 2, length, 1.5 * length)]
    assert found == pytest.approx(expected)


@pytest.mark.parametrize(("left", "right", "expected"), [
    (1.5, 1.5, 1.0),     # 3 degrees between one grain and the image of the other: looks the same
    (10, -10, 1.0),      # mirrored about the layers
    (100, -100, 1.0),    # likewise, across them
    (10, 10, 0.0),       # one grain climbs to the tail, the other falls: 20 degrees
    (5.75, 5.75, 0.5),   # 11.5 degrees: halfway from 3 to 20
])  # fmt: skip
def test_the_grain_of_a_pair_is_compared_as_in_a_mirror(left, right, expected):
    task = task_of({"ell-left": 1, "ell-right": 1}, layers_rad=0.0)
    near = task.aims.pairs[0].near_mm
    at = poses((60, 50, left), (60, 50 + near, right))
    assert mark(task, marks.alike, (0, 1), at) == pytest.approx(expected)


def test_without_the_layers_parts_turned_alike_are_taken_as_alike():
    assert alike((80, 50, 40), (80, 72, 40)) == pytest.approx(1.0)
    assert alike((80, 50, 40), (80, 72, 61)) == 0.0


def test_figure_of_a_pair_is_compared_where_one_answers_the_other():
    """An L and its image across y = 60, on zones that have the same image: alike; moved along by the zone: not."""
    zones = (zone(0, 0, 60, 150, 1.0),)
    task = task_of({"ell-left": 1, "ell-right": 1}, zones=zones, layers_rad=0.0)
    near = task.aims.pairs[0].near_mm
    above, below = 60 + near / 2, 60 - near / 2
    assert mark(task, marks.alike, (0, 1), poses((60, above, 0), (60, below, 0))) == pytest.approx(1.0)
    apart = 1 - (math.hypot(40, near) - near) / task.aims.pairs[0].long_mm
    moved = mark(task, marks.alike, (0, 1), poses((40, above, 0), (80, below, 0)))
    assert moved == pytest.approx(apart / 2), "one on figure 1, the other on 0"


def test_copies_of_a_pair_are_matched_as_suits_best():
    task = task_of({"handle-left": 2, "handle-right": 2})
    at = poses((60, 20, 0), (60, 100, 0), (60, 122, 0), (60, 42, 0))
    assert mark(task, marks.alike, (0, 0, 1, 1), at) == pytest.approx(1.0)


# --- remnant ----------------------------------------------------------------------------------------------------------


def test_a_remnant_in_one_piece_beats_two():
    """A 20 x 60 slab on a plate of 102 x 60: at its end 80 mm of 82 are left; in the middle twice 39."""
    task = task_of({"slab": 1}, size=(102, 60))
    at_end = marks.remnant(task.aims, (0,), poses((10, 30, 0)))
    in_middle = marks.remnant(task.aims, (0,), poses((51, 30, 0)))
    assert at_end.mark > 0.95
    assert in_middle.mark == pytest.approx(39 / 81, abs=ROUGH)
    found = [marks.remnant(task.aims, (0,), poses((x, 30, 0))).mark for x in (10, 20, 30, 40, 50)]
    assert sorted(found[1:], reverse=True) == found[1:]


def test_strips_narrower_than_the_widest_counted_part_are_no_remnant():
    task = task_of({"slab": 2}, size=(102, 60))
    assert marks.remnant(task.aims, (0, 0), poses((29, 30, 0), (70, 30, 0))).mark == 0.0


def test_every_stud_can_only_take_from_the_remnant():
    task = task_of({"slab": 1, "stud": None}, size=(102, 60))
    chance, which, at = np.random.default_rng(2), [0], [(10.0, 30.0, 0.0)]
    before = marks.remnant(task.aims, which, np.array(at)).mark
    for _ in range(12):
        which.append(1)
        at.append((*chance.uniform((28, 5), (97, 55)), 0.0))
        after = marks.remnant(task.aims, which, np.array(at)).mark
        assert after <= before
        before = after


# --- held -------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("x", "expected"), [(100, 0.0), (119, 0.0), (121, 0.2), (122.5, 0.5), (125, 1.0), (150, 1.0)])
def test_a_part_beside_the_port(x, expected):
    """Clear from the kerf of 3 and 2 mm on; a clip 40 long whose end is 20 from its centre."""
    task = task_of({"clip": 1}, port_mm=(100.0, 50.0), kerf_mm=3.0)
    assert mark(task, marks.held, (0,), poses((x, 50, 0))) == pytest.approx(expected)


def test_a_part_half_over_the_sealed_area():
    task = task_of({"clip": 1}, sealed=rectangle(100, 150))
    assert mark(task, marks.held, (0,), poses((100, 50, 0))) == pytest.approx(0.5)
    assert mark(task, marks.held, (0,), poses((50, 50, 0))) == 1.0


def test_a_part_beside_a_clamp():
    """It must keep 15 and is clear from 25 on."""
    clamp = rectangle(20, 150) + (180, 0)
    task = task_of({"clip": 1}, clamps=(("cam", clamp),), keepouts=(("cam", clamp, 15.0),))
    for away in (15, 20, 25, 40):
        found = mark(task, marks.held, (0,), poses((180 - away - 20, 50, 0)))
        assert found == pytest.approx(min(1.0, away / 25), abs=1e-3)


def test_the_worst_of_the_hold_counts_and_is_named():
    clamp = rectangle(20, 150) + (180, 0)
    more = {"clamps": (("cam-back", clamp),), "keepouts": (("cam-back", clamp, 15.0),), "port_mm": (100.0, 50.0),
            "sealed": rectangle(200, 150), "kerf_mm": 3.0}  # fmt: skip
    task = task_of({"clip": 1}, worth=Worth(held=3), **more)
    for x, words in ((143, "clip lies near cam-back"), (122, "clip lies near the port"), (60, "")):
        layout = Layout(which=(0,), poses=poses((x, 50, 0)), n_held=0, score=0.0)
        (term,) = [t for t in merits(task, layout, ["clip"]) if t.name == "held"]
        assert term.why == words


# --- the sum ----------------------------------------------------------------------------------------------------------

EVERYTHING = {
    "zones": (zone(0, 0, 110, 150, 0.9), zone(60, 20, 150, 90, 0.4)), "layers_rad": 0.2, "port_mm": (90.0, 60.0),
    "sealed": rectangle(190, 140) + (5, 5), "clamps": (("cam", rectangle(10, 20) + (190, 50)),), "kerf_mm": 1.5,
}  # fmt: skip
ASKED = {"handle-left": 1, "handle-right": 1, "clip": 2, "stud": None}


def test_without_worths_the_score_is_the_value():
    task = task_of(ASKED, along={"clip": 0.0}, **EVERYTHING)
    assert score(task, (0, 1, 2, 2, 3, 3, 3), np.zeros((7, 3))) == 14.0


def test_the_terms_add_up_to_the_score_at_any_layout():
    task = task_of(ASKED, along={"clip": 0.0}, worth=ALL, **EVERYTHING)
    chance, which = np.random.default_rng(11), (0, 1, 2, 2, 3, 3)
    names = ["handle-left", "handle-right", "clip-1", "clip-2", "stud-1", "stud-2"]
    for _ in range(25):
        at = chance.uniform((20, 20, -4), (180, 130, 4), (6, 3))
        terms = merits(task, Layout(which=which, poses=at, n_held=0, score=0.0), names)
        assert [t.name for t in terms] == ["value", "figure", "alike", "layers", "remnant", "held"]
        assert math.fsum(t.money for t in terms) == pytest.approx(score(task, which, at), abs=1e-9)
        assert math.fsum(t.share for t in terms) == pytest.approx(1.0)
        for term in terms:
            assert 0 <= term.mark <= 1
            assert term.money == pytest.approx(term.worth * term.mark)
            assert (term.why == "") == (term.mark >= 0.9995)
        assert [t.worth for t in terms[1:]] == [20, 30, 10, 5, 7]


def test_the_value_is_marked_against_what_the_area_could_bear():
    """A clip (40 x 8, grown by 1: 42 x 10 less 4 - pi) and studs of 8.0 mm with half the gap, on 202 x 152 grown."""
    task = task_of({"clip": 1, "stud": None})
    grown = 202 * 152 - (4 - math.pi)
    most = 2 + 2 * math.floor((grown - (42 * 10 - (4 - math.pi))) / (math.pi * 4.5**2))
    layout = Layout(which=(0, 1, 1), poses=poses((50, 50, 0), (100, 50, 0), (120, 50, 0)), n_held=0, score=0.0)
    (value,) = [t for t in merits(task, layout, ["clip", "stud-1", "stud-2"]) if t.name == "value"]
    assert value.worth == pytest.approx(most, abs=2.1), "one stud for the area's chords"
    assert (value.money, value.share) == (6.0, 1.0)
    assert value.why.startswith("2 x stud found room; by area no more than ")


def test_studs_change_the_value_and_the_remnant_alone():
    task = task_of(ASKED, along={"clip": 0.0}, worth=replace(ALL, remnant=0.0), **EVERYTHING)
    at = poses((60, 30, 10), (60, 60, 12), (150, 40, 5), (150, 80, 40), (100, 120, 0), (120, 120, 0))
    assert score(task, (0, 1, 2, 2, 3, 3), at) == pytest.approx(score(task, (0, 1, 2, 2), at[:4]) + 4.0)


def test_sentences_name_the_part_that_lowers_a_mark():
    task = task_of(ASKED, along={"clip": 0.0}, worth=ALL, **EVERYTHING)
    at = np.array([(60, 30, 0.2), (60, 52, 0.2), (150, 40, 0.2), (170, 120, 0.2 + math.radians(30))])
    terms = merits(task, Layout(which=(0, 1, 2, 2), poses=at, n_held=0, score=0.0), ["l", "r", "clip-1", "clip-2"])
    said = {t.name: t.why for t in terms}
    assert said["layers"] == "clip-2 lies 30 degrees off the layers"
    assert said["figure"] == "clip-2 lies on a figure of 0.00"
    assert said["alike"].startswith("l and r ")


@pytest.mark.parametrize("seed", [1, 2])
def test_a_task_is_judged_alike_wherever_the_plate_lies(seed):
    """The whole plate turned and moved: the same marks, to what cells of a field leave."""
    chance = np.random.default_rng(seed)
    turn, shift = 0.4, np.array([300.0, -80.0])
    c, s = math.cos(turn), math.sin(turn)

    def moved(points):
        return points @ np.array([[c, s], [-s, c]]) + shift

    at = chance.uniform((40, 40, -4), (160, 110, 4), (4, 3))
    there = np.column_stack([moved(at[:, :2]), at[:, 2] + turn])
    plain = task_of(ASKED, along={"clip": 0.0}, **EVERYTHING)
    region = Region(
        outline=moved(rectangle(200, 150)), edge_gap_mm=0.0, keepouts=(), layers_rad=EVERYTHING["layers_rad"] + turn,
        zones=tuple(replace(z, polygon=moved(z.polygon)) for z in EVERYTHING["zones"]), kerf_mm=1.5,
        port_mm=tuple(moved(np.array([EVERYTHING["port_mm"]]))[0]), sealed=moved(EVERYTHING["sealed"]),
        clamps=tuple((n, moved(p)) for n, p in EVERYTHING["clamps"]),
    )  # fmt: skip
    requests = [k.request for k in plain.kinds]
    parts = [Silhouette(name=name, outline=plain_part(name, OUTLINES[name]).outline) for name in ASKED]
    turned = make_task(parts, requests, region, gap_mm=2.0, seed=1, effort=1, workers=1)
    names = ["l", "r", "clip-1", "clip-2"]
    for one, other in zip(merits(plain, Layout(which=(0, 1, 2, 2), poses=at, n_held=0, score=0.0), names),
                          merits(turned, Layout(which=(0, 1, 2, 2), poses=there, n_held=0, score=0.0), names),
                          strict=True):
        assert one.name == other.name
        if one.name != "remnant":  # its cells lie otherwise, and a narrow neck may open or close
            assert one.mark == pytest.approx(other.mark, abs=0.02), one.name
