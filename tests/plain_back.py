"""A plain analytic back for the tests of frame and cleaning: closed-form topline and sections, known truth.

z = top(x) − b(x)(1 − cos t) at y = a(x) sin t, |t| ≤ reach: narrow and crested at the withers, broad at the croup.
Truth: the spine is y = 0, +y is left, +x the head's end, z up.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from shimwright.scan.raw import Paint, RawScan

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class PlainBack:
    """withers at x = 0, croup at −length; heights in mm. knee: the withers are a bend, no peak."""

    length: float = 720.0
    withers_rise: float = 70.0
    croup_rise: float = 60.0
    knee: bool = False
    front: float = 230.0
    rear: float = 950.0

    def top(self, x: FloatArray) -> FloatArray:
        croup = self.croup_rise * np.exp(-(((x + self.length) / 190.0) ** 2))
        if self.knee:
            bend = 40.0
            rise = (
                0.22 * (x + 260.0)
                - 0.30 * bend * np.logaddexp(0, x / bend)
                + 0.25 * bend * np.logaddexp(0, (x - 130.0) / bend)
            )
            return np.asarray(np.where(x > -260, 0.5 * (rise + np.hypot(rise, 20.0)), 0.5 * 20.0) + croup)
        return np.asarray(self.withers_rise * np.exp(-((x / 130.0) ** 2)) + croup)

    def surface(self, x: FloatArray, t: FloatArray) -> FloatArray:
        """Points (n, 3)."""
        rear = 1 / (1 + np.exp((x + 0.5 * self.length) / 110.0))
        a, b = 215.0 + 75.0 * rear, 330.0 - 60.0 * rear
        y = a * np.sin(t)
        crest = 25.0 * (1 - rear) * (np.exp(-((y / 45.0) ** 2)) - 1.0)
        return np.stack([x, y, self.top(x) - b * (1 - np.cos(t)) + crest * (np.abs(t) < np.pi / 2)], axis=-1)

    def points(self, n: int, rng: np.random.Generator, reach: tuple[float, float] = (-1.75, 1.75)) -> FloatArray:
        x, t = rng.uniform(-self.rear, self.front, n), rng.uniform(*reach, n)
        return self.surface(x, t)


@dataclass(frozen=True)
class Pose:
    """scan = (R · mm + shift) / mm_per_unit."""

    rotation: FloatArray
    shift: FloatArray
    mm_per_unit: float

    def to_scan(self, points: FloatArray) -> FloatArray:
        return np.asarray((points @ self.rotation.T + self.shift) / self.mm_per_unit)

    def direction(self, v: tuple[float, float, float]) -> tuple[float, float, float]:
        x, y, z = self.rotation @ np.array(v)
        return float(x), float(y), float(z)


def random_pose(rng: np.random.Generator, mm_per_unit: float = 1.0) -> Pose:
    return Pose(Rotation.random(random_state=int(rng.integers(2**31))).as_matrix(), rng.normal(0, 1000, 3), mm_per_unit)


LEVEL = Pose(np.eye(3), np.zeros(3), 1.0)


def cloud(points: FloatArray, **declared: object) -> RawScan:
    given: dict[str, object] = {"faces": None, "normals": None, "paint": None, "unit_mm": None, "up": None}
    return RawScan(points=points, format="PLY", file="plain.ply", sha256="", **{**given, **declared})  # type: ignore[arg-type]


def dots(points: FloatArray, places: dict[str, tuple[FloatArray, tuple[int, int, int]]], pose: Pose) -> Paint:
    """Paint of a bay horse with dots of 12 mm radius at places (3,), mm."""
    rgb = np.full((len(points), 3), (120, 80, 50), np.uint8)
    for at, colour in places.values():
        rgb[np.linalg.norm(points - at, axis=1) < 12.0] = colour
    return Paint(pose.to_scan(points), rgb)
