"""What is left of the billet as a drawing, in the manner of the nest's: setup frame, black on white."""

from __future__ import annotations

import math
from collections.abc import Sequence
from html import escape

from pipeline.geometry.offsets import Area
from pipeline.model.arrays import Float
from pipeline.model.loop import Loop
from pipeline.model.part import Part
from pipeline.model.remnant import Remnant
from pipeline.model.setup import Setup
from pipeline.packet.ink import FONT, HALO, num, polygon, text_at
from pipeline.packet.nest_drawing import hatch_lines, outline_of

_CHORD_MM = 0.02
_MARGIN_MM = 4.0
_HATCH_MM = 2.4
_LABEL_MM = 4.0
_EDGE = 'fill="#fff" stroke="#000" stroke-width="0.7" stroke-linejoin="round"'


def draw_remnant(remnant: Remnant, *, setup: Setup, parts: Sequence[Part]) -> str:
    """The plate from above, as the nest shows it: pieces hatched with their numbers, the largest part that fits dashed.
    Holes, kerfs and strips too narrow stay white."""
    low, high = setup.billet.min(axis=0) - _MARGIN_MM, setup.billet.max(axis=0) + _MARGIN_MM
    width, height = high - low
    by_name = {part.name: part for part in parts}
    setup_from_billet = setup.seating.setup_from_billet
    out = [
        f'<svg viewBox="{num(low[0])} {num(-high[1])} {num(width)} {num(height)}" role="img" font-family="{FONT}">',
        f"<title>What is left of the billet after {escape(setup.name)}</title>",
        f'<rect x="{num(low[0])}" y="{num(-high[1])}" width="{num(width)}" height="{num(height)}" fill="#fff"/>',
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
        x, y, _ = Area.of_loops(*_loops(rings)).deepest()
        words = str(k)
        if piece.largest is not None:
            pose = setup_from_billet @ piece.largest.billet_from_part
            ring = by_name[piece.largest.part].outline.moved(pose).flattened(chord_mm=_CHORD_MM)
            out.append(polygon([ring], 'fill="#fff" stroke="#000" stroke-width="0.5" stroke-dasharray="2 1"'))
            (x, y), words = (ring.min(axis=0) + ring.max(axis=0)) / 2, f"{k}: {piece.largest.part}"
        out.append("</g>")
        labels.append(text_at(x, y, _LABEL_MM, words, f'font-weight="700" {HALO} stroke-width="1.1"'))
    out += [
        polygon([outline_of(placed)], 'fill="#fff" stroke="#777" stroke-width="0.25" stroke-dasharray="0.6 0.6"')
        for placed in setup.parts
    ]
    return "\n".join([*out, *labels, "</svg>"]) + "\n"


def _loops(rings: Sequence[Float]) -> tuple[Loop, list[Loop]]:
    outer, *holes = (Loop.polygon(ring) for ring in rings)
    return outer, holes
