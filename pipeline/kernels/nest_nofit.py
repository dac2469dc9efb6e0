"""Guided separation of polygons that stand at listed angles, measured by exact no-fit polygons.

Words. A *form* is one polygon at one of its angles; its place is that of its reference point. The *depth* of two bodies
is how far one must move to be free of the other: the distance of their offset to the edge of the no-fit polygon, 0
where it lies outside. The *rim* is the rectangle all bodies stay in, always: places outside it are never looked at.

Goal: places without overlap. Steps of a round: measure all depths; raise the weights of pairs that overlap by 1.2 to
2.0 and let the others decay by 0.95; look for a better place for every body that overlaps, in random order: random
places all over the rim and near ones, the best three refined by steps that shrink. Small overlaps that remain are
pushed apart along the shortest way. Rounds go on until nothing improves for a while, then start again from the best
state; after some such strikes in vain they end. (Guided local search on overlaps: Egeblad, Nielsen and Odgaard 2007;
Umetani and others 2009; random places and strikes: Gardeyn, Vanden Berghe and Wauters 2025, arXiv 2509.13329. From
memory; numbers are ours.)

Lengths in any one unit. The generator is that of `nest_engine`.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numba import njit

FAR = 1e300
_BEST = 3  # places refined
_NEAR = 0.05  # of a body's width: two places nearer than this are one
_FIRST_STEP, _LAST_STEP, _FINE_STEP = 0.1, 0.005, 1e-4  # of a body's width
_SHORT = 0.02  # of the usual width: overlaps up to this may be pushed apart
_PUSHES = 60
_GAIN = 0.98  # a state is better when its depths are less than this share of the best before


class Fit(NamedTuple):
    """All forms and their no-fit polygons, packed flat: f forms, k edges. The polygon of form a beside form b, seen
    from a, is number a * f + b."""

    first: np.ndarray  # (f * f + 1,) int64 into edges
    edges: np.ndarray  # (k, 9): x0, y0, dx, dy, 1 / length^2, y1, and the edge's line: inward normal and offset
    box: np.ndarray  # (f * f, 4): x0, y0, x1, y1
    convex: np.ndarray  # (f * f,) bool
    extent: np.ndarray  # (f, 4): box of each form round its reference point
    of_kind: np.ndarray  # (kinds + 1,) int64: forms of kind k are of_kind[k] to of_kind[k + 1] - 1
    width: np.ndarray  # (kinds,) the lesser side of each kind's box
    usual: float  # a usual width


@njit(cache=True, nogil=True)
def draw(state):
    """Next number in (0, 1)."""
    state[0] = (state[0] * 48271) % 2147483647
    return state[0] / 2147483647.0


@njit(cache=True, nogil=True)
def _depth(fit, f, tx, ty):
    """Depth at an offset inside the box of polygon f; 0 when it lies outside the polygon."""
    best = FAR
    if fit.convex[f]:
        for k in range(fit.first[f], fit.first[f + 1]):
            d = fit.edges[k, 6] * tx + fit.edges[k, 7] * ty + fit.edges[k, 8]
            if d <= 0.0:
                return 0.0
            best = min(best, d)
        return best
    is_inside = False
    for k in range(fit.first[f], fit.first[f + 1]):
        ax, ay = fit.edges[k, 0] - tx, fit.edges[k, 1] - ty
        dx, dy = fit.edges[k, 2], fit.edges[k, 3]
        # Both ends come from the table: an end made of start and step would not always be the next edge's start.
        if (ay > 0.0) != (fit.edges[k, 5] - ty > 0.0) and (ax * dy - ay * dx > 0.0) == (dy > 0.0):
            is_inside = not is_inside
        t = min(1.0, max(0.0, -(ax * dx + ay * dy) * fit.edges[k, 4]))
        px, py = ax + t * dx, ay + t * dy
        best = min(best, px * px + py * py)
    return math.sqrt(best) if is_inside else 0.0


@njit(cache=True, nogil=True)
def _way_out(fit, f, tx, ty):
    """The shortest way from an offset to the edge of polygon f."""
    best, out_x, out_y = FAR, 0.0, 0.0
    for k in range(fit.first[f], fit.first[f + 1]):
        ax, ay = fit.edges[k, 0] - tx, fit.edges[k, 1] - ty
        dx, dy = fit.edges[k, 2], fit.edges[k, 3]
        t = min(1.0, max(0.0, -(ax * dx + ay * dy) * fit.edges[k, 4]))
        px, py = ax + t * dx, ay + t * dy
        if px * px + py * py < best:
            best, out_x, out_y = px * px + py * py, px, py
    return out_x, out_y


@njit(cache=True, nogil=True)
def _between(fit, a, b, tx, ty):
    """Depth of form b at offset (tx, ty) from form a."""
    f = a * len(fit.extent) + b
    if tx <= fit.box[f, 0] or tx >= fit.box[f, 2] or ty <= fit.box[f, 1] or ty >= fit.box[f, 3]:
        return 0.0
    return _depth(fit, f, tx, ty)


@njit(cache=True, nogil=True)
def _boxes(fit, forms, places, i, first_form, n_forms, out):
    """Where a place of body i in each of its forms may be in another's no-fit polygon: boxes into out (n_forms, 4, n);
    the one of body i itself is empty. Made once for the hundreds of places that are looked at next."""
    for q in range(n_forms):
        for j in range(len(forms)):
            f = forms[j] * len(fit.extent) + first_form + q
            for c in range(4):
                out[q, c, j] = places[j, c % 2] + fit.box[f, c]
        out[q, 0, i] = FAR


@njit(cache=True, nogil=True)
def _weighed(fit, forms, places, weights, i, form, box, x, y, bound):
    """Sum of weighted depths of body i in a form at a place; gives up at `bound`. `box` (4, n) as of `_boxes`."""
    total = 0.0
    for j in range(len(forms)):
        if x <= box[0, j] or x >= box[2, j] or y <= box[1, j] or y >= box[3, j]:
            continue
        d = _depth(fit, forms[j] * len(fit.extent) + form, x - places[j, 0], y - places[j, 1])
        if d > 0.0:
            total += weights[i, j] * d
            if total >= bound:
                return total
    return total


@njit(cache=True, nogil=True)
def _limits(fit, rim, form):
    """Where a form's reference point may lie: x0, y0, x1, y1; empty when x1 < x0 or y1 < y0."""
    e = fit.extent[form]
    return rim[0] - e[0], rim[1] - e[1], rim[2] - e[2], rim[3] - e[3]


