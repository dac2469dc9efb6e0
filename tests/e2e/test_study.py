"""A study by the real command, on a scrap of plate that holds a few studs: figures, page, packets, exit codes."""

from __future__ import annotations

import json
import re
from html.parser import HTMLParser

import pytest
import yaml

from pipeline import verify
from pipeline.job import read_job
from pipeline.study.money import Prices
from pipeline.study.report import study_files
from pipeline.study.study import study_job
from tests.e2e.conftest import JOBS, command
from tests.unit.batch.verdicts import full

TITLE = "Studs & <scraps>"
BILLET = """\
units: mm
material: layered-titanium
outline: {points: [[0, 0], [44, 0], [44, 28], [0, 28]]}
outline_uncertainty: 0.1
thickness: 4.37
thickness_uncertainty: 0.03
bow: 0.05
price_per_cm2: 4.60
currency: USD
up_face: the brighter face
corner: the corner with one file nick
"""
HOLDING = """\
units: mm
origin: the scribed cross at the bed's lower left corner, Z on the bed
gasket: [[32.5, 32.5], [71.5, 32.5], [71.5, 55.5], [32.5, 55.5]]
gasket_width: 1.6
port: [52, 44]
stops:
  front-left: {x: 38, y: 25, radius: 5, height: 3.5}
  front-right: {x: 66, y: 25, radius: 5, height: 3.5}
  left: {x: 25, y: 44, radius: 5, height: 3.5}
nominal_pose: {x: 30, y: 30, angle: 0}
blocks:
  cam-right: {kind: clamp, press: 3 kN, height: 12, outline: [[74, 39], [91, 39], [91, 49], [74, 49]]}
  cam-back: {kind: clamp, press: 3 kN, height: 12, outline: [[46, 58], [58, 58], [58, 75], [46, 75]]}
stop_uncertainty: 0.02
gauge_block: "1 in"
vacuum: 80 kPa
altitude: 200 m
friction: 1
pump_flow: 0
safety: {rough: 1, finish: 1, tilt: 1}
"""
JOB = """\
based_on: {base}
title: "{title}"
billet: scrap
holding: scrap-bed
parts:
  handle: {{count: 0}}
  clip: {{count: {clips}}}
nest: {{effort: 1, outline_cutter: {cutter}, worth: {{figure: 0, alike: 0, held: {held}}}}}
"""


def job_file(folder, cutter=3, clips=0, held=0):
    """The scrap's job in a shop of its own, with this outline cutter, so many clips, and worth of how they are held."""
    for place, text in {
        "billets/scrap.yaml": BILLET,
        "holdings/scrap-bed.yaml": HOLDING,
        "jobs/scrap.yaml": JOB.format(base=JOBS / "budding-small.yaml", title=TITLE, cutter=cutter, clips=clips,
                                      held=held),
    }.items():
        (folder / place).parent.mkdir(parents=True, exist_ok=True)
        (folder / place).write_text(text)
    return folder / "jobs/scrap.yaml"


@pytest.fixture(scope="module")
def cache(tmp_path_factory):
    return tmp_path_factory.mktemp("cache")


@pytest.fixture(scope="module")
def study(tmp_path_factory, cache):
    """(folder of the shop, finished command); the study is in `out/study-scrap` there."""
    home = tmp_path_factory.mktemp("shop")
    done = command("study", str(job_file(home)), "--cutters", "3,4,8", "--rate", "6", "--cutter-price", "20",
                   cwd=home, cache=cache)  # fmt: skip
    return home, done


def figures(home):
    return json.loads((home / "out/study-scrap/study.json").read_text())


def test_the_command_says_what_it_found(study):
    home, done = study
    assert done.returncode == 0, done.stderr
    found = figures(home)
    assert found["sentence"] in done.stdout
    assert re.search(r"T8 \(#43 drill, 135 degrees\) cannot: .*a drill; wanted a flat end mill", done.stdout)
    assert [one["cutter"] for one in found["excluded"]] == [8]
    for row in found["candidates"]:
        assert re.search(rf"^{row['cutter']} .* {row['earnings']:.2f} +{row['verdict']} *$", done.stdout, re.MULTILINE)


def test_a_smaller_gap_places_more_and_the_figures_add_up(study):
    rows = figures(study[0])["candidates"]
    assert [row["cutter"] for row in rows] == [3, 4]
    assert [row["gap_mm"] for row in rows] == pytest.approx([3.175 + 0.508, 2.38125 + 0.508], abs=1e-3)
    studs = [row["placed"]["stud"] for row in rows]
    assert studs == sorted(studs) and studs[0] < studs[-1]
    for row, n in zip(rows, studs, strict=True):
        assert row["value"] == 3.0 * n
        assert row["time_cost"] == pytest.approx(6 * row["total_s"] / 3600, abs=0.01)
        costs = row["breakage_cost"] + row["wear_cost"] + row["time_cost"]
        assert row["earnings"] == pytest.approx(row["value"] - costs, abs=0.021)


def test_times_are_those_of_real_programs(study):
    """A candidate's outlines against those of the packet, which fine cells judged: within 15 percent."""
    home, _ = study
    found = figures(home)
    rows = {row["cutter"]: row for row in found["candidates"]}
    for run in found["full_runs"]:
        summary = json.loads((home / "out/study-scrap" / run["folder"] / "summary.json").read_text())
        (program,) = summary["programs"]
        outlines = sum(op["seconds"] for op in program["operations"] if op["id"].endswith("/outline"))
        assert rows[run["cutter"]]["outline_s"] == pytest.approx(outlines, rel=0.15)
        assert run["outline_s"] == pytest.approx(outlines, abs=0.05 * len(program["operations"]))
        assert run["total_s"] == pytest.approx(program["cutting_s"] + program["air_s"], rel=0.01)


