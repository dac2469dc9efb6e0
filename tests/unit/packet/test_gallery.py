"""Rows are what the summaries say, broken ones say why, user text stays text, and the page needs nothing beside it."""

from __future__ import annotations

import json
import re
from html.parser import HTMLParser
from urllib.parse import unquote, urlsplit

import pytest

from pipeline.packet.gallery.gallery import GENERATOR, gallery_html, read_entry

VOID = {"meta", "img", "input"}
NASTY = "<script>alert(1)</script>\"'&"

# a summary as packets of older versions have it, figures chosen by hand
OLD = {
    "job": "pruner",
    "verdict": "released",
    "findings": [],
    "placed": {"handle-left": 1, "handle-right": 1, "clip": 2, "stud": 13},
    "programs": [{"cutting_s": 1500.0, "air_s": 312.0}, {"cutting_s": 12.0, "air_s": 0}],
    "yield": 0.4741,
}


def entry(place="pruner", has_picture=True, **changes):
    return read_entry(place, json.dumps({**OLD, **changes}).encode(), has_picture=has_picture)


def finding(severity, where, found, **more):
    return {"code": "V601", "severity": severity, "where": where, "found": found, **more}


class Page(HTMLParser):
    """The page as another reader sees it: balanced tags, links, the text of every cell by its class."""

    def __init__(self, text):
        super().__init__()
        self.open, self.rows, self.cells, self.links, self.images, self.scripts = [], [], None, [], [], 0
        self.feed(text)
        assert self.open == []

    def handle_starttag(self, tag, attrs):
        attrs = dict(attrs)
        self.scripts += tag == "script"
        if tag == "a":
            self.links.append(attrs["href"])
        if tag == "img":
            self.images.append(attrs)
        if tag == "tr":
            self.rows.append({"class": attrs.get("class")})
        if tag in ("td", "th"):
            self.cells = attrs["class"].split()[-1]
            self.rows[-1][self.cells] = ""
            self.rows[-1][self.cells + " key"] = attrs.get("data-key")
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag
        if tag in ("td", "th"):
            self.cells = None

    def handle_data(self, data):
        if self.cells:
            self.rows[-1][self.cells] += data.replace("\xa0", " ")


def page(*entries):
    return Page(gallery_html(entries, title="Packets"))


def test_a_row_is_what_the_summary_says():
    new = entry("lot/A-1", title="Pruner", serial="0007", billet="our-plate", units="in",
                findings=[finding("warning", "T3", "much work"),
                          finding("error", "clip-1", "0.3 mm", wanted="0.02 mm"),
                          finding("error", "clip-2", "0.4 mm")], verdict="refused")  # fmt: skip
    head, row, total = page(new).rows
    assert row["class"] == "refused" and row["verdict"] == "REFUSED"
    assert row["name"] == "lot/A-1pruner"  # folder, order, job
    assert (row["title"], row["serial"], row["billet"]) == ("Pruner", "0007", "our-plate")
    assert (row["yield"], row["minutes"]) == ("47.4", "30.4")  # (1500 + 312 + 12) s / 60
    assert row["placed"] == "17: 1 handle-left, 1 handle-right, 2 clip, 13 stud"
    assert (row["errors"], row["warnings"]) == ("2", "1")
    assert row["first"] == "clip-1: 0.3 mm; allowed: 0.02 mm"
    assert set(head) == set(row) == set(total)


def test_keys_to_sort_by_are_plain_numbers():
    _, row, _ = page(entry()).rows
    assert float(row["yield key"]) == 0.4741 and float(row["minutes key"]) == pytest.approx(30.4)
    assert [row[f"{name} key"] for name in ("placed", "errors", "warnings")] == ["17", "0", "0"]


def test_a_packet_of_an_older_version_has_empty_cells():
    _, row, _ = page(entry()).rows
    assert [row[name] for name in ("title", "serial", "billet", "first")] == ["", "", "", ""]
    assert row["verdict"] == "released" and row["name"] == "pruner"


def test_a_warning_is_named_when_there_is_no_error():
    some = [finding("note", "T1", "a"), finding("warning", "T2", "b")]
    assert entry(findings=some).first == "T2: b"
    assert entry(findings=some[:1]).first == "T1: a"


def test_totals():
    """Minutes of refused programs count in the sum but not among the released."""
    rows = page(entry("a"), entry("b", verdict="refused"), entry("c"), read_entry("d", b"?", has_picture=False)).rows
    total = rows[-1]
    assert (total["verdict"], total["minutes"], total["placed"]) == ("2 of 3 released", "91.2", "51 parts")
    assert total["first"] == "1 h 31 min"


