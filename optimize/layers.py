"""Second opinion: contact on coupled elastic layers instead of springs (DESIGN §7).

Tissue and the pad's sheets are elastic layers bonded to a rigid base. A pressure of one wavenumber sinks the surface by
C(k): the layers' transfer matrices, from the base up, give it in closed form. A normal load has no part across its own
wave, so the plane-strain C(|k|) serves both directions. Contact is then p ≥ 0 with C∗p + s·p = lift + W·q where p >
0 and the balance of forces: an active set, inside it conjugate gradients with FFTs, each panel laid flat on its own
padded grid. Shims and panel filling are local springs s on top.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft2, next_fast_len, rfft2
from scipy.interpolate import PchipInterpolator

from shimwright.scan.raw import FloatArray
from shimwright.scan.refusal import InputRefused

SLICE = 2.0  # wavenumber × thickness of a slice: the transfer matrix stays well conditioned
DEEP = 14.0  # wavenumber × depth below which a wave feels nothing: e⁻²⁸
RESIDUAL = 1e-7
ROUNDS = 60


@dataclass(frozen=True)
class Layer:
    """One elastic layer. modulus_kpa: Young's."""

    thickness_mm: float
    modulus_kpa: float
    poisson: float

    @property
    def confined_kpa(self) -> float:
        """M = E(1 − ν)/((1 + ν)(1 − 2ν))."""
        nu = self.poisson
        return self.modulus_kpa * (1 - nu) / ((1 + nu) * (1 - 2 * nu))


def from_confined(thickness_mm: float, confined_kpa: float, poisson: float) -> Layer:
    """The layer of this confined modulus at this Poisson's ratio."""
    share = (1 + poisson) * (1 - 2 * poisson) / (1 - poisson)
    return Layer(thickness_mm, confined_kpa * share, poisson)


def compliance(layers: Sequence[Layer], k: FloatArray) -> FloatArray:
    """C(k) (n,), mm/kPa, of layers from the surface down, bonded to each other and to a rigid base; C(0) = Σ h/M."""
    top = np.zeros((k.size, 2, 2))
    for layer in reversed(layers):
        depth = np.minimum(layer.thickness_mm, DEEP / np.maximum(k, 1e-12))
        slices = max(int(np.ceil(float((k * depth).max(initial=0.0)) / SLICE)), 1)
        through = _through(_rates(layer, k), k, depth / slices)
        uu, us, su, ss = through[:, :2, :2], through[:, :2, 2:], through[:, 2:, :2], through[:, 2:, 2:]
        for _ in range(slices):
            top = (uu @ top + us) @ np.linalg.inv(su @ top + ss)
    return top[:, 1, 1]


def _through(rates: FloatArray, k: FloatArray, z: FloatArray) -> FloatArray:
    """exp(A z) (n, 4, 4). A has the double eigenvalues ±k, so the exponential is a cubic in A, known by its value
    and slope at both.
    """
    x = np.maximum(k * z, 1e-4)
    even, odd = np.cosh(x), np.sinh(x) / x
    cubic = np.stack(
        [even - 0.5 * x * x * odd, 0.5 * z * (3 * odd - even), 0.5 * z**2 * odd, 0.5 * z**3 * (even - odd) / x**2]
    )
    square = rates @ rates
    powers = (np.eye(4)[None], rates, square, square @ rates)
    return np.asarray(sum(c[:, None, None] * power for c, power in zip(cubic, powers, strict=True)))


def _rates(layer: Layer, k: FloatArray) -> FloatArray:
    """d/dz of (U, W, shear, normal stress) for u = U sin kx, w = W cos kx, plane strain: (n, 4, 4)."""
    mu = layer.modulus_kpa / (2 * (1 + layer.poisson))
    confined = layer.confined_kpa
    lam = confined - 2 * mu
    rates = np.zeros((k.size, 4, 4))
    rates[:, 0, 1], rates[:, 0, 2] = k, 1 / mu
    rates[:, 1, 0], rates[:, 1, 3] = -lam * k / confined, 1 / confined
    rates[:, 2, 0], rates[:, 2, 3] = k**2 * (confined - lam**2 / confined), lam * k / confined
    rates[:, 3, 2] = -k
    return rates


@dataclass(frozen=True)
class Plate:
    """One panel laid flat on a uniform grid, shape (nx, ny); ny = 1 means plane strain. All arrays (nx, ny [, m]).

    area_mm2: 0 outside the panel. lift_mm, ways as in `contact.Bed`. spring_mm_kpa: local compliance on top.
    """

    step_mm: float
    area_mm2: FloatArray
    lift_mm: FloatArray
    ways: FloatArray
    spring_mm_kpa: FloatArray


@dataclass(frozen=True)
class Settled:
    """q (m,), pressures of each plate (nx, ny), rounds of the active set.

    answers: of each plate (nx, ny, 1 + m), pressures per lift and per way, from which a like problem may start.
    """

    q: FloatArray
    pressure_kpa: tuple[FloatArray, ...]
    rounds: int
    answers: tuple[FloatArray, ...] = ()


@dataclass(frozen=True)
class Symbol:
    """C on the grid of a plate's padded transform, and that shape."""

    shape: tuple[int, int]
    values: FloatArray


