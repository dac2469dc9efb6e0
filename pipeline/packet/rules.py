"""What ties a drawing of the plate to the bed: a frame with rules, the origin with its axes, the marked corner."""

from __future__ import annotations

import math
from collections.abc import Iterable

from pipeline.model.units import MM_PER_INCH
from pipeline.packet.ink import num, text_at

RULE_MM = 7.0  # strip for the figures, left and below


def rules(low: tuple[float, float], high: tuple[float, float], units: str) -> Iterable[str]:
    """The frame from its low to its high corner, setup frame, with ticks along all four sides; figures on the left and
    below, in the machine's unit, stand outside it."""
    step, scale, every = (MM_PER_INCH / 4, MM_PER_INCH, 4) if units == "in" else (5.0, 1.0, 4)
    (x0, y0), (x1, y1) = low, high
    yield (
        f'<rect x="{num(x0)}" y="{num(-y1)}" width="{num(x1 - x0)}" height="{num(y1 - y0)}" fill="none" stroke="#000"'
        ' stroke-width="0.35"/>'
    )
    ticks, figures = "", []
    for k in range(math.ceil(x0 / step), math.floor(x1 / step) + 1):
        x, long = k * step, 2.2 if k % every == 0 else 1.1
        ticks += f"M{num(x)} {num(-y0)}v{num(-long)}M{num(x)} {num(-y1)}v{num(long)}"
        if k % every == 0:
            figures.append(text_at(x, y0 - 2.8, 2.9, f"{x / scale:.0f}"))
    for k in range(math.ceil(y0 / step), math.floor(y1 / step) + 1):
        y, long = k * step, 2.2 if k % every == 0 else 1.1
        ticks += f"M{num(x0)} {num(-y)}h{num(long)}M{num(x1)} {num(-y)}h{num(-long)}"
        if k % every == 0:
            figures.append(text_at(x0 - 1.0, y, 2.9, f"{y / scale:.0f}", anchor="end"))
    yield f'<path d="{ticks}" stroke="#000" stroke-width="0.25"/>'
    yield from figures
    yield text_at(x1, y0 - 2.8, 2.9, units, anchor="end")


def origin() -> str:
    """X0 Y0 of the setup with its axes."""
    return (
        '<path d="M-3 0H12M0 3V-12M12 0l-2.6 -0.9v1.8zM0 -12l-0.9 2.6h1.8z" stroke="#000" stroke-width="0.4"/>'
        '<circle r="1.6" fill="#fff" stroke="#000" stroke-width="0.4"/>'
        + "\n"
        + text_at(14, 0, 3, "X")
        + text_at(0, 14, 3, "Y")
        + text_at(2.4, 2.8, 2.6, "X0 Y0", anchor="start")
    )


def marked_corner(x: float, y: float) -> str:
    """An arrow from below left with its words; they reach 16 mm to the left and 9 mm down."""
    return (
        f'<path d="M{num(x)} {num(-y)}l-5 5M{num(x)} {num(-y)}l-2.4 0.6m2.4 -0.6l-0.6 2.4" fill="none" stroke="#000"'
        ' stroke-width="0.6"/>\n' + text_at(x - 5.5, y - 7.2, 3, "marked corner")
    )
