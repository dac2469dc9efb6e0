"""What binds a part to zones of the billet.

Words. A *bound* is what copies of a kind keep beside the walls: they lie wholly in some zones together, or off some
zones, and want no gap to a zone's edge. Kinds with the same zones share one bound.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from pipeline.errors import BadInput
from pipeline.geometry.regions import (
    Figure,
    between_mm,
    clearance_mm,
    edge_point_mm,
    inside_mm,
    joined,
    less,
    shared,
)
from pipeline.model.findings import Finding
from pipeline.model.job import PartRequest
from pipeline.model.nest import Zone
from pipeline.model.units import EPS_MM


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Bound:
    """Copies lie in `inside` (None: anywhere) and off every zone of `clear_of`; figures in the billet frame. `name` is
    what people call `inside`."""

    name: str
    inside: Figure | None
    clear_of: tuple[tuple[str, Figure], ...]

    @property
    def zones(self) -> tuple[str, ...]:
        """Names that a shortfall may give."""
        return (self.name, *(name for name, _ in self.clear_of))

    @property
    def words(self) -> str:
        """Where a part must lie, for people."""
        off = " and ".join(name for name, _ in self.clear_of)
        inside = [f"in the zone {self.name}"] if self.inside is not None else []
        return ", ".join([*inside, *([f"clear of the zone {off}"] if off else [])])

    def shortfalls(self, figure: Figure) -> Iterator[tuple[str, float, tuple[float, float]]]:
        """(zone, how far the figure is on the wrong side of its edge in mm, where) for each zone that is not kept."""
        if self.inside is not None and (room := inside_mm(figure, self.inside)) < -EPS_MM:
            yield self.name, -room, edge_point_mm(figure, self.inside)
        for name, zone in self.clear_of:
            if (away := clearance_mm(figure, zone)) < -EPS_MM:
                yield name, -away, between_mm(figure, zone)

    def holds(self, figure: Figure) -> bool:
        """True when the figure keeps every zone, up to noise."""
        return next(self.shortfalls(figure), None) is None

    def room(self, left: Figure) -> Figure | None:
        """What of a region is open to these copies; None when nothing is."""
        room = left if self.inside is None else shared(left, self.inside)
        return less(room, [zone for _, zone in self.clear_of]) if room is not None else None


def bounds_of(requests: Sequence[PartRequest], zones: Sequence[Zone]) -> tuple[Bound | None, ...]:
    """The bound of each request, None where it names no zone. Raises BadInput (N208) for zones that are not there."""
    figures = {zone.name: Figure.polygon(zone.polygon) for zone in zones}
    findings = [
        Finding(code="N208", where=request.name, found=f"a part bound to the zone {name}, which the billet has not",
                wanted=f"one of {', '.join(figures)}" if figures else "no zone: the billet has none",
                hint="name a zone of the billet's file, or add the zone there")
        for request in requests for name in (*request.zones, *request.clear_of) if name not in figures
    ]
    if findings:
        raise BadInput(findings)
    made: dict[tuple[tuple[str, ...], tuple[str, ...]], Bound | None] = {((), ()): None}
    out = []
    for request in requests:
        key = tuple(sorted(set(request.zones))), tuple(sorted(set(request.clear_of)))
        if key not in made:
            inside, off = key
            made[key] = Bound(name=" + ".join(inside), inside=joined([figures[z] for z in inside]) if inside else None,
                              clear_of=tuple((z, figures[z]) for z in off))
        out.append(made[key])
    return tuple(out)
