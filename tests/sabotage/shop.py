"""Classes of mutants in which the text is clean and the shop is not what it was written for.

Nothing in the text changes: the crib, the machine, the billet or what stands on the bed differs, for the oracle and the
verifier alike.
"""

from __future__ import annotations

import dataclasses
import random
import re
from collections.abc import Iterator
from typing import Any

import numpy as np

from pipeline.model.frames import Pose
from pipeline.model.setup import Setup
from pipeline.model.shop import Block, CutterKind
from tests.sabotage.mutants import Group, Mutant
from tests.sabotage.programs import Base

shop = Group("set-up")
Mutants = Iterator[Mutant]


def _in(base: Base, name: str, **changes: Any) -> Mutant:
    case = dataclasses.replace(base.case, **changes)
    return Mutant("", name, base.name, "\n".join(base.lines) + "\n", case)


def _with_setup(base: Base, name: str, **changes: Any) -> Mutant:
    return _in(base, name, setup=dataclasses.replace(base.case.setup, **changes))


def _used(base: Base) -> list[int]:
    return sorted({int(m[1]) for line in base.lines if (m := re.match(r"T(\d+) M6", line))})


def _cutter(base: Base, number: int, name: str, **changes: Any) -> Mutant:
    crib = base.case.crib
    new = tuple(dataclasses.replace(c, **changes) if c.number == number else c for c in crib.cutters)
    return _in(base, f"T{number}: {name}", crib=dataclasses.replace(crib, cutters=new))


def _each_cutter(base: Base, rng: random.Random) -> Iterator[Any]:
    used = _used(base)
    rng.shuffle(used)
    for number in used:
        yield base.case.crib.cutter(number)


@shop("cutter of another diameter", "gouge, left, kerf", per_base=8)
def _diameter(base: Base, rng: random.Random) -> Mutants:
    for by in (0.03, -0.06, 0.5, -0.5):
        for c in _each_cutter(base, rng):
            yield _cutter(base, c.number, f"{by:+g} mm in diameter", diameter_mm=c.diameter_mm + by,
                          neck_diameter_mm=min(c.neck_diameter_mm, c.diameter_mm + by))  # fmt: skip


@shop("drill for a mill", "gouge, left, ramp, sideways")
def _kind(base: Base, rng: random.Random) -> Mutants:
    for c in _each_cutter(base, rng):
        if c.kind is CutterKind.FLAT:
            yield _cutter(base, c.number, "a drill", kind=CutterKind.DRILL, point_angle_rad=2.06)
            yield _cutter(base, c.number, "a ball", kind=CutterKind.BALL, point_angle_rad=0.0)
        else:
            yield _cutter(base, c.number, "a flat mill", kind=CutterKind.FLAT, point_angle_rad=0.0)


@shop("another point", "gouge, left")
def _point(base: Base, rng: random.Random) -> Mutants:
    for c in _each_cutter(base, rng):
        if c.kind in (CutterKind.DRILL, CutterKind.SPOT):
            yield _cutter(base, c.number, "a sharper point", point_angle_rad=c.point_angle_rad - 0.6)
            yield _cutter(base, c.number, "a blunter point", point_angle_rad=min(3.0, c.point_angle_rad + 0.7))


@shop("length table mixed up", "offset, gouge, left, bed")
def _lengths(base: Base, rng: random.Random) -> Mutants:
    used = _used(base)
    pairs = [(a, b) for a in used for b in used if a < b]
    rng.shuffle(pairs)
    for a, b in pairs:
        d = dataclasses.replace(base.case.machine.dialect, length_offsets={a: b, b: a})
        yield _in(base, f"H{a} and H{b} mixed up", machine=dataclasses.replace(base.case.machine, dialect=d))
    for a in used:
        d = dataclasses.replace(base.case.machine.dialect, length_offsets={a: 70 + a})
        yield _in(base, f"H{a} empty", machine=dataclasses.replace(base.case.machine, dialect=d))


