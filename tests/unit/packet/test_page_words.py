"""How the page names copies and sizes, joins lines, and that its numbers and styles stay tidy."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

import pipeline.packet
from pipeline.packet.copies import copies, kind_of
from pipeline.packet.ink import num
from pipeline.packet.page.page import FOLDERS, _css_text, environment
from pipeline.packet.page.rows import _figure, _joined, _plain_name

FOLDER = Path(pipeline.packet.__file__).parent
STYLE = (FOLDER / "page/page.css").read_text()
SCRIPT = (FOLDER / "page/page.js").read_text()


@pytest.mark.parametrize(
    ("ids", "words"),
    [
        (["stud-1", "stud-2", "stud-3", "stud-7"], "stud-1 to 3, 7"),
        (["clip-1", "clip-2"], "clip-1, 2"),
        (["handle-left", "handle-right"], "handle-left; handle-right"),
        (["handle-left", "clip-2", "clip-1"], "handle-left; clip-1, 2"),
        (["stud-12"], "stud-12"),
        (["clip"], "clip"),
        (["stud-1", "stud-1"], "stud-1"),
    ],
)
def test_copies(ids, words):
    assert copies(ids) == words


def test_kind_of():
    assert [kind_of(i) for i in ("stud-3", "handle-left", "clip", "stud-10")] == ["stud", "handle-left", "clip", "stud"]


def test_no_minus_zero_on_a_drawing():
    assert num(-0.001) == "0.00"
    assert num(-0.006) == "-0.01"


@pytest.mark.parametrize(
    ("spans", "joined"),
    [
        ([(1, 4), (5, 9)], [(1, 9)]),
        ([(5, 9), (1, 4)], [(1, 9)]),
        ([(1, 4), (6, 9)], [(1, 4), (6, 9)]),
        ([(1, 9), (2, 3)], [(1, 9)]),
        ([], []),
    ],
)
def test_neighbouring_lines_are_one_span(spans, joined):
    assert _joined(spans) == joined


def test_sizes_lose_their_unit_not_their_sense():
    assert [_plain_name(n) for n in ("pivot_width_mm", "belly_share", "mm_mm")] == ["pivot width", "belly share", "mm"]


@pytest.mark.parametrize(
    ("label", "value", "shown"),
    [
        ("spring length, mm", 25.4, ("spring length, in", 1.0)),
        ("plan area, mm2", 645.16, ("plan area, in2", 1.0)),
        ("spring rate, N/mm", 24.6, ("spring rate, N/mm", 24.6)),
        ("share", 0.5, ("share", 0.5)),
    ],
)
def test_design_figures_are_in_the_unit_that_their_label_names(label, value, shown):
    name, turned = _figure(label, value, "in")
    assert (name, turned) == (shown[0], pytest.approx(shown[1]))
    assert _figure(label, value, "mm") == (label, value)


@pytest.mark.parametrize(
    ("said", "pieces"),
    [
        ("0.1250 +0.0039 / -0.0020", 1),
        ("2-56 UNC-2B, minor diameter 0.0667 to 0.0737", 5),
        ("0.6267 x 0.6099, corner R0.0787", 3),
        ("through to the bottom", 4),
    ],
)
def test_a_size_does_not_break_over_lines(said, pieces):
    shown = environment("in", FOLDERS).filters["whole"](said)
    assert len(shown.split(" ")) == pieces
    assert shown.replace("\u00a0", " ") == said


def test_text_in_a_style_cannot_end_it():
    said = _css_text('a"b</style>\\é\n')
    assert not set('"<>/\\\n') & set(re.sub(r"\\[0-9a-f]+ ", "", said))
    assert "".join(chr(int(n[1:], 16)) for n in re.findall(r"\\[0-9a-f]+", said)) == '"</>\\é\n'


def test_nothing_is_cut_off_and_nothing_is_told_by_colour():
    assert "overflow: hidden" not in STYLE
    assert "text-overflow" not in STYLE
    for ink in re.findall(r"#([0-9a-f]{6})\b", STYLE):
        channels = [int(ink[k : k + 2], 16) for k in (0, 2, 4)]
        assert max(channels) - min(channels) < 24, f"#{ink} is a colour"


def test_soft_ink_reads_on_paper():
    """Contrast by the open web rules for access: 4.5 to 1 for text. White has luminance 1."""
    soft = re.search(r"--soft: #([0-9a-f]{6})", STYLE)[1]
    linear = [(int(soft[k : k + 2], 16) / 255 + 0.055) / 1.055 for k in (0, 2, 4)]
    luminance = sum(w * v**2.4 for w, v in zip((0.2126, 0.7152, 0.0722), linear, strict=True))
    assert 1.05 / (luminance + 0.05) > 4.5


def test_style_and_script_may_stand_in_a_page_and_ask_for_nothing():
    for text in (STYLE, SCRIPT):
        assert "</" not in text
        assert "http" not in text
        assert "url(" not in text
