"""A folder to start from: a job file with every key explained, the shop files it names, an order list, a note.

Everything in it is INVENTED and runs as it stands. The sizes of the families and the schema for editors are taken from
the families themselves, so a folder made tomorrow knows a size added today.
"""

from __future__ import annotations

import json
import math
import os
import re
import shutil
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

from pipeline import families
from pipeline.batch.explained import TABLES, explained
from pipeline.errors import BadInput
from pipeline.families import Family, Size
from pipeline.job import job_schema
from pipeline.job.files import OWN_CONFIGS
from pipeline.job.parts import HAND, written_name
from pipeline.model.findings import Finding
from pipeline.model.units import MM_PER_INCH

_TEMPLATES = Path(__file__).parent / "starter"
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,59}")
_COMMENT = re.compile(r"^( *(?:# +)?\w+: *.*?) {2}# ", re.MULTILINE)  # behind a key, live or commented out
_COMMENT_AT = 40  # the column where comments line up


@dataclass(frozen=True, slots=True, kw_only=True)
class _Demo:
    """What the demonstration in one unit is made of: shop files (folder -> shipped file, name of the copy), figures as
    they are written in the job, the sizes that are not left to their family, and the lines of the order list."""

    title: str
    shop: Mapping[str, tuple[str, str]]
    figures: Mapping[str, str]
    sizes: Mapping[str, Mapping[str, str]]
    orders: tuple[str, ...]


_DEMOS = {
    "mm": _Demo(
        title="Grafting knife, handle pair with clips and studs",
        shop={
            "billets": ("layered-160x75", "our-plate"),
            "machines": ("small-mill-metric", "our-mill"),
            "cribs": ("metric-crib", "our-cutters"),
            "holdings": ("vacuum-bed-large", "our-bed"),
            "materials": ("layered-titanium", "layered-titanium"),
        },
        figures={
            "wall": "0.02", "floor": "0.02", "left": "0.05", "skin": "0.25", "stock_below": "0.25",
            "z_error": "0.02", "spare": "0.05", "margin": "0.5", "edge": "0.5",
            "rotations": "[7, 187]", "clips": "2", "value_handle": "60", "value_clip": "14",
        },
        sizes={
            "handle": {"length": "100", "thickness": "3.8", "pivot_diameter": "4"},
            "clip": {"length": "48"},
            "stud": {"head_diameter": "7"},
        },
        orders=(
            'A-101,"Grafting knife, as drawn",,,R001',
            'A-102,"Grafting knife, shorter",96,,R002',
            'A-103,"Grafting knife, six studs",,6,R003',
        ),
    ),
    "in": _Demo(
        title="Budding knife, small pair with clip and studs",
        shop={
            "billets": ("layered-4p6x2p75", "our-plate"),
            "machines": ("garage-mill-inch", "our-mill"),
            "cribs": ("inch-crib", "our-cutters"),
            "holdings": ("vacuum-bed-small", "our-bed"),
            "materials": ("layered-titanium", "layered-titanium"),
        },
        figures={
            "wall": "0.0008", "floor": "0.0008", "left": "0.002", "skin": "0.010", "stock_below": "0.010",
            "z_error": "0.0008", "spare": "0.002", "margin": "0.02", "edge": "0.02",
            "rotations": "[-4, 176]", "clips": "1", "value_handle": "45", "value_clip": "12",
        },
        sizes={
            "handle": {
                "length": "3.25", "thickness": "0.13", "pivot_width": "0.875", "tail_width": "0.55",
                "belly_depth": "0.48", "pivot_diameter": '"3/16 in"', "bearing_diameter": '"3/8 in"',
                "bearing_depth": "0.03", "stop_diameter": "0.125", "detent_diameter": '"#52"', "clearance": '"#40"',
            },
            "clip": {"length": "1.7", "thickness": "0.115", "screw_diameter": '"#40"'},
            "stud": {
                "head_diameter": "0.25", "shoulder_diameter": "0.175", "thickness": "0.145", "bore_depth": "0.08",
            },
        },
        orders=(
            'A-101,"Budding knife, as drawn",,,R001',
            'A-102,"Budding knife, longer",3.3,,R002',
            'A-103,"Budding knife, two studs",,2,R003',
        ),
    ),
}  # fmt: skip


def start(name: str, *, into: Path, units: str = "mm", command: str = "billetwright") -> Path:
    """Write the folder `into`/`name`, whole or not at all; returns the path of its job file. `command` is how its
    note calls this program.

    Raises BadInput (J192) when the name cannot be a folder's and a job's, when the place is taken, or when the disk
    refuses.
    """
    home = into / name
    _check(name, home, into, units)
    fresh = into / f".{name}.{os.getpid()}.new"
    try:
        shutil.rmtree(fresh, ignore_errors=True)
        for place, text in sorted(_files(name, units, command).items()):
            file = fresh / place
            file.parent.mkdir(parents=True, exist_ok=True)
            file.write_text(text, encoding="utf-8", newline="\n")
        os.replace(fresh, home)  # takes the place of an empty folder, never of a full one
    except OSError as error:
        raise _refused(f"folder {home}", f"{error.strerror or error}", "room and permission to write there") from error
    finally:
        shutil.rmtree(fresh, ignore_errors=True)
    return home / "jobs" / f"{name}.yaml"


