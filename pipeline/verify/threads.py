"""Thread mills, hole by hole: a field of heights cannot hold what they undercut.

Words. A *dip* is a run of moves of one thread mill below the billet's top. Each dip must lie in a threaded hole of a
part, and hold a helix that makes its thread; everything else a thread mill does down there is a fault. The stock that
a dip may meet on its way is that before this cutter's section of the program.

Assumed, since neither crib nor part says it: a single row of teeth at the tip, a 60 degree profile with a flat of an
eighth of the pitch; right hand unless the thread's name says LH; a straight shank on the neck of the crib.
"""

from __future__ import annotations

import dataclasses
import itertools
import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from pipeline.model.findings import Severity
from pipeline.model.part import Hole, Side, Thread
from pipeline.model.setup import PlacedPart, Setup
from pipeline.model.shop import Crib, Cutter, CutterKind, Material
from pipeline.model.toolpath import NotCut
from pipeline.model.units import EPS_MM
from pipeline.model.verdict import Measured
from pipeline.verify.contact import CHIP_LIMIT, LONG_DWELL_S, SPEED_LIMIT
from pipeline.verify.faults import Fault
from pipeline.verify.helices import (
    SAME_MM,
    Helix,
    arc_turn_rad,
    check_passing,
    farthest_mm,
    helices,
    turn_about_rad,
)
from pipeline.verify.probe import RAYS, Probe
from pipeline.verify.reading import ARC_CCW, ARC_CW, RAPID, Moves, Reading, spindle_starts
from pipeline.verify.thread_form import pitch_diameter_mm, pitch_limits_mm, tip_flat_mm
from pipeline.verify.tools import ToolTable

Array = NDArray[np.float64]
PITCH_SHARE = 0.005  # of the pitch that a turn may be off; our shop's
OFF_AXIS_MM = 0.02  # of the helix from the hole; our shop's
LEAD_LOW, LEAD_HIGH = 0.4, 1.1  # of the pitch's share of its turn that a way in or out may rise; P beta / 360 is whole
_ASTRAY = 0.03  # of the pitch that ways in and out may be off in all
_STRAIGHT = 0.97  # of its length that goes outward: such a line is no part of a curve
_RUB_MM = 0.005  # as in tools.py
_TEXT_MM = 0.0025  # of a diameter: rounding of a program in ten-thousandths of an inch
_RING_MM = 0.3
_CORE_MM = 0.02  # what a floor is looked at inside the least core


@dataclass(slots=True, eq=False)
class _Threaded:
    """A threaded hole in the setup frame, and the helices found in it."""

    placed: PlacedPart
    hole: Hole
    thread: Thread
    x_mm: float
    y_mm: float
    top_z_mm: float
    bottom_z_mm: float
    cut: list[tuple[Helix, Cutter]] = field(default_factory=list)


def check_thread_mills(
    setup: Setup, *, moves: Moves, crib: Crib, tools: ToolTable, material: Material, not_cut: Sequence[NotCut],
    dog_leg: bool = False, reading: Reading | None = None, spin_up_s: float = 0.0, seconds: Array | None = None,
) -> tuple[list[Fault], tuple[Measured, ...]]:
    """Faults of every move of a thread mill below the billet's top, and of threads that are missing; and for each
    threaded hole its rows: pitch, pitch and major diameter, length. The core's row is in `measure_features`.

    `dog_leg`: rapids may run axis by axis. Dwells in contact, and whether the spindle had `spin_up_s` to come up
    to speed, are judged where a `reading` is given; `seconds` (n moves,) is the time of each move, none counts as 0.
    """
    judge = _Threads(setup, moves, crib, tools, material)
    faults = [f for dip in judge.dips() for f in judge.dip(dip)]
    faults += check_passing(setup, moves=moves, mills=judge.mills, dog_leg=dog_leg)
    if reading is not None:
        faults += judge.dwells(reading)
        faults += judge.spin_up(reading, spin_up_s, np.zeros(len(moves.kind)) if seconds is None else seconds)
    rows: list[Measured] = []
    for hole in judge.holes:
        later = next((n.setup for n in not_cut if n.part_id in (hole.placed.part_id, "")
                      and n.feature_id == hole.hole.id and "thread" in n.operation), "")  # fmt: skip
        if hole.cut:
            faults += judge.size(hole)
        elif not later:
            faults.append(
                Fault(code="V697", part_id=hole.placed.part_id, cutter=0, line=0, amount_mm=hole.thread.pitch_mm,
                      at_mm=(hole.x_mm, hole.y_mm, hole.top_z_mm),
                      found=f"{hole.hole.id}: no thread {hole.thread.name} is milled, and none is declared for later",
                      wanted="the thread milled, or declared as not cut")
            )  # fmt: skip
        rows += _rows(hole, f"cut in {later}" if later else "not cut")
    return faults, tuple(rows)


