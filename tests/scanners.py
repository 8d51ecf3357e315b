"""A simulator of scanners, for tests: what they do to an invented horse, and what is known of it all the same.

`take` samples the exact surface, bends it as the scanner would (noise, correlated error, smoothing, scale), spoils it
as a barn would (`Scene`), and puts it into any pose and unit. Handheld 0.3 mm; photogrammetry 1–2 mm, scale error up to
1 %; phone lidar 3–6 mm that goes together over 60–400 mm (our judgement; reference.md §6 has what is published).
Everything is drawn from the rng that is passed in.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType

import numpy as np
from clutter import Patch, clutter_patches
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from shimwright.scan import told as said
from shimwright.scan.back import Back
from shimwright.scan.raw import Paint, RawScan
from shimwright.scan.surface import Surface
from shimwright.scan.synthetic import (
    Dot,
    HorseShape,
    Pose,
    exact_surface,
    surface_point,
    true_back,
)
from shimwright.scan.synthetic_scan import Y_UP, grid_faces, painted, random_pose
from shimwright.scan.synthetic_shape import ARC_MM, x_range_mm

FloatArray = NDArray[np.float64]
UNITS = {"mm": 1.0, "cm": 10.0, "m": 1000.0}


@dataclass(frozen=True)
class Scanner:
    """Ranges (low, high) from which each scan draws. white_mm: noise of single points along the normal. bent_mm: error
    that goes together over bent_over_mm. scale: share by which the size may be wrong. smoothed_mm: sd of its smoothing.
    """

    spacing_mm: tuple[float, float]
    white_mm: tuple[float, float]
    bent_mm: tuple[float, float] = (0.0, 0.0)
    bent_over_mm: tuple[float, float] = (60.0, 400.0)
    scale: float = 0.0
    smoothed_mm: float = 0.0


SCANNERS: Mapping[str, Scanner] = MappingProxyType(
    {
        "clean": Scanner((5.0, 8.0), (0.0, 0.02)),
        "handheld": Scanner((3.5, 6.0), (0.25, 0.35), (0.1, 0.2), (100.0, 400.0)),
        "photogrammetry": Scanner((4.0, 8.0), (0.7, 1.4), (0.7, 1.4), (40.0, 200.0), 0.01, 5.0),
        "phone lidar": Scanner((8.0, 12.0), (0.8, 1.5), (3.0, 6.0), (60.0, 400.0), 0.003, 8.0),
    }
)


@dataclass(frozen=True)
class Scene:
    """How the horse stood, how the file lies, and what went wrong. Nothing by default.

    lie: level (z up), y up, or any. clutter: names of clutter.py. spine_hole_mm: (x from, x to, half-width). no_flank:
    the side not seen. shift_mm: the horse moved that far between two passes. crop: how much of neck, rump and flanks is
    left out, 0–1. lean_deg: left side high; the truth stays in the horse's own frame. dots: place or pair name → dot.
    """

    mesh: bool = True
    unit: str = "mm"
    lie: str = "level"
    clutter: tuple[str, ...] = ()
    spine_hole_mm: tuple[float, float, float] | None = None
    no_flank: str | None = None
    shift_mm: float = 0.0
    coat_mm: float = 0.0
    lean_deg: float = 0.0
    crop: float = 0.0
    dots: Mapping[str, Dot] = field(default_factory=lambda: MappingProxyType({}))


@dataclass(frozen=True)
class Taken:
    """The scan, the truth and what an honest person would tell. pose: back frame (true) → scan, true size.

    marks_mm: place → true position (3,), back frame.
    """

    raw: RawScan
    shape: HorseShape
    pose: Pose
    told: said.Told
    marks_mm: Mapping[str, FloatArray]

    @property
    def surface(self) -> Surface:
        return exact_surface(self.shape)

    @property
    def back(self) -> Back:
        return true_back(self.shape)

    def to_true(self, points_scan: FloatArray) -> FloatArray:
        """Scan coordinates → true back frame, mm."""
        return (points_scan * self.pose.mm_per_unit - self.pose.shift_mm) @ self.pose.rotation


def take(shape: HorseShape, scanner: Scanner, scene: Scene, rng: np.random.Generator) -> Taken:
    """One scan of a horse. told: unit, up, head and the dots as marks."""
    pose = _pose(scene, scanner, rng)
    spacing = rng.uniform(*scanner.spacing_mm)
    x, arc, faces = _sampled(shape, scene, spacing, rng)
    true = surface_point(shape, x, arc)
    points = _seen(shape, scanner, scene, x, arc, rng)
    rgb = painted(true, tuple(scene.dots.values()), shape, rng) if scene.dots else None
    keep = _kept(scene, x, arc)
    points, faces, rgb = _without(points, faces, rgb, keep)
    if scene.shift_mm:
        points, faces, rgb = _second_pass(points, faces, rgb, scene.shift_mm, rng)
    points, faces, rgb = _with_clutter(points, faces, rgb, clutter_patches(scene.clutter, shape, rng))
    raw = _raw(pose.to_scan(points), faces if scene.mesh else None, rgb)
    return Taken(raw, shape, pose, _told(scene, pose), _marks(shape, scene))


def random_scene(rng: np.random.Generator, mesh: bool | None = None) -> Scene:
    """Any pose and unit, mesh or cloud, cropped at random; nothing wrong."""
    return Scene(
        mesh=bool(rng.random() < 0.5) if mesh is None else mesh,
        unit=str(rng.choice(list(UNITS))),
        lie=str(rng.choice(["level", "y up", "any"])),
        crop=rng.uniform(0.0, 1.0),
    )


def usual_dots(shape: HorseShape, radius_mm: float = 15.0) -> Mapping[str, Dot]:
    """Withers, both shoulder edges and a 300 mm strip beside the spine: green, red twice, yellow and cyan."""
    k = shape.scale
    places = {
        "withers": ("green", 0.0, 0.0),
        "shoulder_left": ("red", -50.0 * k, 150.0 * k),
        "shoulder_right": ("red", -50.0 * k, -150.0 * k),
        "strip front": ("yellow", -200.0 * k, 60.0 * k),
        "strip rear": ("cyan", -200.0 * k - 300.0, 60.0 * k),
    }
    return MappingProxyType({name: Dot(*place, radius_mm) for name, place in places.items()})


def _pose(scene: Scene, scanner: Scanner, rng: np.random.Generator) -> Pose:
    """The unit told may be wrong by the scanner's scale error; the true size is in the pose."""
    size = UNITS[scene.unit] * (1.0 + rng.uniform(-1.0, 1.0) * scanner.scale)
    lean = Rotation.from_euler("x", scene.lean_deg, degrees=True).as_matrix()
    if scene.lie == "any":
        pose = random_pose(rng, size)
        return replace(pose, rotation=pose.rotation @ lean)
    turn = Rotation.from_euler("z", rng.uniform(0.0, 360.0), degrees=True).as_matrix() @ lean
    return Pose(Y_UP @ turn if scene.lie == "y up" else turn, rng.normal(0.0, 1000.0, 3), size)


