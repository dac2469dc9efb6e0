"""Paper: A4 in black and white, by reportlab. Pages with a running head and `page n of m`, tables that wrap and never
run past the margin, boxes to tick and to write in.

Every text that comes in is plain text: it is escaped here, so that nothing a user writes is taken for markup. Sizes are
mm on the paper; Y runs up. The same calls give the same bytes.
"""

from __future__ import annotations

import copy
import io
from collections.abc import Callable, Sequence
from functools import partial
from html import escape
from importlib.util import find_spec
from pathlib import Path
from typing import Any

from reportlab.graphics.shapes import Drawing
from reportlab.lib.colors import black
from reportlab.lib.enums import TA_CENTER, TA_RIGHT
from reportlab.lib.pagesizes import A4
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import CondPageBreak, KeepTogether, Paragraph, SimpleDocTemplate, Spacer, Table

from pipeline.errors import Bug

FRAME_MM = 186.0  # width of what is written: A4 less 12 mm on either side
MARGIN_MM = 12.0
_HEAD_MM, _FOOT_MM = 8.0, 5.0  # between the margin and the frame, for the running head and foot
_BANNER_MM = 9.0
TEXT, BOLD = "Sheet", "Sheet-Bold"  # names of the two fonts
_TICK = "\N{BALLOT BOX}"
_SIZE = 7.6  # of tables, points


class Strong(str):
    """Text in bold."""

    __slots__ = ()


# head, width in mm, kind: "text", "number", "box" (to tick, where the cell holds any text) or "write" (an empty one)
Column = tuple[str, float, str]


