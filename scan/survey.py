"""The whole way from a raw scan to the measured back."""

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from shimwright.scan.back import Back, Frame, Landmark, QualityMessage, Source
from shimwright.scan.build_back import build_back
from shimwright.scan.clean import Cloud, clean
from shimwright.scan.dot_centre import with_centres
from shimwright.scan.double_surface import find_double_surface
from shimwright.scan.frame import FrameFound, find_frame
from shimwright.scan.landmarks import Places
from shimwright.scan.mane import doubted, hair_ahead_mm
from shimwright.scan.quality import ScanSample
from shimwright.scan.raw import FloatArray, RawScan
from shimwright.scan.refusal import InputRefused
from shimwright.scan.settle import BEHIND_CROUP_MM, FRONT_MM, Points, Settled, settle
from shimwright.scan.surface import Surface
from shimwright.scan.told import Told
from shimwright.scan.trunk_cells import distances, filled

BESIDE_TRUNK_MM = 100.0  # kept past the ends of the trunk, for smoothing
SAMPLE_POINTS = 400_000  # enough for noise and double surface
NEAR_MM = 20.0  # points this near the surface count for its noise
SCANNER_NOT_TOLD = (
    "what made the scan is not told (scanner: handheld, photos or lidar): each ± is for what shows in the points, and "
    "the slow waves of a phone's lidar, 3 to 6 mm, may not"
)


def survey(raw: RawScan, told: Told, source: Source | None, progress: Callable[[str], None]) -> Back:
    """Clean, set up, smooth, measure and check a scan.

    Refuses (exit 3) what is no back and what has to be asked. source: None takes file and sum from the scan.
    """
    progress("cleaning the scan")
    cloud = clean(raw)
    if cloud.rivals:
        return _the_one_horse(cloud, raw, told, source, progress)
    return _surveyed(cloud, raw, told, source, progress)


def _the_one_horse(
    largest: Cloud, raw: RawScan, told: Told, source: Source | None, progress: Callable[[str], None]
) -> Back:
    """Of several bodies in one file the one that is a horse's back and bears the marks. Refuses two."""
    backs: list[Back] = []
    refused: list[InputRefused] = []
    for rival in range(largest.rivals + 1):
        try:
            cloud = clean(raw, rival) if rival else largest
            backs.append(_surveyed(cloud, raw, told, source, progress))
        except InputRefused as refusal:
            refused.append(refusal)
    if not backs:
        raise next((refusal for refusal in refused if "--" in refusal.message), refused[0])
    if len(backs) > 1:
        at = " and ".join(",".join(f"{v:.4g}" for v in back.frame.origin_scan) for back in backs)
        raise InputRefused(
            f"{len(backs)} of {largest.rivals + 1} bodies in the scan could be the horse, with withers at {at}: say "
            "which by --mark withers= with a dot's colour or such a point, or cut the others out of the scan"
        )
    text = f"{largest.rivals} other bodies of such a size left out: no back, or without the marks"
    messages = (*backs[0].quality.messages, QualityMessage("note", None, text))
    return replace(backs[0], quality=replace(backs[0].quality, messages=messages))


def _surveyed(cloud: Cloud, raw: RawScan, told: Told, source: Source | None, progress: Callable[[str], None]) -> Back:
    progress("finding the frame")
    found = find_frame(cloud, raw.paint, raw, told)
    found = replace(found, marks=with_centres(found.marks, told, raw.paint, found.frame))
    progress("smoothing the surface")
    points = _trunk_points(cloud, raw, found, told.scanner)
    settled = settle(points, found.frame, _withers_scan(found))
    progress("measuring")
    sample = _sample(settled, points, found)
    places = _places(settled, found)
    if np.isfinite(sample.hair_ahead_mm):
        places = replace(places, topline=doubted(places.topline))
    origin = source or Source(raw.file, raw.sha256, None, None, {})
    back = build_back(settled.surface, settled.midline, settled.frame, places, sample, origin)
    untold = () if told.scanner else (SCANNER_NOT_TOLD,)
    said = tuple(QualityMessage("note", None, text) for text in (*raw.messages, *found.messages, *untold))
    return replace(back, quality=replace(back.quality, messages=back.quality.messages + said))


