"""Lists of orders, as a user and as a build server runs them. Orders are two studs each, so that one takes seconds."""

from __future__ import annotations

import json
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path
from xml.etree import ElementTree

import pytest
import yaml

from pipeline.batch import run as batch_run
from pipeline.batch.orders import read_orders
from tests.e2e.conftest import JOBS, ROOT, command, environment

TEMPLATE = f"""\
based_on: {JOBS / "grafting-pair.yaml"}
title: Two studs
parts:
  handle: {{count: 0}}
  clip: {{count: 0}}
  stud: {{count: 2, fixed: [{{x: 60, y: 80, angle: 0}}, {{x: 75, y: 82, angle: 0}}]}}
"""
ORDERS = """\
order,title,serial,parts.stud.sizes.thread,parts.stud.sizes.bore_depth,parts.stud.count,tolerances.wall
S-1,Studs <script>alert(1)</script> & co,0001,,,,
S-2,,0002,M2.5-6H,,,
S-3,,0003,,2.2,,
S-4,,,,,900,
S-5,,0005,,2.O,,
S-6,,0006,2-56 UNC-2B,2.0,,
"""
GOOD = ["S-1", "S-2", "S-3", "S-6"]
CUTOFFS = 6  # times that a batch is killed here; the full list was killed more often by hand


@pytest.fixture(scope="module")
def shop(tmp_path_factory) -> Path:
    """A folder with a template and a list, and the cache that its batches share."""
    folder = tmp_path_factory.mktemp("shop")
    (folder / "studs.yaml").write_text(TEMPLATE)
    (folder / "spring.csv").write_text(ORDERS)
    return folder


def words(shop: Path, out: Path, *more: str) -> list[str]:
    return ["batch", str(shop / "studs.yaml"), "--orders", str(shop / "spring.csv"), "--out", str(out), *more]


def batch(shop: Path, out: Path, *more: str) -> subprocess.CompletedProcess[str]:
    return command(*words(shop, out, *more), cache=shop / "cache")


def content(folder: Path) -> dict[str, bytes]:
    """Every file of a batch that must be the same each time."""
    files = (f for f in sorted(folder.rglob("*")) if f.is_file() and f.name not in ("run.json", ".batch-lock"))
    return {str(f.relative_to(folder)): f.read_bytes() for f in files}


def results(out: Path) -> dict[str, dict]:
    return {line["order"]: line for line in map(json.loads, (out / "results.jsonl").read_text().splitlines())}


@pytest.fixture(scope="module")
def unbroken(shop):
    """A batch that ran through with two workers."""
    done = batch(shop, shop / "unbroken")
    return done, shop / "unbroken"


def test_the_bad_orders_are_named_and_the_rest_is_released(unbroken):
    done, out = unbroken
    assert done.returncode == 2, done.stderr
    found = results(out)
    assert {name: line["verdict"] for name, line in found.items()} == {
        **dict.fromkeys(GOOD, "released"), "S-4": "not made", "S-5": "not made"}  # fmt: skip
    assert list(found) == ["S-1", "S-2", "S-3", "S-4", "S-5", "S-6"]
    typo = done.stderr.index("spring.csv:6:5: J106")
    assert typo < done.stderr.index("N202"), "what can be read is checked before anything is made"
    assert done.stdout.index("6 orders read, 1 with faults") < done.stdout.index("1/5")
    assert found["S-4"]["findings"][0]["code"] == "N202"
    assert found["S-5"]["findings"][0]["file"] == "spring.csv"
    assert {f.name for f in out.iterdir() if f.is_dir()} == set(GOOD)
    for name in GOOD:
        summary = json.loads((out / name / "summary.json").read_text())
        assert (summary["job"], summary["verdict"], summary["placed"]["stud"]) == (name, "released", 2)
        assert (out / name / summary["programs"][0]["file"]).read_text().count(f"serial: 000{name[-1]}") == 1


