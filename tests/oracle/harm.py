"""What harm a text does: the criteria, each with its limit and where the limit comes from.

Limits of cutting data: the crib holds start values, which a cutter stands for hours; `RESERVE` times them is where harm
begins (ours: what lies between is the shop's own choice). Contact below `TOUCH_MM` is the stamping's own noise.

Criteria, as words that every harm carries: language, past, unknown place, retract, change, gauge, machine, offset,
spindle, coolant, rapid, shank, clamp, bed, skin, vacuum, dwell, spin-up, chip, speed, depth, ramp, stroke, sideways,
path, gouge, left, kerf.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from pipeline.model.job import Tolerances
from pipeline.model.setup import Setup
from pipeline.model.shop import Crib, Cutter, CutterKind, Machine, Material
from pipeline.model.toolpath import NotCut
from tests.oracle.events import Before, Move, Pause, Reading
from tests.oracle.probes import SURE_MM, Stock, inside, near, stock_of
from tests.oracle.reader import run
from tests.oracle.stamping import BUCKET_MM, RAPID_SHRINK_MM, places, shapes, stamp, step_of

RESERVE = 1.6  # chip load, stepdown, peck
SPEED_RESERVE = 1.2  # cutter life falls with a high power of speed; a fifth more than the band's end burns the edge
RAMP_RESERVE = 1.3
WIDE = 0.6  # share of the diameter from which a cut counts as a slot, which the crib's stepdown is given for
OUTSIDE_GAIN = 3.0  # an edge outside an arc runs slower than the centre; never excuse more than this
TOUCH_MM = 0.02
DWELL_S = 1.0  # some 80 turns on one spot
SPIN_UP_SHARE = 0.5
BLOCK_STEP_MM = 0.25
NOISE_MM = 1e-3
MILLS, DRILLS = (CutterKind.FLAT, CutterKind.BALL), (CutterKind.DRILL, CutterKind.SPOT)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Case:
    """All that a text is judged with, in the product's own data types."""

    setup: Setup
    crib: Crib
    machine: Machine
    material: Material
    tolerances: Tolerances
    not_cut: Sequence[NotCut] = ()


@dataclass(frozen=True, slots=True)
class Harm:
    criterion: str
    line: int
    words: str

    def __str__(self) -> str:
        return f"{self.criterion}: {self.words}" + (f" (line {self.line})" if self.line else "")


@dataclass(slots=True)
class Judgement:
    """Harms in the order of the criteria, what was read, and the stock at the end (heights at the case's points)."""

    harms: list[Harm]
    reading: Reading
    z: np.ndarray
    stock: Stock
    said: set[tuple[str, str]] = field(default_factory=set)

    def add(self, criterion: str, line: int, words: str, once: str = "") -> None:
        """One harm; the same criterion and `once` is written down for its first place only."""
        if (criterion, once) not in self.said:
            self.said.add((criterion, once))
            self.harms.append(Harm(criterion, line, words))

    def criteria(self) -> list[str]:
        return sorted({h.criterion for h in self.harms})


def stranger(machine: Machine) -> Before:
    """The worst that another job may have left in the control."""
    other = 21.0 if machine.dialect.units == "in" else 20.0
    path = 64.0 if machine.dialect.path_word == "G61" else 0.0  # exact path never harms
    return Before(other, 18.0, 91.0, 93.0, 41.0, 99.0, 55.0, path, 7.3, (3.0, 2.0, 1.0), 777.0, 7777.0)


def judge(text: str, case: Case, stock: Stock | None = None) -> Judgement:
    """Everything that the text does wrong. `stock` is what `stock_of` gives for the case, when it is there already."""
    stock = stock or stock_of(case.setup, case.tolerances, case.not_cut)
    reading = run(text, machine=case.machine, crib=case.crib)
    out = Judgement([], reading, stock.z.copy(), stock)
    for line, words in reading.faults:
        out.add("language", line, words, words)
    _past(text, case, out)
    _pauses(case, out)
    moves = reading.moves
    if moves:
        _limits_of_machine(case, out, moves)
        _blocks(case, out, moves)
        felt = _cut(case, out, moves)
        _contacts(case, out, moves, felt)
        _strokes(case, out, moves, felt)
        _time(case, out, felt)
    _result(case, out)
    return out


