"""The nest as a drawing: black on white, parts told apart by hatching and by name, so that it reads on a greasy print.

Words: a *layer* is a named list of closed polygons in the setup frame; the DXF carries the same layers as the SVG.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from html import escape

import numpy as np

from pipeline.model.arrays import Float
from pipeline.model.part import Hole, Pocket, Side
from pipeline.model.setup import PlacedPart, Setup
from pipeline.model.units import MM_PER_INCH

_CHORD_MM = 0.02
_MARGIN_MM = 9.0
# one hatching per family, in the order families first appear: angle in degrees and spacing in mm
_HATCHES = ((45, 2.2), (135, 1.5), (0, 1.6), (90, 1.6), (20, 1.8), (70, 1.8))


def nest_layers(setup: Setup) -> dict[str, list[Float]]:
    """Closed polygons (n, 2) by layer name, setup frame, mm."""
    layers: dict[str, list[Float]] = {
        "BILLET": [setup.billet],
        "GASKET": [setup.gasket],
        "DEFECTS": list(setup.defects),
        "BED": [b.outline for b in setup.blocks],
    }
    for placed in setup.parts:
        layers.setdefault("PARTS-" + placed.part.name.upper(), []).append(outline_of(placed))
        layers.setdefault("HOLES", []).extend(_circle(x, y, r) for x, y, r in _holes(placed))
    return layers


def outline_of(placed: PlacedPart) -> Float:
    """A placed part's outline as points (n, 2), setup frame."""
    return placed.part.outline.moved(placed.setup_from_part).flattened(chord_mm=_CHORD_MM)


def draw_nest(
    setup: Setup,
    *,
    units: str,
    banner: str = "",
    window: tuple[float, float, float] | None = None,
    mark: tuple[float, float] | None = None,
) -> str:
    """The nest seen from above. `window` (x, y, half width) shows a square cut-out; `mark` rings a place on it."""
    everything = np.vstack([setup.billet, setup.gasket, *(b.outline for b in setup.blocks), [[0.0, 0.0]]])
    low, high = everything.min(axis=0) - _MARGIN_MM, everything.max(axis=0) + _MARGIN_MM
    if window:
        x, y, half = window
        low, high = np.array([x - half, y - half]), np.array([x + half, y + half])
    width, height = high - low
    families = list(dict.fromkeys(p.part.family for p in setup.parts))
    prefix = f"c{abs(hash_of(window))}-" if window else ""
    out = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="{_n(low[0])} {_n(-high[1])} {_n(width)} {_n(height)}"'
        f' width="{_n(width)}mm" height="{_n(height)}mm" role="img" font-family="sans-serif">',
        f"<title>Nest of {escape(setup.name)}, {escape(setup.side_up)} face up</title>",
        "<defs>",
    ]
    for k, family in enumerate(families):
        angle, gap = _HATCHES[k % len(_HATCHES)]
        out.append(
            f'<pattern id="{prefix}h-{escape(family)}" width="{gap}" height="{gap}" patternUnits="userSpaceOnUse"'
            f' patternTransform="rotate({-angle})"><rect width="{gap}" height="{gap}" fill="#fff"/>'
            f'<line x1="0" y1="0" x2="{gap}" y2="0" stroke="#999" stroke-width="0.25"/></pattern>'
        )
    out.append(
        f'<pattern id="{prefix}h-bed" width="1.2" height="1.2" patternUnits="userSpaceOnUse"'
        ' patternTransform="rotate(45)"><rect width="1.2" height="1.2" fill="#fff"/>'
        '<line x1="0" y1="0" x2="1.2" y2="0" stroke="#000" stroke-width="0.5"/></pattern></defs>'
    )
    out.append(f'<rect x="{_n(low[0])}" y="{_n(-high[1])}" width="{_n(width)}" height="{_n(height)}" fill="#fff"/>')
    out.append(_polygon([setup.billet], 'fill="#fff" stroke="#000" stroke-width="0.7"'))
    out.append(_polygon([setup.gasket], 'fill="none" stroke="#000" stroke-width="0.4" stroke-dasharray="3 1.4"'))
    for block in setup.blocks:
        out.append(_polygon([block.outline], f'fill="url(#{prefix}h-bed)" stroke="#000" stroke-width="0.4"'))
    for placed in setup.parts:
        out.append(
            _polygon(
                [outline_of(placed)],
                f'fill="url(#{prefix}h-{escape(placed.part.family)})" stroke="#000" stroke-width="0.45"',
            )
        )
        for loops in _pockets(placed):
            out.append(_polygon(loops, 'fill="#fff" fill-rule="evenodd" stroke="#000" stroke-width="0.2"'))
        for x, y, r in _holes(placed) if _is_long(outline_of(placed)) else ():  # a stud's number needs the room
            out.append(
                f'<circle cx="{_n(x)}" cy="{_n(-y)}" r="{_n(r)}" fill="#fff" stroke="#000" stroke-width="0.25"/>'
            )
    for defect in setup.defects:
        out.append(_polygon([defect], 'fill="#000" stroke="#000" stroke-width="0.3"'))
    out.extend(_labels(setup))
    if not window:
        out.extend(_bed_marks(setup))
        out.append(_scale_bar(low, width, units))
    if mark:
        x, y = mark
        out.append(
            f'<circle cx="{_n(x)}" cy="{_n(-y)}" r="1.2" fill="none" stroke="#000" stroke-width="0.5"/>'
            f'<path d="M{_n(x - 3)} {_n(-y)}H{_n(x - 1.2)}M{_n(x + 1.2)} {_n(-y)}H{_n(x + 3)}" stroke="#000"'
            ' stroke-width="0.5"/>'
        )
    if banner:
        out.append(
            f'<text x="{_n((low[0] + high[0]) / 2)}" y="{_n(-high[1] + 6)}" font-size="5" font-weight="700"'
            f' text-anchor="middle">{escape(banner)}</text>'
        )
    out.append("</svg>")
    return "\n".join(out) + "\n"


