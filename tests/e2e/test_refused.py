"""A job that must be refused: nothing cut under its final name, the findings first, and by force only with marks."""

from __future__ import annotations

import pytest
from pypdf import PdfReader

from tests.e2e.conftest import ROOT, Run, command

JOB = """\
based_on: {base}
title: two studs on a mill whose table does not reach them
machine: {machine}
parts:
  handle: {{count: 0}}
  clip: {{count: 0}}
  stud: {{count: 2, fixed: [{{x: 40, y: 55, angle: 0}}, {{x: 105, y: 103, angle: 0}}]}}
nest: {{effort: 1}}
"""


@pytest.fixture(scope="module")
def out_of_reach(tmp_path_factory):
    """(job file, the same job on the mill that does reach)."""
    folder = tmp_path_factory.mktemp("jobs")
    mill = (ROOT / "configs/machines/small-mill-metric.yaml").read_text()
    assert "travel_high: [300, 200, 0]" in mill
    for name in ("refused", "good"):
        (folder / name).mkdir()
    (folder / "refused/short-table.yaml").write_text(
        mill.replace("travel_high: [300, 200, 0]", "travel_high: [300, 110, 0]")
    )
    base = ROOT / "configs/jobs/grafting-pair.yaml"
    for name, machine in (("refused", "./short-table.yaml"), ("good", "small-mill-metric")):
        (folder / name / "two-studs.yaml").write_text(JOB.format(base=base, machine=machine))
    return folder / "refused/two-studs.yaml", folder / "good/two-studs.yaml"


def run_into(folder, job, *options):
    done = command("make", str(job), "--out", str(folder), *options)
    return Run(folder, done.returncode, done.stdout, done.stderr)


def test_a_refused_program_is_not_written_and_the_old_one_is_gone(out_of_reach, tmp_path):
    refused, good = out_of_reach
    folder = tmp_path / "packet"
    first = run_into(folder, good)
    assert first.code == 0, first.stderr
    assert list(folder.glob("*.ngc"))
    second = run_into(folder, refused)
    assert second.code == 1
    assert "error" in second.stderr.splitlines()[0], "the findings come first"
    assert not list(folder.rglob("*.ngc")), "no program under its final name, not the old one either"
    summary = second.summary
    assert (summary["verdict"], summary["programs"][0]["file"]) == ("refused", None)
    page = (folder / "packet.html").read_text()
    assert page.index("REFUSED") < page.index("travel") < page.index("Seating")
    assert "NO FINDINGS" not in page


def test_force_marks_every_file(out_of_reach, tmp_path):
    refused, _ = out_of_reach
    forced = run_into(tmp_path / "packet", refused, "--force")
    assert forced.code == 1
    assert "REFUSED, WRITTEN BY FORCE" in forced.program.splitlines()[1]
    for file in forced.folder.iterdir():
        if file.suffix == ".pdf":  # its text is packed
            for page in PdfReader(file).pages:
                assert "REFUSED, WRITTEN BY FORCE" in page.extract_text()
        elif file.name != "run.json":  # the run's times, not a thing to work from
            assert b"REFUSED, WRITTEN BY FORCE" in file.read_bytes(), file.name
    assert "NO FINDINGS" not in forced.program
    assert "NO FINDINGS" not in (forced.folder / "packet.html").read_text()


def test_a_set_that_does_not_fit_says_which_part_by_how_much_and_where(tmp_path):
    job = tmp_path / "crowded.yaml"
    job.write_text(f"based_on: {ROOT / 'configs/jobs/grafting-pair.yaml'}\nparts: {{clip: {{count: 14}}}}\n")
    done = command("make", str(job), "--out", str(tmp_path / "packet"))
    assert done.returncode == 2
    assert "N2" in done.stderr
    assert "mm" in done.stderr
    assert not (tmp_path / "packet").exists()


def test_bad_input_says_that_the_packet_beside_it_is_old(out_of_reach, tmp_path):
    _, good = out_of_reach
    folder = tmp_path / "packet"
    assert run_into(folder, good).code == 0
    before = {f.name: f.read_bytes() for f in folder.iterdir()}
    spoiled = good.with_name("spoiled.yaml")
    spoiled.write_text(good.read_text().replace("count: 2", "count: two"))
    done = run_into(folder, spoiled)
    assert done.code == 2
    assert "still holds the packet of an earlier run" in done.stderr
    assert {f.name: f.read_bytes() for f in folder.iterdir()} == before