@njit(cache=True, nogil=True)
def _refined(fit, forms, places, weights, i, form, box, x, y, e, rim, step, least, state):
    """A better place for body i by steps both ways along a random direction; a step that finds nothing is halved."""
    x0, y0, x1, y1 = _limits(fit, rim, form)
    sx, sy = step, step
    while e > 0.0 and (sx > least or sy > least):
        which = int(4.0 * draw(state))
        dx = 0.0 if which == 1 else (1.0 if which == 0 else 0.7)
        dy = 0.0 if which == 0 else (1.0 if which == 1 else (0.7 if which == 2 else -0.7))
        ax, ay = min(x1, max(x0, x + dx * sx)), min(y1, max(y0, y + dy * sy))
        bx, by = min(x1, max(x0, x - dx * sx)), min(y1, max(y0, y - dy * sy))
        ea = _weighed(fit, forms, places, weights, i, form, box, ax, ay, e)
        eb = _weighed(fit, forms, places, weights, i, form, box, bx, by, min(e, ea))
        factor = 1.1
        if ea < e and ea <= eb:
            x, y, e = ax, ay, ea
        elif eb < e:
            x, y, e = bx, by, eb
        else:
            factor = 0.5
        if which > 1:
            factor = math.sqrt(factor)
        if dx != 0.0:
            sx *= factor
        if dy != 0.0:
            sy *= factor
    return x, y, e


