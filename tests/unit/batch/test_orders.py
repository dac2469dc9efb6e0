"""Lists of orders: a row is a job, a fault has a line and a column, and the list is read to its end."""

from __future__ import annotations

import pytest

from pipeline.batch.orders import read_orders
from pipeline.errors import BadInput
from pipeline.job import read_job
from pipeline.model.digests import digest
from tests.e2e.conftest import JOBS, ROOT

TEMPLATE = JOBS / "grafting-pair.yaml"


def read(tmp_path, text, encoding="utf-8"):
    file = tmp_path / "orders.csv"
    file.write_bytes(text.encode(encoding))
    return read_orders(TEMPLATE, file)


def refused(tmp_path, text, **options):
    with pytest.raises(BadInput) as bad:
        read(tmp_path, text, **options)
    return [(f.code, f.line, f.column) for f in bad.value.findings]


def test_a_row_changes_what_it_names_and_nothing_else(tmp_path):
    [order] = read(tmp_path, "order,parts.handle.sizes.length,parts.clip.count,serial,title\nA-1,96,1,0042,Für Lenë\n")
    base = read_job(TEMPLATE)
    assert (order.job.name, order.job.serial, order.job.title) == ("A-1", "0042", "Für Lenë")
    by_name = {part.name: part for part in order.job.parts}
    assert by_name["handle-left"].sizes["length_mm"] == by_name["handle-right"].sizes["length_mm"] == 96
    assert by_name["clip"].count == 1
    for part in base.parts:
        is_handle = part.family == "handle"
        for size, value in part.sizes.items():
            assert by_name[part.name].sizes[size] == (96 if is_handle and size == "length_mm" else value)
    assert digest(order.job.crib) == digest(base.crib)


def test_an_order_is_the_job_that_a_file_with_the_same_values_is(tmp_path):
    [order] = read(tmp_path, 'order,parts.stud.sizes.bore_depth,parts.clip.rotations\nA-1,"0.08 in","[0, 90]"\n')
    file = tmp_path / "A-1.yaml"
    parts = "{stud: {sizes: {bore_depth: 0.08 in}}, clip: {rotations: [0, 90]}}"
    file.write_text(f"based_on: {TEMPLATE}\nparts: {parts}\n")
    assert digest(order.job) == digest(read_job(file))


def test_spreadsheet_habits(tmp_path):
    """A byte order mark, CRLF, semicolons, quotes with commas and line ends in them, empty rows and cells, notes."""
    text = '\ufefforder;title;notes;parts.stud.sizes.thread\r\nA-1;"One, two\r\nthree";a note;\r\n;;;\r\n'
    text += "A-2;;;M3-6H\r\n"
    first, second = read(tmp_path, text)
    assert (first.line, second.line) == (2, 5)
    assert first.job.title.split() == ["One,", "two", "three"] and first.job.notes == ("a note",)
    assert second.job.title == read_job(TEMPLATE).title
    assert second.job.parts[-1].sizes["thread"] == "M3-6H"


def test_lines_are_those_of_the_file_though_cells_have_line_ends(tmp_path):
    orders = read(tmp_path, 'order,title,parts.clip.count\nA-1,"two\nlines",1\nA-2,,one\n')
    assert [order.line for order in orders] == [2, 4]
    assert [(f.code, f.line, f.column, f.key) for f in orders[1].findings] == [("J106", 4, 3, "parts.clip.count")]


@pytest.mark.parametrize(
    "row, code, column, words",
    [
        ("A-1,10O,", "J106", 2, "10O"),
        ("A-1,1000,", "J107", 2, "80.000 mm to 130.000 mm"),
        ("A-1,,nowhere", "J108", 3, "layered-160x75"),
        ("A-1,,../no.yaml", "J101", 3, "does not exist"),
        ("../A,,", "J107", 1, "letters, digits"),
        ("<script>,,", "J107", 1, "letters, digits"),
        (",96,", "J106", 1, "letters, digits"),
        ("A-1,96,,5", "J160", 1, "4 cells"),
        ("A-1,\"[96\",", "J102", 2, "not YAML"),
        ("A-1,\"[96, 97]\",", "J106", 2, "a list"),
    ],
)
def test_a_faulty_cell_is_a_finding_at_its_place_and_no_job(tmp_path, row, code, column, words):
    bad, good = read(tmp_path, f"order,parts.handle.sizes.length,billet\n{row}\nA-9,97,\n")
    assert bad.job is None and good.job is not None
    assert [(f.code, f.line, f.column) for f in bad.findings] == [(code, 2, column)]
    assert words in str(bad.findings[0])


def test_a_column_that_no_job_has_is_a_finding_of_each_row_that_uses_it(tmp_path):
    first, second = read(tmp_path, "order,parts.handle.sizes.lenght,parts.handel.count\nA-1,96,\nA-2,,1\n")
    assert "perhaps length" in str(first.findings) or "did you mean length" in str(first.findings)
    assert second.job is None and "did you mean handle" in str(second.findings)


@pytest.mark.parametrize(
    "text, expected",
    [
        ("", [("J164", 1, 1)]),
        ("order,title\n", [("J164", 1, 1)]),
        ("name,title\nA,B\n", [("J161", 1, 1)]),
        ("order,title,title\nA,B,C\n", [("J162", 1, 3)]),
        ("order,parts.clip,parts.clip.count\nA,B,C\n", [("J162", 1, 2)]),
        ("order,units,tolerances.wall\nA,in,0.001\n", [("J162", 1, 2)]),
        ("order,based_on\nA,x.yaml\n", [("J162", 1, 2)]),
        ("order,ti\x1btle\nA,B\n", [("J162", 1, 2)]),
        ("order\nA-1\nA-2\na-1\nA-2\n", [("J163", 4, 1), ("J163", 5, 1)]),
        ('order,title\nA,"B\n', [("J160", 2, 1)]),
    ],
)
def test_a_list_that_cannot_be_used_is_refused_as_a_whole(tmp_path, text, expected):
    assert refused(tmp_path, text) == expected


def test_text_in_another_encoding_is_refused(tmp_path):
    assert refused(tmp_path, "order,title\nA-1,Für\n", encoding="latin-1") == [("J101", 1, 1)]


def test_a_template_of_its_own_is_found_from_the_list(tmp_path):
    rows = read_orders(TEMPLATE, ROOT / "configs/orders/spring-round.csv")
    inch = [order for order in rows if order.name.startswith("BK-")]
    assert len(rows) == 40 and len(inch) == 12
    assert {order.job.machine.dialect.units for order in inch} == {"in"}
    assert [order.name for order in rows if order.job is None] == ["GK-191"]


def test_a_row_that_brings_the_reader_down_is_one_bad_order(tmp_path, monkeypatch):
    from pipeline.batch import orders

    real = orders.check_order

    def falls_over(template, *, name, over):
        if name == "A-2":
            raise ZeroDivisionError("division by zero")
        return real(template, name=name, over=over)

    monkeypatch.setattr(orders, "check_order", falls_over)
    first, second = read(tmp_path, "order\nA-1\nA-2\n")
    assert first.job is not None and second.job is None
    assert "J165" in str(second.findings[0]) and ":3:1:" in str(second.findings[0])
