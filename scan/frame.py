"""The back frame of a cleaned scan: unit, up, forward, left, and the landmarks found on the way (DESIGN §3)."""

from dataclasses import dataclass, replace

import numpy as np

from shimwright.scan.back import Frame, Landmark
from shimwright.scan.clean import Cloud
from shimwright.scan.gravity import Upright, find_up
from shimwright.scan.head import contradiction, marked_end, shaped_end, told_end
from shimwright.scan.marks import MarksSeen, PairFound, resolve_marks, scale_pair, seen_marks
from shimwright.scan.raw import FloatArray, Paint, RawScan
from shimwright.scan.refusal import InputRefused
from shimwright.scan.ridge import Ridge, ridge
from shimwright.scan.told import Told
from shimwright.scan.topline import WITHERS_TO_CROUP_MM, ToplineFound, croup_alone, topline_landmarks
from shimwright.scan.trunk import Trunk, find_trunk, girth_radius
from shimwright.scan.unit import UnitProposal, by_shape, likely, refuse_unit, unit_proposals

SIDE_SD_MM = 5.0  # of the rough spine line [J]
GUESS_BEHIND_FRONT_MM = 250.0
GUESS_SD_MM = 150.0
NECK_MARGIN_MM = 100.0
UNMIRROR = np.array([-1.0, 1.0, 1.0])


@dataclass(frozen=True)
class FrameFound:
    """The frame and what it was found with.

    topline, ridge: rough, in the frame, mm. trunk_x_mm: (rear, front) of the trunk; where a neck rises, front is
    100 mm short of it, so that a surface may go on for smoothing and no neck is taken for withers.
    marks: in the frame. scale_told_mm, scale_measured_mm: of the scale pair, NaN without one.
    """

    frame: Frame
    topline: ToplineFound
    ridge: Ridge
    trunk_x_mm: tuple[float, float]
    marks: tuple[Landmark, ...]
    scale_told_mm: float
    scale_measured_mm: float
    messages: tuple[str, ...]


def find_frame(cloud: Cloud, paint: Paint | None, raw: RawScan, told: Told) -> FrameFound:
    """The back frame. Refuses, naming the option that settles it, where two readings are near each other."""
    seen = seen_marks(told, paint, cloud.cells, cloud.cell)
    pair = scale_pair(told.scale, paint, cloud.cells, cloud.cell)
    if told.mirror:
        cloud, seen, told = _unmirrored(cloud), _unmirrored_marks(seen), _unmirrored_told(told)
    declared_up = raw.up if raw.up is None or not told.mirror else raw.up * UNMIRROR
    upright = find_up(cloud, None if told.up is None else np.array(told.up, float), declared_up)
    trunk = _trunk(cloud, upright)
    posed = _Posed.of(cloud, upright, trunk, seen, told)
    proposals, messages = unit_proposals(told.unit_mm, raw.unit_mm, pair)
    sized, said = _sized(posed, proposals)
    frame = _frame(posed, sized, upright, told)
    found = _in_frame(posed, sized, frame)
    marks = resolve_marks(told, _back_to_file(seen) if told.mirror else seen, frame)
    return FrameFound(
        frame=frame,
        topline=found.topline,
        ridge=found.line,
        trunk_x_mm=_trunk_ends(found.line, trunk.neck * sized.end > 0),
        marks=marks,
        scale_told_mm=pair.told_mm if pair else np.nan,
        scale_measured_mm=_measured(pair, told, raw, frame),
        messages=(*cloud.messages, *upright.messages, *messages, *said),
    )


def _trunk_ends(line: Ridge, neck: bool) -> tuple[float, float]:
    return float(line.x[0]), float(line.x[-1]) - (NECK_MARGIN_MM if neck else 0.0)


def _measured(pair: PairFound | None, told: Told, raw: RawScan, frame: Frame) -> float:
    """The pair's distance in the unit told or declared, before any correction."""
    return np.nan if pair is None else pair.units * (told.unit_mm or raw.unit_mm or frame.mm_per_unit)


def recentred(
    frame: Frame,
    origin_mm: FloatArray,
    yaw_rad: float,
    heading_sd_deg: float,
    pitch_rad: float = 0.0,
) -> Frame:
    """The frame moved to origin_mm (3,), turned by yaw about up (+ = to the left), then by pitch (+ = front up).

    Both are given in the old frame. pitch_rad is for a frame without gravity only, to set withers and croup level.
    """
    forward = np.array([np.cos(yaw_rad) * np.cos(pitch_rad), np.sin(yaw_rad) * np.cos(pitch_rad), np.sin(pitch_rad)])
    left = np.array([-np.sin(yaw_rad), np.cos(yaw_rad), 0.0])
    axes = np.stack([forward, left, np.cross(forward, left)])
    old = np.stack([frame.forward_scan, frame.left_scan, frame.up_scan])
    forward_scan, left_scan, up_scan = axes @ old
    return replace(
        frame,
        origin_scan=frame.origin_scan + origin_mm @ old / frame.mm_per_unit,
        forward_scan=forward_scan,
        left_scan=left_scan,
        up_scan=up_scan,
        heading_sd_deg=heading_sd_deg,
    )


