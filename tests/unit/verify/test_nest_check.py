"""The independent check of a nest: it passes what is right and finds each kind of fault, down to two millionths
of a millimetre; and a run whose nest is wrong stops before anything is written."""

from __future__ import annotations

import math
import subprocess
import sys
import time
from dataclasses import replace

import numpy as np
import pytest

from pipeline import stages
from pipeline.errors import BadInput, Bug
from pipeline.model.frames import Pose
from pipeline.model.loop import Loop
from pipeline.model.nest import Nest, Placement, Region, Silhouette, Zone
from pipeline.nest import place_parts
from pipeline.verify import check_nest
from tests.e2e.conftest import JOBS, ROOT, environment
from tests.reference.packings import plain_region, rectangle, request, slotted

GAP = 1.8
ASKED = [request("slot", 2, rotations_deg=(0, 90)), request("stud", None)]
PARTS = [Silhouette(name="slot", outline=slotted(40, 12, 4)), Silhouette(name="stud", outline=Loop.circle(0, 0, 3.0))]
REGION = plain_region(rectangle(100, 60), edge_gap_mm=1.0, keepouts=(("pin", rectangle(4, 4) + [80, 40], 2.0),))
# by hand: slots at gap 1.8 one over the other, 1 off the left wall; a stud whose edge is 1.8 right of the lower one; a
# stud 1.8 off that; one 2 below the pin; one round the upper slot's corner (arc centre 37, 22.8 and radius 4)
ROUND = (37 + (4 + GAP + 3) * math.cos(0.7), 22.8 + (4 + GAP + 3) * math.sin(0.7))
SPOTS = [("slot-1", 1.0, 1.0), ("slot-2", 1.0, 1.0 + 12 + GAP), ("stud-1", 41 + GAP + 3, 7.0),
         ("stud-2", 41 + GAP + 3, 7.0 + 6 + GAP), ("stud-3", 82.0, 35.0), ("stud-4", *ROUND)]  # fmt: skip


def spot(part_id: str, x: float, y: float, angle: float = 0.0) -> Placement:
    pose = Pose.planar(to="billet", frm="part", x_mm=x, y_mm=y, angle_rad=angle)
    return Placement(part_id=part_id, part=part_id.split("-")[0], billet_from_part=pose)


def nest(spots, gap_mm: float = GAP, edge_mm: float = 1.0) -> Nest:
    return Nest(placements=tuple(spot(*s) for s in spots), least_gap_mm=gap_mm, least_edge_mm=edge_mm,
                parts_area_mm2=1.0, usable_area_mm2=1.0)  # fmt: skip


def checked(spots, *, asked=ASKED, region: Region = REGION, gap_mm: float = GAP, fill: bool = True, said=None):
    """The check of these spots; the nest says of itself what `said` says, by default nothing that could be too much."""
    said = said or nest([], gap_mm=-math.inf, edge_mm=-math.inf)
    one = replace(said, placements=tuple(spot(*s) for s in spots))
    return check_nest(one, PARTS, asked, region, gap_mm=gap_mm, fill=fill)


def moved(name: str, dx: float, dy: float = 0.0):
    return [(n, x + dx, y + dy) if n == name else (n, x, y) for n, x, y in SPOTS]


def test_a_nest_laid_by_hand_is_right_to_the_last_bit() -> None:
    found = checked(SPOTS)
    assert found.faults == ()
    assert found.least_gap_mm == pytest.approx(GAP, abs=1e-12)
    assert found.least_edge_mm == pytest.approx(1.0, abs=1e-12)
    assert found.least_keepout_mm == pytest.approx(2.0, abs=1e-12)


