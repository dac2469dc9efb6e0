"""The judge on a stud cut by hand-written motion: the clean twin is released, each seeded fault is found."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from pipeline.model.loop import Loop
from pipeline.model.part import Pocket, Side
from pipeline.model.shop import Block, CutterKind
from pipeline.model.toolpath import NotCut
from pipeline.model.verdict import Verdict
from pipeline.verify.faults import Fault, as_findings
from pipeline.verify.judge import CODES, judge
from tests.unit.verify import by_hand
from tests.unit.verify.by_hand import Motion

X, Y = by_hand.STUD_AT
# Motion written by hand holds no dwells: its spindle is up to speed at once.
MACHINE = dataclasses.replace(by_hand.MACHINE, dialect=dataclasses.replace(by_hand.MACHINE.dialect, spin_up_s=0.0))


def ring(motion: Motion, radius: float, z: float) -> None:
    """Clockwise round the part: climb milling."""
    motion.rapid(X + radius, Y).rapid(z=5.5).line(z=z).circle(X, Y, clockwise=True).rapid(z=7.0)


def faced(motion: Motion) -> Motion:
    for radius in (5.2, 3.0, 1.0):
        ring(motion, radius, 4.6)
    return motion


def drilled(motion: Motion, bottom: float = 4.6 - 2.0 - by_hand.POINT_MM) -> Motion:
    motion.rapid(z=30)
    motion.tool = 2
    motion.rapid(X, Y).rapid(z=5.5)
    for z in (4.0, 3.2, 2.6, bottom):
        motion.line(z=z).rapid(z=5.5)
    motion.rapid(z=30)
    motion.tool = 1
    return motion


def stepped(motion: Motion) -> Motion:
    for z in (3.9, 3.2, 2.6, 2.0):
        ring(motion, 3.7, z)
    return motion


def outlined(motion: Motion, bottom: float = 0.3, radius: float = 5.5) -> Motion:
    for z in (4.2, 3.4, 2.6, 1.8, 1.0, bottom):
        ring(motion, radius, z)
    return motion.rapid(z=30)


def whole(**outline) -> Motion:
    return outlined(stepped(drilled(faced(Motion()))), **outline)


def judged(motion: Motion, *, setup=None, crib=by_hand.STUD_CRIB, not_cut=(), cell=0.05, workers=1,
           machine=MACHINE) -> Verdict:  # fmt: skip
    verdict = judge(
        motion.reading(), list, setup=setup or by_hand.stud_setup(), crib=crib, machine=machine,
        material=by_hand.MATERIAL, tolerances=by_hand.TOLERANCES, not_cut=not_cut, cell_mm=cell, workers=workers,
    )  # fmt: skip
    # A plate this small is held by nothing that could be judged; the check of that has tests of its own.
    assert [f.severity for f in verdict.findings if f.code == "V683"] == ["warning"]
    return dataclasses.replace(verdict, findings=tuple(f for f in verdict.findings if f.code != "V683"))


def codes(verdict: Verdict, severity: str = "error") -> list[str]:
    return [f.code for f in verdict.findings if f.severity == severity]


@pytest.fixture(scope="module")
def clean() -> Verdict:
    return judged(whole())


def test_the_clean_program_is_released_with_figures(clean):
    assert clean.findings == () and clean.verdict == "released"
    assert clean.thinnest_skin_mm == pytest.approx(0.3, abs=1e-6)
    assert clean.n_moves == len(whole().rows)
    assert [s.cutter for s in clean.section_times] == [1, 2, 1]
    assert all(s.cutting_s > 0 and s.air_s > 0 for s in clean.section_times)
    # The drill feeds 4 strokes from 5.5; in stock at least partly, never more than all of its length.
    assert 0 < clean.section_times[1].cutting_mm <= sum(5.5 - z for z in (4.0, 3.2, 2.6, 1.999))
    (part,) = clean.parts
    assert part.worst_gouge_mm < 0.002 and part.worst_left_mm < 0.002 and part.left_volume_mm3 == 0
    start = 24 * 20 * 5.0
    assert clean.removed_mm3 == pytest.approx(start - float(clean.stock.z.sum()) * clean.stock.cell_mm**2, rel=0.06)
    assert len(clean.line_seconds) == len(whole().rows) and clean.line_seconds.sum() > 0
    assert clean.checked and clean.not_checked


def test_workers_and_a_second_run_give_the_same_bits(clean):
    again = judged(whole(), workers=2)
    assert again.stock.z.tobytes() == clean.stock.z.tobytes()
    assert again.line_seconds.tobytes() == clean.line_seconds.tobytes()
    for name in ("findings", "removed_mm3", "thinnest_skin_mm", "section_times", "parts", "path_mm"):
        assert getattr(again, name) == getattr(clean, name)


def shifted(motion: Motion, **state) -> Motion:
    for name, value in state.items():
        setattr(motion, name, value)
    return motion


def test_rapid_through_stock_is_found_once():
    motion = whole()
    motion.rapid(3.0, 15.0).rapid(z=3.0).rapid(z=30)
    verdict = judged(motion)
    assert codes(verdict) == ["V641"]
    finding = verdict.findings[0]
    assert finding.amount_mm == pytest.approx(2.0) and finding.line == len(motion.rows) - 1 and "T1" in finding.where


def test_cut_below_the_skin_is_found_with_its_line():
    motion = whole(bottom=0.2)
    verdict = judged(motion)
    assert codes(verdict) == ["V640"]
    assert verdict.findings[0].amount_mm == pytest.approx(0.1)
    assert verdict.thinnest_skin_mm == pytest.approx(0.2, abs=1e-6)
    assert "stud-1" in verdict.findings[0].where
    assert "first at line" in verdict.findings[0].found


def test_holder_in_stock_is_found_once():
    short = by_hand.crib(by_hand.cutter(1, 3.0, stickout_mm=4.0, reach_mm=4.0, flute_length_mm=4.0,
                                        shank_diameter_mm=3.0), *by_hand.STUD_CRIB.cutters[1:])  # fmt: skip
    verdict = judged(whole(), crib=short, setup=by_hand.stud_setup(blocks=()))
    assert codes(verdict) == ["V646"]
    # Tip at 0.3, the holder's nose at 4.3: in the billet's top at 5.0 by 0.7.
    assert "holder" in verdict.findings[0].found and verdict.findings[0].amount_mm == pytest.approx(0.7, abs=1e-6)


def test_depth_beyond_the_flutes():
    short = by_hand.crib(by_hand.cutter(1, 3.0, flute_length_mm=0.5), *by_hand.STUD_CRIB.cutters[1:])
    assert set(codes(judged(whole(), crib=short))) >= {"V647"}


@pytest.mark.parametrize(
    ("state", "code"),
    [({"spindle": 0}, "V642"), ({"spindle": -1}, "V643"), ({"coolant": 0}, "V644"), ({"known_z": False}, "V645"),
     ({"feed": 1500.0}, "V660"), ({"rpm": 9000.0, "feed": 270.0}, "V661")],
)  # fmt: skip
def test_state_of_the_machine_while_cutting(state, code):
    motion = shifted(stepped(drilled(faced(Motion()))), **state)
    found = codes(judged(outlined(motion)))
    assert [c for c in found if c != "V670"] == [code]  # ten times the feed breaks the cutter as well
    assert ("V670" in found) == ("feed" in state and "rpm" not in state)


def test_the_feed_of_the_centre_on_arcs():
    # On a path of radius 1 the edge of a 3 mm cutter runs 2.5 times as fast as its centre; outside a round slower.
    # That gain is for narrow cuts: in a slot some tooth takes the centre's feed whole.
    hole = by_hand.setup(by_hand.box(24, 20), top=5.0, skin=0.3)
    for radius, feed, narrow, bad in (
        (1.0, 100.0, False, False), (1.0, 150.0, False, True), (2.2, 250.0, False, False), (2.2, 400.0, False, True),
        (2.2, 600.0, True, False), (2.2, 1000.0, True, True),
    ):  # fmt: skip
        motion = Motion().rapid(12 + radius, 10).rapid(z=6)
        if narrow:
            motion.rapid(12 + 2.6, 10).line(z=4.5).circle(12, 10).rapid(z=6).rapid(12 + radius, 10)
        motion.feed = 60.0
        motion.line(z=4.5)
        motion.feed = feed
        motion.circle(12, 10, clockwise=narrow).rapid(z=30)
        assert codes(judged(motion, setup=hole)) == (["V660"] if bad else [])


def test_a_wide_cut_far_deeper_than_the_crib_allows():
    motion = stepped(drilled(faced(Motion())))
    for z in (4.2, 2.6, 1.8, 1.0, 0.3):  # a level left out
        ring(motion, 5.5, z)
    verdict = judged(motion.rapid(z=30))
    assert codes(verdict) == ["V664"]
    assert verdict.findings[0].amount_mm == pytest.approx(1.6, abs=1e-5)


def test_a_gouge_of_a_hundredth_is_found_and_measured():
    verdict = judged(whole(radius=5.49))
    assert codes(verdict) == ["V649"]
    assert verdict.findings[0].amount_mm == pytest.approx(0.010, abs=0.001)
    assert verdict.parts[0].worst_gouge_mm == pytest.approx(0.010, abs=0.001)


def test_stock_left_on_the_wall():
    verdict = judged(whole(radius=5.53))
    assert codes(verdict) == ["V651"]
    assert verdict.parts[0].worst_left_mm == pytest.approx(0.03, abs=0.001)


def test_hole_limits_and_the_point_of_the_drill():
    for diameter, bad in ((2.04, False), (2.07, True)):
        crib = by_hand.crib(by_hand.STUD_CRIB.cutters[0],
                            by_hand.cutter(2, diameter, CutterKind.DRILL, chip_load_mm=0.03))  # fmt: skip
        assert ("V649" in codes(judged(whole(), crib=crib))) == bad
    short = outlined(stepped(drilled(faced(Motion()), bottom=4.6 - 1.9 - by_hand.POINT_MM)))
    assert set(codes(judged(short))) == {"V651", "V652"}
    deep = outlined(stepped(drilled(faced(Motion()), bottom=4.6 - 2.2 - by_hand.POINT_MM)))
    assert set(codes(judged(deep))) & {"V649", "V650"}


def test_what_is_declared_as_not_cut_is_measured_and_not_a_fault():
    motion = outlined(drilled(faced(Motion())))  # no step
    assert set(codes(judged(motion))) == {"V651", "V652"}
    turn = np.linspace(0, 2 * np.pi, 120, endpoint=False)
    region = np.column_stack([X + 4.05 * np.cos(turn), Y + 4.05 * np.sin(turn)])
    item = NotCut(part_id="stud-1", feature_id="step", operation="pocket", setup="setup-2", reason="for the test",
                  region=region, low_z_mm=2.0, high_z_mm=4.6)  # fmt: skip
    setup = with_step()
    verdict = judged(motion, setup=setup, not_cut=(item,))
    assert verdict.verdict == "released", verdict.findings
    assert verdict.parts[0].left_volume_mm3 == pytest.approx(np.pi * (16 - 2.2**2) * 2.6, rel=0.02)
    low = dataclasses.replace(item, high_z_mm=3.0)
    assert "V652" in codes(judged(motion, setup=setup, not_cut=(low,)))
    # The band begins at the feature's floor: what is left under it was not declared.
    high = dataclasses.replace(item, low_z_mm=2.5)
    assert set(codes(judged(motion, setup=setup, not_cut=(high,)))) == {"V651", "V652"}


def with_step():
    """The stud's setup, its step known as a feature."""
    step = Pocket(id="step", side=Side.INSIDE, outer=Loop.circle(0, 0, 4.05), islands=(Loop.circle(0, 0, 2.2),),
                  top_z_mm=3.8, floor_z_mm=1.2, corner_radius_mm=2.2, open_edge=True)  # fmt: skip
    stud = dataclasses.replace(by_hand.STUD, features=(by_hand.BORE, step))
    return dataclasses.replace(by_hand.stud_setup(), parts=(by_hand.placed(stud, X, Y, 0.8),))