@shop("cutter pushed in too far", "shank, clamp", per_base=5)
def _stickout(base: Base, rng: random.Random) -> Mutants:
    """Length and offset are true, and the holder is low."""
    thick = base.case.setup.z.top_mm - base.case.setup.z.skin_mm
    for share in (0.3, 0.6, 0.9):
        for c in _each_cutter(base, rng):
            yield _cutter(base, c.number, f"holder {share * thick:.1f} mm over the tip", stickout_mm=share * thick,
                          reach_mm=share * thick * 0.9, flute_length_mm=share * thick * 0.8)  # fmt: skip


@shop("short flutes or a thick shank", "shank, depth", per_base=5)
def _shank(base: Base, rng: random.Random) -> Mutants:
    for reach in (0.5, 1.2, 2.5):
        for c in _each_cutter(base, rng):
            yield _cutter(base, c.number, f"shank from {reach:g} mm", reach_mm=reach, flute_length_mm=reach,
                          shank_diameter_mm=c.diameter_mm + 3)  # fmt: skip


def _block_setups(base: Base, block: Block, name: str) -> Mutant:
    others = tuple(b for b in base.case.setup.blocks if b.name != block.name)
    return _with_setup(base, f"{block.kind} {block.name}: {name}", blocks=(*others, block))


@shop("clamp or stop moved into the way", "clamp", per_base=6)
def _moved(base: Base, rng: random.Random) -> Mutants:
    middle = np.array(base.case.setup.parts[0].setup_from_part.shift_mm[:2])
    blocks = list(base.case.setup.blocks)
    rng.shuffle(blocks)
    for share in (0.5, 0.9, 0.25, 0.1):
        for block in blocks:
            outline = np.array(block.outline)
            at = outline + share * (middle - outline.mean(axis=0))
            yield _block_setups(base, dataclasses.replace(block, outline=at), f"{share:.0%} of the way to the part")


@shop("block higher", "clamp (none where no way leads past it)", per_base=6)
def _higher(base: Base, rng: random.Random) -> Mutants:
    blocks = list(base.case.setup.blocks)
    rng.shuffle(blocks)
    for height in (6.0, 20.0, 35.0):
        for block in blocks:
            yield _block_setups(base, dataclasses.replace(block, height_mm=height), f"{height:g} mm high")


@shop("clamp for a spacer that may be cut", "clamp")
def _hard(base: Base, rng: random.Random) -> Mutants:
    setup = base.case.setup
    x, y = setup.parts[0].setup_from_part.shift_mm[:2]
    box = np.array([[x - 1, y - 1], [x + 1, y - 1], [x + 1, y + 1], [x - 1, y + 1]])
    for kind in ("clamp", "rigid spacer"):
        yield _block_setups(base, Block(name="odd", kind=kind, outline=box, height_mm=setup.z.top_mm), "on the part")


@shop("billet lies elsewhere", "ramp, depth, rapid, left, kerf, shank", per_base=5)
def _billet(base: Base, rng: random.Random) -> Mutants:
    """The plate reaches farther: what was cut in air is cut in stock."""
    billet = np.array(base.case.setup.billet)
    middle = billet.mean(axis=0)
    for grow in (2.0, 4.0, 8.0):
        sides = np.sign(billet - middle)
        yield _with_setup(base, f"{grow:g} mm larger all round", billet=billet + grow * sides)
    for by in ((-4.0, 0.0), (0.0, 5.0)):
        yield _with_setup(base, f"moved {by}", billet=billet + np.array(by))


@shop("plate thicker", "rapid, depth, ramp, shank, left", per_base=5)
def _thick(base: Base, rng: random.Random) -> Mutants:
    z = base.case.setup.z
    for by in (0.3, 0.6, 1.0, 2.0, 4.0):
        tops = {name: getattr(z, name) + by for name in ("top_mm", "top_high_mm", "top_low_mm")}
        plan = dataclasses.replace(z, **tops)
        yield _with_setup(base, f"{by:g} mm thicker", z=plan)