def hash_of(window: tuple[float, float, float] | None) -> int:
    """A small stable number for a window, so that two drawings on one page do not share pattern names."""
    return sum(round(1000 * v) * (k + 1) for k, v in enumerate(window or ()))


def _labels(setup: Setup) -> Iterable[str]:
    """Names in the parts: whole names where they fit, the copy's number alone where they do not (studs)."""
    for placed in setup.parts:
        points = outline_of(placed)
        is_long = _is_long(points)
        size = 3.6 if np.ptp(points, axis=0).max() > 60 else 2.6
        name = placed.part_id if is_long else placed.part_id.rpartition("-")[2]
        x, y = _label_place(placed, points, 0.26 * size * len(name))
        out = (
            f'<text x="{_n(x)}" y="{_n(-y)}" font-size="{size}" text-anchor="middle" dominant-baseline="central"'
            f' paint-order="stroke" stroke="#fff" stroke-width="0.9"'
        )
        if is_long:
            angle = (math.degrees(placed.setup_from_part.angle_rad) + 90) % 180 - 90  # never upside down
            out += f' transform="rotate({_n(-angle)} {_n(x)} {_n(-y)})"'
        yield out + f">{escape(name)}</text>"


def _label_place(placed: PlacedPart, points: Float, half_mm: float) -> tuple[float, float]:
    """The middle of the outline; for a long part the place along its axis where a label of this half width stays
    farthest from the holes. Over a pocket it reads well."""
    low, high = points.min(axis=0), points.max(axis=0)
    if not _is_long(points):
        return float((low[0] + high[0]) / 2), float((low[1] + high[1]) / 2)
    axis = placed.setup_from_part.vectors(np.array([[1.0, 0.0]]))[0]
    holes = _holes(placed)

    def room(t: float) -> float:
        letters = [points.mean(axis=0) + axis * (t + s * half_mm) for s in (-1, -0.5, 0, 0.5, 1)]
        return round(min((math.hypot(p[0] - x, p[1] - y) - r for p in letters for x, y, r in holes), default=0.0), 6)

    reach = 0.25 * float(np.hypot(*(high - low)))
    best = points.mean(axis=0) + axis * max(np.linspace(-reach, reach, 41), key=room)
    return float(best[0]), float(best[1])


def _is_long(points: Float) -> bool:
    """Long enough to carry its whole name along its axis."""
    return bool(np.ptp(points, axis=0).max() > 25)


