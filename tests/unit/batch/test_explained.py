"""Words behind the keys of a shop file: the table's own, at the first place of each key, nothing else touched."""

from __future__ import annotations

from pipeline.batch.explained import explained
from pipeline.shop.fields import Number, Text
from pipeline.shop.schema import Key, ListOf, MapOf, Table

INNER = Table("a cutter", {"name": Key(Text(9), "its label"), "flutes": Key(Number(1, 9), "how many")})
OUTER = Table("a crib", {"units": Key(Text(9), "the unit"), "cutters": Key(MapOf(INNER, 1), "number: cutter"),
                         "rows": Key(ListOf(INNER), "in a row")})  # fmt: skip

TEXT = """\
# head
units: mm
cutters:
  1:
    name: flat   # mine
    flutes: 4
  2:
    name: ball
    flutes: 2
rows:
- name: x
  flutes: 3
unknown: 1
"""


def test_each_key_is_explained_once_and_comments_stay():
    lines = explained(TEXT, OUTER).splitlines()
    words = [line.partition("  # ")[2].strip() if "  # " in line else "" for line in lines]
    assert words == ["", "the unit", "number: cutter", "", "mine", "how many", "", "its label", "", "in a row", "", "",
                     ""]  # fmt: skip
    bare = [[line.split("  #")[0].rstrip() for line in some] for some in (lines, TEXT.splitlines())]
    assert bare[0] == bare[1]
