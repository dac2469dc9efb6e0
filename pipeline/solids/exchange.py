"""A solid as bytes that do not depend on the day, the process or the machine: BREP and STEP (ISO 10303-21).

Where shapes are joined, the kernel takes the mean of points that should be one, in an order that hangs on where its
objects lie in memory: the last bits of a few numbers differ from build to build. So a solid is written with its numbers
rounded far below the kernel's own tolerance of 1e-7 mm and read back; everything else is made from what was read.

The STEP writer puts the time and a running product number into its text, and names itself; all three are rewritten.
Author and organisation are left empty.
"""

from __future__ import annotations

import io
import re
import tempfile
from pathlib import Path
from typing import Any

from pipeline.errors import Bug

_FILE_NAME = re.compile(rb"FILE_NAME\(.*?\);", re.DOTALL)
_FILE_DESCRIPTION = re.compile(rb"FILE_DESCRIPTION\(.*?\);", re.DOTALL)
_PRODUCT = re.compile(rb"=\s*PRODUCT\(\s*'[^']*'\s*,\s*'[^']*'\s*,\s*'[^']*'\s*,")
_REAL = re.compile(rb"(?<![^\s])-?\d+(?:\.\d*(?:e[+-]?\d+)?|e[+-]?\d+)(?![^\s])")  # counts and flags have no point
_DECIMALS = 10
_NO_DATE = b"1970-01-01T00:00:00"


def settled(solid: Any) -> tuple[Any, bytes]:
    """The solid with its numbers rounded, and its BREP, the kernel's own text form. Call it before meshing."""
    import cadquery as cq

    sink = io.BytesIO()
    solid.exportBrep(sink)
    brep = _REAL.sub(lambda found: _rounded(found[0]), sink.getvalue())
    return cq.Shape.importBrep(io.BytesIO(brep)), brep


def _rounded(text: bytes) -> bytes:
    value = round(float(text), _DECIMALS) or 0.0  # no minus zero
    return repr(value).removesuffix(".0").encode()  # whole numbers as the kernel writes them


def step_bytes(solid: Any, *, name: str) -> bytes:
    """The solid as a STEP file whose product is called `name`. Lengths in mm. Call it before meshing."""
    with tempfile.TemporaryDirectory() as folder:  # the kernel's writer knows only files
        path = Path(folder) / "solid.step"
        solid.exportStep(str(path))
        text = path.read_bytes()
    word = name.encode()
    wanted = ((_FILE_NAME, b"FILE_NAME('%s.step','%s',(''),(''),'billetwright','billetwright','');" % (word, _NO_DATE)),
              (_FILE_DESCRIPTION, b"FILE_DESCRIPTION(('one solid, mm'),'2;1');"),
              (_PRODUCT, b"= PRODUCT('%s','%s',''," % (word, word)))
    for pattern, new in wanted:
        text, count = pattern.subn(new.replace(b"\\", b"\\\\"), text)
        if count != 1:
            raise Bug(f"STEP text: found {count} places for {new[:20]!r}, wanted one")
    return text
