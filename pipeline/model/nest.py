"""Where each part lies on the billet."""

from __future__ import annotations

import math
from dataclasses import dataclass

from pipeline.model.arrays import Float, frozen
from pipeline.model.findings import Finding
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

    The rest is what a layout is judged by and may be missing: zones (of two that overlap the later one counts), the
    layers' direction, the measured edge of the plate, what the gasket seals (n, 2), the vacuum port, and the clamps as
    (name, polygon). `kerf_mm` is how far the outline cutter takes stock away beside a part. `rims` say for people what
    the outline comes from, as (name, polygon, gap_mm): a part that keeps gap_mm inside each of them is inside.
    """

    outline: Float
    edge_gap_mm: float
    keepouts: tuple[tuple[str, Float, float], ...]
    zones: tuple[Zone, ...] = ()
    layers_rad: float | None = None
    plate: Float | None = None
    sealed: Float | None = None
    port_mm: tuple[float, float] | None = None
    clamps: tuple[tuple[str, Float], ...] = ()
    kerf_mm: float = 0.0
    rims: tuple[tuple[str, Float, float], ...] = ()

    def __post_init__(self) -> None:
        object.__setattr__(self, "outline", frozen(self.outline, columns=2, name="region", least=3))
        for name in ("keepouts", "rims"):
            walls = tuple((n, frozen(p, columns=2, name=n, least=3), float(g)) for n, p, g in getattr(self, name))
            object.__setattr__(self, name, walls)
        for name in ("plate", "sealed"):
            if getattr(self, name) is not None:
                object.__setattr__(self, name, frozen(getattr(self, name), columns=2, name=name, least=3))
        object.__setattr__(self, "clamps", tuple((n, frozen(p, columns=2, name=n, least=3)) for n, p in self.clamps))


@dataclass(frozen=True, slots=True, kw_only=True)
class Silhouette:
    """All that a nest may know of a part: its name and its outline, part frame."""

    name: str
    outline: Loop


@dataclass(frozen=True, slots=True, kw_only=True)
class SmallerCutter:
    """A cutter of the crib that could cut the outlines instead, and what a nest would be given with it."""

    number: int
    diameter_mm: float
    gap_mm: float
    region: Region


@dataclass(frozen=True, slots=True, kw_only=True)
class Placement:
    """One copy of a part. `part_id` is unique and sayable (`stud-3`); `part` is the kind (`stud`).

    `billet_from_part` is planar: its z is 0 here; the Z plan adds the height.
    """

    part_id: str
    part: str
    billet_from_part: Pose


@dataclass(frozen=True, slots=True, kw_only=True)
class Term:
    """One thing the maker cares about, as a nest has it: a mark from 0 to 1, what a perfect mark is worth, and
    `money`, the mark times the worth, in the billet's currency. `share` is that of the money of all terms. `why` says
    in one sentence what lowered the mark; it is empty when nothing did."""

    name: str
    mark: float
    worth: float
    money: float
    share: float
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Nest:
    """The placements in a fixed order (by kind in job order, then by x, then y), and what was measured afterwards by
    an independent distance check.

    A web is what stands between two kerfs that do not meet, or between a kerf and the plate's edge.
    """

    placements: tuple[Placement, ...]
    least_gap_mm: float  # smallest distance between two parts
    least_edge_mm: float  # smallest distance of a part to the outline or a keep-out
    parts_area_mm2: float
    usable_area_mm2: float  # the region less its edge gap and keep-outs
    terms: tuple[Term, ...] = ()
    least_web_mm: float = math.inf  # inf: there is none
    findings: tuple[Finding, ...] = ()  # warnings
    rounds: int = 0  # of search that were done
    is_ended_early: bool = False  # fewer than the job asks for: `rounds` as the effort gives the same placements


@dataclass(frozen=True, slots=True, kw_only=True)
class Progress:
    """How far a search is: rounds done `of` so many, and its best layout: studs (parts beyond those with a count), its
    score in the billet's currency, and the parts' share of the usable area."""

    rounds: int
    of: int
    studs: int
    value: float
    share: float
