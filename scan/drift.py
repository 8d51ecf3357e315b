"""The part of a scanner's error that no smoothing removes: slow waves in the surface, as long as a hand or an arm.

Whoever tells what made the scan tells its usual size. Otherwise two things betray it. What waves unlike left and right
over some 60–100 mm is no horse: fourth differences along the back of left less right, multiplied by those of a
neighbouring row (which shares the waves, not the points' own scatter). And scanners whose points scatter more and lie
farther apart also drift more.
"""

from collections.abc import Mapping
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from shimwright.scan.raw import FloatArray
from shimwright.scan.told import SCANNERS

LAG_CELLS = 12  # 60 mm
NEIGHBOUR_CELLS = 6  # some 35 mm around, beyond the reach of the smoothing
DIFFERENCE = (1.0, -4.0, 6.0, -4.0, 1.0)
SHARE_SEEN = 0.54  # drift over what shows in the differences: waves of 40–400 mm, simulated
HORSE_MM = 0.12  # what the differences show of invented horses without any scanner, at most
MEDIAN_OF_SQUARE = 0.455  # of a standard normal
SCATTER_SHARE = 0.6  # drift = 0.6 s mm for points that scatter by s mm …
USUAL_SPACING_MM = 6.0  # … this far apart, times (spacing / 6) to the second power, …
DENSE, COARSE = 2.0, 6.0  # … and to the sixth where it is wider: a phone's lidar is coarse, and drifts by some mm [J]
COARSE_RANGE = (0.35, 20.0)
MOST_MM = 4.5  # [J] from scatter alone
LEAST_PRODUCTS = 200
# by what made the scan, mm: 0.1–0.2 and a breath, 0.7–1.4, 3–6 [J]; reference.md has what is published
USUAL_MM: Mapping[str, float] = MappingProxyType(dict(zip(SCANNERS, (0.25, 1.2, 4.2), strict=True)))


def drift_mm(
    radius_mm: FloatArray, seen: NDArray[np.bool_], scatter_mm: float, spacing_mm: float, scanner: str | None = None
) -> float:
    """Standard deviation of the drift. radius_mm, seen: (n_x, n_phi), phi symmetric. scatter and spacing: of points."""
    waves = _waves(np.where(seen, radius_mm, np.nan))
    if scanner is not None:
        return max(USUAL_MM[scanner], waves)
    ratio = spacing_mm / USUAL_SPACING_MM
    coarse = float(np.clip(ratio ** (COARSE if ratio > 1.0 else DENSE), *COARSE_RANGE))
    from_scatter = min(SCATTER_SHARE * scatter_mm * coarse, MOST_MM)
    return float(np.hypot(from_scatter, waves))


def _waves(radius: FloatArray) -> float:
    unlike = (radius - radius[:, ::-1]) / np.sqrt(2.0)
    rows = radius.shape[0] - (len(DIFFERENCE) - 1) * LAG_CELLS
    if rows < 1:
        return 0.0
    wave = sum(c * unlike[k * LAG_CELLS : k * LAG_CELLS + rows] for k, c in enumerate(DIFFERENCE))
    left = np.asarray(wave)[:, radius.shape[1] // 2 + 1 :]
    product = left[:, :-NEIGHBOUR_CELLS] * left[:, NEIGHBOUR_CELLS:]
    product = product[np.isfinite(product)]
    if product.size < LEAST_PRODUCTS:
        return 0.0
    shown = max(float(np.median(product)), 0.0) / MEDIAN_OF_SQUARE
    return SHARE_SEEN * float(np.sqrt(max(shown - HORSE_MM**2 / MEDIAN_OF_SQUARE, 0.0)))
