"""Beds of plain springs for checks against closed forms: a grid of nodes, pressed straight down, tipping two ways."""

from dataclasses import dataclass

import numpy as np

from shimwright.optimize.contact import Bed, Equilibrium, compression, solve
from shimwright.scan.raw import FloatArray

K = 0.010  # N/mm³


@dataclass(frozen=True)
class Grid:
    x: FloatArray
    y: FloatArray
    cell_mm2: float


def grid(length_mm: float, width_mm: float, nx: int, ny: int) -> Grid:
    x = (np.arange(nx) + 0.5) / nx * length_mm - length_mm / 2
    y = (np.arange(ny) + 0.5) / ny * width_mm - width_mm / 2
    xx, yy = np.meshgrid(x, y, indexing="ij")
    return Grid(xx.ravel(), yy.ravel(), length_mm * width_mm / (nx * ny))


def press(
    nodes: Grid, gap_mm: FloatArray, load_n: float, ex: float = 0.0, ey: float = 0.0, k: float = K
) -> Equilibrium:
    """A rigid profile with this bare gap under load_n at (ex, ey): q = (sink, slope along x, slope along y)."""
    n = nodes.x.size
    ways = np.column_stack([np.ones(n), nodes.x, nodes.y])
    table = compression([], [], 1000 * k)
    bed = Bed(np.full(n, nodes.cell_mm2), -gap_mm, ways, np.zeros((3, 3)), np.zeros((n, 0)), table)
    return solve(bed, load_n * np.array([1.0, ex, ey]))
