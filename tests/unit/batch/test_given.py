"""A program's text as it is given: to the last character, or refused."""

from __future__ import annotations

import pytest

from pipeline.batch import given
from pipeline.errors import BadInput


def test_every_character_is_kept(tmp_path):
    file = tmp_path / "a.ngc"
    file.write_bytes("\ufeff%\r\nG0 X1 (ø)\r\n\0%".encode())
    assert given.given_program(file) == "\ufeff%\r\nG0 X1 (ø)\r\n\0%"
    file.write_bytes(b"")
    assert given.given_program(file) == ""


def test_more_than_a_program_can_be_is_refused(tmp_path, monkeypatch):
    monkeypatch.setattr(given, "LARGEST_BYTES", 2_000_000)
    file = tmp_path / "a.ngc"
    file.write_bytes(b"G0 X1\n" * 333_333)
    assert len(given.given_program(file)) == 1_999_998
    file.write_bytes(b"G0 X1\n" * 333_334)
    with pytest.raises(BadInput, match=r"J199 error: .*more than 2 MB"):
        given.given_program(file)