def test_the_build_server_reads_the_same(unbroken):
    suite = ElementTree.parse(unbroken[1] / "junit.xml").getroot()
    assert (suite.get("tests"), suite.get("failures"), suite.get("errors")) == ("6", "0", "2")
    cases = {case.get("name"): [child.tag for child in case] for case in suite}
    assert cases == {**{name: [] for name in GOOD}, "S-4": ["error"], "S-5": ["error"]}


def test_words_of_an_order_come_out_as_text(unbroken):
    for page in (unbroken[1] / "gallery.html", unbroken[1] / "S-1/packet.html"):
        assert "<script>alert(1)" not in page.read_text()
        assert "&lt;script&gt;alert(1)" in page.read_text()


def test_a_second_run_leaves_everything(unbroken, shop):
    before = {f: f.stat().st_mtime_ns for f in unbroken[1].glob("*/packet.html")}
    again = batch(shop, unbroken[1])
    assert again.returncode == 2
    assert "6 orders: 2 not made, 4 released; 5 unchanged" in again.stdout
    assert {f: f.stat().st_mtime_ns for f in before} == before


def test_one_worker_and_no_cache_give_the_same_bytes(unbroken, shop):
    one = batch(shop, shop / "one", "--workers", "1", "--no-cache")
    assert one.returncode == 2, one.stderr
    assert content(shop / "one") == content(unbroken[1])


def test_a_cluster_gives_the_same_bytes(unbroken, shop, monkeypatch):
    from distributed import LocalCluster

    monkeypatch.setenv("XDG_CACHE_HOME", str(shop / "other-cache"))
    with LocalCluster(n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None) as cluster:
        done = batch(shop, shop / "cluster", "--cluster", cluster.scheduler_address)
    assert done.returncode == 2, done.stderr
    assert content(shop / "cluster") == content(unbroken[1])


@pytest.mark.parametrize("address", ["tcp://127.0.0.1:1", "nonsense", "udp://127.0.0.1:8786"])
def test_a_cluster_that_is_not_there_is_bad_input(shop, address):
    done = batch(shop, shop / "nobody", "--cluster", address)
    assert done.returncode == 2
    assert "J197" in done.stderr


def test_killed_and_continued_gives_the_same_bytes(unbroken, shop):
    """Killed with its workers still at it, at moments from the start of reading to the last packet."""
    out, chance = shop / "killed", random.Random(8)
    for _ in range(CUTOFFS):
        process = subprocess.Popen([sys.executable, "-m", "pipeline", *words(shop, out)], cwd=ROOT,
                                   stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
                                   env=environment(shop / "killed-cache"), start_new_session=True)  # fmt: skip
        time.sleep(chance.uniform(0.5, 9.0))
        process.kill()
        process.wait()
        deadline = time.monotonic() + 10
        while _alive(process.pid) and time.monotonic() < deadline:
            time.sleep(0.05)
        assert not _alive(process.pid), "workers go when their parent goes"
    done = command(*words(shop, out), cache=shop / "killed-cache")
    assert done.returncode == 2, done.stderr
    assert content(out) == content(unbroken[1])


def _alive(session: int) -> list[str]:
    """Processes of a session that still run (a dead one that nobody waited for does not)."""
    out = []
    for status in Path("/proc").glob("[0-9]*/stat"):
        try:
            fields = status.read_text().rpartition(")")[2].split()
        except OSError:
            continue
        if int(fields[3]) == session and fields[0] not in "ZX":
            out.append(status.parent.name)
    return out


