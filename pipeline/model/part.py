"""Parts and the features on them.

The part frame: Z up; Z = 0 on the *outer face* (the show face), Z = thickness on the *inside face*, which looks up in
the first setup. Each family's docstring draws its own X and Y. Features are intent, in the part frame; the solid is
the truth and a test holds the two together.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, Literal

from pipeline.model.arrays import Float, frozen
from pipeline.model.loop import Loop


class Side(StrEnum):
    """From which side a feature is reached: the inside face (up in the first setup) or the outer face (turned over)."""

    INSIDE = "inside"
    OUTER = "outer"


@dataclass(frozen=True, slots=True, kw_only=True)
class Thread:
    """A thread call-out. `drill_limits_mm` are the allowed minor diameters of the hole before threading."""

    name: str  # "4-40 UNC-2B", "M2.5-6H"
    major_mm: float
    pitch_mm: float
    drill_limits_mm: tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Hole:
    """A round hole with its axis along Z, between `top_z_mm` and `bottom_z_mm` (where the full diameter ends).

    `limits_mm` are the allowed diameters. `through` says that it opens at the outer face. `flat_bottom` asks for a
    flat floor (a bearing pocket, a counterbore): then it is bored, not drilled. `side` is the side it is cut from.
    """

    id: str
    side: Side
    x_mm: float
    y_mm: float
    diameter_mm: float
    limits_mm: tuple[float, float]
    top_z_mm: float
    bottom_z_mm: float
    through: bool
    flat_bottom: bool = False
    fit: str = "clearance"
    thread: Thread | None = None
    depth_limits_mm: tuple[float, float] | None = None  # allowed z of the bottom, low and high


@dataclass(frozen=True, slots=True, kw_only=True)
class Pocket:
    """A pocket with vertical walls and a flat floor. `outer` less `islands` is the floor; a groove is a thin pocket.

    `corner_radius_mm` is the smallest inside radius in plan: no larger cutter can finish it. `open_edge` marks a
    pocket that reaches past the part's outline (a step round a stud), so the cutter may leave it there.
    """

    id: str
    side: Side
    outer: Loop
    islands: tuple[Loop, ...] = ()
    top_z_mm: float
    floor_z_mm: float
    corner_radius_mm: float
    open_edge: bool = False
    floor_limits_mm: tuple[float, float] | None = None  # allowed z of the floor, low and high
    fit: str = "free"


@dataclass(frozen=True, slots=True, kw_only=True)
class Chamfer:
    """A 45 degree chamfer of leg `leg_mm` along `loop` at height `z_mm`. `inward`: on a hole or pocket mouth."""

    id: str
    side: Side
    loop: Loop
    z_mm: float
    leg_mm: float
    inward: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Surface:
    """A truly three-dimensional face over `region`, between `low_z_mm` and `high_z_mm`."""

    id: str
    side: Side
    region: Loop
    low_z_mm: float
    high_z_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """A place for engraved text (a serial number) inside `region` at height `z_mm`."""

    id: str
    side: Side
    region: Loop
    z_mm: float
    depth_mm: float
    text: str = ""


Feature = Hole | Pocket | Chamfer | Surface | Mark


@dataclass(frozen=True, slots=True, kw_only=True)
class Dimension:
    """A size as a drawing shows it, in the part frame.

    `view` "plan" looks at the inside face, points are (x, y); "side" looks along +Y, points are (x, z). "length" is
    measured straight from `start` to `end`; "diameter" and "radius" go from the centre to a point on the circle.
    `size` is the family's name of the size (`length_mm`), empty for a figure that follows from others.
    """

    size: str
    kind: Literal["length", "diameter", "radius"]
    view: Literal["plan", "side"]
    start: tuple[float, float]
    end: tuple[float, float]

    @property
    def value_mm(self) -> float:
        """What the drawing says: the distance, doubled for a diameter."""
        return math.dist(self.start, self.end) * (2 if self.kind == "diameter" else 1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Built:
    """What a family's `build` returns: the finished solid (a cadquery solid) and what is on it, in the part frame.

    `outline` is the plan silhouette that the outline operation follows, down to the skin. `report` holds design
    figures worth printing, by label with unit (`"spring rate, N/mm": 6.156`).
    """

    solid: Any
    outline: Loop
    thickness_mm: float
    features: tuple[Feature, ...]
    report: Mapping[str, float] = dataclasses.field(default_factory=dict)
    dimensions: tuple[Dimension, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Mesh:
    """Triangles of a solid. vertices (n, 3) mm, triangles (m, 3) vertex indices as float64; `deviation_mm` bounds the
    distance from the mesh to the solid and is measured, not assumed."""

    vertices: Float
    triangles: Float
    deviation_mm: float

    def __post_init__(self) -> None:
        object.__setattr__(self, "vertices", frozen(self.vertices, columns=3, name="mesh vertices", least=4))
        object.__setattr__(self, "triangles", frozen(self.triangles, columns=3, name="mesh triangles", least=4))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Part:
    """One kind of part: every copy of it on the billet is the same solid. All in the part frame.

    `name` is the job's word (`handle-left`), `family` the file in parts/ that drew it.
    """

    name: str
    family: str
    sizes: Mapping[str, float | str]
    brep: bytes
    step: bytes
    mesh: Mesh
    outline: Loop
    thickness_mm: float
    volume_mm3: float
    features: tuple[Feature, ...]
    report: Mapping[str, float]
    dimensions: tuple[Dimension, ...] = ()


def dim(default: float, *, low: float, high: float, note: str) -> Any:
    """A size of a family, in mm unless its name says otherwise, with its bounds. Used as a dataclass default."""
    return dataclasses.field(default=default, metadata={"kind": "dim", "low": low, "high": high, "note": note})


def pick(default: str, *others: str, note: str) -> Any:
    """A choice of a family: the default first, then the other words allowed. Used as a dataclass default."""
    return dataclasses.field(default=default, metadata={"kind": "pick", "choices": (default, *others), "note": note})
