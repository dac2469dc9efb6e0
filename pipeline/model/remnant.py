"""What is left of a billet when the parts are broken out."""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.model.arrays import Float, frozen
from pipeline.model.nest import Placement

MOST_KEPT = 5  # pieces that parts are tried on and that get a file; smaller ones are rarely kept


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Piece:
    """One piece, billet frame, mm: its `outline` (n, 2) counter-clockwise, `holes` where parts were or the plate had them, and those of the
    billet's `defects` that lie in it.

    `area_mm2` is its sound metal. `usable_mm2` is where the job's parts could lie again with the job's gaps: no part of
    the list can cover ground outside it. `largest` is the largest part that was found to fit, where and how turned.
    `has_corner` says that the plate's marked corner is on it.
    """

    outline: Float
    holes: tuple[Float, ...]
    defects: tuple[Float, ...]
    area_mm2: float
    usable_mm2: float
    has_corner: bool
    largest: Placement | None = None

    def __post_init__(self) -> None:
        object.__setattr__(self, "outline", frozen(self.outline, columns=2, name="piece", least=3))
        object.__setattr__(self, "holes", tuple(frozen(h, columns=2, name="hole", least=3) for h in self.holes))
        object.__setattr__(self, "defects", tuple(frozen(d, columns=2, name="defect", least=3) for d in self.defects))


@dataclass(frozen=True, slots=True, kw_only=True)
class Remnant:
    """All that is left: pieces, the usable ones first, then by area.

    plate = parts + kerfs + slivers + defects + pieces, all in mm2. `kerfs_mm2` is what cutters take beside the parts.
    A *sliver* is what is narrower than `sliver_width_mm`; defects count where they lie in pieces. `disc_radius_mm` is
    the disc that `Piece.usable_mm2` was found with. `doubts` are what may be wrong with an outline, each with its
    name; they add up.
    """

    pieces: tuple[Piece, ...]
    plate_mm2: float
    parts_mm2: float
    kerfs_mm2: float
    slivers_mm2: float
    defects_mm2: float
    sliver_width_mm: float
    disc_radius_mm: float
    edge_gap_mm: float  # from a part to the outline of a piece and to its holes
    defect_gap_mm: float
    doubts: tuple[tuple[str, float], ...]

    @property
    def outline_uncertainty_mm(self) -> float:
        """Of every outline and hole."""
        return sum(amount for _, amount in self.doubts)

    @property
    def kept(self) -> tuple[Piece, ...]:
        """The first pieces, as far as something of the list might be made of them, `MOST_KEPT` at most."""
        return tuple(piece for piece in self.pieces[:MOST_KEPT] if piece.usable_mm2 > 0)
