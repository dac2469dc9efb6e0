"""Can the terms of a nest be judged on this billet with these parts, and do margin and edge leave webs that stand?"""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.job.parts import ReadPart
from pipeline.model.job import PartRequest
from pipeline.model.units import EPS_MM, shown
from pipeline.shop.reading import Reader, Values


def check_webs(nest: Values, crib: Values | None, reader: Reader) -> None:
    """The least web against the edge, and against what the margin leaves between two kerfs that do not meet."""
    if not nest.get("web"):
        return
    web, unit = nest["web"], reader.unit_of(nest.at("web"))
    if nest.has("edge") and nest["edge"] < web - EPS_MM:
        reader.fault(
            "J149",
            nest.at("edge"),
            found=f"an edge of {shown(nest['edge'], unit=unit)}",
            wanted=f"at least the least web, {shown(web, unit=unit)}",
        )
    cutter = crib.get("cutters", {}).get(str(nest.get("outline_cutter"))) if crib is not None else None
    if cutter is None or not cutter.has("diameter") or not nest.has("margin"):
        return
    between = nest["margin"] - cutter["diameter"]  # two whole kerfs less the gap of neighbours
    if EPS_MM < between < web - EPS_MM:
        reader.fault(
            "J149",
            nest.at("margin"),
            found=f"a margin of {shown(nest['margin'], unit=unit)}: {shown(between, unit=unit)} between two"
            " kerfs",
            wanted=f"at least {shown(cutter['diameter'] + web, unit=unit)}, or at most"
            f" {shown(cutter['diameter'], unit=unit)}, where neighbours' kerfs meet",
        )


def check_worth(nest: Values, billet: Values | None, parts: Sequence[ReadPart], reader: Reader) -> None:
    """A worth that no layout can earn is an error: it would be weighed without effect. Where a part is left out (a
    count of 0) or could not be read, what it would earn is not missed."""
    worth = nest.get("worth")
    if worth is None or billet is None:
        return
    requests = [request for part in parts for request in part.requests]
    names = {request.name for request in requests}
    all_there = all(part.requests for part in parts)
    lacks = {
        "figure": "" if billet.get("zones") else "no zones in the billet's file",
        "layers": _lacks_layers(billet, requests, all_there=all_there),
        "alike": "no pair" if all_there and not any(n.removesuffix("-left") + "-right" in names for n in names) else "",
    }
    for term, words in lacks.items():
        if requests and worth.get(term) and words:
            reader.fault("J148", worth.at(term), found=f"a worth, but {words}", wanted="0, or what it is judged by")


def _lacks_layers(billet: Values, requests: Sequence[PartRequest], *, all_there: bool) -> str:
    if billet.get("layers") is None:
        return "no layers in the billet's file"
    is_known = any(r.along_layers_rad is not None and r.count is not None for r in requests)
    return "" if is_known or not all_there else "no part with a count and along_layers"
