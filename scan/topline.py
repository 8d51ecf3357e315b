"""Landmarks of the topline: withers, low of back, croup (DESIGN §3). Pure functions of arrays."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from shimwright.scan.raw import FloatArray
from shimwright.scan.refusal import InputRefused

STEP_MM = 5.0
SMOOTHING_SD_MM = 25.0
NOT_SEARCHED_MM = 80.0
PEAK_FALL_MM = 1.5
PEAK_REACH_MM = 150.0
WITHERS_TO_CROUP_MM = (450.0, 1100.0)
KNEE_TO_CROUP_MM = (450.0, 1000.0)
KNEE_BEFORE_LOW_MM = 60.0
KNEE_SMOOTHING_SD_MM = 40.0
KNEE_BEND_PER_MM = -0.3e-3
KNEE_SD_MM = 60.0
MARK_SD_MM = 2.0


@dataclass(frozen=True)
class ToplineFound:
    """Where the landmarks lie along the topline, mm. x forward; heights as measured, not smoothed.

    withers_kind: mark | peak | knee (or guess, an origin only). NaN where the croup (and so the low) was not seen.
    """

    withers_x: float
    withers_z: float
    withers_kind: str
    withers_sd: float
    croup_x: float
    croup_z: float
    croup_sd: float
    low_x: float
    low_z: float
    low_sd: float


def topline_landmarks(
    x: FloatArray, z: FloatArray, sd_z: FloatArray, mark_x: float | None = None, pitch_sd: float = 0.0
) -> ToplineFound:
    """Withers, croup and low of back on the topline z(x), all mm, x forward, any order.

    sd_z: (n,) sd of the heights. mark_x: x of a marked withers. pitch_sd: radians, how well level is known: a tilt
    moves every peak and low. Refuses, naming `--mark withers`, where
    neither mark nor peak nor knee shows the withers.
    """
    line = _Line.of(x, z, sd_z, pitch_sd)
    peaks = line.peaks()
    croup = _croup(peaks, mark_x)
    withers, kind, withers_sd = _withers(line, peaks, croup, mark_x)
    low = np.nan if np.isnan(croup) else line.lowest(croup, withers)
    return ToplineFound(
        withers_x=withers,
        withers_z=line.height(withers),
        withers_kind=kind,
        withers_sd=withers_sd,
        croup_x=croup,
        croup_z=line.height(croup),
        croup_sd=line.turning_sd(croup),
        low_x=low,
        low_z=line.height(low),
        low_sd=line.turning_sd(low),
    )


def croup_alone(x: FloatArray, z: FloatArray, sd_z: FloatArray) -> float:
    """x of the croup top where the withers cannot be told; NaN where there is none."""
    line = _Line.of(x, z, sd_z)
    return _croup(line.peaks(), None)


@dataclass(frozen=True)
class _Line:
    """The topline on an even grid: x ascending, z as measured, smooth z, its sd, second derivative; sd of its pitch."""

    x: FloatArray
    z: FloatArray
    smooth: FloatArray
    sd: FloatArray
    bend: FloatArray
    pitch_sd: float

    @classmethod
    def of(cls, x: FloatArray, z: FloatArray, sd_z: FloatArray, pitch_sd: float = 0.0) -> "_Line":
        seen = np.isfinite(x) & np.isfinite(z)
        if seen.sum() < 3 or np.ptp(x[seen]) < 2 * NOT_SEARCHED_MM + STEP_MM:
            length = float(np.ptp(x[seen])) if seen.any() else 0.0
            raise InputRefused(
                f"the topline is seen over {length:.0f} mm only, too short to hold withers and croup: "
                "scan from the base of the neck to the croup"
            )
        order = np.argsort(x[seen])
        xs, zs, sds = x[seen][order], z[seen][order], np.broadcast_to(sd_z, x.shape)[seen][order]
        grid = np.arange(xs[0], xs[-1] + 1e-9, STEP_MM)
        even = np.interp(grid, xs, zs)
        return cls(
            x=grid,
            z=even,
            smooth=_smoothed(even, SMOOTHING_SD_MM),
            sd=np.interp(grid, xs, np.where(np.isfinite(sds), sds, 0.0)),
            bend=np.gradient(np.gradient(_smoothed(even, KNEE_SMOOTHING_SD_MM), STEP_MM), STEP_MM),
            pitch_sd=pitch_sd,
        )

    @property
    def searched(self) -> NDArray[np.bool_]:
        return np.asarray((self.x >= self.x[0] + NOT_SEARCHED_MM) & (self.x <= self.x[-1] - NOT_SEARCHED_MM))

    def peaks(self) -> FloatArray:
        """x of every peak, ascending."""
        s = self.smooth
        top = np.flatnonzero((s[1:-1] >= s[:-2]) & (s[1:-1] > s[2:])) + 1
        top = top[self.searched[top]]
        return np.array([self._vertex(i) for i in top.tolist() if self._falls(i, 1) and self._falls(i, -1)])

    def _falls(self, i: int, direction: int) -> bool:
        """Does the line fall far enough within reach, before it rises above this place again?"""
        reach = int(PEAK_REACH_MM / STEP_MM)
        beside = self.smooth[i + 1 : i + 1 + reach] if direction > 0 else self.smooth[max(i - reach, 0) : i][::-1]
        higher = np.flatnonzero(beside > self.smooth[i])
        beside = beside[: higher[0]] if higher.size else beside
        return bool(beside.size and self.smooth[i] - beside.min() >= PEAK_FALL_MM)

    def _vertex(self, i: int) -> float:
        """x of the parabola's vertex through three points of the smooth line."""
        before, here, after = self.smooth[i - 1 : i + 2]
        bend = before - 2 * here + after
        return float(self.x[i] + (0.0 if bend == 0 else STEP_MM * np.clip(0.5 * (before - after) / bend, -0.5, 0.5)))

    def knees(self, low_x: float, high_x: float) -> list[tuple[float, float]]:
        """(second derivative, x) of its local minima between, strongest first."""
        b = self.bend
        dip = np.flatnonzero((b[1:-1] <= b[:-2]) & (b[1:-1] < b[2:]) & (b[1:-1] < KNEE_BEND_PER_MM)) + 1
        dip = dip[self.searched[dip] & (self.x[dip] >= low_x) & (self.x[dip] <= high_x)]
        return sorted((float(b[i]), float(self.x[i])) for i in dip)

    def lowest(self, behind: float, front: float) -> float:
        """x of the lowest point of the smooth line between; NaN where nothing lies between."""
        between = np.flatnonzero((self.x > behind) & (self.x < front))
        if not between.size:
            return np.nan
        i = int(between[np.argmin(self.smooth[between])])
        return self._vertex(i) if between[0] < i < between[-1] else float(self.x[i])

    def height(self, x: float) -> float:
        return float(np.interp(x, self.x, self.z, left=np.nan, right=np.nan))

    def turning_sd(self, x: float) -> float:
        """sd of the x of a peak or low: sd of the slope over the bend, the pitch's own sd in it.

        The sd of the slope is taken as that of the height over twice the smoothing length: errors of a fitted
        line are alike over about that distance. Our judgement, checked on simulated scans.
        """
        if np.isnan(x):
            return np.nan
        bend = abs(np.interp(x, self.x, self.bend))
        slope_sd = np.hypot(np.interp(x, self.x, self.sd) / (2 * SMOOTHING_SD_MM), self.pitch_sd)
        return float(np.hypot(STEP_MM / 5, min(slope_sd / max(bend, 1e-5), PEAK_REACH_MM)))


