"""Two scans of one horse laid over one another on what does not change: the spine and its length, not the muscle.

The difference of the two surfaces is read as a Gaussian field of three parts: the scanners' errors (each surface's own
sd, drift going together), muscle and fat that may have changed (nothing on the spine, much beside it, its size taken
from the scans themselves), and the wrong pose. The pose is found by least squares weighed by that, with priors from
each scan's own frame, and again with outlying places trusted less (Huber 1964). So a muscle that grew hardly pulls the
pose along, and what it might still have done stands in the covariance.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from shimwright.scan.back import Back, Midline
from shimwright.scan.raw import FloatArray
from shimwright.scan.refusal import InputRefused
from shimwright.scan.surface import Surface
from shimwright.scan.trunk_cells import filled

CENTRE_MM = np.array([-350.0, 0.0, -100.0])  # of turns and size: amid the saddle's place
STEP_MM, STEP_DEG, HALF_DEG = 25.0, 5.0, 80.0  # of the nodes that are laid over
FRONT_MM, REAR_MM, BEHIND_CROUP_MM = 60.0, -650.0, 40.0
BESIDE_SPINE_MM = 70.0  # from here on the muscle may change as it likes [J]
AT_SPINE_SHARE = 0.12  # of the muscle's change that skin and fat over the spine may show [J]
MUSCLE_REACH_MM = 110.0  # over which a change of muscle goes together [J]
MUSCLE_BEGIN_MM, MUSCLE_LEAST_MM = 5.0, 0.3
SCATTER_REACH_MM = 20.0  # as in measures.py
DRIFT_REACHES = (0.5, 1.0, 2.0, 4.0)  # times the surface's own reach [J]
DRIFT_DOUBT = 1.3  # a scan tells its drift to about a third: simulated phone scans, other seeds than the tests' [J]
STANCE_DEG = 0.5  # the horse stands a little otherwise, beyond what either frame says [J]
SCALE_SD = {"scale pair": 0.0045}  # of a measured pair (DESIGN §9)
SCALE_SD_OTHER = 0.006  # of a scanner's own size, sd of ±1 % [J]
LEAST_PRIOR_MM = (4.0, 3.0, 4.0)
HUBER = 2.0
ROUNDS, LOOKS = 6, 3
LEAST_NODES = 150
LEAST_VARIANCE_SHARE = 0.1  # of a place's own error variance: the pose cannot take all of it away
LEAST_SEEN = 0.5


@dataclass(frozen=True)
class Registration:
    """moving → fixed: fixed = centre + scale · rotation (moving − centre) + shift. covariance (7, 7): shift x y z in
    mm, turn about x y z in radians, scale. muscle_mm: sd of the change beside the spine that was left out of it. laid:
    the places (n) it rests on, with the moving surface's sd there (n,), and gain (7, n): how the pose follows them.
    """

    rotation: FloatArray
    shift_mm: FloatArray
    scale: float
    covariance: FloatArray
    muscle_mm: float
    laid: "Nodes"
    laid_sd: FloatArray
    gain: FloatArray

    @property
    def sd(self) -> FloatArray:
        return np.asarray(np.sqrt(np.diag(self.covariance)))

    def to_fixed(self, points: FloatArray) -> FloatArray:
        """(…, 3) of the moving back's frame → the fixed one's."""
        return np.asarray(CENTRE_MM + self.scale * (points - CENTRE_MM) @ self.rotation.T + self.shift_mm)

    def to_moving(self, points: FloatArray) -> FloatArray:
        return np.asarray(CENTRE_MM + (points - CENTRE_MM - self.shift_mm) @ self.rotation / self.scale)

    def turned_back(self, directions: FloatArray) -> FloatArray:
        """(…, 3) directions of the fixed frame, in the moving one."""
        return directions @ self.rotation

    @property
    def turn_deg(self) -> FloatArray:
        """(3,): about x (left up negative), y, z."""
        return np.asarray(np.degrees(Rotation.from_matrix(self.rotation).as_rotvec()))


@dataclass(frozen=True)
class Nodes:
    """Places seen on the fixed back: points, normals (n, 3), sd along the normal (n,), arc from the spine (n,)."""

    points: FloatArray
    normals: FloatArray
    sd: FloatArray
    arc: FloatArray


def register(fixed: Back, moving: Back) -> Registration:
    """The moving back laid over the fixed one. Raises InputRefused where too little of both was seen in one place."""
    nodes = nodes_of(fixed, *_grid(fixed, moving))
    if len(nodes.points) < LEAST_NODES:
        raise InputRefused(_too_little(fixed, moving, len(nodes.points)))
    prior = priors(fixed, moving)
    found = _begun(fixed, moving, prior)
    muscle = MUSCLE_BEGIN_MM
    for _ in range(LOOKS):
        found, muscle = _laid(fixed, moving, nodes, found, prior, muscle)
    return found


def priors(fixed: Back, moving: Back) -> FloatArray:
    """(7,) sd of the pose before anything is laid over: what each frame says of itself."""
    marks = [back.landmark("withers") for back in (fixed, moving)]
    along = float(np.linalg.norm([mark.sd_mm if mark is not None else 30.0 for mark in marks]))
    aside = float(np.linalg.norm([np.nanmedian(back.midline.sd_y_mm) for back in (fixed, moving)]))
    shift = np.maximum(np.nan_to_num([along, aside, 0.2 * along], nan=10.0), LEAST_PRIOR_MM)
    turn = [
        np.linalg.norm([getattr(fixed.frame, name), getattr(moving.frame, name), STANCE_DEG])
        for name in ("roll_sd_deg", "pitch_sd_deg", "heading_sd_deg")
    ]
    size = np.linalg.norm([SCALE_SD.get(back.frame.unit_source, SCALE_SD_OTHER) for back in (fixed, moving)])
    return np.concatenate([shift, np.radians(turn), [size]])


def nodes_of(back: Back, x: FloatArray, phi: FloatArray) -> Nodes:
    """Those of the grid x (n,) × phi (m,) that were seen."""
    at_x, at_phi = (array.ravel() for array in np.meshgrid(x, phi, indexing="ij"))
    points, normals = back.point(at_x, at_phi), back.normal(at_x, at_phi)
    sd = back.surface.sd(points)
    keep = np.isfinite(points).all(axis=1) & np.isfinite(normals).all(axis=1) & np.isfinite(sd)
    return Nodes(points[keep], normals[keep], sd[keep], arcs(back, points[keep]))


def arcs(back: Back, points: FloatArray) -> FloatArray:
    """(n,) distance from the spine across the back, straight: arc enough for telling spine from muscle."""
    y, z = back.midline.at(points[:, 0])
    inside = np.clip(points[:, 0], back.midline.x_mm[0], back.midline.x_mm[-1])
    near_y, near_z = back.midline.at(inside)
    y, z = np.where(np.isfinite(y), y, near_y), np.where(np.isfinite(z), z, near_z)
    return np.asarray(np.hypot(points[:, 1] - y, points[:, 2] - z))


def difference(moving: Back, nodes: Nodes, pose: Registration) -> tuple[FloatArray, FloatArray]:
    """(signed distance from the fixed back to the moving one along the fixed normal, sd of the moving surface there);
    (n,) each, + = more horse, NaN where the moving scan did not see it.
    """
    start, way = pose.to_moving(nodes.points), pose.turned_back(nodes.normals)
    gap = moving.gap(start, way)
    sd = moving.surface.sd(start + np.nan_to_num(gap)[:, None] * way)
    return pose.scale * gap, sd


def moves(nodes: Nodes, gap: FloatArray, pose: Registration) -> FloatArray:
    """(n, 7): how the difference grows with shift, turn and size of the moving back."""
    foot = nodes.points + np.nan_to_num(gap)[:, None] * nodes.normals - CENTRE_MM - pose.shift_mm
    turn = np.cross(foot, nodes.normals)
    return np.column_stack([nodes.normals, turn, np.sum(foot * nodes.normals, axis=1)])


def noise_covariance(
    fixed: Back, moving: Back, nodes: Nodes, sd_moving: FloatArray, others: tuple[Nodes, FloatArray] | None = None
) -> FloatArray:
    """(n, m) of the two scanners' errors between the nodes and others (with the moving surface's sd), or (n, n)."""
    rows, columns = (nodes, sd_moving), others or (nodes, sd_moving)
    d2 = squared_distances(rows[0].points, columns[0].points)
    total = np.zeros_like(d2)
    for back, sd_row, sd_column in (
        (fixed, rows[0].sd, columns[0].sd),
        (moving, rows[1], columns[1]),
    ):
        drift = [np.minimum(sd, back.surface.drift_mm) for sd in (sd_row, sd_column)]
        scatter = [np.sqrt(np.maximum(sd**2 - d**2, 0.0)) for sd, d in zip((sd_row, sd_column), drift, strict=True)]
        total += DRIFT_DOUBT**2 * np.outer(*drift) * together(d2, back.surface.correlation_mm)
        total += np.outer(*scatter) * np.exp(-0.5 * d2 / SCATTER_REACH_MM**2)
    return total


def error_covariance(
    fixed: Back, moving: Back, nodes: Nodes, found: tuple[FloatArray, FloatArray], pose: Registration
) -> FloatArray:
    """(n, n) of the error of the difference (gap, sd as `difference` gives them) at the nodes.

    The scanners' errors, the pose's, and what the two have in common: the pose has followed the same errors already.
    """
    gap, sd = found
    way = moves(nodes, gap, pose)
    shared = noise_covariance(fixed, moving, nodes, sd, (pose.laid, pose.laid_sd)) @ pose.gain.T @ way.T
    return noise_covariance(fixed, moving, nodes, sd) + way @ pose.covariance @ way.T + shared + shared.T


def error_sd(
    fixed: Back, moving: Back, nodes: Nodes, found: tuple[FloatArray, FloatArray], pose: Registration
) -> FloatArray:
    """(n,): the square root of its diagonal, for many nodes."""
    gap, sd = found
    way = moves(nodes, gap, pose)
    follows = noise_covariance(fixed, moving, nodes, sd, (pose.laid, pose.laid_sd)) @ pose.gain.T
    own = sum(
        spread**2 + (DRIFT_DOUBT**2 - 1.0) * np.minimum(spread, back.surface.drift_mm) ** 2
        for back, spread in ((fixed, nodes.sd), (moving, sd))
    )
    total = own + np.einsum("ij,jk,ik->i", way, pose.covariance, way) + 2.0 * np.sum(follows * way, axis=1)
    return np.asarray(np.sqrt(np.maximum(total, LEAST_VARIANCE_SHARE * own)))


def together(squared_mm2: FloatArray, reach_mm: float) -> FloatArray:
    """Correlation of drift: waves of a hand's and of an arm's length alike, half to four times the reach."""
    parts = [np.exp(-0.5 * squared_mm2 / (times * reach_mm) ** 2) for times in DRIFT_REACHES]
    return np.asarray(sum(parts) / len(parts))


def squared_distances(points: FloatArray, others: FloatArray) -> FloatArray:
    """(n, m)."""
    square = (points**2).sum(axis=1)[:, None] + (others**2).sum(axis=1)[None, :]
    return np.asarray(np.maximum(square - 2.0 * points @ others.T, 0.0))


def carried(moving: Back, fixed: Back, pose: Registration) -> tuple[Surface, Midline]:
    """Surface and midline of the moving back in the fixed one's frame, on the fixed one's grid."""
    grid = fixed.surface
    out = np.stack([np.zeros_like(grid.phi), np.sin(grid.phi), np.cos(grid.phi)], axis=-1)
    axis = np.column_stack([grid.x_mm, grid.axis_y_mm, grid.axis_z_mm])
    radius = filled(grid.radius_mm)
    points = (axis[:, None] + radius[..., None] * out[None]).reshape(-1, 3)
    start, way = pose.to_moving(points), pose.turned_back(np.tile(out, (grid.x_mm.size, 1)))
    gap = moving.gap(start, way)
    sd = moving.surface.sd(start + np.nan_to_num(gap)[:, None] * way) * pose.scale
    found = radius + (pose.scale * gap).reshape(radius.shape)
    sd = np.where(np.isfinite(found), sd.reshape(radius.shape), np.nan)
    found = np.where(np.isfinite(sd), found, np.nan)
    surface = Surface(
        grid.x_mm, grid.phi, grid.axis_y_mm, grid.axis_z_mm, found, sd, moving.surface.correlation_mm,
        moving.surface.drift_mm,
    )  # fmt: skip
    line = moving.midline
    x, y, z = pose.to_fixed(np.column_stack([line.x_mm, line.y_mm, line.z_mm])).T
    known = np.isfinite(z)
    return surface, Midline(x[known], y[known], z[known], line.sd_y_mm[known], line.sd_z_mm[known])


def _grid(fixed: Back, moving: Back) -> tuple[FloatArray, FloatArray]:
    croups = [back.landmark("croup") for back in (fixed, moving)]
    seen = [float(mark.position_mm[0]) for mark in croups if mark is not None and np.isfinite(mark.position_mm[0])]
    rear = max(seen) - BEHIND_CROUP_MM if seen else REAR_MM
    half = np.radians(np.arange(-HALF_DEG, HALF_DEG + 1e-9, STEP_DEG))
    return np.arange(FRONT_MM, max(rear, -1000.0), -STEP_MM)[::-1], half


def _begun(fixed: Back, moving: Back, prior: FloatArray) -> Registration:
    """Frame over frame, moved along to where the profiles of the spine agree best."""
    x = np.arange(-600.0, 1.0, 10.0)
    here = fixed.midline.at(x)[1]
    shifts = np.arange(-80.0, 81.0, 5.0)
    cost = []
    for shift in shifts:
        e = here - moving.midline.at(x - shift)[1]
        e = e[np.isfinite(e)]
        spread = float(np.median(np.abs(e - np.median(e)))) if e.size > 20 else np.inf
        cost.append((spread / 2.0) ** 2 + (shift / max(prior[0], 5.0)) ** 2)
    best = float(shifts[int(np.argmin(cost))]) if np.isfinite(cost).any() else 0.0
    none = Nodes(np.zeros((0, 3)), np.zeros((0, 3)), np.zeros(0), np.zeros(0))
    start = np.array([best, 0.0, 0.0])
    return Registration(np.eye(3), start, 1.0, np.diag(prior**2), MUSCLE_BEGIN_MM, none, np.zeros(0), np.zeros((7, 0)))


def _laid(
    fixed: Back, moving: Back, nodes: Nodes, pose: Registration, prior: FloatArray, muscle: float
) -> tuple[Registration, float]:
    """The most probable pose for one size of the muscle's change, and that size as the rest then shows it."""
    trust: FloatArray | None = None
    for _ in range(ROUNDS):
        gap, sd = difference(moving, nodes, pose)
        seen = np.isfinite(gap) & np.isfinite(sd)
        if seen.sum() < max(LEAST_NODES, LEAST_SEEN * len(nodes.points)):
            raise InputRefused(_too_little(fixed, moving, int(seen.sum())))
        here, gap, sd = _of(nodes, seen), gap[seen], sd[seen]
        noise = noise_covariance(fixed, moving, here, sd)
        whole = noise + muscle_covariance(here, muscle)
        usual = np.sqrt(np.diag(whole))
        doubt = np.maximum(np.abs(gap) / (HUBER * usual) - 1.0, 0.0) if trust is not None else np.zeros(gap.size)
        whole[np.diag_indices_from(whole)] += (doubt * usual) ** 2 + 1e-3
        step, covariance, gain = _step(moves(here, gap, pose), gap, whole, _off(pose), prior)
        turned = Rotation.from_rotvec(step[3:6]).as_matrix() @ pose.rotation
        shift, scale = pose.shift_mm + step[:3], pose.scale * (1.0 + step[6])
        pose = Registration(turned, shift, scale, covariance, muscle, here, sd, gain)
        trust = usual
        if np.abs(step[:3]).max() < 0.01 and np.abs(step[3:6]).max() < 2e-5:
            break
    rest = gap + moves(here, gap, pose) @ step
    beside = here.arc > BESIDE_SPINE_MM
    excess = float(np.mean(rest[beside] ** 2) - np.median(np.diag(noise)[beside]))  # not robust: a hollow that filled
    return pose, float(np.sqrt(max(excess, MUSCLE_LEAST_MM**2)))


