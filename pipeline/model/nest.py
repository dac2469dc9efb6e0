"""Where each part lies on the billet."""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.model.arrays import Float, frozen
from pipeline.model.frames import Pose
from pipeline.model.loop import Loop


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Zone:
    """A part of the billet that the maker graded: its polygon (n, 2), billet frame, and its figure, 0 to 1, as the face
    shows it that the parts' show faces lie against."""

    name: str
    polygon: Float
    figure: float

    def __post_init__(self) -> None:
        object.__setattr__(self, "polygon", frozen(self.polygon, columns=2, name=f"zone {self.name}", least=3))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Region:
    """Where parts may lie, billet frame: inside `outline` (n, 2), outside every keep-out (n, 2).

    Each keep-out is (name, polygon, gap_mm): a part's outline stays at least gap_mm from it. `edge_gap_mm` is kept to
    the outline itself. Gaps already hold kerf, margin and uncertainty.
    """

    outline: Float
    edge_gap_mm: float
    keepouts: tuple[tuple[str, Float, float], ...]
    zones: tuple[Zone, ...] = ()

    def __post_init__(self) -> None:
        object.__setattr__(self, "outline", frozen(self.outline, columns=2, name="region", least=3))
        object.__setattr__(
            self, "keepouts", tuple((n, frozen(p, columns=2, name=n, least=3), float(g)) for n, p, g in self.keepouts)
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Silhouette:
    """All that a nest may know of a part: its name and its outline, part frame."""

    name: str
    outline: Loop


@dataclass(frozen=True, slots=True, kw_only=True)
class Placement:
    """One copy of a part. `part_id` is unique and sayable (`stud-3`); `part` is the kind (`stud`).

    `billet_from_part` is planar: its z is 0 here; the Z plan adds the height.
    """

    part_id: str
    part: str
    billet_from_part: Pose


@dataclass(frozen=True, slots=True, kw_only=True)
class Nest:
    """The placements in a fixed order (by kind in job order, then by x, then y), and what was measured afterwards by
    an independent distance check."""

    placements: tuple[Placement, ...]
    least_gap_mm: float  # smallest distance between two parts
    least_edge_mm: float  # smallest distance of a part to the outline or a keep-out
    parts_area_mm2: float
    usable_area_mm2: float  # the region less its edge gap and keep-outs