@pytest.mark.parametrize("name, way, words", [
    ("slot-2", (0, -1), ("slot-2", "slot-1")),
    ("stud-1", (-1, 0), ("stud-1", "slot-1")),
    ("stud-2", (0, -1), ("stud-2", "stud-1")),
    ("stud-3", (0, 1), ("stud-3", "pin")),
    ("stud-4", (-math.cos(0.7), -math.sin(0.7)), ("stud-4", "slot-2")),  # disc against a true arc
    ("slot-1", (-1, 0), ("slot-1", "outline")),
])
def test_two_millionths_are_found_and_half_a_millionth_is_noise(name, way, words) -> None:
    found = checked(moved(name, 2e-6 * way[0], 2e-6 * way[1]))
    about = [f for f in found.faults if "0.000002 mm less than the gap" in f]
    assert len(about) == 1 and all(word in about[0] for word in words), found.faults
    assert checked(moved(name, 0.5e-6 * way[0], 0.5e-6 * way[1])).faults == ()


@pytest.mark.parametrize("deep, n_faults", [(2e-6, 1), (0.5e-6, 0)])
def test_without_gaps_the_same_limits_hold_for_overlaps(deep: float, n_faults: int) -> None:
    """Gap and edge gap 0: faces that lie on each other, and on the outline, are right; a hair more is not."""
    region = plain_region(rectangle(40, 60))
    for pair in ([("slot-1", 0, 0), ("slot-2", 0, 12 - deep)], [("slot-1", 0, 0), ("slot-2", deep, 12)],
                 [("slot-1", 0, 0), ("slot-2", 0, 48 + deep)]):  # fmt: skip
        found = checked(pair, region=region, gap_mm=0.0)
        assert len([f for f in found.faults if "in each other" in f]) == n_faults


@pytest.mark.parametrize("name, dx, dy, words", [
    ("stud-3", 60, 0, "60.000000 mm in each other"),  # all of it outside, no edge near: how far the disc reaches out
    ("stud-1", -30, 0, "slot-1"),  # inside a slot, without a crossing
    ("stud-3", 0, 7, "pin"),  # round the pin, without a crossing
])
def test_what_lies_all_outside_or_all_inside_is_found(name, dx, dy, words) -> None:
    found = checked(moved(name, dx, dy))
    assert any(name in f and ("in each other" in f) for f in found.faults), found.faults
    if name == "stud-3" and dx:
        assert found.least_edge_mm == pytest.approx(100 - (82 + 60 + 3))
    else:
        assert any(words in f for f in found.faults)


def test_copies_exactly_on_each_other_are_found_without_a_gap() -> None:
    """No edge of one lies inside the other."""
    for angle in (0.0, math.pi):
        again = ("slot-2", 10 + 40 * (angle > 0), 10 + 12 * (angle > 0), angle)
        found = checked([("slot-1", 10, 10), again], gap_mm=0.0, asked=[request("slot", 2)])
        assert any("in each other" in f for f in found.faults)
        assert found.least_gap_mm < -0.9


ZONES = (
    Zone(name="left", polygon=rectangle(20, 60), figure=1.0),
    Zone(name="right", polygon=rectangle(80, 60) + [20, 0], figure=0.5),
    Zone(name="rim", polygon=rectangle(100, 20) + [0, 40], figure=0.0),
)


@pytest.mark.parametrize(("zones", "clear_of", "words"), [
    (("left", "right"), (), ""), (("left",), (), "21.000000 mm out of the zone left"),
    (("right",), (), "19.000000 mm out"),
    ((), ("rim",), ""), ((), ("right",), "21"), (("left", "rim"), (), "mm out of the zone left and the zone rim"),
])  # fmt: skip
def test_zones_are_kept(zones, clear_of, words) -> None:
    """Slots from x 1 to 41; the zones meet at x = 20, the rim begins at y = 40. By hand."""
    asked = [replace(ASKED[0], zones=zones, clear_of=clear_of), ASKED[1]]
    faults = checked(SPOTS, asked=asked, region=replace(REGION, zones=ZONES)).faults
    assert (faults == ()) if not words else any(words in fault for fault in faults)


def test_a_gap_between_zones_that_count_as_one_is_found() -> None:
    """The right zone begins a hundredth of a millimetre later: the middle of the strip is outside both."""
    apart = (ZONES[0], replace(ZONES[1], polygon=rectangle(80, 60) + [20.01, 0]))
    asked = [replace(ASKED[0], zones=("left", "right")), ASKED[1]]
    assert "out of the zone left" in checked(SPOTS, asked=asked, region=replace(REGION, zones=apart)).faults[0]


