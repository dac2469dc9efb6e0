"""The setup sheet: what must be at the machine and in which order, on A4 to pin beside it. Boxes are ticked by hand.

This module says what stands on the sheet, `sheet_paper` how it is printed. Lengths are in the unit of the machine's
control, so that they can be compared with its display.
"""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

from pipeline.model.job import Job
from pipeline.model.nest import Nest
from pipeline.model.program import Program
from pipeline.model.setup import Setup
from pipeline.model.toolpath import Plan
from pipeline.model.verdict import Verdict
from pipeline.packet.copies import copies
from pipeline.packet.page.page import CAUTIONS
from pipeline.packet.sheet.program import Numbers, left_of, sections_of, stops_of, work_of
from pipeline.packet.sheet.ready import write_at_the_machine, write_cutters
from pipeline.packet.sheet.simulated import write_hold, write_sizes
from pipeline.packet.sheet.sources import Sources

if TYPE_CHECKING:
    from pipeline.packet.sheet.paper import Column, Paper

_MOST_FINDINGS = 8
_TALLEST_DRAWING_MM = 175.0
_SHORT_PLACE = 22  # letters of a start's place that stand on one line when three starts share a row


def setup_sheet_pdf(
    *,
    job: Job,
    job_digest: str,
    nest: Nest,
    setup: Setup,
    plan: Plan,
    program: Program,
    written: Program | None,
    verdict: Verdict,
    status: str,
    is_forced: bool,
) -> bytes:
    """The sheet as a PDF file, the same bytes each time. `program` is the checked text, `written` the one that goes
    out, None when it was refused; `status` stands on every page, in a frame when the program was written by force.
    """
    from pipeline.packet.sheet.paper import Paper  # reportlab takes a while to import

    sources = Sources(
        job=job,
        job_digest=job_digest,
        nest=nest,
        setup=setup,
        plan=plan,
        program=program,
        written=written,
        verdict=verdict,
        n=Numbers(units=job.machine.dialect.units),
        stops=stops_of(program.text),
        cutters=tuple(dict.fromkeys(section.cutter for section in program.sections)),
    )
    paper = Paper(
        title=f"{job.title}: setup sheet",
        head=f"{job.name}{_serial(job)}, {setup.name}",
        reference=f"job digest {job_digest[:12]}",
        foot=f"{written.file}: {status}" if written else "REFUSED. No program was written.",
        banner=status if is_forced else "",
    )
    _write_top(paper, sources, job_digest, status)
    write_at_the_machine(paper, sources)
    write_cutters(paper, sources)
    _write_seating(paper, sources)
    _write_cautions(paper, sources)
    _write_nest(paper, sources)
    _write_run(paper, sources)
    _write_starts(paper, sources)
    write_sizes(paper, sources)
    _write_after_the_end(paper, sources)
    _write_work_left(paper, sources)
    _write_run_by(paper)
    return paper.pdf()


def _serial(job: Job) -> str:
    return f", serial {job.serial}" if job.serial else ""


def _write_top(paper: Paper, s: Sources, digest: str, status: str) -> None:
    job, setup, verdict, written = s.job, s.setup, s.verdict, s.written
    n_errors = sum(f.severity == "error" for f in verdict.findings)
    is_good = verdict.verdict == "released"
    under = status
    if not is_good:
        under = "The program was written by force" if written else "No program was written: do not set up by this sheet"
        under += f"; {n_errors} finding{'s stop' if n_errors != 1 else ' stops'} it."
    minutes = s.run_minutes
    lines = s.program.text.count("\n")
    paper.title(job.title)
    paper.framed(
        verdict.verdict.upper(),
        under,
        [
            ("job", job.name + _serial(job)),
            ("setup", f"{setup.name}, {setup.side_up} face up"),
            ("machine", f"{job.machine.name}, lengths in {'inches' if s.n.units == 'in' else 'mm'}"),
            ("program", f"{written.file}, {lines} lines" if written else f"none; {lines} lines were checked"),
            ("run time", f"about {minutes:.0f} min, without stops and changes"),
            ("", f"{len(s.cutters)} cutters, {len(s.stops)} stops"),
            ("job digest", digest[:12]),
        ],
        is_good=is_good,
    )
    found = []
    for f in verdict.findings[:_MOST_FINDINGS]:
        allowed, hint = f"; allowed: {f.wanted}" if f.wanted else "", f". {f.hint}" if f.hint else ""
        found.append([paper.strong(f"{f.code} {f.severity}, {f.where}: "), f.found, allowed, hint])
    paper.steps(found)  # numbered as on the page
    if len(verdict.findings) > _MOST_FINDINGS:
        paper.text(f"{len(verdict.findings) - _MOST_FINDINGS} more are in packet.html.")


