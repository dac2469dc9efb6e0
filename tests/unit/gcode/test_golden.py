"""Two short programs, kept as text so that a change of what reaches the machine is seen in review.

A golden file changes only with a clean verification of the new text and a reason; then it is replaced by the new text.
"""

from __future__ import annotations

import difflib
from pathlib import Path

import pytest

from pipeline.model.toolpath import Plan
from tests.unit.gcode import small
from tests.unit.gcode.walk import read

FOLDER = Path(__file__).parents[2] / "golden" / "gcode"


def difference(golden: str, text: str) -> str:
    """Empty when equal, else the lines that differ."""
    return "\n".join(difflib.unified_diff(golden.split("\n"), text.split("\n"), "golden", "now", lineterm=""))


def written(name: str) -> str:
    """The program of a golden file."""
    if name == "small-mm":
        return small.program().text
    holes = Plan(toolpaths=small.plan().toolpaths[1:2], not_cut=())
    return small.program(holes, dialect=small.PLAIN).text


@pytest.mark.parametrize("name", ["small-mm", "holes-plain-by-hand"])
def test_golden(name: str) -> None:
    golden = (FOLDER / f"{name}.ngc").read_text(encoding="ascii")
    assert golden.count("\n") < 250  # few enough to be read in review
    assert read(golden)
    assert not difference(golden, written(name))


def test_the_comparison_can_fail() -> None:
    golden = (FOLDER / "small-mm.ngc").read_text(encoding="ascii")
    assert "-G80" in difference(golden, golden.replace("\nG80\n", "\n", 1))
    assert difference(golden, golden + "\n")
