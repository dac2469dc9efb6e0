"""A reader of RS274/NGC text for tests: grammar and modal groups, from the report alone.

Source: NISTIR 6556 (Kramer, Proctor, Messina, 2000), sections 3.1 to 3.7, as read. It shares nothing with the writer or
with the verifier. `parse` gives every line's words as numbers and raises `Illegal` at the first violation. It does not
move a machine: what needs a position (radii of an arc, an axis word without a motion mode) is not judged here.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from pathlib import Path

from lark import Lark, Token, Tree
from lark.exceptions import LarkError

PARSER = Lark(
    Path(__file__).with_name("rs274.lark").read_text(encoding="utf-8"), start=["line", "value"], parser="lalr"
)

# G words times ten, by modal group (3.4, table 4). Group 0 is the non-modal one.
G_GROUPS = {
    1: (0, 10, 20, 30, 382, 800, 810, 820, 830, 840, 850, 860, 870, 880, 890),
    2: (170, 180, 190),
    3: (900, 910),
    5: (930, 940),
    6: (200, 210),
    7: (400, 410, 420),
    8: (430, 490),
    10: (980, 990),
    12: (540, 550, 560, 570, 580, 590, 591, 592, 593),
    13: (610, 611, 640),
    0: (40, 100, 280, 300, 530, 920, 921, 922, 923),
}
M_GROUPS = {4: (0, 1, 2, 30, 60), 6: (6,), 7: (3, 4, 5), 8: (7, 8, 9), 9: (48, 49)}
G_GROUP = {code: group for group, codes in G_GROUPS.items() for code in codes}
M_GROUP = {code: group for group, codes in M_GROUPS.items() for code in codes}
AXIS_USERS = (100, 280, 300, 920)  # of group 0
WHOLE = 0.0001  # how near to a whole number an integer must be (3.3.2.1)
LONGEST = 256


class Illegal(ValueError):
    """The text is not a program in the language of the report."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One line: its 1-based number in the text, words in order (letter, value), and its comments without brackets."""

    at: int
    words: tuple[tuple[str, float], ...]
    comments: tuple[str, ...]

    def get(self, letter: str) -> float | None:
        """The value of a letter, None when it is absent."""
        return next((value for found, value in self.words if found == letter), None)

    def codes(self, letter: str) -> tuple[float, ...]:
        """All values of G or M."""
        return tuple(value for found, value in self.words if found == letter)


def parse(text: str, *, extra_g: tuple[float, ...] = ()) -> list[Line]:
    """All lines of a program. `extra_g` are motion words a machine has beyond the report (G73). Raises Illegal."""
    raw = text.split("\n")
    body = _between_percents(raw)
    parameters: dict[int, float] = {}
    lines = [_line(raw[k], k + 1, parameters, extra_g) for k in body]
    ended = any(code in (2.0, 30.0) for line in lines for code in line.codes("M"))
    if len(body) == len(raw) and not ended:
        raise Illegal("a program without % lines needs M2 or M30")
    return lines


def parse_line(text: str) -> Line:
    """One line on its own."""
    return _line(text, 1, {}, ())


def evaluate(text: str) -> float:
    """The value of an expression, a number or a function. Raises Illegal."""
    return _value(_tree(_squeezed(text, 1), "value", 1), {}, 1)


def _between_percents(raw: list[str]) -> range:
    if raw[0].strip() != "%":
        return range(len(raw))
    for k in range(1, len(raw)):
        if raw[k].strip() == "%":
            return range(1, k)
    raise Illegal("an opening % without a second one")


def _squeezed(text: str, at: int) -> str:
    """Lower case and without blanks outside comments; refuses open, nested and stray brackets of comments."""
    parts = re.split(r"(\([^()]*\))", text)
    for outside in parts[0::2]:
        if "(" in outside or ")" in outside:
            raise Illegal(f"line {at}: a comment is open, nested or closed twice")
    return "".join(p if k % 2 else re.sub(r"[ \t]", "", p).lower() for k, p in enumerate(parts))


def _tree(text: str, start: str, at: int) -> Tree[Token]:
    try:
        return PARSER.parse(text, start=start)
    except LarkError as error:
        raise Illegal(f"line {at}: {text!r}: {error}") from error


def _line(text: str, at: int, parameters: dict[int, float], extra_g: tuple[float, ...]) -> Line:
    if len(text) > LONGEST:
        raise Illegal(f"line {at}: {len(text)} characters")
    words: list[tuple[str, float]] = []
    comments: list[str] = []
    settings: dict[int, float] = {}
    for item in _tree(_squeezed(text, at), "line", at).children:
        if isinstance(item, Token):
            if item.type == "COMMENT":
                comments.append(item[1:-1])
        elif item.data == "word":
            words.append((str(item.children[0]).upper(), _value(item.children[1], parameters, at)))
        elif item.data == "setting":
            settings[_index(_value(item.children[0], parameters, at), at)] = _value(item.children[1], parameters, at)
    parameters.update(settings)  # after every value of the line was read (3.3.3)
    line = Line(at=at, words=tuple(words), comments=tuple(comments))
    _check_words(line, extra_g)
    return line