def _write_seating(paper: Paper, s: Sources) -> None:
    job, setup, n = s.job, s.setup, s.n
    corner, block = setup.seating.corner_mm, n.exact(setup.z.gauge_block_mm)
    lies = " The inside faces of the parts look up, their show faces lie toward the bed."
    paper.heading("2  Seating", "before anything moves", needs_mm=60)
    paper.steps(
        [
            [
                f"Up: {job.billet.up_face}.{lies if setup.side_up == 'inside' else ''}"
                f" The marked corner lies at X{n.short(corner[0])} Y{n.short(corner[1])}."
            ],
            [paper.strong("X0 Y0: "), f"{setup.origin}. ", paper.strong("Z0: "), "the bed under the billet."],
            [
                paper.strong("How the billet lies is in the program's numbers: "),
                "nothing to key in, no shift, no rotation.",
            ],
            [f"Push the billet against {', '.join(stop.name for stop in job.holding.stops)}; vacuum on; then clamps."],
            [
                "Pointer checks, at the program's first stop: the edge of the billet lies at the places named.",
                " When one is off by more, seat the billet again; never move the origin to fit.",
            ],
            [f"Gauge check of Z zero, at its stop: a block of {block} on the bed just slides under a tip at Z{block}."],
        ]
    )
    write_hold(paper, s)
    paper.beside((92, lambda left: _write_pointer_checks(left, s)), (88, lambda right: _write_heights(right, s)))


def _write_pointer_checks(paper: Paper, s: Sources) -> None:
    columns: list[Column] = [
        ("", 8, "text"),
        ("X", 17, "number"),
        ("Y", 17, "number"),
        ("along", 12, "text"),
        ("within", 15, "number"),
        ("seen", 10, "box"),
        ("off by", 13, "write"),
    ]
    rows = [
        [paper.strong(f"P{k}"), s.n.short(c.x_mm), s.n.short(c.y_mm), c.approach, s.n.short(c.allowed_mm), "tick", ""]
        for k, c in enumerate(s.setup.seating.pointer_checks, start=1)
    ]
    paper.table(columns, rows, height_mm=7)
    paper.text("Along Y- means that the pointer comes toward lower Y.", size=7)


def _write_heights(paper: Paper, s: Sources) -> None:
    z, n = s.setup.z, s.n
    inside: dict[str, list[str]] = {}
    for placed in s.setup.parts:
        inside.setdefault(n.exact(placed.inside_z_mm), []).append(placed.part_id)
    rows = [
        ("travel over the work", n.exact(z.clearance_mm)),
        ("top of the billet, highest", n.exact(z.top_high_mm)),
        ("top of the billet, nominal", n.exact(z.top_mm)),
        ("top of the billet, lowest", n.exact(z.top_low_mm)),
        *((f"inside face of {copies(ids).replace('; ', ', ')}", height) for height, ids in inside.items()),
        (f"outer faces, {n.exact(z.stock_below_mm)} of stock under them", n.exact(z.bottom_of_part_mm())),
        ("skin: nothing is cut below", n.exact(z.skin_mm)),
        ("bed under the billet", n.exact(0.0)),
    ]
    paper.table([("height of", 68, "text"), ("Z", 20, "number")], rows)


def _write_nest(paper: Paper, s: Sources) -> None:
    from pipeline.packet.sheet.drawing import nest_drawing
    from pipeline.packet.sheet.paper import FRAME_MM

    drawing, scale = nest_drawing(s.setup, units=s.n.units, width_mm=FRAME_MM, height_mm=_TALLEST_DRAWING_MM)
    counts = Counter(placement.part for placement in s.nest.placements)
    placed = ", ".join(f"{count} {part}" for part, count in counts.items())
    gap = f"; least gap {s.n.exact(s.nest.least_gap_mm)}" if len(s.nest.placements) > 1 else ""
    plugs = " Thick rings: holes of the plate, plugged." if s.setup.holes else ""
    paper.drawing(
        "4  Nest",
        f"seen from above, {s.setup.side_up} face up",
        drawing,
        f"{placed}{gap}. Scale 1:{scale:g} when printed at full size. Thick line: measured outline. Dashed: gasket."
        " Black dots: contacts with the stops. Dense hatching: stops, clamps, spacers: keep clear. Solid: defects."
        f"{plugs}"
        " P1 to P3: pointer checks, the arrow goes the way of the pointer.",
    )


