"""The keys that the hold, the rapids and the forces stand on: read, defaulted, refused with file, line and key.

Outside values: NIST SP 811 appendix B.8 (1 inHg = 3.386389 kPa); ISO 2533:1975 for the air's pressure (from memory;
five places on the curve, and 24.64 inHg as the ceiling at one mile).
"""

from __future__ import annotations

import math
import shutil
from pathlib import Path

import pytest

from pipeline.job import check_job, read_job
from pipeline.model.shop import Cutter, CutterKind, Dialect, Hold, Machine
from pipeline.shop.air import KPA_PER_INHG, air_pressure_kpa
from pipeline.shop.tables import CUTTER, EXTENSIONS, MACHINE

CONFIGS = Path(__file__).parents[3] / "configs"


@pytest.mark.parametrize(
    ("altitude_m", "kpa"),
    [(0, 101.325), (500, 95.460834), (1000, 89.8745604), (1609.344, 83.427573), (2000, 79.4951974)],
)
def test_pressure_of_the_air(altitude_m: float, kpa: float) -> None:
    assert air_pressure_kpa(altitude_m) == pytest.approx(kpa, rel=1e-6)


def test_the_ceiling_at_one_mile() -> None:
    assert air_pressure_kpa(1609.344) / KPA_PER_INHG == pytest.approx(24.6361458, rel=1e-6)


def shop(tmp_path: Path, file: str, old: str, new: str) -> list[str]:
    """The findings of the main job after one change in one shop file; a place as file:line, key."""
    root = tmp_path / "configs"
    shutil.copytree(CONFIGS, root)
    path = root / file
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new))
    checked = check_job(root / "jobs" / "grafting-pair.yaml")
    return [f"{f.code} {Path(f.file or '').name}:{f.line} {f.key} {f.found} {f.wanted}" for f in checked.findings]


def line_of(file: str, start: str) -> int:
    lines = (CONFIGS / file).read_text().splitlines()
    return next(number for number, line in enumerate(lines, 1) if line.startswith(start))


HOLDING = "holdings/vacuum-bed-large.yaml"
MILL = "machines/small-mill-metric.yaml"
CRIB = "cribs/metric-crib.yaml"


def test_the_demonstrations_hold() -> None:
    large = read_job(CONFIGS / "jobs/grafting-pair.yaml")
    assert large.holding.hold == Hold(vacuum_kpa=78, altitude_m=320, friction=0.15, pump_flow_l_min=0,
                                      safety_rough=3, safety_finish=2, safety_tilt=2)  # fmt: skip
    small = read_job(CONFIGS / "jobs/budding-small.yaml")
    assert small.holding.hold is not None
    assert small.holding.hold.vacuum_kpa == pytest.approx(23 * 3.386389)
    assert small.holding.hold.altitude_m == pytest.approx(700 * 0.3048)
    for job in (large, small):
        assert job.holding.hold is not None
        assert 0.10 <= job.holding.hold.friction <= 0.20  # wet, for planning: common practice, no source
        assert 0.65 * air_pressure_kpa(job.holding.hold.altitude_m) < job.holding.hold.vacuum_kpa


def test_26_inches_at_one_mile_are_refused(tmp_path: Path) -> None:
    text = (CONFIGS / HOLDING).read_text()
    at = text.index("vacuum: 78 kPa")
    found = shop(tmp_path, HOLDING, text[at : text.index("friction:")], "vacuum: 26 inHg\naltitude: 5280 ft\n")
    line = line_of(HOLDING, "vacuum:")
    assert len(found) == 1 and found[0].startswith(f"J156 vacuum-bed-large.yaml:{line} vacuum a reading of 88.0 kPa")
    assert "24.6 inHg" in found[0]


def test_24_inches_at_one_mile_are_taken(tmp_path: Path) -> None:
    text = (CONFIGS / HOLDING).read_text()
    at = text.index("vacuum: 78 kPa")
    assert shop(tmp_path, HOLDING, text[at : text.index("friction:")], "vacuum: 24 inHg\naltitude: 5280 ft\n") == []


@pytest.mark.parametrize("key", ["vacuum", "altitude", "friction", "pump_flow", "safety"])
def test_what_the_hold_stands_on_must_be_written(tmp_path: Path, key: str) -> None:
    line = next(text for text in (CONFIGS / HOLDING).read_text().splitlines() if text.startswith(f"{key}:"))
    found = shop(tmp_path, HOLDING, line, "")
    assert len(found) == 1 and found[0].startswith("J105") and f"no key {key}" in found[0]


