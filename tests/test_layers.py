"""Who may import whom: the table of DEVELOPERS.md, enforced on the syntax trees. A package nobody placed fails."""

from __future__ import annotations

import ast
from pathlib import Path

from pipeline.layers import HOMES, OURS

ROOT = Path(__file__).parents[1]

def _modules() -> list[tuple[str, str, Path]]:
    """(package, module path without suffix, file) of every module of ours."""
    out = []
    for file in sorted((ROOT / "pipeline").rglob("*.py")):
        relative = file.relative_to(ROOT / "pipeline").with_suffix("")
        out.append((relative.parts[0], "/".join(relative.parts), file))
    out += [("parts", f"parts/{file.stem}", file) for file in sorted((ROOT / "parts").glob("*.py"))]
    return out


def _imports(file: Path) -> list[tuple[str, int, bool]]:
    """(dotted name, line, is inside a function) of every import, relative ones refused by the assertion."""
    tree = ast.parse(file.read_text())
    inside = {
        id(n) for f in ast.walk(tree) if isinstance(f, ast.FunctionDef | ast.AsyncFunctionDef) for n in ast.walk(f)
    }
    found = []
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            found += [(alias.name, node.lineno, id(node) in inside) for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{file}:{node.lineno}: relative import"
            module = node.module or ""
            if module == "pipeline":
                found += [(f"pipeline.{alias.name}", node.lineno, id(node) in inside) for alias in node.names]
            else:
                found.append((module, node.lineno, id(node) in inside))
    return found


def _violations(modules: list[tuple[str, str, Path]]) -> list[str]:
    wrong = []
    for package, module, file in modules:
        if package not in OURS:
            wrong.append(f"{file}: nobody placed the package {package!r} in the table")
            continue
        for name, line, is_inside in _imports(file):
            head, _, rest = name.partition(".")
            place = f"{file}:{line}: {module} imports {name}"
            if head == "pipeline":
                target = rest.split(".")[0]
                if target and target != package and target not in OURS[package]:
                    wrong.append(place)
                verifies, makes = "verify" in module, any(f"/{kind}_" in module for kind in ("plan", "nest"))
                if "kernels." in name and (
                    ("verify_" in name and makes) or (("plan_" in name or "nest_" in name) and verifies)
                ):
                    wrong.append(f"{place}: planning and verifying kernels stay apart")
                if package != "verify" and name.startswith("pipeline.kernels.verify_"):
                    wrong.append(f"{place}: only the verifier may use its kernels")
            elif head == "parts":
                if package != "parts" or not rest.startswith("_"):
                    wrong.append(f"{place}: no module names a part")
            elif head in HOMES and package not in HOMES[head] and module not in HOMES[head]:
                wrong.append(f"{place}: {head} has its home in {sorted(HOMES[head])}")
            elif head == "cadquery" and package == "parts" and not is_inside:
                wrong.append(f"{place}: only inside build(), so that reading a job stays quick")
    return wrong


def test_every_import_is_in_the_table():
    assert _violations(_modules()) == []


def test_the_check_itself_can_fail(tmp_path):
    bad = tmp_path / "bad.py"
    bad.write_text("import shapely\nfrom pipeline.operations import plan_toolpaths\nfrom parts import handle\n")
    found = _violations([("verify", "verify/bad", bad), ("surprise", "surprise/bad", bad)])
    assert len(found) == 4
