"""The broad pieces of an area."""

from __future__ import annotations

from pipeline.geometry.offsets import Area

_CORNER = 2.0  # in a corner of 60 degrees, from its tip to the centre of a disc of radius 1


def broad_pieces(area: Area, *, width_mm: float) -> tuple[Area, ...]:
    """What of the area is at least this wide, piece by piece, largest first.

    That is the opening by a disc of this width, and round it whatever lies within half the width of it: corners of 60
    degrees and more stay whole, and so do spots that are narrower over less than the width. Longer narrow necks part
    the pieces, with stubs of half the width and a little more on them.
    """
    cores = area.shrunk(width_mm / 2)
    near = area.common(cores.grown(_CORNER * width_mm / 2))
    return tuple(piece for piece in near.pieces() if not piece.common(cores).is_empty)
