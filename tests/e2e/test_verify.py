"""A program's text judged by a job, as a user does it: as it was made, edited by hand, from an older job or nest."""

from __future__ import annotations

import json
import re

import pytest

from tests.e2e.conftest import JOBS, command

JOB = """\
based_on: {base}
title: two studs
parts:
  handle: {{count: 0}}
  clip: {{count: 0}}
  stud: {{count: 2, fixed: [{{x: 40, y: 55, angle: 0}}, {{x: {x}, y: 103, angle: 0}}]}}
nest: {{effort: 1}}
"""
EDGE = "stud-1/edge/outline"


@pytest.fixture(scope="module")
def cache(tmp_path_factory):
    return tmp_path_factory.mktemp("cache")


@pytest.fixture(scope="module")
def made(tmp_path_factory, cache):
    """(job file, another one with the second stud elsewhere, the first one's packet, its program)."""
    folder = tmp_path_factory.mktemp("jobs")
    jobs = []
    for name, x in (("now", 105), ("moved", 90)):
        (folder / name).mkdir()
        jobs.append(folder / name / "two-studs.yaml")
        jobs[-1].write_text(JOB.format(base=JOBS / "grafting-pair.yaml", x=x))
    packet = folder / "packet"
    done = command("make", str(jobs[0]), "--out", str(packet), cache=cache)
    assert done.returncode == 0, done.stderr
    return *jobs, packet, next(packet.glob("*.ngc"))


def judge(program, job, *options, cache):
    return command("verify", str(program), "--job", str(job), *options, cache=cache)


def edited(tmp_path, program, edit):
    """The program with its lines edited, somewhere else."""
    lines = program.read_text().splitlines()
    edit(lines)
    file = tmp_path / "by-hand.ngc"
    file.write_text("\n".join(lines) + "\n")
    return file


def heading(lines, name):
    return next(n for n, line in enumerate(lines) if line.startswith(f"({name},"))


def test_a_text_as_it_was_made_is_released_and_nothing_is_written(made, cache):
    job, _, packet, program = made
    before = {f: f.read_bytes() for f in packet.iterdir()}
    done = judge(program, job, cache=cache)
    assert done.returncode == 0, done.stderr
    first, *rest = done.stdout.splitlines()
    assert first.startswith(f"{program}: RELEASED")
    assert rest[0] == "judged by two-studs, setup-1"
    assert re.fullmatch(r"operations as the tool would write them: (\d+) of \1", rest[1]) and len(rest) == 2
    assert {f: f.read_bytes() for f in packet.iterdir()} == before


def test_an_edited_text_is_judged_with_its_own_lines(made, cache, tmp_path):
    job, _, _, program = made
    places = {}

    def faster(lines):
        lines.insert(3, "(faster, by hand)")
        at = next(n for n in range(heading(lines, EDGE), len(lines)) if re.search(r"^G[23].* F", lines[n]))
        lines[at] = re.sub(r"F[\d.]+", "F1200", lines[at])
        places["line"] = at + 1

    file = edited(tmp_path, program, faster)
    done = judge(file, job, cache=cache)
    assert done.returncode == 1
    assert f"{file}: REFUSED" in done.stdout
    assert f"  {EDGE}: line {places['line']}: F1200; the tool writes F" in done.stdout
    chips = [line for line in done.stderr.splitlines() if " V660 error: " in line]
    lines = {int(line.removeprefix(f"{file}:").partition(":")[0]) for line in chips}
    assert min(lines) >= places["line"]
    assert list(tmp_path.iterdir()) == [file]


def test_harmless_rewriting_changes_neither_verdict_nor_operations(made, cache, tmp_path):
    job, _, _, program = made

    def rewritten(lines):
        lines[:] = [f"N{5 * n % 99999} " + re.sub(r"\([^)]*\)", "", line).replace(" ", "  ").lower()
                    for n, line in enumerate(lines, 1)]  # fmt: skip

    done = judge(edited(tmp_path, program, rewritten), job, cache=cache)
    assert done.returncode == 0, done.stderr
    assert re.search(r"operations as the tool would write them: (\d+) of \1\n", done.stdout)
    assert "its header names no job digest" in done.stdout


def test_quick_says_that_it_is(made, cache):
    job, _, _, program = made
    done = judge(program, job, "--quick", cache=cache)
    assert done.returncode == 0, done.stderr
    assert "quick: cells of 0.05 mm, coarser than make's" in done.stdout


def test_json_tells_the_same_for_scripts(made, cache, tmp_path):
    job, _, _, program = made

    def without_the_second_edge(lines):
        begin = heading(lines, "stud-2/edge/outline")
        end = next(n for n in range(begin, len(lines)) if lines[n].startswith(("M9", "(")) and n > begin)
        del lines[begin:end]

    file = edited(tmp_path, program, without_the_second_edge)
    done = judge(file, job, "--json", cache=cache)
    assert done.returncode == 1
    told = json.loads(done.stdout)
    assert (told["program"], told["job"], told["verdict"]) == ("by-hand.ngc", "two-studs", "refused")
    assert told["cell_mm"] is None
    assert told["program_job_digest"] == told["job_digest"]
    sorts = {one["operation"]: one["sort"] for one in told["operations"]}
    assert sorts["stud-2/edge/outline"] == "missing"
    assert all(sort == "same" for name, sort in sorts.items() if name.startswith("stud-1/"))
    assert any(finding["severity"] == "error" for finding in told["findings"])
    assert all(finding["line"] <= told["lines"] for finding in told["findings"] if "line" in finding)


def test_a_text_of_another_job_or_nest_is_said_to_be_one(made, cache):
    _, moved, packet, program = made
    done = judge(program, moved, cache=cache)
    assert done.returncode == 1
    assert "NOT made from this job as it is now" in done.stdout
    assert f"--keep-nest {packet}" in done.stdout
    kept = judge(program, moved, "--keep-nest", str(packet), cache=cache)
    assert kept.returncode == 0, kept.stderr
    assert "NOT made from this job as it is now" in kept.stdout and "--keep-nest" not in kept.stdout
    assert re.search(r"operations as the tool would write them: (\d+) of \1\n", kept.stdout)


def test_what_cannot_be_a_program_is_bad_input(made, cache, tmp_path):
    job = made[0]
    (tmp_path / "latin.ngc").write_bytes(b"(caf\xe9)\n")
    for name in ("nothing.ngc", "latin.ngc", "."):
        done = judge(tmp_path / name, job, cache=cache)
        assert done.returncode == 2, name
        assert "J199 error: program" in done.stderr
    done = judge(tmp_path / "nothing.ngc", job, "--json", cache=cache)
    assert json.loads(done.stdout)["findings"][0]["code"] == "J199"
    done = judge(made[3], tmp_path / "nothing.yaml", cache=cache)
    assert done.returncode == 2 and "nothing.yaml" in done.stderr
