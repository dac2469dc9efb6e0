"""Requests to parts: draw, check, write down, mesh; equal requests share one drawing.

Drawing is the only work that is shared out to processes: threads gain nothing here. The workers start from a fork
server, because a process forked after a parallel kernel has run may hang. What they send back is bytes and plain
values, the same whatever the number of workers.
"""

from __future__ import annotations

import dataclasses
import json
import multiprocessing
from collections.abc import Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from typing import Any

from pipeline.errors import BadInput, PlanError
from pipeline.families import Family, scan
from pipeline.model.findings import Finding
from pipeline.model.job import PartRequest
from pipeline.model.part import Part


def build_parts(requests: Sequence[PartRequest], *, workers: int = 1,
                families: Mapping[str, Family] | None = None) -> tuple[Part, ...]:
    """One part for each request, in the order of the requests. `families` defaults to those of parts/.

    Raises BadInput (J181) with every request that cannot be drawn as asked (unknown family, size out of bounds,
    relation broken: the job reader has normally said so already), and PlanError (J182) when a family draws
    something that is not one valid solid.
    """
    known = scan() if families is None else families
    findings = [finding for request in requests for finding in _faults(request, known)]
    if findings:
        raise BadInput(findings)
    orders = [(known[request.family], known[request.family].complete(request.sizes)) for request in requests]
    keys = [json.dumps([family.name, sizes]) for family, sizes in orders]
    distinct = dict(zip(keys, orders, strict=True))
    if workers > 1 and len(distinct) > 1:
        context = multiprocessing.get_context("forkserver")
        context.set_forkserver_preload(["cadquery"])  # loaded once, in the server, not once in each worker
        with ProcessPoolExecutor(min(workers, len(distinct)), mp_context=context) as pool:
            drawn = [_frozen_again(part) for part in pool.map(_draw, *zip(*distinct.values(), strict=True))]
    else:
        drawn = [_draw(*order) for order in distinct.values()]
    by_key = dict(zip(distinct, drawn, strict=True))
    return tuple(dataclasses.replace(by_key[key], name=request.name)
                 for key, request in zip(keys, requests, strict=True))


def _faults(request: PartRequest, known: Mapping[str, Family]) -> list[Finding]:
    if request.family not in known:
        return [Finding(code="J181", where=request.name, found=f"the family {request.family!r}",
                        wanted="one of " + ", ".join(known))]
    return [Finding(code="J181", where=request.name, key=name, found=found if name is None else f"{name} {found}",
                    wanted=wanted) for name, found, wanted in known[request.family].validate(request.sizes)]


def _draw(family: Family, sizes: Mapping[str, float | str]) -> Part:
    """Draw one part, named after its family for now. Runs in a worker process too."""
    from pipeline.solids.exchange import brep_bytes, step_bytes
    from pipeline.solids.meshing import mesh_of

    try:
        built = family.build(sizes)
    except Exception as error:  # the kernel raises its own kinds; a family outside parts/ may raise anything
        raise _refused(family, sizes, f"{type(error).__name__}: {error}") from error
    solid = built.solid
    if solid.ShapeType() != "Solid":
        raise _refused(family, sizes, f"a {solid.ShapeType().lower()}")
    if not solid.isValid():
        raise _refused(family, sizes, "a solid that is not valid")
    brep, step = brep_bytes(solid), step_bytes(solid, name=family.name)  # first: meshing adds itself to the BREP
    return Part(name=family.name, family=family.name, sizes=dict(sizes), brep=brep, step=step,
                volume_mm3=float(solid.Volume()), mesh=mesh_of(solid), outline=built.outline,
                thickness_mm=built.thickness_mm, features=built.features, report=dict(built.report))


def _refused(family: Family, sizes: Mapping[str, float | str], found: str) -> PlanError:
    asked = ", ".join(f"{name} {value}" for name, value in sizes.items())
    return PlanError(where=f"family {family.name} with {asked}", found=found, wanted="one valid closed solid",
                     hint="change a size, and tell whoever keeps the family: its check should have caught this",
                     code="J182")


def _frozen_again(value: Any) -> Any:
    """The same value with its arrays read-only: they come back writable from another process."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        names = [field.name for field in dataclasses.fields(value)]
        return type(value)(**{name: _frozen_again(getattr(value, name)) for name in names})
    if isinstance(value, tuple):
        return tuple(_frozen_again(item) for item in value)
    return value
