"""Zones and layers of the billet on the nest's drawing: borders as far as they run on the plate, words where there is
room for them. Zones are of the face that lies down; as everything of the billet they are drawn from above."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Sequence

import numpy as np

from pipeline.geometry.offsets import Area
from pipeline.model.arrays import Float
from pipeline.model.loop import Loop
from pipeline.model.setup import Setup
from pipeline.model.shop import Billet
from pipeline.packet.ink import HALO, LETTER, box, num, text_at, upright

ZONE_INK = 'stroke="#000" stroke-width="0.45" stroke-dasharray="4 1 0.7 1"'
_WORDS_MM = 3.0  # size of the names of zones, as of the parts'
_ARROW_MM = 24.0  # the arrow along the layers, with its word in the middle
_ROUND_MM = 0.75  # kept free on all sides of words
_APART_MM = 3.0  # words that follow keep farther off, so that the two are not read as one
_EDGE_MM = 0.7  # a border nearer than this to the plate's outline, or to a later zone's border, is the same line
_STEP_MM = 1.0  # of the places that are tried
_PLACES = 6  # decimals that count when places are compared
_OFF_PLATE, _OFF_ZONE, _TAKEN, _ON_PART, _ON_LINE = 10, 6, 6, 2, 1  # how bad it is for words to stand there


def zone_borders(setup: Setup, billet: Billet, *, taken: Sequence[Float]) -> Iterable[str]:
    """The border of each zone where it runs on the plate and no later zone counts; rings that are taken break it."""
    free = _area(setup.billet).shrunk(_EDGE_MM).minus(Area.union(map(Loop.polygon, taken)))
    out = []
    for ring in reversed(_rings(setup, billet)):
        path = "".join("M" + "L".join(f"{num(x)} {num(-y)}" for x, y in run) for run in free.runs_inside(ring))
        if path:
            out.append(f'<path class="zone" d="{path}" fill="none" pointer-events="none" {ZONE_INK}/>')
        free = free.minus(_area(ring).grown(_EDGE_MM))
    return reversed(out)


def zones_and_layers(setup: Setup, billet: Billet, *, parts: Sequence[Float], taken: Sequence[Float]) -> Iterable[str]:
    """Name and figure of each zone inside it, and a double arrow with a word along the layers. Words keep off rings
    that are taken, and off parts where they can."""
    plate, rings = _area(setup.billet), _rings(setup, billet)
    lines = [(_line(ring), _ON_LINE) for ring in (setup.gasket, *rings)]
    solid = [(Area.union(map(Loop.polygon, parts)), _ON_PART), (Area.union(map(Loop.polygon, taken)), _TAKEN)]
    room = _Room(plate, [*lines, *solid])
    for k, (zone, ring) in enumerate(zip(billet.zones, rings, strict=True)):
        words = f"{zone.name} {zone.figure:g}"
        ground = _area(ring).minus(Area.union(map(Loop.polygon, rings[k + 1 :])))
        place = room.place(ground, LETTER * _WORDS_MM * len(words), 0.0)
        if place is not None:
            yield text_at(*place, _WORDS_MM, words, f'font-style="italic" {HALO} stroke-width="1.1"')
    if billet.layers_rad is not None:
        a, b = _along(setup, billet)
        turn = upright(math.atan2(b, a))
        place = room.place(plate, _ARROW_MM, turn)
        if place is not None:
            yield _arrow(*place, turn)


def layers_sign(x: float, y: float, setup: Setup, billet: Billet | None) -> str:
    """Three lines as the layers run on this drawing, for the key."""
    assert billet is not None
    along = _along(setup, billet)
    a, b = 2.8 * along[0], 2.8 * along[1]
    lines = [(x - k * along[1], y + k * along[0]) for k in (-0.9, 0.0, 0.9)]
    path = "".join(f"M{num(p - a)} {num(b - q)}L{num(p + a)} {num(-b - q)}" for p, q in lines)
    return f'<path class="layers" d="{path}" stroke="#000" stroke-width="0.35"/>'


class _Room:
    """Places a step apart all over the plate, each with how bad a letter there would be."""

    def __init__(self, plate: Area, taken: Iterable[tuple[Area, int]]) -> None:
        low_x, low_y, high_x, high_y = plate.shape.bounds
        places = np.meshgrid(np.arange(low_x, high_x, _STEP_MM), np.arange(low_y, high_y, _STEP_MM), indexing="ij")
        self._places = np.stack(places, axis=-1)
        self._is_plate = self._inside(plate)
        self._bad = np.where(self._is_plate, 0, _OFF_PLATE)
        for area, how_bad in taken:
            self._bad += how_bad * self._inside(area)

    def place(self, ground: Area, wide: float, turn: float) -> tuple[float, float] | None:
        """The middle of words this wide on the ground, where they cover least, near the middle of the ground; None
        when no ground is on the plate. The words take their place."""
        here = self._inside(ground) & self._is_plate
        if not here.any():
            return None
        half, reach = np.array([wide / 2, _WORDS_MM / 2]) + _ROUND_MM, math.ceil(wide / 2 + _WORDS_MM)
        bad = np.pad(self._bad + np.where(here, 0, _OFF_ZONE), reach, constant_values=_OFF_PLATE + _OFF_ZONE)
        c, s, (n, m) = math.cos(turn), math.sin(turn), here.shape
        covered = np.zeros(here.shape, dtype=int)
        for i, j in itertools.product(range(-reach, reach + 1), repeat=2):
            if abs(i * c + j * s) * _STEP_MM <= half[0] and abs(j * c - i * s) * _STEP_MM <= half[1]:
                covered += bad[reach + i : reach + i + n, reach + j : reach + j + m]
        best = self._places[here & (covered == covered[here].min())]
        x, y = best[np.argmin(np.round(((best - self._places[here].mean(axis=0)) ** 2).sum(axis=1), _PLACES))]
        self._bad += _TAKEN * self._inside(_area(box(x, y, *(2 * (half + _APART_MM)), turn)))
        return float(x), float(y)

    def _inside(self, area: Area) -> np.ndarray:
        n, m, _ = self._places.shape
        return area.contains(self._places.reshape(-1, 2)).reshape(n, m)


def _arrow(x: float, y: float, turn: float) -> str:
    """A double arrow along the layers with its word in the middle."""
    half = _ARROW_MM / 2
    path = f"M{num(-half)} 0H{num(half)}m-2.4 -1l2.4 1l-2.4 1M{num(2.4 - half)} -1L{num(-half)} 0l2.4 1"
    return (
        f'<g class="along" pointer-events="none" transform="translate({num(x)} {num(-y)})'
        f' rotate({num(-math.degrees(turn))})" fill="none"><path d="{path}" stroke="#fff" stroke-width="1.6"/>'
        f'<path d="{path}" stroke="#000" stroke-width="0.45"/>'
        + text_at(0, 0, _WORDS_MM, "layers", f'fill="#000" {HALO} stroke-width="1.6"')
        + "</g>"
    )


def _along(setup: Setup, billet: Billet) -> tuple[float, float]:
    """The direction of the layers, setup frame."""
    assert billet.layers_rad is not None
    along = np.array([[math.cos(billet.layers_rad), math.sin(billet.layers_rad)]])
    ((a, b),) = setup.seating.setup_from_billet.vectors(along).tolist()
    return a, b


def _rings(setup: Setup, billet: Billet) -> list[Float]:
    return [setup.seating.setup_from_billet.points(zone.polygon) for zone in billet.zones]


def _area(ring: Float) -> Area:
    return Area.of_loops(Loop.polygon(ring))


def _line(ring: Float) -> Area:
    """Where words would stand on this line."""
    return _area(ring).grown(_STEP_MM / 2).minus(_area(ring).shrunk(_STEP_MM / 2))