def _write_run(paper: Paper, s: Sources) -> None:
    """Cutters, operations and stops in the order of the program."""
    columns: list[Column] = [
        ("line", 14, "number"),
        ("", 16, "text"),
        ("what", 114, "text"),
        ("Z to", 18, "number"),
        ("min", 14, "number"),
        ("done", 10, "box"),
    ]
    rows: list[tuple[int, list[str]]] = []
    for section in sections_of(s.program, s.verdict):
        name = s.job.crib.cutter(section.cutter).name
        rows.append((section.line, [f"T{section.cutter}", name, "", f"{section.minutes:.1f}", ""]))
    for stop in s.stops:
        rows.append((stop.line, [paper.strong("STOP"), stop.message, "", "", "tick"]))
    for work in work_of(s.plan, s.program, s.verdict):
        rows.append((work.line, [work.kind, work.what, s.n.exact(work.bottom_z_mm), f"{work.minutes:.1f}", ""]))
    rows.sort(key=lambda row: row[0])
    cutting = sum(section.minutes for section in sections_of(s.program, s.verdict))
    between = max(0.0, s.run_minutes - cutting)
    begins = {section.first_line for section in s.program.sections}
    paper.heading("5  The program", "operations and stops, in order" if s.written else "as it was checked; not written")
    strong = [k for k, (line, _) in enumerate(rows) if line in begins]
    cells = [[str(line), *words] for line, words in rows]
    ways = "approaches: ways to the first cut of a cutter and between its operations"
    cells.append(["", "", ways, "", f"{between:.1f}", ""])
    cells.append(["", "", "run time, without stops and changes of cutter", "", f"{s.run_minutes:.1f}", ""])
    paper.table(columns, cells, strong=[*strong, len(cells) - 1])


def _write_starts(paper: Paper, s: Sources) -> None:
    starts = s.program.starts
    if not starts or not s.written:
        return
    from pipeline.packet.sheet.paper import FRAME_MM

    paper.heading("Where it can be started", "at a line named, never between; read across")
    paper.text(
        "Each start retracts, states every mode, turns the spindle and comes down from above. Put the cutter named in"
        " first and check its length. Everything that cutter did since it was last seen good is suspect."
    )
    cells = [[str(start.line), *start.words.split(", ", 1)] for start in starts]
    across = 3 if max(len(cell[-1]) for cell in cells) <= _SHORT_PLACE else 2
    each = FRAME_MM / across
    columns: list[Column] = [("line", 14, "number"), ("cutter", 13, "text"), ("first cut", each - 27, "text")]
    cells += [["", "", ""]] * (-len(cells) % across)
    rows = [[word for cell in cells[k : k + across] for word in cell] for k in range(0, len(cells), across)]
    paper.table(columns * across, rows)


def _write_after_the_end(paper: Paper, s: Sources) -> None:
    """What to do with the billet when the program is through."""
    left = dict.fromkeys(row.setup for row in left_of(s.plan))
    here = [name for name in left if name.startswith(s.setup.name)]
    others = [name for name in left if name not in here]
    skin = f"{s.n.exact(s.setup.z.skin_mm)} {s.n.units}"
    steps: list[list[str]] = []
    if here:
        steps.append(
            [
                paper.strong("Leave vacuum and clamps on, do not unseat the billet. "),
                f"What is left for {', '.join(here)} is done in this seating,"
                f" on parts that hang on a skin of {skin} only.",
            ]
        )
    else:
        steps.append([f"The parts hang on a skin of {skin} only: keep the vacuum on until they are secured."])
    for name in others:
        steps.append([paper.strong(f"{name}: "), "this program gives no fixture and no locating plan for it yet."])
    paper.heading("After the program's end", "before anything is loosened")
    paper.steps(steps, mark="tick")


def _write_work_left(paper: Paper, s: Sources) -> None:
    paper.heading("7  Work left", "not cut by this program")
    rows: list[list[str]] = []
    groups: list[int] = []
    last = None
    for left in left_of(s.plan):
        if left.setup != last:
            last, more = left.setup, s.setup.later_setups.get(left.setup, "")
            groups.append(len(rows))
            rows.append([left.setup + (f": {more}" if more else ""), "", ""])
        rows.append([left.operation, left.what, left.reason])
    columns: list[Column] = [("still to do", 31, "text"), ("what", 72, "text"), ("why", 83, "text")]
    if rows:
        paper.table(columns, rows, strong=groups)
    else:
        paper.text("Nothing.")


def _write_cautions(paper: Paper, s: Sources) -> None:
    paper.heading("3  Cautions", "before the start")
    paper.steps([[line] for line in CAUTIONS], mark="•", size=7.8)
    if s.job.notes:
        paper.text(paper.strong("Notes of the job"))
        paper.steps([[note] for note in s.job.notes], mark="•")
    paper.beside(
        (104, lambda left: _write_list(left, "Checked, by simulated cutting of the program's text", s.verdict.checked)),
        (78, lambda right: _write_list(right, "Not checked", s.verdict.not_checked)),
    )


def _write_run_by(paper: Paper) -> None:
    paper.heading("Run by", "written by hand", needs_mm=29)
    heads = ("date", "initials", "vacuum at first outline", "remarks")
    widths = (24, 18, 39, 105)
    columns: list[Column] = [(head, width, "write") for head, width in zip(heads, widths, strict=True)]
    paper.table(columns, [[""] * len(columns)] * 2, height_mm=7.5)


def _write_list(paper: Paper, head: str, lines: tuple[str, ...]) -> None:
    paper.text(paper.strong(head))
    paper.steps([[line] for line in lines], mark="•", size=6.9)
