"""Words, numbers and rings as the packet's drawings write them. A drawing's own unit is the millimetre, X to the right
and Y down: a place (x, y) of the setup is drawn at (x, -y)."""

from __future__ import annotations

import math
from collections.abc import Sequence
from html import escape

import numpy as np

from pipeline.model.arrays import Float

LETTER = 0.5  # width of a letter in parts of its size
FONT = "Helvetica, Arial, &quot;Liberation Sans&quot;, sans-serif"
HALO = 'paint-order="stroke" stroke="#fff" stroke-linejoin="round"'


def num(value: float) -> str:
    """Two decimals are a hundredth of a millimetre on the drawing; no minus zero."""
    text = f"{value:.2f}"
    return "0.00" if text == "-0.00" else text


def polygon(rings: Sequence[Float], style: str) -> str:
    """Closed rings (n, 2) of the setup frame as one path."""
    path = "".join("M" + "L".join(f"{num(x)} {num(-y)}" for x, y in ring) + "Z" for ring in rings)
    return f'<path d="{path}" {style}/>'


def text_at(x: float, y: float, size: float, words: str, style: str = "", *, anchor: str = "middle") -> str:
    """Words centred in height on (x, y) of the setup frame."""
    return (
        f'<text x="{num(x)}" y="{num(-y)}" font-size="{size}" text-anchor="{anchor}" dominant-baseline="central"'
        f"{' ' + style if style else ''}>{escape(words)}</text>"
    )


def upright(angle_rad: float) -> float:
    """The turn of words along this direction that does not put them upside down."""
    return (angle_rad + math.pi / 2) % math.pi - math.pi / 2


def box(x: float, y: float, wide: float, high: float, angle_rad: float) -> Float:
    """A rectangle (4, 2) about (x, y), turned."""
    c, s = math.cos(angle_rad), math.sin(angle_rad)
    corners = [(a * wide / 2, b * high / 2) for a, b in ((-1, -1), (1, -1), (1, 1), (-1, 1))]
    return np.array([(x + u * c - v * s, y + u * s + v * c) for u, v in corners])
