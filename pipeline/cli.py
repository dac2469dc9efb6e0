"""The command: parses its words, shows progress, prints findings, sets the exit code; nothing else.

Exit codes: 0 released or no findings, 1 refused, 2 bad input, 3 a fault of ours.
"""

from __future__ import annotations

import json
import os
import sys
import traceback
from collections import Counter
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path
from typing import Annotated

import typer

from pipeline.errors import BadInput, PlanError
from pipeline.model.findings import Finding, has_errors

app = typer.Typer(
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    help="From a job file to a simulated, checked milling program and a shop packet.",
)

_MOST_CHANGES = 25  # lines of what changed before the file is named instead
_MOST_MONEY = 1e6  # of a rate or a price: more is a slip of the hand
_INTERRUPTED = 130  # what the command line library makes of Ctrl-C

Workers = Annotated[int, typer.Option(min=1, max=64, help="processes and threads; the result is the same")]
Force = Annotated[bool, typer.Option("--force", help="write a refused program too, marked in every file")]
NoCache = Annotated[bool, typer.Option("--no-cache", help="make everything anew, keep nothing for the next run")]
KeepNest = Annotated[
    Path | None, typer.Option(metavar="PACKET", help="leave every placement where it is in this packet")
]
JobFile = Annotated[Path, typer.Argument(metavar="JOB", help="a job file (YAML)")]


@app.command()
def make(
    job_file: JobFile,
    out: Annotated[Path | None, typer.Option(help="folder of the packet; default out/<job>")] = None,
    workers: Workers = 2,
    force: Force = False,
    keep_nest: KeepNest = None,
    no_cache: NoCache = False,
    seconds: Annotated[
        float | None, typer.Option(min=0.0, help="end the nest's search after so long, with the best so far")
    ] = None,
    keep_stages: Annotated[
        Path | None, typer.Option(metavar="DIR", help="write every value between the stages, to be read")
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="print the summary as JSON")] = False,
) -> None:
    """Make the packet of one job: program, page, drawings, setup sheet, STEP files."""
    from pipeline import stages
    from pipeline.batch.cache import Cache, default_folder
    from pipeline.batch.folder import check_place, holds_packet, kept_nest, write_folder
    from pipeline.batch.keep import StageFolder
    from pipeline.batch.nest_search import NestSearch
    from pipeline.batch.watch import StageWatch, stage_runner
    from pipeline.job import read_job

    watch = StageWatch()
    folder = out or Path("out") / job_file.stem
    try:
        with watch("job"):
            job = read_job(job_file)
            folder = out or Path("out") / job.name
            check_place(folder, job.name)
            kept = kept_nest(keep_nest, [part.name for part in job.parts]) if keep_nest else None
        cache = None if no_cache else Cache(default_folder())
        keep = StageFolder(keep_stages) if keep_stages else None
        run_stage = stage_runner(watch, cache, keep)
        search = NestSearch(seconds, say=lambda words: watch.say(words))
        made = stages.make(job, workers=workers, force=force, kept=kept, run=search.around(run_stage), stop=search.stop,
                           tell=search.tell)  # fmt: skip
    except (BadInput, PlanError) as bad:
        if holds_packet(folder):
            bad.add_note(f"{folder} still holds the packet of an earlier run")
        _explain_nest(bad, keep_nest)
        raise
    if made.nest.is_ended_early:
        n, of = made.nest.rounds, job.nest.effort
        words = f"the search was ended after {n} of {of} rounds; a rerun needs `nest: effort: {n}` in the job"
        typer.echo(f"{words} to give the same nest", err=True)
    run = json.dumps({"stage_s": watch.seconds, "total_s": round(sum(watch.seconds.values()), 3), "workers": workers})
    different = write_folder(folder, {**made.files, "run.json": run.encode() + b"\n"}, job.name)
    if as_json:
        typer.echo(made.files["summary.json"].decode(), nl=False)
    else:
        _print_findings(made.verdict.findings)
        _print_result(json.loads(made.files["summary.json"]), folder, sum(watch.seconds.values()))
        _print_changes(different, folder)
    raise typer.Exit(0 if made.verdict.verdict == "released" else 1)


