"""The underside that lies on one back or on several with the least gap, pad as ridden between them (PRACTICE §7).

Unknown are the panels' angles at front, middle and rear, rocker, crown and, on one back, the rise; of each back the
pose: heave, roll, and pitch where there are several. The gap counts by its square, pressing in more than daylight (room
for muscle), every back by its weight. Gaps do not tell where the channel ends: its edges stay clear of the spine's
crest, which is where the back leaves the panel's surface carried on inward.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.interpolate import PchipInterpolator
from scipy.optimize import least_squares

from shimwright.optimize.panel_rules import PanelRules, panel_rules
from shimwright.optimize.panel_shape import PanelShape, panels_of, shape_of
from shimwright.optimize.place import UNSEEN_ALLOWED, front_edge, lowered
from shimwright.optimize.saddle import Arch, Saddle
from shimwright.optimize.underside import LEG_DEPTH_MM, Panels, underside
from shimwright.scan.back import Back
from shimwright.scan.raw import FloatArray
from shimwright.scan.refusal import InputRefused

SPACING_MM = 12.0  # of the nodes at which the gap is looked at
ROUNDS = 10  # fit, crest, channel, fit …
SETTLED_MM = 0.05
CREST_STATIONS = np.linspace(0.05, 0.95, 10)
MEAN_PITCH_ROW = 1e3  # weight of "level on the mean of the backs", beside gaps in mm


@dataclass(frozen=True)
class Ridden:
    """One back and what lies between. pad_mm: the pad pressed as ridden. room_mm: daylight wanted at the middle of the
    length, fading to the ends. weight: beside 1 for a horse standing square; standing: False for a made stance, which
    takes its own pitch.
    """

    name: str
    back: Back
    pad_mm: float
    room_mm: float = 0.0
    weight: float = 1.0
    standing: bool = True


@dataclass(frozen=True)
class Remaining:
    """What stays between the panels and a back. gap_mm (2, along, across): over the pad, positive = daylight, NaN
    where not seen. pose: heave mm, pitch rad, roll rad. origin_mm (3,): saddle frame in the back frame before it.
    """

    name: str
    weight: float
    gap_mm: FloatArray
    pose: FloatArray
    origin_mm: FloatArray
    pad_mm: float

    @property
    def mean_mm(self) -> float:
        """Mean size of the gap."""
        return float(np.nanmean(np.abs(self.gap_mm)))

    @property
    def zones_mm(self) -> FloatArray:
        """(2, 3): mean gap, left and right, front, middle, rear."""
        thirds = np.array_split(self.gap_mm, 3, axis=1)
        return np.stack([np.nanmean(third, axis=(1, 2)) for third in thirds], axis=1)


@dataclass(frozen=True)
class PanelFit:
    """saddle: the fitted one with its arch, both sides alike: the mean where they differ. crest_mm (3,): half the
    spine's crest at front, middle, rear. channel_at_limit (3,). along, across: 0–1, of the gap's nodes. lift_mm: added
    to the panels' own z, the arch's top is z = 0.
    """

    saddle: Saddle
    shape: PanelShape
    panels: tuple[Panels, Panels]
    remaining: tuple[Remaining, ...]
    crest_mm: FloatArray
    channel_at_limit: tuple[bool, ...]
    along: FloatArray
    across: FloatArray
    uneven: bool
    lift_mm: float

    @property
    def arch(self) -> Arch:
        return self.saddle.arches[0]


@dataclass(frozen=True)
class _Nodes:
    along: FloatArray
    across: FloatArray
    s: FloatArray
    t: FloatArray
    area: FloatArray


def fit_panel(saddle: Saddle, ridden: Sequence[Ridden], uneven: bool, rules: PanelRules | None = None) -> PanelFit:
    """The panel numbers for these backs; length, widths and filling are the saddle's.

    Raises InputRefused where a back was not seen under the panels, or nothing says where the saddle sits.
    """
    rules = rules or panel_rules()
    nodes = _nodes(saddle, rules)
    origins = [_origin(one, saddle) for one in ridden]
    shape, poses = shape_of(saddle), np.zeros((len(ridden), 3))
    shape = replace(shape, proud_mm=0.0)
    crest = np.full(3, np.nan)
    for _ in range(ROUNDS):
        shape, poses = _solve(saddle, shape, ridden, origins, poses, nodes, uneven, rules)
        crest = _crest(panels_of(saddle, shape), ridden, origins, poses, rules)
        channel = np.clip(2 * (crest + rules.channel_clear_mm), *rules.channel_range_mm)
        moved = float(np.abs(channel - shape.channel_mm).max())
        shape = replace(shape, channel_mm=channel)
        if moved < SETTLED_MM:
            break
    shape, poses = _solve(saddle, shape, ridden, origins, poses, nodes, uneven, rules)
    return _told(saddle, shape, ridden, origins, poses, nodes, crest, uneven, rules)


def _nodes(saddle: Saddle, rules: PanelRules) -> _Nodes:
    """Inside the flare and the rounded edges."""
    end, edge = rules.end_mm / saddle.length_mm, rules.edge_mm / float(np.min(saddle.panel_width_mm))
    n_s = max(int(np.ceil(saddle.length_mm / SPACING_MM)), 6)
    n_t = max(int(np.ceil(float(np.max(saddle.panel_width_mm)) / SPACING_MM)), 5)
    along, across = np.linspace(end, 1 - end, n_s), np.linspace(edge, 1 - edge, n_t)
    s, t = (grid.ravel() for grid in np.meshgrid(along, across, indexing="ij"))
    area = Panels(saddle, None).width_mm(s)
    return _Nodes(along, across, s, t, area / area.mean())


def _origin(one: Ridden, saddle: Saddle) -> FloatArray:
    front, _, _ = front_edge(one.back, saddle)
    bare = replace(saddle, arches=(), reference_arch=None)
    touching = lowered(one.back, underside(bare, None, SPACING_MM), front)
    return np.asarray(touching + np.array([0.0, 0.0, one.pad_mm]))


def _solve(
    saddle: Saddle,
    shape: PanelShape,
    ridden: Sequence[Ridden],
    origins: Sequence[FloatArray],
    poses: FloatArray,
    nodes: _Nodes,
    uneven: bool,
    rules: PanelRules,
) -> tuple[PanelShape, FloatArray]:
    sides = 2 if uneven else 1
    weights = np.array([one.weight for one in ridden])
    level = np.array([one.weight if one.standing else 0.0 for one in ridden])

    def unpacked(values: FloatArray) -> tuple[PanelShape, FloatArray]:
        own = values[: 5 * sides].reshape(sides, 5)
        own = np.tile(own, (2, 1)) if sides == 1 else own
        proud = float(values[5 * sides + 1]) if uneven else 0.0
        made = PanelShape(own[:, :3], own[:, 3], own[:, 4], float(values[5 * sides]), shape.channel_mm, proud)
        return made, values[5 * sides + sides :].reshape(-1, 3) * np.array([1.0, 1e-2, 1e-2])

    def residuals(values: FloatArray) -> FloatArray:
        made, here = unpacked(values)
        panels = panels_of(saddle, made)
        parts = [
            np.sqrt(weights[i]) * _counted(_gaps(panels, one, origins[i], here[i], nodes), one, nodes, rules)
            for i, one in enumerate(ridden)
        ]
        # level on the mean of the standing backs; with both sides free, roll and one side's height say the same
        rows = [MEAN_PITCH_ROW * float(level @ here[:, 1]) / max(float(level.sum()), 1e-9)]
        rows += [MEAN_PITCH_ROW * float(here[:, 2].mean())] if uneven else []
        return np.concatenate([*parts, rows])

    own = np.column_stack([shape.angle_deg, shape.rocker_mm, shape.crown_mm])
    start = np.concatenate(
        [
            (own if uneven else own.mean(axis=0, keepdims=True)).ravel(),
            [shape.rise_mm],
            [shape.proud_mm] if uneven else [],
            (poses / np.array([1.0, 1e-2, 1e-2])).ravel(),
        ]
    )
    found = least_squares(residuals, start, method="trf", x_scale=1.0, max_nfev=60)
    return unpacked(found.x)


def _gaps(
    panels: tuple[Panels, Panels], one: Ridden, origin: FloatArray, pose: FloatArray, nodes: _Nodes
) -> FloatArray:
    """(2, n) gap over the pad at every node, NaN where not seen."""
    gaps = [
        one.back.gap(*_posed(panels[side], sign, nodes.s, nodes.t, origin, pose)) - one.pad_mm
        for side, sign in enumerate((1, -1))
    ]
    return np.stack(gaps)


def _posed(
    panels: Panels, sign: int, s: FloatArray, t: FloatArray, origin: FloatArray, pose: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Points and normals in the back frame; turned about the middle of the panels' length."""
    points = panels.points(s, t, sign)
    normals, _ = panels.frame(s, t, sign)
    return _placed(panels.saddle.length_mm, points, origin, pose), normals @ _turn(pose).T


