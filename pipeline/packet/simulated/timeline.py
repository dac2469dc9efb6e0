"""What the cutter feels over the program's time: four strips above each other, one drawing.

The drawing has no size of its own: it is as wide as its place, lines are stretched and words are not, so that it reads
on a phone, on a tablet and on A4. Heights are CSS pixels, places along the time are percent.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from html import escape
from typing import Any

import numpy as np

from pipeline.model.arrays import Float
from pipeline.model.units import MM_PER_INCH
from pipeline.model.verdict import Loads
from pipeline.packet.simulated.hold import rounded_down

_MOST_COLUMNS = 600  # steps of the drawing; the worst of what falls into one
_BANDS_PX, _NAMES_PX, _PLOT_PX, _HEAD_PX, _FLAG_PX, _AXIS_PX = 14, 15, 78, 25, 18, 34
_NARROW = 0.07  # of the width: a cutter's band narrower than that shares its name with its neighbours
_FACTOR_TOP = 4.0  # times the factor asked for: a hold stronger than that is as good as any
_SKINS_TOP = 2.0  # times the skin planned
_INK = 'vector-effect="non-scaling-stroke"'


@dataclass(frozen=True, slots=True)
class Columns:
    """The timeline in at most `_MOST_COLUMNS` steps of `step_s`, angles in degrees. `stretch` is that of the largest
    force in the step, -1 for none."""

    step_s: float
    force_n: Float
    engaged_deg: Float
    holding: Float
    skin_mm: Float
    stretch: list[int]


def columns(loads: Loads) -> Columns:
    """The worst of every few steps: largest force and arc, least hold and skin."""
    line = loads.timeline
    n = len(line.force_n)
    each = max(1, math.ceil(n / _MOST_COLUMNS))
    starts = range(0, n, each)
    of = np.add.outer(np.arange(0, n, each), np.arange(each)).clip(max=max(0, n - 1))
    force = np.asarray(line.force_n)[of]
    stretch = np.asarray(line.stretch)[of]
    worst = np.where(stretch < 0, -1.0, force).argmax(axis=1)  # of steps that belong to a stretch
    return Columns(
        line.step_s * each,
        force.max(axis=1),
        np.degrees(np.asarray(line.engaged_rad)[of].max(axis=1)),
        np.asarray(line.holding)[of].min(axis=1),
        np.asarray(line.skin_mm)[of].min(axis=1),
        [int(stretch[k, worst[k]]) for k in range(len(starts))],
    )


@dataclass(frozen=True, slots=True)
class _Strip:
    """One figure over time. `limits` are lines across it with their words; `black` is what is under this value."""

    name: str
    title: str
    values: Float
    top: float
    places: int
    limits: tuple[tuple[float, str], ...] = ()
    black_under: float = -math.inf


def draw_timeline(
    at: Columns,
    loads: Loads,
    *,
    units: str,
    targets: Sequence[tuple[float, str]],
    skin_mm: float,
    skin_needed_mm: float,
    flags: Mapping[str, tuple[float, str]],
) -> str:
    """The drawing. `flags` puts a number at a time in s into the strip of a quantity ("force", "engagement", "holding",
    "skin"). `targets` are the safety factors asked of the hold and what for, none when it was not worked out;
    `skin_needed_mm` is 0 when nothing is known of it."""
    total_s = at.step_s * max(1, len(at.force_n))
    top = y = _BANDS_PX + 2 * _NAMES_PX
    body = [*_bands(at, loads)]
    lines = []
    for strip in _strips(at, units, targets, skin_mm, skin_needed_mm):
        flag = flags.get(strip.name)
        head = _HEAD_PX + (_FLAG_PX if flag else 0)
        body += _draw_strip(strip, y, head, flag, total_s)
        y += head + _PLOT_PX
    for x in _changes(at, loads)[1:]:
        lines.append(f'<line x1="{_pc(x)}" y1="{top}" x2="{_pc(x)}" y2="{y}" stroke="#999" stroke-width="0.7"/>')
    axis = _axis(total_s, y)
    return (
        f'<svg class="timeline" width="100%" height="{y + _AXIS_PX}" role="img">'
        "<title>Force, arc in stock, hold and skin over the time of the program</title>"
        f"{''.join(lines)}{''.join(body)}{''.join(axis)}"
        f'<line class="hand" y1="0" y2="{y}" x1="0" x2="0" stroke="#000" stroke-width="2" visibility="hidden"/></svg>\n'
    )


def times_of_worst(at: Columns) -> dict[str, float]:
    """When each figure of the drawing is at its worst, s, as near as a step is long."""
    worst = {
        "force": at.force_n.argmax,
        "engagement": at.engaged_deg.argmax,
        "holding": at.holding.argmin,
        "skin": at.skin_mm.argmin,
    }
    return {name: (int(find()) + 0.5) * at.step_s for name, find in worst.items()} if len(at.force_n) else {}


def timeline_json(at: Columns, loads: Loads, *, names: Sequence[str]) -> str:
    """What the drawing shows, for the read-out, as JSON that may stand inside a script element. `names` are those of
    the stretches. An arc is in degrees, a skin in mm, a hold null where no force pulls at it."""

    def row(values: Float, places: int | None = None) -> list[float | None]:
        return [round(v, places) if math.isfinite(v) else None for v in values.tolist()]

    data: dict[str, Any] = {
        "step_s": at.step_s,
        "force": row(at.force_n),
        "arc": row(at.engaged_deg),
        "hold": [rounded_down(v) if math.isfinite(v) else None for v in at.holding.tolist()],
        "skin": row(at.skin_mm, 3),
        "stretch": at.stretch,
        "stretches": [
            [name, one.cutter, one.first_line, one.last_line] for name, one in zip(names, loads.stretches, strict=True)
        ],
    }
    return json.dumps(data, separators=(",", ":")).replace("<", "\\u003c")


def _strips(
    at: Columns, units: str, targets: Sequence[tuple[float, str]], skin_mm: float, needed_mm: float
) -> list[_Strip]:
    scale, places = (MM_PER_INCH, 4) if units == "in" else (1.0, 3)
    found = [
        _Strip("force", "Force on a worn cutter, N", at.force_n, _nice(at.force_n.max(initial=1.0)), 0),
        _Strip("engagement", "Arc of the cutter in stock, degrees", at.engaged_deg, 360.0, 0),
    ]
    if targets:
        known = at.holding[np.isfinite(at.holding)]
        least, most = min(targets)[0], max(targets)[0]
        top = max(1.5 * most, min(_nice(float(known.max(initial=0.0))), _FACTOR_TOP * least))
        limits = tuple((value, f"asked for: {value:g}{' ' if words else ''}{words}") for value, words in targets)
        found.append(_Strip("holding", "Hold: safety factor", at.holding, top, 1, limits, least))
    planned = skin_mm / scale
    lines = [(planned, f"planned: {planned:.{places}f}")]
    if needed_mm:
        lines.append((needed_mm / scale, f"needed: {needed_mm / scale:.{places}f}"))
    top = _SKINS_TOP * planned
    name = f"Thinnest skin so far, {units}"
    found.append(_Strip("skin", name, at.skin_mm / scale, top, places, tuple(lines), needed_mm / scale))
    return found


def _draw_strip(strip: _Strip, y: float, head: float, flag: tuple[float, str] | None, total_s: float) -> list[str]:
    """Title, values as an area, limits, and a flag under the title. A value over the top is drawn at it."""
    top, low = y + head, y + head + _PLOT_PX

    def at(value: float) -> float:
        return round(_PLOT_PX * (1 - min(max(value, 0.0), strip.top) / strip.top), 1)

    over = bool((strip.values[np.isfinite(strip.values)] > strip.top).any())
    cut = f'<tspan font-weight="400">, cut off at {strip.top:g}</tspan>' if over and strip.top != 360 else ""
    out = [
        f'<text x="0" y="{y + _HEAD_PX - 7}" font-size="13" font-weight="700">{escape(strip.title)}{cut}</text>',
        f'<svg x="0" y="{top}" width="100%" height="{_PLOT_PX}" preserveAspectRatio="none"'
        f' viewBox="0 0 {len(strip.values)} {_PLOT_PX}">',
        f'<path d="{_area(strip.values, at)}" fill="#c9c9c9"/>',
    ]
    if weak := _area(np.where(strip.values < strip.black_under, strip.values, np.nan), at, at(strip.black_under)):
        out.append(f'<path class="weak" d="{weak}" fill="#000"/>')
    out.append(f'<path d="{_outline(strip.values, at)}" fill="none" stroke="#000" stroke-width="1" {_INK}/></svg>')
    for share in (0.0, 0.5, 1.0):
        value, line_y = share * strip.top, low - share * _PLOT_PX
        ink = 'stroke="#000" stroke-width="1"' if share == 0 else 'stroke="#bbb" stroke-width="0.6"'
        out.append(f'<line x1="0" x2="100%" y1="{line_y}" y2="{line_y}" {ink}/>')
        out.append(f'<text x="-6" y="{line_y}" {_RIGHT}>{_figure(value, strip.places)}</text>')
    out += _limits(strip, top, at)
    if flag:
        x, wide = flag[0] / total_s, 10 + 7 * len(flag[1])
        out.append(
            f'<line x1="{_pc(x)}" x2="{_pc(x)}" y1="{top}" y2="{low}" stroke="#000" stroke-width="1.4"'
            ' stroke-dasharray="2 2"/>'
            f'<svg x="{_pc(x)}" y="{top - 16}" overflow="visible">'
            f'<rect x="{-wide / 2:g}" width="{wide}" height="16" fill="#fff" stroke="#000" stroke-width="1.4"/>'
            f'<text y="12.5" font-size="12" font-weight="700" text-anchor="middle">{escape(flag[1])}</text></svg>'
        )
    return out


_RIGHT = 'font-size="12" text-anchor="end" dominant-baseline="central"'
_HALO = 'paint-order="stroke" stroke="#fff" stroke-width="4" stroke-linejoin="round"'


def _limits(strip: _Strip, y: float, at: Any) -> list[str]:
    """Dashed lines with words at the right: over the line, or under it where the one above is too near."""
    out, last = [], -math.inf
    for k, (value, words) in enumerate(sorted(strip.limits, reverse=True)):
        line_y = y + at(value)
        text_y = line_y - 4 if line_y - last > 14 else line_y + 13
        last = line_y
        dash = "7 4" if k == 0 else "2 3"
        out.append(
            f'<line x1="0" x2="100%" y1="{line_y:g}" y2="{line_y:g}" stroke="#000" stroke-width="1.3"'
            f' stroke-dasharray="{dash}"/><text x="100%" dx="-4" y="{text_y:g}" font-size="12" text-anchor="end"'
            f" {_HALO}>{escape(words)}</text>"
        )
    return out


def _runs(values: Float) -> list[tuple[int, int]]:
    """Runs of finite values, as slices."""
    known = np.concatenate([[0], np.isfinite(values).astype(int), [0]])
    edges = np.flatnonzero(np.diff(known))
    return list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))


def _steps(values: Float, first: int, last: int, at: Any) -> str:
    """From the height of the first value along it, up or down to each other one, along it, to the end of the last."""
    out, before = "", at(float(values[first]))
    for k in range(first, last):
        here = at(float(values[k]))
        if here != before:
            out += f"H{k}V{here:g}"
            before = here
    return out + f"H{last}"


def _outline(values: Float, at: Any) -> str:
    return "".join(f"M{a} {at(float(values[a])):g}{_steps(values, a, b, at)}" for a, b in _runs(values))


def _area(values: Float, at: Any, base: float = _PLOT_PX) -> str:
    return "".join(
        f"M{a} {base:g}V{at(float(values[a])):g}{_steps(values, a, b, at)}V{base:g}Z" for a, b in _runs(values)
    )


def _changes(at: Columns, loads: Loads) -> list[float]:
    """Where each cutter begins, as shares of the time."""
    return [start for start, _, _ in _cutters(at, loads)]


def _cutters(at: Columns, loads: Loads) -> list[tuple[float, float, int]]:
    """From, to (shares of the time) and number of each cutter in turn; a step of no stretch goes to the one before."""
    n = max(1, len(at.stretch))
    found: list[list[Any]] = []
    for k, stretch in enumerate(at.stretch):
        cutter = loads.stretches[stretch].cutter if stretch >= 0 else (found[-1][2] if found else None)
        if cutter is None:
            continue
        if not found or found[-1][2] != cutter:
            found.append([k / n if found else 0.0, 1.0, cutter])
            if len(found) > 1:
                found[-2][1] = k / n
    return [(a, b, cutter) for a, b, cutter in found]


def _bands(at: Columns, loads: Loads) -> list[str]:
    """A band for each cutter, with its name; those too narrow for it share one under the others'."""
    bands = _cutters(at, loads)
    out = []
    for k, (a, b, cutter) in enumerate(bands):
        fill = "#000" if k % 2 == 0 else "#fff"
        out.append(
            f'<rect x="{_pc(a)}" width="{_pc(b - a)}" y="{2 * _NAMES_PX}" height="{_BANDS_PX - 4}" fill="{fill}"'
            f' stroke="#000" stroke-width="1"><title>T{cutter}</title></rect>'
        )
    run: list[tuple[float, float, int]] = []
    for band in [*bands, None]:
        if band and band[1] - band[0] < _NARROW:
            run.append(band)
            continue
        if run:
            middle, numbers = (run[0][0] + run[-1][1]) / 2, [f"T{cutter}" for _, _, cutter in run]
            words = numbers[0] if len(numbers) == 1 else f"{numbers[0]} … {numbers[-1]}"
            out.append(_name(middle, _NAMES_PX - 3, words))
        if band:
            out.append(_name((band[0] + band[1]) / 2, 2 * _NAMES_PX - 3, f"T{band[2]}"))
        run = []
    return out