@app.command()
def verify(
    program: Annotated[Path, typer.Argument(metavar="PROGRAM", help="any text for the job's first setup")],
    job_file: Annotated[Path, typer.Option("--job", metavar="JOB", help="the job file (YAML) it is to be judged by")],
    workers: Workers = 2,
    quick: Annotated[bool, typer.Option("--quick", help="simulate coarser than make does")] = False,
    keep_nest: KeepNest = None,
    no_cache: NoCache = False,
    as_json: Annotated[bool, typer.Option("--json", help="print what was found as JSON")] = False,
) -> None:
    """Judge a program's text by a job, also one edited by hand, and say where it is not what make would write."""
    from pipeline import stages
    from pipeline.batch.cache import Cache, default_folder
    from pipeline.batch.folder import kept_nest
    from pipeline.batch.given import given_program
    from pipeline.batch.judged import judged_data, judged_words
    from pipeline.batch.watch import StageWatch, stage_runner
    from pipeline.job import read_job

    watch = StageWatch()
    try:
        text = given_program(program)
        with watch("job"):
            job = read_job(job_file)
        kept = kept_nest(keep_nest, [part.name for part in job.parts]) if keep_nest else None
        run_stage = stage_runner(watch, None if no_cache else Cache(default_folder()))
        cell_mm = stages.QUICK_CELL_MM if quick else None
        judged = stages.judge(text, job, cell_mm=cell_mm, workers=workers, kept=kept, run=run_stage)
    except (BadInput, PlanError) as bad:
        _explain_nest(bad, keep_nest)
        raise
    if as_json:
        typer.echo(json.dumps(judged_data(judged, program, job, cell_mm=cell_mm), indent=2, ensure_ascii=False))
    else:
        _print_findings(replace(finding, file=str(program)) for finding in judged.verdict.findings)
        typer.echo(f"{program}: {judged.verdict.verdict.upper()}  ({sum(watch.seconds.values()):.1f} s)")
        for line in judged_words(judged, program, job, cell_mm=cell_mm, keeps_nest=keep_nest is not None):
            typer.echo(line)
    raise typer.Exit(0 if judged.verdict.verdict == "released" else 1)


@app.command()
def batch(
    template: Annotated[Path, typer.Argument(metavar="TEMPLATE", help="the job file that the orders change")],
    orders: Annotated[Path, typer.Option(help="the list of orders (CSV): order, then keys such as parts.clip.count")],
    out: Annotated[Path | None, typer.Option(help="folder of all packets; default out/<list>")] = None,
    workers: Workers = 2,
    cluster: Annotated[
        str | None, typer.Option(metavar="ADDRESS", help="work on this dask scheduler's workers instead")
    ] = None,
    force: Force = False,
    no_cache: NoCache = False,
) -> None:
    """Make the packets of a whole list of orders; what is there and unchanged is left."""
    from pipeline.batch.report import BatchReport
    from pipeline.batch.run import run_batch

    folder = out or Path("out") / orders.stem
    report = BatchReport(folder)
    made = run_batch(
        template, orders, folder, workers=workers, cluster=cluster, force=force, use_cache=not no_cache,
        checked=report.checked, done=report.done,
    )  # fmt: skip
    report.end(made)
    raise typer.Exit(made.code)