def _smoothed(z: FloatArray, sd_mm: float) -> FloatArray:
    """Gaussian, the line continued point-symmetrically at both ends."""
    pad = min(int(4 * sd_mm / STEP_MM), z.size - 1)
    longer = np.pad(z, pad, mode="reflect", reflect_type="odd")
    return np.asarray(gaussian_filter1d(longer, sd_mm / STEP_MM)[pad : pad + z.size])


def _croup(peaks: FloatArray, mark_x: float | None) -> float:
    """The rearmost peak that has another (or the mark) a back's length in front, else the rearmost; NaN if none."""
    near, far = WITHERS_TO_CROUP_MM
    if mark_x is not None:
        behind = [p for p in peaks if near <= mark_x - p <= far]
        return float(behind[0]) if behind else np.nan
    for peak in peaks:
        if any(near <= other - peak <= far for other in peaks):
            return float(peak)
    return float(peaks[0]) if peaks.size else np.nan


def _withers(line: _Line, peaks: FloatArray, croup: float, mark_x: float | None) -> tuple[float, str, float]:
    """(x, kind, sd) of the withers."""
    if mark_x is not None:
        if not line.x[0] <= mark_x <= line.x[-1]:
            raise InputRefused(
                f"the withers mark lies {max(line.x[0] - mark_x, mark_x - line.x[-1]):.0f} mm outside the seen "
                "topline: check --mark withers, or scan farther forward"
            )
        return float(mark_x), "mark", MARK_SD_MM
    near, far = WITHERS_TO_CROUP_MM
    in_front = peaks[(peaks - croup >= near) & (peaks - croup <= far)] if not np.isnan(croup) else peaks[:0]
    if in_front.size:
        return float(in_front[-1]), "peak", line.turning_sd(float(in_front[-1]))
    if not np.isnan(croup):
        for _, x in line.knees(croup + KNEE_TO_CROUP_MM[0], croup + KNEE_TO_CROUP_MM[1]):
            if x - line.lowest(croup, x) >= KNEE_BEFORE_LOW_MM:
                return x, "knee", KNEE_SD_MM
    what = "no croup" if np.isnan(croup) else "neither peak nor knee 450–1100 mm in front of the croup"
    raise InputRefused(
        f"withers not found on {line.x[-1] - line.x[0]:.0f} mm of topline ({what}); every measure counts from them: "
        "stick a dot on the highest point and say --mark withers=COLOUR, or give a point"
    )
