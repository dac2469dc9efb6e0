"""The shop: cutters, machine, material, billet, holding. Read from configs/ by `pipeline.shop`; all in mm, rad, s.

The *bed frame* is the frame of the holding: Z = 0 on the bed under the billet, X and Y from the origin mark that the
holding's text describes. The first setup's G-code numbers are bed-frame numbers.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from pipeline.model.arrays import Float, frozen
from pipeline.model.loop import Loop
from pipeline.model.nest import Zone


class CutterKind(StrEnum):
    """Shapes of cutter. Only the first three are used on a first side; the others wait for their operations."""

    FLAT = "flat end mill"
    DRILL = "drill"
    SPOT = "spot drill"
    BALL = "ball end mill"
    CHAMFER = "chamfer mill"
    THREAD = "thread mill"
    ENGRAVER = "engraver"


@dataclass(frozen=True, slots=True, kw_only=True)
class Cutter:
    """One cutter in its holder, measured. Lengths from the tip up: flutes, then neck to `reach_mm`, then shank to
    `stickout_mm`, where the holder begins.

    `chip_load_mm` is per tooth (mills) or per turn (drills); `surface_speed_m_min` is the shop's start value in the
    named material group; `stepdown_mm` and `stepover_mm` are limits in a full slot and for clearing.
    `point_angle_rad` is the full included angle (drills, spot drills, chamfer mills, engravers), 0 elsewhere.
    """

    number: int
    name: str
    kind: CutterKind
    diameter_mm: float
    flutes: int
    flute_length_mm: float
    reach_mm: float
    neck_diameter_mm: float
    shank_diameter_mm: float
    stickout_mm: float
    holder_diameter_mm: float
    substrate: str  # "carbide" or "cobalt"
    chip_load_mm: float
    surface_speed_m_min: float
    stepdown_mm: float
    stepover_mm: float
    peck_mm: float = 0.0
    ramp_angle_rad: float = 0.0
    point_angle_rad: float = 0.0
    tip_diameter_mm: float = 0.0
    edge_radius_mm: float = 0.004
    runout_mm: float = 0.005
    helix_angle_rad: float = 0.5236  # of the flutes; 30 degrees where the crib says nothing
    corner_radius_mm: float = 0.0  # of a flat end mill's edge
    source: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Crib:
    """The cutters at hand, by number."""

    name: str
    cutters: tuple[Cutter, ...]

    def cutter(self, number: int) -> Cutter:
        """The cutter with this number. Raises KeyError."""
        for cutter in self.cutters:
            if cutter.number == number:
                return cutter
        raise KeyError(number)


@dataclass(frozen=True, slots=True, kw_only=True)
class Dialect:
    """How this machine wants its text. Decimals are for the output unit."""

    units: str  # "mm" or "in"
    linear_decimals: int
    arc_decimals: int
    feed_decimals: int
    canned_cycles: frozenset[str]  # of G81 G82 G83 G73; what is absent is expanded
    arcs: bool  # False: arcs become chords of `chord_mm`
    helices: bool  # False: helical arcs become chords
    longest_arc_rad: float  # pi or pi/2; longer arcs are split
    chord_mm: float
    path_word: str  # "G61" or "G64"
    blend_mm: float  # corner deviation under path_word; joins the wall budget
    tool_change: str  # "changer" or "by hand"
    pockets: int  # cutters the changer holds; 0 by hand
    length_offsets: Mapping[int, int]  # cutter number -> H number; absent means the same number
    safe_retract: tuple[str, ...]  # lines that lift the tool whatever the offsets say, such as "G53 G0 Z0"
    coolant_on: str  # "M8", "M7" or ""
    spin_up_s: float
    peck_backoff_mm: float  # height above the last bottom where feed begins again, when expanded
    line_numbers: bool
    extensions: frozenset[str] = frozenset()  # words beyond the NIST report that this control has, such as "G64 P"


@dataclass(frozen=True, slots=True, kw_only=True)
class Machine:
    """Limits and manners of one machine. Travel is in the machine frame; `bed_origin_mm` is the bed frame's origin
    there (where the shop sets G54)."""

    name: str
    travel_low_mm: tuple[float, float, float]
    travel_high_mm: tuple[float, float, float]
    bed_origin_mm: tuple[float, float, float]
    spindle_low_rpm: float
    spindle_high_rpm: float
    feed_high_mm_min: float
    rapid_mm_min: float
    acceleration_mm_s2: float
    jerk_mm_s3: float | None  # None: acceleration changes at once
    tool_change_s: float
    dialect: Dialect
    source: str = ""
    rapid_path: str = "straight"  # "straight", or "dog-leg": each axis runs at its own rapid until it is there
    spindle_power_w: float = 0.0  # 0: not known


@dataclass(frozen=True, slots=True, kw_only=True)
class Material:
    """A layered plate's material, judged by its worst layer. Bands are (low, high) by cutter substrate."""

    name: str
    layers: tuple[str, ...]
    density_g_cm3: float
    kc11_n_mm2: float
    mc: float
    speed_band_m_min: Mapping[str, tuple[float, float]]
    speed_factor: float  # the shop's multiplier on the cutter's start speed for this plate
    source: str = ""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Billet:
    """One measured plate. `outline` (n, 2), `defects`, `holes` and `zones` are in the billet frame (the frame it was
    measured in). Holes are open right through and plugged before use. `layers_rad` is the direction of its layers
    there, None when nobody knows it."""

    name: str
    outline: Float
    outline_uncertainty_mm: float
    thickness_mm: float
    thickness_uncertainty_mm: float
    bow_mm: float  # left under full vacuum
    defects: tuple[Float, ...]
    price_per_cm2: float
    currency: str
    material: str
    up_face: str  # how to recognise the face that goes up
    corner: str  # how to recognise the marked corner
    zones: tuple[Zone, ...] = ()  # of two that overlap the later one counts
    layers_rad: float | None = None
    holes: tuple[Float, ...] = ()

    def __post_init__(self) -> None:
        object.__setattr__(self, "outline", frozen(self.outline, columns=2, name="billet outline", least=3))
        object.__setattr__(self, "defects", tuple(frozen(d, columns=2, name="defect", least=3) for d in self.defects))
        object.__setattr__(self, "holes", tuple(frozen(h, columns=2, name="hole", least=3) for h in self.holes))

    @property
    def area_mm2(self) -> float:
        """Of its metal: the outline less the holes."""
        return Loop.polygon(self.outline).area_mm2 - math.fsum(Loop.polygon(hole).area_mm2 for hole in self.holes)


