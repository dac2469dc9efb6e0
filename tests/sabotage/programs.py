"""The clean programs: two written by hand, with cycles, clamps and a stop; two of the planner, in mm and in inches."""

from __future__ import annotations

import dataclasses
import math
import re
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from pipeline.model.loop import Loop
from pipeline.model.part import Hole, Part, Pocket, Side
from pipeline.model.shop import Block, CutterKind
from tests.oracle.harm import Case
from tests.unit.verify import by_hand

ROOT = Path(__file__).parents[2]
Lines = list[str]


@dataclass(frozen=True, slots=True, eq=False)
class Base:
    """A clean program: its lines without numbers, and what it is judged with."""

    name: str
    lines: tuple[str, ...]
    case: Case
    by_hand: bool = True

    @property
    def inches(self) -> bool:
        return self.case.machine.dialect.units == "in"


# -- the stud: a face, a drilled hole, a step and an outline, all of rings

X, Y = by_hand.STUD_AT
STUD_POINT_Z = round(4.6 - 2.0 - by_hand.POINT_MM, 4)


def _ring(radius: float, z: float) -> Lines:
    """Down beside the part, round it clockwise in two halves, up again."""
    return [
        f"G0 X{X + radius:g} Y{Y:g}", "G0 Z5.5", f"G1 Z{z:g} F60",
        f"G2 X{X - radius:g} Y{Y:g} I-{radius:g} J0 F150", f"G2 X{X + radius:g} Y{Y:g} I{radius:g} J0", "G0 Z7",
    ]  # fmt: skip


def _section(tool: int, speed: int, x: float, y: float, body: Lines, *, stop: bool = False) -> Lines:
    check = ["(MSG, check Z zero with the gauge block)", "M0"] if stop else []
    return [
        "G53 G0 Z0", f"T{tool} M6", *check, f"G0 X{x:g} Y{y:g}", f"M3 S{speed}", "G4 P3", "M8",
        f"G43 H{tool} G0 Z25", "G0 Z7", *body, "M9", "M5",
    ]  # fmt: skip


PREAMBLE = ["G21 G17 G90 G94 G40 G49 G80 G54 G98 G61", "G92.1"]


def stud() -> Base:
    face = ["(face)", *_ring(5.2, 4.6), *_ring(3, 4.6), *_ring(1, 4.6)]
    step = ["(step)", *(line for z in (3.9, 3.2, 2.6, 2.0) for line in _ring(3.7, z))]
    outline = ["(outline)", *(line for z in (4.2, 3.4, 2.6, 1.8, 1.0, 0.3) for line in _ring(5.5, z))]
    drill = ["(drill)", f"G98 G83 X{X:g} Y{Y:g} Z{STUD_POINT_Z:g} R5.5 Q0.8 F100", "G80"]
    lines = [
        "(a stud, written by hand)", *PREAMBLE,
        *_section(1, 5000, X + 5.2, Y, face, stop=True),
        *_section(2, 5000, X, Y, drill),
        *_section(1, 5000, X + 3.7, Y, [*step, *outline]),
        "G53 G0 Z0", "M2",
    ]  # fmt: skip
    case = Case(
        setup=by_hand.stud_setup(), crib=by_hand.STUD_CRIB, machine=by_hand.MACHINE, material=by_hand.MATERIAL,
        tolerances=by_hand.TOLERANCES,
    )  # fmt: skip
    return Base("stud", tuple(lines), case)


# -- the plate: 18 x 12 x 3.6 with a pocket, a through bore and three drilled holes, on a billet of 34 x 24 x 5

PLATE_AT = (15.0, 12.0)
BOTTOM_Z, INSIDE_Z, SKIN_Z, FLOOR_Z = 0.8, 4.4, 0.3, 3.2
HOLES = ((-6.0, -4.2), (-2.0, 4.3), (5.0, 2.5))  # part frame
BORE_AT, BORE_R = (5.0, -2.5), 2.0
POCKET_AT, POCKET_SIZE, POCKET_CORNER = (-3.0, 0.0), (8.0, 5.0), 1.5
CORNER_R = 2.0
POINT_MM = 1.0 / math.tan(math.radians(59))


