"""One line of program text taken apart into words, and the rules of form that a single line must obey.

Words: a *block* is a line; a *word* is a letter with a value; a *setting* is `#n=value`. Rules: NISTIR 6556 sections
2.2.2, 3.3 and 3.4. G codes are kept times ten (G61.1 is 611). Letters that the language does not have (E, O, U, V, W)
and everything else that is not understood are faults: a block with a fault is not carried out.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field

from pipeline.verify.expressions import LARGEST_VALUE, Parameters, TextFault, read_value, whole

LONGEST_LINE = 256
MOST_M_WORDS = 4
LETTERS = frozenset("ABCDFGHIJKLMNPQRSTXYZ")

G_GROUPS: dict[str, tuple[int, ...]] = {
    "motion": (0, 10, 20, 30, 382, 730, 800, 810, 820, 830, 840, 850, 860, 870, 880, 890),
    "plane": (170, 180, 190),
    "distance": (900, 910),
    "feed mode": (930, 940),
    "units": (200, 210),
    "cutter compensation": (400, 410, 420),
    "length offset": (430, 490),
    "cycle return": (980, 990),
    "work system": (540, 550, 560, 570, 580, 590, 591, 592, 593),
    "path control": (610, 611, 640),
    "non-modal": (40, 100, 280, 300, 530, 920, 921, 922, 923),
}
M_GROUPS: dict[str, tuple[int, ...]] = {
    "stop": (0, 1, 2, 30, 60),
    "tool change": (6,),
    "spindle": (3, 4, 5),
    "coolant": (7, 8, 9),
    "overrides": (48, 49),
}
GROUP_OF_G = {code: group for group, codes in G_GROUPS.items() for code in codes}
GROUP_OF_M = {code: group for group, codes in M_GROUPS.items() for code in codes}
_LETTERS_SHOWN = "words with the letters " + "".join(sorted(LETTERS))
_HINTS = {"E": "numbers have no exponent", "O": "there are no subprograms", ";": "comments stand in ( )"}

# Each number can be read in one way only: with two, a long line that fails at its end would take for ever.
_PLAIN = re.compile(r"(?:[A-Z][+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+))*")
_WORD = re.compile(r"([A-Z])([+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+))")
_BEFORE_SEMICOLON = re.compile(r"[^;(]*(?:\([^)]*\)[^;(]*)*")
_ODD = re.compile(r"[^\t\x20-\x7e\n]")
_LINE_NUMBER = re.compile(r"N([0-9]+)(?![0-9.])")
_COMMENT_MARK = "\n"  # stands where a comment was, so that its two sides never grow together into one word
_G_TEXT = {f"{code // 10}" + (f".{code % 10}" if code % 10 else ""): code for code in GROUP_OF_G}
_G_TEXT.update({f"0{code // 10}": code for code in GROUP_OF_G if code < 100})


@dataclass(slots=True)
class Block:
    """One line, read. `g` and `m` map modal groups to codes; `words` holds all other letters."""

    line: int
    words: dict[str, float] = field(default_factory=dict)
    g: dict[str, int] = field(default_factory=dict)
    m: dict[str, int] = field(default_factory=dict)
    settings: list[tuple[int, float]] = field(default_factory=list)
    comment: str = ""  # the last comment of the line
    message: str = ""  # what (MSG, ...) shows
    heading: str = ""  # the comment of a line that holds nothing else, and no message
    deleted: bool = False  # the line began with /
    faults: list[TextFault] = field(default_factory=list)

    @property
    def empty(self) -> bool:
        """True when nothing on the line does anything."""
        return not (self.words or self.g or self.m or self.settings or self.faults)


def g_name(code: int) -> str:
    """`G61.1` for 611."""
    return f"G{code // 10}" + (f".{code % 10}" if code % 10 else "")


def read_block(raw: str, line: int, parameters: Parameters, *, semicolons: bool = False) -> Block:
    """Take the line `raw` (without its end) apart. All faults found stand in the block; nothing is raised.

    `semicolons`: this control lets a ; begin a comment that ends with the line.
    """
    block = Block(line)
    if len(raw) > LONGEST_LINE:
        block.faults.append(TextFault("V604", f"{len(raw)} characters", f"at most {LONGEST_LINE}"))
        return block
    try:
        # In a comment too: a control that takes such a character for the end of a line carries out what follows it.
        odd = _ODD.search(raw)
        if odd:
            raise TextFault("V601", f"the character {odd[0]!a}", "printable ASCII, blanks and tabs")
        if semicolons and ";" in raw:
            raw = _without_tail(raw, block)
        bare = _without_comments(raw, block) if "(" in raw or ")" in raw else raw
        text = bare.replace(" ", "").replace("\t", "").upper()
        if text.startswith("/"):
            block.deleted, text = True, text[1:]
        if text.startswith("N"):
            text = _without_line_number(text)
        if _PLAIN.fullmatch(text):
            for letter, number in _WORD.findall(text):
                _take(block, letter, float(number), number)
        else:
            _read_slowly(text, block, parameters)
        if block.comment and not block.deleted and block.empty and not _is_message(block.comment):
            block.heading = block.comment
    except TextFault as fault:
        block.faults.append(fault)
    return block


def _is_message(comment: str) -> bool:
    head, comma, _ = comment.partition(",")
    return bool(comma) and head.strip().upper() == "MSG"


def _without_tail(raw: str, block: Block) -> str:
    """The line up to its first ; that stands in no comment."""
    end = _BEFORE_SEMICOLON.match(raw)
    if end is None or raw[end.end() : end.end() + 1] != ";":
        return raw
    block.comment = raw[end.end() + 1 :].strip()
    return end[0]


def _without_comments(raw: str, block: Block) -> str:
    parts, at = [], 0
    while at < len(raw):
        opened = raw.find("(", at)
        stray = raw.find(")", at, len(raw) if opened < 0 else opened)
        if stray >= 0:
            raise TextFault("V603", "a closing ) without its (")
        if opened < 0:
            break
        closed = raw.find(")", opened)
        if closed < 0:
            raise TextFault("V603", "a comment that is not closed on its line")
        if "(" in raw[opened + 1 : closed]:
            raise TextFault("V603", "a ( inside a comment", "comments without brackets inside")
        block.comment = raw[opened + 1 : closed].strip()
        parts += [raw[at:opened], _COMMENT_MARK]
        at = closed + 1
    if _is_message(block.comment):
        block.message = block.comment.partition(",")[2].strip()
    return "".join(parts) + raw[at:]


def _without_line_number(text: str) -> str:
    match = _LINE_NUMBER.match(text)
    if match is None or len(match[1]) > 5:
        raise TextFault("V605", f"line number {text[:12]!r}", "N and 1 to 5 digits")
    return text[match.end() :]


def _read_slowly(text: str, block: Block, parameters: Parameters) -> None:
    """The whole language: expressions, parameters, settings, and a good word about what is not in it."""
    at = 0
    while at < len(text):
        letter = text[at]
        if letter == _COMMENT_MARK:
            at += 1
        elif letter == "#":
            index, at = read_value(text, at + 1, parameters)
            if text[at : at + 1] != "=":
                raise TextFault("V602", f"#{index:g} that is no word's value", "#n=value")
            value, at = read_value(text, at + 1, parameters)
            block.settings.append((whole(index, "parameter number"), value))
        elif letter not in LETTERS:
            raise _not_a_word(text, at)
        else:
            value, end = read_value(text, at + 1, parameters)
            _take(block, letter, value, text[at + 1 : end])
            at = end


def _not_a_word(text: str, at: int) -> TextFault:
    here = text[at]
    if here == "/":
        return TextFault("V614", "a / that is not first on its line")
    if here == "%":
        return TextFault("V611", "a % on a line with other things", "a line of its own")
    return TextFault("V601", repr(text[at : at + 12]), _LETTERS_SHOWN, _HINTS.get(here, ""))


def _take(block: Block, letter: str, value: float, text: str) -> None:
    """Put one word into the block. A second word of a kind is a fault, and so is a code that does not exist."""
    if letter == "G":
        code = _G_TEXT.get(text)
        if code is None:
            code = whole(value * 10, "G code times ten")
        group = GROUP_OF_G.get(code)
        if group is None:
            block.faults.append(TextFault("V608", f"G{text}", "G codes of the language"))
        elif group in block.g:
            found = f"{g_name(block.g[group])} and {g_name(code)} ({group})"
            block.faults.append(TextFault("V607", found, "one code of a group on a line"))
        else:
            block.g[group] = code
    elif letter == "M":
        code = whole(value, "M code")
        group = GROUP_OF_M.get(code)
        if group is None:
            block.faults.append(TextFault("V608", f"M{text}", "M codes of the language"))
        elif group in block.m:
            found = f"M{block.m[group]} and M{code} ({group})"
            block.faults.append(TextFault("V607", found, "one code of a group on a line"))
        elif len(block.m) == MOST_M_WORDS:
            block.faults.append(TextFault("V606", "five M words", f"at most {MOST_M_WORDS}"))
        else:
            block.m[group] = code
    elif letter == "N":
        block.faults.append(TextFault("V605", f"N{text} after other words", "the line number first"))
    elif letter not in LETTERS:
        block.faults.append(TextFault("V601", f"{letter}{text}", _LETTERS_SHOWN, _HINTS.get(letter, "")))
    elif letter in block.words:
        block.faults.append(TextFault("V606", f"{letter} twice", "one word of a letter on a line"))
    elif not abs(value) <= LARGEST_VALUE:
        block.faults.append(TextFault("V602", f"{letter}{text[:20]}", "a value below ten million"))
    else:
        block.words[letter] = value