def _trunk_points(cloud: Cloud, raw: RawScan, found: FrameFound, scanner: str | None) -> Points:
    """The points between tail and neck. Samples of a mesh count as much as the vertices they came from."""
    origin, rows = found.frame.from_scan
    x = cloud.points @ rows[0] - origin @ rows[0]
    rear, front = found.trunk_x_mm
    if np.isfinite(found.topline.croup_x):
        rear = max(rear, found.topline.croup_x - BEHIND_CROUP_MM)
    mine = (x > rear - BESIDE_TRUNK_MM) & (x < min(front, FRONT_MM) + BESIDE_TRUNK_MM)
    independent = 1.0 if raw.faces is None else min(1.0, len(raw.points) / max(len(cloud.points), 1))
    points, cell_of_point = cloud.points, cloud.cell_of_point
    if not mine.all():
        points, cell_of_point = points[mine], cell_of_point[mine]
    return Points(points, cloud.cell_normals, cell_of_point, independent, scanner)


def _withers_scan(found: FrameFound) -> FloatArray | None:
    marked = next((mark for mark in found.marks if mark.name == "withers" and mark.source == "marked"), None)
    return None if marked is None else found.frame.to_scan(marked.position_mm[None])[0]


def _places(settled: Settled, found: FrameFound) -> Places:
    """Marks carried from the first frame into the final one."""
    marked = {mark.name: _carried(mark, found.frame, settled.frame) for mark in found.marks if mark.source == "marked"}
    told = {mark.name: -float(mark.position_mm[0]) for mark in found.marks if mark.source == "told"}
    topline = settled.topline
    if "withers" in marked:
        topline = replace(topline, withers_sd=marked["withers"].sd_mm)
    return Places(topline, marked, told)


def _carried(mark: Landmark, old: Frame, new: Frame) -> Landmark:
    return replace(mark, position_mm=new.to_back(old.to_scan(mark.position_mm[None]))[0])


def _sample(settled: Settled, points: Points, found: FrameFound) -> ScanSample:
    surface, cells = settled.surface, settled.cells.thinned(SAMPLE_POINTS)
    independent = points.independent
    off = distances(*cells.parts, filled(surface.radius_mm))
    e = np.abs(off)
    near = e[e < NEAR_MM]
    count = len(near) * independent * len(settled.cells.u) / max(len(cells.u), 1)
    return ScanSample(
        points=round(count),
        spacing_mm=float(np.sqrt(_area(surface) / max(count, 1.0))),
        noise_mm=float(1.4826 * np.median(near)) if near.size else np.nan,
        double=find_double_surface(cells, off, surface, independent),
        scale_told_mm=found.scale_told_mm,
        scale_measured_mm=found.scale_measured_mm,
        hair_ahead_mm=np.nan if settled.topline.withers_kind == "mark" else hair_ahead_mm(cells, off, surface),
        scanner=points.scanner,
    )


def _area(surface: Surface) -> float:
    """Seen area, mm², the cells taken square to the radius."""
    step_x, step_phi = surface.x_mm[1] - surface.x_mm[0], surface.phi[1] - surface.phi[0]
    return float(np.nansum(surface.radius_mm) * step_x * step_phi)


def spread_of_repeats(backs: Sequence[Back]) -> dict[str, FloatArray]:
    """Standard deviation of each measure over several scans of the same stance; NaN where fewer than two know it.

    Keys as in back.json; arrays as in `Stations`, (13, 2), (13, 4, 2), (13,), or a single number.
    """
    if len(backs) < 2:
        raise InputRefused(f"{len(backs)} scan given to --repeat, the spread needs at least two of the same stance")
    measures = {
        "slope_deg": [back.stations.slope_deg for back in backs],
        "half_width_mm": [back.stations.half_width_mm for back in backs],
        "area_difference_cm2": [back.stations.area_difference_cm2 for back in backs],
        "uphill_deg": [back.build.uphill_deg for back in backs],
        "dip_mm": [back.build.dip_mm for back in backs],
        "bearing_deg": [back.build.bearing_deg for back in backs],
        "hollow_mm": [back.build.hollow_mm for back in backs],
        "usable_mm": [back.build.usable_mm for back in backs],
    }
    return {name: _spread(np.array(values, dtype=float)) for name, values in measures.items()}


def _spread(values: FloatArray) -> FloatArray:
    count = np.isfinite(values).sum(axis=0)
    mean = np.nansum(values, axis=0) / np.maximum(count, 1)
    square = np.nansum((values - mean) ** 2, axis=0) / np.maximum(count - 1, 1)
    return np.asarray(np.where(count > 1, np.sqrt(square), np.nan))
