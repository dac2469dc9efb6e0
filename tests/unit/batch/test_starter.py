"""A new folder runs as it stands, explains every key, knows every size, and is written whole or not at all."""

from __future__ import annotations

import csv
import dataclasses
import json
import os
import re
from pathlib import Path

import pytest
import yaml

from pipeline import families
from pipeline.batch.starter import start
from pipeline.errors import BadInput
from pipeline.job import check_job, job_schema
from pipeline.job.tables import FIXED, JOB, NEST, PART, REFERENCES, TOLERANCES, Z
from pipeline.model.units import length_mm

SHIPPED = Path(__file__).parents[3] / "configs"
SIZE_LINE = re.compile(r"^(?P<indent> +)# (?P<rest> *[\w-]+:(?: .*)?)$")  # a key that is commented out, below `parts`
UNITS = pytest.mark.parametrize("units", ["mm", "in"])


def started(tmp_path, units="mm", name="our-knife"):
    return start(name, into=tmp_path, units=units)


def contents(folder):
    return {str(f.relative_to(folder)): f.read_bytes() for f in folder.rglob("*") if f.is_file()}


def uncommented(text):
    """Every size line live; the other example lines (`fixed`, `based_on`) stay comments."""
    lines = []
    for line in text.splitlines():
        match = SIZE_LINE.match(line)
        lines.append(match["indent"] + match["rest"] if match and not match["rest"].startswith("fixed") else line)
    return "\n".join(lines) + "\n"


@UNITS
def test_the_job_reads_without_findings_and_from_the_files_beside_it(tmp_path, units):
    checked = check_job(started(tmp_path, units))
    assert checked.findings == ()
    job = checked.job
    assert (job.name, job.units, job.machine.dialect.units) == ("our-knife", units, units)
    assert [part.name for part in job.parts] == ["handle-left", "handle-right", "clip", "stud"]
    assert (job.billet.name, job.machine.name, job.crib.name) == ("our-plate", "our-mill", "our-cutters")


@UNITS
def test_a_change_in_a_copied_file_reaches_the_job(tmp_path, units):
    """Also for the material, which keeps the name of the shipped file: the file beside the job wins."""
    job_file = started(tmp_path, units)
    material = tmp_path / "our-knife/materials/layered-titanium.yaml"
    material.write_text(material.read_text().replace("speed_factor: 1.0", "speed_factor: 0.5"))
    assert check_job(job_file).job.material.speed_factor == 0.5


@UNITS
def test_every_size_of_every_family_stands_there_once(tmp_path, units):
    parts = yaml.safe_load(uncommented(started(tmp_path, units).read_text()))["parts"]
    schema = job_schema()["$defs"][f"parts-{units}"]["additionalProperties"]["allOf"]
    wanted = {rule["if"]["properties"]["family"]["const"]: rule["then"]["properties"]["sizes"] for rule in schema}
    found = {part["family"]: part["sizes"] for part in parts.values()}
    assert {name: list(sizes) for name, sizes in found.items()} == {
        name: list(sizes["properties"]) for name, sizes in wanted.items()
    }


@UNITS
def test_with_every_size_line_live_the_job_is_still_good_and_the_same(tmp_path, units):
    """The lines that were commented out show the defaults, so nothing moves by more than the rounding of an inch."""
    job_file = started(tmp_path, units)
    before = check_job(job_file).job
    text = job_file.read_text()
    live = uncommented(text)
    assert sum(a != b for a, b in zip(text.splitlines(), live.splitlines(), strict=True)) > 20
    job_file.write_text(live)
    checked = check_job(job_file)
    assert checked.findings == ()
    for old, new in zip(before.parts, checked.job.parts, strict=True):
        for size, value in old.sizes.items():
            if isinstance(value, str):
                assert new.sizes[size] == value
            else:
                assert new.sizes[size] == pytest.approx(value, abs=0.0013 if units == "in" else 1e-9)


@UNITS
def test_the_bounds_behind_a_size_are_themselves_allowed(tmp_path, units):
    """Rounded to four decimals, the least and the greatest value named are still inside the family's bounds."""
    text = started(tmp_path, units).read_text()
    sizes = {s.name: s for family in families.scan().values() if family.name == "handle" for s in family.sizes}
    lines = re.findall(rf"^ +(?:# )?(\w+): .*# (\S+) to (\S+) {units};", text.partition("  clip:")[0], re.MULTILINE)
    assert len(lines) > 20
    for key, low, high in lines:
        size = sizes[f"{key}_mm"]
        for written, bound in ((low, size.low), (high, size.high)):
            value = length_mm(float(written), default_unit=units)
            assert size.admits(round(value, 9))
            assert value == pytest.approx(bound, abs=0.0026)  # one in the fourth decimal of an inch


@UNITS
def test_every_key_of_a_job_is_there_with_words_behind_it(tmp_path, units):
    text = started(tmp_path, units).read_text()
    for key in {*JOB.keys, *PART.keys, *Z.keys, *NEST.keys, *TOLERANCES.keys, *FIXED.keys}:
        assert re.search(rf"\b{key}: ?", text), f"{key} is not in the job file"
    for table in (TOLERANCES, Z, NEST):
        for key in table.keys:
            assert re.search(rf"^  {key}: .*  # \w+", text, re.MULTILINE), f"{key} has no comment"
    for key in ("title", "units", "serial", *REFERENCES):
        assert re.search(rf"^{key}: .*  # \S+", text, re.MULTILINE), f"{key} has no comment"
    assert text.startswith("# yaml-language-server: $schema=../job.schema.json\n")
    assert text.count("INVENTED") >= 10