@pytest.mark.parametrize(
    ("file", "old", "new", "code", "key"),
    [
        (HOLDING, "vacuum: 78 kPa", "vacuum: 78", "J106", "vacuum"),
        (HOLDING, "altitude: 320 m", "altitude: 9000 m", "J107", "altitude"),
        (HOLDING, "friction: 0.15", "friction: 15", "J107", "friction"),
        (HOLDING, "pump_flow: 0 ", "pump_flow: 40 ", "J106", "pump_flow"),
        (HOLDING, "rough: 3", "rough: 0.5", "J107", "safety.rough"),
        (HOLDING, "tilt: 2", "tip: 2", "J104", "safety.tip"),
        (MILL, "rapid_path: straight", "rapid_path: dogleg", "J108", "rapid_path"),
        (MILL, "spindle_power: 750 W", "spindle_power: 1 hp", "J106", "spindle_power"),
        (MILL, "extensions: []", "extensions: [G64P]", "J108", "dialect.extensions.1"),
        (CRIB, "    diameter: 6.0\n", "    diameter: 6.0\n    helix_angle: 75\n", "J107", "cutters.1.helix_angle"),
        (CRIB, "    diameter: 6.0\n", "    diameter: 6.0\n    corner_radius: 3.1\n", "J151", "cutters.1.corner_radius"),
    ],
)  # fmt: skip
def test_refused_with_place(tmp_path: Path, file: str, old: str, new: str, code: str, key: str) -> None:
    found = shop(tmp_path, file, old, new)
    assert any(text.startswith(f"{code} {Path(file).name}:") and f" {key} " in text for text in found), found


def test_a_corner_radius_belongs_to_flat_end_mills(tmp_path: Path) -> None:
    text = (CONFIGS / CRIB).read_text()
    drill = text[text.index("kind: drill") :].splitlines()[0]
    found = shop(tmp_path, CRIB, drill, f"{drill}\n    corner_radius: 0.2")
    assert found and all(text.startswith("J151") and "corner_radius" in text for text in found)


def test_values_arrive(tmp_path: Path) -> None:
    root = tmp_path / "configs"
    shutil.copytree(CONFIGS, root)
    for file, old, new in (
        (MILL, "rapid_path: straight", "rapid_path: dog-leg"),
        (MILL, "spindle_power: 750 W", "spindle_power: 0.75 kW"),
        (CRIB, "    diameter: 6.0\n", "    diameter: 6.0\n    helix_angle: 38\n    corner_radius: 0.3\n"),
        (HOLDING, "pump_flow: 0 ", "pump_flow: 40 l/min "),
    ):
        path = root / file
        assert old in path.read_text()
        path.write_text(path.read_text().replace(old, new))
    job = read_job(root / "jobs" / "grafting-pair.yaml")
    assert (job.machine.rapid_path, job.machine.spindle_power_w) == ("dog-leg", 750.0)
    assert job.crib.cutter(1).helix_angle_rad == pytest.approx(math.radians(38))
    assert job.crib.cutter(1).corner_radius_mm == 0.3
    assert job.holding.hold is not None and job.holding.hold.pump_flow_l_min == 40


def test_only_clamps_press(tmp_path: Path) -> None:
    found = shop(tmp_path, HOLDING, "kind: rigid spacer", "kind: rigid spacer\n    press: 2 kN")
    assert len(found) == 1 and found[0].startswith("J155") and " blocks.rest-back.press " in found[0]
    job = read_job(CONFIGS / "jobs/grafting-pair.yaml")
    assert [block.press_n for block in job.holding.blocks if block.kind == "clamp"] == [3000.0, 3000.0]


def test_an_unknown_spindle_power_is_nought(tmp_path: Path) -> None:
    root = tmp_path / "configs"
    shutil.copytree(CONFIGS, root)
    path = root / MILL
    path.write_text(path.read_text().replace("spindle_power: 750 W", "spindle_power: unknown"))
    assert read_job(root / "jobs" / "grafting-pair.yaml").machine.spindle_power_w == 0.0


def test_defaults_are_the_models() -> None:
    """What a file leaves out is what the model says: two homes of one figure, held equal here."""
    cutter, machine = Cutter.__dataclass_fields__, Machine.__dataclass_fields__
    assert CUTTER.keys["helix_angle"].default == pytest.approx(cutter["helix_angle_rad"].default, abs=1e-5)
    assert CUTTER.keys["corner_radius"].default == cutter["corner_radius_mm"].default
    for key, field in (("rapid_path", "rapid_path"), ("spindle_power", "spindle_power_w")):
        assert MACHINE.keys[key].default == machine[field].default
    assert Dialect.__dataclass_fields__["extensions"].default == frozenset()
    assert {kind.value for kind in CutterKind} >= {"flat end mill"}


def test_extensions_are_what_the_reader_knows() -> None:
    from pipeline.verify.reader import EXTENSIONS as KNOWN

    assert set(EXTENSIONS) == set(KNOWN)