class Paper:
    """A sheet in the making: call for headings, lines and tables in reading order, then `pdf()` once."""

    def __init__(self, *, title: str, head: str, reference: str, foot: str, banner: str = "") -> None:
        """On every page stand `head`, cut where it is too long, `reference` with the page's number, and `foot`; a
        `banner` puts every page in a heavy frame."""
        register_fonts()
        self._title, self._head, self._reference, self._foot, self._banner = title, head, reference, foot, banner
        self._width_mm = FRAME_MM
        self._story: list[Any] = []

    strong = Strong

    def title(self, text: str) -> None:
        """The title at the top of the first page."""
        self._story.append(_paragraph([Strong(text)], size=15))

    def heading(self, text: str, aside: str = "", *, needs_mm: float = 32.0) -> None:
        """A heading with a rule over it. It goes to the next page when less than `needs_mm` are left."""
        self._story.append(CondPageBreak(needs_mm * mm))
        line = _paragraph([Strong(text), f"\N{EM SPACE}{aside}" if aside else ""], size=10.5)
        self._add([[line]], [self._width_mm], [("LINEABOVE", (0, 0), (-1, 0), 2, black)], over=7, under=2)

    def text(self, *pieces: str, size: float = 8.2) -> None:
        """A paragraph of plain and strong pieces."""
        self._story.append(_paragraph(pieces, size=size, after=3))

    def framed(self, word: str, under: str, facts: Sequence[tuple[str, str]], *, is_good: bool) -> None:
        """A word, large in a frame (a heavy one when it is not good), beside facts with their names."""
        left = [_paragraph([Strong(word)], size=23, align=TA_CENTER), _paragraph([under], size=8, align=TA_CENTER)]
        lines = [[_paragraph([name], size=8), _paragraph([Strong(value)], size=8)] for name, value in facts]
        right = Table(lines, [26 * mm, 86 * mm], style=[*_PLAIN, *_tight(1)])
        weight = 2.5 if is_good else 7.0
        style: list[tuple[Any, ...]] = [("BOX", (1, 0), (1, 0), weight, black, "projecting")]
        style += [("VALIGN", (1, 0), (1, 0), "MIDDLE"), ("LEFTPADDING", (1, 0), (1, 0), 6)]
        style += [("LEFTPADDING", (2, 0), (2, 0), 10)]
        gutter = weight / 2 / mm  # the frame is drawn about the edge of its cell
        self._add([["", left, right]], [gutter, 66 - gutter, 120], style, over=5, under=5)

    def boxed(self, text: str) -> None:
        """A line in a frame with a box to tick: what must be seen to before all else."""
        line = [_paragraph([_TICK], size=8.2, glyph=2), _paragraph([text], size=8.2)]
        style: list[tuple[Any, ...]] = [("BOX", (0, 0), (-1, -1), 2.5, black), *_tight(3)]
        style.append(("LEFTPADDING", (0, 0), (0, 0), 4))
        self._add([line], [8.0, self._width_mm - 8.0], style, under=5)

    def steps(self, lines: Sequence[Sequence[str]], *, mark: str = "", size: float = 8.2) -> None:
        """Numbered lines of pieces; with a `mark` each has that sign; with the mark "tick" a box to tick."""
        sign = {"": None, "tick": _TICK}.get(mark, mark)
        indent = 3.5 if mark == "•" else 6.5
        rows = [
            [_paragraph([sign or f"{k}."], size=size, glyph=2 if mark == "tick" else 0), _paragraph(line, size=size)]
            for k, line in enumerate(lines, start=1)
        ]
        if rows:
            tight = _tight(0.2 if mark == "•" else 1.2)
            self._add(rows, [indent, self._width_mm - indent], tight, under=3)

    def table(
        self,
        columns: Sequence[Column],
        rows: Sequence[Sequence[str]],
        *,
        strong: Sequence[int] = (),
        height_mm: float = 0,
    ) -> None:
        """A table at most as wide as the frame; its head comes again on every page it runs over. Rows whose index is
        in `strong` begin a group: bold, with a thick rule above, never the last on a page; alone in its row, the first
        cell takes the whole width. Boxes to write in are at least `height_mm` high."""
        style: list[tuple[Any, ...]] = [
            ("LINEBELOW", (0, 0), (-1, 0), 1.1, black),
            ("LINEBELOW", (0, 1), (-1, -1), 0.25, black),
            ("VALIGN", (0, 0), (-1, 0), "BOTTOM"),
            ("VALIGN", (0, 1), (-1, -1), "MIDDLE" if height_mm else "TOP"),
            *_tight(1.0),
        ]
        for k in strong:
            style.append(("LINEABOVE", (0, k + 1), (-1, k + 1), 1.1, black))
            style.append(("NOSPLIT", (0, k + 1), (0, min(k + 2, len(rows)))))  # never the last on a page
            if not any(rows[k][1:]):
                style.append(("SPAN", (0, k + 1), (-1, k + 1)))
        n = len(columns)
        for c, (_, _, kind) in enumerate(columns):
            style.append(("RIGHTPADDING", (c, 0), (c, -1), 8 if kind == "number" else 4))
            if kind == "write" and rows:
                style += [("GRID", (c, 1), (c, -1), 0.6, black), ("LEFTPADDING", (c, 0), (min(c + 1, n - 1), -1), 3)]
        cells: list[list[Any]] = [[_cell(Strong(head), "text" if kind == "box" else kind) for head, _, kind in columns]]
        for k, row in enumerate(rows):
            pairs = zip(row, columns, strict=True)
            cells.append([_cell(Strong(v) if k in strong else v, kind, height_mm) for v, (_, _, kind) in pairs])
        self._add(cells, [w for _, w, _ in columns], style, repeat=1, under=4)

    def beside(self, *parts: tuple[float, Callable[[Paper], None]]) -> None:
        """What the writers write, side by side, each in its own width (mm)."""
        cells = []
        for width, write in parts:
            own = copy.copy(self)
            own._story, own._width_mm = [], width
            write(own)
            cells.append(own._story)
        between = (self._width_mm - sum(width for width, _ in parts)) / max(1, len(parts) - 1)
        widths = [width + between for width, _ in parts[:-1]] + [parts[-1][0]]
        self._add([cells], widths, [*_tight(0), ("RIGHTPADDING", (0, 0), (-1, -1), 0)], under=3)

    def drawing(self, head: str, aside: str, drawing: Drawing, caption: str) -> None:
        """A drawing between its heading and its caption, all on one page."""
        if drawing.width > self._width_mm * mm + 0.01:
            raise Bug(f"a drawing {drawing.width / mm:.1f} mm wide on a frame of {self._width_mm} mm")
        self.heading(head, aside, needs_mm=drawing.height / mm + 24)
        self._story += [KeepTogether([drawing, Spacer(1, 2 * mm), _paragraph([caption], size=7)])]

    def pdf(self) -> bytes:
        """The sheet as a PDF file."""
        top = MARGIN_MM + _HEAD_MM + (_BANNER_MM if self._banner else 0)
        sink = io.BytesIO()
        document = SimpleDocTemplate(
            sink,
            pagesize=A4,
            leftMargin=MARGIN_MM * mm - _PADDING,
            rightMargin=MARGIN_MM * mm - _PADDING,
            topMargin=top * mm - _PADDING,
            bottomMargin=(MARGIN_MM + _FOOT_MM) * mm - _PADDING,
            title=self._title,
            author="billetwright",
            creator="billetwright",
            subject="setup sheet",
            lang="en",
            initialFontName=TEXT,
            invariant=1,  # no clock and no chance in the file
            pageCompression=1,
        )
        document.build(self._story, canvasmaker=partial(_Pages, dress=self._dress))
        return sink.getvalue()

    def _add(
        self,
        cells: list[list[Any]],
        widths_mm: Sequence[float],
        style: Sequence[tuple[Any, ...]],
        *,
        repeat: int = 0,
        over: float = 0,
        under: float = 0,
    ) -> None:
        """Cells in columns. Raises Bug when they would run past the frame."""
        if sum(widths_mm) > self._width_mm + 0.01:
            raise Bug(f"a table {sum(widths_mm):.1f} mm wide on a frame of {self._width_mm} mm")
        table = _Rows(
            cells,
            [w * mm for w in widths_mm],
            repeatRows=repeat,
            hAlign="LEFT",
            spaceBefore=over,
            spaceAfter=under,
            style=[*_PLAIN, *style],
        )
        self._story.append(table)

    def _dress(self, canvas: Canvas, page: int, pages: int) -> None:
        """Running head and foot, and the frame and banner of a program that was written by force."""
        width, height = A4
        left, right, top, low = MARGIN_MM * mm, width - MARGIN_MM * mm, height - MARGIN_MM * mm, MARGIN_MM * mm
        counter = f"{self._reference}, page {page} of {pages}"
        room = right - left - pdfmetrics.stringWidth(counter, BOLD, 9) - 6 * mm
        canvas.setFont(BOLD, 9)
        canvas.drawString(left, top - 3 * mm, _fitted(self._head, BOLD, 9, room))
        canvas.drawRightString(right, top - 3 * mm, counter)
        canvas.setLineWidth(0.6)
        canvas.line(left, top - 5 * mm, right, top - 5 * mm)
        canvas.setFont(TEXT, 7)
        canvas.drawString(left, low, _fitted(self._foot, TEXT, 7, FRAME_MM * mm))
        if self._banner:
            canvas.setLineWidth(2.5)
            canvas.rect(left - 4 * mm, low - 3 * mm, right - left + 8 * mm, top - low + 6 * mm)
            canvas.setLineWidth(1.5)
            canvas.rect(left, top - 14.5 * mm, right - left, 8 * mm)
            canvas.setFont(BOLD, 15)
            canvas.drawCentredString(width / 2, top - 12.3 * mm, _fitted(self._banner, BOLD, 15, (FRAME_MM - 6) * mm))


