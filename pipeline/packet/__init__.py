"""STAGE everything -> the packet: page, drawings, STEP files, summary. Pure: file names to bytes, nothing written."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence

from pipeline.model.job import Job
from pipeline.model.nest import Nest
from pipeline.model.part import Part
from pipeline.model.program import Program
from pipeline.model.remnant import Remnant
from pipeline.model.setup import Setup
from pipeline.model.toolpath import Plan
from pipeline.model.verdict import Verdict
from pipeline.packet.part.part_drawing import draw_part

__all__ = ["build_packet", "draw_part"]


def build_packet(
    *,
    job: Job,
    job_digest: str,
    parts: Sequence[Part],
    nest: Nest,
    remnant: Remnant,
    n_kept: int | None,
    setup: Setup,
    plan: Plan,
    program: Program,
    written: Program | None,
    verdict: Verdict,
    status: str,
) -> dict[str, bytes]:
    """Every file of the packet by name. `written` is the program that goes out: the checked one, marked
    with `status`, or None when it was refused. `program` is what the verifier read; their line numbers agree.
    `n_kept` counts the placements taken from an earlier nest, None when nothing was to be kept.
    """
    from pipeline.geometry.dxf import drawing_bytes
    from pipeline.packet.nest_drawing import draw_nest, nest_layers
    from pipeline.packet.page.page import page_html
    from pipeline.packet.remnant import billet_files
    from pipeline.packet.sheet.setup_sheet import setup_sheet_pdf
    from pipeline.packet.summary import as_text, summarise

    is_forced = verdict.verdict == "refused" and written is not None
    summary = summarise(
        job=job,
        job_digest=job_digest,
        parts=parts,
        nest=nest,
        remnant=remnant,
        n_kept=n_kept,
        setup=setup,
        plan=plan,
        program=program,
        written=written,
        verdict=verdict,
    )
    if is_forced:
        summary["written"] = status
    units = job.machine.dialect.units
    shown = {
        "job": job,
        "job_digest": job_digest,
        "nest": nest,
        "setup": setup,
        "plan": plan,
        "program": program,
        "written": written,
        "verdict": verdict,
        "is_forced": is_forced,
        "status": status,
    }
    mark = status if is_forced else ""
    files = {
        "packet.html": page_html(parts=parts, summary=summary, remnant=remnant, **shown).encode(),
        "setup-sheet.pdf": setup_sheet_pdf(**shown),
        "nest.svg": draw_nest(setup, units=units, banner=mark, billet=job.billet).encode(),
        "nest.dxf": drawing_bytes(nest_layers(setup), units=units, note=mark),
    }
    for part in parts:
        files[f"{part.name}.step"] = _marked_step(part.step, status) if is_forced else part.step
    if written is not None:  # nothing is left over by a program that must not run
        files |= billet_files(remnant, job=job, setup=setup, job_digest=job_digest, note=mark)
        files[written.file] = written.text.encode("ascii")
    summary["files"] = {name: hashlib.sha256(files[name]).hexdigest() for name in sorted(files)}
    files["summary.json"] = as_text(summary).encode()
    return files


def _marked_step(step: bytes, status: str) -> bytes:
    """A STEP file with a comment after its first line (ISO 10303-21 allows comments between any two tokens)."""
    head, mark, rest = step.partition(b"ISO-10303-21;\n")
    return head + mark + f"/* {status} */\n".encode() + rest
