"""What else gets into a scan: ground, arm, rope, mane, tail, rug, strays; and the rest of the horse. Back frame, mm."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shimwright.scan.synthetic import HorseShape, surface_point
from shimwright.scan.synthetic_scan import grid_faces
from shimwright.scan.synthetic_shape import ARC_MM, x_range_mm

FloatArray = NDArray[np.float64]
WITHERS_HEIGHT_MM = 1580.0  # on a horse of 800 mm withers–croup


@dataclass(frozen=True)
class Patch:
    """points (n, 3), faces (m, 3)."""

    points: FloatArray
    faces: NDArray[np.int64]


def clutter_patches(names: tuple[str, ...], shape: HorseShape, rng: np.random.Generator) -> tuple[Patch, ...]:
    """Patches by name: ground, arm, rope, mane, tail, rug, strays, far strays, handler, other horse, barrel,
    body (the rest of the horse)."""
    return tuple(patch for name in names for patch in CLUTTER[name](shape, rng))


def _ground(shape: HorseShape, rng: np.random.Generator) -> list[Patch]:
    x, y = np.meshgrid(np.arange(-2200.0, 1200.0, 30.0), np.arange(-900.0, 900.0, 30.0), indexing="ij")
    z = -WITHERS_HEIGHT_MM * shape.scale + rng.normal(0.0, 4.0, x.shape)
    return [Patch(np.stack([x, y, z], -1).reshape(-1, 3), grid_faces(*x.shape))]


def _arm(shape: HorseShape, rng: np.random.Generator) -> list[Patch]:
    """A handler's arm that reaches to the neck from one side."""
    side = rng.choice([-1.0, 1.0])
    hand = surface_point(shape, np.array(160.0 * shape.scale), np.array(side * 170.0 * shape.scale))
    elbow = hand + np.array([250.0, side * 520.0, -60.0])
    return [tube(np.linspace(hand + np.array([0.0, side * 20.0, 20.0]), elbow, 30), 42.0)]


def _rope(shape: HorseShape, rng: np.random.Generator) -> list[Patch]:
    side = rng.choice([-1.0, 1.0])
    start = surface_point(shape, np.array(220.0 * shape.scale), np.array(side * 250.0 * shape.scale))
    t = np.linspace(0.0, 1.0, 50)[:, None]
    sag = -500.0 * t * (1.3 - t)
    way = start + t * np.array([500.0, side * 300.0, 0.0]) + sag * np.array([0.0, 0.0, 1.0])
    return [tube(way, 8.0, 8)]


def _mane(shape: HorseShape, rng: np.random.Generator) -> list[Patch]:
    """Hair that stands over the crest and falls to one side, from a little in front of the withers forward."""
    side, lift = rng.choice([-1.0, 1.0]), rng.uniform(15.0, 35.0)
    front = x_range_mm(shape)[1]
    x, arc = np.meshgrid(np.arange(20.0, front, 6.0), np.arange(-20.0, 120.0, 6.0), indexing="ij")
    points = surface_point(shape, x, side * arc)
    rise = lift * (1.0 - np.exp(-0.5 * ((x - 20.0) / 25.0) ** 2)) * np.exp(-0.5 * (arc / 70.0) ** 2)
    points[..., 2] += rise + rng.normal(0.0, 3.0, x.shape)
    return [Patch(points.reshape(-1, 3), grid_faces(*x.shape))]


def _tail(shape: HorseShape, rng: np.random.Generator) -> list[Patch]:
    rear = x_range_mm(shape)[0]
    top = surface_point(shape, np.array(rear), np.array(0.0))
    t = np.linspace(0.0, 1.0, 40)[:, None]
    way = top + t * np.array([-160.0, rng.uniform(-60.0, 60.0), -700.0])
    return [tube(way, 38.0)]


def _rug(shape: HorseShape, rng: np.random.Generator) -> list[Patch]:
    """The edge of a rug folded back over the rump: it lies on the hair and stands off it by folds."""
    rear = x_range_mm(shape)[0]
    reach = 420.0 * shape.scale
    x, arc = np.meshgrid(np.arange(rear, rear + 150.0, 8.0), np.arange(-reach, reach, 8.0), indexing="ij")
    points = surface_point(shape, x, arc)
    points[..., 2] += 14.0 + 8.0 * np.sin(arc / 40.0 + rng.uniform(0, 6)) + rng.normal(0.0, 1.0, x.shape)
    return [Patch(points.reshape(-1, 3), grid_faces(*x.shape))]


def _strays(shape: HorseShape, rng: np.random.Generator) -> list[Patch]:
    return [Patch(rng.uniform(-1500.0, 1500.0, (120, 3)) * shape.scale, np.zeros((0, 3), np.int64))]


def _far_strays(shape: HorseShape, rng: np.random.Generator) -> list[Patch]:
    return [Patch(rng.normal(0.0, 20_000.0, (15, 3)) * shape.scale, np.zeros((0, 3), np.int64))]


