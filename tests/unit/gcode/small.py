"""A small invented setup and plan, drawn by hand: one plate, one part, three cutters. All numbers are invented."""

from __future__ import annotations

import dataclasses
import math

import numpy as np

from pipeline.model.frames import Pose
from pipeline.model.loop import Loop
from pipeline.model.part import Mesh, Part
from pipeline.model.program import Program
from pipeline.model.setup import PlacedPart, PointerCheck, Seating, Setup, ZPlan
from pipeline.model.shop import Crib, Cutter, CutterKind, Dialect, Machine, Material
from pipeline.model.toolpath import HolePass, NotCut, Operation, PathPass, Plan, Toolpath

CLEAR, SAFE = 10.0, 30.0

MM = Dialect(
    units="mm",
    linear_decimals=3,
    arc_decimals=4,
    feed_decimals=2,
    canned_cycles=frozenset({"G81", "G83", "G73"}),
    arcs=True,
    helices=True,
    longest_arc_rad=math.pi,
    chord_mm=0.002,
    path_word="G64",
    blend_mm=0.01,
    tool_change="changer",
    pockets=8,
    length_offsets={3: 13},
    safe_retract=("G53 G0 Z0",),
    coolant_on="M8",
    spin_up_s=3.0,
    peck_backoff_mm=0.25,
    line_numbers=False,
)
INCH = dataclasses.replace(MM, units="in", linear_decimals=4, arc_decimals=5, feed_decimals=4)
# Nothing but straight lines, no cycles, cutters by hand: what a plain control can be trusted with.
PLAIN = dataclasses.replace(
    MM,
    canned_cycles=frozenset(),
    arcs=False,
    helices=False,
    path_word="G61",
    tool_change="by hand",
    pockets=0,
    safe_retract=("G53 G0 Z0", "G53 G0 Y0"),
    coolant_on="",
    line_numbers=True,
)


def machine(dialect: Dialect = MM) -> Machine:
    """An invented mill with this dialect."""
    return Machine(
        name="bench mill",
        travel_low_mm=(0.0, 0.0, -200.0),
        travel_high_mm=(400.0, 300.0, 0.0),
        bed_origin_mm=(50.0, 50.0, -180.0),
        spindle_low_rpm=100.0,
        spindle_high_rpm=10000.0,
        feed_high_mm_min=3000.0,
        rapid_mm_min=8000.0,
        acceleration_mm_s2=500.0,
        jerk_mm_s3=None,
        tool_change_s=10.0,
        dialect=dialect,
    )


def _cutter(number: int, name: str, kind: CutterKind, diameter: float) -> Cutter:
    return Cutter(
        number=number,
        name=name,
        kind=kind,
        diameter_mm=diameter,
        flutes=4,
        flute_length_mm=12.0,
        reach_mm=14.0,
        neck_diameter_mm=diameter - 0.2,
        shank_diameter_mm=6.0,
        stickout_mm=20.0,
        holder_diameter_mm=25.0,
        substrate="carbide",
        chip_load_mm=0.02,
        surface_speed_m_min=50.0,
        stepdown_mm=0.5,
        stepover_mm=1.0,
    )


CRIB = Crib(
    name="bench",
    cutters=(
        _cutter(1, 'rougher, 1/4" (long)', CutterKind.FLAT, 6.35),
        _cutter(2, "drill", CutterKind.DRILL, 2.26),
        _cutter(3, "finisher", CutterKind.FLAT, 3.0),
    ),
)
MATERIAL = Material(
    name="layered plate",
    layers=("grade 2", "grade 5"),
    density_g_cm3=4.5,
    kc11_n_mm2=1400.0,
    mc=0.2,
    speed_band_m_min={"carbide": (30.0, 60.0)},
    speed_factor=1.0,
)


def setup() -> Setup:
    """A plate of 80 x 50 x 4.2 mm with one 20 x 10 mm part."""
    square = np.array([[0, 0, 0], [20, 0, 0], [20, 10, 0], [0, 10, 0.0]])
    corners = np.array([[0, 0, 0], [1, 0, 0], [0, 1, 0], [0, 0, 1.0]])
    faces = np.array([[0, 2, 1], [0, 1, 3], [1, 2, 3], [2, 0, 3.0]])
    mesh = Mesh(vertices=corners, triangles=faces, deviation_mm=0.0)
    part = Part(
        name="handle-left",
        family="handle",
        sizes={},
        brep=b"",
        step=b"",
        mesh=mesh,
        outline=Loop(square),
        thickness_mm=3.0,
        volume_mm3=600.0,
        features=(),
        report={},
    )
    checks = [PointerCheck(name=f"edge {k}", x_mm=5.0 * k, y_mm=-1.0, approach="Y+", allowed_mm=0.1) for k in (1, 2, 3)]
    return Setup(
        name="setup-1",
        frame="setup-1",
        side_up="inside",
        origin="centre of the small dowel, front left",
        seating=Seating(
            setup_from_billet=Pose.planar(to="setup-1", frm="billet", x_mm=0, y_mm=0, angle_rad=0),
            contacts=np.array([[10, 0], [70, 0], [0, 25.0]]),
            spread_x_mm=0.05,
            spread_y_mm=0.05,
            spread_angle_rad=0.001,
            pointer_checks=(checks[0], checks[1], checks[2]),
            corner_mm=(0.0, 0.0),
        ),
        z=ZPlan(
            skin_mm=0.254,
            stock_below_mm=0.4,
            top_mm=4.2,
            top_high_mm=4.3,
            top_low_mm=4.1,
            clearance_mm=CLEAR,
            safe_mm=SAFE,
            gauge_block_mm=10.0,
        ),
        billet=np.array([[0, 0], [80, 0], [80, 50], [0, 50.0]]),
        defects=(),
        gasket=np.array([[5, 5], [75, 5], [75, 45], [5, 45.0]]),
        port_mm=(40.0, 25.0),
        blocks=(),
        parts=(
            PlacedPart(
                part_id="handle-left",
                part=part,
                setup_from_part=Pose.planar(to="setup-1", frm="part", x_mm=20, y_mm=20, z_mm=0.654, angle_rad=0),
            ),
        ),
        later_setups={},
    )