def test_a_declaration_excuses_no_more_than_the_feature_it_names():
    everywhere = by_hand.box(100, 100, -50, -50)
    item = NotCut(part_id="stud-1", feature_id="bore", operation="drilling", setup="setup-2", reason="for the test",
                  region=everywhere, low_z_mm=0.0, high_z_mm=100.0)  # fmt: skip
    setup = with_step()
    no_step, no_bore = outlined(drilled(faced(Motion()))), outlined(stepped(faced(Motion())))
    assert judged(no_bore, setup=setup, not_cut=(item,)).verdict == "released"
    assert set(codes(judged(no_step, setup=setup, not_cut=(item,)))) == {"V651", "V652"}
    step = dataclasses.replace(item, feature_id="step")
    assert judged(no_step, setup=setup, not_cut=(step,)).verdict == "released"
    assert set(codes(judged(no_bore, setup=setup, not_cut=(step,)))) & {"V651", "V652"}
    # Never the kerf, nor a face that was not faced, whoever is named.
    kerf = outlined(stepped(drilled(faced(Motion()))), bottom=0.6)
    assert "V653" in codes(judged(kerf, setup=setup, not_cut=(item, step)))
    assert "V654" in codes(judged(outlined(Motion()), setup=setup, not_cut=(item, step)))
    nobody = dataclasses.replace(item, feature_id="groove")
    assert "V666" in codes(judged(whole(), setup=setup, not_cut=(nobody,)))