@njit(cache=True, nogil=True)
def _relocate(fit, kinds, forms, places, weights, i, rim, n_wide, n_near, state):
    """A better place and form for body i, when one is found."""
    kind, here = kinds[i], forms[i]
    first_form, n_forms = fit.of_kind[kind], fit.of_kind[kind + 1] - fit.of_kind[kind]
    width = fit.width[kind]
    boxes = np.empty((n_forms, 4, len(forms)))
    _boxes(fit, forms, places, i, first_form, n_forms, boxes)
    now = _weighed(fit, forms, places, weights, i, here, boxes[here - first_form], places[i, 0], places[i, 1], FAR)
    mid_x = places[i, 0] + 0.5 * (fit.extent[here, 0] + fit.extent[here, 2])
    mid_y = places[i, 1] + 0.5 * (fit.extent[here, 1] + fit.extent[here, 3])
    best = np.full((_BEST, 4), FAR)  # x, y, form, weighed depth
    for s in range(1 + n_near + n_wide):
        form = here
        if s > n_near or (s > 0 and draw(state) < 0.25):
            form = first_form + int(draw(state) * n_forms)
        x0, y0, x1, y1 = _limits(fit, rim, form)
        if x1 < x0 or y1 < y0:
            continue
        if s == 0:
            x, y = places[i, 0], places[i, 1]
        elif s <= n_near:
            x = mid_x - 0.5 * (fit.extent[form, 0] + fit.extent[form, 2]) + width * (draw(state) - 0.5)
            y = mid_y - 0.5 * (fit.extent[form, 1] + fit.extent[form, 3]) + width * (draw(state) - 0.5)
            x, y = min(x1, max(x0, x)), min(y1, max(y0, y))
        else:
            x, y = x0 + (x1 - x0) * draw(state), y0 + (y1 - y0) * draw(state)
        e = _weighed(fit, forms, places, weights, i, form, boxes[form - first_form], x, y, best[_BEST - 1, 3])
        if e >= best[_BEST - 1, 3]:
            continue
        at = _BEST - 1
        for q in range(_BEST):
            is_near = abs(best[q, 0] - x) < _NEAR * width and abs(best[q, 1] - y) < _NEAR * width
            if is_near and best[q, 2] == form:
                at = q
        if e >= best[at, 3]:
            continue
        while at > 0 and e < best[at - 1, 3]:
            best[at] = best[at - 1]
            at -= 1
        best[at, 0], best[at, 1], best[at, 2], best[at, 3] = x, y, form, e
    bx, by, b_form, least = 0.0, 0.0, here, FAR
    for q in range(_BEST):
        if best[q, 3] < FAR and least > 0.0:
            form = int(best[q, 2])
            x, y, e = _refined(fit, forms, places, weights, i, form, boxes[form - first_form], best[q, 0], best[q, 1],
                               best[q, 3], rim, _FIRST_STEP * width, _LAST_STEP * width, state)  # fmt: skip
            if e < least:
                bx, by, b_form, least = x, y, form, e
    if least < FAR:
        bx, by, least = _refined(fit, forms, places, weights, i, b_form, boxes[b_form - first_form], bx, by, least, rim,
                                 2.0 * _LAST_STEP * width, _FINE_STEP * width, state)  # fmt: skip
    if least < now:
        forms[i], places[i, 0], places[i, 1] = b_form, bx, by


@njit(cache=True, nogil=True)
def _overlaps(fit, forms, places, i, tol):
    """Whether body i lies deeper than `tol` in any other."""
    for j in range(len(forms)):
        if j != i and _between(fit, forms[j], forms[i], places[i, 0] - places[j, 0], places[i, 1] - places[j, 1]) > tol:
            return True
    return False


