"""The saddle's underside as smooth panels from ten tape measurements, and its nodes.

Each panel is a surface over (s, t): s runs 0–1 from its front end to its rear, t 0–1 from the inner edge (channel)
to the outer. Across, it is the told width at the told angle with the told crown, its middle line straight but for
the rocker and the rise. The arch sets the front: a leg passes half its width beside the middle line, 100 mm below
the arch's top (z = 0), and the panel lies under the leg by the depth of its filling. Another arch, or a soft one,
turns and moves the front by its difference to the reference arch, unchanged over the arch's length and fading to
nothing over another arch length.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator

from shimwright.optimize.saddle import Arch, Saddle
from shimwright.scan.raw import FloatArray
from shimwright.scan.refusal import InputRefused

LEG_DEPTH_MM = 100.0  # arch width is read this far below the arch's top
EDGE_MM, EDGE_FALL_MM = 10.0, 2.0  # rounded long edges: over the last 10 mm the panel falls back 2 mm [J]
END_MM, END_FALL_MM = 25.0, 4.0  # flared ends: over the last 25 mm it falls back 4 mm [J]
SOFT_LIMIT_DEG = 15.0  # a soft arch follows the horse this far from its reference angle [J]
NO_ARCH_DROP_MM = 60.0  # inner edge below z = 0 when no arch was told: only a place to start lowering from


@dataclass(frozen=True)
class Panels:
    """A saddle with one arch in: the exact surface. horse_deg: the back's angle under the arch (left, right), soft
    arch only.
    """

    saddle: Saddle
    arch: Arch | None
    horse_deg: tuple[float, float] | None = None

    @cached_property
    def reference(self) -> Arch | None:
        arches = self.saddle.arches
        return next((a for a in arches if a.name == self.saddle.reference_arch), arches[0] if arches else None)

    @cached_property
    def _profiles(self) -> tuple[PchipInterpolator, PchipInterpolator, PchipInterpolator]:
        s = np.array([0.0, 0.5, 1.0])
        saddle = self.saddle
        return tuple(PchipInterpolator(s, v) for v in (saddle.panel_width_mm, saddle.channel_mm, saddle.angle_deg))

    def width_mm(self, s: FloatArray) -> FloatArray:
        """Panel width along its surface at s."""
        return np.asarray(self._profiles[0](s))

    def turn_deg(self, side: int) -> float:
        """How much steeper than with the reference arch the panel's front lies."""
        if self.arch is None or self.reference is None:
            return 0.0
        if self.arch.soft and self.horse_deg is not None:
            under = np.linspace(0.1, 0.9, 9) * self.saddle.arch_length_mm / self.saddle.length_mm
            follow = self.horse_deg[0 if side > 0 else 1] - float(self._profiles[2](under).mean())
            return float(np.clip(follow, -SOFT_LIMIT_DEG, SOFT_LIMIT_DEG)) if np.isfinite(follow) else 0.0
        return self.arch.leg_deg - self.reference.leg_deg

    def leg_deg(self, side: int) -> float:
        """Angle of the arch's leg on a side, below horizontal; NaN without an arch."""
        return self.reference.leg_deg + self.turn_deg(side) if self.reference else np.nan

    def angle_rad(self, s: FloatArray, side: int) -> FloatArray:
        """Panel angle below horizontal at s, with this arch in."""
        return np.asarray(np.radians(self._profiles[2](s) + self._blend(s) * self.turn_deg(side)))

    def inner_edge_mm(self, s: FloatArray, side: int) -> FloatArray:
        """|y| of the panel's inner edge at s: half the channel, as this arch spreads it."""
        return np.asarray(self._centre(s, side)[0] - 0.5 * self.width_mm(s) * np.cos(self.angle_rad(s, side)))

    def points(self, s: FloatArray, t: FloatArray, side: int) -> FloatArray:
        """Surface points (…, 3) in the saddle frame; side +1 left, −1 right."""
        s, t = np.broadcast_arrays(np.asarray(s, float), np.asarray(t, float))
        angle, width = self.angle_rad(s, side), self.width_mm(s)
        y, z = self._centre(s, side)
        across = (t - 0.5) * width
        proud = self._proud(s, t, width) + 0.5 * side * self.saddle.side_difference_mm
        y = y + across * np.cos(angle) - proud * np.sin(angle)
        z = z - across * np.sin(angle) - proud * np.cos(angle)
        return np.stack([-self.saddle.length_mm * s, side * y, z], axis=-1)

    def frame(self, s: FloatArray, t: FloatArray, side: int) -> tuple[FloatArray, FloatArray]:
        """Unit normals (…, 3) toward the horse and area per unit of (s, t), mm², by central differences."""
        h = 1e-5
        along = (self.points(s + h, t, side) - self.points(s - h, t, side)) / (2 * h)
        across = (self.points(s, t + h, side) - self.points(s, t - h, side)) / (2 * h)
        normal = side * np.cross(across, along)
        size = np.linalg.norm(normal, axis=-1)
        normal = normal / size[..., None]
        return np.where(normal[..., 2:] > 0, -normal, normal), size

    def leg_profile(self, side: int) -> FloatArray:
        """(k, 2) of (y, z): the arch's inside from its top down one leg to 130 mm, NaN row without an arch."""
        if self.reference is None:
            return np.full((1, 2), np.nan)
        arch = self.arch or self.reference
        slope = np.tan(np.radians(self.leg_deg(side)))
        half = arch.width_mm / 2
        z = -np.linspace(0.0, 130.0, 27)
        y = np.maximum(half + (-LEG_DEPTH_MM - z) / slope, 0.0)
        bend = self.saddle.channel_mm[0] / 2
        y = np.where(y < bend, np.minimum(bend, np.maximum(y, bend * np.sqrt(np.minimum(-z / 20.0, 1.0)))), y)
        roof = np.linspace(0.0, y[0], 5)
        return np.column_stack([side * np.append(roof, y), np.append(np.zeros(5), z)])

    def _blend(self, s: FloatArray) -> FloatArray:
        length = max(self.saddle.arch_length_mm, 1.0)
        u = np.clip((np.asarray(s) * self.saddle.length_mm - length) / length, 0.0, 1.0)
        return 1 - u * u * (3 - 2 * u)

    def _proud(self, s: FloatArray, t: FloatArray, width: FloatArray) -> FloatArray:
        crown = self.saddle.panel_curve_mm * (1 - (2 * t - 1) ** 2)
        edge = width * np.minimum(t, 1 - t)
        end = self.saddle.length_mm * np.minimum(s, 1 - s)
        rounded = EDGE_FALL_MM * np.maximum(1 - edge / EDGE_MM, 0.0) ** 2
        return crown - rounded - END_FALL_MM * np.maximum(1 - end / END_MM, 0.0) ** 2

    def _centre(self, s: FloatArray, side: int) -> tuple[FloatArray, FloatArray]:
        """(|y|, z) of the panel's middle line, without crown: the reference line, moved with the arch about the
        leg's point.
        """
        s = np.asarray(s, float)
        width, channel, angle_deg = (profile(s) for profile in self._profiles)
        angle = np.radians(angle_deg)
        y = channel / 2 + 0.5 * width * np.cos(angle)
        z = self._front_z() - self.saddle.rise_mm * s - 4 * self.saddle.rocker_mm * s * (1 - s) / np.cos(angle)
        if self.arch is None or self.reference is None:
            return y, z
        turned = angle + self._blend(s) * np.radians(self.turn_deg(side))
        reach, depth = self._reach(), self._depth()
        outward = self._blend(s) * (self.arch.width_mm - self.reference.width_mm) / 2
        y = y + outward + reach * (np.cos(angle) - np.cos(turned)) + depth * (np.sin(angle) - np.sin(turned))
        z = z - reach * (np.sin(angle) - np.sin(turned)) + depth * (np.cos(angle) - np.cos(turned))
        return y, z

    def _depth(self) -> float:
        return self.saddle.filling.depth_mm if self.saddle.filling else 0.0

    def _reach(self) -> float:
        """Along the panel's front, from its middle line to the point under the leg where the arch's width is read."""
        if self.reference is None:
            return 0.0
        angle = np.radians(self.saddle.angle_deg[0])
        centre = self.saddle.channel_mm[0] / 2 + 0.5 * self.saddle.panel_width_mm[0] * np.cos(angle)
        return float((self.reference.width_mm / 2 - self._depth() * np.sin(angle) - centre) / np.cos(angle))

    def _front_z(self) -> float:
        angle = np.radians(self.saddle.angle_deg[0])
        if self.reference is None:
            return float(-NO_ARCH_DROP_MM - 0.5 * self.saddle.panel_width_mm[0] * np.sin(angle))
        return float(-LEG_DEPTH_MM - self._depth() * np.cos(angle) + self._reach() * np.sin(angle))


