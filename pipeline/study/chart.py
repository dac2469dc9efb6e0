"""The candidates beside each other: a column for each cutter, the thickest at the left, a strip for each figure.

As the packet's drawing over time: as wide as its place, heights in CSS pixels, places across in percent.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

from pipeline.study.measure import Candidate

_NAMES_PX, _HEAD_PX, _PLOT_PX, _ROOM_PX = 36, 40, 84, 6
_BAR = 0.56  # of a column's width


@dataclass(frozen=True, slots=True)
class _Strip:
    """One figure of every candidate. `black` is the part of each bar, from its top, that is costs; `dark` the part at
    its foot that is worth beside the value."""

    title: str
    values: tuple[float, ...]
    places: int
    black: tuple[float, ...] = ()
    dark: tuple[float, ...] = ()


def draw_chart(candidates: Sequence[Candidate], *, best: int | None, currency: str, gaps: Sequence[str],
               deflections: tuple[str, Sequence[float], int]) -> str:  # fmt: skip
    """The drawing. `gaps` are words under the names, `deflections` a title, values as they are shown, and places."""
    n = len(candidates)
    title = f"Value placed, {currency}; black: what breakage, wear and time cost"
    if any(c.terms for c in candidates):
        title = f"Value, other worth (dark), costs (black), {currency}"
    scores = tuple(c.value + c.other_worth for c in candidates)
    strips = [
        _Strip(title, scores, 0,
               tuple(min(c.costs.total, score) for c, score in zip(candidates, scores, strict=True)),
               tuple(c.other_worth for c in candidates)),
        _Strip(f"Earnings, {currency}", tuple(c.earnings for c in candidates), 2),
        _Strip("Parts placed", tuple(float(sum(c.placed.values())) for c in candidates), 0),
        _Strip("Outlines and webs, minutes", tuple((c.outline_s + c.web_s) / 60 for c in candidates), 1),
        _Strip(deflections[0], tuple(deflections[1]), deflections[2]),
        _Strip("Breakages to be expected on one plate", tuple(c.costs.breakages for c in candidates), 3),
    ]  # fmt: skip
    body, y = [], _NAMES_PX
    for k, (c, gap) in enumerate(zip(candidates, gaps, strict=True)):
        is_best = c.cutter.number == best
        if is_best:
            body.append(
                f'<rect x="{_pc((k + (1 - _BAR) / 2) / n)}" width="{_pc(_BAR / n)}" y="0" height="17" fill="#000"/>'
            )
        ink = ' fill="#fff"' if is_best else ""
        body.append(_word((k + 0.5) / n, 13, f"T{c.cutter.number}", f'font-weight="700"{ink}', size=13))
        body.append(_word((k + 0.5) / n, 30, gap))
    for strip in strips:
        body += _draw(strip, y, n)
        y += _HEAD_PX + _PLOT_PX + _ROOM_PX
    return (
        f'<svg class="study" width="100%" height="{y}" role="img">'
        f"<title>What each outline cutter brings and costs</title>{''.join(body)}</svg>\n"
    )


def _draw(strip: _Strip, y: float, n: int) -> list[str]:
    """Title, a bar for each candidate with its value over it, and the line they stand on. Negative is no bar."""
    low = y + _HEAD_PX + _PLOT_PX
    top = max(*strip.values, 0.0) or 1.0
    out = [f'<text x="0" y="{y + 15}" font-size="13" font-weight="700">{escape(strip.title)}</text>']
    none = (0.0,) * n
    for k, (value, cost, foot) in enumerate(zip(strip.values, strip.black or none, strip.dark or none, strict=True)):
        x, high = (k + (1 - _BAR) / 2) / n, round(_PLOT_PX * max(value, 0.0) / top, 1)
        at = f'x="{_pc(x)}" width="{_pc(_BAR / n)}"'
        out.append(
            f'<rect {at} y="{low - high:g}" height="{high:g}" fill="#c9c9c9" stroke="#000" stroke-width="1"/>'
        )
        if foot > 0:
            deep = round(_PLOT_PX * foot / top, 1)
            out.append(f'<rect {at} y="{low - deep:g}" height="{deep:g}" fill="#777"/>')
        if cost > 0:
            deep = round(_PLOT_PX * cost / top, 1)
            out.append(f'<rect {at} y="{low - high:g}" height="{deep:g}" fill="#000"/>')
        out.append(_word((k + 0.5) / n, low - high - 5, f"{value:.{strip.places}f}"))
    out.append(f'<line x1="0" x2="100%" y1="{low}" y2="{low}" stroke="#000" stroke-width="1"/>')
    return out


def _word(x: float, y: float, words: str, style: str = "", *, size: float = 12) -> str:
    return (
        f'<text x="{_pc(x)}" y="{y:g}" font-size="{size:g}" text-anchor="middle"{" " + style if style else ""}>'
        f"{escape(words)}</text>"
    )


def _pc(share: float) -> str:
    return f"{100 * share:.3f}%"
