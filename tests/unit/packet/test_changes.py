"""What is different between two packets: each kind of difference is said, and nothing is said when there is none."""

from __future__ import annotations

import copy
import math

import pytest

from pipeline.packet.changes import changes


def operation(name, **more):
    return {"id": name, "cutter": 4, "rpm": 5000.0, "feed_mm_min": 300.0, "top_z_mm": 4.0, "bottom_z_mm": 2.0,
            "seconds": 60.0} | more  # fmt: skip


BEFORE = {
    "job_digest": "a" * 64, "units": "mm", "title": "Knife", "serial": "", "billet": "plate", "machine": "mill",
    "verdict": "released",
    "placed": {"clip": 1, "stud": 2}, "kept_placements": None,
    "programs": [{"setup": "setup-1", "lines": 100, "cutting_s": 600.0, "air_s": 60.0, "cutters": [4, 3],
                  "operations": [operation("clip/seat/pocket"), operation("stud-1/bore/drill")]}],
    "parts": {"clip": {"family": "clip", "sizes": {"length_mm": 48.0, "screw_holes": "two"}, "solid": "x"},
              "stud": {"family": "stud", "sizes": {"bore_depth_mm": 2.4}, "solid": "y"}},
    "cutters": {"3": "2 mm end mill", "4": "3 mm end mill"},
    "holding": {"name": "bed", "on_the_bed": {"clamp-1": ["clamp", "p"], "stop-1": ["stop", "q"]},
                "billet_lies": "b", "skin_mm": 0.25, "stock_below_mm": 0.25, "top_mm": 4.6},
    "placements": [{"part": "clip", "kind": "clip", "x_mm": 10.0, "y_mm": 20.0, "angle_rad": 0.5},
                   {"part": "stud-1", "kind": "stud", "x_mm": 40.0, "y_mm": 20.0, "angle_rad": 0.0}],
}  # fmt: skip


def after(change):
    new = copy.deepcopy(BEFORE)
    new["job_digest"] = "b" * 64
    change(new)
    return changes(BEFORE, new).splitlines()


def test_nothing_changed():
    assert changes(BEFORE, copy.deepcopy(BEFORE)) == "Nothing changed at all since the packet that was here.\n"
    assert "in anything that is compared" in after(lambda new: None)[0]


def put(*path, value):
    def change(new):
        at = new
        for key in path[:-1]:
            at = at[key]
        at[path[-1]] = value

    return change


@pytest.mark.parametrize(
    "change, heading, line",
    [
        (put("verdict", value="refused"), "VERDICT", "released -> refused"),
        (put("serial", value="07"), "VERDICT", "serial: none -> 07"),
        (put("parts", "clip", "sizes", "length_mm", value=47.5), "PARTS", "clip: length 48 mm -> 47.5 mm"),
        (put("parts", "clip", "sizes", "screw_holes", value="three"), "PARTS", "clip: screw_holes two -> three"),
        (put("parts", "clip", "solid", value="z"), "PARTS",
         "clip: drawn otherwise with the same sizes, by another version"),
        (lambda new: new["parts"].pop("stud"), "PARTS", "stud: gone"),
        (put("placed", "stud", value=3), "PARTS", "stud: 2 placed -> 3 placed"),
        (put("placements", 0, "x_mm", value=13.0), "PLACEMENTS", "clip: moved 3 mm"),
        (put("placements", 1, "angle_rad", value=2 * math.pi - 0.1), "PLACEMENTS",
         "stud-1: moved 0 mm, turned -5.73 deg"),
        (lambda new: new["placements"].pop(), "PLACEMENTS", "stud-1: no longer placed"),
        (put("programs", 0, "operations", 0, "cutter", value=3), "OPERATIONS", "clip, seat/pocket: T4 -> T3"),
        (put("programs", 0, "operations", 1, "bottom_z_mm", value=1.9), "OPERATIONS",
         "stud-1, bore/drill: to Z 2 mm -> to Z 1.9 mm"),
        (put("programs", 0, "operations", 1, "seconds", value=90.0), "OPERATIONS",
         "stud-1, bore/drill: 1.0 min -> 1.5 min"),
        (lambda new: new["programs"][0]["operations"].reverse(), "OPERATIONS", "the order of operations"),
        (lambda new: new["programs"][0]["operations"].pop(0), "OPERATIONS", "clip, seat/pocket: gone"),
        (put("cutters", "7", value="drill"), "CUTTERS", "T7 drill: new, measure and load it"),
        (lambda new: new["cutters"].pop("4"), "CUTTERS", "T4 3 mm end mill: no longer used"),
        (put("programs", 0, "cutters", value=[3, 4]), "CUTTERS", "their order: T3, T4"),
        (put("programs", 0, "cutting_s", value=540.0), "TIMES", "program 11.0 min -> 10.0 min"),
        (put("holding", "on_the_bed", "clamp-1", value=["clamp", "r"]), "ON THE BED",
         "clamp-1: moved or changed; set it again"),
        (lambda new: new["holding"]["on_the_bed"].pop("stop-1"), "ON THE BED", "stop-1: gone"),
        (put("holding", "billet_lies", value="c"), "ON THE BED",
         "the billet or its place on the bed: check the three pointer points again"),
        (put("holding", "skin_mm", value=0.3), "ON THE BED", "skin: 0.25 mm -> 0.3 mm"),
    ],
)  # fmt: skip
def test_each_difference_is_said_once_under_its_heading(change, heading, line):
    assert after(change)[1:-1] == [heading, f"  {line}"]