def _corners(x: float, y: float, r: float) -> Loop:
    """A rectangle x by y with round corners, from the middle, counter-clockwise."""
    a, b = x / 2, y / 2
    bulge = math.tan(math.pi / 8)
    rows = [
        (a - r, -b, bulge), (a, -b + r, 0), (a, b - r, bulge), (a - r, b, 0),
        (-a + r, b, bulge), (-a, b - r, 0), (-a, -b + r, bulge), (-a + r, -b, 0),
    ]  # fmt: skip
    return Loop(rows)


def _moved(loop: Loop, by: tuple[float, float]) -> Loop:
    return Loop([(x + by[0], y + by[1], b) for x, y, b in loop.vertices])


@cache
def plate_part() -> Part:
    """Drawn with the CAD kernel, meshed as the product meshes."""
    import cadquery as cq

    from pipeline.solids.meshing import mesh_of

    solid = cq.Workplane().rect(18, 12).extrude(3.6).edges("|Z").fillet(CORNER_R)
    pocket = cq.Workplane(origin=(*POCKET_AT, 2.4)).rect(*POCKET_SIZE).extrude(2).edges("|Z").fillet(POCKET_CORNER)
    solid = solid.cut(pocket)
    solid = solid.cut(cq.Workplane(origin=(*BORE_AT, -1)).circle(BORE_R).extrude(6))
    for at in HOLES:
        solid = solid.cut(cq.Workplane(origin=(*at, 1.6)).circle(1.0).extrude(3))
        solid = solid.cut(cq.Workplane(obj=cq.Solid.makeCone(0, 1.0, POINT_MM, pnt=(*at, 1.6 - POINT_MM))))
    body = solid.val()
    features = [
        Pocket(id="pocket", side=Side.INSIDE, outer=_moved(_corners(*POCKET_SIZE, POCKET_CORNER), POCKET_AT),
               top_z_mm=3.6, floor_z_mm=2.4, corner_radius_mm=POCKET_CORNER),
        Hole(id="bore", side=Side.INSIDE, x_mm=BORE_AT[0], y_mm=BORE_AT[1], diameter_mm=2 * BORE_R,
             limits_mm=(3.99, 4.02), top_z_mm=3.6, bottom_z_mm=0.0, through=True, flat_bottom=True),
        *(Hole(id=f"hole-{i}", side=Side.INSIDE, x_mm=x, y_mm=y, diameter_mm=2.0, limits_mm=(1.98, 2.05),
               top_z_mm=3.6, bottom_z_mm=1.6, through=False) for i, (x, y) in enumerate(HOLES, 1)),
    ]  # fmt: skip
    volume = body.Volume()
    return Part(
        name="plate", family="plate", sizes={}, brep=b"", step=b"", thickness_mm=3.6, volume_mm3=volume,
        features=tuple(features), mesh=mesh_of(body), outline=_corners(18, 12, CORNER_R), report={},
    )  # fmt: skip


PLATE_CRIB = by_hand.crib(
    by_hand.cutter(1, 3.0, ramp_angle_rad=math.radians(3), stepover_mm=2.2),
    by_hand.cutter(2, 2.0, CutterKind.DRILL, chip_load_mm=0.03, peck_mm=0.8, stickout_mm=24.0, reach_mm=8.0),
    by_hand.cutter(3, 2.5, ramp_angle_rad=math.radians(3), stickout_mm=22.0),
    by_hand.cutter(4, 3.0, CutterKind.SPOT, chip_load_mm=0.02, peck_mm=0.5, point_angle_rad=math.radians(90), flutes=2,
                   stickout_mm=21.0),
    by_hand.cutter(5, 2.0, stickout_mm=19.0),
)  # fmt: skip
PLATE_BLOCKS = (
    Block(name="right", kind="clamp", outline=by_hand.box(5, 6, 31, 9), height_mm=9.0),
    Block(name="left", kind="stop", outline=by_hand.box(2, 2, -2.0, 20), height_mm=4.0),
    Block(name="front", kind="rigid spacer", outline=by_hand.box(6, 3, 8, -3.2), height_mm=4.2),
)


