"""Values in program text: numbers, parameters `#n`, bracketed expressions and unary functions.

Rules: Kramer, Proctor, Messina, "The NIST RS274/NGC Interpreter - Version 3", NISTIR 6556 (2000), section 3.3.2. The
text given here is one line without comments and blanks, in capitals. Angles are degrees, as in the report.

Precedence, high to low: `**`; `* / MOD`; `+ - OR XOR AND`; left to right inside a level. FIX rounds toward minus
infinity, FUP toward plus infinity. A number has an optional sign, digits and at most one point; exponents do not exist.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable

NUMBER = re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)")
INTEGER_SLACK = 0.0001  # NISTIR 6556 section 3.3.2.1: how far an integer value may be from a whole number
LARGEST_PARAMETER = 5399
MACHINES_OWN = 5001  # from here on: probe, homes, offsets, origins (NISTIR 6556, table 2)
LARGEST_VALUE = 1e7  # ours: beyond any machine, and small enough that no later sum overflows
DEEPEST = 40  # ours: nesting of brackets

_FUNCTION = re.compile(r"ABS|ACOS|ASIN|ATAN|COS|EXP|FIX|FUP|LN|ROUND|SIN|SQRT|TAN")
_OPERATOR = re.compile(r"\*\*|MOD|AND|XOR|OR|[*/+-]")
_LEVEL = {"**": 3, "*": 2, "/": 2, "MOD": 2, "+": 1, "-": 1, "OR": 1, "XOR": 1, "AND": 1}


class TextFault(Exception):
    """A piece of text that cannot be read. `code` is the finding's code."""

    def __init__(self, code: str, found: str, wanted: str = "", hint: str = ""):
        super().__init__(found)
        self.code, self.found, self.wanted, self.hint = code, found, wanted, hint


class Parameters:
    """The numbered parameters as far as the program itself set them. What it did not set is not known here."""

    def __init__(self) -> None:
        self._values: dict[int, float] = {}

    def get(self, index: int) -> float:
        """The value of `#index`. Raises TextFault when the program has not set it."""
        if not 1 <= index <= LARGEST_PARAMETER:
            raise TextFault("V615", f"#{index}", f"#1 to #{LARGEST_PARAMETER}")
        if index not in self._values:
            raise TextFault("V615", f"#{index}, which the program has not set", "parameters set by the program itself")
        return self._values[index]

    def set(self, index: int, value: float) -> None:
        """Set `#index`. Raises TextFault for an index that does not exist."""
        if not 1 <= index <= LARGEST_PARAMETER:
            raise TextFault("V615", f"#{index}=", f"#1 to #{LARGEST_PARAMETER}")
        self._values[index] = value

    def own(self, index: int) -> float | None:
        """The value of `#index` as the program set it, by a setting, G10 or G92; None when it did not."""
        return self._values.get(index)


def whole(value: float, what: str) -> int:
    """The whole number that `value` stands for. Raises TextFault when it is further than 0.0001 from one."""
    nearest = round(value)
    if abs(value - nearest) > INTEGER_SLACK:
        raise TextFault("V602", f"{what} {value:g}", "a whole number")
    return nearest


def read_value(text: str, at: int, parameters: Parameters, depth: int = 0) -> tuple[float, int]:
    """Read one value that begins at `at`; returns it and the position behind it. Raises TextFault."""
    if depth > DEEPEST:
        raise TextFault("V602", "brackets nested too deeply", f"at most {DEEPEST} levels")
    match = NUMBER.match(text, at)
    if match:
        return _checked(float(match[0]), match[0]), match.end()
    here = text[at : at + 1]
    if here == "[":
        return _bracket(text, at, parameters, depth + 1)
    if here == "#":
        index, end = read_value(text, at + 1, parameters, depth + 1)
        return parameters.get(whole(index, "parameter number")), end
    match = _FUNCTION.match(text, at)
    if match:
        return _function(match[0], text, match.end(), parameters, depth + 1)
    found = f"{text[at : at + 12]!r} where a value should stand" if here else "a letter without a value"
    raise TextFault("V602", found, "a number such as 5. or -.5 (no exponent), #n, [expression] or a function")


