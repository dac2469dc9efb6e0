"""Many orders into one folder: each order's packet in a folder of its name, and what came of all of them.

Steps: read and check every row; lock the folder; leave what is there and unchanged; make the rest on the executor,
writing each packet and the list of results as it comes; write the overview for people and for a build server.

The list, `results.jsonl`, is the batch's memory: an order whose job, program version and libraries are those of its
line is not made again, if its packet is whole. It holds no times, so that a batch that was stopped and continued ends
with the same bytes as one that was not.
"""

from __future__ import annotations

import fcntl
import hashlib
import json
import re
import shutil
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import BrokenExecutor, Future, as_completed
from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

from pipeline.batch.cache import edition
from pipeline.batch.folder import is_whole, put_file, write_folder
from pipeline.batch.gallery import write_gallery
from pipeline.batch.junit import junit_xml
from pipeline.batch.orders import Order, read_orders
from pipeline.batch.work import Outcome, executor, make_order
from pipeline.errors import BadInput
from pipeline.model.digests import digest
from pipeline.model.findings import Finding

RESULTS, JUNIT, GALLERY = "results.jsonl", "junit.xml", "gallery.html"
_LOCK = ".batch-lock"
_HALF = re.compile(r"\.(?P<name>.+)\.\d+\.(new|old)")
_OURS = {RESULTS, JUNIT, GALLERY, _LOCK}
EXIT = {"released": 0, "refused": 1, "not made": 2, "failed": 3}

Result = Mapping[str, Any]  # one line of results.jsonl
_NOTHING: Result = {"order": "", "verdict": "", "key": "", "packet": ""}  # what every line has, and more


@dataclass(frozen=True, slots=True, kw_only=True)
class Batch:
    """What a batch came to. `results` in the order of the list; `unchanged` are those that were there already.

    Folders with a packet of an earlier run: `earlier`, whose order could not be made again, and `strays`, whose order
    is gone from the list."""

    results: tuple[Result, ...]
    unchanged: frozenset[str]
    earlier: tuple[str, ...]
    strays: tuple[str, ...]

    @property
    def code(self) -> int:
        """The worst exit code of its orders."""
        return max(EXIT[result["verdict"]] for result in self.results)


def run_batch(
    template: Path,
    orders: Path,
    out: Path,
    *,
    workers: int,
    cluster: str | None = None,
    force: bool = False,
    use_cache: bool = True,
    checked: Callable[[Sequence[Order]], None] = lambda orders: None,
    done: Callable[[Result, str, int, int], None] = lambda result, different, n, of: None,
) -> Batch:
    """Make every order of the list that is not there yet. `checked` is called with all rows before the first is made,
    `done` with each order as it is finished, what is different from the packet that was there (empty when none was),
    its number and how many there are to make.

    The same bytes whatever `workers` and `cluster`. Raises BadInput when the list cannot be used as a whole, the
    folder holds something else (J195), another batch works in it (J196), or the cluster does not answer (J197).
    """
    listed = read_orders(template, orders)
    _check_folder(out, {order.name for order in listed})
    checked(listed)
    with _locked(out):
        _sweep(out, {order.name for order in listed})
        made_by = edition()
        keys = {order.name: digest((order.job, made_by, force)) for order in listed if order.job is not None}
        results = {
            order.name: {**before[order.name], "line": order.line}
            for before in [_read_results(out / RESULTS)]
            for order in listed
            if order.job is not None and _is_unchanged(before.get(order.name), keys[order.name], out / order.name)
        }
        unchanged = frozenset(results)
        for order in listed:
            if order.job is None:
                results[order.name] = _result(order, "", Outcome(word="not made", findings=order.findings, files={}))
        _write_results(out, listed, results)
        todo = [order for order in listed if order.name not in results]
        with _outcomes(todo, workers, cluster, force=force, use_cache=use_cache, made_by=made_by) as outcomes:
            for n, (order, outcome) in enumerate(outcomes, 1):
                result = _result(order, keys[order.name], outcome)
                different = ""
                if outcome.files:
                    try:
                        different = write_folder(out / order.name, outcome.files, order.name)
                    except BadInput as bad:  # somebody's files in its place, or a full disk: the others go on
                        result = _result(order, "", Outcome(word="not made", findings=bad.findings, files={}))
                results[order.name] = result
                _write_results(out, listed, results)
                done(result, different, n, len(todo))
        ordered = tuple(results[order.name] for order in listed)
        put_file(out / JUNIT, junit_xml(orders.stem, ordered))
        folders = {f.name for f in out.iterdir() if f.is_dir() and not f.name.startswith(".")}
        earlier = sorted(name for name in folders if name in results and not results[name]["packet"])
        strays = sorted(folders - results.keys())
        not_made = {result["order"]: _reason(result) for result in ordered if not result["packet"]}
        not_made |= {name: "not in the list any more; what lies there is of an earlier run" for name in strays}
        write_gallery(out, title=f"Orders: {orders.name}", not_made=not_made)
    return Batch(results=ordered, unchanged=unchanged, earlier=tuple(earlier), strays=tuple(strays))


def _result(order: Order, key: str, outcome: Outcome) -> Result:
    """One line of the list."""
    summary = json.loads(outcome.files["summary.json"]) if outcome.files else {}
    packet = hashlib.sha256(outcome.files["summary.json"]).hexdigest() if outcome.files else ""
    minutes = sum(p["cutting_s"] + p["air_s"] for p in summary.get("programs", ())) / 60
    return {
        "order": order.name,
        "line": order.line,
        "verdict": outcome.word,
        "serial": summary.get("serial", ""),
        "billet": summary.get("billet", ""),
        "yield": summary.get("yield"),
        "minutes": round(minutes, 1) if summary else None,
        "placed": summary.get("placed", {}),
        "findings": [_portable(finding).data() for finding in outcome.findings],
        "fault": outcome.fault,
        "key": key,
        "packet": packet,
    }