def _placed(length_mm: float, points: FloatArray, origin: FloatArray, pose: FloatArray) -> FloatArray:
    """Panels' own frame → back frame, turned about the middle of the panels' length at the frame's z = 0."""
    about = np.array([-length_mm / 2, 0.0, 0.0])
    return np.asarray((points - about) @ _turn(pose).T + about + origin - np.array([0.0, 0.0, float(pose[0])]))


def to_panels(fit: PanelFit, rest: Remaining, points: FloatArray) -> FloatArray:
    """(n, 3) of the back frame → the panels' own frame, as they lie on that back."""
    return _unplaced(fit.saddle.length_mm, points, rest.origin_mm, rest.pose)


def _unplaced(length_mm: float, points: FloatArray, origin: FloatArray, pose: FloatArray) -> FloatArray:
    about = np.array([-length_mm / 2, 0.0, 0.0])
    return np.asarray((points - origin + np.array([0.0, 0.0, float(pose[0])]) - about) @ _turn(pose) + about)


def _turn(pose: FloatArray) -> FloatArray:
    """Front high, then left side high."""
    pitch, roll = float(pose[1]), float(pose[2])
    cp, sp, cr, sr = np.cos(pitch), np.sin(pitch), np.cos(roll), np.sin(roll)
    about_y = np.array([[cp, 0.0, -sp], [0.0, 1.0, 0.0], [sp, 0.0, cp]])
    about_x = np.array([[1.0, 0.0, 0.0], [0.0, cr, -sr], [0.0, sr, cr]])
    return np.asarray(about_y @ about_x)