def _handler(shape: HorseShape, rng: np.random.Generator) -> list[Patch]:
    """Somebody who stands beside the neck and does not touch the horse: as much surface as a back."""
    side = rng.choice([-1.0, 1.0])
    z = np.linspace(-WITHERS_HEIGHT_MM * shape.scale, 150.0, 120)
    thick = np.interp(np.linspace(0, 1, 120), [0.0, 0.5, 0.8, 0.88, 1.0], [120.0, 170.0, 210.0, 80.0, 95.0])
    x, y = rng.uniform(300.0, 700.0), side * rng.uniform(550.0, 700.0)
    return [tube(np.column_stack([np.full(120, x), np.full(120, y), z]), thick, 60)]


def _other_horse(shape: HorseShape, rng: np.random.Generator) -> list[Patch]:
    """Another one's back, tied up beside it: the same build, a little smaller."""
    k = 0.95 * shape.scale
    x, arc = np.meshgrid(np.arange(-1000.0 * k, 200.0 * k, 9.0), np.arange(-580.0 * k, 580.0 * k, 9.0), indexing="ij")
    aside = np.array([rng.uniform(-200.0, 200.0), rng.choice([-1.0, 1.0]) * rng.uniform(1200.0, 1600.0), 20.0])
    return [Patch((surface_point(shape, x, arc) * 0.95 + aside).reshape(-1, 3), grid_faces(*x.shape))]


def _barrel(shape: HorseShape, rng: np.random.Generator) -> list[Patch]:
    """A round thing of a horse's size that lies beside it."""
    del shape
    x = np.linspace(-700.0, 300.0, 160)
    y = np.full(160, rng.choice([-1.0, 1.0]) * rng.uniform(1000.0, 1300.0))
    return [tube(np.column_stack([x, y, np.full(160, -500.0)]), 290.0, 180)]


def _body(shape: HorseShape, rng: np.random.Generator) -> list[Patch]:
    """Belly, legs, neck and head: a rough horse, enough to tell which way is up."""
    del rng
    return [_belly(shape), *_legs(shape), *_neck_and_head(shape)]


def _belly(shape: HorseShape) -> Patch:
    """From the end of one flank under the trunk to the other, half an ellipse in each section."""
    k = shape.scale
    rear, front = x_range_mm(shape)
    x = np.arange(rear, front, 15.0)
    left = surface_point(shape, x, np.full(x.size, ARC_MM * k))
    right = surface_point(shape, x, np.full(x.size, -ARC_MM * k))
    t = np.linspace(0.0, np.pi, 40)
    middle, half = 0.5 * (left + right), 0.5 * (left - right)
    points = middle[:, None] + half[:, None] * np.cos(t)[None, :, None]
    points[..., 2] -= 170.0 * k * np.sin(t)
    return Patch(points.reshape(-1, 3), grid_faces(x.size, t.size)[:, ::-1])


def _legs(shape: HorseShape) -> list[Patch]:
    k, length = shape.scale, shape.withers_croup_mm
    ways = []
    for x in (20.0 * k, -length - 80.0 * k):
        for y in (-130.0 * k, 130.0 * k):
            z = np.linspace(-450.0, -WITHERS_HEIGHT_MM, 60) * k
            ways.append(np.column_stack([np.full(60, x), np.full(60, y), z]))
    thick = np.interp(np.linspace(0, 1, 60), [0.0, 0.35, 0.6, 1.0], [110.0, 65.0, 45.0, 55.0]) * k
    return [tube(way, thick) for way in ways]


def _neck_and_head(shape: HorseShape) -> list[Patch]:
    k = shape.scale
    start = surface_point(shape, np.array(x_range_mm(shape)[1]), np.array(0.0)) - [40.0, 0.0, 170.0 * k]
    poll = start + np.array([480.0, 0.0, 420.0]) * k
    t = np.linspace(0.0, 1.0, 50)[:, None]
    neck = tube(start + t * (poll - start), np.linspace(170.0, 95.0, 50) * k)
    muzzle = poll + np.array([380.0, 0.0, -380.0]) * k
    head = tube(poll + t * (muzzle - poll), np.linspace(110.0, 55.0, 50) * k)
    return [neck, head]


def tube(way: FloatArray, radius: float | FloatArray, around: int = 20) -> Patch:
    """A tube of a radius (one, or one per point) about a way (n, 3), open at its ends, facing outward."""
    along = np.gradient(way, axis=0)
    along = along / np.linalg.norm(along, axis=1, keepdims=True)
    helper = np.where(np.abs(along[:, [2]]) > 0.9, [[1.0, 0.0, 0.0]], [[0.0, 0.0, 1.0]])
    u = np.cross(along, helper)
    u = u / np.linalg.norm(u, axis=1, keepdims=True)
    v = np.cross(along, u)
    t = np.linspace(0.0, 2.0 * np.pi, around)
    r = np.broadcast_to(np.asarray(radius, float), (len(way),))
    ring = u[:, None] * np.cos(t)[None, :, None] + v[:, None] * np.sin(t)[None, :, None]
    points = way[:, None] + r[:, None, None] * ring
    return Patch(points.reshape(-1, 3), grid_faces(len(way), around))


CLUTTER: dict[str, Callable[[HorseShape, np.random.Generator], list[Patch]]] = {
    "ground": _ground,
    "arm": _arm,
    "rope": _rope,
    "mane": _mane,
    "tail": _tail,
    "rug": _rug,
    "strays": _strays,
    "far strays": _far_strays,
    "handler": _handler,
    "other horse": _other_horse,
    "barrel": _barrel,
    "body": _body,
}