def signature(event: Move | Pause) -> tuple:
    """What an event does, to a nanometre, without its line."""
    if isinstance(event, Pause):
        return event.what, event.seconds, event.spin, event.coolant, event.tool
    return (
        event.rapid, tuple(round(v, 6) for v in (*event.end, *event.centre, event.turn)), round(event.feed, 6),
        round(event.rpm, 6) if event.spin else 0.0, event.spin, event.coolant, event.tool, event.offset_tool,
        event.path,
    )  # fmt: skip


def _past(text: str, case: Case, out: Judgement) -> None:
    """The same text after another job."""
    other = run(text, machine=case.machine, crib=case.crib, before=stranger(case.machine))
    for a, b in zip(out.reading.events, other.events, strict=False):
        if signature(a) != signature(b):
            out.add("past", a.line, "what happens here depends on what ran before")
            return
    known = {words for _, words in out.reading.faults}
    new = [(line, words) for line, words in other.faults if words not in known]
    if new:
        out.add("past", new[0][0], f"after another job: {new[0][1]}")
    elif len(out.reading.events) != len(other.events):
        out.add("past", 0, "what happens depends on what ran before")


def _pauses(case: Case, out: Judgement) -> None:
    machine_frame = any("G53" in line for line in case.machine.dialect.safe_retract)
    checked: set[int] = set()
    fed = False
    for event in out.reading.events:
        if isinstance(event, Move):
            if not event.rapid and not fed:
                fed = True
                if event.tool not in checked:
                    out.add("gauge", event.line, "the first feed before a stop to check Z with the gauge block")
            continue
        if event.what == "M0":
            checked.add(event.tool)
        if event.what in ("M0", "M1") and event.spin:
            out.add("change", event.line, f"{event.what} with the spindle turning: hands go in at a stop")
        if event.what == "M6":
            if event.spin:
                out.add("change", event.line, "a change of the cutter with the spindle turning")
            if machine_frame and event.tool and not event.retracted:
                out.add("retract", event.line, f"a change of the cutter with the tip at Z {event.tip[2]:.2f}")


def _limits_of_machine(case: Case, out: Judgement, moves: list[Move]) -> None:
    m = case.machine
    low = np.array(m.travel_low_mm) - m.bed_origin_mm
    high = np.array(m.travel_high_mm) - m.bed_origin_mm
    lengths = {c.number: c.stickout_mm for c in case.crib.cutters}
    for move in moves:
        at = places(move, 1.0) if move.turn else np.array([move.start, move.end])
        nose = at + np.array([0.0, 0.0, lengths.get(move.tool, 0.0)])
        over = float(np.maximum(low - nose, nose - high).max())
        if over > NOISE_MM:
            out.add("machine", move.line, f"{over:.3f} mm beyond the machine's travel", "travel")
        if not move.rapid and move.feed > m.feed_high_mm_min * (1 + NOISE_MM):
            out.add("machine", move.line, f"a feed of {move.feed:.0f} mm/min", "feed")
        if move.spin and not move.rapid and not m.spindle_low_rpm - 1 <= move.rpm <= m.spindle_high_rpm + 1:
            out.add("machine", move.line, f"{move.rpm:.0f} rpm", "rpm")