_PADDING = 6.0  # reportlab's frames keep this many points inside their edges


class _Rows(Table):
    """A table whose rows stay whole: one is cut only where it is taller than what an empty page has room for."""

    def split(self, width: float, height: float) -> Any:
        self.splitInRow = int(height > 0.7 * A4[1])
        return super().split(width, height)


class _Pages(Canvas):
    """Holds the pages back until their number is known, then dresses each."""

    def __init__(self, *args: Any, dress: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        self._dress, self._held = dress, list[dict[str, Any]]()

    def showPage(self) -> None:
        self._held.append(dict(self.__dict__))
        self._startPage()

    def save(self) -> None:
        held = self._held
        for k, page in enumerate(held, start=1):
            self.__dict__.update(page)
            self._dress(self, k, len(held))
            super().showPage()
        super().save()


def register_fonts() -> None:
    """A free font that is installed with matplotlib, so that every sign of a name prints the same everywhere."""
    if BOLD in pdfmetrics.getRegisteredFontNames():
        return
    home = find_spec("matplotlib")
    if home is None or not home.submodule_search_locations:
        raise Bug("matplotlib, whose fonts the sheet uses, is not installed")
    folder = Path(home.submodule_search_locations[0]) / "mpl-data/fonts/ttf"
    pdfmetrics.registerFont(TTFont(TEXT, folder / "DejaVuSans.ttf"))
    pdfmetrics.registerFont(TTFont(BOLD, folder / "DejaVuSans-Bold.ttf"))
    pdfmetrics.registerFontFamily(TEXT, normal=TEXT, bold=BOLD, italic=TEXT, boldItalic=BOLD)


def _paragraph(pieces: Sequence[str], *, size: float, align: int = 0, after: float = 0, glyph: float = 0) -> Paragraph:
    """Plain pieces as a paragraph; its letters are `glyph` points larger than its lines are made for."""
    marked = "".join(f"<b>{escape(p)}</b>" if isinstance(p, Strong) else escape(p) for p in pieces)
    style = ParagraphStyle(
        "sheet", fontName=TEXT, fontSize=size + glyph, leading=size * 1.22, alignment=align, spaceAfter=after
    )
    return Paragraph(marked, style)


def _cell(value: str, kind: str, height_mm: float = 0.0) -> Paragraph | Spacer:
    if kind == "write" and not value:
        return Spacer(1, height_mm * mm - 3)
    if kind == "box":
        return _paragraph([_TICK if value else ""], size=_SIZE, glyph=2)
    return _paragraph([value], size=_SIZE, align=TA_RIGHT if kind == "number" else 0)


_PLAIN: list[tuple[Any, ...]] = [
    ("FONTNAME", (0, 0), (-1, -1), TEXT),  # for no cell, but a table asks for its font all the same
    ("VALIGN", (0, 0), (-1, -1), "TOP"),
    ("LEFTPADDING", (0, 0), (-1, -1), 0),
]


def _tight(points: float) -> list[tuple[Any, ...]]:
    """Little room above and under the text of a cell."""
    return [("TOPPADDING", (0, 0), (-1, -1), points), ("BOTTOMPADDING", (0, 0), (-1, -1), points)]


def _fitted(text: str, font: str, size: float, width: float) -> str:
    """Text that is cut, with a sign of it, where it would run past `width` points."""
    if pdfmetrics.stringWidth(text, font, size) <= width:
        return text
    while text and pdfmetrics.stringWidth(text + "…", font, size) > width:
        text = text[:-1]
    return text + "…"