@njit(cache=True, nogil=True)
def _measure(fit, forms, places, depths):
    """All depths, (n, n) and symmetric; returns their sum over pairs and the largest."""
    total, worst = 0.0, 0.0
    for i in range(len(forms)):
        for j in range(i):
            d = _between(fit, forms[j], forms[i], places[i, 0] - places[j, 0], places[i, 1] - places[j, 1])
            depths[i, j] = d
            depths[j, i] = d
            total += d
            worst = max(worst, d)
    return total, worst


@njit(cache=True, nogil=True)
def _moved(fit, rim, form, place, dx, dy):
    """Moves a place, as far as the rim lets it; returns how far."""
    x0, y0, x1, y1 = _limits(fit, rim, form)
    x, y = min(x1, max(x0, place[0] + dx)), min(y1, max(y0, place[1] + dy))
    dx, dy = x - place[0], y - place[1]
    place[0], place[1] = x, y
    return dx, dy


@njit(cache=True, nogil=True)
def push_apart(fit, forms, places, rim, tol):
    """Push bodies out of small overlaps, each pair half and half; True when none is deeper than `tol`. In place."""
    n_forms = len(fit.extent)
    for _ in range(_PUSHES):
        worst = 0.0
        for i in range(len(forms)):
            for j in range(i):
                tx, ty = places[i, 0] - places[j, 0], places[i, 1] - places[j, 1]
                d = _between(fit, forms[j], forms[i], tx, ty)
                if d <= tol:
                    continue
                worst = max(worst, d)
                px, py = _way_out(fit, forms[j] * n_forms + forms[i], tx, ty)
                share = 0.5 * (1.0 + 0.2 * tol / d)  # a little more than needed, or it would never end
                gx, gy = _moved(fit, rim, forms[i], places[i], share * px, share * py)
                # What the rim takes from the one, the other goes.
                _moved(fit, rim, forms[j], places[j], gx - 2.0 * share * px, gy - 2.0 * share * py)
        if worst <= tol:
            return True
    return False


@njit(cache=True, nogil=True)
def separate(fit, kinds, forms, places, share, rim, strikes, quiet, n_wide, n_near, tol, budget, state):
    """Guided separation from the given forms (n,) and places (n, 2), in place; returns the sum of depths of what it
    leaves, 0 when none is deeper than `tol`.

    `share` (n, n) weighs pairs against each other from the start. It ends after `strikes` times `quiet` rounds in vain,
    or after `budget` relocations.
    """
    n = len(forms)
    weights, depths = share.copy(), np.zeros((n, n))
    best_forms, best_places = forms.copy(), places.copy()
    trial_forms, trial = forms.copy(), places.copy()
    order = np.arange(n)
    best, in_vain = FAR, 0
    while in_vain < strikes:
        before, waited = best, 0
        if best < FAR:
            forms[:], places[:] = best_forms, best_places
        while waited < quiet:
            total, worst = _measure(fit, forms, places, depths)
            if worst <= tol:
                return 0.0
            if worst < _SHORT * fit.usual:
                trial_forms[:], trial[:] = forms, places
                if push_apart(fit, trial_forms, trial, rim, tol):
                    places[:] = trial
                    return 0.0
            if total < best:
                if total < _GAIN * best:
                    waited = 0
                best = total
                best_forms[:], best_places[:] = forms, places
            waited += 1
            if budget <= 0:
                break
            for i in range(n):
                for j in range(n):
                    if depths[i, j] > tol:
                        weights[i, j] *= 1.2 + 0.8 * depths[i, j] / worst
                    else:
                        weights[i, j] = max(share[i, j], 0.95 * weights[i, j])
            for k in range(n - 1, 0, -1):
                m = int(draw(state) * (k + 1))
                order[k], order[m] = order[m], order[k]
            for k in range(n):
                i = order[k]
                if _overlaps(fit, forms, places, i, tol):
                    _relocate(fit, kinds, forms, places, weights, i, rim, n_wide, n_near, state)
                    budget -= 1
        if budget <= 0:
            break
        in_vain = 0 if best < _GAIN * before else in_vain + 1
    forms[:], places[:] = best_forms, best_places
    return best
