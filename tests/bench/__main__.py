"""One benchmark of this folder: `./run bench NAME [--json FILE]`. Each is a module with `run() -> dict` of figures; one
with words of its own adds them to the parser in `words(parser)` and takes them as `run(**values)`."""

from __future__ import annotations

import argparse
import importlib.util
import json
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent


def main() -> None:
    """Run one benchmark, print its figures, write them where --json says."""
    names = sorted(f.stem for f in HERE.glob("[!_]*.py") if "\ndef run(" in f.read_text())
    parser = argparse.ArgumentParser(prog="./run bench", description=__doc__)
    parser.add_argument("name", choices=names)
    parser.add_argument("--json", type=Path, metavar="FILE")
    sys.path.insert(0, str(HERE.parents[1]))
    module = _module(sys.argv[1]) if sys.argv[1:2] and sys.argv[1] in names else None
    if hasattr(module, "words"):
        module.words(parser)
    asked = parser.parse_args()
    figures = module.run(**{key: value for key, value in vars(asked).items() if key not in ("name", "json")})
    shown = dict(_flat(figures))
    width = max(len(k) for k in shown)
    for key, value in shown.items():
        print(f"{key:<{width}}  {value:.4g}" if isinstance(value, float) else f"{key:<{width}}  {value}")
    if asked.json:
        asked.json.write_text(json.dumps(figures, indent=2) + "\n")


def _module(name: str) -> Any:
    spec = importlib.util.spec_from_file_location(f"bench_{name}", HERE / f"{name}.py")
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module  # dataclasses look their module up
    spec.loader.exec_module(module)
    return module


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
