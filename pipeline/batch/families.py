"""The part families for whoever writes a job: what can be ordered, in which bounds, and what each size changes."""

from __future__ import annotations

from pathlib import Path

from pipeline.batch.folder import put_file
from pipeline.errors import BadInput
from pipeline.families import Family, Size, scan
from pipeline.job.parts import HAND, written_name
from pipeline.model.findings import Finding
from pipeline.model.units import MM_PER_INCH
from pipeline.shop.reading import nearest


def overview(command: str) -> str:
    """A line for each family: its name, the first sentence about it, how many sizes it has."""
    lines = [f"{name:<10} {_first_sentence(family)} ({len(family.sizes)} sizes)" for name, family in scan().items()]
    return "\n".join([*lines, "", f"The sizes of one, with a drawing that names them: {command} families FAMILY", ""])


def describe(name: str, *, out: Path, units: str) -> str:
    """The sizes of a family as a job file writes them, and where its drawing was put (`out`/FAMILY.svg).

    Raises BadInput (J180, J198) for a name or a unit that is not known.
    """
    known = scan()
    if units not in ("mm", "in"):
        raise BadInput([Finding(code="J198", where="--units", found=units, wanted="mm or in")])
    if name not in known:
        raise BadInput([Finding(code="J180", where="family", found=name, wanted=", ".join(known),
                                hint=nearest(name, known))])  # fmt: skip
    from pipeline import stages

    family = known[name]
    drawing = stages.draw_family(name, units=units)
    file = out / f"{name}.svg"
    out.mkdir(parents=True, exist_ok=True)
    put_file(file, drawing.encode())
    rows = [
        (written_name(size), _default(size, units), _allowed(size, units), size.note)
        for size in family.sizes
        if size.name != HAND
    ]
    rows = [("size", f"default, {units}", "allowed", "what it is"), *rows]
    widths = [max(len(row[k]) for row in rows) for k in range(3)]
    table = "\n".join("  ".join([*(f"{row[k]:<{widths[k]}}" for k in range(3)), row[3]]).rstrip() for row in rows)
    hands = "\nIt comes in two hands, mirror images: `hands: pair`, `left` or `right` beside `count`.\n"
    has_hands = any(size.name == HAND for size in family.sizes)
    return f"{family.doc}\n\n{table}\n{hands if has_hands else ''}\ndrawing: {file}\n"


def _first_sentence(family: Family) -> str:
    return family.doc.split(". ")[0].splitlines()[0].rstrip(".")


def _default(size: Size, units: str) -> str:
    if isinstance(size.default, str):
        return size.default
    return f"{_number(size.default, size, units)}"


def _allowed(size: Size, units: str) -> str:
    if size.kind == "pick":
        return " | ".join(size.choices)
    assert size.low is not None and size.high is not None
    return f"{_number(size.low, size, units)} to {_number(size.high, size, units)}"


def _number(value: float, size: Size, units: str) -> str:
    """A value as a job file of this unit would hold it."""
    inches = units == "in" and size.unit == "mm"
    return f"{value / MM_PER_INCH:.4f}".rstrip("0").rstrip(".") if inches else f"{value:g}"