RAMPING = dataclasses.replace(by_hand.STUD_CRIB.cutters[0], ramp_angle_rad=np.radians(3.0))
PECKING = dataclasses.replace(by_hand.STUD_CRIB.cutters[1], peck_mm=0.8)


@pytest.mark.parametrize(("end", "bad"), [
    ((3.0, 17.0, 4.2), True),  # straight down
    ((9.0, 17.0, 4.2), True),  # 0.8 in 6.0, 7.6 degrees
    ((19.0, 17.0, 4.2), False),  # 0.8 in 16.0, 2.9 degrees
])  # fmt: skip
def test_mills_ramp_into_stock(end, bad):
    motion = Motion().rapid(3.0, 17.0).rapid(z=5.0).line(*end).rapid(z=30)
    found = codes(judged(motion, crib=by_hand.crib(RAMPING, PECKING)))
    assert ("V665" in found) == bad
    # In a place already open the same way down is no entry.
    again = Motion().rapid(3.0, 17.0).rapid(z=5.0).line(19.0, 17.0, 4.2).line(3.0, 17.0).rapid(z=5.5).line(*end)
    assert "V665" not in codes(judged(again.rapid(z=30), crib=by_hand.crib(RAMPING, PECKING)))


def test_drills_feed_along_their_axis_in_short_strokes():
    def drill(*depths: float) -> Motion:
        motion = Motion(tool=2).rapid(3.0, 17.0).rapid(z=5.5)
        for z in depths:
            motion.line(z=z).rapid(z=5.5)
        return motion

    crib = by_hand.crib(RAMPING, PECKING)
    assert not set(codes(judged(drill(4.2, 3.4, 2.6).rapid(z=30), crib=crib))) & {"V664", "V665"}
    assert "V664" in codes(judged(drill(4.2, 2.6).rapid(z=30), crib=crib))
    two_feeds = Motion(tool=2).rapid(3.0, 17.0).rapid(z=5.5).line(z=4.2).line(z=3.4).rapid(z=30)
    assert "V664" in codes(judged(two_feeds, crib=crib))
    sideways = Motion(tool=2).rapid(3.0, 17.0).rapid(z=5.5).line(z=4.5).line(5.0, 17.0).rapid(z=30)
    assert "V665" in codes(judged(sideways, crib=crib))


