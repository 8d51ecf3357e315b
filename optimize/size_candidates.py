"""Arches and panels worth comparing for a crowd of backs: spread over what the backs themselves would have, in whole
steps of making.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from shimwright.optimize.saddle import Arch, Saddle
from shimwright.optimize.size_rules import SizeRules
from shimwright.scan.raw import FloatArray

ROUNDS = 12
# Columns of an own size: included angle, width, then the panel's numbers.
INCLUDED, WIDTH = 0, 1
ANGLES, ROCKER, CROWN, RISE, CHANNELS = slice(2, 5), 5, 6, 7, slice(8, 11)
COLUMNS = 11
# mm of gap that one unit of each changes, roughly: what makes two sizes alike [J]
ARCH_ALIKE = np.array([0.5, 0.25])
PANEL_ALIKE = np.array([0.3, 0.6, 0.6, 0.5, 0.3, 0.1, 0.1, 0.1, 0.1])


def numbers_of(own: Saddle) -> FloatArray:
    """(11,) of a fitted saddle with its one arch."""
    arch = own.arches[0]
    panel = [*own.angle_deg, own.rocker_mm, own.panel_curve_mm, own.rise_mm, *own.channel_mm]
    return np.array([arch.included_deg, arch.width_mm, *panel], dtype=float)


def arches_for(own: FloatArray, weights: FloatArray, rules: SizeRules) -> tuple[Arch, ...]:
    """At most `rules.arches`, by angle and width. own (n, 11)."""
    steps = np.array([rules.arch_step_deg, rules.width_step_mm])
    spread = spread_out(own[:, :2] * ARCH_ALIKE, weights, rules.arches) / ARCH_ALIKE
    whole = np.unique(np.rint(spread / steps) * steps, axis=0)
    return tuple(Arch(f"{angle:.0f}° {width:.0f} mm", float(angle), float(width)) for angle, width in whole)


def panels_for(own: FloatArray, weights: FloatArray, pattern: Saddle, rules: SizeRules) -> tuple[Saddle, ...]:
    """At most `rules.panels`, each with the arch it was seen with as reference. pattern: length, widths, filling."""
    leg = 90.0 - own[:, INCLUDED] / 2
    alike = own[:, 2:] - np.outer(leg, [1.0, 0, 0, 0, 0, 0, 0, 0, 0])  # the front's angle is the arch's
    centres, groups = _grouped(alike * PANEL_ALIKE, weights, rules.panels)
    angle, length, channel = rules.angle_step_deg, rules.length_step_mm, rules.channel_step_mm
    steps = np.array([rules.arch_step_deg, rules.width_step_mm, *[angle] * 3, *[length] * 3, *[channel] * 3])
    means = np.stack([np.average(own[groups == k], axis=0, weights=weights[groups == k]) for k in range(len(centres))])
    whole = np.unique(np.rint(means / steps) * steps, axis=0)
    return tuple(saddle_of(row, pattern) for row in whole)


def saddle_of(row: FloatArray, pattern: Saddle) -> Saddle:
    """The pattern with the numbers (11,) of a size."""
    return replace(
        pattern,
        angle_deg=row[ANGLES],
        rocker_mm=float(row[ROCKER]),
        panel_curve_mm=float(row[CROWN]),
        rise_mm=float(row[RISE]),
        channel_mm=row[CHANNELS],
        arches=(Arch("reference", float(row[INCLUDED]), float(row[WIDTH])),),
        reference_arch="reference",
        side_difference_mm=0.0,
    )


def spread_out(points: FloatArray, weights: FloatArray, count: int) -> FloatArray:
    """(≤ count, d) centres of groups of points (n, d): the farthest first, then each to the mean of its own."""
    return _grouped(points, weights, count)[0]


def _grouped(points: FloatArray, weights: FloatArray, count: int) -> tuple[FloatArray, NDArray[np.intp]]:
    """(centres, group of every point). The same whatever the order of the points, but for rounding."""
    mean = np.average(points, axis=0, weights=weights)
    first = _first_of(points, -np.linalg.norm(points - mean, axis=1))
    centres = [points[first]]
    near = np.linalg.norm(points - centres[0], axis=1)
    while len(centres) < count and near.max() > 1e-6:
        centres.append(points[_first_of(points, near)])
        near = np.minimum(near, np.linalg.norm(points - centres[-1], axis=1))
    middles = np.stack(centres)
    for _ in range(ROUNDS):
        groups = _nearest(points, middles)
        full = [k for k in range(len(middles)) if weights[groups == k].sum() > 0]
        middles = np.stack([np.average(points[groups == k], axis=0, weights=weights[groups == k]) for k in full])
    groups = _nearest(points, middles)
    used = np.unique(groups[weights > 0])
    return np.asarray(middles[used]), np.searchsorted(used, groups)


def _first_of(points: FloatArray, value: FloatArray) -> int:
    """Where value is largest; of equals the first by coordinates."""
    equal = np.flatnonzero(value >= value.max() - 1e-9)
    order: Sequence[int] = np.lexsort(points[equal].T[::-1])  # type: ignore[assignment]
    return int(equal[order[0]])


def _nearest(points: FloatArray, middles: FloatArray) -> NDArray[np.intp]:
    squares = np.stack([((points - middle) ** 2).sum(axis=1) for middle in middles], axis=1)
    return np.asarray(squares.argmin(axis=1))
