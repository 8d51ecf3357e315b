"""A year of one invented horse: known changes of shape, five scans with a scanner's errors in other poses, dated."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scanners import SCANNERS, Taken, random_scene, take, usual_dots

from shimwright.scan.back import Back, Source
from shimwright.scan.raw import FloatArray
from shimwright.scan.survey import survey
from shimwright.scan.synthetic import BUILDS, HorseShape

DAYS = ("2026-01-10", "2026-04-04", "2026-06-27", "2026-09-19", "2026-12-12")


@dataclass(frozen=True)
class Seen:
    """One visit: the scan as measured, and how it was taken from the exact shape."""

    back: Back
    taken: Taken


def muscling(rng: np.random.Generator) -> list[HorseShape]:
    """Wasted behind the shoulder in January, filled by December; the right side stays behind from summer on."""
    length = rng.uniform(720.0, 880.0)
    base = replace(BUILDS["level"], withers_croup_mm=length, dip_mm=60.0 * length / 800.0, blade_mm=8.0)
    hollow = ((18.0, 18.0), (14.0, 15.0), (9.0, 12.0), (5.0, 10.0), (2.0, 9.0))
    uneven = (0.0, 0.0, -3.0, -7.0, -11.0)
    spread = rng.uniform(0.9, 1.1)
    return [
        replace(base, hollow_mm=(spread * left, spread * right), uneven_mm=spread * apart)
        for (left, right), apart in zip(hollow, uneven, strict=True)
    ]


def scanned(shape: HorseShape, scanner: str, day: str | None, rng: np.random.Generator, horse: str = "Linnet") -> Seen:
    """Marked withers and shoulders, gravity known, any pose and unit."""
    scene = replace(random_scene(rng), dots=usual_dots(shape))
    taken = take(shape, SCANNERS[scanner], scene, rng)
    back = survey(taken.raw, taken.told, Source(f"{day}.ply", "", day, horse, {}), lambda _: None)
    return Seen(back, taken)


def a_year(shapes: Sequence[HorseShape], scanner: str, rng: np.random.Generator) -> list[Seen]:
    return [scanned(shape, scanner, day, rng) for shape, day in zip(shapes, DAYS, strict=True)]


def true_change(earlier: Seen, later: Seen, points_mm: FloatArray, normals: FloatArray) -> FloatArray:
    """(n,) exact change along the normals at points of the earlier measured back, from the exact surfaces alone.

    All shapes of a year share spine and withers, so both exact surfaces stand in one true frame.
    """
    true = earlier.taken.to_true(earlier.back.frame.to_scan(points_mm))
    tips = earlier.taken.to_true(earlier.back.frame.to_scan(points_mm + normals))
    way = tips - true
    way /= np.linalg.norm(way, axis=1, keepdims=True)
    return later.taken.surface.gap(true, way) - earlier.taken.surface.gap(true, way)