def test_rapids_sideways_below_the_top():
    """In a slot that is open already: nothing is touched on the straight line, but a control may leave it."""
    motion = whole().rapid(3.0, 17.0).rapid(z=5.0).line(3.0, 17.0, 4.5).line(9.0, 17.0).rapid(z=7)
    motion.rapid(3.0, 17.0).rapid(z=4.6).rapid(9.0, 17.0).rapid(z=30)
    assert codes(judged(motion)) == ["V668"]
    beside = whole().rapid(-20.0, 10.0).rapid(z=4.6).rapid(-10.0, 10.0).rapid(z=30)
    assert codes(judged(beside, setup=by_hand.stud_setup(blocks=()))) == []


def test_a_spindle_not_yet_up_to_speed():
    assert codes(judged(whole(), machine=by_hand.MACHINE)) == ["V667", "V667"]  # one for each change of cutter
    motion = whole()
    for i, row in enumerate(motion.rows):
        if row[8] != motion.rows[max(0, i - 1)][8] or i == 0:
            motion.dwells[i + 1] = 3.0
    assert codes(judged(motion, machine=by_hand.MACHINE)) == []


def test_a_long_dwell_in_contact_is_an_error():
    motion = whole()
    at = next(i for i, row in enumerate(motion.rows) if row[0] == 1 and row[2][2] == 3.9)
    motion.dwells[at + 2] = 3.0
    assert codes(judged(motion)) == ["V648"]


