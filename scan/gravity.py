"""Which way is up: told, declared, from the ground, or from the shape of the back (DESIGN §3)."""

from dataclasses import dataclass

import numpy as np

from shimwright.scan.clean import Cloud
from shimwright.scan.mirror_plane import MirrorPlane, mirror_plane
from shimwright.scan.planes import Plane
from shimwright.scan.raw import FloatArray
from shimwright.scan.refusal import InputRefused
from shimwright.scan.trunk import LEAST_SQUARE, girth_radius, long_way

OPEN_SIDE = 0.3  # mean outward normal of a seen arc; a closed barrel has 0, a half one 0.64 [J]
UPSIDE_DOWN_DEG = 75.0
DECLARED_OFF_SHAPE_DEG = 35.0
DECLARED_OFF_GROUND_DEG = 12.0
GROUND_OFF_SHAPE_DEG = 35.0
GROUND_OFF_BACK_COS = 0.45
DECLARED_SD_DEG = 1.0  # a phone's own gravity [J]
GROUND_SD_DEG = 1.5  # stable floors fall to a drain [J]
ROLL_SD_DEG = 2.0  # mirror plane (DESIGN §3)
PITCH_SD_DEG = 3.0  # a back's own fall between withers and croup [J]
LEAST_OVERLAP = 0.55
LEAST_FLANK = 0.6
LEAST_ARC_DEG = 130.0  # of the seen normals, round the trunk: one flank with the spine has 100–127 [D]
FULL_ARC_DEG = 150.0
UNLIKE = (0.02, 0.10)  # rms of the mirrored distance over the radius, with less than the full arc, and at all [J]
STARTS_DEG = (-16.0, 0.0, 16.0)


@dataclass(frozen=True)
class Upright:
    """up: (3,) unit. source: told | declared | ground | shape. mirror: the mirror plane of an up from the shape."""

    up: FloatArray
    source: str
    pitch_sd_deg: float
    roll_sd_deg: float
    mirror: MirrorPlane | None = None
    messages: tuple[str, ...] = ()


def find_up(cloud: Cloud, told: FloatArray | None, declared: FloatArray | None) -> Upright:
    """Up of a cleaned scan. Refuses what would lie upside down, and what shows no up, naming `--up`."""
    along, square = long_way(cloud.cell_normals)
    open_side = _open_side(cloud.cell_normals, along) if square < LEAST_SQUARE else None
    if told is not None:
        up = _unit(told)
        _refuse_upside_down(cloud, up, open_side)
        return Upright(up, "told", 0.0, 0.0)
    ground = _ground(cloud, open_side, declared)
    messages: tuple[str, ...] = ()
    if declared is not None:
        up = _unit(declared)
        against = _against(up, ground, open_side, cloud)
        if against is None:
            return Upright(up, "declared", DECLARED_SD_DEG, DECLARED_SD_DEG)
        messages = (f"the up direction that the file declares is dropped: {against}; say --up to keep it",)
    if ground is not None:
        sd = float(np.hypot(GROUND_SD_DEG, ground.sd_deg))
        return Upright(ground.normal, "ground", sd, sd, None, messages)
    return _from_shape(cloud, along, square, open_side, messages)


def _unit(v: FloatArray) -> FloatArray:
    return np.asarray(v / np.linalg.norm(v))


def _angle_deg(a: FloatArray, b: FloatArray) -> float:
    return float(np.degrees(np.arccos(np.clip(a @ b / (np.linalg.norm(a) * np.linalg.norm(b)), -1, 1))))


def _open_side(normals: FloatArray, along: FloatArray) -> FloatArray | None:
    """(3,) unit: the middle of the seen arc, square to the long direction; None for a closed barrel."""
    flat = normals - (normals @ along)[:, None] * along
    mean = flat.mean(axis=0)
    return _unit(mean) if np.linalg.norm(mean) > OPEN_SIDE else None


def _refuse_upside_down(cloud: Cloud, up: FloatArray, open_side: FloatArray | None) -> None:
    if open_side is not None and _angle_deg(up, open_side) > UPSIDE_DOWN_DEG:
        off = _angle_deg(up, open_side)
        how = "hollow side up" if off > 105 else "on its side"
        raise InputRefused(
            f"with the told up the back lies {how} ({off:.0f}° between up and its outer side): correct --up"
        )
    below = [p for p in cloud.planes if _angle_deg(p.normal, up) > 150 and _touched(cloud, p)]
    if open_side is None and (below or _top_heavy(cloud.cells, up) < 0.45):
        raise InputRefused(
            f"with the told up the horse would stand on its back ({100 * _top_heavy(cloud.cells, up):.0f} % of its "
            "surface in the upper half): correct --up"
        )


def _top_heavy(cells: FloatArray, up: FloatArray) -> float:
    """Share of the surface in the upper half of the height: a standing horse's trunk is above its legs."""
    height = cells @ up
    return float(np.mean(height > 0.5 * (height.min() + height.max())))