def test_written_by_force_is_said():
    _, row, _ = page(entry(verdict="refused", written="REFUSED, WRITTEN BY FORCE")).rows
    assert row["verdict"] == "REFUSEDwritten by force"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (b"", "not JSON: line 1, column 1"),
        (b'{"job": "x",\n "verdict"', "line 2"),
        (b"\xff\xfe\xfa", "not JSON"),
        (b"[" * 100_000, "not JSON"),
        (b"9" * 5000, "not JSON"),
        (b"[1, 2]", "not a table"),
        (b'{"lines": 812}', "no verdict"),
        (json.dumps({**OLD, "verdict": "perhaps"}).encode(), "neither released nor refused"),
        (json.dumps({**OLD, "verdict": ["released"]}).encode(), "verdict is of another kind"),
        (json.dumps({**OLD, "placed": {"clip": "two"}}).encode(), "placed"),
        (json.dumps({**OLD, "placed": {"clip": True}}).encode(), "placed"),
        (json.dumps({**OLD, "findings": ["oh"]}).encode(), "findings is of another kind"),
        (json.dumps({**OLD, "programs": [{}]}).encode(), "no cutting_s"),
        (json.dumps({**OLD, "yield": float("nan")}).encode(), "yield is not a number"),
        (json.dumps({**OLD, "yield": 10**400}).encode(), "yield is not a number"),
        (json.dumps({**OLD, "yield": False}).encode(), "yield is not a number"),
        (json.dumps({k: v for k, v in OLD.items() if k != "job"}).encode(), "no job"),
    ],
)
def test_what_is_not_a_packet_is_a_row_with_the_reason(text, words):
    one = read_entry("odd", text, has_picture=True)
    assert words in one.fault
    made = page(one)
    assert made.rows[1]["class"] == "unread" and made.rows[1]["first"] == one.fault
    assert made.links == [] and made.images == []


def test_user_text_comes_out_as_text():
    made = page(entry(NASTY, title=NASTY, serial=NASTY, billet=NASTY, units=NASTY, job=NASTY,
                      placed={NASTY: 1}, findings=[finding(NASTY, NASTY, NASTY)]))  # fmt: skip
    _, row, _ = made.rows
    assert made.scripts == 1  # our own
    assert row["title"] == row["serial"] == NASTY and row["first"] == f"{NASTY}: {NASTY}"
    assert row["placed"] == f"1: 1 {NASTY}"
    assert Page(gallery_html([entry()], title=NASTY)).scripts == 1


@pytest.mark.parametrize("place", ["a", "lot/50 % #2?", "c:/d", "javascript:alert(1)", "ä/\u6a5f", "a/..b", "//host"])
def test_links_lead_below_the_page_and_nowhere_else(place):
    made = page(entry(place))
    assert [unquote(link) for link in made.links] == [f"{place}/packet.html"] * 2
    assert unquote(made.images[0]["src"]) == f"{place}/nest.svg" and made.images[0]["loading"] == "lazy"
    for link in (*made.links, made.images[0]["src"]):
        assert urlsplit(link).scheme == ""
        assert not set(link) & set(' #?"<>')


def test_a_name_that_is_not_utf_8_still_makes_a_page():
    """As a file system may give it: the byte goes into the link, a mark into the text."""
    text = gallery_html([entry("knife-\udce9", title="\ud800")], title="Packets")
    assert 'href="knife-%E9/packet.html"' in text
    assert text.encode().decode() == text


def test_no_picture_no_image():
    assert page(entry(has_picture=False)).images == []


def test_the_page_stands_alone_and_is_the_same_twice():
    entries = [entry("a"), entry("b", verdict="refused")]
    text = gallery_html(entries, title="Packets")
    assert text == gallery_html(entries, title="Packets")
    assert "http:" not in text and "https:" not in text and "@import" not in text and "<link" not in text
    assert f'content="{GENERATOR}"' in text
    assert re.search(r"\b(safe|proven)\b", text) is None


def test_colours_are_greys():
    """A refused row is told by frame, weight and word: every colour on the page has equal red, green and blue."""
    style = gallery_html([], title="x").split("<style>")[1].split("</style>")[0]
    found = re.findall(r"#([0-9a-fA-F]{6}|[0-9a-fA-F]{3})\b", style)
    assert found
    for code in found:
        parts = [code[i : i + len(code) // 3] for i in range(0, len(code), len(code) // 3)]
        channels = [int(part, 16) for part in parts]
        assert max(channels) - min(channels) <= 6, code
