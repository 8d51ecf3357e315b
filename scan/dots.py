"""Coloured dots on the scanned horse: which painted points bear a colour, and the patches they form."""

import tomllib
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from shimwright.scan.raw import FloatArray, Paint
from shimwright.scan.refusal import WrongUse

MOST_SAMPLES = 60_000
ON_BODY_CELLS = 2.5
LINK_CELLS = 2.2  # a sparse dot of 24 mm must not fall apart
LINK_SPACINGS = 3.5  # the same, times the usual distance to the nearest sample
BROAD_CELLS = 12.0  # a patch broader than this is a rug or a coat, not a dot


@dataclass(frozen=True)
class Patch:
    """A patch of one colour: centre (3,) in scan coordinates, number of samples, rms radius in file units."""

    centre: FloatArray
    samples: int
    radius: float


def patches(paint: Paint | None, colour: str, cells: FloatArray, cell: float) -> tuple[Patch, ...]:
    """Patches of a colour on the body, most samples first. cells: (k, 3) of the cleaned body, edge `cell`."""
    if paint is None or not len(paint.points):
        return ()
    mine = paint.points[is_colour(paint.rgb, colour)]
    mine = mine[np.isfinite(mine).all(axis=1)][: 20 * MOST_SAMPLES]
    mine = mine[:: max(len(mine) // MOST_SAMPLES, 1)]
    if len(mine):
        mine = mine[cKDTree(cells).query(mine, distance_upper_bound=ON_BODY_CELLS * cell)[0] < np.inf]
    if not len(mine):
        return ()
    pairs = cKDTree(mine).query_pairs(_link(mine, cell), output_type="ndarray")
    graph = coo_array((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(len(mine), len(mine)))
    piece = connected_components(graph, directed=False)[1]
    found = [_patch(mine[piece == i]) for i in np.flatnonzero(np.bincount(piece) >= 1)]
    return tuple(sorted((p for p in found if p.radius < BROAD_CELLS * cell), key=lambda patch: -patch.samples))


def _link(points: FloatArray, cell: float) -> float:
    """How far apart samples of one patch may lie: the scan's own spacing, at least a cell."""
    if len(points) < 3:
        return LINK_CELLS * cell
    nearest = cKDTree(points).query(points[:2000], k=2)[0][:, 1]
    return max(LINK_CELLS * cell, LINK_SPACINGS * float(np.median(nearest)))


def _patch(points: FloatArray) -> Patch:
    centre = points.mean(axis=0)
    return Patch(centre, len(points), float(np.sqrt(np.mean(np.sum((points - centre) ** 2, axis=1)))))


def is_colour(rgb: NDArray[np.uint8], colour: str) -> NDArray[np.bool_]:
    """(k,): which colours (k, 3) fall in the hue sector of a word, or near a `#rrggbb`."""
    limits = _limits()
    hue, saturation, brightness = _hsv(rgb)
    vivid = (saturation > limits["least_saturation"]) & (brightness > limits["least_brightness"])
    if colour.lower() in limits["hue"]:
        low, high = limits["hue"][colour.lower()]
        return np.asarray(vivid & ((hue - low) % 360 <= (high - low) % 360))
    wanted = _hash_colour(colour)
    h, s, _ = (float(v[0]) for v in _hsv(wanted[None]))
    if s > limits["least_saturation"]:
        return np.asarray(vivid & (np.abs((hue - h + 180) % 360 - 180) <= limits["hash_hue_width"]))
    apart = np.linalg.norm(rgb.astype(float) - wanted.astype(float), axis=1)
    return np.asarray(apart < limits["hash_grey_distance"])


def _hash_colour(colour: str) -> NDArray[np.uint8]:
    digits = colour[1:]
    if not colour.startswith("#") or len(digits) != 6 or any(c not in "0123456789abcdefABCDEF" for c in digits):
        words = ", ".join(_limits()["hue"])
        raise WrongUse(f"'{colour}' is no colour for a dot: use {words} or #rrggbb")
    return np.array([int(digits[i : i + 2], 16) for i in (0, 2, 4)], np.uint8)


def _hsv(rgb: NDArray[np.uint8]) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Hue in degrees, saturation and brightness 0–1, of (k, 3) bytes."""
    c = rgb.astype(float) / 255.0
    high, low = c.max(axis=1), c.min(axis=1)
    span = np.where(high > low, high - low, 1.0)
    r, g, b = c.T
    hue = np.where(high == r, (g - b) / span, np.where(high == g, 2 + (b - r) / span, 4 + (r - g) / span))
    return (60.0 * hue) % 360.0, (high - low) / np.where(high > 0, high, 1.0), high


@cache
def _limits() -> dict:  # type: ignore[type-arg]
    return tomllib.loads(files("shimwright.scan").joinpath("colours.toml").read_text("utf-8"))
