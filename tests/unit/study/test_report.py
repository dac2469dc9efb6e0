"""A study as table, page and figures: what the job weighs beside the values has its column only when it weighs it."""

from __future__ import annotations

import json
import re
from html import unescape

import pytest

from pipeline.job import read_job
from pipeline.study.choice import choose
from pipeline.study.money import Prices
from pipeline.study.report import heads, study_files, table_rows
from pipeline.study.study import FullRun, Study
from tests.e2e.conftest import JOBS
from tests.unit.study.candidates import candidate

PLAIN = [candidate(3, 3.0, studs=13, time=4.0), candidate(4, 2.0, studs=16)]
WEIGHED = [candidate(3, 3.0, studs=13, time=4.0, alike=12.5, held=1.25),
           candidate(4, 2.0, studs=16, alike=0.25, held=0.25)]  # fmt: skip


@pytest.fixture(scope="module")
def study_of():
    job = read_job(JOBS / "budding-small.yaml")

    def make(candidates):
        choice = choose(candidates, candidates, prices=Prices(), currency="USD", unit="mm")
        return Study(job=job, effort=1, prices=Prices(), candidates=tuple(candidates), excluded=(), choice=choice,
                     full_runs=tuple(FullRun(candidate=one, files={}) for one in candidates))  # fmt: skip

    return make


def texts(study):
    """(page, figures)."""
    files = study_files(study)
    return unescape(files["study.html"].decode()), json.loads(files["study.json"])


def page_rows(page, n):
    """Heads and the first n rows of the page's table, their cells' words."""
    table = page[page.index("<table") : page.index("</table>")]
    rows = [re.findall(r"<t[hd].*?>(.*?)</t[hd]>", row, re.S) for row in table.split("<tr")[1 : n + 2]]
    return [[re.sub(r"<.*?>", "", cell).split(" ")[0] if k else cell for cell in row] for k, row in enumerate(rows)]


def test_the_worth_has_a_column_and_the_figures_of_a_row_add_up(study_of):
    study = study_of(WEIGHED)
    at = heads(study).index
    page, figures = texts(study)
    head, *rows = page_rows(page, 2)
    for words, row, found, other in zip(table_rows(study), rows, figures["candidates"], (13.75, 0.5), strict=True):
        assert len(words) == len(heads(study)) and len(row) == len(head)
        assert float(words[at("other worth")]) == float(row[head.index("other worth")]) == found["other_worth"] == other
        value, costs, earnings = (float(words[at(name)]) for name in ("value", "costs", "earnings"))
        assert earnings == value + other - costs == float(row[head.index("earnings")]) == found["earnings"]
        assert other == sum(found["terms"].values())
    assert figures["best"] == 3 and "other worth: alike 12.50, held 1.25" in page
    assert "Earnings: value and other worth less breakage, wear and time." in page
    assert any("beside the values" in line and "(alike, held)" in line for line in figures["model"])
    assert all(line in page for line in figures["model"])


def test_the_dark_foot_of_a_bar_is_the_worth(study_of):
    """By hand: the highest bar, 84 px, is 112.75 of T3; 13.75 of it are worth beside the value, of T4 0.5."""
    page, _ = texts(study_of(WEIGHED))
    assert "Value, other worth (dark), costs (black), USD" in page
    dark = re.findall(r'height="([0-9.]+)" fill="#777"', page)
    assert [float(px) for px in dark] == pytest.approx([84 * 13.75 / 112.75, 84 * 0.5 / 112.75], abs=0.06)


def test_a_job_that_weighs_nothing_else_has_no_such_column(study_of):
    study = study_of(PLAIN)
    page, figures = texts(study)
    assert "other worth" not in heads(study) and "other worth" not in page and "#777" not in page
    assert "Value placed, USD; black" in page and "Earnings: value less breakage, wear and time." in page
    assert {len(row) for row in table_rows(study)} == {len(heads(study))}
    assert [c["earnings"] for c in figures["candidates"]] == [95.0, 108.0]
    assert not any("score" in line for line in figures["model"])


@pytest.mark.parametrize("candidates", [PLAIN, WEIGHED])
def test_minutes_are_written_out(study_of, candidates):
    """`min` reads as the least: beside `least web` of the nest it did."""
    study = study_of(candidates)
    page, _ = texts(study)
    assert not any(re.search(r"\bmin\b", head) for head in (*heads(study), *page_rows(page, 0)[0]))
    assert {"outline,\nminutes", "web,\nminutes", "all,\nminutes"} <= set(heads(study))
    assert 'data-label="outline, minutes"' in page and not re.search(r'data-label="[^"]*\bmin\b', page)