class _Threads:
    def __init__(self, setup: Setup, moves: Moves, crib: Crib, tools: ToolTable, material: Material) -> None:
        self.setup, self.moves, self.tools, self.material = setup, moves, tools, material
        self.mills = {c.number: c for c in crib.cutters if c.kind is CutterKind.THREAD}
        self.low = np.minimum(moves.start[:, 2], moves.end[:, 2])
        self.mine = np.isin(moves.tool, np.array(sorted(self.mills), dtype=np.int32))
        self.top = setup.z.top_high_mm
        self.down = self.mine & (self.low < self.top - EPS_MM)
        self.holes = tuple(_threaded(setup))
        self.probes: dict[int, Probe] = {}

    def dips(self) -> Iterator[list[int]]:
        """Runs of moves of one thread mill below the billet's top."""
        down = np.flatnonzero(self.down)
        cuts = np.flatnonzero((np.diff(down) != 1) | (np.diff(self.moves.tool[down]) != 0)) + 1
        return (run.tolist() for run in np.split(down, cuts) if len(run))

    def dip(self, run: list[int]) -> Iterator[Fault]:
        """All that is wrong in one dip; its helices go to its hole."""
        moves, cutter = self.moves, self.mills[int(self.moves.tool[run[0]])]
        low = run[int(np.argmin(self.low[run]))]
        points = np.vstack([moves.start[run, :2], moves.end[run, :2]])
        x, y = (points.min(axis=0) + points.max(axis=0)) / 2
        hole = min(self.holes, key=lambda h: math.hypot(h.x_mm - x, h.y_mm - y), default=None)
        if hole is None or math.hypot(hole.x_mm - x, hole.y_mm - y) > hole.thread.major_mm / 2:
            yield self._fault("V697", low, None, self.top - self.low[low],
                              "a thread mill below the top of the billet where no threaded hole is",
                              "thread mills down in threaded holes only")  # fmt: skip
            return
        found = helices(moves, run, (hole.x_mm, hole.y_mm))
        rising = [h for h in found if abs(h.rise_mm) > EPS_MM]
        hole.cut += [(h, cutter) for h in rising]
        yield from self._state(run, hole)
        yield from self._stages(run, hole, cutter)
        if len(rising) < len(found):
            flat = next(h for h in found if h not in rising)
            yield self._fault("V697", flat.first, hole, hole.thread.pitch_mm,
                              "a whole turn that does not rise: a groove, not a thread", "a helix")  # fmt: skip
        if not rising:
            yield self._fault("V697", low, hole, self.top - self.low[low], "a thread mill in its hole without a helix",
                              "one turn of a helix at least")  # fmt: skip
            return
        for h in rising:
            yield from self._helix(h, hole, cutter)
        yield from self._ways(run, rising, hole, cutter)

    def _fault(
        self, code: str, i: int, hole: _Threaded | None, amount: float, found: str, wanted: str, hint: str = "",
        severity: Severity = "error",
    ) -> Fault:  # fmt: skip
        x, y, z = (float(v) for v in self.moves.end[i])
        name = f"{hole.hole.id}: " if hole else ""
        return Fault(
            code=code, part_id=hole.placed.part_id if hole else "", cutter=int(self.moves.tool[i]),
            line=int(self.moves.line[i]), at_mm=(x, y, z), amount_mm=float(amount), found=name + found, wanted=wanted,
            hint=hint, severity=severity,
        )  # fmt: skip

    def _state(self, run: list[int], hole: _Threaded) -> Iterator[Fault]:
        m = self.moves
        feed = [i for i in run if m.kind[i] != RAPID]
        for code, wrong, found, wanted in (
            ("V642", lambda i: m.spindle[i] == 0, "threading with the spindle standing", "M3"),
            ("V643", lambda i: m.spindle[i] < 0, "threading with the spindle turning the wrong way", "M3"),
            ("V644", lambda i: m.coolant[i] == 0, "threading without coolant", "coolant on in every cut"),
            ("V645", lambda i: not m.known_z[i], "threading while no length offset is active", "G43 with its H"),
        ):
            first = next((i for i in feed if wrong(i)), None)
            if first is not None:
                yield self._fault(code, first, hole, 0.0, found, wanted)

    def _probe(self, i: int) -> Probe:
        """The stock before the section of the program that move i is in."""
        other = np.flatnonzero(self.moves.tool[:i] != self.moves.tool[i])
        first = int(other[-1]) + 1 if len(other) else 0
        if first not in self.probes:
            self.probes[first] = Probe.of(self.moves, self.tools, start_z_mm=self.top, before=first)
        return self.probes[first]

    def _stages(self, run: list[int], hole: _Threaded, cutter: Cutter) -> Iterator[Fault]:
        """Neck, shank and holder against the stock; the tip against the hole's floor and the skin."""
        low = run[int(np.argmin(self.low[run]))]
        tip, probe = float(self.low[low]), self._probe(run[0])
        points = np.vstack([self.moves.start[run, :2], self.moves.end[run, :2]])
        off = float(np.hypot(points[:, 0] - hole.x_mm, points[:, 1] - hole.y_mm).max())
        for name, from_tip, diameter in (
            ("neck", cutter.flute_length_mm, cutter.neck_diameter_mm),
            ("shank", max(cutter.reach_mm, cutter.flute_length_mm), cutter.shank_diameter_mm),
            ("holder", cutter.stickout_mm, cutter.holder_diameter_mm),
        ):
            if tip + from_tip >= self.top or (name == "neck" and cutter.reach_mm <= cutter.flute_length_mm):
                continue
            z = probe.heights(_disc(hole.x_mm, hole.y_mm, off + diameter / 2 - _RUB_MM))
            over = float(z.max()) - tip - from_tip
            if over > EPS_MM:
                yield self._fault("V646", low, hole, over, f"the {name} in stock that stands {over:.3f} mm higher",
                                  "a neck that clears the hole, and what stands round it",
                                  "check diameters and lengths of the thread mill in the crib")  # fmt: skip
        core = hole.thread.drill_limits_mm[0] / 2 - _CORE_MM
        over = float(probe.heights(_disc(hole.x_mm, hole.y_mm, core)).max()) - tip
        if over > EPS_MM:
            yield self._fault("V696", low, hole, over, f"the tip {over:.3f} mm in the floor of the hole",
                              "the tip over what is drilled")  # fmt: skip
        if tip < self.setup.z.skin_mm - EPS_MM:
            yield self._fault("V640", low, hole, self.setup.z.skin_mm - tip,
                              f"the tip {self.setup.z.skin_mm - tip:.3f} mm below the skin plane",
                              f"a skin of {self.setup.z.skin_mm:.3f} mm everywhere")  # fmt: skip

    def _helix(self, h: Helix, hole: _Threaded, cutter: Cutter) -> Iterator[Fault]:
        wanted, moves = hole.thread.pitch_mm, self.moves
        off = max(abs(h.pitch_mm - wanted), h.uneven_mm)
        if off > PITCH_SHARE * wanted:
            yield self._fault("V693", h.first, hole, off, f"a helix of pitch {h.pitch_mm:.4f} mm, Z off its course by "
                              f"up to {h.uneven_mm:.4f} mm", f"{wanted:.4f} mm for each turn of {hole.thread.name}")
        if h.is_right_hand == ("LH" in hole.thread.name):
            word = "right" if h.is_right_hand else "left"
            yield self._fault("V694", h.first, hole, wanted, f"a {word}-hand helix",
                              f"the hand of {hole.thread.name}", "right hand: G3 and up, or G2 and down")  # fmt: skip
        elif h.turn_rad < 0:
            yield self._fault("V694", h.first, hole, 0.0, "an inside thread milled clockwise: against the climb",
                              "counter-clockwise with M3", severity="warning")  # fmt: skip
        away = math.hypot(h.x_mm - hole.x_mm, h.y_mm - hole.y_mm)
        if away > OFF_AXIS_MM:
            yield self._fault("V696", h.first, hole, away, f"a helix {away:.3f} mm off the hole's axis",
                              f"at most {OFF_AXIS_MM:.3f} mm")  # fmt: skip
        feed, rpm = float(moves.feed_mm_min[h.first : h.last + 1].max()), float(moves.rpm[h.first])
        if rpm > 0:
            # The edge runs on the wall, faster than the centre: feed factor (D - d) / D, Machinery's Handbook.
            chip = feed * (h.radius_mm + cutter.diameter_mm / 2) / h.radius_mm / (rpm * cutter.flutes)
            if chip > CHIP_LIMIT * cutter.chip_load_mm:
                yield self._fault("V660", h.first, hole, chip, f"a chip of {chip:.4f} mm for each tooth at the wall",
                                  f"at most {CHIP_LIMIT * cutter.chip_load_mm:.4f} mm",
                                  "the feed of the text is that of the cutter's centre")  # fmt: skip
        speed = math.pi * cutter.diameter_mm * rpm / 1000
        band = self.material.speed_band_m_min.get(cutter.substrate, (0.0, 0.0))
        limit = SPEED_LIMIT * max(cutter.surface_speed_m_min * max(1.0, self.material.speed_factor), band[1])
        if speed > limit:
            yield self._fault("V661", h.first, hole, 0.0, f"a surface speed of {speed:.1f} m/min",
                              f"at most {limit:.1f} m/min in {self.material.name}")  # fmt: skip

    def _ways(self, run: list[int], rising: list[Helix], hole: _Threaded, cutter: Cutter) -> Iterator[Fault]:
        """The ways in and out: up and down only where there is room, sideways never past the thread, in and out at the
        thread's own steepness."""
        m, radius = self.moves, cutter.diameter_mm / 2
        widest = max(rising, key=lambda h: h.radius_mm)
        hand = math.copysign(1.0, widest.turn_rad * widest.rise_mm)
        astray, probe, inside = 0.0, self._probe(run[0]), {i for h in rising for i in range(h.first, h.last + 1)}
        for i in run:
            if i in inside:
                continue
            far = farthest_mm(m, i, (hole.x_mm, hole.y_mm))
            if far > widest.radius_mm + SAME_MM + OFF_AXIS_MM:
                over = far - widest.radius_mm
                yield self._fault("V696", i, hole, over, f"the thread mill {over:.3f} mm outside its thread",
                                  "inside the helix on the way in and out")  # fmt: skip
            moved = math.hypot(*(m.end[i, :2] - m.start[i, :2]))
            is_arc = m.kind[i] in (ARC_CW, ARC_CCW)
            if m.kind[i] == RAPID or (moved <= EPS_MM and not is_arc):
                ends = [m.start[i, :2], m.end[i, :2]] if moved > EPS_MM else [m.end[i, :2]]
                z = max(float(probe.heights(_disc(float(p[0]), float(p[1]), radius - _RUB_MM)).max()) for p in ends)
                over = z - float(self.low[i])
                if over > EPS_MM:
                    word = "in" if m.end[i, 2] <= m.start[i, 2] else "out"
                    yield self._fault("V696", i, hole, over, f"on the way {word} the teeth pass through stock that "
                                      f"stands {over:.3f} mm over the tip", "in and out along the hole's axis")
                continue
            if far + radius <= hole.thread.drill_limits_mm[0] / 2:
                continue
            r0, r1 = (math.hypot(p[i, 0] - hole.x_mm, p[i, 1] - hole.y_mm) for p in (m.start, m.end))
            if not is_arc and abs(r1 - r0) > _STRAIGHT * moved:
                yield self._fault("V696", i, hole, moved, "straight into or out of the thread's wall",
                                  "an arc that rises with the thread", severity="warning")  # fmt: skip
                continue
            turn = arc_turn_rad(m, i) if is_arc else turn_about_rad(m, i, (hole.x_mm, hole.y_mm))
            rise, right = float(m.end[i, 2] - m.start[i, 2]), hand * hole.thread.pitch_mm * turn / (2 * math.pi)
            # The teeth may be off the thread by a share of its pitch before they cut into what stays.
            off = max(LEAD_LOW * abs(right) - rise * math.copysign(1.0, right),
                      rise * math.copysign(1.0, right) - (LEAD_HIGH if is_arc else 2 * LEAD_HIGH) * abs(right))
            astray += max(0.0, off)
            if off > 0 and astray > _ASTRAY * hole.thread.pitch_mm:
                yield self._fault("V696", i, hole, astray, f"a way in or out {astray:.4f} mm off the thread's course",
                                  "the pitch's share of its turn as rise", "else the teeth cut across the thread")

    def size(self, hole: _Threaded) -> Iterator[Fault]:
        """The thread of the widest helix against its limits, and whether it comes out at the mouth."""
        helix, _ = _widest(hole)
        low, high = pitch_limits_mm(hole.thread)
        pitch, major = _sizes(hole)
        if not (pitch >= low - EPS_MM and (high is None or pitch <= high + EPS_MM)):
            off = max(low - pitch, pitch - high if high is not None else 0.0) if math.isfinite(pitch) else low
            yield self._fault("V695", helix.first, hole, off, f"a pitch diameter of {pitch:.4f} mm with its over-cut",
                              f"{low:.4f} to {high:.4f} mm" if high is not None else f"at least {low:.4f} mm",
                              "change the radius of the helix")  # fmt: skip
        if major < hole.thread.major_mm - _TEXT_MM:
            yield self._fault("V695", helix.first, hole, hole.thread.major_mm - major,
                              f"a major diameter of {major:.4f} mm", f"at least {hole.thread.major_mm:.4f} mm",
                              "a screw at its limit would not enter")  # fmt: skip
        short = hole.top_z_mm - hole.thread.pitch_mm / 2 - max(h.high_z_mm + c.flute_length_mm for h, c in hole.cut)
        if short > EPS_MM:
            yield self._fault("V697", helix.last, hole, short + hole.thread.pitch_mm / 2,
                              f"the thread ends {short + hole.thread.pitch_mm / 2:.3f} mm below the hole's mouth",
                              "a helix that comes out of the hole")  # fmt: skip

    def spin_up(self, reading: Reading, wanted_s: float, seconds: Array) -> Iterator[Fault]:
        """First feeds below the billet's top sooner after the spindle's start than it needs to come up to speed: the
        hole is little wider than the mill, so it must run before it goes in."""
        m = self.moves
        for begin, end in itertools.pairwise([*spindle_starts(reading), len(m.kind)]):
            feeds = self.down[begin:end] & (m.kind[begin:end] != RAPID) & (m.spindle[begin:end] != 0)
            if not feeds.any():
                continue
            first = begin + int(np.argmax(feeds))
            after = int(m.line[begin - 1]) if begin else 0
            waited = float(seconds[begin:first].sum())
            waited += sum(s for line, s in reading.dwell_s.items() if after < line <= m.line[first])
            if waited < wanted_s - EPS_MM:
                yield self._fault("V667", first, None, wanted_s - waited,
                                  f"a thread mill fed into the billet {waited:.2f} s after the start of the spindle",
                                  f"{wanted_s:g} s to come up to speed", "a dwell G4 after M3")  # fmt: skip

    def dwells(self, reading: Reading) -> Iterator[Fault]:
        """Dwells while the teeth stand in stock: they rub in one place and harden it."""
        for line, s in sorted(reading.dwell_s.items()):
            i = int(np.searchsorted(self.moves.line, line)) - 1
            if s > 0 and i >= 0 and self.down[i] and self.moves.spindle[i] != 0 and self._ends_in_stock(i):
                fault = self._fault("V648", i, None, 0.0, f"a dwell of {s:g} s with the thread mill in the cut",
                                    "no dwell in contact", severity="error" if s > LONG_DWELL_S else "warning")
                yield dataclasses.replace(fault, line=line)

    def _ends_in_stock(self, i: int) -> bool:
        x, y, z = (float(v) for v in self.moves.end[i])
        rim = self.mills[int(self.moves.tool[i])].diameter_mm / 2 - _RUB_MM
        return float(self._probe(i).heights(_disc(x, y, rim)).max()) > z + EPS_MM


