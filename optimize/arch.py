"""The arch by itself: its legs against the back beside the withers, girthed (PRACTICE §5, DESIGN §13)."""

import numpy as np
from numpy.typing import NDArray

from shimwright.optimize.answer import ArchJudgement
from shimwright.optimize.bench import Bench, moved
from shimwright.optimize.limits import limits
from shimwright.optimize.place import back_angle_deg, section_height_mm
from shimwright.scan.back import Back
from shimwright.scan.raw import FloatArray

PARALLEL_DEG = 3.0  # PRACTICE §5 [T]
STATIONS = 7
EQUAL_MM = 0.5  # shoulders this alike count as equal: left is named


def judge_arch(bench: Bench, q: FloatArray) -> ArchJudgement:
    """Each leg, as the saddle lies at the girthed pose q, against the back under it; + = leg steeper = too narrow.

    The leg's bearing surface is the panel under it, which has the leg's angle at the front edge and keeps the
    maker's twist behind it, so that a panel that lies on the back everywhere is parallel.
    """
    panels = bench.underside.panels
    if panels.reference is None:
        return ArchJudgement(bench.arch, (np.nan, np.nan), (np.nan, np.nan), "not known")
    (left_leg, left_back), (right_leg, right_back) = (_against_back(bench, q, side) for side in (1, -1))
    leg, back = (left_leg, right_leg), (left_back, right_back)
    difference = (leg[0] - back[0], leg[1] - back[1])
    width = tuple(100 / np.tan(np.radians(a)) - 100 / np.tan(np.radians(b)) for a, b in zip(leg, back, strict=True))
    larger = larger_shoulder(bench.back, bench.origin_mm[0] - panels.saddle.arch_length_mm / 2)
    soft = panels.arch is not None and panels.arch.soft
    found = ArchJudgement(bench.arch, difference, (float(width[0]), float(width[1])), "", larger)
    words = "soft" if soft else arch_words(found.at_larger_deg)
    return ArchJudgement(found.arch, found.difference_deg, found.width_difference_mm, words, larger)


def arch_words(difference_deg: float) -> str:
    """parallel within 3°, else too narrow (leg steeper than the back) or too wide."""
    if not np.isfinite(difference_deg):
        return "not known"
    if abs(difference_deg) <= PARALLEL_DEG:
        return "parallel"
    return "too narrow" if difference_deg > 0 else "too wide"


def larger_shoulder(back: Back, x_mm: float) -> str | None:
    """The side that stands higher at 90–130 mm beside the spine at x: there is more shoulder there."""
    spine = float(back.midline.at(x_mm)[0])
    y = np.linspace(90.0, 130.0, 9)
    if not np.isfinite(spine):
        return None
    left, right = (section_height_mm(back, x_mm, spine + side * y) for side in (1, -1))
    step = float(np.nanmean(left - right)) if np.isfinite(left - right).any() else float("nan")
    if not np.isfinite(step):
        return None
    return "left" if step > -EQUAL_MM else "right"


def _against_back(bench: Bench, q: FloatArray, side: int) -> tuple[float, float]:
    """Mean angle below horizontal of the bearing surface under the leg, as the saddle lies, and of the back there, over
    the length where the leg bears.
    """
    panels = bench.underside.panels
    s = np.linspace(0.1, 0.9, STATIONS) * panels.saddle.arch_length_mm / panels.saddle.length_mm
    down = np.tile([0.0, 0.0, -1.0], (STATIONS, 1))
    inner, outer = (moved(bench, panels.points(s, np.full(STATIONS, t), side), down, q)[0] for t in (0.1, 0.9))
    back = [
        back_angle_deg(bench.back, inner[i : i + 1, 0], side * inner[i, 1], side * outer[i, 1], side)[0]
        for i in range(STATIONS)
    ]
    seen = np.isfinite(back)
    if not seen.any():
        return float("nan"), float("nan")
    bears = seen & _bears(bench, q, s, side)
    held = bears if bears.any() else seen
    leg = np.degrees(panels.angle_rad(s, side)) - side * bench.tilt_deg(q)[1]
    return float(leg[held].mean()), float(np.array(back)[held].mean())


def _bears(bench: Bench, q: FloatArray, s: FloatArray, side: int) -> NDArray[np.bool_]:
    """(k,) True where the middle of the panel under the leg comes near the back, pad and its own filling between."""
    panels, middle = bench.underside.panels, np.full(s.size, 0.5)
    placed, normals = moved(bench, panels.points(s, middle, side), panels.frame(s, middle, side)[0], q)
    gap = bench.back.gap(placed, normals)
    return np.asarray(np.nan_to_num(gap, nan=np.inf) <= limits().arch.bearing_mm)