def _told(scene: Scene, pose: Pose) -> said.Told:
    back_up = Rotation.from_euler("x", -scene.lean_deg, degrees=True).apply([0.0, 0.0, 1.0])
    marks = {name: said.Dot(dot.colour) for name, dot in scene.dots.items() if name in said.PLACES}
    return said.Told(
        unit_mm=UNITS[scene.unit],
        up=pose.direction(tuple(back_up)),
        head=pose.direction((1.0, 0.0, 0.0)),
        marks=MappingProxyType(marks),
    )


def _marks(shape: HorseShape, scene: Scene) -> Mapping[str, FloatArray]:
    return {name: surface_point(shape, np.array(d.x_mm), np.array(d.arc_mm)) for name, d in scene.dots.items()}


def _sampled(
    shape: HorseShape, scene: Scene, spacing: float, rng: np.random.Generator
) -> tuple[FloatArray, FloatArray, NDArray[np.int64]]:
    """(x, arc, faces): jittered rows over what was seen."""
    k = shape.scale
    rear, front = x_range_mm(shape)
    rear, front = rear + scene.crop * 110.0 * k, front - scene.crop * 110.0 * k
    reach = [ARC_MM * k * (0.99 - scene.crop * rng.uniform(0.1, 0.3)) for _ in range(2)]
    n_x, n_arc = int((front - rear) / spacing), int(sum(reach) / spacing)
    x, arc = np.meshgrid(np.linspace(rear, front, n_x), np.linspace(-reach[1], reach[0], n_arc), indexing="ij")
    x = np.clip(x + rng.uniform(-0.45, 0.45, x.shape) * spacing, rear, front)
    arc = arc + rng.uniform(-0.45, 0.45, x.shape) * spacing
    return x.ravel(), arc.ravel(), grid_faces(n_x, n_arc)