@dataclass(frozen=True, slots=True, kw_only=True)
class Stop:
    """A round stop on the bed that the billet's edge is pushed against."""

    name: str
    x_mm: float
    y_mm: float
    radius_mm: float
    height_mm: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Block:
    """A clamp or a spacer on the bed: a polygon (n, 2) in the bed frame, from the bed up to `height_mm`.

    `kind`: `clamp` and `rigid spacer` are never touched; a `sacrificial spacer` may be cut at feed to `cut_depth_mm`
    below its top. `press_n` is how hard a clamp presses the plate down, 0 when nobody knows.
    """

    name: str
    kind: str
    outline: Float
    height_mm: float
    cut_depth_mm: float = 0.0
    press_n: float = 0.0

    def __post_init__(self) -> None:
        object.__setattr__(self, "outline", frozen(self.outline, columns=2, name=f"{self.kind} outline", least=3))


@dataclass(frozen=True, slots=True, kw_only=True)
class Hold:
    """What the hold is counted on for, and the safety factors asked of it."""

    vacuum_kpa: float  # gauge reading below the air's pressure
    altitude_m: float
    friction: float  # plate on bed, with the film of coolant that gets there
    pump_flow_l_min: float  # at that reading; 0: a hole through the plate inside the gasket loses the vacuum
    safety_rough: float
    safety_finish: float
    safety_tilt: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Holding:
    """How the billet is held: a vacuum bed with gasket and port, three stops, clamps and spacers. Bed frame."""

    name: str
    origin: str  # in words: where X0 Y0 is on the bed
    gasket: Float  # (n, 2) centre line
    gasket_width_mm: float
    port_mm: tuple[float, float]
    stops: tuple[Stop, Stop, Stop]
    nominal_pose: tuple[float, float, float]  # x_mm, y_mm, angle_rad of bed_from_billet, a first guess for the contacts
    blocks: tuple[Block, ...]
    stop_uncertainty_mm: float
    gauge_block_mm: float
    hold: Hold | None = None

    def __post_init__(self) -> None:
        object.__setattr__(self, "gasket", frozen(self.gasket, columns=2, name="gasket", least=3))
