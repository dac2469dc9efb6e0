"""Rules that a machine can hold: no prints, no clock, no unseeded chance, no bare noise limits, short files."""

from __future__ import annotations

import ast
from pathlib import Path

ROOT = Path(__file__).parents[1]
FILES = [f for top in ("pipeline", "parts") for f in sorted((ROOT / top).rglob("*.py"))]
MAY_PRINT_AND_TIME = {"cli.py", "batch"}
LONGEST = 400


def _may_print(file: Path) -> bool:
    return file.relative_to(ROOT).parts[1] in MAY_PRINT_AND_TIME


def test_no_prints_clocks_or_unseeded_chance_in_stages():
    wrong = []
    for file in FILES:
        for node in ast.walk(ast.parse(file.read_text())):
            called = node.func.id if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) else ""
            if called in {"print", "input"} and not _may_print(file):
                wrong.append(f"{file}:{node.lineno}: {called}")
            names = [a.name for a in node.names] if isinstance(node, ast.Import) else []
            if isinstance(node, ast.ImportFrom):
                names = [node.module or ""]
            for name in names:
                if name.split(".")[0] in {"time", "datetime", "random"} and not _may_print(file):
                    wrong.append(f"{file}:{node.lineno}: import {name}")
            if isinstance(node, ast.Attribute) and node.attr == "default_rng":
                continue
            if (
                isinstance(node, ast.Attribute)
                and isinstance(node.value, ast.Attribute)
                and node.value.attr == "random"
                and isinstance(node.value.value, ast.Name)
                and node.value.value.id == "np"
                and node.attr not in {"default_rng", "Generator"}
                and "kernels" not in file.parts
            ):
                wrong.append(f"{file}:{node.lineno}: np.random.{node.attr} has hidden state")
    assert wrong == []


def test_noise_limits_have_a_name():
    """A bare 1e-6 in the middle of code could be noise or acceptance; a module constant says which."""
    wrong = []
    for file in FILES:
        if "kernels" in file.parts:
            continue
        tree = ast.parse(file.read_text())
        for function in ast.walk(tree):
            if not isinstance(function, ast.FunctionDef):
                continue
            for node in ast.walk(function):
                if (
                    isinstance(node, ast.Constant)
                    and isinstance(node.value, float)
                    and node.value in (1e-6, 1e-5, 1e-7)
                ):
                    wrong.append(f"{file}:{node.lineno}: {node.value}")
    assert wrong == []


def test_files_stay_short():
    long = {str(f): n for f in FILES if "kernels" not in f.parts and (n := len(f.read_text().splitlines())) > LONGEST}
    assert long == {}


def test_meshes_are_never_asked_for_with_relative_deflection():
    """`tessellate` meshes to a relative deflection: 67 um off where 10 were asked for. We mesh to an absolute one."""
    assert [str(f) for f in FILES if ".tessellate(" in f.read_text()] == []


def test_python_floats_never_reach_a_program_unrounded():
    """One module rounds numbers for programs; the writer has no format of its own for coordinates."""
    wrong = [str(f) for f in (ROOT / "pipeline/gcode").glob("*.py") if f.name != "words.py" and ":g}" in f.read_text()]
    assert wrong == []