def test_a_hole_between_zones_inside_a_part_is_found() -> None:
    """Four zones leave 0.4 by 0.3 mm open inside the lower slot, far from the middle of any edge: its middle is 0.15 mm
    from them. With the hole closed nothing is wrong. By hand."""
    strips = {"below": ((-5, -5), 66, 11), "above": ((-5, 6.3), 66, 40), "west": ((-5, -5), 15, 60)}
    zones = [Zone(name=name, figure=0.0, polygon=rectangle(*size) + low) for name, (low, *size) in strips.items()]
    for east_mm, n_faults in ((10.4, 1), (10.0, 0)):
        east = Zone(name="east", figure=0.0, polygon=rectangle(50, 60) + [east_mm, -5])
        region = replace(REGION, zones=(*zones, east))
        asked = [replace(ASKED[0], zones=("below", "above", "west", "east")), ASKED[1]]
        faults = checked(SPOTS, asked=asked, region=region).faults
        assert len(faults) == n_faults and all("out of the zone below" in fault for fault in faults), faults


def test_promises_beside_distances() -> None:
    def faults(spots, **kw) -> str:
        return "\n".join(checked(spots, **kw).faults)

    assert "1 x slot where 2 were asked for" in faults([s for s in SPOTS if s[0] != "slot-2"])
    assert "3 x slot where 2" in faults([*SPOTS, ("slot-3", 50, 46)])
    assert "2 placements have one name, stud-1" in faults([*SPOTS, ("stud-1", 60, 30)])
    assert "'bolt' that nobody asked for" in faults([*SPOTS, ("bolt-1", 60, 30)])
    tilted = [(*s, 1e-6) if s[0] == "slot-2" else s for s in SPOTS]
    assert "slot-2 is turned by 0.000057 degrees" in faults(tilted)
    turned = [("slot-1", 1.0, 1.0), ("slot-2", 72.0, 16.0, math.pi / 2 - 6 * math.pi), *SPOTS[2:4]]
    assert faults(turned) == ""
    assert "4 x stud where 0 were asked for" in faults(SPOTS, fill=False)
    pinned = [request("slot", 2, rotations_deg=(90,), fixed=((1.0, 1.0, 0.0), (1.0, 1 + 12 + GAP, 0.0))), ASKED[1]]
    assert faults(SPOTS, asked=pinned) == "", "a fixed place is the user's, angle and all"
    off = [request("slot", 2, fixed=((1.0, 1.0, 0.0), (1.0 + 1e-7, 1 + 12 + GAP, 0.0))), ASKED[1]]
    assert "no slot at its fixed place" in faults(SPOTS, asked=off)
    assert faults(SPOTS, said=nest([])) == ""
    too_much = faults(SPOTS, said=nest([], gap_mm=GAP + 1e-5, edge_mm=1.1))
    assert "the nest says that parts are 1.800010 mm apart; 1.800000 mm is true" in too_much
    assert "the nest says that parts and walls are 1.100000 mm apart; 1.000000 mm is true" in too_much


def test_one_part_has_no_gap() -> None:
    found = checked([("slot", 1, 1)], asked=[request("slot", 1)])
    assert found.faults == ()
    assert found.least_gap_mm == math.inf


def test_two_hundred_studs_and_six_handles_take_no_time() -> None:
    region = plain_region(rectangle(300, 200), edge_gap_mm=1.0)
    spots = [(f"slot-{k + 1}", 5.0 + 45 * k, 150.0) for k in range(6)]
    spots += [(f"stud-{20 * r + c + 1}", 10.0 + 8 * c, 10.0 + 8 * r) for r in range(10) for c in range(20)]
    asked = [request("slot", 6), request("stud", None)]
    checked(spots, asked=asked, region=region)
    start = time.thread_time()
    found = checked(spots, asked=asked, region=region)
    assert time.thread_time() - start < 0.3
    assert found.faults == () and found.least_gap_mm == pytest.approx(2.0)