def _seen(
    shape: HorseShape, scanner: Scanner, scene: Scene, x: FloatArray, arc: FloatArray, rng: np.random.Generator
) -> FloatArray:
    """Where the scanner puts the samples, back frame, mm."""
    points = _smoothed(shape, x, arc, scanner.smoothed_mm)
    normal = exact_normal(shape, x, arc)
    error = rng.normal(0.0, rng.uniform(*scanner.white_mm), x.size)
    if scanner.bent_mm[1] > 0:
        error += rng.uniform(*scanner.bent_mm) * smooth_field(points, scanner.bent_over_mm, rng)
    if scene.coat_mm:
        error += scene.coat_mm * (1.0 + 0.25 * rng.normal(size=x.size))
    return points + error[:, None] * normal


def _smoothed(shape: HorseShape, x: FloatArray, arc: FloatArray, sd: float) -> FloatArray:
    """Mean of the surface over a Gaussian of sd along it, 3 × 3 Gauss–Hermite points."""
    if sd == 0:
        return surface_point(shape, x, arc)
    nodes, weights = np.polynomial.hermite_e.hermegauss(3)
    weights = weights / weights.sum()
    total = np.zeros((x.size, 3))
    for a, wa in zip(nodes, weights, strict=True):
        for b, wb in zip(nodes, weights, strict=True):
            total += wa * wb * surface_point(shape, x + sd * a, arc + sd * b)
    return total


def exact_normal(shape: HorseShape, x: FloatArray, arc: FloatArray) -> FloatArray:
    """Outward unit normals (n, 3) by central differences of the exact surface, 0.5 mm."""
    along = surface_point(shape, x + 0.5, arc) - surface_point(shape, x - 0.5, arc)
    across = surface_point(shape, x, arc + 0.5) - surface_point(shape, x, arc - 0.5)
    normal = np.cross(along, across)
    return normal / np.linalg.norm(normal, axis=1, keepdims=True)


def smooth_field(
    points: FloatArray, over_mm: tuple[float, float], rng: np.random.Generator, waves: int = 96
) -> FloatArray:
    """(n,) random field of sd 1 in space, its correlation lengths log-uniform between: a sum of plane waves."""
    lengths = np.exp(rng.uniform(*np.log(over_mm), waves))
    vectors = rng.normal(size=(waves, 3)) / lengths[:, None]
    phase = rng.uniform(0.0, 2.0 * np.pi, waves)
    total = np.zeros(len(points))
    for vector, start in zip(vectors, phase, strict=True):
        total += np.cos(points @ vector + start)
    return total * np.sqrt(2.0 / waves)


def _kept(scene: Scene, x: FloatArray, arc: FloatArray) -> NDArray[np.bool_]:
    keep = np.ones(x.size, bool)
    if scene.spine_hole_mm is not None:
        rear, front, half = scene.spine_hole_mm
        keep &= ~((x > rear) & (x < front) & (np.abs(arc) < half))
    if scene.no_flank is not None:
        keep &= (arc if scene.no_flank == "left" else -arc) < 60.0
    return keep


Scanned = tuple[FloatArray, NDArray[np.int64], NDArray[np.uint8] | None]


def _without(
    points: FloatArray, faces: NDArray[np.int64], rgb: NDArray[np.uint8] | None, keep: NDArray[np.bool_]
) -> Scanned:
    index = np.cumsum(keep) - 1
    faces = index[faces[keep[faces].all(axis=1)]]
    return points[keep], faces, None if rgb is None else rgb[keep]


def _second_pass(
    points: FloatArray, faces: NDArray[np.int64], rgb: NDArray[np.uint8] | None, shift: float, rng: np.random.Generator
) -> Scanned:
    """Half of the samples again, moved up and to one side by `shift` in all."""
    way = np.array([0.0, rng.choice([-0.3, 0.3]), 1.0])
    second = points + shift * way / np.linalg.norm(way) + rng.normal(0.0, 0.1, points.shape)
    faces = np.concatenate([faces, faces + len(points)])
    return np.concatenate([points, second]), faces, None if rgb is None else np.concatenate([rgb, rgb])


def _with_clutter(
    points: FloatArray, faces: NDArray[np.int64], rgb: NDArray[np.uint8] | None, patches: tuple[Patch, ...]
) -> Scanned:
    for patch in patches:
        faces = np.concatenate([faces, patch.faces + len(points)])
        points = np.concatenate([points, patch.points])
        if rgb is not None:
            rgb = np.concatenate([rgb, np.full((len(patch.points), 3), 128, np.uint8)])
    return points, faces, rgb


def _raw(points: FloatArray, faces: NDArray[np.int64] | None, rgb: NDArray[np.uint8] | None) -> RawScan:
    paint = None if rgb is None else Paint(points, rgb)
    return RawScan(points, faces, None, paint, None, None, "PLY", "simulated.ply", "")
