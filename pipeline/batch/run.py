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
import os
import shutil
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import BrokenExecutor, Future, as_completed
from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

from pipeline.batch.cache import edition
from pipeline.batch.folder import check_place, is_whole, put_file, write_folder
from pipeline.batch.gallery import write_gallery
from pipeline.batch.junit import junit_xml
from pipeline.batch.orders import Order, read_orders
from pipeline.batch.work import Outcome, executor, make_order
from pipeline.errors import BadInput
from pipeline.model.digests import digest
from pipeline.model.findings import Finding

RESULTS, JUNIT, GALLERY = "results.jsonl", "junit.xml", "gallery.html"
_LOCK = ".batch-lock"
_OURS = {RESULTS, JUNIT, GALLERY, _LOCK}
EXIT = {"released": 0, "refused": 1, "not made": 2, "failed": 3}

Result = Mapping[str, Any]  # one line of results.jsonl


@dataclass(frozen=True, slots=True, kw_only=True)
class Batch:
    """What a batch came to. `results` in the order of the list; `unchanged` are those that were there already;
    `strays` are folders that hold no packet of this list: their order is gone from it, or could not be made again."""

    results: tuple[Result, ...]
    unchanged: frozenset[str]
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
        _sweep(out)
        made_by = edition()
        keys = {order.name: digest((order.job, made_by, force)) for order in listed if order.job is not None}
        results = {
            order.name: before[order.name]
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
                different = write_folder(out / order.name, outcome.files, order.name) if outcome.files else ""
                results[order.name] = result
                _write_results(out, listed, results)
                done(result, different, n, len(todo))
        ordered = tuple(results[order.name] for order in listed)
        put_file(out / JUNIT, junit_xml(orders.stem, ordered))
        if any(result["packet"] for result in ordered):
            not_made = {result["order"]: _reason(result) for result in ordered if not result["packet"]}
            write_gallery(out, title=f"Orders of {orders.stem}", not_made=not_made)
        strays = sorted(f.name for f in out.iterdir() if f.is_dir() and not results.get(f.name, {}).get("packet"))
    return Batch(results=ordered, unchanged=unchanged, strays=tuple(strays))


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
    return f"not made: {lines[0]}" + (f" and {len(lines) - 1} more" if len(lines) > 1 else "")


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
        for line in file.read_text().splitlines():
            result = json.loads(line)
            if {"key", "verdict", "packet"} <= result.keys():
                found[result["order"]] = result
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        pass
    return found


def _write_results(out: Path, listed: Sequence[Order], results: Mapping[str, Result]) -> None:
    lines = [json.dumps(results[order.name], ensure_ascii=False) for order in listed if order.name in results]
    put_file(out / RESULTS, ("\n".join(lines) + "\n").encode())


def _check_folder(out: Path, names: set[str]) -> None:
    """Raises BadInput (J195) when the folder is somebody else's, J190 when a packet's place is taken."""
    if out.exists() and not (out / RESULTS).is_file():
        names_there = sorted(f.name for f in out.iterdir() if f.name not in _OURS) if out.is_dir() else ["a file"]
        held = ", ".join(names_there[:5])
        if held:
            raise BadInput([Finding(code="J195", where=f"output folder {out}", found=held,
                                    wanted="a new or empty folder, or that of an earlier batch",
                                    hint="give another --out")])  # fmt: skip
    findings = [
        Finding(code="J163", where=name, found="the name of a file that every batch writes", wanted="another name")
        for name in sorted(names & _OURS)
    ]
    for name in sorted(names - _OURS):
        try:
            check_place(out / name, name)
        except BadInput as bad:
            findings += bad.findings
    if findings:
        raise BadInput(findings)


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


def _sweep(out: Path) -> None:
    """Take away what a killed batch left half written."""
    for left in out.glob(".*"):
        if left.suffix in (".new", ".old"):
            shutil.rmtree(left, ignore_errors=True)
            if left.exists():
                os.unlink(left)