def _bracket(text: str, at: int, parameters: Parameters, depth: int) -> tuple[float, int]:
    if text[at : at + 1] != "[":
        raise TextFault("V602", f"{text[at : at + 12]!r}", "[")
    value, at = _terms(text, at + 1, parameters, depth, 1)
    if text[at : at + 1] != "]":
        raise TextFault("V602", "a bracket that is not closed" if at >= len(text) else f"{text[at : at + 12]!r}", "]")
    return value, at + 1


def _terms(text: str, at: int, parameters: Parameters, depth: int, level: int) -> tuple[float, int]:
    """Operators of `level` and of the levels above it, left to right."""
    value, at = _terms(text, at, parameters, depth, level + 1) if level < 4 else read_value(text, at, parameters, depth)
    while level < 4:
        match = _OPERATOR.match(text, at)
        if not match or _LEVEL[match[0]] != level:
            break
        right, at = _terms(text, match.end(), parameters, depth, level + 1)
        value = _calculated(match[0], value, right)
    return value, at


def _function(name: str, text: str, at: int, parameters: Parameters, depth: int) -> tuple[float, int]:
    value, at = _bracket(text, at, parameters, depth)
    if name == "ATAN":
        if text[at : at + 1] != "/":
            raise TextFault("V602", "ATAN[a] without /[b]", "ATAN[a]/[b]")
        below, at = _bracket(text, at + 1, parameters, depth)
        return math.degrees(math.atan2(value, below)), at
    try:
        return _checked(_FUNCTIONS[name](value), f"{name}[{value:g}]"), at
    except (ValueError, OverflowError) as error:
        raise TextFault("V602", f"{name}[{value:g}]", "a value that exists") from error


def _calculated(operator: str, left: float, right: float) -> float:
    shown = f"{left:g} {operator} {right:g}"
    try:
        value = _OPERATORS[operator](left, right)
    except (ValueError, OverflowError, ZeroDivisionError) as error:
        raise TextFault("V602", shown, "a value that exists") from error
    if isinstance(value, complex):
        raise TextFault("V602", shown, "a value that exists")
    return _checked(value, shown)


def _checked(value: float, shown: str) -> float:
    if not abs(value) <= LARGEST_VALUE:  # written so that not-a-number fails too
        raise TextFault("V602", f"{shown[:40]}, a value of {value:g}", f"at most {LARGEST_VALUE:g}")
    return value


def _modulo(left: float, right: float) -> float:
    rest = math.fmod(left, right)
    return rest + abs(right) if rest < 0 else rest


_OPERATORS: dict[str, Callable[[float, float], float]] = {
    "**": lambda a, b: a**b,
    "*": lambda a, b: a * b,
    "/": lambda a, b: a / b,
    "MOD": _modulo,
    "+": lambda a, b: a + b,
    "-": lambda a, b: a - b,
    "AND": lambda a, b: float(a != 0 and b != 0),
    "OR": lambda a, b: float(a != 0 or b != 0),
    "XOR": lambda a, b: float((a != 0) != (b != 0)),
}
_FUNCTIONS: dict[str, Callable[[float], float]] = {
    "ABS": abs,
    "ACOS": lambda v: math.degrees(math.acos(v)),
    "ASIN": lambda v: math.degrees(math.asin(v)),
    "COS": lambda v: math.cos(math.radians(v)),
    "EXP": math.exp,
    "FIX": lambda v: float(math.floor(v)),
    "FUP": lambda v: float(math.ceil(v)),
    "LN": math.log,
    "ROUND": lambda v: float(math.floor(v + 0.5) if v >= 0 else math.ceil(v - 0.5)),
    "SIN": lambda v: math.sin(math.radians(v)),
    "SQRT": math.sqrt,
    "TAN": lambda v: math.tan(math.radians(v)),
}