def test_the_spindle_nose_without_a_cutter_must_stay_above_everything():
    motion = whole()
    motion.tool, motion.known_z = 0, False
    motion.rapid(3.0, 17.0).rapid(z=4.0).rapid(z=30)
    assert codes(judged(motion)) == ["V659"]


def test_a_floor_beside_a_wall_has_its_own_tolerance():
    """Walls may be given more than floors: a floor is then still held to its own, even where no cell is judged."""
    loose = dataclasses.replace(by_hand.TOLERANCES, wall_mm=0.05)
    for z, bad in ((1.985, False), (1.965, True)):
        motion = outlined(stepped(drilled(faced(Motion()))))
        motion.rapid(X + 5.42, Y).rapid(z=5.5).line(z=z).rapid(z=30)  # 0.08 over the head's rim: under two cells
        verdict = judge(
            motion.reading(), list, setup=by_hand.stud_setup(), crib=by_hand.STUD_CRIB, machine=MACHINE,
            material=by_hand.MATERIAL, tolerances=loose, not_cut=(), cell_mm=0.05, workers=1,
        )  # fmt: skip
        assert ("V649" in codes(verdict)) == bad, z


def test_missing_part_and_kerf_not_cut():
    assert "V654" in codes(judged(faced(Motion()).rapid(z=30)))
    assert "V654" in codes(judged(Motion().rapid(z=25)))
    assert "V653" in codes(judged(whole(bottom=0.5)))
    assert "V654" not in codes(judged(whole(bottom=0.5)))