def _disc(x: float, y: float, radius: float) -> Array:
    """Points (n, 2) all over a disc, its rim among them."""
    rings = np.linspace(0.0, radius, 2 + math.ceil(radius / _RING_MM))[1:]
    return np.vstack([[(x, y)], *(np.array([x, y]) + r * RAYS for r in rings)])


def _threaded(setup: Setup) -> Iterable[_Threaded]:
    for placed in setup.parts:
        for f in placed.part.features:
            if isinstance(f, Hole) and f.thread and f.side is Side.INSIDE:
                x, y = placed.setup_from_part.points(np.array([[f.x_mm, f.y_mm]]))[0]
                yield _Threaded(placed=placed, hole=f, thread=f.thread, x_mm=float(x), y_mm=float(y),
                                top_z_mm=f.top_z_mm + placed.bottom_z_mm,
                                bottom_z_mm=f.bottom_z_mm + placed.bottom_z_mm)  # fmt: skip


def _widest(hole: _Threaded) -> tuple[Helix, Cutter]:
    return max(hole.cut, key=lambda item: item[0].radius_mm + item[1].diameter_mm / 2)


def _sizes(hole: _Threaded) -> tuple[float, float]:
    """Pitch diameter with its over-cut, and major diameter."""
    helix, cutter = _widest(hole)
    pitch = pitch_diameter_mm(
        axis_mm=helix.radius_mm, cutter_radius_mm=cutter.diameter_mm / 2, pitch_mm=helix.pitch_mm,
        tip_flat_mm=tip_flat_mm(hole.thread.pitch_mm),
    )  # fmt: skip
    return pitch, 2 * helix.radius_mm + cutter.diameter_mm


