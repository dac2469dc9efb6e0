"""The job as the shop asked for it, checked and in millimetres."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from pipeline.model.shop import Billet, Crib, Holding, Machine, Material


@dataclass(frozen=True, slots=True, kw_only=True)
class PartRequest:
    """One kind of part that is wanted. A mirrored pair is two requests (`handle-left`, `handle-right`).

    `count` None means as many as fit. Every copy lies wholly in the `zones` together (names of the billet's; none means
    anywhere) and outside each of `clear_of`. `rotations_rad` None means any angle; else the only angles allowed, in the
    billet frame. `fixed` places the first copies: (x_mm, y_mm, angle_rad) of `billet_from_part`, z is the Z plan's.
    `along_layers_rad` is the direction in the part's frame that wants to lie along the billet's layers.
    """

    name: str
    family: str
    sizes: Mapping[str, float | str]
    count: int | None
    value: float
    zones: tuple[str, ...] = ()
    clear_of: tuple[str, ...] = ()
    rotations_rad: tuple[float, ...] | None
    fixed: tuple[tuple[float, float, float], ...]
    along_layers_rad: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Tolerances:
    """What is accepted of a simulated part, mm. The machine's corner blending comes on top of the planner's budget,
    never on top of these."""

    wall_mm: float  # a wall may be cut into by this much
    floor_mm: float  # a floor may be cut too deep by this much
    left_mm: float  # stock that may be left on a wall or a floor


@dataclass(frozen=True, slots=True, kw_only=True)
class ZRequest:
    """The job's wishes for Z. The budget of errors must stay under the skin."""

    zero: str  # "bed" or "top"
    skin_mm: float
    stock_below_mm: float
    z_zero_error_mm: float
    tool_length_error_mm: float
    spare_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Worth:
    """What a perfect mark in each term of a nest is worth, in the billet's currency; 0 is not weighed."""

    figure: float = 0.0  # the parts lie where the billet's figure is best
    alike: float = 0.0  # the two of a pair look like one piece and its image
    layers: float = 0.0  # parts that bend lie along the layers
    remnant: float = 0.0  # what is left is one compact piece
    held: float = 0.0  # parts lie over the sealed area, off the port, away from clamps


@dataclass(frozen=True, slots=True, kw_only=True)
class NestRequest:
    """How parts may lie. The gap between two parts is the outline cutter's diameter plus `margin_mm`; to the billet's
    edge `edge_mm` is kept beyond the whole kerf, to defects beyond half of it. `web_mm` is the least thickness of what
    stands between two kerfs, and between a kerf and the edge."""

    outline_cutter: int
    margin_mm: float
    edge_mm: float
    seed: int
    effort: int  # rounds of search; the same effort gives the same nest on any machine
    web_mm: float = 0.0
    worth: Worth = Worth()


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """Everything the stages need, and nothing they could not see."""

    name: str
    title: str
    units: str  # "mm" or "in": the unit people read; the program's unit is the machine's
    billet: Billet
    material: Material
    machine: Machine
    crib: Crib
    holding: Holding
    parts: tuple[PartRequest, ...]
    tolerances: Tolerances
    z: ZRequest
    nest: NestRequest
    notes: tuple[str, ...] = ()
    serial: str = ""  # what will be engraved and is written on every sheet