@dataclass(frozen=True, eq=False)
class Underside:
    """Nodes of both panels, ordered side (left first), along, across: reshape to (2, *grid).

    points, normals (n, 3): saddle frame, normals toward the horse. area_mm2 (n,): true, not projected. side (n,): ±1.
    along, across (n,): 0–1 from the front end, from the inner edge. flat_mm (n, 2): the pad's flat coordinates.
    on_arch (n,): under the arch's legs. grid: (along, across) nodes per panel.
    """

    panels: Panels
    points: FloatArray
    normals: FloatArray
    area_mm2: FloatArray
    side: FloatArray
    along: FloatArray
    across: FloatArray
    flat_mm: FloatArray
    on_arch: NDArray[np.bool_]
    grid: tuple[int, int]
    spacing_mm: float

    @property
    def centroid(self) -> FloatArray:
        """(3,) area centroid of both panels, saddle frame, y = 0."""
        x, _, z = np.average(self.points, axis=0, weights=self.area_mm2)
        return np.array([x, 0.0, z])

    def outer_edge_mm(self, x: float, side: int) -> float:
        """y of the panel's outer edge at x, saddle frame."""
        s = np.clip(-x / self.panels.saddle.length_mm, 0.0, 1.0)
        return float(self.panels.points(s, np.array(1.0), side)[1])