def _blocks(case: Case, out: Judgement, moves: list[Move]) -> None:
    """Every stage of the tool against what stands on the bed, and a spindle that is lost down there."""
    z = case.setup.z
    highest = max([z.top_high_mm, *(b.height_mm for b in case.setup.blocks)])
    cutters = {c.number: c for c in case.crib.cutters}
    polygons = [np.array(b.outline) for b in case.setup.blocks]
    for move in moves:
        if min(move.start[2], move.end[2]) >= highest:
            continue
        cutter = cutters.get(move.tool)
        if cutter is None:
            out.add("offset", move.line, "the spindle down at the work with no known cutter", "no cutter")
            continue
        if not move.sure:
            out.add("unknown place", move.line, "down at the work from a place that is not known")
        at = np.vstack([[move.start], places(move, BLOCK_STEP_MM)])
        stages = ((0.0, cutter.diameter_mm), (cutter.flute_length_mm, cutter.neck_diameter_mm),
                  (cutter.reach_mm, cutter.shank_diameter_mm), (cutter.stickout_mm, cutter.holder_diameter_mm))
        lowest, box_low, box_high = at[:, 2].min(), at[:, :2].min(axis=0), at[:, :2].max(axis=0)
        for block, polygon in zip(case.setup.blocks, polygons, strict=True):
            soft = block.kind == "sacrificial spacer" and not move.rapid
            height = block.height_mm - (block.cut_depth_mm if soft else 0.0) - NOISE_MM
            for up, diameter in stages:
                reach = diameter / 2 - NOISE_MM
                if lowest + up >= height or (box_high < polygon.min(axis=0) - reach).any() or (
                        box_low > polygon.max(axis=0) + reach).any():  # fmt: skip
                    continue
                if near(at[at[:, 2] + up < height, :2], polygon, reach).any():
                    out.add("clamp", move.line, f"the {block.kind} {block.name} hit", block.name)


@dataclass(slots=True)
class _Felt:
    """Per move (n,): see `stamp`; `ends` is whether the move's last place cut, `starts` the share before contact."""

    deepest: np.ndarray
    sunk: np.ndarray
    volume: np.ndarray
    deep_volume: np.ndarray
    under: np.ndarray
    stage: np.ndarray
    low: np.ndarray
    ends: np.ndarray
    starts: np.ndarray


def _cut(case: Case, out: Judgement, moves: list[Move]) -> _Felt:
    n, stock, z = len(moves), out.stock, case.setup.z
    forms = shapes(case.crib)
    cutters = {c.number: c for c in case.crib.cutters}
    rows = [(i, m) for i, m in enumerate(moves) if m.tool in forms and min(m.start[2], m.end[2]) < z.top_high_mm]
    shape, limit = np.zeros((n, 10)), np.full(n, np.inf)
    tips, owner = [np.zeros((0, 3))], [np.zeros(0, dtype=np.int64)]
    billet = np.array(case.setup.billet)
    for i, m in rows:
        shape[i] = forms[m.tool]
        if cutters[m.tool].stepdown_mm > 0:
            limit[i] = RESERVE * cutters[m.tool].stepdown_mm
        at = places(m, step_of(cutters[m.tool].diameter_mm))
        tips.append(at)
        owner.append(np.full(len(at), i))
        floor = z.skin_mm - case.tolerances.floor_mm - SURE_MM
        deep = at[at[:, 2] < floor]
        if len(deep):
            lowest = float(deep[:, 2].min())
            if inside(deep[:, :2], billet).any():
                out.add("skin", m.line, f"the tip at Z {lowest:.3f}, where the skin ends at {z.skin_mm:g}")
            if lowest < -NOISE_MM:
                out.add("bed", m.line, f"the tip at Z {lowest:.3f}, in the bed")
    tip, own = np.ascontiguousarray(np.vstack(tips)), np.concatenate(owner)
    felt = {name: np.zeros(n) for name in ("deepest", "sunk", "volume", "deep_volume", "under", "stage")}
    first_contact, last_contact = np.full(n, -1, dtype=np.int64), np.full(n, -1, dtype=np.int64)
    low = np.full(n, np.inf)
    p = stock.points
    stamp(
        tip, own, np.array([m.rapid for m in moves]), limit, shape, p.x, p.y, p.area, out.z, p.x0, p.y0, p.columns,
        p.rows, p.first, z.top_high_mm, BUCKET_MM, RAPID_SHRINK_MM, felt["deepest"], felt["sunk"], felt["volume"],
        felt["deep_volume"], felt["under"], felt["stage"], first_contact, last_contact, low,
    )  # fmt: skip
    begin = np.searchsorted(own, np.arange(n))
    end = np.searchsorted(own, np.arange(n), side="right")
    count = np.maximum(1, end - begin)
    return _Felt(
        **felt, low=low, ends=(last_contact >= 0) & (last_contact >= end - 2),
        starts=np.where(first_contact >= 0, (first_contact - begin) / count, np.inf),
    )  # fmt: skip


