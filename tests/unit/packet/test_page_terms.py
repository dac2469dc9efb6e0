"""The terms of a nest on the page and in the summary: one row each, with its sentence."""

from __future__ import annotations

from dataclasses import replace

import pytest

from pipeline.model.nest import Term
from pipeline.packet.page.page import TERM_WORDS, page_html
from pipeline.packet.summary import summarise
from tests.unit.packet.test_page_html import Reader, inputs

TERMS = (
    Term(name="value", mark=0.8, worth=200.0, money=160.0, share=0.8, why="20 x stud found room; by area no more than"),
    Term(name="layers", mark=1.0, worth=40.0, money=40.0, share=0.2, why=""),
    Term(name="held", mark=0.25, worth=0.0, money=0.0, share=0.0, why="clip-<2> lies near the port"),
)


def shown(terms, **nest):
    given = inputs()
    given["nest"] = replace(given["nest"], terms=terms, **nest)
    shared = {k: v for k, v in given.items() if k not in ("summary", "is_forced", "status")}
    given["summary"] = summarise(n_kept=None, **shared)
    return given["summary"], Reader(page_html(**given))


def rows(page):
    (table,) = page.by_class("terms")
    at = page.elements.index(table)
    cells = [e["text"] for e in page.elements[at:] if e["tag"] in ("td", "th") and "plate" in e["inside"]]
    return [cells[k:k + 5] for k in range(5, len(cells), 5)]


def test_every_term_has_a_row_with_mark_worth_share_and_reason():
    _, page = shown(TERMS)
    assert rows(page) == [
        [f"value {TERM_WORDS['value']}", "0.800", "200.00", "80.0 %", "20 x stud found room; by area no more than"],
        [f"layers {TERM_WORDS['layers']}", "1.000", "40.00", "20.0 %", ""],
        [f"held {TERM_WORDS['held']}", "0.250", "not weighed", "0.0 %", "Clip-<2> lies near the port"],
    ]


def test_the_score_is_the_sum_of_the_money():
    summary, page = shown(TERMS)
    assert any(p["text"].startswith("Score: 200.00 ") for p in page.all("p"))
    assert summary["score"] == 200.0
    assert [(t["term"], t["mark"], t["worth"], t["money"], t["share"]) for t in summary["terms"]] == [
        ("value", 0.8, 200.0, 160.0, 0.8), ("layers", 1.0, 40.0, 40.0, 0.2), ("held", 0.25, 0.0, 0.0, 0.0),
    ]
    assert summary["terms"][2]["why"] == "clip-<2> lies near the port"


@pytest.mark.parametrize(("web", "said"), [(0.6231, 0.6231), (float("inf"), None)])
def test_the_least_web_is_told_when_there_is_one(web, said):
    summary, page = shown(TERMS, least_web_mm=web)
    assert summary["least_web_mm"] == said
    assert any("least web between kerfs or to the edge" in p["text"] for p in page.all("p")) == (said is not None)


def test_a_nest_without_terms_has_no_table():
    _, page = shown(())
    assert page.by_class("terms") == []


@pytest.mark.parametrize(("rounds", "is_ended_early", "said"), [
    (30, False, "Searched 30 rounds from seed 7."),
    (12, False, "The search ended after 12 of 30 rounds: there was nothing more to gain."),
    (12, True, "To get this nest again the job needs effort: 12."),
])
def test_the_rounds_of_the_search_are_told(rounds, is_ended_early, said):
    given = inputs()
    given["job"] = replace(given["job"], nest=replace(given["job"].nest, seed=7, effort=30))
    given["nest"] = replace(given["nest"], rounds=rounds, is_ended_early=is_ended_early)
    shared = {k: v for k, v in given.items() if k not in ("summary", "is_forced", "status")}
    given["summary"] = summarise(n_kept=None, **shared)
    assert given["summary"]["search"] == {"seed": 7, "rounds": rounds, "effort": 30}
    assert any(said in p["text"] for p in Reader(page_html(**given)).all("p"))