def _bed_marks(setup: Setup) -> Iterable[str]:
    """Origin, contacts, marked corner, pointer checks, port, names of what stands on the bed."""
    yield (
        '<path d="M-6 0H6M0 -6V6" stroke="#000" stroke-width="0.35"/><circle r="1.6" fill="none" stroke="#000"'
        ' stroke-width="0.35"/><text x="2.4" y="-2.2" font-size="3">X0 Y0</text>'
    )
    for x, y in setup.seating.contacts:
        yield f'<circle cx="{_n(x)}" cy="{_n(-y)}" r="0.9" fill="#000"/>'
    x, y = setup.seating.corner_mm
    yield (
        f'<path d="M{_n(x)} {_n(-y)}l-5 5m0 -2.4v2.4h2.4" fill="none" stroke="#000" stroke-width="0.6"/>'
        f'<text x="{_n(x - 5.5)}" y="{_n(-y + 8.2)}" font-size="3" text-anchor="middle">marked corner</text>'
    )
    for k, check in enumerate(setup.seating.pointer_checks, start=1):
        yield (
            f'<circle cx="{_n(check.x_mm)}" cy="{_n(-check.y_mm)}" r="2.1" fill="#fff" stroke="#000"'
            ' stroke-width="0.45"/>'
            f'<text x="{_n(check.x_mm)}" y="{_n(-check.y_mm)}" font-size="2.8" font-weight="700" text-anchor="middle"'
            f' dominant-baseline="central">P{k}</text>'
        )
    x, y = setup.port_mm
    yield (
        f'<circle cx="{_n(x)}" cy="{_n(-y)}" r="2" fill="none" stroke="#000" stroke-width="0.4"'
        ' stroke-dasharray="1 0.6"/>'
        f'<text x="{_n(x)}" y="{_n(-y - 2.8)}" font-size="2.2" text-anchor="middle" paint-order="stroke" stroke="#fff"'
        ' stroke-width="0.8">port</text>'
    )
    for block in setup.blocks:
        x, y = (block.outline.min(axis=0) + block.outline.max(axis=0)) / 2
        yield (
            f'<text x="{_n(x)}" y="{_n(-y)}" font-size="2.4" text-anchor="middle" dominant-baseline="central"'
            f' paint-order="stroke" stroke="#fff" stroke-width="1.4">{escape(block.name)}</text>'
        )


def _scale_bar(low: Float, width: float, units: str) -> str:
    length, name = (MM_PER_INCH, "1 in") if units == "in" else (20.0, "20 mm")
    x, y = low[0] + width - length - 4, -low[1] - 3
    return (
        f'<path d="M{_n(x)} {_n(y)}h{_n(length)}m0 -1.5v3m{_n(-length)} -3v3" stroke="#000"'
        ' stroke-width="0.5" fill="none"/>'
        f'<text x="{_n(x + length / 2)}" y="{_n(y - 1.5)}" font-size="2.8" text-anchor="middle">{name}</text>'
    )


def _holes(placed: PlacedPart) -> list[tuple[float, float, float]]:
    """Centre and radius of every hole reached from the side that is up."""
    holes = [f for f in placed.part.features if isinstance(f, Hole) and (f.through or f.side is Side.INSIDE)]
    if not holes:
        return []
    centres = placed.setup_from_part.points(np.array([[h.x_mm, h.y_mm] for h in holes]))
    return [(float(x), float(y), h.diameter_mm / 2) for (x, y), h in zip(centres, holes, strict=True)]


def _pockets(placed: PlacedPart) -> list[list[Float]]:
    """Rings (outer first) of every pocket on the side that is up."""
    return [
        [loop.moved(placed.setup_from_part).flattened(chord_mm=_CHORD_MM) for loop in (f.outer, *f.islands)]
        for f in placed.part.features
        if isinstance(f, Pocket) and f.side is Side.INSIDE and not f.open_edge
    ]


def _circle(x: float, y: float, r: float) -> Float:
    turn = np.linspace(0, 2 * np.pi, 48, endpoint=False)
    return np.column_stack([x + r * np.cos(turn), y + r * np.sin(turn)])


def _polygon(rings: Sequence[Float], style: str) -> str:
    path = "".join("M" + "L".join(f"{_n(x)} {_n(-y)}" for x, y in ring) + "Z" for ring in rings)
    return f'<path d="{path}" {style}/>'


def _n(value: float) -> str:
    """Two decimals are a hundredth of a millimetre on the drawing; no minus zero."""
    text = f"{value:.2f}"
    return "0.00" if text == "-0.00" else text