def test_a_family_of_tomorrow_is_listed_too(tmp_path, monkeypatch):
    known = families.scan()
    washer = dataclasses.replace(known["stud"], name="washer")
    monkeypatch.setattr(families, "scan", lambda folders=(): {**known, "washer": washer})
    job_file = started(tmp_path)
    assert "washer" not in yaml.safe_load(job_file.read_text())["parts"]
    job_file.write_text(uncommented(job_file.read_text()))
    assert check_job(job_file).findings == ()
    washers = yaml.safe_load(job_file.read_text())["parts"]["washer"]
    assert len(washers["sizes"]) == len(washer.sizes)


@UNITS
def test_shop_files_are_the_shipped_ones_with_a_word_behind_each_key(tmp_path, units):
    job_file = started(tmp_path, units)
    assert sum(len(list((job_file.parent.parent / folder).glob("*.yaml"))) for folder in REFERENCES.values()) == 5
    explained = 0
    for folder in REFERENCES.values():
        (copy,) = (job_file.parent.parent / folder).glob("*.yaml")
        first, _, rest = copy.read_text().partition("\n")
        shipped = re.search(r"^# Copy of (\S+\.yaml)", first)[1]
        text = (SHIPPED / folder / shipped).read_text()
        assert yaml.safe_load(rest) == yaml.safe_load(text)
        for line, old in zip(rest.splitlines(), text.splitlines(), strict=True):
            assert line == old or (line.startswith(old) and "#" not in old and "  # " in line), line
            explained += line != old
    assert explained >= 40


@UNITS
def test_every_line_of_the_order_list_is_a_good_job(tmp_path, units):
    """Dotted keys laid over the job file; an empty cell leaves what stands there."""
    job_file = started(tmp_path, units)
    with (tmp_path / "our-knife/orders/first-round.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert list(rows[0]) == ["order", "title", "parts.handle.sizes.length", "parts.stud.count", "serial"]
    assert len({row["order"] for row in rows}) == len({row["serial"] for row in rows}) == 3
    assert any(row["parts.handle.sizes.length"] for row in rows) and any(row["parts.stud.count"] for row in rows)
    for row in rows:
        tree = {"based_on": "our-knife.yaml"}
        for key, cell in row.items():
            *above, last = key.split(".")
            if cell and key != "order":
                table = tree
                for step in above:
                    table = table.setdefault(step, {})
                table[last] = cell if last in ("title", "serial") else yaml.safe_load(cell)
        order_file = job_file.with_name(f"{row['order']}.yaml")
        order_file.write_text(yaml.safe_dump(tree))
        assert check_job(order_file).findings == ()


def test_the_schema_and_the_note_lie_beside(tmp_path):
    home = started(tmp_path).parent.parent
    assert json.loads((home / "job.schema.json").read_text()) == job_schema()
    note = (home / "README.txt").read_text()
    for words in ("billetwright check", "billetwright make", "billetwright batch", "INVENTED", "It has not run"):
        assert words in note
    for place in re.findall(r"\S+\.(?:yaml|csv)", note):
        assert (home / place).is_file() or (home.parent / place).is_file(), place


@UNITS
def test_the_same_bytes_twice_and_nothing_of_this_machine(tmp_path, units):
    for place in ("one", "two"):
        (tmp_path / place).mkdir()
        started(tmp_path / place, units)
    one, two = contents(tmp_path / "one"), contents(tmp_path / "two")
    assert one == two and len(one) == 9
    assert not any(str(tmp_path).encode() in data or str(Path.home()).encode() + b"/" in data for data in one.values())


def test_an_existing_folder_is_left_alone_unless_empty(tmp_path):
    (tmp_path / "our-knife").mkdir()
    (tmp_path / "our-knife/letter.txt").write_text("dear")
    (tmp_path / "a-file").write_text("x")
    for name in ("our-knife", "a-file"):
        with pytest.raises(BadInput, match="J192"):
            start(name, into=tmp_path)
    assert contents(tmp_path) == {"our-knife/letter.txt": b"dear", "a-file": b"x"}
    (tmp_path / "empty").mkdir()
    assert start("empty", into=tmp_path).is_file()


@pytest.mark.parametrize("name", ["", "..", "a/b", "our knife", "-knife", "messer-ü", "a.b", "a\n", "x" * 61, "#43"])
def test_a_name_that_cannot_be_a_folders(tmp_path, name):
    with pytest.raises(BadInput, match="J192"):
        start(name, into=tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_other_units_and_a_place_that_is_not_there(tmp_path):
    with pytest.raises(BadInput, match=r"J192.*mm or in"):
        start("our-knife", into=tmp_path, units="cm")
    with pytest.raises(BadInput, match=r"J192.*no such folder"):
        start("our-knife", into=tmp_path / "nowhere")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("fault", [OSError(28, "No space left on device"), KeyboardInterrupt()])
def test_after_a_failure_nothing_is_left(tmp_path, monkeypatch, fault):
    real, written = Path.write_text, []

    def fails_at_the_fifth(self, *args, **kwargs):
        written.append(self)
        if len(written) == 5:
            raise fault
        return real(self, *args, **kwargs)

    monkeypatch.setattr(Path, "write_text", fails_at_the_fifth)
    with pytest.raises(BadInput if isinstance(fault, OSError) else KeyboardInterrupt):
        started(tmp_path)
    assert len(written) == 5 and list(tmp_path.iterdir()) == []


def test_the_folder_appears_at_once(tmp_path, monkeypatch):
    seen = []
    real = os.replace
    monkeypatch.setattr(os, "replace", lambda a, b: (seen.append(Path(b).exists()), real(a, b)))
    started(tmp_path)
    assert seen == [False]
