"""Requests to parts: draw, check, write down, mesh; equal requests share one drawing."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Mapping, Sequence

from pipeline.errors import BadInput, PlanError
from pipeline.families import Family, scan
from pipeline.model.findings import Finding
from pipeline.model.job import PartRequest
from pipeline.model.part import Part

Recall = Callable[[object, Callable[[], Part]], Part]


def build_parts(requests: Sequence[PartRequest], *, families: Mapping[str, Family] | None = None,
                recall: Recall = lambda inputs, draw: draw()) -> tuple[Part, ...]:
    """One part for each request, in the order of the requests. `families` defaults to those of parts/.

    Each distinct part is asked for as `recall((family, sizes), draw)`, which may know it from before. It must give
    what `draw()` would.

    Raises BadInput (J181) with every request that cannot be drawn as asked (unknown family, size out of bounds,
    relation broken: the job reader has normally said so already), and PlanError (J182) when a family draws
    something that is not one valid solid.
    """
    known = scan() if families is None else families
    findings = [finding for request in requests for finding in _faults(request, known)]
    if findings:
        raise BadInput(findings)
    drawn: dict[object, Part] = {}
    parts = []
    for request in requests:
        family = known[request.family]
        sizes = family.complete(request.sizes)
        key = (family.name, *sizes.items())
        if key not in drawn:
            drawn[key] = recall((family.name, sizes), lambda family=family, sizes=sizes: _draw(family, sizes))
        parts.append(dataclasses.replace(drawn[key], name=request.name))
    return tuple(parts)


def _faults(request: PartRequest, known: Mapping[str, Family]) -> list[Finding]:
    if request.family not in known:
        return [Finding(code="J181", where=request.name, found=f"the family {request.family!r}",
                        wanted="one of " + ", ".join(known))]
    return [Finding(code="J181", where=request.name, key=name, found=found if name is None else f"{name} {found}",
                    wanted=wanted) for name, found, wanted in known[request.family].validate(request.sizes)]


def _draw(family: Family, sizes: Mapping[str, float | str]) -> Part:
    """Draw one part, named after its family for now."""
    from pipeline.solids.exchange import settled, step_bytes
    from pipeline.solids.meshing import mesh_of

    try:
        built = family.build(sizes)
    except Exception as error:  # the kernel raises its own kinds; a family outside parts/ may raise anything
        raise _refused(family, sizes, f"{type(error).__name__}: {error}") from error
    if built.solid.ShapeType() != "Solid":
        raise _refused(family, sizes, f"a {built.solid.ShapeType().lower()}")
    solid, brep = settled(built.solid)
    if solid.ShapeType() != "Solid" or not solid.isValid():
        raise _refused(family, sizes, "a solid that is not valid")
    step = step_bytes(solid, name=family.name)  # before meshing, which adds itself to what is written
    return Part(name=family.name, family=family.name, sizes=dict(sizes), brep=brep, step=step,
                volume_mm3=float(solid.Volume()), mesh=mesh_of(solid), outline=built.outline,
                thickness_mm=built.thickness_mm, features=built.features, report=dict(built.report),
                dimensions=built.dimensions)


def _refused(family: Family, sizes: Mapping[str, float | str], found: str) -> PlanError:
    asked = ", ".join(f"{name} {value}" for name, value in sizes.items())
    return PlanError(where=f"family {family.name} with {asked}", found=found, wanted="one valid closed solid",
                     hint="change a size, and tell whoever keeps the family: its check should have caught this",
                     code="J182")
