"""One line of RS274/NGC as words, by the rules of NISTIR 6556 (2000), sections 2.2.2 and 3.3, and nothing else."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field

NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)")
GROUPS = {  # section 3.4
    "motion": "0 1 2 3 38.2 73 80 81 82 83 84 85 86 87 88 89", "plane": "17 18 19", "distance": "90 91",
    "feed mode": "93 94", "units": "20 21", "comp": "40 41 42", "length": "43 49", "return": "98 99",
    "system": "54 55 56 57 58 59 59.1 59.2 59.3", "path": "61 61.1 64", "once": "4 10 28 30 53 92 92.1 92.2 92.3",
}  # fmt: skip
M_GROUPS = {"stop": (0, 1, 2, 30, 60), "change": (6,), "spindle": (3, 4, 5), "coolant": (7, 8, 9), "knobs": (48, 49)}
GROUP_OF = {float(code): name for name, codes in GROUPS.items() for code in codes.split()}
M_GROUP_OF = {code: name for name, codes in M_GROUPS.items() for code in codes}
LETTERS = "abcdfghijklmnpqrstxyz"
FUNCTIONS = ("abs", "acos", "asin", "atan", "cos", "exp", "fix", "fup", "ln", "round", "sin", "sqrt", "tan")
OPERATORS = (("**",), ("*", "/", "mod"), ("+", "-", "or", "xor", "and"))  # high to low, section 3.3.2.3
LONGEST = 256
WHOLE = 1e-4  # how near to a whole number an integer must be, section 3.3.2.1


class Illegal(Exception):
    """The report does not allow this text, or controls are known to read it in different ways."""


@dataclass(slots=True)
class Line:
    """`words` holds everything but G, M and N; settings are `#n=value`."""

    words: dict[str, float] = field(default_factory=dict)
    g: dict[str, float] = field(default_factory=dict)
    m: dict[str, int] = field(default_factory=dict)
    settings: list[tuple[int, float]] = field(default_factory=list)
    optional: bool = False  # begins with a slash
    percent: bool = False

    @property
    def blank(self) -> bool:
        return not (self.words or self.g or self.m or self.settings)


def whole(value: float, what: str) -> int:
    if abs(value - round(value)) > WHOLE:
        raise Illegal(f"{what} {value:g} is not whole")
    return round(value)


def read_line(raw: str, parameters: dict[int, float]) -> Line:
    """Raises Illegal at the first thing that is not in the language."""
    line = Line()
    if len(raw) > LONGEST:
        raise Illegal(f"{len(raw)} characters on a line")
    for c in raw:
        if not (c == "\t" or " " <= c <= "~"):
            raise Illegal(f"the character {c!r}, which controls read in different ways")
    if raw.strip() == "%":
        line.percent = True
        return line
    text = _no_comments(raw)
    text = re.sub(r"[ \t]", "", text).lower()
    if text.startswith("/"):
        line.optional, text = True, text[1:]
    number = re.match(r"n(\d{1,5})(?![\d.])", text)
    if number:
        text = text[number.end() :]
    _Scanner(text, parameters, line).run()
    return line


def _no_comments(raw: str) -> str:
    out, inside = [], False
    for c in raw:
        if inside:
            if c == "(":
                raise Illegal("a comment in a comment")
            if c == ")":
                inside = False
        elif c == "(":
            inside = True
            out.append("\0")  # so that the two sides never make one word
        elif c == ")":
            raise Illegal("a ) without its (")
        else:
            out.append(c)
    if inside:
        raise Illegal("a comment that is not closed on its line")
    return "".join(out)


class _Scanner:
    def __init__(self, text: str, parameters: dict[int, float], line: Line) -> None:
        self.text, self.at, self.parameters, self.line = text, 0, parameters, line

    def run(self) -> None:
        while self.at < len(self.text):
            c = self.text[self.at]
            self.at += 1
            if c == "\0":
                continue
            if c == "#":
                index = whole(self.value(), "a parameter's number")
                if not self.take("="):
                    raise Illegal("a # that is neither a value nor a setting")
                if not 1 <= index <= 5399:
                    raise Illegal(f"parameter {index}")
                self.line.settings.append((index, self.value()))
            elif c not in LETTERS:
                raise Illegal(f"{c!r}, which begins no word")
            else:
                self.word(c, self.value())

    def word(self, letter: str, value: float) -> None:
        line = self.line
        if letter == "n":
            raise Illegal("a line number that is not first on its line")
        if letter == "g":
            code = round(value, 4)
            if code not in GROUP_OF:
                raise Illegal(f"G{value:g} is not in the language")
            if GROUP_OF[code] in line.g:
                raise Illegal(f"two G words of the group {GROUP_OF[code]}")
            line.g[GROUP_OF[code]] = code
        elif letter == "m":
            number = whole(value, "M")
            if number not in M_GROUP_OF:
                raise Illegal(f"M{number} is not in the language")
            if M_GROUP_OF[number] in line.m or len(line.m) == 4:
                raise Illegal("M words of one group, or too many")
            line.m[M_GROUP_OF[number]] = number
        elif letter in line.words:
            raise Illegal(f"{letter.upper()} twice")
        elif letter in "abc":
            raise Illegal(f"{letter.upper()}, an axis this machine has not")
        else:
            line.words[letter] = value

    def take(self, text: str) -> bool:
        if self.text.startswith(text, self.at):
            self.at += len(text)
            return True
        return False

    def value(self) -> float:
        """A number, a parameter, an expression or a function of one."""
        number = NUMBER.match(self.text, self.at)
        if number:
            self.at = number.end()
            return float(number[0])
        if self.take("#"):
            index = whole(self.value(), "a parameter's number")
            if index not in self.parameters:
                raise Illegal(f"parameter {index} has no value here")
            return self.parameters[index]
        if self.take("["):
            return self.expression()
        for name in FUNCTIONS:
            if self.take(name):
                return self.function(name)
        raise Illegal(f"no number at {self.text[self.at : self.at + 8]!r}")

    def expression(self) -> float:
        """What follows a [ up to its ]: values and operators, folded level by level."""
        values, signs = [self.value()], []
        while not self.take("]"):
            for sign in ("**", "mod", "xor", "and", "or", "*", "/", "+", "-"):
                if self.take(sign):
                    break
            else:
                raise Illegal("no operator where one must be")
            signs.append(sign)
            values.append(self.value())
        for level in OPERATORS:
            i = 0
            while i < len(signs):
                if signs[i] in level:
                    values[i : i + 2] = [_apply(signs.pop(i), values[i], values[i + 1])]
                else:
                    i += 1
        return values[0]

    def function(self, name: str) -> float:
        if not self.take("["):
            raise Illegal(f"{name} without its [")
        x = self.expression()
        if name == "atan":
            if not (self.take("/") and self.take("[")):
                raise Illegal("atan without its second value")
            return math.degrees(math.atan2(x, self.expression()))
        one = {
            "abs": abs, "exp": math.exp, "fix": math.floor, "fup": math.ceil, "ln": math.log, "round": round,
            "sqrt": math.sqrt, "cos": lambda v: math.cos(math.radians(v)), "sin": lambda v: math.sin(math.radians(v)),
            "tan": lambda v: math.tan(math.radians(v)), "acos": lambda v: math.degrees(math.acos(v)),
            "asin": lambda v: math.degrees(math.asin(v)),
        }[name]  # fmt: skip
        try:
            return float(one(x))
        except (ValueError, OverflowError) as wrong:
            raise Illegal(f"{name} of {x:g}") from wrong


def _apply(sign: str, a: float, b: float) -> float:
    try:
        if sign == "**":
            return float(a**b)
        if sign == "*":
            return a * b
        if sign == "/":
            return a / b
        if sign == "mod":
            return a - b * math.floor(a / b)
    except (ZeroDivisionError, OverflowError, TypeError) as wrong:
        raise Illegal(f"{a:g} {sign} {b:g}") from wrong
    if sign == "+":
        return a + b
    if sign == "-":
        return a - b
    x, y = a != 0, b != 0
    return float({"or": x or y, "xor": x != y, "and": x and y}[sign])
