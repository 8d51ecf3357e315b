"""How every pair of an arch and a panel lies on a back: the gap that is left, clearance over the withers, tip.

A pair lies where the squares of its gap are least; it may sink, lean, and tip as far as the rules allow. On a relief
this is three numbers by linear least squares, for all pairs at once.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shimwright.optimize.panel_rules import panel_rules
from shimwright.optimize.relief import ALONG_STEP_MM, Relief
from shimwright.optimize.saddle import Arch, Saddle
from shimwright.optimize.size_rules import SizeRules
from shimwright.optimize.underside import Panels
from shimwright.scan.raw import FloatArray

EVERY = 2  # rows of the relief that are looked at
ACROSS = 21  # points through which a section of a panel is carried onto the grid


@dataclass(frozen=True)
class Pairs:
    """All pairs as heights on the relief's grid. z_mm (arches, panels, rows, y), arch's top at 0, NaN beside the
    panels; cos the same without y: of the panel's angle. leg_deg (arches,).
    x_mm (rows,), y_mm, nodes: those of the relief that any panel covers.
    """

    z_mm: FloatArray
    cos: FloatArray
    leg_deg: FloatArray
    x_mm: FloatArray
    y_mm: FloatArray
    nodes: tuple[NDArray[np.intp], NDArray[np.bool_]]
    withers_x_mm: float


@dataclass(frozen=True)
class Laid:
    """Of every pair on one back, (arches, panels): mean_gap_mm, clearance_mm over the withers, pitch_deg + front high,
    cost_mm: the gap and what clearance outside its target counts. leg_off_deg (arches,): leg less back, + = too narrow.
    """

    mean_gap_mm: FloatArray
    clearance_mm: FloatArray
    pitch_deg: FloatArray
    cost_mm: FloatArray
    leg_off_deg: FloatArray

    def serves(self, rules: SizeRules) -> NDArray[np.bool_]:
        """(arches, panels)."""
        near = np.abs(self.leg_off_deg) <= rules.arch_deg
        close = (self.mean_gap_mm <= rules.mean_gap_mm) & (self.clearance_mm >= rules.clearance_mm)
        return np.asarray(close & near[:, None])


def pairs_of(arches: Sequence[Arch], panels: Sequence[Saddle], relief: Relief) -> Pairs:
    """Surfaces of all pairs. Every panel has its own reference arch; all have one length."""
    edges, length = panel_rules(), panels[0].length_mm  # flare and rounding are the maker's, not the horse's
    x = relief.x_mm[::EVERY]
    x = x[(x <= -edges.end_mm) & (x >= -(length - edges.end_mm))]
    z = np.full((len(arches), len(panels), len(x), len(relief.y_mm)), np.nan)
    cos = np.empty(z.shape[:3])
    for p, panel in enumerate(panels):
        edge = edges.edge_mm / float(np.min(panel.panel_width_mm))
        s, t = np.meshgrid(-x / length, np.linspace(edge, 1 - edge, ACROSS), indexing="ij")
        for a, arch in enumerate(arches):
            made = Panels(panel, arch)
            points = made.points(s, t, 1)
            cos[a, p] = np.cos(made.angle_rad(s[:, 0], 1))
            for row, line in enumerate(points):
                half = np.interp(np.abs(relief.y_mm), line[:, 1], line[:, 2], left=np.nan, right=np.nan)
                z[a, p, row] = half
    used = np.isfinite(z).any(axis=(0, 1, 2))
    legs = np.array([arch.leg_deg for arch in arches])
    rows = np.rint(-x / ALONG_STEP_MM).astype(int)
    return Pairs(z[..., used], cos, legs, x, relief.y_mm[used], (rows, used), -panels[0].arch_length_mm / 2)


def lay(pairs: Pairs, relief: Relief, leg_deg: float, rules: SizeRules) -> Laid:
    """leg_deg: the back's own angle beside the withers, as a leg parallel to it would have."""
    back = relief.z_mm[pairs.nodes[0]][:, pairs.nodes[1]]
    away = pairs.z_mm - back
    area = np.where(np.isfinite(away), 1.0 / pairs.cos[..., None], 0.0)
    away = np.nan_to_num(away)
    middle = float(pairs.x_mm.mean())
    along = np.broadcast_to((pairs.x_mm - middle)[:, None], back.shape)
    ways = np.stack([np.ones(back.shape), along, np.broadcast_to(pairs.y_mm, back.shape)])
    pose = _pose(away, area * pairs.cos[..., None] ** 2, ways, np.tan(np.radians(rules.pitch_deg)))
    away = away + np.einsum("apk,kxy->apxy", pose, ways)
    mean = (np.abs(away * pairs.cos[..., None]) * area).sum(axis=(2, 3)) / area.sum(axis=(2, 3))
    clear = pose[..., 0] + pose[..., 1] * (pairs.withers_x_mm - middle) - relief.withers_z_mm
    low, high = rules.clearance_target_mm
    outside = np.maximum(low - clear, 0.0) + np.maximum(clear - high, 0.0)
    cost = mean + rules.clearance_share * outside
    return Laid(mean, clear, np.degrees(np.arctan(pose[..., 1])), cost, pairs.leg_deg - leg_deg)


def _pose(away: FloatArray, weight: FloatArray, ways: FloatArray, steepest: float) -> FloatArray:
    """(arches, panels, 3): lift, tip, lean that leave the least squares of away, the tip within ± steepest."""
    flat = ways.reshape(3, -1)
    weight, away = weight.reshape(*weight.shape[:2], -1), away.reshape(*away.shape[:2], -1)
    products = np.stack([flat[i] * flat[j] for i in range(3) for j in range(3)])
    normal = (weight @ products.T).reshape(*weight.shape[:2], 3, 3)
    right = -(weight * away) @ flat.T
    pose = np.linalg.solve(normal, right[..., None])[..., 0]
    tip = np.clip(pose[..., 1], -steepest, steepest)
    held = np.abs(pose[..., 1]) > steepest
    if held.any():
        keep = [0, 2]
        rest = right[held][:, keep] - normal[held][:, keep, 1] * tip[held][:, None]
        two = np.linalg.solve(normal[held][:, keep][:, :, keep], rest[..., None])[..., 0]
        pose[held] = np.column_stack([two[:, 0], tip[held], two[:, 1]])
    return np.asarray(pose)
