"""A list of orders as CSV: one row is one order, one column is one key of the job file.

    order,template,title,billet,serial,parts.handle.sizes.length,parts.clip.count
    GK-0101,,Grafting knife for Lime Lane,,0101,96,
    GK-0102,../jobs/budding-small.yaml,,,0102,,1

`order` names the packet's folder and must be there. `template`, a job file's path from the list's folder, may replace
the batch's own. Every other column is a key as a job file has it, with dots between its levels. A cell is written as
the value in a job file would be; quotes round a text are not needed. An empty cell leaves what the template says.
"""

from __future__ import annotations

import csv
import io
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from pipeline.errors import BadInput
from pipeline.job import check_order
from pipeline.model.findings import Finding, has_errors
from pipeline.model.job import Job
from pipeline.shop.fields import Label
from pipeline.shop.files import read_text
from pipeline.shop.reading import Reader, nearest
from pipeline.shop.strict_yaml import Entry, Node, load

ORDER, TEMPLATE = "order", "template"
_NAME = Label(60)
_NOTES = ("notes",)
_NOT_HERE = {
    "units": "bare values are in the template's unit; a value may carry its own, such as 0.25 in",
    "based_on": "name the job file to build on in the column template",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Order:
    """One row as read: the job when nothing is wrong with it, and what was found. `line` counts from 1."""

    name: str
    line: int
    job: Job | None
    findings: tuple[Finding, ...]


def read_orders(template: Path, orders: Path) -> tuple[Order, ...]:
    """All orders in the order of the list, each checked as a job file would be.

    A row with a fault is an order without a job. Raises BadInput with findings about the list as a whole: not
    readable, no column `order`, a column twice, a name twice, no rows (J160 to J164).
    """
    rows = _rows(orders)
    header, body = rows[0][1], rows[1:]
    findings = list(_header_findings(orders, header))
    if not findings and not body:
        findings.append(_at(orders, 1, "J164", "the list", "a header and no orders", "a row for each order"))
    if findings:
        raise BadInput(findings)
    read = [_read_whole_row(template, orders, header, line, cells) for line, cells in body]
    seen: dict[str, int] = {}
    for order in read:
        first = seen.setdefault(_folder_name(order.name), order.line)
        if first != order.line:
            findings.append(_at(orders, order.line, "J163", order.name, f"the order {order.name} a second time",
                                f"each name once, in any case of letters (first on line {first})"))  # fmt: skip
    if findings:
        raise BadInput(findings)
    return tuple(read)


def _rows(orders: Path) -> list[tuple[int, list[str]]]:
    """(line, cells) of the header and of every row that is not empty."""
    reader = Reader()
    text = read_text(orders, reader, shown_as=str(orders))
    if text is None:
        hint = "if it comes from a spreadsheet: save it as CSV in UTF-8"
        raise BadInput([replace(finding, hint=hint) for finding in reader.findings])
    head = text.split("\n", 1)[0]
    lines = csv.reader(io.StringIO(text), delimiter=";" if ";" in head and "," not in head else ",", strict=True)
    rows, before = [], 0
    try:
        for cells in lines:
            if any(cell.strip() for cell in cells):
                rows.append((before + 1, [cell.strip() for cell in cells]))
            before = lines.line_num
    except csv.Error as error:
        raise BadInput([_at(orders, before + 1, "J160", "the list", f"text that is not CSV ({error})",
                            "cells parted by commas, a cell with a comma in double quotes")]) from error  # fmt: skip
    if not rows:
        raise BadInput([_at(orders, 1, "J164", "the list", "an empty file", "a header and a row for each order")])
    return rows


def _header_findings(orders: Path, header: Sequence[str]) -> list[Finding]:
    found = []
    if ORDER not in header:
        found.append(_at(orders, 1, "J161", "the header", "no column order", "a column that names each order",
                         hint=nearest(ORDER, header)))  # fmt: skip
    for number, name in enumerate(header, 1):
        if not name.isprintable():
            found.append(_at(orders, 1, "J162", "the header", f"the column {name!r}", "words that can be read", number))
        if name in _NOT_HERE:
            found.append(_at(orders, 1, "J162", name, f"the column {name}", "keys that an order can change", number,
                             hint=_NOT_HERE[name]))  # fmt: skip
        if name in header[: number - 1]:
            found.append(_at(orders, 1, "J162", name, f"the column {name} a second time", "each column once", number))
        below = [other for other in header if other.startswith(f"{name}.")] if name else []
        if below:
            found.append(_at(orders, 1, "J162", name, f"{name} and {below[0]} below it", "one of them", number))
    return found


def _read_whole_row(template: Path, orders: Path, header: Sequence[str], line: int, cells: Sequence[str]) -> Order:
    """The row, whatever comes of it: an order that brings the reader down is an order with a fault."""
    try:
        return _read_row(template, orders, header, line, cells)
    except BadInput:
        raise  # a part family is broken: no order can be read
    except Exception as fault:
        name = dict(zip(header, cells, strict=False)).get(ORDER, "")
        what = f"values that the reader falls over ({type(fault).__name__}: {fault})"
        finding = _at(orders, line, "J165", name, what, "any row: this is a fault of billetwright",
                      hint="please report it with this row")  # fmt: skip
        return Order(name=name, line=line, job=None, findings=(finding,))


def _read_row(template: Path, orders: Path, header: Sequence[str], line: int, cells: Sequence[str]) -> Order:
    file, findings = str(orders), list[Finding]()
    values = dict(zip(header, cells, strict=False))
    name = values.get(ORDER, "")
    if len(cells) > len(header) and any(cells[len(header) :]):
        findings.append(_at(orders, line, "J160", name or "a row", f"{len(cells)} cells",
                            f"{len(header)}, as the header", hint="quote a cell that holds a comma"))  # fmt: skip
    reader = Reader()
    _NAME.read(_cell(name, file, line, _column(header, ORDER), (ORDER,), findings), reader)
    findings += reader.findings
    own = values.get(TEMPLATE, "")
    if own:
        template = Path(os.path.normpath(orders.parent / own))
        if not template.is_file():
            findings.append(_at(orders, line, "J101", TEMPLATE, f"{template}, which does not exist",
                                "a job file's path, from the list's folder", _column(header, TEMPLATE)))  # fmt: skip
    tree: dict[str, object] = {}
    for number, key in enumerate(header, 1):
        text = values.get(key, "")
        if not text or key in (ORDER, TEMPLATE):
            continue
        if not key:
            findings.append(_at(orders, line, "J162", name, f"{text!r} in a column without a name", "a key", number))
            continue
        path = tuple(key.split("."))
        level = tree
        for part in path[:-1]:
            level = level.setdefault(part, {})  # type: ignore[assignment]
        level[path[-1]] = _cell(text, file, line, number, path, findings)
    job = None
    if not findings:
        checked = check_order(template, name=name, over=_map(tree, file, line, ()))
        job, findings = checked.job, list(checked.findings)
    assert job is not None or has_errors(findings)
    return Order(name=name, line=line, job=job, findings=tuple(findings))


def _cell(text: str, file: str, line: int, column: int, path: tuple[str, ...], findings: list[Finding]) -> Node:
    """A cell's value. `[a, b]` is a list, as in a job file; everything else is one value, or the one note."""
    if text.startswith("["):
        faults: list[Finding] = []
        node = load(text, file=file, findings=faults)
        findings += [replace(fault, line=line, column=column, key=".".join(path)) for fault in faults]
        if node is not None:
            return _placed(node, line, column, path)
    node = Node(kind="scalar", file=file, line=line, column=column, path=path, text=text, plain=True)
    return replace(node, kind="list", text="", items=(node,)) if path == _NOTES else node


def _placed(node: Node, line: int, column: int, path: tuple[str, ...]) -> Node:
    """The node of a cell's own text, put where the cell stands."""
    items = tuple(_placed(item, line, column, (*path, str(n))) for n, item in enumerate(node.items, 1))
    entries = {
        name: Entry(line=line, column=column, node=_placed(entry.node, line, column, (*path, name)))
        for name, entry in node.entries.items()
    }
    return replace(node, line=line, column=column, path=path, items=items, entries=entries)


def _map(tree: Mapping[str, object], file: str, line: int, path: tuple[str, ...]) -> Node:
    entries = {}
    for name, below in tree.items():
        node = below if isinstance(below, Node) else _map(below, file, line, (*path, name))  # type: ignore[arg-type]
        entries[name] = Entry(line=node.line, column=node.column, node=node)
    column = min((entry.column for entry in entries.values()), default=1)
    return Node(kind="map", file=file, line=line, column=column, path=path, entries=entries)


def _column(header: Sequence[str], name: str) -> int:
    return header.index(name) + 1 if name in header else 1


def _folder_name(name: str) -> str:
    """Names that some disks take for one folder are one name."""
    return name.casefold()


def _at(
    orders: Path, line: int, code: str, where: str, found: str, wanted: str, column: int = 1, hint: str = ""
) -> Finding:
    return Finding(
        code=code, where=where, found=found, wanted=wanted, hint=hint, file=str(orders), line=line, column=column
    )
