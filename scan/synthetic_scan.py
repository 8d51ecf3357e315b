"""An invented scan of an invented horse: samples of the exact surface, noise, a pose, painted dots."""

import io
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from shimwright.scan.raw import FloatArray, Paint, RawScan
from shimwright.scan.synthetic_shape import ARC_MM, HorseShape, surface_point, x_range_mm

DOT_RADIUS_MM = 15.0  # the printed dots are 30 mm across
BAY = (112, 74, 46)
COLOURS: Mapping[str, tuple[int, int, int]] = {
    "red": (214, 38, 40),
    "yellow": (242, 208, 24),
    "green": (36, 170, 60),
    "cyan": (20, 190, 208),
    "blue": (34, 84, 214),
    "magenta": (214, 36, 190),
}


@dataclass(frozen=True)
class Pose:
    """How the horse lies in the scan: scan = (R · mm + shift_mm) / mm_per_unit. rotation (3, 3), shift_mm (3,)."""

    rotation: FloatArray
    shift_mm: FloatArray
    mm_per_unit: float = 1.0

    def to_scan(self, points_mm: FloatArray) -> FloatArray:
        return np.asarray((points_mm @ self.rotation.T + self.shift_mm) / self.mm_per_unit)

    def direction(self, back: tuple[float, float, float]) -> tuple[float, float, float]:
        """A direction of the back frame, in scan coordinates: (0, 0, 1) is up, (1, 0, 0) the head."""
        x, y, z = (float(v) for v in self.rotation @ np.asarray(back))
        return x, y, z


LEVEL_POSE = Pose(np.eye(3), np.zeros(3))
Y_UP = np.array([[1.0, 0.0, 0.0], [0.0, 0.0, 1.0], [0.0, -1.0, 0.0]])  # back z becomes scan y


def random_pose(rng: np.random.Generator, mm_per_unit: float = 1.0) -> Pose:
    """Any rotation, up to some metres away."""
    turn = Rotation.from_quat(rng.normal(size=4)).as_matrix()
    return Pose(turn, rng.normal(0.0, 1500.0, 3), mm_per_unit)


@dataclass(frozen=True)
class Dot:
    """A painted dot: a colour word of COLOURS, its place as x in the back frame and arc from the spine, + = left."""

    colour: str
    x_mm: float
    arc_mm: float
    radius_mm: float = DOT_RADIUS_MM


def scan_of(
    shape: HorseShape,
    spacing_mm: float,
    rng: np.random.Generator,
    noise_mm: float = 0.3,
    pose: Pose = LEVEL_POSE,
    dots: tuple[Dot, ...] = (),
) -> RawScan:
    """A mesh of the back, points about `spacing_mm` apart and never on a regular grid, in file units and axes.

    noise_mm: standard deviation of each coordinate. Painted (bay, and the dots) where dots are given.
    """
    x, arc, faces = _samples(shape, spacing_mm, rng)
    exact = surface_point(shape, x, arc)
    points = exact + rng.normal(0.0, noise_mm, exact.shape)
    rgb = painted(exact, dots, shape, rng) if dots else None
    return raw_scan(pose.to_scan(points), faces, rgb)


def _samples(
    shape: HorseShape, spacing_mm: float, rng: np.random.Generator
) -> tuple[FloatArray, FloatArray, NDArray[np.int64]]:
    """(x, arc, faces): rows along the back, shifted and jittered."""
    rear, front = x_range_mm(shape)
    reach = 0.97 * ARC_MM * shape.scale
    n_x, n_arc = int((front - rear) / spacing_mm) + 1, int(2 * reach / spacing_mm) + 1
    x, arc = np.meshgrid(np.linspace(rear, front, n_x), np.linspace(-reach, reach, n_arc), indexing="ij")
    inside = np.zeros((n_x, n_arc))
    inside[1:-1, 1:-1] = 1.0
    x = x + inside * rng.uniform(-0.3, 0.3, x.shape) * spacing_mm
    arc = arc + inside * rng.uniform(-0.3, 0.3, x.shape) * spacing_mm
    return x.ravel(), arc.ravel(), grid_faces(n_x, n_arc)


def grid_faces(rows: int, columns: int) -> NDArray[np.int64]:
    """Triangles over a grid of points in row order, facing outward for x forward and arc to the left."""
    at = np.arange(rows * columns).reshape(rows, columns)
    a, b, c, d = at[:-1, :-1].ravel(), at[1:, :-1].ravel(), at[1:, 1:].ravel(), at[:-1, 1:].ravel()
    return np.concatenate([np.column_stack([a, b, c]), np.column_stack([a, c, d])]).astype(np.int64)


def painted(
    exact_mm: FloatArray, dots: tuple[Dot, ...], shape: HorseShape, rng: np.random.Generator
) -> NDArray[np.uint8]:
    """Colours (n, 3) of a bay horse with its dots, at points in the back frame."""
    rgb = np.array(BAY) + rng.normal(0.0, 6.0, (len(exact_mm), 1))
    for dot in dots:
        centre = surface_point(shape, np.array(dot.x_mm), np.array(dot.arc_mm))
        on = np.linalg.norm(exact_mm - centre, axis=1) < dot.radius_mm
        rgb[on] = COLOURS[dot.colour]
    return np.clip(np.rint(rgb), 0, 255).astype(np.uint8)


def raw_scan(points: FloatArray, faces: NDArray[np.int64] | None, rgb: NDArray[np.uint8] | None) -> RawScan:
    """A scan as if read from a PLY that declares neither unit nor up."""
    paint = None if rgb is None else Paint(points, rgb)
    return RawScan(points, faces, None, paint, None, None, "PLY", "invented.ply", "")


def ply_bytes(raw: RawScan) -> bytes:
    """Binary little-endian PLY: float32 points, uchar colours if painted, faces if it is a mesh."""
    painted_all = raw.paint is not None and len(raw.paint.rgb) == len(raw.points)
    colour = [(name, "u1") for name in ("red", "green", "blue")] if painted_all else []
    vertex = np.zeros(len(raw.points), dtype=[("x", "<f4"), ("y", "<f4"), ("z", "<f4"), *colour])
    for k, name in enumerate("xyz"):
        vertex[name] = raw.points[:, k]
    if painted_all and raw.paint is not None:
        for k, name in enumerate(("red", "green", "blue")):
            vertex[name] = raw.paint.rgb[:, k]
    faces = np.zeros((0, 3), np.int64) if raw.faces is None else raw.faces
    rows = np.zeros(len(faces), dtype=[("n", "u1"), ("v", "<i4", (3,))])
    rows["n"], rows["v"] = 3, faces
    out = io.BytesIO()
    out.write(_ply_header(len(vertex), len(rows), bool(colour)))
    out.write(vertex.tobytes())
    out.write(rows.tobytes())
    return out.getvalue()


def _ply_header(points: int, faces: int, colour: bool) -> bytes:
    lines = ["ply", "format binary_little_endian 1.0", "comment an invented horse", f"element vertex {points}"]
    lines += [f"property float {name}" for name in "xyz"]
    lines += [f"property uchar {name}" for name in ("red", "green", "blue")] if colour else []
    lines += [f"element face {faces}", "property list uchar int vertex_indices"] if faces else []
    return ("\n".join([*lines, "end_header"]) + "\n").encode("ascii")


def write_ply(raw: RawScan, path: Path) -> None:
    path.write_bytes(ply_bytes(raw))
