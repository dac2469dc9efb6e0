"""The results as JUnit XML, the form that build servers read: one test case an order, no times in it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any
from xml.etree import ElementTree

from pipeline.model.findings import Finding


def junit_xml(name: str, results: Sequence[Mapping[str, Any]]) -> bytes:
    """A suite called after the list. A refused order is a failure; bad input and a fault of ours are errors."""
    words = [result["verdict"] for result in results]
    suite = ElementTree.Element(
        "testsuite",
        name=_plain(name),
        tests=str(len(words)),
        failures=str(words.count("refused")),
        errors=str(words.count("not made") + words.count("failed")),
        skipped="0",
    )
    for result in results:
        case = ElementTree.SubElement(suite, "testcase", classname=_plain(name), name=_plain(result["order"]))
        lines = [str(Finding(**finding)) for finding in result["findings"]]
        if result["verdict"] != "released":
            kind = "failure" if result["verdict"] == "refused" else "error"
            first = lines[0] if lines else result["fault"].strip().rpartition("\n")[2]
            problem = ElementTree.SubElement(case, kind, type=result["verdict"], message=_plain(first))
            problem.text = _plain("\n".join(lines) or result["fault"])
        elif lines:
            ElementTree.SubElement(case, "system-out").text = _plain("\n".join(lines))
    ElementTree.indent(suite)
    return ElementTree.tostring(suite, encoding="utf-8", xml_declaration=True) + b"\n"


def _plain(text: str) -> str:
    """Without the control characters that XML cannot hold."""
    return "".join(c if c.isprintable() or c in "\n\t" else " " for c in text)