def _rectangle(half_x: float, half_y: float, r: float, at: tuple[float, float], *, inside: bool, feed: float) -> Lines:
    """Once round from the middle of the lower edge: clockwise outside, counter-clockwise inside (climb milling)."""
    x, y = at
    left, right, low, high = x - half_x, x + half_x, y - half_y, y + half_y
    if inside:
        return [
            f"G1 X{right - r:g} F{feed:g}", f"G3 X{right:g} Y{low + r:g} I0 J{r:g}", f"G1 Y{high - r:g}",
            f"G3 X{right - r:g} Y{high:g} I-{r:g} J0", f"G1 X{left + r:g}", f"G3 X{left:g} Y{high - r:g} I0 J-{r:g}",
            f"G1 Y{low + r:g}", f"G3 X{left + r:g} Y{low:g} I{r:g} J0", f"G1 X{x:g}",
        ]  # fmt: skip
    return [
        f"G1 X{left + r:g} F{feed:g}", f"G2 X{left:g} Y{low + r:g} I0 J{r:g}", f"G1 Y{high - r:g}",
        f"G2 X{left + r:g} Y{high:g} I{r:g} J0", f"G1 X{right - r:g}", f"G2 X{right:g} Y{high - r:g} I0 J-{r:g}",
        f"G1 Y{low + r:g}", f"G2 X{right - r:g} Y{low:g} I-{r:g} J0", f"G1 X{x:g}",
    ]  # fmt: skip


def _face() -> Lines:
    out = ["(face)", "G0 X-3 Y4.3", "G0 Z5.5", f"G1 Z{INSIDE_Z:g} F200", "G1 X27.2 F150"]
    for k in range(1, 9):
        out += [f"G1 Y{4.3 + 2.1 * k:g}", f"G1 X{27.2 if k % 2 == 0 else 2.8:g}"]
    return [*out, "G0 Z7"]


def _pocket() -> Lines:
    x, y = PLATE_AT[0] + POCKET_AT[0], PLATE_AT[1] + POCKET_AT[1]
    r = 1.25
    out = ["(pocket)", f"G0 X{x - 2:g} Y{y:g}", "G0 Z5.2", f"G1 Z{INSIDE_Z:g} F60"]
    z = INSIDE_Z
    for level in (3.8, FLOOR_Z):
        for k in range(4):
            z -= 0.15
            out.append(f"G1 X{x + (2 if k % 2 == 0 else -2):g} Z{z:g} F100")
        out += [f"G1 X{x + 2:g} F120", f"G1 X{x:g}", f"G1 Y{y - 2.5 + r:g}"]
        out += _rectangle(4 - r, 2.5 - r, 0.25, (x, y), inside=True, feed=90)
        out += [f"G1 Y{y:g}", f"G1 X{x - 2:g}"]
        assert abs(z - level) < 1e-9
    return [*out, "G0 Z7"]


def _bore() -> Lines:
    x, y = PLATE_AT[0] + BORE_AT[0], PLATE_AT[1] + BORE_AT[1]
    path = BORE_R - 1.25
    out = ["(bore)", f"G0 X{x + path:g} Y{y:g}", "G0 Z5.2", "G1 Z4.6 F60"]
    turns = 20
    for k in range(2 * turns):
        z = 4.6 - (4.6 - SKIN_Z) * (k + 1) / (2 * turns)
        side = -1 if k % 2 == 0 else 1
        out.append(f"G3 X{x + side * path:g} Y{y:g} Z{round(z, 4):g} I{side * path:g} J0" + (" F50" if k == 0 else ""))
    out += [f"G3 X{x - path:g} Y{y:g} I-{path:g} J0", f"G3 X{x + path:g} Y{y:g} I{path:g} J0", f"G1 X{x:g}"]
    return [*out, "G0 Z7"]


