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
SOFT = 0.1  # of the spacing: how sharply the edge parts the samples
REACH, STEPS = 0.8, 15  # of the grid of discs, in spacings to each side


def with_centres(marks: tuple[Landmark, ...], told: Told, paint: Paint | None, frame: Frame) -> tuple[Landmark, ...]:
    """The marks (back frame) with each dot's centre found anew from the painted and bare samples about it."""
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
    return replace(mark, position_mm=disc_centre(points[near], painted, mark.position_mm))


def disc_centre(points: FloatArray, painted: NDArray[np.bool_], start: FloatArray) -> FloatArray:
    """Centre (3,) of the dot among points (n, 3), mm, on the surface through them; `start` where it cannot be told.

    In the plane of the painted points, the mean of all discs that part them from the bare ones, each counted by how
    well it does; then the height over that plane is read off a quadric through the points inside.
    """
    if painted.sum() < LEAST_PAINTED or (~painted).sum() < LEAST_BARE:
        return start
    middle = points[painted].mean(axis=0)
    axes = np.linalg.svd(points[painted] - middle, full_matrices=False)[2]
    flat = (points - middle) @ axes.T
    radius = float(np.sqrt(2.0 * np.mean(np.sum(flat[painted, :2] ** 2, axis=1))))
    near = np.hypot(flat[:, 0], flat[:, 1]) < 2.5 * radius
    near &= np.abs(flat[:, 2]) < radius
    spacing = radius * np.sqrt(np.pi / painted.sum())
    found = _mean_disc(flat[near, :2], np.where(painted[near], 1.0, -1.0), radius, spacing)
    if np.hypot(found[0], found[1]) > MOST_MOVED * radius:
        return start
    return np.asarray(middle + np.array([found[0], found[1], _height(flat[painted], found[:2])]) @ axes)


def _mean_disc(flat: FloatArray, sign: FloatArray, radius: float, spacing: float) -> FloatArray:
    """(2,) mean centre over a grid of discs, weighted by the logistic likelihood of the samples' signs."""
    aside = np.linspace(-REACH, REACH, STEPS) * spacing
    cx, cy, r = np.meshgrid(aside, aside, radius + aside, indexing="ij")
    unlikely = np.zeros(cx.shape)
    for (x, y), s in zip(flat, sign, strict=True):
        unlikely += np.logaddexp(0.0, -s * (r - np.hypot(x - cx, y - cy)) / (SOFT * spacing))
    weight = np.exp(unlikely.min() - unlikely)
    return np.array([np.average(cx, weights=weight), np.average(cy, weights=weight)])


def _height(flat: FloatArray, at: FloatArray) -> float:
    """Height of the quadric through points (n, 3) at (2,); their mean height where they are few."""
    u, v = (flat[:, :2] - at).T
    if len(flat) < 8:
        return float(flat[:, 2].mean())
    rows = np.column_stack([np.ones(len(flat)), u, v, u * u, u * v, v * v])
    return float(np.linalg.lstsq(rows, flat[:, 2], rcond=None)[0][0])