def _counted(gap: FloatArray, one: Ridden, nodes: _Nodes, rules: PanelRules) -> FloatArray:
    off = gap - one.room_mm * (1 - (2 * nodes.s - 1) ** 2)
    dear = np.where(off < 0, np.sqrt(rules.pressing_over_daylight), 1.0)
    return np.asarray(np.nan_to_num(dear * off * np.sqrt(nodes.area)).ravel())


def _crest(
    panels: tuple[Panels, Panels],
    ridden: Sequence[Ridden],
    origins: Sequence[FloatArray],
    poses: FloatArray,
    rules: PanelRules,
) -> FloatArray:
    """(3,) half-width of the crest at front, middle, rear, the widest of all backs and sides."""
    rows = np.stack(
        [
            _crest_row(panels[side], sign, one, origins[i], poses[i], rules)
            for i, one in enumerate(ridden)
            if one.standing
            for side, sign in enumerate((1, -1))
        ]
    )
    widest = np.nanmax(np.vstack([rows, np.zeros(rows.shape[1])]), axis=0)
    knots = np.array([0.0, 0.5, 1.0])
    found = least_squares(
        lambda three: PchipInterpolator(knots, three)(CREST_STATIONS) - widest,
        np.interp(knots, CREST_STATIONS, widest),
        loss="soft_l1",
    )
    return np.asarray(found.x)


def _crest_row(
    panels: Panels, sign: int, one: Ridden, origin: FloatArray, pose: FloatArray, rules: PanelRules
) -> FloatArray:
    """(stations,) where, from the panel's middle inward, the back first lies `leave_mm` under the panel's surface."""
    across = np.arange(0.5, -1.2, -0.01)
    s, t = (grid.ravel() for grid in np.meshgrid(CREST_STATIONS, across, indexing="ij"))
    points, normals = carried_on(panels, s, t, sign)
    under_pad = _placed(panels.saddle.length_mm, points, origin, pose) + one.pad_mm * normals @ _turn(pose).T
    down = np.tile([0.0, 0.0, -1.0], (len(under_pad), 1))
    gap = one.back.gap(under_pad, down).reshape(len(CREST_STATIONS), -1)
    lateral = (sign * points[:, 1]).reshape(gap.shape)
    out = np.full(len(CREST_STATIONS), np.nan)
    lies = (across > 0.15) & (across <= 0.5)  # one panel for several backs lies off each: that is no crest
    gap = gap - np.nanmedian(gap[:, lies], axis=1, keepdims=True)
    for i, (fall, y) in enumerate(zip(gap, lateral, strict=True)):
        beyond = np.flatnonzero((fall > rules.leave_mm) & (y > 0))
        if beyond.size and beyond[0] > 0:
            k = beyond[0]
            share = (rules.leave_mm - fall[k - 1]) / (fall[k] - fall[k - 1])
            out[i] = y[k - 1] + share * (y[k] - y[k - 1])
        else:
            out[i] = 0.0
    return out


