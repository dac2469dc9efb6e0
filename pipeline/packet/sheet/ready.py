"""The first part of the setup sheet: what must be ready before the billet is seated, with boxes to write in."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pipeline.packet.sheet.program import bores_of, swaps_of, z_checks_of
from pipeline.packet.sheet.simulated import write_felt
from pipeline.packet.sheet.sources import Sources

if TYPE_CHECKING:
    from pipeline.packet.sheet.paper import Column, Paper

_PLACES = 5  # where the billet's thickness is measured
_DIGEST_LETTERS = 12  # of 64: enough to compare by eye


def write_at_the_machine(paper: Paper, s: Sources) -> None:
    """The things to fetch and to set, the thickness of the billet, the blocks on the bed."""
    paper.heading("1  At the machine", "tick what is there; read the cautions under 3 first")
    paper.steps(_checks(paper, s), mark="tick", size=8.8)
    _write_thickness(paper, s)
    _write_bed(paper, s)


def _checks(paper: Paper, s: Sources) -> list[list[str]]:
    job, setup, n, bold = s.job, s.setup, s.n, paper.strong
    billet, holding, dialect = job.billet, job.holding, job.machine.dialect
    checks: list[list[str]] = []
    if s.written:
        checks.append(
            [
                bold(f"Program {s.written.file} loaded"),
                f"; its head says job digest {s.job_digest[:_DIGEST_LETTERS]}, as this sheet does",
            ]
        )
    checks += [
        [
            bold(f"Billet {billet.name}"),
            f", bow at most {n.exact(billet.bow_mm)}. Up: {billet.up_face}. Marked corner: {billet.corner}.",
        ],
        [bold(f"Holding {holding.name}"), ": gasket whole, port clear; stops and blocks as in the table"],
        [bold(f"Gauge block {n.exact(setup.z.gauge_block_mm)}"), f" {n.units}, for the check of Z zero"],
        [bold("Pointer"), " for the spindle, for the three checks of the seating"],
    ]
    if setup.holes:
        n_holes = len(setup.holes)
        plugs = bold(f"Plugs in the {n_holes} hole{'s' if n_holes > 1 else ''} of the plate")
        checks.append([plugs, ": airtight, bonded in, flush with the face that goes down. Facing may skim a top"])
    if bores := bores_of(s.plan, s.setup):
        said = "; ".join(f"{bore.what} {bore.sizes(n)} ({bore.of})" for bore in bores)
        checks.append([bold("Gauges for the bores: "), said])
    if dialect.path_word == "G64":
        blend = f"{n.exact(dialect.blend_mm)} {n.units}"
        checks.append(
            [
                bold(f"Control set to round corners by at most {blend}"),
                " (blend in the machine's file; the walls' limits count on it). If it cannot be set: exact path;"
                " ask the machine's manual.",
            ]
        )
    else:
        checks.append([bold("Exact path"), f": the program calls {dialect.path_word}; ask the machine's manual"])
    checks += [
        [bold("Class D agent"), " at hand, and a covered metal bin for chips"],
        [bold("Liquid and chip trap"), " before the vacuum pump"],
    ]
    if dialect.coolant_on:
        said = f": tank full, nozzle on the cut; the program calls {dialect.coolant_on}"
        checks.append([bold("Coolant"), said])
    return checks


def _write_thickness(paper: Paper, s: Sources) -> None:
    """A billet out of its limits cuts air or cuts too deep: it is found before anything is clamped."""
    billet, n = s.job.billet, s.n
    low, high = (n.exact(billet.thickness_mm + k * billet.thickness_uncertainty_mm) for k in (-1, 1))
    heads = [("thickness, before clamping", 46.0, "text")]
    heads += [(f"place {k}", 22.0, "write") for k in range(1, _PLACES + 1)]
    heads.append(("within", 16.0, "box"))
    paper.table(heads, [[f"{low} to {high} {n.units}", *[""] * _PLACES, "tick"]], height_mm=6.5)
    paper.text(
        "Four corners and the middle. ",
        paper.strong("One place thinner or thicker: stop"),
        ", measure the billet again for its file and make the program anew.",
        size=7.4,
    )


def _write_bed(paper: Paper, s: Sources) -> None:
    n = s.n
    columns: list[Column] = [
        ("", 6.5, "box"),
        ("on the bed", 40, "text"),
        ("kind", 60.5, "text"),
        ("height", 19, "number"),
        ("X", 30, "number"),
        ("Y", 30, "number"),
    ]
    rows = []
    for block in sorted(s.setup.blocks, key=lambda b: b.kind != "stop"):  # stops are needed first
        (x0, y0), (x1, y1) = block.outline.min(axis=0).tolist(), block.outline.max(axis=0).tolist()
        cut = f", may be cut {n.short(block.cut_depth_mm)} deep" if block.cut_depth_mm else ""
        rows.append(["tick", block.name, block.kind + cut, n.short(block.height_mm), n.span(x0, x1), n.span(y0, y1)])
    paper.table(columns, rows)


def write_cutters(paper: Paper, s: Sources) -> None:
    """The cutters with what is set on them, boxes for what is measured, their bores and the worst they feel."""
    job, n, dialect = s.job, s.n, s.job.machine.dialect
    by_hand = dialect.tool_change != "changer"
    paper.heading("Cutters", "in order of use; stick-out at least, holder no thicker; write in what is measured")
    columns: list[Column] = [
        ("set", 7.5, "box"),
        ("line" if by_hand else "pocket", 14, "number"),
        ("T and H", 15, "text"),
        ("cutter", 36.5, "text"),
        ("dia.", 14, "number"),
        ("flute length", 14, "number"),
        ("stick-out", 17, "number"),
        ("holder", 13, "number"),
        ("rpm", 12, "number"),
        ("Z check", 12, "text"),
        ("length found", 15.5, "write"),
        ("dia. found", 15.5, "write"),
    ]
    first_line = {section.cutter: section.first_line for section in reversed(s.program.sections)}
    bores = bores_of(s.plan, s.setup)
    to_size = {cutter for bore in bores for cutter in bore.cutters}
    checked = z_checks_of(s.stops)
    turns: dict[int, dict[str, None]] = {}
    for path in s.plan.toolpaths:
        turns.setdefault(path.operation.cutter, {})[f"{path.operation.spindle_rpm:.0f}"] = None
    rows = []
    for place, number in enumerate(s.cutters, start=1):
        cutter = job.crib.cutter(number)
        pocket = str(place) if place <= dialect.pockets else "later"
        lines = ", ".join(map(str, checked.get(number, ())))
        rows.append(
            [
                "tick",
                str(first_line[number]) if by_hand else pocket,
                paper.strong(f"T{number} H{dialect.length_offsets.get(number, number)}"),
                f"{cutter.name}, {cutter.substrate}",
                n.exact(cutter.diameter_mm),
                n.short(cutter.flute_length_mm),
                n.short(cutter.stickout_mm),
                n.short(cutter.holder_diameter_mm),
                ", ".join(turns.get(number, {})),
                lines or paper.strong("yours: none"),
                "",
                "" if number in to_size else "–",
            ]
        )
    paper.table(columns, rows, height_mm=7)
    said = ["Z check: the line at which the program stops for the gauge block. "]
    if any(number not in checked for number in s.cutters):
        said += [paper.strong("Yours: none"), ": no stop comes for it, check its length before the start. "]
    if to_size:
        said.append("Diameter: of a cutter that bores to a size, over its edges.")
    paper.text(*said, size=7.4)
    swaps = [f"line {w.line}: T{w.out} out of pocket {w.pocket}, T{w.into} in" for w in swaps_of(s.stops)]
    if by_hand:
        paper.text("Cutters are changed by hand: the program stops for each, soon after the line named.")
    elif swaps:
        paper.text(
            paper.strong(f"The changer holds {dialect.pockets} cutters, this program uses {len(s.cutters)}. "),
            f"The program stops to load the others: {'; '.join(swaps)}.",
        )
    _write_bores(paper, s)
    write_felt(paper, s)


def _write_bores(paper: Paper, s: Sources) -> None:
    columns: list[Column] = [
        ("bore to measure", 30, "text"),
        ("of", 27, "text"),
        ("limits", 85, "text"),
        ("dia. found", 22, "write"),
        ("depth found", 22, "write"),
    ]
    rows = [
        [bore.what, part, bore.sizes(s.n), "", "" if bore.depth_mm else "–"]
        for bore in bores_of(s.plan, s.setup)
        for part in bore.part_ids
    ]
    if rows:
        paper.table(columns, rows, height_mm=7)
