"""Making one order, in whatever process does it: the same call for a pool of this machine and for a cluster."""

from __future__ import annotations

import json
import multiprocessing
import os
import signal
import socket
import threading
import time
import traceback
from collections.abc import Iterator, Mapping
from concurrent.futures import Executor, ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Literal
from urllib.parse import urlsplit

from pipeline.batch.cache import Cache, default_folder, edition
from pipeline.errors import BadInput, PlanError
from pipeline.model.findings import Finding
from pipeline.model.job import Job

# loaded once, by the process that the workers come from
_PRELOAD = ["cadquery", "pipeline.stages", "pipeline.solids", "pipeline.nest", "pipeline.setups", "pipeline.operations",
            "pipeline.gcode", "pipeline.verify", "pipeline.packet", "reportlab.pdfgen.canvas", "jinja2"]  # fmt: skip

Word = Literal["released", "refused", "not made", "failed"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What came of one order. `files` is its packet, empty when there is none."""

    word: Word
    findings: tuple[Finding, ...]
    files: Mapping[str, bytes]
    fault: str = ""  # the traceback of a fault of ours


def make_order(job: Job, *, force: bool, use_cache: bool, made_by: str) -> Outcome:
    """Make one order's packet with one thread. Never raises: whatever goes wrong is the outcome of this order alone.

    `made_by` is the caller's `edition()`: a worker with other source or libraries would make other bytes.
    """
    from pipeline import stages

    begin = time.perf_counter()
    try:
        if edition() != made_by:
            return _failed("this worker has another version of billetwright or of its libraries")
        cache = Cache(default_folder()) if use_cache else None
        made = stages.make(job, force=force, run=cache.recall if cache else stages.plainly)
    except BadInput as bad:
        return Outcome(word="not made", findings=bad.findings, files={})
    except PlanError as cannot:
        return Outcome(word="not made", findings=(Finding.of(cannot),), files={})
    except Exception:  # a fault of ours stops this order, not the others
        return _failed(traceback.format_exc())
    run = json.dumps({"total_s": round(time.perf_counter() - begin, 3), "workers": 1}).encode() + b"\n"
    return Outcome(word=made.verdict.verdict, findings=made.verdict.findings, files={**made.files, "run.json": run})


def _failed(fault: str) -> Outcome:
    return Outcome(word="failed", findings=(), files={}, fault=fault)


@contextmanager
def executor(workers: int, cluster: str | None) -> Iterator[Executor]:
    """Where orders are made: processes of this machine, or those of the dask scheduler at `cluster`.

    Raises BadInput (J197) when the cluster's library is not installed or nobody answers there.
    """
    if cluster is None:
        context = multiprocessing.get_context("forkserver")
        context.set_forkserver_preload(_PRELOAD)
        with ProcessPoolExecutor(workers, mp_context=context, initializer=_begin_worker) as pool:
            yield pool
        return
    try:
        from distributed import Client
    except ImportError as error:
        raise _no_cluster(cluster, "no dask.distributed installed", "pip install billetwright[cluster]") from error
    _require_answer(cluster)
    with Client(cluster, set_as_default=False) as client, client.get_executor(pure=False) as pool:
        yield pool


def _require_answer(cluster: str) -> None:
    """Raises BadInput (J197) when nobody listens there; the library itself would keep trying for minutes."""
    try:
        place = urlsplit(cluster)
        if place.scheme not in ("tcp", "tls") or not place.hostname or not place.port:
            raise ValueError("not an address of the form tcp://host:port")
        socket.create_connection((place.hostname, place.port), timeout=5).close()
    except (OSError, ValueError) as error:
        raise _no_cluster(cluster, f"nobody who answers ({error})", "start the scheduler and its workers") from error


def _no_cluster(cluster: str, found: str, hint: str) -> BadInput:
    return BadInput([Finding(code="J197", where=f"--cluster {cluster}", found=found,
                             wanted="a scheduler, tcp://host:8786", hint=hint)])  # fmt: skip


def _begin_worker() -> None:
    """Ctrl-C ends a worker in silence, and so does the end of its parent, after which it would wait for ever."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)

    def wait() -> None:
        parent = multiprocessing.parent_process()
        if parent is not None:
            parent.join()
            os._exit(1)

    threading.Thread(target=wait, daemon=True).start()
