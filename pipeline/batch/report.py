"""What a batch says while it runs and at its end, for whoever stands before it and for a build server's log."""

from __future__ import annotations

import re
import sys
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rich.console import Console
from rich.markup import escape
from rich.table import Table

from pipeline.batch.orders import Order
from pipeline.model.findings import Finding

if TYPE_CHECKING:
    from pipeline.batch.run import Batch

_FIGURE = re.compile(r"-?\d+(\.\d+)?( mm| in)?|")


class BatchReport:
    """Prints what is wrong with rows first, a line for each order as it is done, and a table at the end."""

    def __init__(self, folder: Path):
        self._folder = folder
        self._console = Console(width=None if sys.stdout.isatty() else 120, soft_wrap=False, highlight=False)

    def checked(self, listed: Sequence[Order]) -> None:
        """Every row has been read; nothing has been made."""
        bad = [order for order in listed if order.job is None]
        for finding in dict.fromkeys(str(finding) for order in listed for finding in order.findings):
            print(finding, file=sys.stderr)
        rest = ", the others are made" if 0 < len(bad) < len(listed) else ""
        print(f"{counted(len(listed), 'order')} read, {len(bad)} with faults{rest}", flush=True)

    def done(self, result: Mapping[str, Any], different: str, n: int, of: int) -> None:
        """One more order is done; what is wrong with it is said in full."""
        again = f"; what is different: {self._folder / result['order'] / 'changes.txt'}" if different else ""
        print(f"{n}/{of} {result['order']}: {result['verdict']}{again}", flush=True)
        for line in [*(str(Finding(**finding)) for finding in result["findings"]), *result["fault"].splitlines()]:
            print(f"  {line}", file=sys.stderr, flush=True)

    def end(self, batch: Batch) -> None:
        """The table, and where everything is."""
        table = Table(box=None, pad_edge=False, header_style="bold")
        for name in ("order", "verdict", "", "yield", "min", "placed", "first finding"):
            table.add_column(name, justify="right" if name in ("yield", "min") else "left", overflow="fold")
        for result in batch.results:
            has = result["minutes"] is not None
            table.add_row(
                escape(result["order"]),
                result["verdict"].upper() if result["verdict"] != "released" else "released",
                "unchanged" if result["order"] in batch.unchanged else "",
                f"{100 * result['yield']:.1f} %" if has else "",
                f"{result['minutes']:.0f}" if has else "",
                ", ".join(f"{count} {name}" for name, count in result["placed"].items()),
                escape(_first(result).removeprefix(", ")),
            )
        self._console.print(table)
        words = [result["verdict"] for result in batch.results]
        counts = ", ".join(f"{words.count(word)} {word}" for word in dict.fromkeys(sorted(words)))
        print(f"{counted(len(words), 'order')}: {counts}; {len(batch.unchanged)} unchanged since an earlier run")
        if batch.earlier:
            print(f"NOT made again; an EARLIER packet still lies in {self._folder}: {', '.join(batch.earlier)}")
        if batch.strays:
            print(f"gone from the list, but still in {self._folder}: {', '.join(batch.strays)}")
        print(f"overview: {self._folder / 'gallery.html'}")
        print(f"for scripts: {self._folder / 'results.jsonl'}, {self._folder / 'junit.xml'}")


def counted(n: int, word: str) -> str:
    """`1 order`, `3 orders`."""
    return f"{n} {word}" + ("" if n == 1 else "s")


def _first(result: Mapping[str, Any]) -> str:
    """The first finding in short, or the last line of a fault of ours."""
    if result["fault"]:
        return ", " + result["fault"].strip().rpartition("\n")[2]
    if not result["findings"]:
        return ""
    first = result["findings"][0]
    more = len(result["findings"]) - 1
    return f", {first['code']} {first['where']}: {first['found']}" + (f" and {more} more" if more else "")


def print_table(heads: Sequence[str], rows: Iterable[Sequence[str]]) -> None:
    """Rows under heads, for people; a column that holds only figures is set to the right."""
    rows = list(rows)
    table = Table(box=None, pad_edge=False, header_style="bold")
    for k, head in enumerate(heads):
        is_figures = all(_FIGURE.fullmatch(row[k]) for row in rows)
        table.add_column(head, justify="right" if is_figures else "left", overflow="fold")
    for row in rows:
        table.add_row(*(escape(word) for word in row))
    Console(width=None if sys.stdout.isatty() else 160, highlight=False).print(table)
