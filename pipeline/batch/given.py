"""A program's text as somebody gives it: read as it is, refused when it cannot be a program's text at all."""

from __future__ import annotations

from pathlib import Path

from pipeline.errors import BadInput
from pipeline.model.findings import Finding

LARGEST_BYTES = 100_000_000  # some two million lines: more has never been a program of one setup


def given_program(path: Path) -> str:
    """The file's text to the last character: what the control would read is what is judged. Raises BadInput (J199)."""
    found, hint = "", "give the program's file"
    try:
        with path.open("rb") as file:
            data = file.read(LARGEST_BYTES + 1)
        if len(data) > LARGEST_BYTES:
            found = f"more than {LARGEST_BYTES // 1_000_000} MB"
        else:
            return data.decode("utf-8")
    except UnicodeDecodeError as error:
        found, hint = f"bytes that are not UTF-8 text, the first after {error.start}", "save it as plain text"
    except OSError as error:
        found = f"a file that cannot be read ({error.strerror})"
    raise BadInput([Finding(code="J199", where=f"program {path}", found=found,
                            wanted=f"a text file of at most {LARGEST_BYTES // 1_000_000} MB", hint=hint)])  # fmt: skip