def _unmirrored(cloud: Cloud) -> Cloud:
    return replace(
        cloud,
        points=cloud.points * UNMIRROR,
        cells=cloud.cells * UNMIRROR,
        cell_normals=cloud.cell_normals * UNMIRROR,
        planes=tuple(replace(plane, normal=plane.normal * UNMIRROR) for plane in cloud.planes),
    )


def _unmirrored_marks(seen: MarksSeen) -> MarksSeen:
    return MarksSeen(
        {place: p * UNMIRROR for place, p in seen.single.items()},
        {stem: p * UNMIRROR for stem, p in seen.pairs.items()},
    )


_back_to_file = _unmirrored_marks  # the same reflection, its own inverse


def _unmirrored_told(told: Told) -> Told:
    def turned(v: tuple[float, float, float] | None) -> tuple[float, float, float] | None:
        return None if v is None else (-v[0], v[1], v[2])

    return replace(told, up=turned(told.up), head=turned(told.head))


def _trunk(cloud: Cloud, upright: Upright) -> Trunk:
    return find_trunk(cloud.cells, cloud.cell_normals, cloud.cell, upright.up)


@dataclass(frozen=True)
class _Posed:
    """The trunk's cells in a rough pose, scan units; rows of axes: along, left, up. end: ±1 told or marked, 0 open."""

    axes: FloatArray
    middle: FloatArray
    cells: FloatArray
    radius: float
    length: float
    neck: int
    end: int
    marked_withers: FloatArray | None
    level_by_shape: bool

    @classmethod
    def of(cls, cloud: Cloud, upright: Upright, trunk: Trunk, seen: MarksSeen, told: Told) -> "_Posed":
        along = trunk.along - (trunk.along @ upright.up) * upright.up
        if upright.mirror is not None:
            along = along - (along @ upright.mirror.normal) * upright.mirror.normal
        along = along / np.linalg.norm(along)
        axes = np.stack([along, np.cross(upright.up, along), upright.up])
        mine = cloud.cells[trunk.mine]
        middle = np.median(mine, axis=0)
        cells = (mine - middle) @ axes.T
        length = float(np.diff(np.percentile(cells[:, 0], [1, 99]))[0])
        end = told_end(along, np.array(told.head, float), upright.up) if told.head is not None else 0
        marked = marked_end(along, seen, length)
        if end and marked and end != marked:
            raise InputRefused(
                "the marks have the withers at the tail's end of the told head: correct --head or the marks"
            )
        withers = seen.single.get("withers")
        return cls(
            axes=axes,
            middle=middle,
            cells=cells,
            radius=girth_radius(mine, cloud.cell_normals[trunk.mine], along),
            length=length,
            neck=trunk.neck,
            end=end or marked,
            marked_withers=None if withers is None else (withers - middle) @ axes.T,
            level_by_shape=upright.source == "shape",
        )


@dataclass(frozen=True)
class _Sized:
    """The posed trunk in a unit: spine line and landmarks with x towards the head (end = ±1 along the pose)."""

    unit: UnitProposal
    end: int
    line: Ridge
    topline: ToplineFound
    messages: tuple[str, ...] = ()

    @property
    def plausible(self) -> bool:
        near, far = WITHERS_TO_CROUP_MM
        apart = self.topline.withers_x - self.topline.croup_x
        return bool(near <= apart <= far)


def _sized(posed: _Posed, proposals: tuple[UnitProposal, ...]) -> tuple[_Sized, tuple[str, ...]]:
    """The unit that makes a horse of it, its spine line and landmarks. Refuses none and more than one."""
    told_source = proposals[0].source
    horses = [unit for unit in proposals if unit.makes_a_horse(posed.radius, posed.length)]
    if not horses and told_source == "declared":
        sized, said = _sized(posed, by_shape())
        dropped = f"the unit that the file declares ({proposals[0].word}) is dropped: no horse has that size"
        return sized, (f"{dropped}, taken as {sized.unit.word}; say --unit to keep it", *said)
    if not horses:
        raise refuse_unit(proposals, posed.radius, posed.length)
    if told_source != "shape":
        sized = _landmarks(posed, horses[0], guess=not posed.level_by_shape)
        return sized, sized.messages
    found: list[_Sized] = []
    refusals: list[InputRefused] = []
    for unit in likely(horses, posed.radius, posed.length):
        try:
            found.append(_landmarks(posed, unit, guess=False))
        except InputRefused as refusal:
            refusals.append(refusal)
    if not found:
        raise refusals[0]
    fitting = [sized for sized in found if sized.plausible]
    if len(fitting) != 1:
        words = ", ".join(sized.unit.word for sized in fitting) or "none of m, cm, mm, in"
        raise InputRefused(
            f"which unit? {words} would put withers and croup 450–1100 mm apart "
            f"(body {posed.length:.4g} scan units long): say --unit"
        )
    return fitting[0], (f"unit taken as {fitting[0].unit.word} from the horse's size", *fitting[0].messages)


