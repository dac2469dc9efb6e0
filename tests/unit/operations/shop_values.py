"""A small invented shop and builders of setups for the planner's tests."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from pipeline.model.frames import Pose
from pipeline.model.job import NestRequest, Tolerances
from pipeline.model.loop import Loop
from pipeline.model.part import Feature, Mesh, Part
from pipeline.model.setup import PlacedPart, PointerCheck, Seating, Setup, ZPlan
from pipeline.model.shop import Block, Crib, Cutter, CutterKind, Dialect, Machine, Material

DIALECT = Dialect(
    units="mm", linear_decimals=4, arc_decimals=4, feed_decimals=1, canned_cycles=frozenset(), arcs=True, helices=True,
    longest_arc_rad=math.pi, chord_mm=0.002, path_word="G64", blend_mm=0.005, tool_change="changer", pockets=10,
    length_offsets={}, safe_retract=(), coolant_on="M8", spin_up_s=3.0, peck_backoff_mm=0.25, line_numbers=False,
)  # fmt: skip
MACHINE = Machine(
    name="small mill", travel_low_mm=(0, 0, -200), travel_high_mm=(300, 200, 0), bed_origin_mm=(0, 0, -180),
    spindle_low_rpm=1000, spindle_high_rpm=24000, feed_high_mm_min=5000, rapid_mm_min=10000, acceleration_mm_s2=500,
    jerk_mm_s3=None, tool_change_s=9, dialect=DIALECT,
)  # fmt: skip
MATERIAL = Material(
    name="layered titanium", layers=("Ti-6Al-4V",), density_g_cm3=4.46, kc11_n_mm2=1400, mc=0.23,
    speed_band_m_min={"carbide": (30.0, 76.0), "cobalt": (6.0, 12.0)}, speed_factor=1.0,
)  # fmt: skip
TOLERANCES = Tolerances(wall_mm=0.02, floor_mm=0.02, left_mm=0.05)
NEST = NestRequest(outline_cutter=3, margin_mm=0.5, edge_mm=0.5, seed=1, effort=1)


def flat(number: int, diameter: float, **more: float) -> Cutter:
    """A relieved carbide end mill reaching three diameters."""
    values: dict = dict(
        number=number, name=f"{diameter:g} mm flat", kind=CutterKind.FLAT, diameter_mm=diameter, flutes=3,
        flute_length_mm=2.5 * diameter, reach_mm=4 * diameter, neck_diameter_mm=0.95 * diameter,
        shank_diameter_mm=6.0, stickout_mm=26.0, holder_diameter_mm=20.0, substrate="carbide",
        chip_load_mm=0.004 * diameter, surface_speed_m_min=50.0, stepdown_mm=0.2 * diameter,
        stepover_mm=0.4 * diameter, ramp_angle_rad=math.radians(3),
    )  # fmt: skip
    return Cutter(**{**values, **more})


def drill(number: int, diameter: float, *, angle_deg: float = 135.0, **more: float) -> Cutter:
    """A cobalt drill with flutes of six diameters."""
    values: dict = dict(
        number=number, name=f"{diameter:g} mm drill", kind=CutterKind.DRILL, diameter_mm=diameter, flutes=2,
        flute_length_mm=6 * diameter, reach_mm=6 * diameter, neck_diameter_mm=diameter, shank_diameter_mm=diameter,
        stickout_mm=26.0, holder_diameter_mm=20.0, substrate="cobalt", chip_load_mm=0.008 * diameter,
        surface_speed_m_min=12.0, stepdown_mm=0.2 * diameter, stepover_mm=diameter, peck_mm=0.2 * diameter,
        point_angle_rad=math.radians(angle_deg),
    )  # fmt: skip
    return Cutter(**{**values, **more})


SPOT = drill(7, 3.0, angle_deg=90.0, kind=CutterKind.SPOT, substrate="carbide", surface_speed_m_min=40.0)  # type: ignore[arg-type]
CRIB = Crib(name="small", cutters=(
    flat(1, 6.0), flat(2, 4.0), flat(3, 3.0), flat(4, 2.0), flat(6, 1.0), SPOT,
    drill(8, 2.2606), drill(11, 2.5), drill(12, 3.0),
))  # fmt: skip


def rectangle(x0: float, y0: float, x1: float, y1: float) -> Loop:
    return Loop.polygon(np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]]))


def rounded(x0: float, y0: float, x1: float, y1: float, r: float) -> Loop:
    """A rectangle with round corners, exact."""
    b = math.tan(math.pi / 8)
    return Loop(np.array([
        [x0 + r, y0, 0], [x1 - r, y0, b], [x1, y0 + r, 0], [x1, y1 - r, b],
        [x1 - r, y1, 0], [x0 + r, y1, b], [x0, y1 - r, 0], [x0, y0 + r, b],
    ]))  # fmt: skip


def part(name: str, features: Sequence[Feature] = (), *, outline: Loop | None = None, thickness: float = 3.8) -> Part:
    outline = rounded(0, 0, 40, 20, 4) if outline is None else outline
    mesh = Mesh(vertices=np.eye(4, 3), triangles=np.zeros((4, 3)), deviation_mm=0.0)
    return Part(name=name, family="test", sizes={}, brep=b"", step=b"", mesh=mesh, outline=outline,
                thickness_mm=thickness, volume_mm3=1.0, features=tuple(features), report={})  # fmt: skip


def setup(
    placed: Sequence[tuple[str, Part, float, float]], *, blocks: tuple[Block, ...] = (), z: ZPlan | None = None
) -> Setup:
    """Parts at (id, part, x, y), unturned, on a billet of 160 x 75."""
    z = z or ZPlan(skin_mm=0.25, stock_below_mm=0.25, top_mm=4.8, top_high_mm=4.88, top_low_mm=4.75, clearance_mm=14.0,
                   safe_mm=37.0, gauge_block_mm=25.0)  # fmt: skip
    square = np.array([[0, 0], [160, 0], [160, 75], [0, 75]], dtype=float)
    check = PointerCheck(name="p", x_mm=0, y_mm=0, approach="X-", allowed_mm=1)
    seating = Seating(
        setup_from_billet=Pose.planar(to="setup-1", frm="billet", x_mm=0, y_mm=0, angle_rad=0), contacts=square[:3],
        spread_x_mm=0, spread_y_mm=0, spread_angle_rad=0, pointer_checks=(check, check, check), corner_mm=(0, 0),
    )  # fmt: skip
    bottom = z.bottom_of_part_mm()
    parts = tuple(
        PlacedPart(part_id=part_id, part=part, setup_from_part=Pose.planar(
            to="setup-1", frm="part", x_mm=x, y_mm=y, angle_rad=0, z_mm=bottom))
        for part_id, part, x, y in placed
    )  # fmt: skip
    return Setup(name="setup-1", frame="setup-1", side_up="inside", origin="the corner", seating=seating, z=z,
                 billet=square, defects=(), gasket=square, port_mm=(80.0, 37.0), blocks=blocks, parts=parts,
                 later_setups={"setup-2": "turned over"})  # fmt: skip