def _contacts(case: Case, out: Judgement, moves: list[Move], felt: _Felt) -> None:
    cutters = {c.number: c for c in case.crib.cutters}
    for i, m in enumerate(moves):
        if felt.stage[i] > TOUCH_MM:
            out.add("shank", m.line, f"neck, shank or holder {felt.stage[i]:.2f} mm in stock")
        if felt.deepest[i] <= TOUCH_MM:
            continue
        if m.rapid:
            out.add("rapid", m.line, f"a rapid through {felt.deepest[i]:.2f} mm of stock")
            continue
        if m.spin <= 0 or m.rpm <= 0:
            out.add("spindle", m.line, "cutting with the spindle " + ("reversed" if m.spin < 0 else "standing"))
        if not m.coolant and case.machine.dialect.coolant_on:
            out.add("coolant", m.line, "cutting dry")
        if m.offset_tool != m.tool:
            out.add("offset", m.line, "cutting with the length offset of another cutter or none", "length")
        if m.path == 64.0 and case.machine.dialect.path_word == "G61":
            out.add("path", m.line, "cutting in continuous mode, which may round corners without a limit")
        _data(case, out, m, i, felt, cutters[m.tool])


def _data(case: Case, out: Judgement, m: Move, i: int, felt: _Felt, c: Cutter) -> None:
    """Cutting data of one move that cuts."""
    plan = math.dist(m.start[:2], m.end[:2]) if not m.turn else math.sqrt(
        max(0.0, m.length**2 - (m.end[2] - m.start[2]) ** 2))  # fmt: skip
    fall = m.start[2] - m.end[2]
    wide = felt.volume[i] / ((plan + c.diameter_mm / 2) * felt.deepest[i]) > WIDE * c.diameter_mm
    if m.rpm > 0:
        speed = math.pi * c.diameter_mm * m.rpm / 1000
        band = case.material.speed_band_m_min.get(c.substrate, (0.0, 0.0))[1]
        most = max(band, c.surface_speed_m_min * max(1.0, case.material.speed_factor))
        if speed > SPEED_RESERVE * most:
            out.add("speed", m.line, f"{speed:.0f} m/min where {most:.0f} is the most")
        edges = 1 if c.kind is CutterKind.DRILL else c.flutes
        feed = m.feed
        # Outside an arc the edge at the wall runs slower than the centre. In a slot the thickest chip is in front,
        # where it runs as fast.
        if m.turn and not wide:
            radius = math.dist(m.start[:2], m.centre)
            feed /= min(OUTSIDE_GAIN, radius / (radius - c.diameter_mm / 2)) if radius > c.diameter_mm / 2 else 1.0
        chip = feed / (m.rpm * edges)
        if chip > RESERVE * c.chip_load_mm:
            out.add("chip", m.line, f"a chip of {chip:.4f} mm where the crib has {c.chip_load_mm:g}")
    if c.kind in MILLS:
        if felt.deepest[i] > c.flute_length_mm + TOUCH_MM:
            out.add("depth", m.line, f"a cut {felt.deepest[i]:.2f} mm deep, beyond the flutes")
        width = felt.deep_volume[i] / ((plan + c.diameter_mm / 2) * felt.deepest[i])
        if c.stepdown_mm > 0 and felt.deepest[i] > RESERVE * c.stepdown_mm and width > WIDE * c.diameter_mm:
            out.add("depth", m.line, f"a slot {felt.deepest[i]:.2f} mm deep where the crib has {c.stepdown_mm:g}")
        steepest = math.tan(RAMP_RESERVE * c.ramp_angle_rad) * plan + TOUCH_MM / 4
        if c.ramp_angle_rad > 0 and fall > max(steepest, TOUCH_MM) and felt.under[i] > TOUCH_MM:
            out.add("ramp", m.line, f"{math.degrees(math.atan2(fall, plan)):.1f} degrees down into stock")
    elif c.kind in DRILLS and plan > TOUCH_MM / 2:
        out.add("sideways", m.line, f"a drill fed {plan:.2f} mm sideways in stock")