def _touched(cloud: Cloud, plane: Plane) -> bool:
    return bool(np.percentile(plane.height(cloud.cells), 0.5) < 6 * cloud.cell)


def _ground(cloud: Cloud, open_side: FloatArray | None, declared: FloatArray | None) -> Plane | None:
    """The plane the horse stands on, or that lies below an open back. Refuses two alike."""
    along = long_way(cloud.cell_normals)[0]
    below = [p for p in cloud.planes if np.mean(p.height(cloud.cells) > -2 * cloud.cell) > 0.98]
    if open_side is not None:
        below = [
            p
            for p in below
            if _angle_deg(p.normal, open_side) < GROUND_OFF_SHAPE_DEG and abs(p.normal @ along) < GROUND_OFF_BACK_COS
        ]
    else:
        below = [p for p in below if _touched(cloud, p) and _top_heavy(cloud.cells, p.normal) > 0.5]
        if declared is not None and len(below) > 1:
            below = [p for p in below if _angle_deg(p.normal, declared) < DECLARED_OFF_GROUND_DEG]
    if len(below) > 1 and max(_angle_deg(p.normal, below[0].normal) for p in below) > 5.0:
        raise InputRefused(f"{len(below)} flat surfaces could each be the ground: say --up")
    return max(below, key=lambda p: p.share) if below else None


def _against(up: FloatArray, ground: Plane | None, open_side: FloatArray | None, cloud: Cloud) -> str | None:
    """What speaks against a declared up, or None."""
    if ground is not None and _angle_deg(up, ground.normal) > DECLARED_OFF_GROUND_DEG:
        return f"the ground lies {_angle_deg(up, ground.normal):.0f}° off it"
    if open_side is not None and _angle_deg(up, open_side) > DECLARED_OFF_SHAPE_DEG:
        return f"the outer side of the back lies {_angle_deg(up, open_side):.0f}° off it"
    if open_side is None and ground is None and _top_heavy(cloud.cells, up) < 0.45:
        return "the horse would stand on its back"
    return None


def _from_shape(
    cloud: Cloud, along: FloatArray, square: float, open_side: FloatArray | None, messages: tuple[str, ...]
) -> Upright:
    """Roll from the mirror plane, pitch from the direction that the normals are square to."""
    if square > LEAST_SQUARE:
        raise InputRefused(
            f"no back found: the surface bends along as much as across ({square:.2f} : 1, a back under "
            f"{LEAST_SQUARE}): scan the bare back from neck to croup; for a whole horse say --up"
        )
    if open_side is None:
        raise InputRefused(
            "which side is the back? The body is seen all round and no ground below it: say --up, "
            "an axis such as +z or a vector x,y,z"
        )
    radius = girth_radius(cloud.cells, cloud.cell_normals, along)
    side = np.cross(open_side, along)
    starts = [np.cos(a) * side + np.sin(a) * open_side for a in np.radians(STARTS_DEG)]
    mirror = mirror_plane(cloud.cells, cloud.cell_normals, cloud.cell, starts, cloud.cells.mean(axis=0))
    along = _unit(along - (along @ mirror.normal) * mirror.normal)
    up = np.cross(along, mirror.normal)
    up = up if up @ open_side > 0 else -up
    flank, arc = _flank_share(cloud.cells, mirror, up, radius), _arc_deg(cloud.cell_normals, along, open_side)
    unlike = mirror.rms / radius > UNLIKE[0 if arc < FULL_ARC_DEG else 1]
    matched = mirror.overlap >= LEAST_OVERLAP and flank >= LEAST_FLANK and not unlike
    if not matched or arc < LEAST_ARC_DEG or _angle_deg(up, open_side) > 40:
        raise InputRefused(
            f"which way is up? {arc:.0f}° round the trunk were seen, the sides match to {abs(mirror.rms / radius):.1%} "
            f"of its radius, the lesser flank {100 * flank:.0f} % as deep as the other: say --up, or scan both flanks"
        )
    return Upright(up, "shape", PITCH_SD_DEG, ROLL_SD_DEG, mirror, messages)


def _arc_deg(normals: FloatArray, along: FloatArray, open_side: FloatArray) -> float:
    """How far round the trunk the seen surface faces."""
    angle = np.arctan2(normals @ np.cross(open_side, along), normals @ open_side)
    return float(np.degrees(np.ptp(np.percentile(angle, [3, 97]))))


def _flank_share(cells: FloatArray, mirror: MirrorPlane, up: FloatArray, radius: float) -> float:
    """How deep the lesser flank was seen, against the other: angle about the trunk's middle."""
    out, height = cells @ mirror.normal - mirror.offset, cells @ up
    angle = np.arctan2(out, height - np.percentile(height, 99) + radius)
    left, right = angle[angle > 0], -angle[angle < 0]
    if min(left.size, right.size) < 20:
        return 0.0
    deep = [float(np.percentile(side, 95)) for side in (left, right)]
    return min(deep) / max(deep)
