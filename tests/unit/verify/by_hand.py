"""A small shop, meshes and motions written by hand, so that no test of the verifier leans on the planner."""

from __future__ import annotations

import dataclasses
import math

import numpy as np

from pipeline.model.frames import Pose
from pipeline.model.job import Tolerances
from pipeline.model.loop import Loop
from pipeline.model.part import Hole, Mesh, Part, Side
from pipeline.model.setup import PlacedPart, PointerCheck, Seating, Setup, ZPlan
from pipeline.model.shop import Block, Crib, Cutter, CutterKind, Dialect, Machine, Material
from pipeline.verify.reading import ARC_CCW, ARC_CW, LINE, RAPID, Moves, Reading

TOLERANCES = Tolerances(wall_mm=0.005, floor_mm=0.02, left_mm=0.02)


def cutter(number: int, diameter: float, kind: CutterKind = CutterKind.FLAT, **changes) -> Cutter:
    base = Cutter(
        number=number, name=f"cutter {number}", kind=kind, diameter_mm=diameter, flutes=3, flute_length_mm=8.0,
        reach_mm=12.0, neck_diameter_mm=diameter - 0.1, shank_diameter_mm=max(6.0, diameter), stickout_mm=20.0,
        holder_diameter_mm=20.0, substrate="carbide", chip_load_mm=0.012, surface_speed_m_min=50.0, stepdown_mm=0.8,
        stepover_mm=1.2, point_angle_rad=math.radians(118) if kind is CutterKind.DRILL else 0.0,
    )  # fmt: skip
    return dataclasses.replace(base, **changes)


def crib(*cutters: Cutter) -> Crib:
    return Crib(name="by hand", cutters=cutters)


MACHINE = Machine(
    name="by hand", travel_low_mm=(0, 0, -220), travel_high_mm=(300, 200, 0), bed_origin_mm=(40, 40, -200),
    spindle_low_rpm=1000, spindle_high_rpm=24000, feed_high_mm_min=2000, rapid_mm_min=10000, acceleration_mm_s2=500,
    jerk_mm_s3=None, tool_change_s=9,
    dialect=Dialect(
        units="mm", linear_decimals=4, arc_decimals=4, feed_decimals=1, canned_cycles=frozenset({"G81", "G82", "G83"}),
        arcs=True, helices=True, longest_arc_rad=math.pi, chord_mm=0.002, path_word="G61", blend_mm=0.0,
        tool_change="changer", pockets=10, length_offsets={}, safe_retract=("G53 G0 Z0",), coolant_on="M8", spin_up_s=3,
        peck_backoff_mm=0.25, line_numbers=False,
    ),
)  # fmt: skip
MATERIAL = Material(
    name="layered titanium", layers=("a", "b"), density_g_cm3=4.45, kc11_n_mm2=1400, mc=0.23,
    speed_band_m_min={"carbide": (30.0, 60.0), "cobalt": (8.0, 15.0)}, speed_factor=1.0,
)  # fmt: skip


def box(width: float, height: float, x: float = 0.0, y: float = 0.0) -> np.ndarray:
    return np.array([[x, y], [x + width, y], [x + width, y + height], [x, y + height]])


def setup(billet: np.ndarray, *, top: float, skin: float, parts=(), blocks=(), stock_below: float = 0.5) -> Setup:
    pose = Pose.planar(to="setup-1", frm="billet", x_mm=0, y_mm=0, angle_rad=0)
    check = PointerCheck(name="corner", x_mm=0, y_mm=0, approach="X-", allowed_mm=0.5)
    return Setup(
        name="setup-1", frame="setup-1", side_up="inside",
        seating=Seating(setup_from_billet=pose, contacts=np.array([[0, 1], [1, 0], [5, 0]]),
                        spread_x_mm=0, spread_y_mm=0, spread_angle_rad=0, pointer_checks=(check, check, check),
                        corner_mm=(0, 0)),
        z=ZPlan(skin_mm=skin, stock_below_mm=stock_below, top_mm=top, top_high_mm=top, top_low_mm=top,
                clearance_mm=top + 2, safe_mm=top + 20, gauge_block_mm=10),
        billet=billet, defects=(), gasket=billet, blocks=blocks, parts=parts, later_setups={},
        origin="a mark on the bed", port_mm=(0.0, 0.0),
    )  # fmt: skip


def turned(profile: list[tuple[float, float]], n: int = 180, *, name: str = "stud", features=()) -> Part:
    """A part turned about Z from a closed profile of (radius, z), counter-clockwise from its lowest point."""
    turn = 2 * math.pi * np.arange(n) / n
    rings = [np.column_stack([r * np.cos(turn), r * np.sin(turn), np.full(n, z)]) for r, z in profile]
    triangles = []
    for k in range(len(profile) - 1):
        a, b = n * k, n * (k + 1)
        for i in range(n):
            j = (i + 1) % n
            if profile[k][0] > 0:
                triangles.append((a + i, a + j, b + j))
            if profile[k + 1][0] > 0:
                triangles.append((a + i, b + j, b + i))
    widest = max(r for r, _ in profile)
    top = max(z for _, z in profile)
    return part(np.vstack(rings), triangles, Loop.circle(0, 0, widest), top, widest * (1 - math.cos(math.pi / n)),
                name=name, features=features)  # fmt: skip


