"""Closed forms that the contact is held against (reference.md §5), one function per formula.

N, mm; foundation stiffness k in N/mm³ (0.010 N/mm³ = 10 kPa/mm); pressures in kPa. Frictionless, no tension.
"""

from dataclasses import dataclass

import numpy as np
from scipy.special import kei

KPA = 1000.0  # N/mm² to kPa


@dataclass(frozen=True)
class Footprint:
    """A contact: sink and half widths a (and b) in mm, largest pressure in kPa."""

    sink_mm: float
    a_mm: float
    peak_kpa: float
    b_mm: float = float("nan")


def flat_punch(load_n: float, area_mm2: float, k: float) -> Footprint:
    """p = P/A, δ = P/(kA); Johnson, Contact Mechanics, §4.3 (Winkler bed)."""
    return Footprint(load_n / (k * area_mm2), float("nan"), KPA * load_n / area_mm2)


def paraboloid(load_n: float, radius_mm: float, k: float) -> Footprint:
    """P = πkRδ², a = √(2Rδ), p₀ = kδ; Johnson §4.3."""
    return elliptic_paraboloid(load_n, radius_mm, radius_mm, k)


def elliptic_paraboloid(load_n: float, r1_mm: float, r2_mm: float, k: float) -> Footprint:
    """P = πk√(R₁R₂)δ²; Johnson §4.3."""
    sink = np.sqrt(load_n / (np.pi * k * np.sqrt(r1_mm * r2_mm)))
    return Footprint(sink, np.sqrt(2 * r1_mm * sink), KPA * k * sink, np.sqrt(2 * r2_mm * sink))


def cylinder(load_n_mm: float, radius_mm: float, k: float) -> Footprint:
    """Parabolic cylinder, per length: P′ = 2ka³/(3R), δ = a²/2R; Johnson §4.3."""
    a = (1.5 * load_n_mm * radius_mm / k) ** (1 / 3)
    return Footprint(a * a / (2 * radius_mm), a, KPA * k * a * a / (2 * radius_mm))


def footing_kpa(load_n: float, length_mm: float, width_mm: float, eccentricity_mm: float) -> tuple[float, float, float]:
    """Rigid footing, eccentric along its length B: (q_max, q_min, length in contact).

    e ≤ B/6: q = P/(BL)(1 ± 6e/B). Beyond, no tension: contact 3(B/2 − e), q_max = 2P/(3L(B/2 − e)). Any text on
    footings.
    """
    e, b = abs(eccentricity_mm), length_mm
    mean = KPA * load_n / (b * width_mm)
    if e <= b / 6:
        return mean * (1 + 6 * e / b), mean * (1 - 6 * e / b), b
    contact = 3 * (b / 2 - e)
    return 2 * KPA * load_n / (width_mm * contact), 0.0, contact


# Two-way eccentric footing, no tension: e_x/B = e_y/L → q_max/q₀, numeric (reference.md §5)
TWO_WAY = {0.05: 1.600, 0.10: 2.2045, 0.20: 4.1373, 0.25: 6.0000, 0.30: 9.3750}


def corner_kpa(load_n: float, length_mm: float, width_mm: float, ex_mm: float, ey_mm: float) -> float:
    """Two-way eccentric, contact a corner triangle: q_max = 6P/(uv), u = 4(B/2 − e_x), v = 4(L/2 − e_y); e ≥ a
    quarter.
    """
    u, v = 4 * (length_mm / 2 - ex_mm), 4 * (width_mm / 2 - ey_mm)
    return KPA * 6 * load_n / (u * v)


def bridging(load_n_mm: float, half_length_mm: float, radius_mm: float, k: float) -> tuple[float, float, float]:
    """Straight panel over a hollow of radius R, per width: (half length of the open part c, p_end kPa, closing load
    N/mm).

    P′ = k(L − c)²(L + 2c)/(3R), p_end = k(L² − c²)/(2R), closes at 4kL³/… = kL³/(3R); derived by integration.
    """
    length, closes = half_length_mm, k * half_length_mm**3 / (3 * radius_mm)
    if load_n_mm >= closes:
        return 0.0, KPA * (load_n_mm / (2 * length) + k * length**2 / (3 * radius_mm)), closes
    low, high = 0.0, length
    for _ in range(200):
        c = (low + high) / 2
        carried = k * (length - c) ** 2 * (length + 2 * c) / (3 * radius_mm)
        low, high = (c, high) if carried > load_n_mm else (low, c)
    return c, KPA * k * (length**2 - c**2) / (2 * radius_mm), closes


def rocking(load_n_mm: float, half_length_mm: float, radius_mm: float, k: float) -> tuple[Footprint, float]:
    """The same panel on a hump: the cylinder while a < L, full contact from 2kL³/(3R)."""
    return cylinder(load_n_mm, radius_mm, k), 2 * k * half_length_mm**3 / (3 * radius_mm)


def beam_beta(k_line: float, ei_nmm2: float) -> float:
    """β = (k′/4EI)^¼, 1/mm; k′ = k·b in N/mm². Hetényi, Beams on Elastic Foundation, 1946."""
    return float((k_line / (4 * ei_nmm2)) ** 0.25)


def infinite_beam(load_n: float, k_line: float, ei_nmm2: float) -> tuple[float, float]:
    """Point load on an infinite beam: (w₀ = Pβ/2k′, M₀ = P/4β). Hetényi 1946."""
    beta = beam_beta(k_line, ei_nmm2)
    return load_n * beta / (2 * k_line), load_n / (4 * beta)


def free_beam(load_n: float, length_mm: float, k_line: float, ei_nmm2: float) -> tuple[float, float]:
    """Free–free beam, centre load, foundation takes tension: (w centre, w end). Hetényi 1946."""
    beta = beam_beta(k_line, ei_nmm2)
    x = beta * length_mm
    below = np.sinh(x) + np.sin(x)
    centre = load_n * beta / (2 * k_line) * (np.cosh(x) + np.cos(x) + 2) / below
    end = 2 * load_n * beta / k_line * np.cosh(x / 2) * np.cos(x / 2) / below
    return float(centre), float(end)


FREE_FREE = (4.73004074, 7.85320462, 10.9956079)  # roots of cos(βL)·cosh(βL) = 1, free–free beam


def infinite_plate(load_n: float, e_n_mm2: float, t_mm: float, nu: float, k: float) -> tuple[float, float, float]:
    """Point load: (D = Et³/12(1−ν²), w₀ = P/8√(kD), ℓ = (D/k)^¼). Hertz 1884, Westergaard 1926."""
    d = e_n_mm2 * t_mm**3 / (12 * (1 - nu**2))
    return d, float(load_n / (8 * np.sqrt(k * d))), float((d / k) ** 0.25)


def plate_share(r_over_l: float) -> float:
    """w(r)/w₀ = −(4/π)·kei(r/ℓ) of the infinite plate."""
    return float(-4 / np.pi * kei(r_over_l))