def muscle_covariance(nodes: Nodes, muscle_mm: float) -> FloatArray:
    """(n, n) of what may have grown or wasted: nothing but skin on the spine, all beside it."""
    share = np.clip((nodes.arc / BESIDE_SPINE_MM) ** 2, AT_SPINE_SHARE, 1.0)
    d2 = squared_distances(nodes.points, nodes.points)
    return np.asarray(muscle_mm**2 * np.outer(share, share) * np.exp(-0.5 * d2 / MUSCLE_REACH_MM**2))


def _step(
    way: FloatArray, gap: FloatArray, whole: FloatArray, off: FloatArray, prior: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """(step (7,), covariance (7, 7), gain (7, n)). off: how far the pose is from its prior.

    Each place counts by its own sd, shared out among those whose errors go together; the covariance is that of this
    estimate under the whole field (a sandwich), so it holds although the field's finest waves are only guessed.
    """
    usual = np.sqrt(np.diag(whole))
    alike = (whole / np.outer(usual, usual)).clip(0.0).sum(axis=1)
    weight = 1.0 / (usual**2 * alike)
    inverse = np.diag(prior**-2.0)
    weighed = way * weight[:, None]
    bread = np.linalg.inv(way.T @ weighed + inverse)
    covariance = bread @ (weighed.T @ whole @ weighed + inverse) @ bread
    return -bread @ (weighed.T @ gap + inverse @ off), covariance, -bread @ weighed.T


def _off(pose: Registration) -> FloatArray:
    turn = Rotation.from_matrix(pose.rotation).as_rotvec()
    return np.concatenate([pose.shift_mm, turn, [pose.scale - 1.0]])


def _of(nodes: Nodes, keep: NDArray[np.bool_]) -> Nodes:
    return Nodes(nodes.points[keep], nodes.normals[keep], nodes.sd[keep], nodes.arc[keep])


def _too_little(fixed: Back, moving: Back, count: int) -> str:
    return (
        f"{moving.source.file} and {fixed.source.file} show only {count} common places of the back, too few to lay one "
        "over the other; scan both flanks from the withers to the croup, or compare other visits"
    )