@app.command()
def study(
    job_file: JobFile,
    cutters: Annotated[
        str | None, typer.Option(metavar="N,N,...", help="outline cutters to try; default every flat end mill")
    ] = None,
    rate: Annotated[float, typer.Option(help="money an hour of the machine costs; 0: time is not priced")] = 0.0,
    cutter_price: Annotated[float, typer.Option(help="money a new cutter costs; 0: cutters are not priced")] = 0.0,
    effort: Annotated[int | None, typer.Option(min=1, help="of the nests compared; default the job's own")] = None,
    out: Annotated[Path | None, typer.Option(help="folder of the study; default out/study-<job>")] = None,
    workers: Workers = 2,
    no_cache: NoCache = False,
) -> None:
    """Try several outline cutters on a job: what the gap of each costs, and which earns most."""
    from pipeline.batch.cache import Cache, default_folder
    from pipeline.batch.folder import STUDY, check_place, write_study
    from pipeline.batch.report import print_table
    from pipeline.batch.watch import StageWatch, stage_runner
    from pipeline.job import read_job
    from pipeline.study.money import Prices
    from pipeline.study.report import PAGE, heads, study_files, table_rows, words
    from pipeline.study.study import study_job

    for option, money in (("--rate", rate), ("--cutter-price", cutter_price)):
        if not 0 <= money <= _MOST_MONEY:
            raise typer.BadParameter(f"{option} {money}: give an amount from 0 to {_MOST_MONEY:g}")
    watch = StageWatch()
    with watch("job"):
        job = read_job(job_file)
        folder = out or Path("out") / f"study-{job.name}"
        check_place(folder, job.name, index=STUDY)
    studied = study_job(
        job, cutters=_numbers(cutters), effort=effort, prices=Prices(rate_per_h=rate, cutter=cutter_price),
        workers=workers, run=stage_runner(watch, None if no_cache else Cache(default_folder())),
    )  # fmt: skip
    write_study(folder, study_files(studied), job.name)
    print_table(heads(studied), table_rows(studied))
    for line in (*words(studied), f"study: {folder / PAGE}"):
        typer.echo(line)
    raise typer.Exit(0 if any(full.candidate.verdict == "released" for full in studied.full_runs) else 1)


@app.command()
def check(job_files: Annotated[list[Path], typer.Argument(metavar="JOB...", help="job files (YAML)")]) -> None:
    """Read job files and say everything that is wrong with them. Cuts and writes nothing."""
    from pipeline.job import check_job

    findings: list[Finding] = []
    for job_file in job_files:
        checked = check_job(job_file)
        findings += checked.findings
        if checked.job is not None:
            n = len(checked.findings)
            typer.echo(
                f"{job_file}: {', '.join(part.name for part in checked.job.parts)}: "
                + (f"{n} warning{'s' if n > 1 else ''}" if n else "no findings")
            )
    if has_errors(findings):
        raise BadInput(findings)
    _print_findings(findings)
    typer.echo("Whether the parts fit the plate and the cutters reach, only make tells.")


@app.command()
def gallery(folder: Annotated[Path, typer.Argument(metavar="DIR", help="a folder with packets below it")]) -> None:
    """Write an overview page, gallery.html, over all packets in a folder."""
    from pipeline.batch.gallery import write_gallery

    made = write_gallery(folder)
    for entry in made.unread:
        typer.echo(f"{entry.place}: {entry.fault}", err=True)
    typer.echo(f"{made.page}: {made.n_packets} packets, {made.n_released} released")


@app.command()
def new(
    name: Annotated[str, typer.Argument(metavar="NAME", help="of the new folder and its job")],
    units: Annotated[str, typer.Option(help="mm or in")] = "mm",
) -> None:
    """Start a shop of your own: a folder with a commented job and shop files, which runs at once."""
    from pipeline.batch.starter import start

    job_file = start(name, into=Path(), units=units, command=_called_as())
    typer.echo(f"{job_file.parents[1]}: read README.txt there, then")
    typer.echo(f"  {_called_as()} make {job_file}")


@app.command()
def families(
    name: Annotated[str | None, typer.Argument(metavar="[FAMILY]", help="one family, with its drawing")] = None,
    out: Annotated[Path, typer.Option(help="folder of the drawing")] = Path("out/families"),
    units: Annotated[str, typer.Option(help="mm or in")] = "mm",
) -> None:
    """Show the part families: their sizes with bounds, and a drawing that names them."""
    from pipeline.batch.families import describe, overview

    if name is None:
        typer.echo(overview(_called_as()), nl=False)
    else:
        typer.echo(describe(name, out=out, units=units), nl=False)


@app.command()
def schema() -> None:
    """Print the JSON Schema of job files, for editors that complete and underline."""
    from pipeline.job import job_schema

    typer.echo(json.dumps(job_schema(), indent=2, ensure_ascii=False))


