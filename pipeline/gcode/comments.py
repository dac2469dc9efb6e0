"""Lines of text: comments in the few characters every control accepts, stops with a message, line numbers.

Inside a comment stand only letters, digits and `-_.,:/=#+ `: no second parenthesis, nothing a control could take for
the end of the comment. Comments are at most 80 characters long, so that a control's screen shows them whole; other
lines are never over 256 (NISTIR 6556, 3.3).
"""

from __future__ import annotations

import re
import textwrap
import unicodedata

from pipeline.errors import Bug

WIDTH = 80
LONGEST = 256
STATUS = "STATUS:"

_SPELLED = {'"': "in", "'": "", ";": ",", "&": "+", "*": "x", "×": "x", "ø": "D", "Ø": "D", "°": " deg"}
_FORBIDDEN = re.compile(r"[^A-Za-z0-9\-_.,:/=#+ ]")


def plain(text: str) -> str:
    """Text in the characters a comment may hold. Accents are dropped, other signs become spaces."""
    spelled = "".join(_SPELLED.get(c, c) for c in text)
    ascii_only = "".join(c for c in unicodedata.normalize("NFKD", spelled) if not unicodedata.combining(c))
    return " ".join(_FORBIDDEN.sub(" ", ascii_only).split()).replace(" ,", ",")


def comment(text: str) -> str:
    """One comment on one line; what does not fit is cut off."""
    return f"({plain(text)[: WIDTH - 2].rstrip()})"


def wrapped(text: str) -> list[str]:
    """A comment of any length as several lines; those after the first are indented."""
    parts = textwrap.wrap(plain(text), width=WIDTH - 4, break_on_hyphens=False) or [""]
    return [f"({part})" if k == 0 else f"(  {part})" for k, part in enumerate(parts)]


class Lines:
    """The text as it grows. `next_line` is the 1-based number of the line that comes next."""

    def __init__(self, *, numbered: bool):
        self._numbered = numbered
        self._lines: list[str] = []

    @property
    def next_line(self) -> int:
        return len(self._lines) + 1

    def add(self, words: str) -> None:
        """A line of words. Where the machine wants numbers, N is the line's own number in the file (to five digits)."""
        text = f"N{self.next_line % 100000} {words}" if self._numbered else words
        if len(text) > LONGEST:
            raise Bug(f"a line of {len(text)} characters: {text[:40]}")
        self._lines.append(text)

    def say(self, text: str) -> None:
        """A comment, on as many lines as it needs."""
        self._lines.extend(wrapped(text))

    def status(self, text: str) -> None:
        """The status line: always one line, so that another status can take its place."""
        self._lines.append(comment(f"{STATUS} {text}"))

    def stop(self, message: str) -> None:
        """Show a message to the operator and wait. A long one is several messages. Spindle off after it too: the
        operator may have turned it on."""
        parts = textwrap.wrap(plain(message), width=WIDTH - len("(MSG, )"), break_on_hyphens=False)
        self._lines.extend(f"(MSG, {part})" for part in parts)
        self.add("M0")
        self.add("M5")

    def text(self) -> str:
        """The whole program, one newline at the end of every line."""
        return "\n".join(self._lines) + "\n"


def with_status(text: str, status: str) -> tuple[str, int]:
    """The text with every status line replaced, and how many there were. The number of lines stays."""
    lines = text.split("\n")
    places = [k for k, line in enumerate(lines) if line.startswith(f"({STATUS}")]
    for k in places:
        lines[k] = comment(f"{STATUS} {status}")
    return "\n".join(lines), len(places)