def _rows(hole: _Threaded, why: str) -> Iterator[Measured]:
    thread, values = hole.thread, dict[str, float]()
    if hole.cut:
        helix, cutter = _widest(hole)
        pitch, major = _sizes(hole)
        top = min(hole.top_z_mm, max(h.high_z_mm for h, _ in hole.cut) + cutter.flute_length_mm)
        length = top - min(h.low_z_mm for h, _ in hole.cut)
        values = {"thread pitch": helix.pitch_mm, "major diameter": major, "thread length": length}
        if math.isfinite(pitch):
            values["pitch diameter"] = pitch
    low, high = pitch_limits_mm(thread)
    slack = PITCH_SHARE * thread.pitch_mm
    for quantity, nominal, least, most in (
        ("thread pitch", thread.pitch_mm, thread.pitch_mm - slack, thread.pitch_mm + slack),
        ("pitch diameter", low, low, high),
        ("major diameter", thread.major_mm, thread.major_mm - _TEXT_MM, None),
        ("thread length", hole.top_z_mm - hole.bottom_z_mm, None, None),
    ):
        measured = values.get(quantity)
        yield Measured(
            part_id=hole.placed.part_id, feature_id=hole.hole.id, quantity=quantity, unit="mm",
            nominal=round(nominal, 6), low=None if least is None else round(least, 6),
            high=None if most is None else round(most, 6), measured=None if measured is None else round(measured, 6),
            why="" if measured is not None else "no groove half a pitch wide" if hole.cut else why,
        )  # fmt: skip
