"""The tables of the shop's files: the keys of a machine, a material, a crib, a holding and a billet, with bounds.

Bounds here only catch slips of the pen and of the unit; whether values fit each other is `pipeline.shop.sanity`'s
business. Lengths' bounds are in mm whatever the file's unit.
"""

from __future__ import annotations

import math

from pipeline.model.shop import CutterKind
from pipeline.shop.air import KPA_PER_INHG, M_PER_FT
from pipeline.shop.fields import Choice, Flag, Label, Length, Number, Quantity, Special, Text
from pipeline.shop.plate import BY_HAND, BY_PROBES
from pipeline.shop.schema import POINT, Key, ListOf, MapOf, Row, Table

UNITS = Key(Choice(("mm", "in")), "unit of bare lengths in this file")
POLYGON = ListOf(POINT, 3)
SMALL = Length(low=0.0, high=2.0)
THICK = Length(low=0.5, high=60)
EXTENSIONS = ("G64 P", ";")  # beyond the NIST report: a tolerance behind G64; comments from ; to the end of the line

DIALECT = Table(
    "the dialect",
    {
        "units": Key(Choice(("mm", "in")), "unit of the program"),
        "linear_decimals": Key(Number(3, 6, whole=True), "decimals of X Y Z"),
        "arc_decimals": Key(Number(3, 6, whole=True), "decimals of I J K and R"),
        "feed_decimals": Key(Number(0, 4, whole=True), "decimals of F"),
        "canned_cycles": Key(ListOf(Choice(("G81", "G82", "G83", "G73"))), "drilling cycles the machine knows"),
        "arcs": Key(Flag(), "the machine cuts arcs"),
        "helices": Key(Flag(), "the machine cuts helical arcs"),
        "longest_arc": Key(Number(45, 180, degrees=True), "degrees; longer arcs are split"),
        "chord": Key(Length(low=0.0005, high=0.02), "largest error of a chord where arcs are not cut"),
        "path_word": Key(Choice(("G61", "G64")), "exact path or blended"),
        "blend": Key(Length(low=0.0, high=0.05), "corner deviation under the path word"),
        "tool_change": Key(Choice(("changer", "by hand")), "how tools are changed"),
        "pockets": Key(Number(0, 200, whole=True), "cutters the changer holds, 0 by hand"),
        "length_offsets": Key(
            MapOf(Number(1, 999, whole=True), names="[1-9][0-9]{0,2}", names_words="a cutter number"),
            "cutter number: H number, where they differ",
            default={},
        ),
        "safe_retract": Key(ListOf(Text(60), 1), "lines that lift the tool whatever the offsets say"),
        "coolant_on": Key(Special("none", "", Choice(("M7", "M8"))), "coolant word or none"),
        "spin_up_s": Key(Number(0, 60), "seconds until the spindle has its speed"),
        "peck_backoff": Key(Length(low=0.0, high=2.0), "height above the last bottom where feed begins again"),
        "line_numbers": Key(Flag(), "N words on every line"),
        "extensions": Key(ListOf(Choice(EXTENSIONS)), "words beyond the NIST report that it understands", default=()),
    },
)

MACHINE = Table(
    "a machine",
    {
        "units": UNITS,
        "source": Key(Text(), "where the figures come from", default=""),
        "travel_low": Key(ListOf(Length(low=-5000, high=5000), 3, 3), "X Y Z, machine frame"),
        "travel_high": Key(ListOf(Length(low=-5000, high=5000), 3, 3), "X Y Z, machine frame"),
        "bed_origin": Key(ListOf(Length(low=-5000, high=5000), 3, 3), "the bed frame's origin in the machine frame"),
        "spindle_low_rpm": Key(Number(1, 100000), "slowest speed under load"),
        "spindle_high_rpm": Key(Number(100, 200000), "fastest speed"),
        "feed_high": Key(Length(low=50, high=60000), "fastest feed, per minute"),
        "rapid": Key(Length(low=50, high=120000), "rapid, per minute"),
        "rapid_path": Key(
            Choice(("straight", "dog-leg")), "way of a rapid; dog-leg: every axis on its own", default="straight"
        ),
        "acceleration": Key(Length(low=10, high=50000), "per second squared"),
        "jerk": Key(Special("none", None, Length(low=100, high=10_000_000)), "per second cubed, or none"),
        "tool_change_s": Key(Number(0, 900), "seconds from cut to cut"),
        "spindle_power": Key(
            Special("unknown", 0.0, Quantity({"W": 1.0, "kW": 1000.0}, 20, 100_000, "750 W")),
            "at the spindle, W or kW, or unknown",
            default=0.0,
        ),
        "dialect": Key(DIALECT, "how the machine wants its text"),
    },
)

