"""What is left of the billet as a drawing, in the manner of the nest's: setup frame, black on white."""

from __future__ import annotations

import math
from collections.abc import Sequence
from html import escape

import numpy as np

from pipeline.geometry.offsets import Area
from pipeline.model.arrays import Float
from pipeline.model.frames import Pose
from pipeline.model.loop import Loop
from pipeline.model.part import Part
from pipeline.model.remnant import Piece, Remnant
from pipeline.model.setup import Setup
from pipeline.packet.ink import FONT, HALO, num, polygon, text_at
from pipeline.packet.nest_drawing import hatch_lines, outline_of
from pipeline.packet.rules import RULE_MM, marked_corner, origin, rules

_CHORD_MM = 0.02
_MARGIN_MM = 5.0  # white round everything, inside the frame
_HATCH_MM = 2.4
_NUMBER_MM, _NAME_MM = 5.0, 3.0  # sizes of a piece's number and of the name of the part that fits
_EDGE = 'fill="#fff" stroke="#000" stroke-width="0.7" stroke-linejoin="round"'


def largest_on_bed(piece: Piece, setup: Setup) -> Pose | None:
    """Where the largest part that was found to fit lies, setup frame; None when there is none."""
    return None if piece.largest is None else setup.seating.setup_from_billet @ piece.largest.billet_from_part


def draw_remnant(remnant: Remnant, *, setup: Setup, parts: Sequence[Part], units: str) -> str:
    """The plate from above, as the nest shows it, with rules in `units`: pieces hatched with their numbers, the largest
    part that fits dashed, with its name and a cross at its zero. Holes, kerfs and strips too narrow stay white."""
    corner = np.array(setup.seating.corner_mm)
    everything = np.vstack([setup.billet, [(0.0, 0.0), corner - (16, 9)]])  # the corner's words reach as far
    low, high = everything.min(axis=0) - _MARGIN_MM, everything.max(axis=0) + _MARGIN_MM
    left, top, (width, height) = low[0] - RULE_MM, -high[1] - 0.5, high - low + (RULE_MM + 1.0)
    by_name = {part.name: part for part in parts}
    setup_from_billet = setup.seating.setup_from_billet
    out = [
        f'<svg viewBox="{num(left)} {num(top)} {num(width)} {num(height)}" role="img" font-family="{FONT}">',
        f"<title>What is left of the billet after {escape(setup.name)}</title>",
        f'<rect x="{num(left)}" y="{num(top)}" width="{num(width)}" height="{num(height)}" fill="#fff"/>',
        polygon([setup.billet], 'fill="#fff" stroke="#000" stroke-width="0.25"'),
    ]
    labels = []
    numbered = sorted(enumerate(remnant.pieces, start=1), key=lambda item: -Loop.polygon(item[1].outline).area_mm2)
    for k, piece in numbered:  # what lies in a hole of another comes after it
        rings = [setup_from_billet.points(ring) for ring in (piece.outline, *piece.holes)]
        lines = "".join(
            f"M{num(x0)} {num(-y0)}L{num(x1)} {num(-y1)}"
            for x0, y0, x1, y1 in hatch_lines(rings[0], angle_rad=math.radians(45), gap=_HATCH_MM)
        )
        out.append(f'<g class="piece">{polygon(rings[:1], _EDGE)}<path d="{lines}" stroke="#777" stroke-width="0.22"/>')
        out += [polygon([ring], _EDGE) for ring in rings[1:]]
        out += [polygon([setup_from_billet.points(ring)], 'fill="#000"') for ring in piece.defects]
        free = Area.of_loops(*_loops([*rings, *(setup_from_billet.points(ring) for ring in piece.defects)]))
        pose = largest_on_bed(piece, setup)
        if piece.largest is not None and pose is not None:
            ring = by_name[piece.largest.part].outline.moved(pose).flattened(chord_mm=_CHORD_MM)
            out.append(polygon([ring], 'fill="#fff" stroke="#000" stroke-width="0.5" stroke-dasharray="2 1"'))
            free = free.minus(Area.of_loops(Loop.polygon(ring)))
            labels += _named(piece.largest.part, ring, pose)
        out.append("</g>")
        x, y, _ = free.deepest()
        labels.append(text_at(x, y, _NUMBER_MM, str(k), f'font-weight="700" {HALO} stroke-width="1.4"'))
    out += [
        polygon([outline_of(placed)], 'fill="#fff" stroke="#777" stroke-width="0.25" stroke-dasharray="0.6 0.6"')
        for placed in setup.parts
    ]
    ties = [origin(), marked_corner(*setup.seating.corner_mm), *rules(tuple(low.tolist()), tuple(high.tolist()), units)]
    return "\n".join([*out, *labels, *ties, "</svg>"]) + "\n"


def _named(name: str, ring: Float, pose: Pose) -> list[str]:
    """A cross at the part's zero, and its name in its middle or just above the cross."""
    (x, y), (x0, y0, _) = (ring.min(axis=0) + ring.max(axis=0)) / 2, pose.shift_mm
    y = y0 + 3.0 if math.hypot(x - x0, y - y0) < 3.0 else y
    arms = f"M{num(x0 - 1.5)} {num(-y0)}h3m-1.5 -1.5v3"
    return [
        f'<path class="zero" d="{arms}" stroke="#000" stroke-width="0.4"/>',
        text_at(x, y, _NAME_MM, name, f'{HALO} stroke-width="1.1"'),
    ]


def _loops(rings: Sequence[Float]) -> tuple[Loop, list[Loop]]:
    outer, *holes = (Loop.polygon(ring) for ring in rings)
    return outer, holes