def _strokes(case: Case, out: Judgement, moves: list[Move], felt: _Felt) -> None:
    cutters = {c.number: c for c in case.crib.cutters}
    depth = 0.0
    for i, m in enumerate(moves):
        c = cutters.get(m.tool)
        if m.rapid or c is None or c.kind is not CutterKind.DRILL or m.end[2] >= m.start[2]:
            depth = 0.0
            continue
        depth += float(felt.sunk[i])
        if 0 < RESERVE * c.peck_mm < depth:
            out.add("stroke", m.line, f"a drill {depth:.2f} mm down in one stroke where the crib has {c.peck_mm:g}")


def _time(case: Case, out: Judgement, felt: _Felt) -> None:
    """Dwells in contact, and cuts before the spindle has come up to speed."""
    waited, turning, tool, i, cut = math.inf, 0, 0, -1, False
    for event in out.reading.events:
        if event.spin and (event.spin != turning or event.tool != tool):
            waited = 0.0
        turning, tool = event.spin, event.tool
        if isinstance(event, Pause):
            waited += event.seconds
            if event.what == "M6":
                turning, cut = 0, False
            elif cut and (event.what != "dwell" or event.seconds > DWELL_S):
                out.add("dwell", event.line, f"a {event.what} of {event.seconds:g} s in the cut")
            continue
        i += 1
        speed = case.machine.rapid_mm_min if event.rapid else event.feed
        seconds = 60 * event.length / speed if speed > 0 else 0.0
        if event.spin and not event.rapid and felt.deepest[i] > TOUCH_MM:
            before = waited + seconds * float(felt.starts[i])
            if before < SPIN_UP_SHARE * case.machine.dialect.spin_up_s:
                out.add("spin-up", event.line, f"a cut {before:.1f} s after the start")
        waited += seconds
        cut = bool(felt.ends[i]) and not event.rapid


def _result(case: Case, out: Judgement) -> None:
    """The stock at the end against the good heights."""
    stock, z = out.stock, out.z
    at = stock.points

    def worst(criterion: str, off: np.ndarray, words: str) -> None:
        if len(off) and off.max() > 0:
            k = int(np.argmax(off))
            out.add(criterion, 0, f"{words} by {off[k]:.3f} mm more than allowed at X {at.x[k]:.2f} Y {at.y[k]:.2f}")

    skin = case.setup.z.skin_mm - case.tolerances.floor_mm - SURE_MM
    below = np.where(stock.inside, stock.low - z, -np.inf)
    on_part = stock.low > skin + NOISE_MM
    worst("gouge", np.where(on_part, below, -np.inf), "a part cut too deep")
    worst("skin", np.where(on_part, -np.inf, below), "the skin cut too deep")
    over = np.where(stock.inside, z - stock.high, -np.inf)
    worst("left", np.where(stock.part >= 0, over, -np.inf), "stock left on a part")
    worst("kerf", np.where(stock.part >= 0, -np.inf, over), "stock left round a part")
    if (stock.inside & (z <= 0)).any():
        xy = np.column_stack([at.x, at.y])[stock.inside & (z <= 0)]
        if inside(xy, np.array(case.setup.gasket)).any():
            out.add("vacuum", 0, "a hole through the plate inside the gasket")

