"""The pencil line out of a photograph of the grid sheet: straightened by the corner marks, followed by least cost.

The sheet is flat, so a photograph of it is a homography (Hartley, Zisserman, Multiple View Geometry, §2.3; memory).
"""

from dataclasses import dataclass
from itertools import combinations
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageOps
from scipy.ndimage import binary_fill_holes, find_objects, gaussian_filter, label, map_coordinates, uniform_filter

from shimwright.scan.raw import FloatArray
from shimwright.scan.refusal import InputRefused
from shimwright.scan.trace_sheet import HALF_WIDTH_MM, HEIGHT_MM, MARK_MM, mark_centres

LONG_SIDE_PX = 2400  # photographs are reduced to this: 5 pixels per mm of paper
STEP_MM = 0.5
PIVOT_MM = 120.0  # the line is followed in angle about a point this far below the top line
FAINTEST = 0.06  # darkness of a line over its paper, as a share
LINE_SD_MM = 1.5  # how well a hand-drawn line is read, beside the hand's own error [J]
Image8 = NDArray[np.uint8]


@dataclass(frozen=True)
class PhotoSection:
    """points_mm (k, 2): (y, z) in the sheet frame, left to right. sd_mm: of reading. darkness: of the line, 0–1."""

    points_mm: FloatArray
    sd_mm: float
    darkness: float


def section_from_photo(path: Path) -> PhotoSection:
    """The traced section on one photograph. Raises InputRefused where sheet or line cannot be found."""
    try:
        picture = _opened(path)
    except Image.DecompressionBombError:
        raise InputRefused(
            f"{path.name}: far more pixels than the {LONG_SIDE_PX} a side that are read; save it smaller, 12 million do"
        ) from None
    except (OSError, ValueError, SyntaxError) as error:
        raise InputRefused(f"{path.name}: no readable photograph ({error}); take it again as JPEG or PNG") from error
    return section_from_picture(np.asarray(picture), path.name)


def _opened(path: Path) -> Image.Image:
    """Reduced first, so that a photograph of 200 million pixels takes no more memory than a scan."""
    picture: Image.Image = Image.open(path)
    if picture.mode == "P":  # a palette's numbers cannot be averaged
        picture = picture.convert("RGB")
    picture.thumbnail((LONG_SIDE_PX, LONG_SIDE_PX))
    return ImageOps.exif_transpose(picture).convert("RGB")


def section_from_picture(rgb: Image8, name: str) -> PhotoSection:
    """rgb (h, w, 3). The blue channel is read: the grid is printed light blue and vanishes in it."""
    corners = find_corners(rgb, name)
    darkness, y, z = straightened(rgb, homography(mark_centres(), corners))
    return follow_line(darkness, y, z, name)


def homography(plane: FloatArray, picture: FloatArray) -> FloatArray:
    """(3, 3) H with picture ~ H·plane for four or more pairs (k, 2), by the direct linear transform."""
    rows = []
    for (y, z), (u, v) in zip(plane, picture, strict=True):
        rows += [[y, z, 1, 0, 0, 0, -u * y, -u * z, -u], [0, 0, 0, y, z, 1, -v * y, -v * z, -v]]
    return np.asarray(np.linalg.svd(np.array(rows))[2][-1].reshape(3, 3))


def through(H: FloatArray, points: FloatArray) -> FloatArray:
    """Points (…, 2) through the homography."""
    image = points @ H[:, :2].T + H[:, 2]
    return image[..., :2] / image[..., 2:]


def find_corners(rgb: Image8, name: str) -> FloatArray:
    """(4, 2) picture coordinates of the corner marks: left top (with the hole), then round by the top."""
    grey = rgb.astype(np.float64).mean(axis=2)
    # darker than three fifths of what lies about it: shadows shift both alike
    size = max(rgb.shape[:2]) // 6
    dark = grey < 0.6 * uniform_filter(grey, size)
    labels, _ = label(dark)
    marks: list[tuple[float, float, float, bool]] = []
    for index, box in enumerate(find_objects(labels), start=1):
        height, width = (part.stop - part.start for part in box)
        if min(height, width) < 8 or max(height, width) > size or max(height, width) > 2.2 * min(height, width):
            continue
        blob = labels[box] == index
        filled = binary_fill_holes(blob)
        hole = 1 - blob.sum() / filled.sum()
        if filled.sum() < 0.55 * height * width or hole > 0.4:
            continue
        v, u = np.nonzero(filled)
        marks.append((u.mean() + box[1].start, v.mean() + box[0].start, float(filled.sum()), hole > 0.06))
    found = _best_four(marks)
    if found is None:
        raise InputRefused(
            f"{name}: {len(marks)} black marks that could be corners, and no four of them frame the grid sheet; "
            "photograph the whole sheet flat, all four corner marks in the picture, without glare"
        )
    return found


