"""Many packets on one page: a table that sorts and filters without a server, prints on A4, and reads without a script.

Each row is read from a packet's `summary.json`. Packets of older versions lack some keys and have empty cells; a file
that is no packet's is a row too, with the reason: nothing that lies in the folder is passed over in silence.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from urllib.parse import quote

GENERATOR = "billetwright gallery"  # stands in the page's head, so that only a page of ours is ever replaced
PAGE, PICTURE = "packet.html", "nest.svg"
_HERE = Path(__file__).parent
_GREATEST = 1e12  # of any figure; also turns away what is no number or has no end


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One row: what a packet says of itself, or `fault`, why there is no packet to show.

    `place` is the packet's folder, seen from the page, with slashes. `share` is the part of the billet that becomes
    parts, None when it is not known. `first` is the first error in words, else the first warning, else the first note.
    """

    place: str
    fault: str = ""
    has_picture: bool = False
    job: str = ""
    title: str = ""
    serial: str = ""
    billet: str = ""
    units: str = ""
    verdict: str = ""
    is_forced: bool = False
    share: float | None = None
    minutes: float | None = None
    placed: Mapping[str, int] = field(default_factory=dict)
    n_errors: int = 0
    n_warnings: int = 0
    first: str = ""

    @property
    def name(self) -> str:
        """The last folder of the place: the order, or the job of a single packet."""
        return self.place.rpartition("/")[2]

    @property
    def folder(self) -> str:
        """What lies before the name, with its slash."""
        return self.place[: len(self.place) - len(self.name)]

    @property
    def n_placed(self) -> int:
        """Parts on the plate, of every kind."""
        return sum(self.placed.values())

    @property
    def state(self) -> str:
        """`released`, `refused` or `unread`, for the look of the row."""
        return self.verdict or "unread"


class _Foreign(ValueError):
    """The text is JSON but not a packet's summary; says what is wrong with it."""


def read_entry(place: str, summary: bytes, *, has_picture: bool) -> Entry:
    """The row of the packet in `place`, from the bytes of its `summary.json`. Never raises: see `Entry.fault`."""
    try:
        return _entry(place, json.loads(summary), has_picture)
    except _Foreign as why:
        return Entry(place=place, fault=f"summary.json is not a packet's: {why}")
    except json.JSONDecodeError as why:
        return Entry(place=place, fault=f"summary.json is not JSON: line {why.lineno}, column {why.colno}")
    except (ValueError, RecursionError):
        return Entry(place=place, fault="summary.json is not JSON")


def gallery_html(entries: Sequence[Entry], *, title: str) -> str:
    """The page as text, the rows in the order given. Same entries, same text."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    environment = Environment(
        loader=FileSystemLoader(_HERE), autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    environment.filters["href"] = lambda place: quote(place, errors="surrogateescape")  # a name need not be UTF-8
    environment.filters["clock"] = _clock
    read = [entry for entry in entries if not entry.fault]
    released = [entry for entry in read if entry.verdict == "released"]
    text = environment.get_template("gallery.html.j2").render(
        title=title,
        generator=GENERATOR,
        page=PAGE,
        picture=PICTURE,
        entries=entries,
        n_read=len(read),
        n_released=len(released),
        minutes=math.fsum(entry.minutes or 0.0 for entry in read),
        n_placed=sum(entry.n_placed for entry in read),
        n_errors=sum(entry.n_errors for entry in read),
        n_warnings=sum(entry.n_warnings for entry in read),
        style=(_HERE / "gallery.css").read_text(encoding="utf-8"),
        script="".join((_HERE / name).read_text(encoding="utf-8") for name in ("../sorting.js", "gallery.js")),
    )
    return text.encode("utf-8", "replace").decode("utf-8")  # half a surrogate pair has no bytes


def _clock(minutes: float) -> str:
    whole = math.floor(minutes + 0.5)
    return f"{whole // 60} h {whole % 60:02d} min"


def _entry(place: str, summary: Any, has_picture: bool) -> Entry:
    """Raises _Foreign at the first key that a packet of ours would not hold so."""
    if not isinstance(summary, dict):
        raise _Foreign("it is not a table")
    verdict = _get(summary, "verdict", str)
    if verdict not in ("released", "refused"):
        raise _Foreign("its verdict is neither released nor refused")
    placed = _get(summary, "placed", dict)
    if not all(isinstance(n, int) and not isinstance(n, bool) and n >= 0 for n in placed.values()):
        raise _Foreign("placed is not a number for each part")
    programs = _tables(summary, "programs")
    findings = _tables(summary, "findings")
    ranks = [str(finding.get("severity", "error")) for finding in findings]
    worst = next((rank for rank in ("error", "warning") if rank in ranks), None)
    return Entry(
        place=place,
        has_picture=has_picture,
        job=_get(summary, "job", str),
        title=_words(summary, "title"),
        serial=_words(summary, "serial"),
        billet=_words(summary, "billet"),
        units=_words(summary, "units"),
        verdict=verdict,
        is_forced="written" in summary,
        share=_figure(summary, "yield"),
        minutes=math.fsum(_figure(program, key) for program in programs for key in ("cutting_s", "air_s")) / 60,
        placed=placed,
        n_errors=ranks.count("error"),
        n_warnings=ranks.count("warning"),
        first=_said(findings[ranks.index(worst) if worst else 0]) if findings else "",
    )


def _get(table: Mapping[str, Any], key: str, kind: type | tuple[type, ...]) -> Any:
    if key not in table:
        raise _Foreign(f"it has no {key}")
    if not isinstance(table[key], kind):
        raise _Foreign(f"{key} is of another kind")
    return table[key]


def _tables(table: Mapping[str, Any], key: str) -> list[Mapping[str, Any]]:
    rows: list[Mapping[str, Any]] = _get(table, key, list)
    if not all(isinstance(row, dict) for row in rows):
        raise _Foreign(f"{key} is of another kind")
    return rows


def _figure(table: Mapping[str, Any], key: str) -> float:
    value = _get(table, key, (int, float))
    if isinstance(value, bool) or not abs(value) <= _GREATEST:
        raise _Foreign(f"{key} is not a number that a packet could hold")
    return float(value)


def _words(table: Mapping[str, Any], key: str) -> str:
    """Text that may be missing: older packets lack it."""
    value = table.get(key)
    return "" if value is None else str(value)


def _said(finding: Mapping[str, Any]) -> str:
    """A finding as one sentence, as far as its keys go."""
    where, found, wanted = (_words(finding, key) for key in ("where", "found", "wanted"))
    said = ": ".join(part for part in (where, found) if part) or _words(finding, "code")
    return f"{said}; allowed: {wanted}" if wanted else said
