"""Trees that give: two beams, one per side, coupled and stiff at the arch, by the free–free modes of the pair
(DESIGN §7).

The pair is alike left and right, so its modes are symmetric (both beams alike; the arch may heave and pitch) or
antisymmetric (one up, one down; the arch may roll but holds both beams level). Each kind is one beam with its own
hold at the front. Modes are taken from both kinds in turn, so that their number is even.

The tree's twist as a whole is thus one side bending against the other. That each side turns about its own length is
left out. tests/test_twist.py shows what that costs over the range of torsional stiffness (GJ 0.25 to 1.5 EI): on the
yard's horses the peak falls by at most 2 % (treeless) and 1.3 % (stiffer); on a back that turns away from the panel by
6° by at most 8 % (treeless) and 6 % (flexible). That is under what springs are good for (4 to 20 %), it errs on the
careful side, and no choice moves by more than a tie.
"""

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import eigh

from shimwright.optimize.saddle import Saddle
from shimwright.scan.raw import FloatArray

ELEMENTS = 96
SOFT_EI_NM2 = 3.0  # below it eight modes instead of four
NMM2_PER_NM2 = 1e6


@dataclass(frozen=True)
class Modes:
    """x_mm (k,) ascending, saddle frame; shape, slope (k, m): deflection, down, largest 1, and its derivative.

    antisymmetric (m,): the right beam moves against the left. stiffness_n_mm (m,): of both beams together.
    """

    x_mm: FloatArray
    shape: FloatArray
    slope: FloatArray
    antisymmetric: NDArray[np.bool_]
    stiffness_n_mm: FloatArray

    @property
    def count(self) -> int:
        return int(self.shape.shape[1])

    def at(self, x_mm: FloatArray, share: FloatArray) -> FloatArray:
        """Deflection per mode (n, m), down, at x (n,); share (n,): +1 on the left beam, −1 on the right, between
        them 0.
        """
        return self._read(self.shape, x_mm) * np.where(self.antisymmetric, np.asarray(share)[:, None], 1.0)

    def slope_at(self, x_mm: FloatArray, share: FloatArray) -> FloatArray:
        """d(deflection)/dx per mode (n, m)."""
        return self._read(self.slope, x_mm) * np.where(self.antisymmetric, np.asarray(share)[:, None], 1.0)

    def _read(self, table: FloatArray, x_mm: FloatArray) -> FloatArray:
        columns = [np.interp(x_mm, self.x_mm, column) for column in table.T]
        return np.stack(columns, axis=1) if columns else np.zeros((len(x_mm), 0))


def tree_modes(saddle: Saddle) -> Modes | None:
    """Modes of the saddle's tree; None for a rigid tree."""
    if saddle.rigid:
        return None
    count = 8 if saddle.ei_nm2 < SOFT_EI_NM2 else 4
    stiff = saddle.arch_length_mm if saddle.arches else 0.0
    return pair_modes(saddle.length_mm, saddle.ei_nm2, stiff, count)


@cache  # two dense eigenproblems, asked for again by every bench
def pair_modes(length_mm: float, ei_nm2: float, stiff_mm: float, count: int) -> Modes:
    """The `count` softest modes, half symmetric, half antisymmetric. stiff_mm: rigid from the front edge so far
    back.
    """
    x = np.linspace(-length_mm, 0.0, ELEMENTS + 1)
    kinds = [_kind(x, ei_nm2, stiff_mm, mirrored, count // 2) for mirrored in (False, True)]
    order = np.arange(count).reshape(2, -1).T.ravel()
    shape, slope = (np.concatenate([kind[i] for kind in kinds], axis=1)[:, order] for i in (0, 1))
    stiffness = np.concatenate([kind[2] for kind in kinds])[order]
    return Modes(x, shape, slope, order >= count // 2, stiffness)


def _kind(
    x: FloatArray, ei_nm2: float, stiff_mm: float, antisymmetric: bool, count: int
) -> tuple[FloatArray, FloatArray, FloatArray]:
    stiffness, mass = beam_matrices(x, ei_nm2 * NMM2_PER_NM2)
    hold = _hold(x, stiff_mm, antisymmetric)
    vectors = eigh(hold.T @ stiffness @ hold, hold.T @ mass @ hold)[1]
    free = 1 if antisymmetric else 2
    bent = hold @ vectors[:, free : free + count]
    bent = bent / np.abs(bent[0::2]).max(axis=0)
    return bent[0::2], bent[1::2], 2 * np.einsum("im,ij,jm->m", bent, stiffness, bent)


def beam_matrices(x: FloatArray, ei_nmm2: float) -> tuple[FloatArray, FloatArray]:
    """Stiffness and consistent mass (unit mass per length) of an Euler beam over nodes x, unknowns (w, w′) per node."""
    n = x.size
    stiffness, mass = np.zeros((2 * n, 2 * n)), np.zeros((2 * n, 2 * n))
    for i, h in enumerate(np.diff(x)):
        k = np.array([[12, 6 * h, -12, 6 * h], [6 * h, 4 * h * h, -6 * h, 2 * h * h],
                      [-12, -6 * h, 12, -6 * h], [6 * h, 2 * h * h, -6 * h, 4 * h * h]])  # fmt: skip
        m = np.array([[156, 22 * h, 54, -13 * h], [22 * h, 4 * h * h, 13 * h, -3 * h * h],
                      [54, 13 * h, 156, -22 * h], [-13 * h, -3 * h * h, -22 * h, 4 * h * h]])  # fmt: skip
        part = slice(2 * i, 2 * i + 4)
        stiffness[part, part] += ei_nmm2 / h**3 * k
        mass[part, part] += h / 420 * m
    return stiffness, mass


def _hold(x: FloatArray, stiff_mm: float, antisymmetric: bool) -> FloatArray:
    """Unknowns of the beam from those that stay free: the stiff front moves as one piece; mirrored, without slope."""
    free = x < -stiff_mm - 1e-9
    free[-1] = False
    front = ~free
    own = np.flatnonzero(np.repeat(free, 2))
    ways = 1 if antisymmetric else 2
    hold = np.zeros((2 * x.size, own.size + ways))
    hold[own, np.arange(own.size)] = 1.0
    hold[2 * np.flatnonzero(front), own.size] = 1.0
    if not antisymmetric:
        hold[2 * np.flatnonzero(front), own.size + 1] = x[front]
        hold[2 * np.flatnonzero(front) + 1, own.size + 1] = 1.0
    return hold
