"""Zones that a job's parts are bound to: how they are written, and that the billet has them."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.job import read_job
from pipeline.job.fit import check_zones
from pipeline.job.tables import PART
from pipeline.shop.fields import Label
from pipeline.shop.reading import Reader
from pipeline.shop.schema import Key, ListOf, MapOf, Table
from pipeline.shop.strict_yaml import load

GRAFTING = Path(__file__).parents[3] / "configs" / "jobs" / "grafting-pair.yaml"
ZONE = Table("a zone", {"name": Key(Label(40), "its name")})
BILLET = Table("a billet", {"zones": Key(ListOf(ZONE), "its zones", default=())})
JOB = Table("a job", {"parts": Key(MapOf(PART), "parts")})


def read(table: Table, text: str, reader: Reader):
    return table.read(load(text, file="here.yaml", findings=reader.findings), reader)


@pytest.mark.parametrize("written, names", [
    ("zone: show", ("show",)), ("zone: [show, rest]", ("show", "rest")), ("zone: anywhere", ()), ("count: 1", ()),
])
def test_one_zone_or_a_list_or_anywhere(written: str, names: tuple[str, ...]) -> None:
    reader = Reader()
    part = read(PART, f"family: clip\nvalue: 3\n{written}\n", reader)
    assert part["zone"] == names and part["clear_of"] == ()
    assert [f.code for f in reader.findings if f.code != "J105"] == []


def test_names_are_looked_up_in_the_billet() -> None:
    reader = Reader()
    billet = read(BILLET, "zones: [{name: show}, {name: rest}]\n", reader)
    text = "parts:\n  clip:\n    family: clip\n    count: 1\n    zone: [show, shwo]\n    clear_of: rest\n"
    job = read(JOB, text, reader)
    check_zones(job, billet, reader)
    [finding] = reader.findings
    assert (finding.code, finding.line, finding.key) == ("J136", 5, "parts.clip.zone")
    assert (finding.found, finding.wanted, finding.hint) == ("the zone shwo", "show, rest", "did you mean show?")


def test_a_zone_is_not_both_to_lie_in_and_to_keep_clear_of() -> None:
    reader = Reader()
    billet = read(BILLET, "zones: [{name: show}, {name: rest}]\n", reader)
    text = "parts:\n  clip: {family: clip, zone: show, clear_of: [rest, show]}\n  stud: {family: stud, zone: show}\n"
    check_zones(read(JOB, text, reader), billet, reader)
    [finding] = [f for f in reader.findings if f.code != "J105"]
    assert (finding.code, finding.line, finding.key) == ("J137", 2, "parts.clip.clear_of")
    assert finding.found == "the zone show, in which the part must lie, too"


@pytest.mark.parametrize("text", ["zones: 3\n", "zones: [{name: show}, {nmae: rest}]\n"])
def test_a_billet_whose_zones_cannot_be_read_faults_no_part(text: str) -> None:
    reader = Reader()
    billet = read(BILLET, text, reader)
    job = read(JOB, "parts: {clip: {family: clip, count: 1, zone: rest}}\n", reader)
    n = len(reader.findings)
    assert n
    check_zones(job, billet, reader)
    assert len(reader.findings) == n


def test_a_job_takes_a_zone_back_that_it_is_based_on(tmp_path: Path) -> None:
    bound = "parts: {clip: {zone: show, clear_of: [knot, rim]}}"
    (tmp_path / "base.yaml").write_text(f"based_on: {GRAFTING}\n{bound}\n")
    (tmp_path / "job.yaml").write_text("based_on: base\nparts: {clip: {zone: anywhere, clear_of: nothing}}\n")
    assert all(part.zones == part.clear_of == () for part in read_job(tmp_path / "job.yaml").parts)