BAND = ListOf(Number(0.5, 500), 2, 2)

MATERIAL = Table(
    "a material",
    {
        "source": Key(Text(), "where the figures come from", default=""),
        "layers": Key(ListOf(Text(80), 1), "grades from the up face down"),
        "density_g_cm3": Key(Number(1, 20), "g/cm3"),
        "kc11_n_mm2": Key(Number(200, 5000), "specific cutting force at 1 mm chip, worst layer"),
        "mc": Key(Number(0.05, 0.5), "exponent of the specific cutting force"),
        "speed_bands_m_min": Key(
            MapOf(BAND, 1, names="carbide|cobalt", names_words="carbide or cobalt"),
            "surface speed, low and high, by substrate",
        ),
        "speed_factor": Key(Number(0.1, 3), "the shop's multiplier on start speeds", default=1.0),
    },
)

CUTTER = Table(
    "a cutter",
    {
        "name": Key(Text(80), "what the label on the holder says"),
        "kind": Key(Choice(tuple(kind.value for kind in CutterKind)), "shape"),
        "diameter": Key(Length(low=0.1, high=50), "measured diameter"),
        "flutes": Key(Number(1, 12, whole=True), "number of flutes"),
        "flute_length": Key(Length(low=0.1, high=150), "cutting length from the tip"),
        "reach": Key(Length(low=0.1, high=200), "from the tip to the end of the neck"),
        "neck_diameter": Key(Length(low=0.05, high=50), "between flutes and shank"),
        "shank_diameter": Key(Length(low=0.1, high=50), "shank"),
        "stickout": Key(Length(low=1, high=250), "from the tip to the holder"),
        "holder_diameter": Key(Length(low=3, high=120), "holder or collet nut"),
        "substrate": Key(Choice(("carbide", "cobalt")), "what the edge is made of"),
        "chip_load": Key(Length(low=0.0005, high=0.5), "per tooth (mills) or per turn (drills)"),
        "surface_speed_m_min": Key(Number(1, 400), "start value, m/min in every file"),
        "stepdown": Key(Length(low=0.005, high=20), "largest depth in a full slot"),
        "stepover": Key(Length(low=0.005, high=50), "largest width when clearing"),
        "peck": Key(Length(low=0.0, high=20), "depth of one peck", default=0.0),
        "ramp_angle": Key(Number(0, 45, degrees=True), "steepest ramp, degrees", default=0.0),
        "point_angle": Key(Number(0, 180, degrees=True), "full included angle, degrees", default=0.0),
        "tip_diameter": Key(Length(low=0.0, high=20), "flat at the tip", default=0.0),
        "edge_radius": Key(Length(low=0.0005, high=0.1), "rounding of the edge", default=0.004),
        "runout": Key(Length(low=0.0, high=0.1), "measured run-out", default=0.005),
        "helix_angle": Key(Number(0, 60, degrees=True), "of the flutes, degrees", default=math.radians(30)),
        "corner_radius": Key(Length(low=0.0, high=25), "of a flat end mill's corners", default=0.0),
        "source": Key(Text(), "where the start values come from", default=""),
    },
)

CRIB = Table(
    "a crib",
    {
        "units": UNITS,
        "cutters": Key(
            MapOf(CUTTER, 1, names="[1-9][0-9]{0,2}", names_words="a tool number from 1 to 999"), "tool number: cutter"
        ),
    },
)

STOP = Table(
    "a stop",
    {
        "x": Key(Length(low=-5000, high=5000), "centre, bed frame"),
        "y": Key(Length(low=-5000, high=5000), "centre, bed frame"),
        "radius": Key(Length(low=0.5, high=50), "radius"),
        "height": Key(Length(low=0.2, high=100), "height over the bed"),
    },
)

BLOCK = Table(
    "a block",
    {
        "kind": Key(Choice(("clamp", "rigid spacer", "sacrificial spacer")), "what it is"),
        "height": Key(Length(low=0.2, high=200), "height over the bed"),
        "cut_depth": Key(
            Length(low=0.0, high=100), "a sacrificial spacer may be cut so deep from its top", default=0.0
        ),
        "press": Key(
            Special("unknown", 0.0, Quantity({"N": 1.0, "kN": 1000.0}, 0, 20_000, "2.5 kN")),
            "how hard a clamp presses the plate down, N or kN, or unknown",
            default=0.0,
        ),
        "outline": Key(POLYGON, "polygon in the bed frame"),
    },
)

