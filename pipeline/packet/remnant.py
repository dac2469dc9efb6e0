"""What is left of the billet, for scripts and for the next job: figures and billet files.

A billet file says what the drawings know. It is to be measured anew before it is used, and says so itself.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np

from pipeline.geometry.offsets import Area
from pipeline.model.arrays import Float
from pipeline.model.job import Job
from pipeline.model.loop import Loop
from pipeline.model.remnant import Piece, Remnant
from pipeline.model.setup import Setup
from pipeline.model.units import MM_PER_INCH

_PLACES = 6  # decimals that count when corners or doubts are compared


def file_name(job_name: str, number: int) -> str:
    """Of the piece with this number, counted from 1: of this job alone, so that no piece takes the file of another."""
    return f"{job_name}-remnant-{number}.yaml"


def billet_files(remnant: Remnant, *, job: Job, setup: Setup, job_digest: str, note: str = "") -> dict[str, bytes]:
    """A billet file for each piece that something of the list might be made of, by name. `note` goes on top."""
    n = len(remnant.kept)
    return {
        file_name(job.name, k): _billet_text(piece, remnant, job, setup, of=(k, n), job_digest=job_digest, note=note)
        for k, piece in enumerate(remnant.kept, start=1)
    }


def remnant_figures(remnant: Remnant, *, job: Job, has_files: bool) -> dict[str, Any]:
    """For the summary: areas in mm2, lengths in mm, worth in the billet's currency. `file` is None for a piece that
    gets none, and for all of them when no files are written."""
    n_files = len(remnant.kept) if has_files else 0
    return {
        "pieces": [
            {
                "file": file_name(job.name, k) if k <= n_files else None,
                "area_mm2": round(piece.area_mm2, 1),
                "usable_mm2": round(piece.usable_mm2, 1),
                "worth": round(worth(piece, job), 2),
                "holes": len(piece.holes),
                "defects": len(piece.defects),
                "largest": None
                if piece.largest is None
                else {
                    "kind": piece.largest.part,
                    "x_mm": piece.largest.billet_from_part.shift_mm[0],
                    "y_mm": piece.largest.billet_from_part.shift_mm[1],
                    "angle_rad": piece.largest.billet_from_part.angle_rad,
                },
            }
            for k, piece in enumerate(remnant.pieces, start=1)
        ],
        "usable_mm2": round(math.fsum(piece.usable_mm2 for piece in remnant.pieces), 1),
        "worth": round(math.fsum(worth(piece, job) for piece in remnant.pieces), 2),
        "currency": job.billet.currency,
        "kerfs_mm2": round(remnant.kerfs_mm2, 1),
        "slivers_mm2": round(remnant.slivers_mm2, 1),
        "defects_mm2": round(remnant.defects_mm2, 1),
        "sliver_width_mm": round(remnant.sliver_width_mm, 3),
        "disc_mm": round(2 * remnant.disc_radius_mm, 3),
        "edge_gap_mm": round(remnant.edge_gap_mm, 4),
        "defect_gap_mm": round(remnant.defect_gap_mm, 4),
        "outline_uncertainty_mm": round(remnant.outline_uncertainty_mm, 4),
    }


def worth(piece: Piece, job: Job) -> float:
    """The usable ground at the billet's price; the rest is scrap."""
    return piece.usable_mm2 / 100 * job.billet.price_per_cm2