def _reason(result: Result) -> str:
    """Why an order has no packet, in a line."""
    lines = [str(Finding(**finding)) for finding in result["findings"]] or result["fault"].strip().splitlines()[-1:]
    more = f" and {len(lines) - 1} more" if len(lines) > 1 else ""
    return f"{result['verdict']}: {lines[0]}{more}" if lines else str(result["verdict"])


def _portable(finding: Finding) -> Finding:
    """The finding without the way to its file: results are the same wherever the batch was started."""
    return replace(finding, file=Path(finding.file).name) if finding.file else finding


@contextmanager
def _outcomes(
    todo: Sequence[Order], workers: int, cluster: str | None, *, force: bool, use_cache: bool, made_by: str
) -> Iterator[Iterator[tuple[Order, Outcome]]]:
    """The orders with their outcomes, as they come. Leaving early drops what has not begun."""
    if not todo:
        yield iter(())
        return
    make = partial(make_order, force=force, use_cache=use_cache, made_by=made_by)
    with executor(min(workers, len(todo)), cluster) as pool:
        of = {pool.submit(make, order.job): order for order in todo}

        def each() -> Iterator[tuple[Order, Outcome]]:
            broken = []
            for future in as_completed(list(of)):
                order = of.pop(future)  # a packet is megabytes: none is held longer than it is needed
                if isinstance(future.exception(), BrokenExecutor):
                    broken.append(order)
                    continue
                yield order, _outcome(future)
            for order in broken:  # one of them brought its process down, and the others with it
                with executor(1, cluster) as own:
                    yield order, _outcome(own.submit(make, order.job))

        try:
            yield each()
        except BaseException:
            pool.shutdown(wait=False, cancel_futures=True)
            raise


def _outcome(future: Future[Outcome]) -> Outcome:
    error = future.exception()
    if error is None:
        return future.result()
    return Outcome(word="failed", findings=(), files={}, fault=f"its process ended: {error!r}")


def _is_unchanged(result: Result | None, key: str, folder: Path) -> bool:
    if result is None or result["key"] != key or result["verdict"] == "failed":
        return False
    return not result["packet"] or is_whole(folder, result["packet"])


def _read_results(file: Path) -> dict[str, Result]:
    """Results by order; what cannot be read is not there."""
    found = {}
    try:
        for line in file.read_text(encoding="utf-8").split("\n"):
            result = json.loads(line) if line else _NOTHING
            if _NOTHING.keys() <= result.keys():
                found[result["order"]] = result
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        pass
    found.pop("", None)
    return found


def _write_results(out: Path, listed: Sequence[Order], results: Mapping[str, Result]) -> None:
    lines = [json.dumps(results[order.name], ensure_ascii=False) for order in listed if order.name in results]
    put_file(out / RESULTS, ("\n".join(lines) + "\n").encode())


def _check_folder(out: Path, names: set[str]) -> None:
    """Raises BadInput: J195 when the folder is somebody else's, J163 when an order has the name of a file of ours."""
    if out.exists() and not _is_ours(out):
        ours = {_LOCK, *(left.name for left in _halves(out, names))}  # all that a batch killed at once leaves behind
        names_there = sorted(f.name for f in out.iterdir() if f.name not in ours) if out.is_dir() else ["a file"]
        held = ", ".join(names_there[:5])
        if held:
            raise BadInput([Finding(code="J195", where=f"output folder {out}", found=held,
                                    wanted="a new or empty folder, or that of an earlier batch",
                                    hint="give another --out")])  # fmt: skip
    findings = [
        Finding(code="J163", where=name, found="the name of a file that every batch writes", wanted="another name")
        for name in sorted(names & _OURS)
    ]
    if findings:
        raise BadInput(findings)


def _is_ours(out: Path) -> bool:
    """A batch was here: its list of results, which is its first file, holds nothing but results."""
    try:
        lines = (out / RESULTS).read_text(encoding="utf-8").split("\n")
        return all(_NOTHING.keys() <= json.loads(line).keys() for line in lines if line)
    except (OSError, ValueError, AttributeError):
        return False


@contextmanager
def _locked(out: Path) -> Iterator[None]:
    """The folder to ourselves; the system lets go of the lock however we end. Raises BadInput (J196)."""
    out.mkdir(parents=True, exist_ok=True)
    with open(out / _LOCK, "w") as lock:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            raise BadInput([Finding(code="J196", where=f"output folder {out}", found="another batch at work in it",
                                    wanted="one batch at a time in a folder",
                                    hint="wait for it, or give another --out")]) from error  # fmt: skip
        yield


def _sweep(out: Path, names: set[str]) -> None:
    """Take away what a killed batch left half written."""
    for left in _halves(out, names):
        if left.is_dir() and not left.is_symlink():
            shutil.rmtree(left, ignore_errors=True)
        else:
            left.unlink()


def _halves(out: Path, names: set[str]) -> list[Path]:
    """What is half written: `.NAME.PROCESS.new` and `.old` of a batch's own names."""
    found = [(left, _HALF.fullmatch(left.name)) for left in out.glob(".*")]
    return [left for left, parts in found if parts and parts["name"] in names | _OURS]