def test_two_batches_in_one_folder_refuse_each_other(shop):
    out = shop / "twice"
    (shop / "long.csv").write_text("order\n" + "".join(f"L-{n}\n" for n in range(60)))  # longer than we look
    call = [sys.executable, "-m", "pipeline", "batch", str(shop / "studs.yaml"), "--orders", str(shop / "long.csv"),
            "--out", str(out), "--no-cache"]  # fmt: skip
    with subprocess.Popen(call, cwd=ROOT, stdout=subprocess.PIPE, text=True, env=environment(shop / "cache"),
                          start_new_session=True) as first:  # fmt: skip
        assert first.stdout is not None
        first.stdout.readline()  # it has read the list; it takes the folder next
        while not (out / ".batch-lock").exists():
            time.sleep(0.01)
        time.sleep(0.3)
        second = batch(shop, out)
        os.killpg(first.pid, signal.SIGINT)
        assert first.wait() == 130
    assert second.returncode == 2
    assert "J196" in second.stderr and "another batch" in second.stderr


def test_what_changed_is_made_again_and_says_what_is_different(unbroken, shop):
    out = shop / "changed"
    subprocess.run(["cp", "-r", unbroken[1], out], check=True)
    (out / "S-2/nest.dxf").write_bytes(b"spoilt")
    rows = ORDERS.replace("S-3,,0003,,2.2", "S-3,,0003,,2.3").replace("S-6,", "S-7,")
    (shop / "later.csv").write_text(rows)
    done = command("batch", str(shop / "studs.yaml"), "--orders", str(shop / "later.csv"), "--out", str(out),
                   cache=shop / "cache")  # fmt: skip
    assert done.returncode == 2, done.stderr
    assert "2 unchanged" in done.stdout, done.stdout  # S-1 and the one that does not fit
    assert "bore_depth 2.2 mm -> 2.3 mm" in (out / "S-3/changes.txt").read_text()
    assert (out / "S-2/nest.dxf").read_bytes() == (unbroken[1] / "S-2/nest.dxf").read_bytes()
    assert "gone from the list" in done.stdout and "S-6" in done.stdout.rpartition("gone from the list")[2]
    page = (out / "gallery.html").read_text()
    assert "not in the list any more" in page and "S-6/packet.html" not in page
    assert json.loads((out / "S-7/summary.json").read_text())["job"] == "S-7"


def test_a_folder_of_someone_else_is_left_alone(shop):
    out = shop / "letters"
    out.mkdir()
    (out / "to-mother.txt").write_text("dear")
    done = batch(shop, out)
    assert done.returncode == 2 and "J195" in done.stderr
    assert [f.name for f in out.iterdir()] == ["to-mother.txt"]


def test_files_that_only_have_our_names_are_left_alone(shop):
    out = shop / "theirs"
    (out / ".keep.old").mkdir(parents=True)
    (out / "results.jsonl").write_text('{"experiment": 1}\n')
    (out / "junit.xml").write_text("mine")
    before = content(out)
    done = batch(shop, out)
    assert done.returncode == 2 and "J195" in done.stderr
    assert content(out) == before and (out / ".keep.old").is_dir()


def test_a_batch_killed_before_its_first_result_can_go_on(shop):
    """The lock and half a list of results lie there; somebody's file of another name would be somebody's."""
    out = shop / "at-once"
    out.mkdir()
    (out / ".batch-lock").write_text("")
    (out / ".results.jsonl.4711.new").write_text('{"order"')
    (shop / "one.csv").write_text("order\nS-1\n")
    words = ["batch", str(shop / "studs.yaml"), "--orders", str(shop / "one.csv"), "--out", str(out)]
    (out / ".other.4711.new").write_text("mine")
    assert "J195" in command(*words, cache=shop / "cache").stderr
    (out / ".other.4711.new").unlink()
    done = command(*words, cache=shop / "cache")
    assert done.returncode == 0, done.stderr
    assert sorted(f.name for f in out.glob(".*")) == [".batch-lock"]


