"""An invented horse's back as an exact surface: closed-form topline, sections by their tangent angle. Lengths in mm.

Across, a section is followed outward from the spine by arc s; its tangent lies below horizontal by

    θ(s) = α s/√(s² + ρ²) + κ s³/(s² + c²),

a roof of slope α with a ridge rounded over ρ, that turns down into the barrel and stands upright at the arc W (which
sets κ). α, ρ and W run smoothly along the back. On it lie soft swellings along the section's normal: shoulder blades, a
hollow behind each, one side less filled, the groove of a fat back. Along, the topline is the line withers–croup less a
dip that vanishes at both, a neck that rises in front, a fall behind the croup.
"""

from dataclasses import dataclass
from functools import cache

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.special import expit

from shimwright.scan.raw import FloatArray
from shimwright.scan.topline import ToplineFound, topline_landmarks

USUAL_LENGTH_MM = 800.0
NECK_MM, BEHIND_CROUP_MM = 250.0, 250.0  # how far the surface goes past withers and croup
ARC_MM = 640.0  # down each side, on a horse of 800 mm withers–croup
TURN_MM = 150.0  # c
NECK_BEND_MM = 60.0  # over which a turned neck leaves the line of the back
NODES = 40  # Gauss–Legendre, gathered at the ridge: the arc's integrals are good to 1e-6 mm (a test)
# where the sections are told, as a share of withers–croup: neck, withers, middle, loin, croup, tail
KNOTS = (0.35, 0.0, -0.36, -0.62, -1.0, -1.3)
Triple = tuple[float, float, float]


@dataclass(frozen=True)
class HorseShape:
    """Build of an invented horse. mm and degrees, sides [left, right], triples at withers, middle, loin.

    uphill_deg: slope of the line withers–croup. dip_mm: depth of the back below it. withers_mm: length over which
    the back falls behind the withers (a standard deviation). front_fall: 1 = the topline falls again in front of
    the withers (a peak), 0 = it runs on into the neck (a knee). neck_rise: slope of the neck's crest. loin_arch_mm:
    a roach over the loin. angle_deg: slope of the roof, below horizontal. ridge_mm: rounding of the ridge.
    widest_mm: arc to where the barrel is widest. groove_mm: depth of the groove over the spine. blade_mm: shoulder
    blades stand out. hollow_mm: depth of the hollow behind each. uneven_mm: the left side is that much less filled
    than the right. bend_mm: the middle of the spine lies that far to the left of the line withers–croup.
    withers_croup_mm is nominal: `landmarks` finds both a few centimetres off. widest_mm and all bumps are told for
    a horse of 800 mm and scale with it; dip_mm does not.
    """

    withers_croup_mm: float = USUAL_LENGTH_MM
    uphill_deg: float = 0.0
    dip_mm: float = 62.0
    withers_mm: float = 125.0
    front_fall: float = 1.0
    neck_rise: float = 0.30
    loin_arch_mm: float = 0.0
    angle_deg: Triple = (46.0, 32.0, 27.0)
    ridge_mm: Triple = (18.0, 25.0, 34.0)
    widest_mm: Triple = (475.0, 490.0, 485.0)
    groove_mm: float = 0.0
    blade_mm: float = 6.0
    hollow_mm: tuple[float, float] = (0.0, 0.0)
    uneven_mm: float = 0.0
    bend_mm: float = 0.0
    neck_turn_deg: float = 0.0

    @property
    def scale(self) -> float:
        """Against a horse of 800 mm withers–croup."""
        return self.withers_croup_mm / USUAL_LENGTH_MM


def x_range_mm(shape: HorseShape) -> tuple[float, float]:
    """Rear and front end of the surface, back frame, mm."""
    found = landmarks(shape)
    return found.croup_x - found.withers_x - BEHIND_CROUP_MM * shape.scale, NECK_MM * shape.scale


def surface_point(shape: HorseShape, x_mm: FloatArray, arc_mm: FloatArray) -> FloatArray:
    """Exact points (…, 3), back frame. arc_mm: along the bare section from the spine, + = left. Shapes broadcast."""
    found = landmarks(shape)
    x, s = np.broadcast_arrays(np.asarray(x_mm, float) + found.withers_x, np.asarray(arc_mm, float))
    side, arc = np.where(s < 0, -1.0, 1.0), np.abs(s)
    out, down = _roof(shape, x, arc)
    theta = _tangent(shape, x, arc)
    swell = _swelling(shape, x, arc, side)
    y = side * (out + swell * np.sin(theta)) + _spine_y(shape, x)
    z = topline(shape, x) - down + swell * np.cos(theta) - found.withers_z
    return np.stack([x - found.withers_x, y, z], axis=-1)


def spine(shape: HorseShape, x_mm: FloatArray) -> FloatArray:
    """Exact points (…, 3) of the spine's line."""
    return surface_point(shape, x_mm, np.zeros(np.shape(x_mm)))


@cache
def landmarks(shape: HorseShape) -> ToplineFound:
    """Withers, low and croup by the definitions that scans are measured with, in the shape's own coordinates."""
    length, scale = shape.withers_croup_mm, shape.scale
    x = np.arange(-length - BEHIND_CROUP_MM * scale, NECK_MM * scale + 1e-9, 1.0)
    z = topline(shape, x) + _swelling(shape, x, np.zeros_like(x), np.ones_like(x))
    found = topline_landmarks(x, z, np.full(x.size, 1e-3))
    return ToplineFound(**{**vars(found), "withers_z": float(np.interp(found.withers_x, x, z))})


