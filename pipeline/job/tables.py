"""The keys of a job file. Sizes of parts come from the families, so the whole table is made for a given scan."""

from __future__ import annotations

from pipeline.shop.fields import Choice, Label, Later, Length, Number, Special, Text
from pipeline.shop.schema import Key, ListOf, MapOf, OneOrMore, Table

AS_MANY_AS_FIT = "as many as fit"
SMALL = Length(low=0.0, high=5.0)

FIXED = Table(
    "a fixed place",
    {
        "x": Key(Length(low=-5000, high=5000), "the part's origin, billet frame"),
        "y": Key(Length(low=-5000, high=5000), "the part's origin, billet frame"),
        "angle": Key(Number(-360, 360, degrees=True), "degrees, counter-clockwise"),
        "hand": Key(Choice(("left", "right")), "which half of a pair", default=None),
    },
)

TOLERANCES = Table(
    "tolerances",
    {
        "wall": Key(Length(low=0.001, high=1.0), "a wall may be cut into by this much"),
        "floor": Key(Length(low=0.001, high=1.0), "a floor may be cut too deep by this much"),
        "left": Key(Length(low=0.001, high=2.0), "stock that may be left on a wall or a floor"),
    },
)

Z = Table(
    "z",
    {
        "zero": Key(Choice(("bed", "top")), "where Z zero is set: on the bed, or on the billet's top"),
        "skin": Key(Length(low=0.05, high=3.0), "left under everything; nothing is cut below"),
        "stock_below": Key(Length(low=0.0, high=5.0), "stock under each part, above the skin"),
        "z_zero_error": Key(SMALL, "of setting Z zero"),
        "tool_length_error": Key(SMALL, "of a measured tool length"),
        "spare": Key(SMALL, "for everything else"),
    },
)

MONEY = Number(0, 1_000_000)
WORTH = Table(
    "the worths",
    {
        "figure": Key(MONEY, "parts with a count lie where the billet's zones have the best figure", default=0.0),
        "alike": Key(MONEY, "the two of a pair match: grain, figure, side by side", default=0.0),
        "layers": Key(MONEY, "parts with along_layers lie along the billet's layers", default=0.0),
        "remnant": Key(MONEY, "what is left over is one wide piece", default=0.0),
        "held": Key(MONEY, "parts with a count lie over the sealed area, off the port, away from clamps", default=0.0),
    },
)

NEST = Table(
    "nest",
    {
        "outline_cutter": Key(Number(1, 999, whole=True), "tool number of the cutter that frees the parts"),
        "margin": Key(SMALL, "between two kerfs of neighbours: gap less the cutter's diameter"),
        "edge": Key(SMALL, "beyond the kerf, to the billet's edge and to defects"),
        "seed": Key(Number(0, 2**31 - 1, whole=True), "start of the search; same seed, same nest", default=1),
        "effort": Key(Number(1, 10000, whole=True), "rounds of search", default=20),
        "web": Key(SMALL, "least thickness of what stands between two kerfs, and to the billet's edge", default=0.0),
        "worth": Key(WORTH, "what a perfect mark is worth, in the billet's currency", default=None),
    },
)

PART = Table(
    "a part",
    {
        "family": Key(Text(60), "a file of parts/"),
        "hands": Key(
            Choice(("left", "right", "pair")),
            "left, right, or both as a pair; for families that have hands",
            default=None,
        ),
        "count": Key(
            Special(AS_MANY_AS_FIT, None, Number(0, 10000, whole=True)),
            f"a number (of pairs, for a pair) or: {AS_MANY_AS_FIT}",
        ),
        "value": Key(Number(0, 1_000_000), "worth of one part, in the billet's currency", default=1.0),
        "zone": Key(
            Special("anywhere", (), OneOrMore(Label(40))),
            "the billet's zone that every copy lies wholly in, or a list of zones that count as one; anywhere",
            default=(),
        ),
        "clear_of": Key(
            Special("nothing", (), OneOrMore(Label(40))),
            "a zone of the billet, or a list, that no copy reaches into; nothing",
            default=(),
        ),
        "rotations": Key(
            Special("any", None, ListOf(Number(-360, 360, degrees=True), 1)),
            "any, or a list of degrees in the billet frame",
            default=None,
        ),
        "along_layers": Key(
            Number(-360, 360, degrees=True),
            "degrees in the part's own frame (of a pair, the left half's): what wants to lie along the layers",
            default=None,
        ),
        "fixed": Key(ListOf(FIXED), "places of the first copies", default=()),
        "sizes": Key(Later(), "the family's sizes that differ from its defaults", default=None),
    },
)

REFERENCES = {
    "billet": "billets",
    "machine": "machines",
    "crib": "cribs",
    "holding": "holdings",
    "material": "materials",
}

JOB = Table(
    "a job",
    {
        "based_on": Key(Text(200), "another job file that this one changes", default=None),
        "title": Key(Text(120), "one line for people"),
        "units": Key(Choice(("mm", "in")), "unit of bare lengths in this file"),
        **{key: Key(Text(200), f"name of a file in {folder}/, or a path") for key, folder in REFERENCES.items()},
        "parts": Key(MapOf(PART, 1), "name: part"),
        "tolerances": Key(TOLERANCES, "what is accepted of a simulated part"),
        "z": Key(Z, "heights and their errors"),
        "nest": Key(NEST, "how parts may lie"),
        "serial": Key(Label(24), "number of this piece or pair, written on every sheet", default=""),
        "notes": Key(ListOf(Text(400)), "lines for the packet", default=()),
    },
)