def _check_words(line: Line, extra_g: tuple[float, ...]) -> None:
    letters = [letter for letter, _ in line.words if letter not in "GM"]
    if len(letters) != len(set(letters)):
        raise Illegal(f"line {line.at}: a letter twice")
    for letter, value in line.words:
        if letter in "MTHDL" and abs(value - round(value)) > WHOLE:
            raise Illegal(f"line {line.at}: {letter}{value} is not a whole number")
        if letter in "FSTHDP" and value < 0:
            raise Illegal(f"line {line.at}: {letter}{value} is negative")
    codes = []
    for value in line.codes("G"):
        if value in extra_g:
            codes.append((1, round(value * 10)))
        elif round(value * 10) in G_GROUP and abs(value * 10 - round(value * 10)) <= WHOLE:
            codes.append((G_GROUP[round(value * 10)], round(value * 10)))
        else:
            raise Illegal(f"line {line.at}: G{value} is not in the language")
    groups = [group for group, _ in codes]
    if len(groups) != len(set(groups)):
        raise Illegal(f"line {line.at}: two G words of one modal group")
    m_codes = [round(value) for value in line.codes("M")]
    if any(code not in M_GROUP for code in m_codes):
        raise Illegal(f"line {line.at}: an M word that is not in the language")
    m_groups = [M_GROUP[code] for code in m_codes]
    if len(m_codes) > 4 or len(m_groups) != len(set(m_groups)):
        raise Illegal(f"line {line.at}: M words of one modal group, or more than four")
    _check_motion(line, dict(codes))


def _check_motion(line: Line, by_group: dict[int, int]) -> None:
    axes = {letter for letter in letters_of(line) if letter in "XYZABC"}
    motion = by_group.get(1)
    if motion is not None and motion != 800 and by_group.get(0) in AXIS_USERS:
        raise Illegal(f"line {line.at}: two G words want the axis words")
    if motion == 800 and axes and by_group.get(0) not in AXIS_USERS:
        raise Illegal(f"line {line.at}: axis words with G80")
    if motion in (0, 10, 20, 30, 382) and not axes:
        raise Illegal(f"line {line.at}: a motion word without an axis word")
    offsets = {letter for letter in letters_of(line) if letter in "IJKR"}
    if motion in (20, 30) and not offsets:
        raise Illegal(f"line {line.at}: an arc without centre and radius")
    if by_group.get(0) == 40 and line.get("P") is None:
        raise Illegal(f"line {line.at}: a dwell without P")
    if by_group.get(0) == 530 and motion not in (0, 10, None):
        raise Illegal(f"line {line.at}: G53 with other than a straight motion")
    if by_group.get(8) == 430 and line.get("H") is None:
        raise Illegal(f"line {line.at}: G43 without H")


def letters_of(line: Line) -> list[str]:
    """The letters of a line, in order."""
    return [letter for letter, _ in line.words]


def _index(value: float, at: int) -> int:
    index = round(value)
    if abs(value - index) > WHOLE or not 1 <= index <= 5399:
        raise Illegal(f"line {at}: parameter {value}")
    return index


def _value(tree: Tree[Token], parameters: dict[int, float], at: int) -> float:
    if tree.data == "number":
        return float(tree.children[0])
    if tree.data == "parameter":
        return parameters.get(_index(_value(tree.children[0], parameters, at), at), 0.0)
    if tree.data == "arc_tangent":
        y, x = (_value(child, parameters, at) for child in tree.children if isinstance(child, Tree))
        return math.degrees(math.atan2(y, x))
    try:
        if tree.data == "unary":
            return _UNARY[str(tree.children[0])](_value(tree.children[1], parameters, at))
        left, operator, right = tree.children
        return _BINARY[str(operator)](_value(left, parameters, at), _value(right, parameters, at))
    except (ValueError, ArithmeticError) as error:
        raise Illegal(f"line {at}: {error}") from error


_UNARY = {
    "abs": abs,
    "acos": lambda v: math.degrees(math.acos(v)),
    "asin": lambda v: math.degrees(math.asin(v)),
    "cos": lambda v: math.cos(math.radians(v)),
    "exp": math.exp,
    "fix": lambda v: float(math.floor(v)),
    "fup": lambda v: float(math.ceil(v)),
    "ln": math.log,
    "round": lambda v: math.copysign(math.floor(abs(v) + 0.5), v),
    "sin": lambda v: math.sin(math.radians(v)),
    "sqrt": math.sqrt,
    "tan": lambda v: math.tan(math.radians(v)),
}
_BINARY = {
    "**": lambda a, b: a**b,
    "*": lambda a, b: a * b,
    "/": lambda a, b: a / b,
    "mod": lambda a, b: a - b * math.floor(a / b),
    "+": lambda a, b: a + b,
    "-": lambda a, b: a - b,
    "or": lambda a, b: float(bool(a) or bool(b)),
    "xor": lambda a, b: float(bool(a) != bool(b)),
    "and": lambda a, b: float(bool(a) and bool(b)),
}
