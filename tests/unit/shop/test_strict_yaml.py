"""YAML text as nodes with places, and what is refused."""

from __future__ import annotations

import pytest
import yaml

from pipeline.model.findings import Finding
from pipeline.shop.strict_yaml import Node, load, merged


def read(text: str, file: str = "a.yaml") -> tuple[Node | None, list[Finding]]:
    findings: list[Finding] = []
    return load(text, file=file, findings=findings), findings


def test_scalars_stay_text() -> None:
    """What plain YAML would change: asserted against the library, so that the reason for our reader stays true."""
    text = "a: no\nb: 010\nc: 1:30\nd: 1e3\ne: 2024-01-02\n"
    changed = yaml.safe_load(text)
    assert changed["a"] is False and changed["b"] == 8 and changed["c"] == 90
    node, findings = read(text)
    assert node is not None and not findings
    assert [entry.node.text for entry in node.entries.values()] == ["no", "010", "1:30", "1e3", "2024-01-02"]


def test_places_count_from_one() -> None:
    node, _ = read("title: A\nz:\n  skin: 0.25\n  list: [1, 22]\n")
    assert node is not None
    skin = node.entries["z"].node.entries["skin"]
    assert (skin.line, skin.column) == (3, 3)
    assert (skin.node.line, skin.node.column, skin.node.key) == (3, 9, "z.skin")
    item = node.entries["z"].node.entries["list"].node.items[1]
    assert (item.line, item.column, item.path, item.text) == (4, 13, ("z", "list", "2"), "22")


def test_the_first_of_two_keys_stays_and_the_second_is_found() -> None:
    node, findings = read("a: 1\nb: 2\na: 3\n")
    assert node is not None and node.entries["a"].node.text == "1"
    assert [(f.code, f.line, f.column, f.key) for f in findings] == [("J103", 3, 1, "a")]


@pytest.mark.parametrize(
    ("text", "cut"),
    [
        ("d: #43\n", "#43"),
        ("d: 3 #43 x\n", "#43"),
        ("d: 3 # a comment\n", ""),
        ("d: 3  # 43 is a comment too\n", ""),
        ('d: "#43"\n', ""),
        ('d: "3" #43\n', ""),
    ],
)
def test_values_cut_off_by_a_comment(text: str, cut: str) -> None:
    node, findings = read(text)
    assert node is not None and not findings
    assert node.entries["d"].node.cut_off == cut


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("a: &x 1\nb: *x\n", "J111"),
        ("a: &x [*x]\n", "J111"),
        ("a: !!set {}\n", "J111"),
        ("a: !mine 3\n", "J111"),
        ("? [1, 2]\n: 3\n", "J111"),
        ("<<: {a: 1}\n", "J111"),
        ("a: [1\n", "J102"),
        ("a: b: c\n", "J102"),
        ("--- 1\n--- 2\n", "J102"),
        ("", "J102"),
        ("# only a comment\n", "J102"),
        ("a:\n\tb: 1\n", "J102"),
        ("a: 'x\n", "J102"),
        ("a: \x07\n", "J102"),
    ],
)
def test_refused(text: str, code: str) -> None:
    _, findings = read(text)
    assert [f.code for f in findings] == [code]
    assert findings[0].line is not None and findings[0].column is not None


def test_merged_goes_into_maps_only_and_keeps_places() -> None:
    base, _ = read("z: {skin: 1, zero: bed}\nlist: [1, 2]\n", "base.yaml")
    over, _ = read("\nz: {skin: 2}\nlist: [3]\n", "over.yaml")
    assert base is not None and over is not None
    out = merged(base, over)
    skin, zero = (out.entries["z"].node.entries[key].node for key in ("skin", "zero"))
    assert (skin.text, skin.file, skin.line) == ("2", "over.yaml", 2)
    assert (zero.text, zero.file, zero.line) == ("bed", "base.yaml", 1)
    assert [item.text for item in out.entries["list"].node.items] == ["3"]