@shop("skin thicker", "skin, bed")
def _skin(base: Base, rng: random.Random) -> Mutants:
    z = base.case.setup.z
    for by in (0.03, 0.1, 0.2):
        yield _with_setup(base, f"{by:g} mm thicker", z=dataclasses.replace(z, skin_mm=z.skin_mm + by))


def _posed(setup: Setup, dx: float, dy: float, dz: float, turn: float) -> Setup:
    parts = []
    for p in setup.parts:
        pose = p.setup_from_part
        x, y, z = pose.shift_mm
        angle = float(np.arctan2(pose.matrix[1, 0], pose.matrix[0, 0])) + turn
        own = Pose.planar(to="setup-1", frm="part", x_mm=x + dx, y_mm=y + dy, angle_rad=angle, z_mm=z + dz)
        parts.append(dataclasses.replace(p, setup_from_part=own))
    return dataclasses.replace(setup, parts=tuple(parts))


@shop("part moved after the text was written", "gouge, left, kerf", per_base=8)
def _pose(base: Base, rng: random.Random) -> Mutants:
    for dx, dy, dz, turn in ((0.012, 0, 0, 0), (0, -0.03, 0, 0), (0, 0, 0.03, 0), (0, 0, -0.05, 0), (0.3, 0.2, 0, 0),
                             (0, 0, 0, 0.004), (0, 0, 0.2, 0), (2, 0, 0, 0)):  # fmt: skip
        yield _in(base, f"by {dx:g}, {dy:g}, {dz:g}, turned {turn:g}", setup=_posed(base.case.setup, dx, dy, dz, turn))


@shop("machine that cannot", "machine, language (arcs, cycles)", per_base=6)
def _machine(base: Base, rng: random.Random) -> Mutants:
    m = base.case.machine
    short = (m.bed_origin_mm[0] + 10, *m.travel_high_mm[1:])
    yield _in(base, "short in X", machine=dataclasses.replace(m, travel_high_mm=short))
    yield _in(base, "short in Z", machine=dataclasses.replace(m, travel_low_mm=(*m.travel_low_mm[:2], -100.0)))
    yield _in(base, "a slow spindle", machine=dataclasses.replace(m, spindle_high_rpm=2000.0))
    yield _in(base, "slow axes", machine=dataclasses.replace(m, feed_high_mm_min=40.0))
    yield _in(base, "no cycles, quarter turns", machine=dataclasses.replace(
        m, dialect=dataclasses.replace(m.dialect, canned_cycles=frozenset(), longest_arc_rad=np.pi / 4)))  # fmt: skip
    away = (m.bed_origin_mm[0] - 300, *m.bed_origin_mm[1:])
    yield _in(base, "bed elsewhere", machine=dataclasses.replace(m, bed_origin_mm=away))


@shop("weaker cutter or harder plate", "chip, speed, depth, ramp, stroke", per_base=8)
def _weak(base: Base, rng: random.Random) -> Mutants:
    for c in _each_cutter(base, rng):
        yield _cutter(base, c.number, "half the chip", chip_load_mm=c.chip_load_mm / 2.5)
        thin = {"stepdown_mm": c.stepdown_mm / 3, "peck_mm": c.peck_mm / 3}
        yield _cutter(base, c.number, "a third of the stepdown and peck", **thin)
    hard = dataclasses.replace(base.case.material, speed_band_m_min={"carbide": (5.0, 10.0), "cobalt": (2.0, 3.0)})
    cutters = base.case.crib.cutters
    slow = tuple(dataclasses.replace(c, surface_speed_m_min=c.surface_speed_m_min / 4) for c in cutters)
    crib = dataclasses.replace(base.case.crib, cutters=slow)
    yield _in(base, "a plate for a quarter of the speed", material=hard, crib=crib)
    for c in _each_cutter(base, rng):
        if c.kind is CutterKind.FLAT:
            yield _cutter(base, c.number, "a ramp of half a degree", ramp_angle_rad=0.0087)
