"""The command as a user runs it: the example jobs end released, the packet is whole, equal runs make equal bytes."""

from __future__ import annotations

import json
import re

import pytest

from tests.e2e.conftest import JOBS, command
from tests.reference.rs274_grammar import parse

EXAMPLES = ["grafting-pair", "budding-small"]


def files(folder):
    return {f.name: f.read_bytes() for f in sorted(folder.iterdir()) if f.name != "run.json"}


@pytest.mark.parametrize("name", EXAMPLES)
def test_an_example_job_is_released(make, name):
    run = make(JOBS / f"{name}.yaml")
    assert run.code == 0, run.stderr
    summary = run.summary
    assert (summary["job"], summary["verdict"]) == (name, "released")
    assert not [f for f in summary["findings"] if f["severity"] == "error"]
    assert summary["placed"]["handle-left"] == summary["placed"]["handle-right"] == 1
    assert summary["placed"]["clip"] == {"grafting-pair": 2, "budding-small": 1}[name]
    assert summary["placed"]["stud"] >= 1
    assert all(left["part"] and left["feature"] and left["setup"] for left in summary["not_cut"])
    program = summary["programs"][0]
    assert program["lines"] == run.program.count("\n")
    assert program["cutting_s"] > 60
    # Slivers of waste that the skin alone ties are named; what the skin ties of the parts holds.
    assert {(f["code"], f["where"].split(",")[0]) for f in summary["findings"]} <= {("V680", "waste")}
    n = len(summary["findings"])
    words = f"{n} WARNING{'S' if n > 1 else ''} TO READ IN THE PACKET" if n else "NO FINDINGS"
    assert f"SIMULATED, {words}. NOT YET RUN." in run.program
    assert summary["hold"]["least"] >= 2.0 and summary["hold"]["gauge_least_kpa"] < summary["hold"]["gauge_planned_kpa"]
    assert summary["job_digest"][:16] in run.program
    assert summary["thinnest_skin_mm"] >= 0.25 - 0.02 - 1e-3  # both jobs ask for 0.25 (0.010 in), floor tolerance 0.02


def test_the_demo_is_tight(make):
    """Handles and clips alone take at least half of the area where parts may lie."""
    run = make(JOBS / "grafting-pair.yaml")
    from pipeline.job import read_job
    from pipeline.solids import build_parts

    job = read_job(JOBS / "grafting-pair.yaml")
    big = [r for r in job.parts if r.family != "stud"]
    area = sum(p.outline.area_mm2 * r.count for p, r in zip(build_parts(big), big, strict=True))
    assert area >= 0.5 * run.summary["usable_area_mm2"]
    assert len(job.billet.outline) >= 40
    assert len(job.billet.defects) == 1


@pytest.mark.parametrize("name", EXAMPLES)
def test_the_program_obeys_the_grammar_of_the_standard(make, name):
    parse(make(JOBS / f"{name}.yaml").program)


@pytest.mark.parametrize("name", EXAMPLES)
def test_the_packet_is_whole(make, name):
    run = make(JOBS / f"{name}.yaml")
    names = {f.name for f in run.folder.iterdir()}
    assert {
        "packet.html",
        "setup-sheet.pdf",
        "nest.svg",
        "nest.dxf",
        "summary.json",
        "run.json",
        run.summary["programs"][0]["file"],
    } <= names
    assert {f"{part}.step" for part in run.summary["placed"]} <= names
    page = (run.folder / "packet.html").read_text()
    order = [
        "RELEASED",
        "Not checked",
        "Seating",
        "Nest",
        "Remnant",
        "Cutters",
        "Operations",
        "Work left",
        "Yield and plate cost",
        "Findings",
        "Cautions",
    ]
    places = [re.search(rf"<h[123][^>]*>\s*{word}", page).start() for word in order]
    assert places == sorted(places)
    assert not re.search(r'(?:src|href)="(?:https?:)?//', page), "the page must stand alone"
    assert "NOT YET RUN" in page
    assert json.loads((run.folder / "run.json").read_text())["stage_s"].keys() >= {"solids", "nest", "verify", "packet"}
    assert not list(run.folder.parent.glob(".packet*")), "nothing is left beside the packet"


def test_equal_runs_one_or_two_workers_and_another_processor_give_equal_bytes(make):
    job = JOBS / "grafting-pair.yaml"
    two, again, one = make(job), make(job, "--workers", "2"), make(job, "--workers", "1", processor="Prescott")
    assert two.folder != again.folder
    assert files(two.folder) == files(again.folder)
    assert files(two.folder) == files(one.folder)


def test_the_picture_in_the_readme_is_the_tools_own(make):
    drawn = (make(JOBS / "grafting-pair.yaml").folder / "nest.svg").read_bytes()
    assert (JOBS / "grafting-pair.svg").read_bytes() == drawn, "copy the packet's nest.svg there"


def test_json_prints_the_summary(make):
    run = make(JOBS / "budding-small.yaml", "--json")
    assert json.loads(run.stdout) == run.summary


def test_a_folder_of_someone_else_is_left_alone(tmp_path):
    mine = tmp_path / "letters"
    mine.mkdir()
    (mine / "to-mother.txt").write_text("dear")
    done = command("make", str(JOBS / "grafting-pair.yaml"), "--out", str(mine))
    assert done.returncode == 2
    assert "J190" in done.stderr
    assert [f.name for f in mine.iterdir()] == ["to-mother.txt"]


def test_wrong_words_exit_with_2_and_a_hint():
    for words in (["mke"], ["make"], ["make", "x.yaml", "--wrokers", "2"]):
        done = command(*words)
        assert done.returncode == 2, words
        assert done.stderr


def test_check_answers_for_good_and_missing_files(tmp_path):
    good = command("check", *(str(JOBS / f"{name}.yaml") for name in EXAMPLES))
    assert good.returncode == 0, good.stderr
    missing = command("check", str(tmp_path / "nothing.yaml"))
    assert missing.returncode == 2
    assert "nothing.yaml" in missing.stderr


def test_schema_is_the_committed_one():
    printed = command("schema")
    assert json.loads(printed.stdout) == json.loads((JOBS.parent / "job.schema.json").read_text())