def topline(shape: HorseShape, x: FloatArray) -> FloatArray:
    """Height of the spine, the groove not yet taken off; x = 0 near the withers."""
    length, k = shape.withers_croup_mm, shape.scale
    front = expit(-x / (20.0 * k))
    near_withers = -np.expm1(-0.5 * (x / (shape.withers_mm * k)) ** 2)
    at_withers = near_withers * (front + (1 - front) * shape.front_fall)
    at_croup = -np.expm1(-0.5 * ((x + length) / (200.0 * k)) ** 2)
    roach = np.exp(-0.5 * ((x + 0.66 * length) / (0.14 * length)) ** 2)
    neck = shape.neck_rise * _ramp(x - (30.0 + 110.0 * shape.front_fall) * k, 45.0 * k)
    tail = 0.25 * _ramp(-x - length - 110.0 * k, 40.0 * k)
    line = np.tan(np.radians(shape.uphill_deg)) * x
    return np.asarray(line - shape.dip_mm * at_withers * at_croup + shape.loin_arch_mm * roach + neck - tail)


def _ramp(x: FloatArray, soft: float) -> FloatArray:
    """0 before, slope 1 after, smooth over `soft`."""
    return np.asarray(soft * np.logaddexp(0.0, x / soft))


@cache
def _along(shape: HorseShape) -> CubicSpline:
    """(α, ρ, W) along x, twice smooth. Neck and tail are narrower than withers and croup by proportion."""
    k = shape.scale
    alpha, rho, widest = (np.array(triple) for triple in (shape.angle_deg, shape.ridge_mm, shape.widest_mm))
    rows = [
        (alpha[0] + 10.0, rho[0], widest[0] * 0.85),
        *zip(alpha, rho, widest, strict=True),
        (alpha[2] + 1.0, rho[2] * 1.2, widest[2]),
        (alpha[2] + 9.0, rho[2], widest[2] * 0.9),
    ]
    x = np.array(KNOTS) * shape.withers_croup_mm
    values = np.array(rows) * [np.pi / 180.0, k, k]
    return CubicSpline(x[::-1], values[::-1], bc_type="clamped")


def _section(shape: HorseShape, x: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray, float]:
    """(α, ρ, κ, c) at x."""
    ends = np.array(KNOTS)[[-1, 0]] * shape.withers_croup_mm
    alpha, rho, widest = np.moveaxis(_along(shape)(np.clip(x, *ends)), -1, 0)
    c = TURN_MM * shape.scale
    at_widest = np.pi / 2 - alpha * widest / np.hypot(widest, rho)
    return alpha, rho, at_widest * (widest**2 + c**2) / widest**3, c


def _tangent(shape: HorseShape, x: FloatArray, arc: FloatArray) -> FloatArray:
    """θ at arc, below horizontal, radians."""
    alpha, rho, kappa, c = _section(shape, x)
    return np.asarray(alpha * arc / np.hypot(arc, rho) + kappa * arc**3 / (arc**2 + c**2))


def _roof(shape: HorseShape, x: FloatArray, arc: FloatArray) -> tuple[FloatArray, FloatArray]:
    """(outward, down): ∫cos θ, ∫sin θ over the arc, by Gauss–Legendre in the square root of the arc."""
    alpha, rho, kappa, c = _section(shape, x)
    nodes, weights = np.polynomial.legendre.leggauss(NODES)
    out, down = np.zeros(x.shape), np.zeros(x.shape)
    for q, w in zip(0.5 * (nodes + 1), 0.5 * weights, strict=True):
        s = arc * q * q
        theta = alpha * s / np.hypot(s, rho) + kappa * s**3 / (s**2 + c**2)
        out += 2 * w * q * arc * np.cos(theta)
        down += 2 * w * q * arc * np.sin(theta)
    return out, down


def _swelling(shape: HorseShape, x: FloatArray, arc: FloatArray, side: FloatArray) -> FloatArray:
    """Outward along the section's normal; beside the spine it begins as the square of the arc."""
    k, length = shape.scale, shape.withers_croup_mm
    u, s = x / length, arc / k
    beside = s**2 / (s**2 + 40.0**2)
    total = shape.blade_mm * _bump(u - 0.03, 0.07) * _bump(s - 190.0, 75.0)
    total -= np.where(side > 0, *shape.hollow_mm) * _bump(u + 0.15, 0.055) * _bump(s - 150.0, 60.0)
    total -= 0.5 * side * shape.uneven_mm * _bump(u + 0.32, 0.22) * _bump(s - 140.0, 60.0)
    groove = shape.groove_mm * expit(-(u + 0.25) / 0.05) * _bump(s, 22.0)
    return np.asarray(k * beside * total - groove)


def _bump(x: FloatArray, sd: float) -> FloatArray:
    return np.asarray(np.exp(-0.5 * (x / sd) ** 2))


def _spine_y(shape: HorseShape, x: FloatArray) -> FloatArray:
    """Sideways course of the spine, 0 at withers and croup as found."""
    if shape.bend_mm == 0 and shape.neck_turn_deg == 0:
        return np.zeros_like(x)
    found = landmarks(shape)
    u = (x - found.croup_x) / (found.withers_x - found.croup_x)
    soft, before = NECK_BEND_MM * shape.scale, np.maximum(x - found.withers_x, 0.0)
    turned = np.tan(np.radians(shape.neck_turn_deg)) * (np.hypot(before, soft) - soft)
    return np.asarray(shape.bend_mm * np.sin(np.pi * np.clip(u, -0.3, 1.3)) + turned)
