"""The centre of a round dot, finer than the samples that show it: the disc that best parts painted from bare."""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from shimwright.scan.back import Frame, Landmark
from shimwright.scan.dots import is_colour
from shimwright.scan.raw import FloatArray, Paint
from shimwright.scan.told import Dot, Told

AROUND_MM = 60.0
LEAST_PAINTED, LEAST_BARE = 5, 8
MOST_MOVED = 0.5  # of the dot's radius: farther off it is no round dot
SOFT = 0.05  # of the spacing: how sharply the edge parts the samples
REACH, STEPS, LOOKS = 0.8, 11, 3  # of the grid of discs, in spacings to each side; how often it is made finer
RIM = 2.0  # spacings beside the edge: samples farther in or out tell nothing
LEAST_SD_MM = 0.5  # a dot is not stuck on, nor cut out, more exactly [J]


def with_centres(marks: tuple[Landmark, ...], told: Told, paint: Paint | None, frame: Frame) -> tuple[Landmark, ...]:
    """The marks (back frame), each dot's centre and sd found anew from the painted and bare samples about it."""
    if paint is None or not any(mark.kind == "dot" for mark in marks):
        return marks
    points = frame.to_back(paint.points)
    return tuple(_with_centre(mark, told, points, paint.rgb) for mark in marks)


def _with_centre(mark: Landmark, told: Told, points: FloatArray, rgb: NDArray[np.uint8]) -> Landmark:
    said = told.marks.get(mark.name)
    if mark.kind != "dot" or not isinstance(said, Dot):
        return mark
    near = np.flatnonzero((np.abs(points - mark.position_mm) < AROUND_MM).all(axis=1))
    painted = is_colour(rgb[near], said.colour)
    centre, sd = disc_centre(points[near], painted, mark.position_mm)
    return mark if np.isnan(sd) else replace(mark, position_mm=centre, sd_mm=float(max(sd, LEAST_SD_MM)))


def disc_centre(points: FloatArray, painted: NDArray[np.bool_], start: FloatArray) -> tuple[FloatArray, float]:
    """Centre (3,) of the dot among points (n, 3), mm, on the surface through them, and its sd along the surface.

    The mean of all discs that part the painted points from the bare ones, each counted by how well it does. A disc lies
    on a quadric through the points inside and is round as the crow flies. Where it cannot be told: `start` and NaN.
    """
    if painted.sum() < LEAST_PAINTED or (~painted).sum() < LEAST_BARE:
        return start, np.nan
    middle = points[painted].mean(axis=0)
    axes = np.linalg.svd(points[painted] - middle, full_matrices=False)[2]
    flat = (points - middle) @ axes.T
    radius = float(np.sqrt(2.0 * np.mean(np.sum(flat[painted, :2] ** 2, axis=1))))
    spacing = radius * np.sqrt(np.pi / painted.sum())
    beside = np.abs(np.hypot(flat[:, 0], flat[:, 1]) - radius) < RIM * spacing
    beside &= np.abs(flat[:, 2]) < radius
    height = _quadric(flat[painted])
    found, sd = _mean_disc(flat[beside, :2], np.where(painted[beside], 1.0, -1.0), height, radius, spacing)
    if np.hypot(found[0], found[1]) > MOST_MOVED * radius:
        return start, np.nan
    return np.asarray(middle + np.array([*found, _at(height, found)]) @ axes), sd


def _mean_disc(
    rim: FloatArray, sign: FloatArray, height: FloatArray, radius: float, spacing: float
) -> tuple[FloatArray, float]:
    """(2,) mean centre and its sd over grids of discs, weighted by the logistic likelihood of the samples' signs."""
    centre, half = np.array([0.0, 0.0, radius]), np.full(3, REACH * spacing)
    z = _at(height, rim)
    spread = half
    for _ in range(LOOKS):
        lines = [np.linspace(c - h, c + h, STEPS) for c, h in zip(centre, half, strict=True)]
        discs = np.stack(np.meshgrid(*lines, indexing="ij"), axis=-1).reshape(-1, 3)
        away = np.linalg.norm(rim[:, None] - discs[:, :2], axis=2)
        away = np.hypot(away, z[:, None] - _at(height, discs[:, :2]))
        soft = max(SOFT * spacing, 0.5 * float(half.max()) / STEPS)
        unlikely = np.logaddexp(0.0, -sign[:, None] * (discs[:, 2] - away) / soft).sum(axis=0)
        weight = np.exp(unlikely.min() - unlikely)
        weight /= weight.sum()
        centre = weight @ discs
        spread = np.sqrt(weight @ (discs - centre) ** 2)
        half = np.maximum(3.0 * spread, 0.05 * spacing)
    return centre[:2], float(np.hypot(spread[0], spread[1]) / np.sqrt(2.0))


def _quadric(flat: FloatArray) -> FloatArray:
    """(6,) coefficients of the quadric through points (n, 3); of their mean height where they are few."""
    if len(flat) < 8:
        return np.array([float(flat[:, 2].mean()), 0.0, 0.0, 0.0, 0.0, 0.0])
    return np.asarray(np.linalg.lstsq(_terms(flat[:, :2]), flat[:, 2], rcond=None)[0])


def _at(quadric: FloatArray, uv: FloatArray) -> FloatArray:
    return np.asarray(_terms(uv) @ quadric)


def _terms(uv: FloatArray) -> FloatArray:
    u, v = uv[..., 0], uv[..., 1]
    return np.stack([np.ones_like(u), u, v, u * u, u * v, v * v], axis=-1)
