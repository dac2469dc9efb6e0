"""A study as files: the page, its figures for scripts, the packets of the full runs. Pure: names to bytes."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from pipeline.model.digests import digest
from pipeline.model.units import MM_PER_INCH, shown
from pipeline.packet.page import page
from pipeline.stages import QUICK_CELL_MM
from pipeline.study import money
from pipeline.study.chart import draw_chart
from pipeline.study.measure import Candidate
from pipeline.study.study import Study

PAGE, FIGURES = "study.html", "study.json"
SECTIONS = (("choice", "Choice"), ("table", "Cutters side by side"), ("chart", "What the gap costs"),
            ("runs", "Full runs"), ("excluded", "Cutters that cannot"), ("model", "What the figures stand on"),
            ("unknown", "Not known"))  # fmt: skip
_NO_PLACE = "N203"  # of the nest: parts that have a count, and a search that found no room for them
_HERE = Path(__file__).parent
_PACKET = Path(page.__file__).parent
_STYLES = (_PACKET / "page.css", _PACKET / "simulated.css", _HERE / "study.css")


def study_files(study: Study) -> dict[str, bytes]:
    """Every file of the study; packets in folders of their own (`T3/packet.html`)."""
    files = {f"{run.folder}/{name}": content for run in study.full_runs for name, content in run.files.items()}
    files[PAGE] = study_html(study).encode()
    figures = _figures(study)
    figures["files"] = {name: hashlib.sha256(files[name]).hexdigest() for name in sorted(files)}
    files[FIGURES] = (json.dumps(figures, indent=2, ensure_ascii=False, allow_nan=False) + "\n").encode()
    return files


def weighed(study: Study) -> tuple[str, ...]:
    """Names of what the job weighs beside the values, in the nest's order; empty when it weighs nothing else."""
    return tuple(dict.fromkeys(name for c in study.candidates for name in c.terms))


def heads(study: Study) -> tuple[str, ...]:
    """The heads of `table_rows`."""
    other = ("other worth",) if weighed(study) else ()
    return ("T", "cutter", "gap", "placed", "value", *other, "outline,\nminutes", "web,\nminutes",
            "all,\nminutes", "bends", "breaks", "costs", "earnings", "quick look")  # fmt: skip


def table_rows(study: Study) -> Iterator[tuple[str, ...]]:
    """The table in words, under `heads`: what the command prints."""
    unit, is_weighed = study.job.machine.dialect.units, bool(weighed(study))
    for c in study.candidates:
        other = (f"{c.other_worth:.2f}",) if is_weighed else ()
        yield (
            f"{c.cutter.number}", c.cutter.name, shown(c.gap_mm, unit=unit), f"{sum(c.placed.values())}",
            f"{c.value:.2f}", *other, f"{c.outline_s / 60:.1f}", f"{c.web_s / 60:.1f}", f"{c.total_s / 60:.1f}",
            shown(c.slot.deflection_mm, unit=unit), f"{c.costs.breakages:.3f}", f"{c.costs.total:.2f}",
            f"{c.earnings:.2f}", c.verdict,
        )  # fmt: skip


def words(study: Study) -> Iterator[str]:
    """Lines below the table: what was left out and why, the full runs, the choice, what would change it."""
    for one in study.excluded:
        yield f"T{one.cutter.number} ({one.cutter.name}) cannot: {one.why}"
    for run in study.full_runs:
        c = run.candidate
        yield (
            f"full run with T{c.cutter.number}: {c.verdict.upper()}, {sum(c.placed.values())} parts,"
            f" {c.total_s / 60:.1f} min, earns {c.earnings:.2f}"
        )
    yield study.choice.sentence
    yield from study.choice.turns
    if not study.prices.rate_per_h:
        yield "time is not priced: see --rate"
    yield "not known: see the page, which also says what the figures stand on"


def unknown_words(study: Study) -> tuple[str, ...]:
    """What the study does not know, a sentence each."""
    job, currency = study.job, study.job.billet.currency
    out = []
    fills = [request for request in job.parts if request.count is None]
    if fills:
        least = min(fills, key=lambda request: request.value)
        out.append(
            f"A nest is the best that a search found, so two cutters within the worth of one {least.name}"
            f" ({least.value:.2f} {currency}) may change places with another seed or a higher effort."
        )
    if any(finding.code == _NO_PLACE for one in study.excluded for finding in one.findings):
        out.append(
            "Whether a cutter that was left out because no place was found for all parts would find one at a higher"
            " effort."
        )
    if study.effort != job.nest.effort:
        out.append(
            f"Cutters were compared at effort {study.effort}; full runs are made at the job's, {job.nest.effort}, and"
            " may place more."
        )
    if not study.prices.rate_per_h:
        out.append("Time is not priced: no rate was given (--rate).")
    if not study.prices.cutter:
        out.append("Cutters are not priced: no price was given (--cutter-price), so wear costs nothing here.")
    spread = max(c.slot.spread for c in study.candidates)
    out += [
        f"Forces may be {100 * spread:.0f} % higher or lower than shown, stress and deflection with them.",
        f"How often cutters really break in this shop: the model may be {money.FACTOR:g} times off either way.",
        f"Cutters were compared by a quick look, stock simulated in cells of {QUICK_CELL_MM:g} mm: its verdict and the"
        " feeds it lowers may differ a little from a full run's.",
        "Expected breakages are reckoned at the full slot feed, also where the check lowered it.",
        "Whether every part placed finds a buyer at its value; the margin and the edge were the job's for all cutters.",
        "Breakage of the cutters that face, drill and mill pockets: it is taken to be the same for all.",
        "Chatter, packed chips, heat and burrs.",
    ]
    return tuple(out)