def _check(name: str, home: Path, into: Path, units: str) -> None:
    if not _NAME.fullmatch(name):
        wanted = "1 to 60 letters, digits, - or _, the first a letter or a digit"
        raise _refused("name of the new folder", repr(name), wanted)
    if units not in _DEMOS:
        raise _refused("units of the new folder", repr(units), " or ".join(_DEMOS))
    if not into.is_dir():
        raise _refused(f"folder {into}", "no such folder", "an existing folder to start in")
    if home.is_symlink() or (home.exists() and not home.is_dir()):
        raise _refused(f"folder {home}", "a file of that name", "a new name")
    if home.is_dir() and any(home.iterdir()):
        raise _refused(f"folder {home}", "a folder with something in it", "a new name or an empty folder")


def _files(name: str, units: str, command: str) -> dict[str, str]:
    """Every file of the folder by its place in it."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    demo = _DEMOS[units]
    templates = Environment(
        loader=FileSystemLoader(_TEMPLATES),
        autoescape=False,  # plain text for people and for the job reader; the name is letters, digits, - and _
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    known = families.scan()
    given = {
        "name": name,
        "command": command,
        "units": units,
        "demo": demo,
        "families": ", ".join(known),
        "others": [
            {"name": family.name, "has_hands": any(size.name == HAND for size in family.sizes)}
            for family in known.values()
            if family.name not in demo.sizes
        ],
        "unit_word": "inches" if units == "in" else "mm",
        "shop": {folder: copy for folder, (_, copy) in demo.shop.items()},
        "figures": demo.figures,
        "sizes": {
            family.name: _size_lines(family, demo.sizes.get(family.name, {}), units) for family in known.values()
        },
    }
    out = {
        f"jobs/{name}.yaml": _aligned(templates.get_template("job.yaml.j2").render(given)),
        "orders/first-round.csv": "\n".join(
            ["order,title,parts.handle.sizes.length,parts.stud.count,serial", *demo.orders, ""]
        ),
        "README.txt": templates.get_template("readme.txt.j2").render(given),
        "job.schema.json": json.dumps(job_schema(), indent=2, ensure_ascii=False) + "\n",
    }
    for folder, (shipped, copy) in demo.shop.items():
        out[f"{folder}/{copy}.yaml"] = _shop_copy(folder, shipped)
    return out


def _shop_copy(folder: str, shipped: str) -> str:
    """A shipped shop file with its comments, under a first line that says what it is."""
    if OWN_CONFIGS is None:
        raise _refused("shop files of this program", "none", "a whole installation")
    text = (OWN_CONFIGS / folder / f"{shipped}.yaml").read_text(encoding="utf-8")
    head = f"# Copy of {shipped}.yaml, to start from. Put your own measured figures in place of these.\n"
    return head + explained(text, TABLES[folder])


def _size_lines(family: Family, written: Mapping[str, str], units: str) -> list[str]:
    """A line for each size: live where the demonstration says a value, else commented out with its default."""
    out = []
    for size in family.sizes:
        if size.name == HAND:
            continue
        key = written_name(size)
        value = written.get(key)
        line = f"{key}: {value or _default(size, units)}"
        line = line if value else f"# {line}"
        note = "; ".join(part for part in (_allowed(size, units), " ".join(size.note.split())) if part)
        out.append(f"{line}  # {note}")
    return out


def _aligned(text: str) -> str:
    """The comments behind keys moved to one column; longer lines keep theirs where it is."""
    return _COMMENT.sub(lambda match: f"{match[1]:<{_COMMENT_AT - 2}}  # ", text)


def _default(size: Size, units: str) -> str:
    """The family's default as it is written in a job file of this unit."""
    if isinstance(size.default, str):
        return size.default
    return _number(_inch(size.default) if _in_inch(size, units) else size.default, round)


def _allowed(size: Size, units: str) -> str:
    """What may be written, in the job file's unit. Inch bounds are rounded inwards: what is named is allowed."""
    if size.kind == "pick" or not _in_inch(size, units):
        return size.allowed
    assert size.low is not None and size.high is not None
    return f"{_number(_inch(size.low), math.ceil)} to {_number(_inch(size.high), math.floor)} in"


def _in_inch(size: Size, units: str) -> bool:
    return units == "in" and size.unit == "mm"


def _inch(length_mm: float) -> float:
    return length_mm / MM_PER_INCH


def _number(value: float, rounding: Callable[[float], int]) -> str:
    """At most four decimals, the last one rounded as told."""
    return f"{rounding(round(value * 10_000, 6)) / 10_000:.4f}".rstrip("0").rstrip(".")


def _refused(where: str, found: str, wanted: str) -> BadInput:
    return BadInput([Finding(code="J192", where=where, found=found, wanted=wanted, hint="nothing was written")])
