"""A solid as bytes that do not depend on the day, the process or the machine: BREP and STEP (ISO 10303-21).

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
_NO_DATE = b"1970-01-01T00:00:00"


def brep_bytes(solid: Any) -> bytes:
    """The kernel's own text form: exact, read back by the same library. Call it before meshing."""
    sink = io.BytesIO()
    solid.exportBrep(sink)
    return sink.getvalue()


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