def test_a_kept_nest_is_said_beside_what_changed_and_alone_it_is_no_change():
    assert "Nothing changed" in after(put("kept_placements", value=2))[0]

    def change(new):
        new["kept_placements"] = 2
        new["serial"] = "08"

    lines = after(change)
    assert lines[1:-1] == ["VERDICT", "  serial: none -> 08", "PLACEMENTS",
                         "  nest kept: 2 of 2 placements where they were"]  # fmt: skip


def test_what_is_too_small_to_matter_is_left_out():
    assert "Nothing changed" in after(put("placements", 0, "x_mm", value=10.0004))[0]
    assert "Nothing changed" in after(put("programs", 0, "operations", 1, "seconds", value=75.0))[0]


def test_an_inch_shop_reads_inches():
    new = copy.deepcopy(BEFORE) | {"units": "in"}
    new["parts"]["clip"]["sizes"]["length_mm"] = 50.8
    assert "  clip: length 1.8898 in -> 2 in" in changes(BEFORE, new).splitlines()


def test_the_same_change_on_many_copies_is_one_line_and_what_went_is_not_taken_apart():
    before, new = copy.deepcopy(BEFORE), copy.deepcopy(BEFORE)
    for summary, depth, n in ((before, 2.0, 6), (new, 1.9, 5)):
        for k in range(2, n):
            summary["placements"].append({"part": f"stud-{k}", "kind": "stud", "x_mm": 9.0 * k, "y_mm": 5.0,
                                          "angle_rad": 0.0})  # fmt: skip
            summary["programs"][0]["operations"].append(operation(f"stud-{k}/bore/drill", bottom_z_mm=depth))
    lines = changes(before, new).splitlines()
    assert lines[1:-1] == ["PLACEMENTS", "  stud-5: no longer placed", "OPERATIONS",
                           "  stud-2 to 4, bore/drill: to Z 2 mm -> to Z 1.9 mm"]  # fmt: skip


def test_long_lists_are_cut_and_counted():
    new = copy.deepcopy(BEFORE)
    new["programs"][0]["operations"] += [operation(f"clip/seat-{n}/pocket") for n in range(2, 42)]
    lines = changes(BEFORE, new).splitlines()
    assert lines[-2] == "  and 10 more" and len(lines) == 34


@pytest.mark.parametrize("old", [{}, {"job": "x"}, BEFORE | {"parts": ["clip"]}, BEFORE | {"programs": None}])
def test_a_packet_of_an_older_version_says_that_it_cannot_be_compared(old):
    assert "cannot be compared" in changes(old, BEFORE)