def test_a_full_slot_is_about_the_most_that_is_felt(study):
    """The estimate is for a whole stepdown, the simulation for what laps take: no more, and not a different thing."""
    for run in figures(study[0])["full_runs"]:
        assert 0.3 * run["force_n"] < run["simulated_force_n"] < 1.15 * run["force_n"]


def test_packets_are_those_of_make(study, tmp_path):
    """The job with that cutter in its file, made with another number of workers and nothing kept: the same bytes."""
    home, _ = study
    run = figures(home)["full_runs"][0]
    done = command("make", str(job_file(tmp_path, run["cutter"])), "--workers", "1", "--out", str(tmp_path / "made"))
    assert (done.returncode == 0) == (run["verdict"] == "released")
    made = {f.name: f.read_bytes() for f in (tmp_path / "made").iterdir() if f.name != "run.json"}
    folder = home / "out/study-scrap" / run["folder"]
    assert {f.name: f.read_bytes() for f in folder.iterdir()} == made


def test_again_over_the_earlier_study_with_the_same_bytes(study, cache):
    home, _ = study
    folder = home / "out/study-scrap"
    before = {f.relative_to(folder): f.read_bytes() for f in folder.rglob("*") if f.is_file()}
    words = ["study", "jobs/scrap.yaml", "--cutters", "8,4,T3", "--rate", "6", "--cutter-price", "20"]
    assert command(*words, cwd=home, cache=cache).returncode == 0
    assert {f.relative_to(folder): f.read_bytes() for f in folder.rglob("*") if f.is_file()} == before
    (folder / "T4/note.txt").write_text("mind the clamp")
    refused = command(*words, cwd=home, cache=cache)
    assert refused.returncode == 2 and "J190" in refused.stderr and "T4/note.txt" in refused.stderr
    (folder / "T4/note.txt").unlink()


class Page(HTMLParser):
    """Balanced tags, what the page links to, and its words."""

    def __init__(self, text):
        super().__init__()
        self.open, self.links, self.words = [], [], ""
        self.feed(text)
        assert self.open == []

    def handle_starttag(self, tag, attrs):
        self.links += [value for name, value in attrs if name in ("href", "src")]
        if tag not in ("meta", "img"):
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        pass

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        self.words += data


def test_the_page_is_whole_and_stands_alone(study):
    home, _ = study
    folder = home / "out/study-scrap"
    page = Page((folder / "study.html").read_text())
    for link in page.links:
        assert link.startswith("#") or (folder / link).is_file(), link
    found = figures(home)
    assert TITLE in page.words and found["sentence"] in page.words
    for line in (*found["model"], *found["not_known"], *found["turns"]):
        assert line in page.words
    assert all(f"T{row['cutter']}" in page.words for row in found["candidates"])


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--cutters", "3,98,99"), "T98, which is not in the crib"),
        (("--cutters", "3;4"), "give numbers of cutters"),
        (("--cutters", "8,12"), "T12, outlines: found a drill"),
        (("--rate", "nan"), "give an amount"),
        (("--cutter-price", "-1"), "give an amount"),
        (("--effort", "0"), "greater than or equal to 1"),
    ],
)
def test_bad_words_write_nothing(tmp_path, cache, words, said):
    done = command("study", str(job_file(tmp_path)), *words, cwd=tmp_path, cache=cache)
    assert done.returncode == 2 and said in done.stderr, done.stderr
    assert not (tmp_path / "out").exists()


def test_earnings_count_the_score_that_the_packet_tells(tmp_path, monkeypatch):
    """A plate large enough for a clip whose hold is weighed, too, against the score in each packet's own summary. The
    verifier is replaced by one that releases all."""
    monkeypatch.setattr(verify, "check_program", lambda text, **terms: full(), raising=False)
    path = job_file(tmp_path, clips=1, held=40)
    right = (("[44, ", "[80, "), ("[71.5, ", "[107.5, "), ("[74, ", "[110, "), ("[91, ", "[127, "))
    back = ((" 28]", " 46]"), (" 55.5]", " 73.5]"), (" 58]", " 76]"), (" 75]", " 93]"))
    for file in (tmp_path / "billets/scrap.yaml", tmp_path / "holdings/scrap-bed.yaml"):
        for was, larger in (*right, *back):
            file.write_text(file.read_text().replace(was, larger))
    found = study_job(read_job(path), cutters=[3], prices=Prices(rate_per_h=6.0))
    (run,) = json.loads(study_files(found)["study.json"])["full_runs"]
    score = json.loads(found.full_runs[0].files["summary.json"])["score"]
    assert run["terms"]["held"] == run["other_worth"] > 1
    assert run["value"] + run["other_worth"] == pytest.approx(score, abs=0.011)
    costs = run["breakage_cost"] + run["wear_cost"] + run["time_cost"]
    assert run["earnings"] == pytest.approx(score - costs, abs=0.021)


def test_without_a_released_run_nothing_is_chosen(tmp_path, monkeypatch):
    """The verifier is replaced by one that refuses all; the rest is real."""
    from pipeline.model.findings import Finding

    refusal = Finding(code="V680", where="the whole plate", found="a hold of nothing")
    monkeypatch.setattr(verify, "check_program", lambda text, **terms: full(findings=(refusal,)), raising=False)
    job = read_job(job_file(tmp_path))
    found = study_job(job, cutters=[3], prices=Prices())
    assert found.choice.best is None and found.choice.sentence.startswith("No full run is released: T3 with 1 error.")
    files = study_files(found)
    assert "No full run is released" in files["study.html"].decode()
    assert not any(name.endswith(".ngc") for name in files)
    named = yaml.safe_load(files["study.json"].decode())["files"]
    assert set(named) == set(files) - {"study.json"}