def _outline() -> Lines:
    x, y = PLATE_AT
    half_x, half_y = 9 + 1.5, 6 + 1.5
    out = ["(outline)", f"G0 X{x + 6:g} Y{y - half_y:g}", "G0 Z5.2", f"G1 Z{INSIDE_Z:g} F60"]
    before = INSIDE_Z
    for z in (3.7, 3.0, 2.3, 1.6, 0.9, SKIN_Z):
        # Down along the lower edge, in two strokes; then once round from where the ramp ends.
        out += [f"G1 X{x - 6:g} Z{round((before + z) / 2, 4):g} F120", f"G1 X{x + 6:g} Z{z:g}", f"G1 X{x:g} F150"]
        out += _rectangle(half_x, half_y, CORNER_R + 1.5, (x, y), inside=False, feed=150)
        out.append(f"G1 X{x + 6:g}")
        before = z
    return [*out, "G0 Z7"]


def plate() -> Base:
    holes = [(PLATE_AT[0] + x, PLATE_AT[1] + y) for x, y in HOLES]
    tip = round(BOTTOM_Z + 1.6 - POINT_MM, 4)

    def series(first: str) -> Lines:
        words = [f"X{x:g} Y{y:g}" for x, y in holes]
        return [first.replace("@", words[0]), *words[1:], "G80"]

    spot = ["(spot)", *series("G98 G81 @ Z4 R5.5 F100")]
    drill = ["(drill)", *series(f"G98 G83 @ Z{tip:g} R5 Q0.8 F120")]
    lines = [
        "(a plate, written by hand)", *PREAMBLE,
        *_section(1, 5000, -3, 4.3, _face(), stop=True),
        *_section(4, 3500, *holes[0], spot),
        *_section(2, 4500, *holes[0], drill),
        *_section(3, 5500, 10, 12, [*_pocket(), *_bore()]),
        *_section(1, 5000, 21, 4.5, _outline()),
        "G53 G0 Z0", "M30",
    ]  # fmt: skip
    placed = by_hand.placed(plate_part(), *PLATE_AT, BOTTOM_Z)
    setup = by_hand.setup(by_hand.box(34, 24), top=5.0, skin=SKIN_Z, parts=(placed,), blocks=PLATE_BLOCKS)
    case = Case(setup=setup, crib=PLATE_CRIB, machine=by_hand.MACHINE, material=by_hand.MATERIAL,
                tolerances=by_hand.TOLERANCES)  # fmt: skip
    return Base("plate", tuple(lines), case)


def planned(name: str, job_file: str, part: str) -> Base:
    """One copy of one part of an example job, through the planner."""
    from pipeline import stages
    from pipeline.job import read_job

    job = read_job(ROOT / "configs/jobs" / job_file)
    wanted = tuple(dataclasses.replace(p, count=1) for p in job.parts if p.name == part)
    job = dataclasses.replace(job, parts=wanted, nest=dataclasses.replace(job.nest, effort=2))
    made = stages.draft(job)
    # The oracle knows nothing of forces: with the hold unknown, the verifier does not judge it either.
    setup = dataclasses.replace(made.setup, hold=None)
    case = Case(setup=setup, crib=job.crib, machine=job.machine, material=job.material,
                tolerances=job.tolerances, not_cut=made.plan.not_cut)  # fmt: skip
    lines = [re.sub(r"^N\d+ ?", "", line) for line in made.program.text.splitlines()]
    return Base(name, tuple(lines), case, by_hand=False)


def bases(*, real: bool = True) -> dict[str, Base]:
    """All clean programs by name; without `real` only the two that are written by hand."""
    out = [stud(), plate()]
    if real:
        out.append(planned("inch stud", "budding-small.yaml", "stud"))
        out.append(planned("metric clip", "grafting-pair.yaml", "clip"))
    return {base.name: base for base in out}