def _billet_text(
    piece: Piece, remnant: Remnant, job: Job, setup: Setup, *, of: tuple[int, int], job_digest: str, note: str
) -> bytes:
    billet, units = job.billet, job.units
    doubts = ", ".join(f"{name} {_up(amount, units)}" for name, amount in remnant.doubts)
    after = f"the job {job.name} (digest {job_digest[:12]})"
    lines = [
        *([f"# {note}"] if note else []),
        f"# What is left of the billet {billet.name} after {after}, piece {of[0]} of {of[1]}.",
        "# RECKONED, NOT MEASURED. Before use: skin and burrs off the edges, then MEASURE ANEW, thickness and bow too.",
        f"# What is narrower than {_number(remnant.sliver_width_mm, units)} {units} is not in the outline: cut it off.",
        f"# The frame is that of {billet.name}: allowed rotations mean the same directions of the plate.",
        f"units: {units}",
        f"material: {_quoted(billet.material)}",
        "outline:   # counter-clockwise",
        "  points:",
        *(f"  - {point}" for point in _points(piece.outline, units)),
        f"outline_uncertainty: {_up(remnant.outline_uncertainty_mm, units)}   # added up: {doubts}",
        f"thickness: {_number(billet.thickness_mm, units)}",
        f"thickness_uncertainty: {_number(billet.thickness_uncertainty_mm, units)}",
        f"bow: {_number(billet.bow_mm, units)}   # of the whole plate; a piece cut free may bend otherwise",
    ]
    if piece.holes:
        lines += ["holes_plugged: no   # plug them airtight, bonded in, flush with the face that goes down, then: yes",
                  "holes:", *_rings("hole", "open right through", piece.holes, units)]  # fmt: skip
    if piece.defects:
        lines += ["defects:", *_rings("defect", f"of {billet.name}", piece.defects, units)]
    here = Area.of_loops(Loop.polygon(piece.outline))
    zones = [z for z in billet.zones if not here.common(Area.of_loops(Loop.polygon(z.polygon))).is_empty]
    lines += [f"zones:   # as {billet.name} was graded"] if zones else []
    for zone in zones:
        lines += [f"- name: {_quoted(zone.name)}", f"  figure: {zone.figure:.10g}", "  points:",
                  *(f"  - {point}" for point in _points(zone.polygon, units))]  # fmt: skip
    lines += [
        *([] if billet.layers_rad is None else [f"layers: {math.degrees(billet.layers_rad):.10g}"]),
        f"price_per_cm2: {billet.price_per_cm2:.10g}",
        f"currency: {_quoted(billet.currency)}",
        f"up_face: {_quoted(billet.up_face)}",
        f"corner: {_quoted(billet.corner if piece.has_corner else _new_corner(piece, setup, units))}",
    ]
    return ("\n".join(lines) + "\n").encode()


def _rings(kind: str, words: str, rings: Sequence[Float], units: str) -> Iterator[str]:
    for k, ring in enumerate(rings, start=1):
        yield f"  {kind}-{k}:   # {words}"
        yield from (f"  - {point}" for point in _points(ring, units))


def _new_corner(piece: Piece, setup: Setup, units: str) -> str:
    """What to do where the marked corner went with a part: the corner that comes to lie in the angle of the stops."""
    on_bed = setup.seating.setup_from_billet.points(piece.outline)
    corner = int(np.argmin(np.round(on_bed.sum(axis=1), _PLACES)))
    (at,) = _points(piece.outline[corner : corner + 1], units)
    return f"not marked yet: file a nick into the corner near {at} and say here how to know it"


def _points(ring: Float, units: str) -> list[str]:
    scale, places = (MM_PER_INCH, 4) if units == "in" else (1.0, 3)
    return [f"[{x:.{places}f}, {y:.{places}f}]" for x, y in (ring / scale + 0.0).tolist()]


def _number(length_mm: float, units: str) -> str:
    """A length as it is, to a millionth of the unit."""
    text = f"{length_mm / (MM_PER_INCH if units == 'in' else 1.0):.6f}".rstrip("0")
    return text + "0" if text.endswith(".") else text


def _up(length_mm: float, units: str) -> str:
    """A doubt, never rounded down."""
    scale, places = (MM_PER_INCH, 4) if units == "in" else (1.0, 3)
    return f"{math.ceil(round(length_mm / scale * 10**places, _PLACES)) / 10**places:.{places}f}"


def _quoted(text: str) -> str:
    """A text as YAML takes it whatever is in it."""
    return json.dumps(text, ensure_ascii=False)