def prism(polygon: np.ndarray, height: float, *, name: str = "block") -> Part:
    """A convex polygon (n, 2) with vertical walls."""
    n = len(polygon)
    low, high = np.column_stack([polygon, np.zeros(n)]), np.column_stack([polygon, np.full(n, height)])
    triangles = [(0, i + 1, i) for i in range(1, n - 1)] + [(n, n + i, n + i + 1) for i in range(1, n - 1)]
    for i in range(n):
        j = (i + 1) % n
        triangles += [(i, j, n + j), (i, n + j, n + i)]
    return part(np.vstack([low, high]), triangles, Loop.polygon(polygon), height, 0.0, name=name)


def part(vertices, triangles, outline: Loop, thickness: float, deviation: float, *, name: str, features=()) -> Part:
    return Part(
        name=name, family=name, sizes={}, brep=b"", step=b"", thickness_mm=thickness, volume_mm3=1.0, features=features,
        mesh=Mesh(vertices=vertices, triangles=np.array(triangles, dtype=np.float64), deviation_mm=deviation),
        outline=outline, report={},
    )  # fmt: skip


def placed(kind: Part, x: float, y: float, z: float, *, part_id: str = "", angle: float = 0.0) -> PlacedPart:
    pose = Pose.planar(to="setup-1", frm="part", x_mm=x, y_mm=y, angle_rad=angle, z_mm=z)
    return PlacedPart(part_id=part_id or f"{kind.name}-1", part=kind, setup_from_part=pose)


class Motion:
    """Moves in order, with the state in force; `reading()` makes what the reader would have made."""

    def __init__(self, x: float = 0.0, y: float = 0.0, z: float = 30.0, *, tool: int = 1):
        self.at = (x, y, z)
        self.rows: list[tuple] = []
        self.tool, self.rpm, self.spindle, self.coolant, self.known_z, self.feed = tool, 5000.0, 1, 1, True, 150.0
        self.dwells: dict[int, float] = {}

    def _add(self, kind, x, y, z, cx=0.0, cy=0.0):
        end = tuple(p if v is None else v for p, v in zip(self.at, (x, y, z), strict=True))
        feed = 0.0 if kind == RAPID else self.feed
        self.rows.append((kind, self.at, end, (cx, cy), feed, self.rpm, self.spindle, self.coolant, self.tool,
                          len(self.rows) + 1, self.known_z))  # fmt: skip
        self.at = end
        return self

    def rapid(self, x=None, y=None, z=None):
        return self._add(RAPID, x, y, z)

    def line(self, x=None, y=None, z=None):
        return self._add(LINE, x, y, z)

    def arc(self, x, y, cx, cy, *, z=None, clockwise=False):
        return self._add(ARC_CW if clockwise else ARC_CCW, x, y, z, cx, cy)

    def circle(self, cx, cy, *, clockwise=False, z=None):
        return self.arc(self.at[0], self.at[1], cx, cy, clockwise=clockwise, z=z)

    def moves(self) -> Moves:
        n = len(self.rows)
        cols = list(zip(*self.rows, strict=True)) if n else [[] for _ in range(11)]
        return Moves(
            kind=np.array(cols[0], dtype=np.int8),
            start=np.array(cols[1], dtype=np.float64).reshape(n, 3),
            end=np.array(cols[2], dtype=np.float64).reshape(n, 3),
            centre=np.array(cols[3], dtype=np.float64).reshape(n, 2),
            feed_mm_min=np.array(cols[4], dtype=np.float64),
            rpm=np.array(cols[5], dtype=np.float64),
            spindle=np.array(cols[6], dtype=np.int8),
            coolant=np.array(cols[7], dtype=np.int8),
            tool=np.array(cols[8], dtype=np.int32),
            line=np.array(cols[9], dtype=np.int32),
            known_z=np.array(cols[10], dtype=np.bool_),
            exact_stop=np.zeros(n, dtype=np.bool_),
            blend=np.zeros(n, dtype=np.bool_),
        )

    def reading(self) -> Reading:
        return Reading(
            moves=self.moves(), stops=(), dwell_s=self.dwells, findings=(), units="mm", n_lines=max(1, len(self.rows))
        )


# The stud of the tests: head 8 x 1.2, shoulder 4.4, 3.8 thick, a blind hole of 2.0, 2.0 deep with a 118 degree point.
POINT_MM = 1.0 / math.tan(math.radians(59))
BORE = Hole(id="bore", side=Side.INSIDE, x_mm=0, y_mm=0, diameter_mm=2.0, limits_mm=(1.98, 2.05), top_z_mm=3.8,
            bottom_z_mm=1.8, through=False)  # fmt: skip
STUD = turned([(0, 0), (4, 0), (4, 1.2), (2.2, 1.2), (2.2, 3.8), (1, 3.8), (1, 1.8), (0, 1.8 - POINT_MM)],
              n=240, features=(BORE,))  # fmt: skip
STUD_AT = (12.0, 10.0)
STUD_CRIB = crib(cutter(1, 3.0), cutter(2, 2.0, CutterKind.DRILL, chip_load_mm=0.03), cutter(3, 2.5))
CLAMP = Block(name="A", kind="clamp", outline=box(4, 3, 22, 21), height_mm=9.0)
STOP = Block(name="left", kind="stop", outline=box(2, 2, -2.0, 5), height_mm=4.0)


def stud_setup(*, blocks=(CLAMP, STOP)) -> Setup:
    """Billet 24 x 20 x 5, skin 0.3: the stud's outer face at Z 0.8, its step at 2.0, its seat at 4.6."""
    return setup(box(24, 20), top=5.0, skin=0.3, parts=(placed(STUD, *STUD_AT, 0.8),), blocks=blocks)
