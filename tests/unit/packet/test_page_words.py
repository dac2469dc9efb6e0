"""How the page names copies, and that a drawing's numbers stay tidy."""

from __future__ import annotations

import pytest

from pipeline.packet.drawing import _n
from pipeline.packet.page import copies, kind_of


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
    assert _n(-0.001) == "0.00"
    assert _n(-0.006) == "-0.01"