def main() -> None:
    """Run the command and leave with its exit code."""
    for stream in (sys.stdout, sys.stderr):
        stream.reconfigure(errors="backslashreplace")  # type: ignore[union-attr]  # a terminal may not know a letter
    try:
        code = app(standalone_mode=False) or 0  # outside standalone mode an exit code comes back as a value
        if code == _INTERRUPTED:
            typer.echo("stopped; an earlier packet stays as it was", err=True)
        sys.exit(code)
    except BadInput as bad:
        _leave(bad.findings, bad)
    except PlanError as cannot:
        _leave([Finding.of(cannot)], cannot)
    except Exception as fault:
        if isinstance(fault, typer.BadParameter) or hasattr(fault, "format_message"):  # wrong words on the command line
            typer.echo(f"{fault.format_message()}\nTry: {_called_as()} --help", err=True)  # type: ignore[attr-defined]
            sys.exit(2)
        traceback.print_exc()
        typer.echo(
            "This is a fault of billetwright, not of the job. Nothing was written. Please report it with the"
            " job file and the lines above.",
            err=True,
        )
        sys.exit(3)


def _leave(findings: Iterable[Finding], why: Exception) -> None:
    findings = tuple(findings)
    _print_findings(findings)
    if "--json" in sys.argv:
        typer.echo(json.dumps({"verdict": None, "findings": [finding.data() for finding in findings]}, indent=2))
    ending = "; ".join(["nothing was written", *getattr(why, "__notes__", ())])
    typer.echo(f"{len(findings)} finding{'s' if len(findings) != 1 else ''}; {ending}", err=True)
    sys.exit(2)


def _numbers(words: str | None) -> tuple[int, ...] | None:
    """Numbers of cutters as the user typed them, `3,7,9` or `T3, T7`. Raises typer.BadParameter."""
    if words is None:
        return None
    try:
        return tuple(int(word.strip().lstrip("Tt")) for word in words.split(","))
    except ValueError:
        raise typer.BadParameter(f"--cutters {words}: give numbers of cutters with commas between, as 3,7,9") from None


def _explain_nest(bad: Exception, keep_nest: Path | None) -> None:
    if keep_nest and isinstance(bad, BadInput) and any(f.code.startswith("N2") for f in bad.findings):
        bad.add_note(f"the nest of {keep_nest} cannot be kept; without --keep-nest the parts are placed anew")


def _called_as() -> str:
    """The word the user typed: the script that sets up says so in the environment."""
    return os.environ.get("BILLETWRIGHT_CALLED_AS", "billetwright")


def _print_findings(findings: Iterable[Finding]) -> None:
    for finding in findings:
        typer.echo(str(finding), err=True)


def _print_result(summary: dict, folder: Path, seconds: float) -> None:
    placed = ", ".join(f"{n} {name}" for name, n in summary["placed"].items())
    typer.echo(f"{summary['job']}: {summary['verdict'].upper()}  ({seconds:.1f} s)")
    typer.echo(f"placed: {placed}; yield {100 * summary['yield']:.1f} %")
    for program in summary["programs"]:
        typer.echo(
            f"{program['setup']}: {program['file'] or 'no program written'}, {program['lines']} lines,"
            f" {(program['cutting_s'] + program['air_s']) / 60:.0f} min"
        )
    if summary["kept_placements"] is not None:
        n = len(summary["placements"])
        typer.echo(f"nest kept: {summary['kept_placements']} of {n} placements where they were")
    later = Counter(left["operation"] for left in summary["not_cut"])
    typer.echo(f"not cut by this program: {', '.join(later) or 'nothing'}")
    typer.echo(f"packet: {folder / 'packet.html'}")


def _print_changes(different: str, folder: Path) -> None:
    lines = different.splitlines()
    for line in lines[:_MOST_CHANGES]:
        typer.echo(line)
    if len(lines) > _MOST_CHANGES:
        typer.echo(f"and {len(lines) - _MOST_CHANGES} lines more in {folder / 'changes.txt'}")
