"""One benchmark of this folder: `./run bench NAME [FOLDER] [--json FILE]`.

Each is a module with `run() -> dict` of figures; one that reads instances has `run(folder)`, too.
"""

from __future__ import annotations

import argparse
import importlib.util
import json
import sys
from collections.abc import Iterator
from pathlib import Path

HERE = Path(__file__).parent


def main() -> None:
    """Run one benchmark, print its figures, write them where --json says."""
    names = sorted(f.stem for f in HERE.glob("*.py") if not f.stem.startswith("_"))
    parser = argparse.ArgumentParser(prog="./run bench", description=__doc__.splitlines()[0])
    parser.add_argument("name", choices=names)
    parser.add_argument("folder", nargs="?", type=Path, help="instances, for a benchmark that reads some")
    parser.add_argument("--json", type=Path, metavar="FILE")
    asked = parser.parse_args()
    sys.path.insert(0, str(HERE.parents[1]))
    spec = importlib.util.spec_from_file_location(f"bench_{asked.name}", HERE / f"{asked.name}.py")
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module  # dataclasses look their module up
    spec.loader.exec_module(module)
    figures = module.run() if asked.folder is None else module.run(asked.folder)
    shown = dict(_flat(figures))
    width = max(len(k) for k in shown)
    for key, value in shown.items():
        print(f"{key:<{width}}  {value:.4g}" if isinstance(value, float) else f"{key:<{width}}  {value}")
    if asked.json:
        asked.json.write_text(json.dumps(figures, indent=2) + "\n")


def _flat(figures: dict) -> Iterator[tuple[str, object]]:
    """Single figures, and those of tables of single figures; lists and deeper tables are for --json."""
    for key, value in figures.items():
        if isinstance(value, dict):
            single = all(not isinstance(v, dict) for v in value.values())
            yield from ((f"{key}, {k}", v) for k, v in value.items() if single and not isinstance(v, list))
        elif not isinstance(value, list):
            yield key, value


if __name__ == "__main__":
    main()