def _name(x: float, y: float, words: str) -> str:
    anchor = "start" if x < 0.05 else "end" if x > 0.95 else "middle"
    return f'<text x="{_pc(x)}" y="{y}" font-size="12.5" font-weight="700" text-anchor="{anchor}">{words}</text>'


def _axis(total_s: float, y: float) -> list[str]:
    """Minutes, in round steps."""
    minutes = total_s / 60
    step = _nice(minutes / 9)
    out = []
    for k in range(int(minutes / step) + 1):
        x = k * step / minutes
        anchor = "start" if k == 0 else "end" if x > 0.97 else "middle"
        out.append(
            f'<line x1="{_pc(x)}" x2="{_pc(x)}" y1="{y}" y2="{y + 6}" stroke="#000" stroke-width="1"/>'
            f'<text x="{_pc(x)}" y="{y + 19}" font-size="12" text-anchor="{anchor}">{k * step:g}</text>'
        )
    out.append(f'<text x="100%" y="{y + 32}" font-size="12" text-anchor="end">minutes</text>')
    return out


def _nice(value: float) -> float:
    """The next round number: 1, 2, 2.5 or 5 times a power of ten."""
    decade = 10.0 ** math.floor(math.log10(max(value, 0.1)))
    return next(float(f"{k * decade:.6g}") for k in (1, 2, 2.5, 5, 10) if k * decade >= value)


def _figure(value: float, places: int) -> str:
    text = f"{value:.{places}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def _pc(share: float) -> str:
    return f"{100 * share:.3f}%"
