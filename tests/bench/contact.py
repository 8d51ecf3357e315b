"""One contact solve: 600 nodes, rigid, felt on tissue, beside the complementary energy in cvxpy with Clarabel."""

from collections.abc import Iterator

import cvxpy as cp
import numpy as np
from row import Row, median_seconds

from shimwright.optimize.contact import Bed, compression, newton, solve
from shimwright.optimize.materials import load_materials
from shimwright.scan.raw import FloatArray

C_KPA, FELT_MM, TISSUE = 70.0, 10.0, 5.0


def felt_bed(nodes: int, seed: int = 1) -> tuple[Bed, FloatArray]:
    """A bridging, slightly twisted saddle of 1000 cm² on felt and tissue under 900 N."""
    rng = np.random.default_rng(seed)
    side = np.where(np.arange(nodes) % 2 == 0, 1.0, -1.0)
    x, y = rng.uniform(-210, 210, nodes), side * rng.uniform(40, 130, nodes)
    gap = 4 - x**2 / 11000 + 0.8 * np.sin(x / 60 + side)
    lean = np.cos(np.radians(rng.uniform(20, 45, nodes)))
    ways = np.column_stack([lean, -lean * x, -lean * y])
    table = compression([(load_materials()["felt"], FELT_MM)], [], TISSUE)
    bed = Bed(np.full(nodes, 1e5 / nodes), FELT_MM - gap, ways, np.zeros((3, 3)), np.zeros((nodes, 0)), table)
    return bed, 900.0 * np.array([1.0, 20.0, 5.0])


class Program:
    """min Σ a(Ψ(p) − lift·p), p ≥ 0 in balance; Ψ of felt in closed form: ∫ε dp = p − 1.5 C((1 + p/C)^⅔ − 1)."""

    def __init__(self, bed: Bed, force: FloatArray) -> None:
        n = bed.lift_mm.size
        self.lift, self.force = cp.Parameter(n), cp.Parameter(3)
        self.p = cp.Variable(n, nonneg=True)
        area = 1e-3 * bed.area_mm2
        felt = FELT_MM * (self.p - 1.5 * C_KPA * (cp.power(1 + self.p / C_KPA, 2 / 3) - 1))
        inner = felt + cp.square(self.p) / (2 * TISSUE) - cp.multiply(self.lift, self.p)
        balance = (bed.ways * area[:, None]).T @ self.p == self.force
        self.problem = cp.Problem(cp.Minimize(area @ inner), [balance])
        self.solve(bed, force)

    def solve(self, bed: Bed, force: FloatArray) -> FloatArray:
        self.lift.value, self.force.value = bed.lift_mm, force
        self.problem.solve(solver=cp.CLARABEL)
        return np.asarray(self.p.value)


def rows() -> Iterator[Row]:
    bed, force = felt_bed(600)
    table = bed.compression
    arrays = (
        bed.lift_mm, bed.ways, 1e-3 * bed.area_mm2, table.pressure_kpa, table.base_mm, bed.stack_mm, table.strain,
        bed.stiffness, force,
    )  # fmt: skip

    def hundred() -> None:
        for _ in range(100):
            newton(np.zeros(3), *arrays)

    ours = median_seconds(hundred, 9) / 100
    program = Program(bed, force)
    built = median_seconds(lambda: Program(bed, force), 5)
    again = median_seconds(lambda: program.solve(bed, force), 5)
    found = solve(bed, force).pressure_kpa
    off = np.abs(found - program.solve(bed, force)).max() / found.max()
    note = f"pressures within {100 * off:.3f} %"
    yield Row("contact: 600 nodes, rigid, felt", ours, "cvxpy + Clarabel, build and solve", built, "3000×", note)
    yield Row("contact: the same", ours, "cvxpy + Clarabel, with parameters", again, "300×", note)
    large, push = felt_bed(6000)
    yield Row("contact: 600 nodes with its proof", median_seconds(lambda: solve(bed, force)), "", None, "–")
    yield Row("contact: 6000 nodes with its proof", median_seconds(lambda: solve(large, push)), "", None, "linear")