def carried_on(panels: Panels, s: FloatArray, t: FloatArray, sign: int) -> tuple[FloatArray, FloatArray]:
    """Points (n, 3) and normals of the crowned surface without rounded edges and flare, t beyond 0–1 too."""
    angle, width = panels.angle_rad(s, sign), panels.width_mm(s)
    y, z = panels._centre(s, sign)
    crown, across = panels.saddle.panel_curve_mm, (t - 0.5) * width
    proud = crown * (1 - (2 * t - 1) ** 2) + 0.5 * sign * panels.saddle.side_difference_mm
    tip = np.arctan(-4 * crown * (2 * t - 1) / width)  # of the crown against the panel's own angle
    y, z = y + across * np.cos(angle) - proud * np.sin(angle), z - across * np.sin(angle) - proud * np.cos(angle)
    lean = angle - tip
    points = np.stack([-panels.saddle.length_mm * s, sign * y, z], axis=-1)
    normals = np.stack([np.zeros_like(lean), -sign * np.sin(lean), -np.cos(lean)], axis=-1)
    return points, normals


def _told(
    saddle: Saddle,
    shape: PanelShape,
    ridden: Sequence[Ridden],
    origins: Sequence[FloatArray],
    poses: FloatArray,
    nodes: _Nodes,
    crest: FloatArray,
    uneven: bool,
    rules: PanelRules,
) -> PanelFit:
    panels = panels_of(saddle, shape)
    grid = (2, len(nodes.along), len(nodes.across))
    remaining = tuple(
        Remaining(
            one.name,
            one.weight,
            _gaps(panels, one, origins[i], poses[i], nodes).reshape(grid),
            poses[i],
            origins[i],
            one.pad_mm,
        )
        for i, one in enumerate(ridden)
    )
    for one in remaining:
        unseen = float(np.isnan(one.gap_mm).mean())
        if unseen > UNSEEN_ALLOWED:
            raise InputRefused(
                f"{one.name}: {100 * unseen:.0f} % of the panels lie over what the scan did not see, so no panel can "
                "be built on it: scan it too, or check the panel length and where the saddle was placed"
            )
    low, high = rules.channel_range_mm
    limited = tuple(bool(value <= low or value >= high) for value in shape.channel_mm)
    withers = [_withers_z(one, saddle, origins[i], poses[i]) for i, one in enumerate(ridden) if one.standing]
    top = max(withers) + rules.arch_clear_mm
    fitted = _with_arch(saddle, shape, panels, top)
    return PanelFit(fitted, shape, panels, remaining, crest, limited, nodes.along, nodes.across, uneven, -top)


def _with_arch(saddle: Saddle, shape: PanelShape, panels: tuple[Panels, Panels], top_mm: float) -> Saddle:
    """The arch parallel to the panel over the length where its legs bear, its top (in the panels' own z) clear of the
    highest withers; its width is read 100 mm below that top, outside the filling's depth.
    """
    angles = 0.5 * (panels[0].saddle.angle_deg + panels[1].saddle.angle_deg)
    mean = replace(
        panels[0].saddle,
        angle_deg=angles,
        rocker_mm=float(shape.rocker_mm.mean()),
        panel_curve_mm=float(shape.crown_mm.mean()),
    )
    both = Panels(mean, None)
    under = np.linspace(0.0, 1.0, 21) * min(saddle.arch_length_mm / saddle.length_mm, 1.0)
    leg = float(np.degrees(both.angle_rad(under, 1)).mean())
    y, z = (float(value) for value in both._centre(np.array(0.0), 1))
    front, depth = np.radians(angles[0]), saddle.filling.depth_mm if saddle.filling else 0.0
    reach = (z - top_mm + LEG_DEPTH_MM + depth * np.cos(front)) / np.sin(front)
    width = 2 * (y + reach * np.cos(front) + depth * np.sin(front))
    arch = Arch("fitted", 180.0 - 2 * leg, float(width))
    return replace(mean, arches=(arch,), reference_arch="fitted")


def _withers_z(one: Ridden, saddle: Saddle, origin: FloatArray, pose: FloatArray) -> float:
    """The highest of the midline under the arch, in the panels' own frame."""
    x = origin[0] - np.linspace(0.0, 1.0, 21) * saddle.arch_length_mm
    y, z = one.back.midline.at(x)
    if not np.isfinite(z).any():
        raise InputRefused(
            f"{one.name}: the withers were not seen where the arch lies, so its height over them is not known: "
            "scan from the base of the neck on"
        )
    return float(np.nanmax(_unplaced(saddle.length_mm, np.column_stack([x, y, z]), origin, pose)[:, 2]))