def test_clamp_stop_and_spacer():
    hit = whole()
    hit.rapid(22.5, 21.5).rapid(z=8.0).rapid(z=30)
    assert codes(judged(hit)) == ["V655"]
    near = whole()
    near.rapid(3.0, 18.0).rapid(z=7.0).rapid(18.0, 18.0).rapid(z=30)  # edges and shank pass clear, the holder is above
    assert judged(near).findings == ()
    low = by_hand.crib(by_hand.cutter(1, 3.0, stickout_mm=8.2, reach_mm=8.1, flute_length_mm=8.0),
                       *by_hand.STUD_CRIB.cutters[1:])  # fmt: skip
    # The holder of radius 10 at Z 8.5 passes the clamp's top at 9.0.
    motion = Motion().rapid(12.0, 10.0).rapid(z=5.2).rapid(z=30)
    close = by_hand.stud_setup(blocks=(dataclasses.replace(by_hand.CLAMP, outline=by_hand.box(4, 3, 23.0, 10)),))
    hits = judged(motion, crib=by_hand.crib(dataclasses.replace(low.cutters[0], stickout_mm=3.3)), setup=close)
    assert "V658" in codes(hits, "warning") and "V655" not in codes(hits)

    soft = Block(name="S", kind="sacrificial spacer", outline=by_hand.box(4, 6, 24.5, 8), height_mm=5.0,
                 cut_depth_mm=2.0)  # fmt: skip
    setup = by_hand.stud_setup(blocks=(soft,))
    for z, feed, bad in ((3.2, True, False), (2.5, True, True), (3.2, False, True)):
        run = whole()
        run.rapid(26.5, 10.0)
        (run.line if feed else run.rapid)(z=z)
        run.rapid(z=30)
        assert codes(judged(run, setup=setup)) == (["V657"] if bad else [])
    rigid = dataclasses.replace(soft, kind="rigid spacer")
    run = whole()
    run.rapid(26.5, 10.0).line(z=4.5).rapid(z=30)
    assert codes(judged(run, setup=by_hand.stud_setup(blocks=(rigid,)))) == ["V656"]


def test_dwell_in_contact_is_a_warning():
    motion = whole()
    at = next(i for i, row in enumerate(motion.rows) if row[0] == 1 and row[2][2] == 3.9)
    motion.dwells[at + 2] = 0.5
    verdict = judged(motion)
    assert codes(verdict, "warning") == ["V648"] and verdict.verdict == "released"


def test_unknown_cutter_and_values_that_are_no_numbers():
    motion = whole()
    motion.tool = 9
    motion.rapid(3.0, 3.0).line(z=4.0).rapid(z=30)
    assert set(codes(judged(motion))) == {"V659"}
    broken = whole().reading()
    broken.moves.end[5, 0] = np.nan
    verdict = judge(
        broken, list, setup=by_hand.stud_setup(), crib=by_hand.STUD_CRIB, machine=MACHINE,
        material=by_hand.MATERIAL, tolerances=by_hand.TOLERANCES, not_cut=(), cell_mm=0.1, workers=1,
    )  # fmt: skip
    assert "V662" in codes(verdict)


def test_below_the_skin_plane_beside_the_billet():
    motion = whole()
    motion.rapid(30.0, 10.0).rapid(z=0.1).rapid(z=30)
    assert codes(judged(motion)) == ["V663"]


def test_no_moves_at_all_is_refused():
    verdict = judged(Motion())
    assert verdict.verdict == "refused" and codes(verdict)[0] == "V654"


def test_many_faults_of_one_kind_become_one_finding():
    fault = Fault(code="V641", part_id="clip-1", cutter=3, line=40, at_mm=None, amount_mm=0.1, found="x", wanted="y")
    faults = [fault, dataclasses.replace(fault, line=12, amount_mm=0.05), dataclasses.replace(fault, cutter=4)]
    one, two = as_findings(faults)
    assert one.line == 40 and "worst of 2" in one.found and "line 12" in one.found
    assert one.where == "clip-1, T3, line 40"
    assert two.where == "clip-1, T4, line 40" and "worst" not in two.found


def test_codes_are_in_the_judges_range():
    assert all(code.startswith("V6") and 640 <= int(code[1:]) <= 699 for code in CODES)
