"""A spring whose section changes along its length, as a cantilever.

Euler-Bernoulli bending, load across the end, deflection by the unit load method:
    tip deflection per unit load = integral over the length of (L - x)^2 / (E I(x)) dx
    stress in the outer fibre at x = F (L - x) c(x) / I(x)
Source: any text on strength of materials (beam deflection by virtual work), from memory; the tests hold the uniform
beam's closed forms F = E b t^3 d / (4 L^3) and 3 E t d / (2 L^2). Shear and large deflection are left out: below 1 %
for a length of ten thicknesses. Units: mm, N, N/mm2.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from pipeline.model.arrays import Float

E_TI_6AL_4V = 114_000.0  # modulus of annealed Ti-6Al-4V, N/mm2: common handbook value, from memory


def spring(length: float, section: Callable[[Float], tuple[Float, Float]], *, modulus: float = E_TI_6AL_4V,
           panels: int = 400) -> tuple[float, float]:
    """Spring rate at the end (N/mm) and the largest bending stress for 1 mm of deflection there (N/mm2).

    `section(x)` gives (I, c) at distances x (n,) from the root: second moment of area about the section's own middle
    (mm4) and the distance of the outer fibre from it (mm). Composite Simpson rule over `panels` panels.
    """
    x = np.linspace(0.0, length, 2 * panels + 1)
    weights = np.full(len(x), 2.0)
    weights[1::2], weights[0], weights[-1] = 4.0, 1.0, 1.0
    moment, fibre = section(x)
    give = float((weights * (length - x) ** 2 / moment).sum()) * length / (6 * panels) / modulus
    rate = 1.0 / give
    return rate, rate * float(((length - x) * fibre / moment).max())


def over_flat(thickness: Float, widths: Float) -> tuple[Float, Float]:
    """(I, c) of sections that stand on a flat base.

    thickness (n, m): heights of the section at m evenly spaced places across its width, odd m; widths (n,). The
    integrals across the width are by the Simpson rule, so a rectangle is exact.
    """
    m = thickness.shape[1]
    weights = np.full(m, 2.0)
    weights[1::2], weights[0], weights[-1] = 4.0, 1.0, 1.0
    step = widths / (3 * (m - 1))
    area = step * (thickness @ weights)
    first = step * (thickness**2 @ weights) / 2
    second = step * (thickness**3 @ weights) / 3
    middle = first / area
    return second - first * middle, np.maximum(thickness.max(axis=1) - middle, middle)
