"""Daylight that must stay: over and beside the withers under the arch, and in the channel (DESIGN §13, loaded, pad
in).
"""

from collections.abc import Mapping

import numpy as np

from shimwright.optimize.bench import Bench, moved
from shimwright.scan.raw import FloatArray

SIDE_DEPTH_MM = 60.0  # how far below the arch's top its sides are looked at [J]
TOP_REACH_MM = 20.0  # half width of the arch's top [J]


def clearances_mm(bench: Bench, q: FloatArray) -> Mapping[str, float]:
    """withers_above: least vertical distance from the arch's inside to the back. withers_left, withers_right: least
    horizontal distance from the arch's inside, down to 60 mm below its top. channel: least horizontal distance from
    the spine to a panel's inner edge. NaN where there is no arch or nothing was seen.
    """
    return {**withers_clearances_mm(bench, q), "channel": channel_mm(bench, q)}


def withers_clearances_mm(bench: Bench, q: FloatArray) -> Mapping[str, float]:
    """As `clearances_mm`, those of the arch alone."""
    sides = {"left": 1, "right": -1}
    legs = {name: _arch_points(bench, -SIDE_DEPTH_MM, side) for name, side in sides.items()}
    top = np.concatenate(list(legs.values()))
    clear = {"withers_above": _least(bench, q, top[np.abs(top[:, 1]) <= TOP_REACH_MM], np.array([0.0, 0.0, -1.0]))}
    for name, side in sides.items():
        clear[f"withers_{name}"] = _least(bench, q, legs[name], np.array([0.0, -float(side), 0.0]))
    return clear


def channel_mm(bench: Bench, q: FloatArray) -> float:
    """Least horizontal distance from the line of the spine to a panel's inner edge."""
    panels = bench.underside.panels
    s = np.linspace(0.02, 0.98, 25)
    least = np.inf
    for side in (1, -1):
        edge = panels.points(s, np.zeros(s.size), side)
        placed, _ = moved(bench, edge, np.tile([0.0, 0.0, -1.0], (s.size, 1)), q)
        spine = bench.back.midline.at(placed[:, 0])[0]
        away = side * (placed[:, 1] - spine)
        least = min(least, float(np.nanmin(np.append(away, np.inf))))
    return least if np.isfinite(least) else float("nan")


def _arch_points(bench: Bench, lowest_mm: float, side: int) -> FloatArray:
    """Points (k, 3) of the arch's inside on one side, over its length, saddle frame, NaN rows without an arch."""
    panels = bench.underside.panels
    profile = panels.leg_profile(side)
    profile = profile[~(profile[:, 1] < lowest_mm)]
    x = -np.linspace(0.0, panels.saddle.arch_length_mm, 9)
    rows = [np.column_stack([np.full(len(profile), along), profile]) for along in x]
    return np.concatenate(rows)


def _least(bench: Bench, q: FloatArray, points: FloatArray, direction: FloatArray) -> float:
    points = points[np.isfinite(points).all(axis=1)]
    if not len(points):
        return float("nan")
    placed, _ = moved(bench, points, np.tile(direction, (len(points), 1)), q)
    distance = bench.back.gap(placed, np.tile(direction, (len(points), 1)))
    return float(np.nanmin(distance)) if np.isfinite(distance).any() else float("nan")