FACTOR = Number(1, 20)
SAFETY = Table(
    "the safety factors",
    {
        "rough": Key(FACTOR, "against sliding, roughing"),
        "finish": Key(FACTOR, "against sliding, finishing"),
        "tilt": Key(FACTOR, "against tilting"),
    },
)

HOLDING = Table(
    "a holding",
    {
        "units": UNITS,
        "origin": Key(Text(), "in words: where X0 Y0 Z0 is"),
        "gasket": Key(POLYGON, "centre line, bed frame"),
        "gasket_width": Key(Length(low=0.3, high=20), "width of the cord"),
        "port": Key(POINT, "vacuum port, bed frame"),
        "stops": Key(MapOf(STOP, 3, most=3), "three stops"),
        "nominal_pose": Key(
            Table(
                "a pose",
                {
                    "x": Key(Length(low=-5000, high=5000), "the billet frame's origin on the bed"),
                    "y": Key(Length(low=-5000, high=5000), "the billet frame's origin on the bed"),
                    "angle": Key(Number(-360, 360, degrees=True), "degrees, counter-clockwise"),
                },
            ),
            "how the billet lies, a first guess",
        ),
        "blocks": Key(MapOf(BLOCK), "clamps and spacers", default={}),
        "stop_uncertainty": Key(Length(low=0.0, high=1.0), "of a stop's place, one sigma"),
        "gauge_block": Key(Length(low=1, high=150), "height of the block that checks Z zero"),
        "vacuum": Key(
            Quantity({"kPa": 1.0, "inHg": KPA_PER_INHG}, 5, 110, "75 kPa"), "gauge reading, below the air's pressure"
        ),
        "altitude": Key(Quantity({"m": 1.0, "ft": M_PER_FT}, -450, 5000, "320 m"), "of the shop, m or ft"),
        "friction": Key(Number(0.02, 1), "plate on bed, wet as it is cut"),
        "pump_flow": Key(
            Quantity({"l/min": 1.0}, 0, 20_000, "40 l/min"),
            "free air the pump still takes at that reading; 0: a hole loses the vacuum",
        ),
        "safety": Key(SAFETY, "safety factors asked of the hold"),
    },
)

OUTLINE = Table(
    "an outline",
    {
        "points": Key(POLYGON, "points in the billet frame", default=None),
        "dxf": Key(Text(200), "a DXF file beside this one", default=None),
        "layer": Key(Text(80), "layer of the DXF file", default=None),
    },
)

ZONE = Table(
    "a zone",
    {
        "name": Key(Label(40), "what to call it"),
        "figure": Key(Number(0, 1), "how good the pattern is there, on the face that goes down: 0 plain, 1 best"),
        **OUTLINE.keys,
    },
)

BILLET = Table(
    "a billet",
    {
        "units": UNITS,
        "material": Key(Text(80), "name of a file in materials/"),
        "outline": Key(OUTLINE, "points, or dxf and layer"),
        "outline_uncertainty": Key(SMALL, "of the measured edge"),
        "thickness": Key(THICK, BY_HAND["thickness"], default=None),  # one of two ways, see `pipeline.shop.plate`
        "thickness_uncertainty": Key(SMALL, BY_HAND["thickness_uncertainty"], default=None),
        "bow": Key(SMALL, BY_HAND["bow"], default=None),
        "probes": Key(ListOf(Row((POINT.item, POINT.item, THICK))), BY_PROBES["probes"], default=None),
        "probe_uncertainty": Key(SMALL, BY_PROBES["probe_uncertainty"], default=None),
        "defects": Key(MapOf(POLYGON), "name: polygon that no part may touch", default={}),
        "holes": Key(MapOf(POLYGON), "name: polygon of a hole right through; no part may touch its plug", default={}),
        "holes_plugged": Key(
            Flag(), "yes: plugged airtight, bonded in, flush with the face that goes down, as high as the plate",
            default=False,
        ),
        "zones": Key(ListOf(ZONE), "graded parts of the plate, the later over the earlier; 0 elsewhere", default=()),
        "layers": Key(Number(-360, 360, degrees=True), "direction of the layers, billet frame", default=None),
        "price_per_cm2": Key(Number(0, 10000), "per square centimetre, whatever the units"),
        "currency": Key(Text(8), "such as EUR"),
        "up_face": Key(Text(), "how to recognise the face that goes up"),
        "corner": Key(Text(), "how to recognise the marked corner"),
    },
)