def symbol(plate: Plate, layers: Sequence[Layer]) -> Symbol:
    """Padded by at least twice the layers' thickness: beyond it they feel nothing."""
    thickness = sum(layer.thickness_mm for layer in layers)
    pad = int(np.ceil(2.5 * thickness / plate.step_mm))
    nx, ny = plate.lift_mm.shape
    shape = (next_fast_len(nx + pad, real=True), next_fast_len(ny + pad, real=True) if ny > 1 else 1)
    kx = 2 * np.pi * np.fft.fftfreq(shape[0], plate.step_mm)
    ky = 2 * np.pi * np.fft.rfftfreq(shape[1], plate.step_mm) if ny > 1 else np.zeros(1)
    k = np.hypot(kx[:, None], ky[None, :])
    sample = np.concatenate([[0.0], np.geomspace(1e-4, max(float(k.max()), 1e-3), 160)])
    log_c = PchipInterpolator(sample, np.log(compliance(layers, sample)))
    return Symbol(shape, np.exp(log_c(k)))


def settle_coupled(
    plates: Sequence[Plate],
    layers: Sequence[Layer],
    stiffness: FloatArray,
    force: FloatArray,
    start: Settled | None = None,
) -> Settled:
    """Rest under the generalised force (m,): pressures ≥ 0, every touching node sunk as far as it was pressed.

    start: of a like problem on the same grids; it changes how long this takes, not what comes out.
    Raises InputRefused when the active set does not settle.
    """
    symbols = [symbol(plate, layers) for plate in plates]
    before: Sequence[FloatArray | None] = [None] * len(plates) if start is None else start.answers
    touching = [plate.area_mm2 > 0 for plate in plates]
    if start is not None:
        touching = [kpa > 0 for kpa in start.pressure_kpa]
    q = np.zeros(force.size)
    pressures: list[FloatArray] = []
    for rounds in range(1, ROUNDS + 1):
        answers = [
            _sunk(plate, sign, touch, last)
            for plate, sign, touch, last in zip(plates, symbols, touching, before, strict=True)
        ]
        before = answers
        q = _balance(plates, answers, stiffness, force)
        pressures = [answer @ np.append(1.0, q) for answer in answers]
        after = [
            _touching(plate, sign, pressure, touch, q)
            for plate, sign, pressure, touch in zip(plates, symbols, pressures, touching, strict=True)
        ]
        if all((a == b).all() for a, b in zip(after, touching, strict=True)):
            return Settled(q, tuple(np.maximum(p, 0.0) for p in pressures), rounds, tuple(answers))
        touching = after
    raise InputRefused(
        f"coupled layers: contact did not settle in {ROUNDS} rounds, so there is no second opinion on these pressures"
    )


def _balance(
    plates: Sequence[Plate], answers: Sequence[FloatArray], stiffness: FloatArray, force: FloatArray
) -> FloatArray:
    system, rest = stiffness.copy(), force.astype(float)
    for plate, answer in zip(plates, answers, strict=True):
        push = 1e-3 * plate.area_mm2[..., None] * plate.ways
        system = system + np.einsum("xym,xyk->mk", push, answer[..., 1:])
        rest = rest - np.einsum("xym,xy->m", push, answer[..., 0])
    return np.asarray(np.linalg.solve(system, rest))


def _touching(
    plate: Plate, sign: Symbol, pressure: FloatArray, touch: NDArray[np.bool_], q: FloatArray
) -> NDArray[np.bool_]:
    """Nodes that pull leave; open nodes that the sunken surface reaches join."""
    sunk = sink(sign, pressure[..., None])[..., 0]
    open_mm = sunk - plate.lift_mm - plate.ways @ q
    slack = 1e-6 * float(np.abs(pressure).max())
    joins = (open_mm < -1e-6 * max(float(sunk.max()), 1e-9)) & (plate.area_mm2 > 0)
    return np.asarray(np.where(touch, pressure > -slack, joins))


def sink(sign: Symbol, pressure: FloatArray) -> FloatArray:
    """C∗p of fields (nx, ny, fields)."""
    nx, ny = pressure.shape[:2]
    spectrum = rfft2(pressure, s=sign.shape, axes=(0, 1)) if ny > 1 else np.fft.fft(pressure, sign.shape[0], axis=0)
    spectrum = spectrum * sign.values[..., None]
    if ny == 1:
        return np.asarray(np.fft.ifft(spectrum, axis=0).real[:nx])
    return np.asarray(irfft2(spectrum, s=sign.shape, axes=(0, 1))[:nx, :ny])


def _sunk(plate: Plate, sign: Symbol, touch: NDArray[np.bool_], start: FloatArray | None) -> FloatArray:
    """Pressures (nx, ny, 1 + m) on the touching nodes that sink the surface by the lift and by each way."""
    mask = touch[..., None].astype(float)
    wanted = mask * np.concatenate([plate.lift_mm[..., None], plate.ways], axis=-1)
    spring = plate.spring_mm_kpa[..., None]
    mean = float(plate.spring_mm_kpa[touch].mean()) if touch.any() else 0.0
    inverse = Symbol(sign.shape, 1 / (sign.values + mean))

    def apply(p: FloatArray) -> FloatArray:
        return mask * (sink(sign, p) + spring * p)

    p = np.zeros_like(wanted) if start is None else mask * start
    residual = wanted - apply(p)
    shaped = mask * sink(inverse, residual)
    step, level = shaped, _dot(residual, shaped)
    size = np.maximum(_dot(wanted, wanted), 1e-300)
    for _ in range(400):
        if (_dot(residual, residual) <= RESIDUAL**2 * size).all():
            break
        pushed = apply(step)
        along = np.maximum(_dot(step, pushed), 1e-300)
        p = p + step * (level / along)
        residual = residual - pushed * (level / along)
        shaped = mask * sink(inverse, residual)
        new = _dot(residual, shaped)
        step = shaped + step * (new / np.maximum(level, 1e-300))
        level = new
    return p


def _dot(a: FloatArray, b: FloatArray) -> FloatArray:
    return np.asarray(np.einsum("xyk,xyk->k", a, b))