def test_no_page_goes_on_calling_an_order_released(unbroken, shop):
    """All rows are bad now: the overview says so, the packets that lie there are named as earlier ones and stay."""
    out = shop / "spoilt"
    subprocess.run(["cp", "-r", unbroken[1], out], check=True)
    (out / "S-1/note.txt").write_text("mine")
    (shop / "spoilt.csv").write_text("order,parts.stud.count\nS-1,two\nS-2,two\n")
    words = ["batch", str(shop / "studs.yaml"), "--orders", str(shop / "spoilt.csv"), "--out", str(out)]
    done = command(*words, cache=shop / "cache")
    assert done.returncode == 2
    assert "an EARLIER packet still lies" in done.stdout and "S-1, S-2" in done.stdout
    page = (out / "gallery.html").read_text()
    assert "0 of 4 released" in page and "packet.html" not in page
    assert (out / "S-1/note.txt").read_text() == "mine"
    (shop / "spoilt.csv").write_text("order\nS-1\nS-9\n")
    again = command(*words, cache=shop / "cache")  # one place is taken by somebody's file: the other order is made
    assert {name: line["verdict"] for name, line in results(out).items()} == {"S-1": "not made", "S-9": "released"}
    assert again.returncode == 2 and "J190" in again.stderr


def fall_over(job, **options):
    """A worker that dies of one order."""
    if job.name == "S-3":
        os._exit(9)
    return batch_run.Outcome(word="refused", findings=(), files={})


def test_an_order_that_brings_its_process_down_does_not_stop_the_rest(shop, monkeypatch):
    monkeypatch.setattr(batch_run, "make_order", fall_over)
    done = batch_run.run_batch(shop / "studs.yaml", shop / "spring.csv", shop / "fallen", workers=2)
    words = {result["order"]: result["verdict"] for result in done.results}
    assert words == {"S-1": "refused", "S-2": "refused", "S-3": "failed", "S-4": "refused", "S-5": "not made",
                     "S-6": "refused"}  # fmt: skip
    assert done.code == 3


def test_names_that_the_batch_uses_itself_are_refused(shop, tmp_path):
    (tmp_path / "list.csv").write_text("order\nresults.jsonl\n")
    assert read_orders(shop / "studs.yaml", tmp_path / "list.csv")[0].job is not None
    out = tmp_path / "out"
    done = command("batch", str(shop / "studs.yaml"), "--orders", str(tmp_path / "list.csv"), "--out", str(out))
    assert done.returncode == 2 and "J163" in done.stderr
    assert not out.exists()


def test_the_workflow_in_the_readme_does_what_it_says(shop, tmp_path):
    """Its script runs as it stands, on a checkout with this little shop in place of the real one."""
    text = (ROOT / "README.md").read_text()
    workflow = yaml.safe_load(text[text.index("name: orders\n") : text.index("```", text.index("name: orders\n"))])
    [script] = [step["run"] for step in workflow["jobs"]["packets"]["steps"] if "run" in step]
    for folder in ("configs/jobs", "configs/orders"):
        (tmp_path / folder).mkdir(parents=True)
    shutil.copy(shop / "studs.yaml", tmp_path / "configs/jobs/grafting-pair.yaml")
    shutil.copy(shop / "spring.csv", tmp_path / "configs/orders/spring.csv")
    (tmp_path / "configs/orders/autumn.csv").write_text("order\nS-9\n")
    (tmp_path / "run").write_text(f'#!/bin/sh\nexec {sys.executable} -m pipeline "$@"\n')
    (tmp_path / "run").chmod(0o755)
    done = subprocess.run(["bash", "-e", "-c", script], cwd=tmp_path, env=environment(shop / "cache"),
                          capture_output=True, text=True)  # fmt: skip
    assert done.returncode == 2, done.stderr
    assert results(tmp_path / "packets/autumn")["S-9"]["verdict"] == "released"
    assert len(results(tmp_path / "packets/spring")) == 6
    page = (tmp_path / "packets/gallery.html").read_text()
    assert "autumn/S-9/packet.html" in page and "spring/S-1/packet.html" in page
