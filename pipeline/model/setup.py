"""A setup: how the billet lies, what each height means, what is in the way."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from pipeline.model.arrays import Float, frozen
from pipeline.model.frames import Pose
from pipeline.model.part import Part
from pipeline.model.shop import Block, Hold


@dataclass(frozen=True, slots=True, kw_only=True)
class PointerCheck:
    """A place where a pointer in the spindle should just touch the billet's edge. Setup frame, mm.

    The pointer comes along one axis, `approach` ("X-" runs toward lower X); what may be off is counted along it.
    """

    name: str
    x_mm: float
    y_mm: float
    approach: str
    allowed_mm: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Seating:
    """The pose from three stop contacts. `contacts` (3, 2) in the setup frame, in the order of the stops.

    The spreads are one-sigma, from the outline's and the stops' uncertainty, to first order.
    """

    setup_from_billet: Pose
    contacts: Float
    spread_x_mm: float
    spread_y_mm: float
    spread_angle_rad: float
    pointer_checks: tuple[PointerCheck, PointerCheck, PointerCheck]
    corner_mm: tuple[float, float]  # where the marked corner lies, setup frame

    def __post_init__(self) -> None:
        object.__setattr__(self, "contacts", frozen(self.contacts, columns=2, name="contacts", least=3))


@dataclass(frozen=True, slots=True, kw_only=True)
class ZPlan:
    """Heights in the setup frame: Z = 0 on the bed under the billet."""

    skin_mm: float  # nothing is cut below this plane
    stock_below_mm: float
    top_mm: float  # nominal top of the billet
    top_high_mm: float  # with thickness uncertainty and bow: nothing of the billet is above
    top_low_mm: float
    clearance_mm: float  # rapids across the work at this height clear billet and low blocks
    safe_mm: float  # first height of every section, above everything on the bed
    gauge_block_mm: float
    errors_mm: tuple[tuple[str, float], ...] = ()  # what may take a tip deeper than the text says, each with its name

    def bottom_of_part_mm(self) -> float:
        """Z of every part's outer face: skin plus the stock below."""
        return self.skin_mm + self.stock_below_mm


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlacedPart:
    """One copy of a part in the setup. `setup_from_part` holds the height too."""

    part_id: str
    part: Part
    setup_from_part: Pose

    @property
    def bottom_z_mm(self) -> float:
        """Z of the outer face in the setup frame."""
        return self.setup_from_part.shift_mm[2]

    @property
    def inside_z_mm(self) -> float:
        """Z of the inside face in the setup frame."""
        return self.bottom_z_mm + self.part.thickness_mm


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Setup:
    """Everything a planner or a checker may know about one side. All in the frame `frame`, mm."""

    name: str  # "setup-1"
    frame: str  # "setup-1"
    side_up: str  # "inside"
    origin: str  # in words: where X0 Y0 is on the bed
    seating: Seating
    z: ZPlan
    billet: Float  # (n, 2) outline
    defects: tuple[Float, ...]
    gasket: Float
    port_mm: tuple[float, float]
    blocks: tuple[Block, ...]  # stops too, as polygons of kind "stop"
    parts: tuple[PlacedPart, ...]
    later_setups: Mapping[str, str]  # what later setups are for: {"setup-2": "turned over, ..."}
    hold: Hold | None = None  # None: nothing is known of it, and it is not judged
    gasket_width_mm: float = 0.0
    holes: tuple[Float, ...] = ()  # of the billet, open right through, plugged

    def __post_init__(self) -> None:
        object.__setattr__(self, "billet", frozen(self.billet, columns=2, name="billet", least=3))
        object.__setattr__(self, "gasket", frozen(self.gasket, columns=2, name="gasket", least=3))
        object.__setattr__(self, "defects", tuple(frozen(d, columns=2, name="defect", least=3) for d in self.defects))
        object.__setattr__(self, "holes", tuple(frozen(h, columns=2, name="hole", least=3) for h in self.holes))
