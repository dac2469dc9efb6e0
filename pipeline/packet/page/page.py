"""The page a machinist works from: one self-contained HTML file, for a tablet and for A4 in black and white.

Order of the page: verdict and what was not checked, what to fetch, seating, the hold, nest, remnant, cutters,
operations, what the cutter feels, the view in three dimensions, parts, parts as simulated, work left, yield
and cost, findings with pictures, cautions. Numbers are in the unit of the machine's control, so that they can be
compared. All of it is there without scripts; scripts add search, zoom, sorting and the read-out of the timeline.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from pipeline.model.job import Job
from pipeline.model.nest import Nest
from pipeline.model.part import Part
from pipeline.model.program import Program
from pipeline.model.remnant import Remnant
from pipeline.model.setup import Setup
from pipeline.model.shop import Billet
from pipeline.model.toolpath import Plan
from pipeline.model.verdict import Verdict
from pipeline.packet.copies import copies
from pipeline.packet.nest_drawing import draw_nest, sheet_mm
from pipeline.packet.nest_places import draw_place
from pipeline.packet.page import rows, simulated
from pipeline.packet.remnant_drawing import draw_remnant, largest_on_bed
from pipeline.packet.sheet import program as told
from pipeline.packet.view import view3d

CAUTIONS = (
    "Run the program in air first, above the work, with your hand on feed hold.",
    "First run in metal at reduced feed and reduced rapids, watching each cutter's first cut.",
    "Wear eye protection; keep the guard closed. Small cutters break.",
    "Check the hold-down before every start: vacuum gauge, stops, clamps. Stop when the gauge drops.",
    "Titanium chips, fines and dust burn. No water and no ordinary extinguisher on burning chips: keep a class D agent"
    " at hand. Keep chips wet while cutting, clear them each shift into covered metal bins, apart from grinding dust.",
    "Keep cutters sharp; never let one rub or dwell. Stop on sparks or white smoke.",
    "Put a liquid and chip trap before the vacuum pump.",
    "The machine's manual, local codes and qualified people decide. This page does not replace them.",
)
# id and heading of every section, in order; the number before a heading is its place here
SECTIONS = (
    ("verdict", "Verdict"),
    ("fetch", "Fetch"),
    ("seating", "Seating"),
    ("hold", "The hold"),
    ("plate", "Nest"),
    ("remnant", "Remnant"),
    ("cutters", "Cutters"),
    ("operations", "Operations"),
    ("felt", "What the cutter feels"),
    ("space", "In three dimensions"),
    ("parts", "Parts"),
    ("simulated", "Parts as simulated"),
    ("left", "Work left"),
    ("cost", "Yield and plate cost"),
    ("findings", "Findings"),
    ("cautions", "Cautions"),
)
TERM_WORDS = {
    "value": "of the parts, against what the plate could bear by its area",
    "figure": "of the plate under the parts that have a count",
    "alike": "the two of a pair: grain, figure, side by side",
    "layers": "parts that bend lie along the layers",
    "remnant": "what is left is one wide piece",
    "held": "over the sealed area, off the port, away from clamps",
}
# spaces inside `0.125 +0.004 / -0.002`, `2.1 to 2.3`, `6.2 x 6.1`: a size is read on one line
_WITHIN_SIZE = re.compile(r"(?<=[\d/]) (?=[-+/\d])|(?<=\d) (?=(?:to|x) )|(?<=\bto) (?=\d)|(?<=\bx) (?=\d)")
_HERE = Path(__file__).parent
FOLDERS = (_HERE, Path(view3d.__file__).parent)  # of the page's templates
_STYLES, _SCRIPTS = ("page.css", "simulated.css"), ("page.js", "../sorting.js", "simulated.js")
_MOST_PICTURES = 60  # each only points at the nest's own shapes
_PAPER_MM = (186.0, 232.0)  # of A4 less margins, heading and caption: what the nest may take


def page_html(
    *,
    job: Job,
    job_digest: str,
    parts: Sequence[Part],
    nest: Nest,
    remnant: Remnant,
    setup: Setup,
    plan: Plan,
    program: Program,
    written: Program | None,
    verdict: Verdict,
    summary: dict[str, Any],
    is_forced: bool,
    status: str,
) -> str:
    """The page as text. `parts` holds one of each kind. All lengths pass through the filters, which hold the unit."""
    units = job.machine.dialect.units
    findings, marks = _findings(verdict, units)
    stops = rows.stops(program)
    return (
        environment(units, FOLDERS)
        .get_template("page.html.j2")
        .render(
            job=job,
            digest=job_digest,
            nest=nest,
            remnant=remnant,
            remnant_drawing=draw_remnant(remnant, setup=setup, parts=parts, units=units),
            fits=[largest_on_bed(piece, setup) for piece in remnant.pieces],
            setup=setup,
            verdict=verdict,
            summary=summary,
            program=program,
            written=written,
            is_forced=is_forced,
            status=status,
            units=units,
            unit_words="inches" if units == "in" else units,
            cautions=CAUTIONS,
            sections=SECTIONS,
            n={name: k for k, (name, _) in enumerate(SECTIONS, start=1)},
            drawing=draw_nest(setup, units=units, marks=marks, billet=job.billet),
            sheet=_paper(setup, job.billet),
            term_words=TERM_WORDS,
            groups=rows.groups(rows.operation_rows(setup, plan, program, verdict), program),
            stops=stops,
            cutters=rows.cutter_rows(job, plan, program, verdict),
            bores=told.bores_of(plan, setup),
            numbers=told.Numbers(units=units),
            kinds=rows.kinds(parts, setup, units),
            left=rows.left_rows(plan),
            cost=rows.cost_rows(job, setup),
            plate_cost=job.billet.area_mm2 / 100 * job.billet.price_per_cm2,
            findings=findings,
            total_s=sum(t.cutting_s + t.air_s for t in verdict.section_times),
            copies=copies,
            n_errors=sum(f.severity == "error" for f in verdict.findings),
            **simulated.simulated_values(job, setup, program, verdict, units),
            scene=view3d.scene_json(setup=setup, plan=plan, program=program, crib=job.crib, units=units),
            view3d_scripts=view3d.scripts(),
            view3d_styles=view3d.styles(),
            style="".join((_HERE / name).read_text() for name in _STYLES),
            script="".join((_HERE / name).read_text() for name in _SCRIPTS),
        )
    )


def environment(units: str, folders: Sequence[Path]) -> Any:
    """Templates of these folders, every text escaped, with filters that show mm, mm3, mm/min, s and rad as people read
    them."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined
    from markupsafe import Markup

    n = told.Numbers(units=units)
    scale, places = n.mm_per_unit, n.places
    environment = Environment(
        loader=FileSystemLoader(list(folders)),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters |= {
        "exact": lambda mm, p=places: _plain(f"{mm / scale:.{p}f}"),
        "short": lambda mm: _plain(f"{mm / scale:.{places - 1}f}"),
        "volume": lambda mm3: f"{mm3 / scale**3:.{1 if units == 'mm' else 5}f}",
        "area": lambda mm2: f"{mm2 / scale**2:.{1 if units == 'mm' else 3}f}",
        "rate": lambda mm3_min: f"{mm3_min / (scale**3 if units == 'in' else 1000):.{3 if units == 'in' else 2}f}",
        "signed": lambda mm: n.signed(mm),
        "amount": lambda place: simulated.amount(place, units),
        "factor": simulated.factor,
        "size": lambda row, value: simulated.size(row, value, units),
        "feed": lambda mm_min: f"{mm_min / scale:.{1 if units == 'in' else 0}f}",
        "minutes": lambda s: f"{s / 60:.1f}",
        "clock": _clock,
        "degrees": lambda rad: _plain(f"{math.degrees(rad):.3f}"),
        "whole": lambda text: _WITHIN_SIZE.sub("\u00a0", text),
        "sentence": lambda text: text[:1].upper() + text[1:],
        "css_text": _css_text,
    }
    environment.tests["finite"] = math.isfinite
    link = Markup('<a class="to-line" href="#cuts" data-line="{0}">{0}</a>')
    environment.globals["line_link"] = link.format
    return environment


def _css_text(text: str) -> str:
    """Text for between the quotes of a style: every sign that is not plain becomes its number."""
    return "".join(c if c.isascii() and (c.isalnum() or c in " -.,") else f"\\{ord(c):x} " for c in text)


def _paper(setup: Setup, billet: Billet | None = None) -> dict[str, Any]:
    """How the nest goes on paper: at full size, upright or turned, or else as wide as the paper."""
    width, height = sheet_mm(setup, billet=billet)
    across, down = _PAPER_MM
    if width <= across and height <= down:
        manner = "upright"
    else:
        manner = "turned" if height <= across and width <= down else "fitted"
    return {"width": f"{width:.2f}", "height": f"{height:.2f}", "manner": manner}


def _plain(text: str) -> str:
    return text[1:] if text.startswith("-") and float(text) == 0 else text


def _clock(seconds: float) -> str:
    minutes = round(seconds / 60)
    return f"{minutes // 60} h {minutes % 60:02d} min" if minutes >= 60 else f"{minutes} min"


def _findings(verdict: Verdict, units: str) -> tuple[list[dict[str, Any]], list[tuple[float, float, str]]]:
    """Findings with their numbers, the first of those that have a place with a cut-out of the nest round it; and the
    marks with which the nest shows the same places."""
    n = told.Numbers(units=units)
    numbered: list[dict[str, Any]] = []
    marks: list[tuple[float, float, str]] = []
    for k, finding in enumerate(verdict.findings, start=1):
        picture = ""
        if finding.at_mm is not None and len(marks) < _MOST_PICTURES:
            x, y, _ = finding.at_mm
            marks.append((x, y, str(k)))
            amount = f"{n.exact(finding.amount_mm)} {units}" if finding.amount_mm else ""
            picture = draw_place(x, y, number=str(k), units=units, amount=amount)
        numbered.append({"number": k, "finding": finding, "picture": picture})
    return numbered, marks