def _landmarks(posed: _Posed, unit: UnitProposal, guess: bool) -> _Sized:
    """Spine line and landmarks in a unit. guess: an origin will do where the rough line shows no withers."""
    line = ridge(posed.cells * unit.mm)
    if line.x.size < 5:
        raise InputRefused(
            f"no back found: a body {posed.length * unit.mm:.0f} mm long shows no line of the spine "
            f"({len(posed.cells)} cells of surface): scan the bare back from neck to croup"
        )
    end = posed.end or shaped_end(line, posed.neck)
    said = contradiction(end, line) if posed.end else None
    mark = None if posed.marked_withers is None else float(end * posed.marked_withers[0] * unit.mm)
    line = _turned(line) if end < 0 else line
    try:
        top = topline_landmarks(line.x, line.z, line.sd_z, mark)
    except InputRefused:
        if not guess or mark is not None:
            raise
        top = _guessed(line)
    return _Sized(unit, end, line, top, (said,) if said else ())


def _guessed(line: Ridge) -> ToplineFound:
    """An origin where the rough line shows no withers: somewhat behind the front. The precise line decides."""
    croup = croup_alone(line.x, line.z, line.sd_z)
    x = float(line.x[-1] - min(GUESS_BEHIND_FRONT_MM, 0.3 * np.ptp(line.x)))
    if np.isfinite(croup):
        x = float(np.clip(x, *(croup + np.array(WITHERS_TO_CROUP_MM))))
    height = np.interp([x, croup], line.x, line.z)
    return ToplineFound(x, height[0], "guess", GUESS_SD_MM, croup, height[1], GUESS_SD_MM, *(3 * [np.nan]))


def _turned(line: Ridge) -> Ridge:
    """The line with x and y reversed: the pose turned half round about up."""
    return Ridge(-line.x[::-1], -line.y[::-1], line.z[::-1], line.sd_z[::-1], line.width[::-1])


def _frame(posed: _Posed, sized: _Sized, upright: Upright, told: Told) -> Frame:
    """Origin at the withers; forward from croup to withers, horizontal, or along the seen spine without a croup."""
    top, line = sized.topline, sized.line
    end_axes = posed.axes * np.array([[sized.end], [sized.end], [1.0]])
    withers = np.array([top.withers_x, np.interp(top.withers_x, line.x, line.y), top.withers_z])
    forward = np.array([1.0, float(np.polyfit(line.x, line.y, 1)[0]), 0.0])
    if np.isfinite(top.croup_x):
        forward = withers - np.array([top.croup_x, np.interp(top.croup_x, line.x, line.y), top.croup_z])
        forward[2] = forward[2] if upright.source == "shape" else 0.0
    forward /= np.linalg.norm(forward)
    left = np.cross([0.0, 0.0, 1.0], forward)
    left /= np.linalg.norm(left)
    axes = np.stack([forward, left, np.cross(forward, left)]) @ end_axes
    span = float(np.hypot(*(withers[:2] - [top.croup_x, 0]))) if np.isfinite(top.croup_x) else float(np.ptp(line.x)) / 2
    return Frame(
        origin_scan=posed.middle + withers @ end_axes / sized.unit.mm,
        forward_scan=axes[0],
        left_scan=axes[1],
        up_scan=axes[2],
        mm_per_unit=sized.unit.mm,
        unit_source=sized.unit.source,
        up_source=upright.source,
        head_source="told" if posed.end else "shape",
        mirrored=told.mirror,
        heading_sd_deg=float(np.degrees(np.sqrt(2) * SIDE_SD_MM / span)),
        pitch_sd_deg=upright.pitch_sd_deg,
        roll_sd_deg=upright.roll_sd_deg,
    )


def _in_frame(posed: _Posed, sized: _Sized, frame: Frame) -> _Sized:
    """The spine line and landmarks expressed in the found frame; the landmarks are not searched again."""
    end_axes = posed.axes * np.array([[sized.end], [sized.end], [1.0]])
    axes = np.stack([frame.forward_scan, frame.left_scan, frame.up_scan])
    line, top = sized.line, sized.topline

    def moved(x: FloatArray, z: FloatArray) -> FloatArray:
        points = np.stack([x, np.interp(x, line.x, line.y), z], axis=-1)
        scan = posed.middle + points @ end_axes / sized.unit.mm
        return np.asarray(frame.mm_per_unit * (scan - frame.origin_scan) @ axes.T)

    places = moved(np.array([top.withers_x, top.croup_x, top.low_x]), np.array([top.withers_z, top.croup_z, top.low_z]))
    found = replace(
        top,
        withers_x=float(places[0, 0]),
        withers_z=float(places[0, 2]),
        croup_x=float(places[1, 0]),
        croup_z=float(places[1, 2]),
        low_x=float(places[2, 0]),
        low_z=float(places[2, 2]),
    )
    spine = moved(line.x, line.z)
    return replace(sized, topline=found, line=Ridge(spine[:, 0], spine[:, 1], spine[:, 2], line.sd_z, line.width))