def underside(
    saddle: Saddle,
    arch: Arch | None,
    spacing_mm: float = 5.0,
    horse_deg: tuple[float, float] | None = None,
) -> Underside:
    """Nodes on the panels with `arch` in (None: the reference arch or none), at most `spacing_mm` apart.

    horse_deg: angle of the back (left, right) that a soft arch follows. Raises InputRefused for panels without extent.
    """
    if saddle.length_mm <= 0 or (np.asarray(saddle.panel_width_mm) <= 0).any():
        raise InputRefused(
            f"saddle {saddle.name}: panel {saddle.length_mm:g} mm long, {np.min(saddle.panel_width_mm):g} mm wide: "
            "without extent it carries nothing; measure it again"
        )
    panels = Panels(saddle, arch, horse_deg)
    n_s = max(int(np.ceil(saddle.length_mm / spacing_mm)), 4)
    n_t = max(int(np.ceil(np.max(saddle.panel_width_mm) / spacing_mm)), 4)
    s, t = ((np.arange(n) + 0.5) / n for n in (n_s, n_t))
    s, t = (grid.ravel() for grid in np.meshgrid(s, t, indexing="ij"))
    halves = [_half(panels, s, t, side, n_s * n_t) for side in (1, -1)]
    points, normals, area, flat = (np.concatenate(part) for part in zip(*halves, strict=True))
    along = np.tile(s, 2)
    return Underside(
        panels,
        points,
        normals,
        area,
        np.repeat([1.0, -1.0], s.size),
        along,
        np.tile(t, 2),
        flat,
        saddle.length_mm * along <= saddle.arch_length_mm,
        (n_s, n_t),
        spacing_mm,
    )


def _half(
    panels: Panels, s: FloatArray, t: FloatArray, side: int, count: int
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    points = panels.points(s, t, side)
    normals, area = panels.frame(s, t, side)
    lateral = side * (panels.inner_edge_mm(s, side) + t * panels.width_mm(s))
    return points, normals, area / count, np.column_stack([points[:, 0], lateral])


def spacing_for_mm(saddle: Saddle, nodes: int) -> float:
    """Grid spacing that gives about `nodes` nodes on both panels together."""
    area = 2 * saddle.length_mm * float(np.mean(saddle.panel_width_mm))
    return float(np.sqrt(area / nodes))