def _best_four(marks: list[tuple[float, float, float, bool]]) -> FloatArray | None:
    """The four marks, one with a hole, whose sizes agree best with where they stand."""
    largest = sorted(marks, key=lambda mark: -mark[2])[:24]
    best, best_miss = None, 0.35
    for four in combinations(largest, 4):
        if sum(mark[3] for mark in four) != 1:
            continue
        at = np.array([mark[:2] for mark in four])
        centre = at.mean(axis=0)
        # clockwise in the picture (v down), beginning at the hole: left top, right top, right bottom, left bottom
        order = np.argsort(np.arctan2(at[:, 1] - centre[1], at[:, 0] - centre[0]))
        order = np.roll(order, -int(np.nonzero([four[i][3] for i in order])[0][0]))
        H = homography(mark_centres(), at[order])
        half = MARK_MM / 2 * np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])
        expected = [_area(through(H, corner + half)) for corner in mark_centres()]
        miss = float(np.abs(np.log([four[i][2] / max(e, 1e-9) for i, e in zip(order, expected, strict=True)])).max())
        if np.isfinite(miss) and miss < best_miss:
            best, best_miss = at[order], miss
    return best


def _area(polygon: FloatArray) -> float:
    y, z = polygon[:, 0], polygon[:, 1]
    return float(abs(np.dot(y, np.roll(z, -1)) - np.dot(z, np.roll(y, -1))) / 2)


def straightened(rgb: Image8, H: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """(darkness over the local paper (n_z, n_y), y (n_y,) descending, z (n_z,) descending) on a grid of STEP_MM."""
    y = np.arange(HALF_WIDTH_MM - 8, -(HALF_WIDTH_MM - 8) - STEP_MM / 2, -STEP_MM)
    z = np.arange(8.0, -(HEIGHT_MM - 14), -STEP_MM)
    where = through(H, np.stack(np.meshgrid(y, z), axis=-1))
    blue = map_coordinates(rgb[:, :, 2].astype(float), [where[..., 1], where[..., 0]], order=1, mode="nearest")
    paper = gaussian_filter(np.maximum(blue, gaussian_filter(blue, 8.0)), 8.0)
    return np.clip(1 - gaussian_filter(blue, 0.8) / np.maximum(paper, 1.0), 0.0, 1.0), y, z


def follow_line(darkness: FloatArray, y: FloatArray, z: FloatArray, name: str) -> PhotoSection:
    """The darkest continuous line, by dynamic programming in angle about the pivot: steep flanks are no matter."""
    phi = np.radians(np.arange(-100.0, 100.01, 0.4))
    radius = np.arange(20.0, 260.0, STEP_MM)
    yy = radius * np.sin(phi)[:, None]
    zz = -PIVOT_MM + radius * np.cos(phi)[:, None]
    at = [(z[0] - zz) / STEP_MM, (y[0] - yy) / STEP_MM]
    polar = map_coordinates(darkness, at, order=1, mode="constant", cval=0.0)
    path = darkest_path(polar)
    strength = polar[np.arange(phi.size), path]
    drawn = gaussian_filter(strength, 4.0) > max(FAINTEST, 0.35 * float(np.percentile(strength, 80)))
    labels, count = label(drawn)
    if count == 0:
        raise InputRefused(
            f"{name}: no line found on the sheet (darkest {strength.max():.2f} of the paper, {FAINTEST:.2f} needed); "
            "draw it over with a soft pencil or a pen and photograph it again"
        )
    longest = 1 + int(np.argmax(np.bincount(labels[labels > 0])[1:]))
    keep = np.nonzero(labels == longest)[0]
    r = gaussian_filter(_sub_step(polar, path, radius), 2.0)[keep]
    points = np.column_stack([r * np.sin(phi[keep]), -PIVOT_MM + r * np.cos(phi[keep])])[::-1]
    if np.ptp(points[:, 0]) < 150.0:
        raise InputRefused(
            f"{name}: the line is only {np.ptp(points[:, 0]):.0f} mm wide, a section needs 150 mm over both sides; "
            "draw it over with a soft pencil or a pen and photograph it again"
        )
    return PhotoSection(points, LINE_SD_MM, float(np.median(strength[keep])))


def darkest_path(polar: FloatArray) -> NDArray[np.int64]:
    """(n_phi,) column in each row of polar (n_phi, n_radius): most darkness, paying for every change of radius."""
    n, m = polar.shape
    reach = 6
    price = 0.004 * np.arange(-reach, reach + 1) ** 2
    gain, came = polar[0].copy(), np.zeros((n, m), np.int64)
    for row in range(1, n):
        padded = np.pad(gain, reach, constant_values=-np.inf)
        choices = np.stack([padded[k : k + m] - price[k] for k in range(2 * reach + 1)])
        best = choices.argmax(axis=0)
        came[row] = best - reach
        gain = choices[best, np.arange(m)] + polar[row]
    path = np.zeros(n, np.int64)
    path[-1] = int(gain.argmax())
    for row in range(n - 1, 0, -1):
        path[row - 1] = path[row] + came[row, path[row]]
    return path


def _sub_step(polar: FloatArray, path: NDArray[np.int64], radius: FloatArray) -> FloatArray:
    """Radius of the line's centre: darkness-weighted over 1.5 mm about the path."""
    reach = 3
    at = np.clip(path[:, None] + np.arange(-reach, reach + 1), 0, radius.size - 1)
    weight = polar[np.arange(len(path))[:, None], at] ** 2 + 1e-9
    return np.asarray((weight * radius[at]).sum(axis=1) / weight.sum(axis=1))