NOTCHED = [[0, 0], [100, 0], [100, 60], [50, 30], [0, 60.0]]  # a corner of the outline that points inward


@pytest.mark.parametrize("deep, is_refused", [(2e-6, True), (0.5e-6, False)])
@pytest.mark.parametrize("outline, spots", [
    (rectangle(100, 60), lambda d: ((1, 1, 0.0), (1, 1 + 12 + GAP - d, 0.0))),  # two of them
    (rectangle(100, 60), lambda d: ((1, 1 - d, 0.0),)),  # the edge
    (NOTCHED, lambda d: ((30, 30 - 12 - 1 + d, 0.0),)),
])
def test_bad_places_that_were_given_are_refused_before_this_check_is_asked(deep, is_refused, outline, spots) -> None:
    """The same limit in both, so that a bad place that was given never ends as a fault of the program."""
    region = plain_region(np.array(outline, dtype=float), edge_gap_mm=1.0)
    fixed = tuple(spots(deep))
    asked = [request("slot", len(fixed), fixed=fixed)]
    found = checked([("slot-" + str(k), *pose) for k, pose in enumerate(fixed)], asked=asked, region=region)
    assert bool(found.faults) == is_refused
    if is_refused:
        with pytest.raises(BadInput) as caught:
            place_parts(PARTS[:1], asked, region, gap_mm=GAP, seed=1, effort=1)
        assert {f.code for f in caught.value.findings} == {"N204"}
    else:
        made = place_parts(PARTS[:1], asked, region, gap_mm=GAP, seed=1, effort=1, fill=False)
        assert check_nest(made, PARTS, asked, region, gap_mm=GAP, fill=False).faults == ()


# ---- what a run does with it ----------------------------------------------------------------------------------------


def test_a_wrong_nest_stops_the_run_with_the_parts_and_the_amount() -> None:
    with pytest.raises(Bug, match=r"slot-2 and slot-1 lie 1\.799998 mm apart, 0\.000002 mm less than the gap"):
        stages._require(checked(moved("slot-2", 0, -2e-6)))
    many = [(f"stud-{k}", 50.0, 30.0 + k / 10) for k in range(9)]
    with pytest.raises(Bug, match="and 32 more"):  # 36 pairs, and what the nest said
        stages._require(check_nest(nest(many), PARTS, ASKED[1:], REGION, gap_mm=GAP))
    stages._require(checked(SPOTS))


_SPOILED = """
import sys
from dataclasses import replace
from pipeline import nest
from pipeline.model.frames import Pose
from pipeline.model.nest import Nest, Placement

def place_parts(parts, requests, region, **_):
    spots = [(r.name, k) for r in requests for k in range(r.count or 1)]
    pose = Pose.planar(to="billet", frm="part", x_mm=0, y_mm=0, angle_rad=0)
    return Nest(placements=tuple(Placement(part_id=f"{n}-{k}", part=n, billet_from_part=pose) for n, k in spots),
                least_gap_mm=9, least_edge_mm=9, parts_area_mm2=1, usable_area_mm2=2)

nest.place_parts = place_parts
from pipeline.cli import main
main()
"""


def test_the_command_leaves_with_three_and_writes_nothing(tmp_path) -> None:
    """The real command with an engine that lays everything in one heap."""
    words = ["make", str(JOBS / "budding-small.yaml"), "--out", str(tmp_path / "out")]
    done = subprocess.run([sys.executable, "-c", _SPOILED, *words], cwd=ROOT, capture_output=True, text=True,
                          env=environment(tmp_path / "cache"), check=False)  # fmt: skip
    assert done.returncode == 3, done.stderr
    assert "in each other" in done.stderr and "less than the gap" in done.stderr and "handle-left" in done.stderr
    assert "This is a fault of billetwright" in done.stderr
    assert not (tmp_path / "out").exists()
