"""`Back`: the one object that `optimize` takes. Back frame, mm, N, kPa (DESIGN §3, §5)."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shimwright.scan.raw import FloatArray
from shimwright.scan.surface import Surface

STATIONS_MM: FloatArray = -50.0 * np.arange(13, dtype=np.float64)
DEPTHS_MM = (30.0, 50.0, 100.0, 150.0)
NOT_KNOWN = (float("nan"), float("nan"))
LEFT, RIGHT = 0, 1  # index of a side in every (…, 2) array


@dataclass(frozen=True)
class Frame:
    """Scan coordinates ↔ back frame: position_mm = mm_per_unit · [forward; left; up](scan − origin).

    `mirrored` scans are un-mirrored (first scan axis negated) before the formula. Axes are unit (3,).
    sd in degrees; pitch_sd and roll_sd are those of gravity. `gravity`: False when up came from the shape.
    """

    origin_scan: FloatArray
    forward_scan: FloatArray
    left_scan: FloatArray
    up_scan: FloatArray
    mm_per_unit: float
    unit_source: str  # told | declared | scale pair | shape
    up_source: str  # told | declared | ground | shape
    head_source: str  # told | shape
    mirrored: bool
    heading_sd_deg: float
    pitch_sd_deg: float
    roll_sd_deg: float

    @property
    def gravity(self) -> bool:
        return self.up_source != "shape"

    @property
    def _axes(self) -> FloatArray:
        return np.stack([self.forward_scan, self.left_scan, self.up_scan])

    @property
    def from_scan(self) -> tuple[FloatArray, FloatArray]:
        """(origin (3,), rows (3, 3)): position_mm = rows @ (scan − origin), a mirrored scan's un-mirroring included."""
        flip = np.array([-1.0 if self.mirrored else 1.0, 1.0, 1.0])
        return self.origin_scan * flip, self.mm_per_unit * self._axes * flip

    def to_back(self, points_scan: FloatArray) -> FloatArray:
        """(n, 3) scan coordinates, file units → back frame, mm."""
        origin, rows = self.from_scan
        return (points_scan - origin) @ rows.T

    def to_scan(self, points_mm: FloatArray) -> FloatArray:
        """(n, 3) back frame, mm → scan coordinates, file units."""
        points = points_mm @ self._axes / self.mm_per_unit + self.origin_scan
        return points * np.array([-1.0, 1.0, 1.0]) if self.mirrored else points


@dataclass(frozen=True)
class Landmark:
    """A named place. source: marked | told | estimated. kind: peak | knee | mark | … (how it was found)."""

    name: str
    position_mm: FloatArray
    source: str
    kind: str
    sd_mm: float


@dataclass(frozen=True)
class Midline:
    """The line of the spine: x ascending (n,), y, z and their sd, mm."""

    x_mm: FloatArray
    y_mm: FloatArray
    z_mm: FloatArray
    sd_y_mm: FloatArray
    sd_z_mm: FloatArray

    def at(self, x: FloatArray | float) -> tuple[FloatArray, FloatArray]:
        """(y, z) at x, NaN outside the seen midline."""
        y, z = (np.interp(x, self.x_mm, line, left=np.nan, right=np.nan) for line in (self.y_mm, self.z_mm))
        return np.asarray(y), np.asarray(z)


@dataclass(frozen=True)
class Stations:
    """Measures of the 13 sections x = 0, −50 … −600 mm; NaN where not seen. Sides: [left, right].

    slope_deg, slope_sd_deg: (13, 2), below horizontal. half_width_mm, half_width_sd_mm: (13, 4, 2) at DEPTHS_MM.
    area_difference_cm2 and sd: (13,), + = left falls away more. seen: (13,) share 0–1. sections: 13 arrays
    (k, 2) of (y, z) from the midline point, right to left, every 5 mm of arc, NaN = gap.
    """

    x_mm: FloatArray
    slope_deg: FloatArray
    slope_sd_deg: FloatArray
    half_width_mm: FloatArray
    half_width_sd_mm: FloatArray
    area_difference_cm2: FloatArray
    area_difference_sd_cm2: FloatArray
    seen: FloatArray
    sections: tuple[FloatArray, ...]

    @property
    def width_mm(self) -> FloatArray:
        """(13, 4): both sides together."""
        return np.asarray(self.half_width_mm.sum(axis=2))


@dataclass(frozen=True)
class BuildWord:
    """One word for the build, with the figure and the limit that earned it."""

    word: str
    figure: str
    value: float
    limit: float


@dataclass(frozen=True)
class Build:
    """The back as a whole; NaN where not known. Pairs are (left, right)."""

    uphill_deg: float
    uphill_sd_deg: float
    dip_mm: float
    dip_sd_mm: float
    dip_x_mm: float
    bearing_deg: tuple[float, float]
    hollow_mm: tuple[float, float]
    usable_mm: tuple[float, float]
    words: tuple[BuildWord, ...]
    bearing_sd_deg: tuple[float, float] = NOT_KNOWN
    hollow_sd_mm: tuple[float, float] = NOT_KNOWN
    usable_sd_mm: tuple[float, float] = NOT_KNOWN


@dataclass(frozen=True)
class QualityMessage:
    """One line of the scan check. place_mm: where to ring, or None."""

    code: str
    place_mm: tuple[float, float, float] | None
    text: str


@dataclass(frozen=True)
class Quality:
    """The scan check of PRACTICE §4. verdict: good | usable | rescan."""

    verdict: str
    points: int
    spacing_mm: float
    noise_mm: float
    seen_under_saddle: float
    double_surface_mm: float
    scale_told_mm: float
    scale_measured_mm: float
    messages: tuple[QualityMessage, ...]


@dataclass(frozen=True)
class Source:
    """Where the back came from. told: plain words and values, as back.json shows them."""

    file: str
    sha256: str
    date: str | None
    horse: str | None
    told: Mapping[str, object]


@dataclass(frozen=True)
class Back:
    """The measured back, neck base to croup."""

    source: Source
    frame: Frame
    surface: Surface
    midline: Midline
    landmarks: tuple[Landmark, ...]
    stations: Stations
    build: Build
    quality: Quality

    def landmark(self, name: str) -> Landmark | None:
        return next((mark for mark in self.landmarks if mark.name == name), None)

    def point(self, x: FloatArray, phi: FloatArray) -> FloatArray:
        """Surface points (…, 3); NaN where not seen."""
        return self.surface.point(x, phi)

    def normal(self, x: FloatArray, phi: FloatArray) -> FloatArray:
        """Outward unit normals (…, 3)."""
        return self.surface.normal(x, phi)

    def section(self, x: float) -> FloatArray:
        """(n, 2) points (y, z), right to left, back frame; NaN rows where not seen."""
        return self.surface.section(x)

    def gap(self, points: FloatArray, directions: FloatArray) -> FloatArray:
        """Signed distance along unit directions to the back, positive = daylight, NaN = not seen."""
        return self.surface.gap(points, directions)

    def seen(self, x: FloatArray, phi: FloatArray) -> NDArray[np.bool_]:
        return self.surface.is_seen(x, phi)