def study_html(study: Study) -> str:
    """The page as text. Lengths in the unit of the machine's control, as in a packet."""
    job = study.job
    units = job.machine.dialect.units
    scale, places = (MM_PER_INCH, 4) if units == "in" else (1.0, 3)
    candidates = study.candidates
    best = next((r.candidate for r in study.full_runs if r.candidate.cutter.number == study.choice.best), None)
    drawing = draw_chart(
        candidates,
        best=study.choice.best,
        currency=job.billet.currency,
        gaps=[f"gap {shown(c.gap_mm, unit=units, places=places - 1)}" for c in candidates],
        deflections=(f"Tip bends in a full slot, {units}", [c.slot.deflection_mm / scale for c in candidates], places),
    )
    return str(
        page.environment(units, [_HERE])
        .get_template("study.html.j2")
        .render(
            job=job,
            digest=digest(job),
            study=study,
            units=units,
            currency=job.billet.currency,
            best=best,
            own=job.nest.outline_cutter,
            plate_cost=job.billet.area_mm2 / 100 * job.billet.price_per_cm2,
            drawing=drawing,
            weighed=weighed(study),
            model=money.model_words(weighed(study)),
            unknown=unknown_words(study),
            sections=SECTIONS,
            n={name: k for k, (name, _) in enumerate(SECTIONS, start=1)},
            style="".join(file.read_text(encoding="utf-8") for file in _STYLES),
            script=(_PACKET.parent / "sorting.js").read_text(encoding="utf-8"),
        )
    )


def _figures(study: Study) -> dict[str, Any]:
    """The study as plain data, in a fixed key order. Lengths in mm, times in s, money in the currency."""
    job = study.job
    return {
        "job": job.name,
        "title": job.title,
        "job_digest": digest(job),
        "currency": job.billet.currency,
        "rate_per_h": study.prices.rate_per_h,
        "cutter_price": study.prices.cutter,
        "effort": study.effort,
        "best": study.choice.best,
        "sentence": study.choice.sentence,
        "turns": list(study.choice.turns),
        "candidates": [_candidate(one) for one in study.candidates],
        "excluded": [
            {"cutter": one.cutter.number, "findings": [finding.data() for finding in one.findings]}
            for one in study.excluded
        ],
        "full_runs": [{"folder": one.folder, **_candidate(one.candidate)} for one in study.full_runs],
        "model": list(money.model_words(weighed(study))),
        "not_known": list(unknown_words(study)),
    }


def _candidate(c: Candidate) -> dict[str, Any]:
    return {
        "cutter": c.cutter.number,
        "name": c.cutter.name,
        "diameter_mm": round(c.cutter.diameter_mm, 4),
        "gap_mm": round(c.gap_mm, 4),
        "placed": dict(c.placed),
        "value": round(c.value, 2),
        "other_worth": round(c.other_worth, 2),
        "terms": {name: round(amount, 2) for name, amount in c.terms.items()},
        "outline_s": round(c.outline_s, 1),
        "web_s": round(c.web_s, 1),
        "total_s": round(c.total_s, 1),
        "path_m": round(c.path_m, 3),
        "force_n": round(c.slot.force_n, 1),
        "deflection_mm": round(c.slot.deflection_mm, 4),
        "stress_n_mm2": round(c.slot.stress_n_mm2, 0),
        "slenderness": round(c.slot.slenderness, 2),
        "uncertainty": c.slot.spread,
        "breakages": round(c.costs.breakages, 5),
        "breakage_cost": round(c.costs.breakage, 2),
        "wear_cost": round(c.costs.wear, 2),
        "time_cost": round(c.costs.time, 2),
        "earnings": round(c.earnings, 2),
        "verdict": c.verdict,
        "errors": c.n_errors,
        "warnings": c.n_warnings,
        "simulated_force_n": None if c.force_n is None else round(c.force_n, 1),
        "simulated_deflection_mm": None if c.deflection_mm is None else round(c.deflection_mm, 4),
    }
