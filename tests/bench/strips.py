"""Strip packing on the separation core of the nest: all pieces into a strip of a given height, as short as can be.

Steps: places at random in a long strip, separated; then shorter and shorter strips, each from the shortest layout so
far cut through at a random place and pushed together. Where that cannot be separated two large pieces change places
and it is tried again. The last quarter of the time goes in ever smaller steps. (Idea of these steps: Gardeyn, Vanden
Berghe and Wauters 2025, arXiv 2509.13329; numbers are ours.)

Lengths in the instance's own unit. Density is the pieces' area over nominal height times length used.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from threading import Barrier
from typing import Any

import numpy as np
import shapely

from pipeline.kernels import nest_nofit
from pipeline.nest.forms import Forms, forms_of

TOL = 2e-7  # an overlap that counts as none; the check allows 1e-6
_FILLED = 0.5  # density of the first strip
_STEP, _LEAST_STEP = 0.02, 0.001  # of the length
_LAST_STEPS = 0.002, 0.0001
_EXPLORING = 0.75  # of the time
_TRIES = 3  # of a step that is not yet small
_POOL = 20
_WIDE, _NEAR = 50, 25  # places looked at for a piece that overlaps
_LARGE = 0.75  # of the area is in large pieces


@dataclass(frozen=True, kw_only=True)
class Strip:
    """One instance, ready: which kind each piece is, the area of each, and the weights of pairs."""

    height: float
    shapes: Forms
    kinds: Any  # (n,) int64
    areas: Any  # (n,)
    share: Any  # (n, n)

    @property
    def area(self) -> float:
        return math.fsum(self.areas)


@dataclass(frozen=True, kw_only=True)
class Packed:
    """A layout: form and place of each piece, and the length it uses."""

    length: float
    forms: Any
    places: Any


def load(data: dict) -> Strip:
    """From the data of one instance (`kind: strip`), angles that do not fit the height left out."""
    rings, angles, kinds, areas = [], [], [], []
    for k, item in enumerate(data["items"]):
        ring = shapely.get_coordinates(shapely.orient_polygons(shapely.Polygon(item["polygon"])).exterior)[:-1]
        ring = ring - (ring.min(axis=0) + ring.max(axis=0)) / 2
        allowed = [a for a in item["allowed_rotations_deg"] if _height(ring, a) <= data["strip_height"] + TOL]
        rings.append(ring)
        angles.append([math.radians(a) for a in allowed])
        kinds += [k] * item["demand"]
        areas += [float(shapely.Polygon(ring).area)] * item["demand"]
    weight = np.array(areas) / np.mean(areas)
    return Strip(height=float(data["strip_height"]), shapes=forms_of(rings, angles), kinds=np.array(kinds),
                 areas=np.array(areas), share=np.outer(weight, weight) ** 0.25)


def _height(ring: Any, degrees: float) -> float:
    a = math.radians(degrees)
    return float(np.ptp(math.sin(a) * ring[:, 0] + math.cos(a) * ring[:, 1]))


class _Search:
    """One stream with a seed of its own."""

    def __init__(self, strip: Strip, seed: int) -> None:
        self.strip, self.fit = strip, strip.shapes.fit
        self.state = np.array([(seed * 7919 + 12345) % 2147483646 + 1], dtype=np.int64)
        for _ in range(8):
            self.draw()

    def draw(self) -> float:
        return float(nest_nofit.draw(self.state))

    def below(self, n: int) -> int:
        return int(self.draw() * n)

    def separate(self, forms: Any, places: Any, length: float, strikes: int, quiet: int, budget: int) -> float:
        """In place; the depth that is left."""
        rim = np.array([0.0, 0.0, length, self.strip.height])
        return float(nest_nofit.separate(
            self.fit, self.strip.kinds, forms, places, self.strip.share, rim, strikes, quiet, _WIDE, _NEAR, TOL, budget,
            self.state,
        ))  # fmt: skip

    def packed(self, forms: Any, places: Any) -> Packed:
        return Packed(length=float((places[:, 0] + self.fit.extent[forms, 2]).max()), forms=forms, places=places)

    def inside(self, forms: Any, places: Any, length: float) -> None:
        """Push pieces into the strip, in place."""
        extent = self.fit.extent[forms]
        np.clip(places, -extent[:, :2], np.array([length, self.strip.height]) - extent[:, 2:], out=places)

    def first(self) -> Packed:
        """Any layout."""
        strip, n = self.strip, len(self.strip.kinds)
        length = strip.area / strip.height / _FILLED
        of_kind = self.fit.of_kind
        while True:
            forms = np.array([of_kind[k] + self.below(of_kind[k + 1] - of_kind[k]) for k in strip.kinds])
            places = np.array([[length * self.draw(), strip.height * self.draw()] for _ in range(n)])
            self.inside(forms, places, length)
            if self.separate(forms, places, length, 3, 100, 10**9) == 0.0:
                return self.packed(forms, places)
            length *= 1.05

    def shorter(self, best: Packed, length: float) -> tuple[Any, Any]:
        """The layout cut through at a random place and pushed together to a length."""
        forms, places = best.forms.copy(), best.places.copy()
        places[places[:, 0] > self.draw() * best.length, 0] -= best.length - length
        self.inside(forms, places, length)
        return forms, places

    def swap_large(self, places: Any) -> None:
        """Two large pieces of different kinds change places, in place."""
        order = np.argsort(-self.strip.areas, kind="stable")
        large = order[np.cumsum(self.strip.areas[order]) <= _LARGE * self.strip.area]
        for _ in range(50):
            i, j = large[self.below(len(large))], large[self.below(len(large))]
            if self.strip.kinds[i] != self.strip.kinds[j]:
                places[[i, j]] = places[[j, i]]
                return

    def explore(self, best: Packed, gone: Callable[[], float]) -> Packed:
        """Shorter and shorter; `gone` is the share of the time that has passed."""
        step, n = _STEP, len(self.strip.kinds)
        while gone() < 1:
            length = best.length * (1 - step)
            forms, places = self.shorter(best, length)
            pool: list[tuple[float, Any, Any]] = []
            is_good = False
            while gone() < 1:
                left = self.separate(forms, places, length, 3, 60, 800 * n)
                is_good = left == 0.0
                pool = sorted([*pool, (left, forms.copy(), places.copy())], key=lambda entry: entry[0])[:_POOL]
                if is_good or (step > 4 * _LEAST_STEP and len(pool) >= _TRIES):
                    break
                u = math.sqrt(-2 * math.log(self.draw())) * math.cos(2 * math.pi * self.draw())  # the best more often
                _, forms, places = pool[min(int(abs(0.25 * u) * len(pool)), len(pool) - 1)]
                forms, places = forms.copy(), places.copy()
                self.swap_large(places)
                self.inside(forms, places, length)
            if is_good:
                best = min(best, self.packed(forms, places), key=lambda p: p.length)
            if not is_good or len(pool) > 1:
                step = max(_LEAST_STEP, step * (0.7 if is_good else 0.5))
        return best

    def press(self, best: Packed, gone: Callable[[], float]) -> Packed:
        """Shorter by ever smaller steps."""
        first, last = _LAST_STEPS
        while (share := gone()) < 1:
            length = best.length * (1 - first * (last / first) ** share)
            forms, places = self.shorter(best, length)
            if self.separate(forms, places, length, 2, 40, 80 * len(self.strip.kinds)) == 0.0:
                best = min(best, self.packed(forms, places), key=lambda p: p.length)
        return best


def solve(strip: Strip, *, seconds: float, seed: int, threads: int = 1) -> Packed:
    """The shortest layout found in so many seconds of each thread's own time. Threads explore on their own, then all
    press the best that any has found."""
    exploring = _EXPLORING * seconds
    explored: list[Packed] = []
    all_there = Barrier(threads)

    def stream(k: int) -> Packed:
        begin = time.thread_time()
        search = _Search(strip, seed * threads + k)
        explored.append(search.explore(search.first(), lambda: (time.thread_time() - begin) / exploring))
        all_there.wait()
        best = min(explored, key=lambda packed: packed.length)
        return search.press(best, lambda: (time.thread_time() - begin - exploring) / (seconds - exploring))

    with ThreadPoolExecutor(max_workers=threads) as pool:
        return min(pool.map(stream, range(threads)), key=lambda packed: packed.length)


def density(strip: Strip, packed: Packed) -> float:
    """Percent of the strip that is covered."""
    return 100 * strip.area / (strip.height * packed.length)


def faults(strip: Strip, data: dict, packed: Packed) -> list[str]:
    """What is wrong with a layout, by polygons made anew from the instance: every piece there, inside, at an allowed
    angle, and none deeper in another than 1e-6."""
    wrong, placed = [], []
    counts = np.bincount(strip.kinds, minlength=len(data["items"]))
    wrong += [f"item {k}: {counts[k]} pieces" for k, item in enumerate(data["items"]) if counts[k] != item["demand"]]
    for i, k in enumerate(strip.kinds):
        item, angle = data["items"][k], strip.shapes.angles_rad[packed.forms[i]]
        if not any(math.isclose(angle, math.radians(a)) for a in item["allowed_rotations_deg"]):
            wrong.append(f"piece {i}: turned by {math.degrees(angle)}")
        ring = np.array(item["polygon"], dtype=np.float64)
        ring = ring - (ring.min(axis=0) + ring.max(axis=0)) / 2
        c, s = math.cos(angle), math.sin(angle)
        placed.append(shapely.Polygon(ring @ np.array([[c, s], [-s, c]]) + packed.places[i]))
        x0, y0, x1, y1 = placed[-1].bounds
        if min(x0, y0) < -1e-6 or x1 > packed.length + 1e-6 or y1 > strip.height + 1e-6:
            wrong.append(f"piece {i}: outside")
    tree = shapely.STRtree(placed)
    for i, j in zip(*tree.query(placed, predicate="intersects"), strict=True):
        # Pieces shrunk by the allowance on both sides still meet where they overlap by more, slivers too.
        if i < j and shapely.buffer(placed[i], -1e-6).intersects(placed[j]):
            wrong.append(f"pieces {i} and {j} overlap")
    return wrong
