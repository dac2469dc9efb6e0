"""The clip's spring figures, against closed forms and against a second way of integrating."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import quad

from parts import _beam, clip
from tests.reference import clip as reference


def test_a_uniform_beam_has_its_closed_form():
    def section(x):
        heights = np.full((len(x), 5), reference.THICKNESS_MM)
        return _beam.over_flat(heights, np.full(len(x), reference.WIDTH_MM))

    rate, stress = _beam.spring(reference.LENGTH_MM, section, modulus=reference.MODULUS)
    assert rate * reference.DEFLECTION_MM == pytest.approx(reference.FORCE_N, rel=reference.RELATIVE)
    assert stress * reference.DEFLECTION_MM == pytest.approx(reference.STRESS_N_MM2, rel=reference.RELATIVE)


def test_a_tapered_beam_agrees_with_adaptive_quadrature():
    def height(x):
        return 2.0 - 1.2 * x / 30.0

    rate, stress = _beam.spring(30.0, lambda x: _beam.over_flat(np.tile(height(x)[:, None], 3), np.full(len(x), 6.0)))
    give, _ = quad(lambda x: (30.0 - x) ** 2 / (_beam.E_TI_6AL_4V * 6.0 * height(x) ** 3 / 12), 0.0, 30.0)
    assert rate == pytest.approx(1 / give, rel=1e-8)
    # M c / I = 6 F (L - x) / (b h^2) is largest where its slope vanishes: h = 2 |h'| (L - x), at L - x = h_tip / |h'|.
    arm = 0.8 / (1.2 / 30.0)
    assert stress == pytest.approx(6 * rate * arm / (6.0 * (2 * 0.8) ** 2), rel=1e-4)


def test_a_half_round_section_has_its_known_second_moment():
    # r^4 (pi/8 - 8/(9 pi)) about its own middle, which lies 4 r / (3 pi) above the flat: any handbook, from memory.
    across = np.linspace(-1.0, 1.0, 20001)
    moment, fibre = _beam.over_flat(np.sqrt(1 - across**2)[None, :], np.array([2.0]))
    assert moment[0] == pytest.approx(math.pi / 8 - 8 / (9 * math.pi), rel=1e-5)
    assert fibre[0] == pytest.approx(1 - 4 / (3 * math.pi), rel=1e-5)


def test_the_clip_reports_its_own_sections():
    report = clip.build(clip.Params()).report
    assert report["force when mounted, N"] == pytest.approx(
        report["spring rate, N/mm"] * report["deflection when mounted, mm"])
    # Between uniform beams of the thinnest and the thickest section; a clip is neither.
    length, root, thin = report["spring length, mm"], 2.2, 0.7
    low = _beam.E_TI_6AL_4V * 5.5 * thin**3 / (4 * length**3)
    high = _beam.E_TI_6AL_4V * 8.0 * root**3 / (4 * length**3)
    assert low < report["spring rate, N/mm"] < high


def test_the_sections_are_those_of_the_solid():
    """Height of the solid by cutting it with a line, against the profile the spring is computed from."""
    import cadquery as cq

    p = clip.Params()
    solid, profile = clip.build(p).solid, clip._profile(p)
    for x in np.linspace(p.tab_length_mm + 0.5, p.length_mm - 1.0, 12):
        for share in (0.0, 0.5, 0.95):
            y = share * float(clip._half_width(p, np.array([x]))[0])
            line = cq.Edge.makeLine(cq.Vector(x, y, -1), cq.Vector(x, y, 5))
            top = max(vertex.Z for vertex in line.intersect(solid).Vertices())
            radius = float(profile.height(np.array([x]))[0]) + profile.axis_mm
            wanted = math.sqrt(radius**2 - y * y) - profile.axis_mm
            wanted = min(wanted, p.seat_mm) if x < profile.root_x_mm else wanted
            assert top == pytest.approx(wanted, abs=1e-6)


@pytest.mark.parametrize(("name", "value", "stiffer"), [("root_mm", 1.5, True), ("beam_mm", 0.8, False),
                                                        ("length_mm", 55.0, False), ("tab_width_mm", 9.5, True)])
def test_the_rate_goes_the_way_it_must(name, value, stiffer):
    changed = clip.Params(**{name: value})
    rates = [clip._spring(p, clip._profile(p))[0] for p in (clip.Params(), changed)]
    assert (rates[1] > rates[0]) is stiffer