def operation(
    name: str, cutter: int, *, rpm: float = 3000.0, kind: str = "pocket", part: str = "handle-left", note: str = ""
) -> Operation:
    """An operation on a part, from its inside face down."""
    return Operation(
        id=f"{part}/{name}",
        kind=kind,
        part_id=part,
        feature_id=name,
        cutter=cutter,
        spindle_rpm=rpm,
        feed_mm_min=120.0,
        top_z_mm=3.654,
        bottom_z_mm=2.5,
        note=note,
    )


def path(name: str, *rows: tuple[float, ...]) -> PathPass:
    """A pass; short rows are filled with zeros."""
    return PathPass(id=name, moves=np.array([row + (0.0,) * (7 - len(row)) for row in rows]))


def hole(cycle: str, *, x: float = 25.0, y: float = 25.0, peck: float = 0.21) -> HolePass:
    """A hole from the R plane at 4.8 mm down to 1.1 mm."""
    return HolePass(
        id=f"hole at {x}",
        cycle=cycle,  # type: ignore[arg-type]
        x_mm=x,
        y_mm=y,
        retract_z_mm=4.8,
        bottom_z_mm=1.1,
        peck_mm=peck,
        feed_mm_min=60.0,
    )


def bore(x: float = 30.0, y: float = 24.0, radius: float = 1.7) -> PathPass:
    """Down to the face, two helix turns, a flat turn, out along a short arc, and up."""
    rows: list[tuple[float, ...]] = [
        (0, x + radius, y, CLEAR),
        (0, x + radius, y, 4.8),
        (1, x + radius, y, 3.654, 0, 0, 40.0),
    ]
    rows += [(3, x + radius, y, 3.654 - 0.4 * k, x, y, 90.0) for k in (1, 2)]
    rows.append((3, x + radius, y, 2.854, x, y, 90.0))
    rows.append((3, x + radius - 0.5, y + 0.5, 2.854, x + radius - 0.5, y, 120.0))
    rows.append((0, x + radius - 0.5, y + 0.5, CLEAR))
    return path("handle-left/pivot/bore", *rows)


def face() -> PathPass:
    """A hop inside a pass: two strokes with a rapid between them at the clearance height."""
    return path(
        "handle-left/face",
        (0, 15.1234, 18.0, CLEAR),
        (0, 15.1234, 18.0, 5.0),
        (1, 15.1234, 18.0, 3.654, 0, 0, 60.0),
        (1, 44.0, 18.0, 3.654, 0, 0, 240.0),
        (0, 44.0, 18.0, CLEAR),
        (0, 15.1234, 23.0, CLEAR),
        (1, 15.1234, 23.0, 3.654, 0, 0, 60.0),
        (1, 44.0, 23.0, 3.654, 0, 0, 240.0),
        (0, 44.0, 23.0, CLEAR),
    )


def plan() -> Plan:
    """Face with T1, drill with T2, bore with T3 at two speeds."""
    left = NotCut(
        part_id="handle-left",
        feature_id="thread",
        operation="thread milling",
        setup="setup-2",
        reason="not on this side",
        region=np.zeros((0, 2)),
        low_z_mm=0.0,
        high_z_mm=0.0,
    )
    return Plan(
        toolpaths=(
            Toolpath(operation=operation("face", 1, kind="face"), passes=(face(),)),
            Toolpath(
                operation=operation("holes", 2, kind="drill"),
                passes=(hole("drill", x=24.0), hole("peck", x=26.0, peck=1.0), hole("chip break", x=28.0, peck=1.0)),
            ),
            Toolpath(operation=operation("pivot/bore", 3), passes=(bore(),)),
            Toolpath(operation=operation("pin/bore", 3, rpm=4000.0), passes=(bore(x=36.0),)),
        ),
        not_cut=(left,),
    )


def program(of: Plan | None = None, dialect: Dialect = MM, *, where: Setup | None = None) -> Program:
    """The small plan (or another) as text, in the small setup (or another)."""
    from pipeline.gcode import write_program

    return write_program(
        of or plan(),
        where or setup(),
        job_name="Grafting pair",
        job_digest="0123456789abcdef" * 4,
        crib=CRIB,
        machine=machine(dialect),
        material=MATERIAL,
        status="SIMULATED, NO FINDINGS. NOT YET RUN.",
    )
