"""The scan check at the horse: one verdict, and for each fault its place, its figure and what to do (PRACTICE §4)."""

from dataclasses import dataclass

import numpy as np

from shimwright.scan.back import Frame, Midline, Quality, QualityMessage, Stations
from shimwright.scan.double_surface import DoubleSurface
from shimwright.scan.raw import FloatArray
from shimwright.scan.surface import Surface

UNDER_SADDLE_MM = (-450.0, -100.0)
UNDER_SADDLE_ARC_MM = 200.0
ORDER = ("stance", "moved", "seen", "coat", "scale", "ends and sides", "marks")
FLANK_SEEN = 0.85  # [J] less is a missing flank
GOOD_SEEN = 0.97  # [J] less is worth a word
SPINE_HOLE_MM = 30.0  # [J]
LEAN_DEG = 7.0  # [J]
COAT_MM = 4.0  # [J] scatter above which hair or a noisy scanner hides the skin
MOST_SD_MM = 3.0  # [J] median sd above which a shim step is not seen
SCALE_GOOD, SCALE_MOST = 0.02, 0.10
MORE_LINES = "draw the lines farther down that flank, and one behind the rear end of the panels"


@dataclass(frozen=True)
class ScanSample:
    """What the points themselves say. double: see double_surface; noise_mm: scatter of single points.

    hair_ahead_mm: the same in front of withers that nobody marked, where it is much wider there, else NaN.
    traced: drawn by hand, so what is missing is drawn, not scanned. scanner: what made it, where that was told.
    """

    points: int
    spacing_mm: float
    noise_mm: float
    double: DoubleSurface
    scale_told_mm: float = np.nan
    scale_measured_mm: float = np.nan
    hair_ahead_mm: float = np.nan
    traced: bool = False
    scanner: str | None = None


def scan_quality(
    surface: Surface, midline: Midline, frame: Frame, stations: Stations, sample: ScanSample, croup_x_mm: float
) -> Quality:
    """The verdict: rescan where a choice of shims could be wrong, usable where it is thin, else good."""
    seen = seen_under_saddle(surface, midline)
    faults = [
        *_stance(frame, stations),
        *_moved(surface, sample),
        *_unseen(surface, midline, sample.traced),
        *_coat(surface, sample),
        *_hair(sample),
        *_scale(sample),
        *_ends(midline, croup_x_mm, sample.traced),
    ]
    faults.sort(key=lambda fault: ORDER.index(fault[0]))
    grades = [fault[1] for fault in faults]
    return Quality(
        verdict="rescan" if "rescan" in grades else "usable" if "usable" in grades else "good",
        points=sample.points,
        spacing_mm=sample.spacing_mm,
        noise_mm=sample.noise_mm,
        seen_under_saddle=float(np.mean(seen)),
        double_surface_mm=sample.double.apart_mm,
        scale_told_mm=sample.scale_told_mm,
        scale_measured_mm=sample.scale_measured_mm,
        messages=tuple(fault[2] for fault in faults),
    )


_Fault = tuple[str, str, QualityMessage]


def seen_under_saddle(surface: Surface, midline: Midline) -> tuple[float, float]:
    """Seen share of 200 mm of arc beside the spine from 100 to 450 mm behind the withers (left, right)."""
    return _seen_share(surface, midline, 0), _seen_share(surface, midline, 1)


def _seen_share(surface: Surface, midline: Midline, side: int) -> float:
    return float(_seen_cells(surface, midline, side).mean())


def _seen_cells(surface: Surface, midline: Midline, side: int) -> FloatArray:
    """(n_x, n_phi) of one side under the saddle: was the cell seen? Where no midline was found, the axis stands in."""
    x = np.arange(UNDER_SADDLE_MM[0], UNDER_SADDLE_MM[1] + 1.0, 10.0)
    half = _half_angle(surface)
    phi = np.linspace(0.02, half, 40) * (1.0 if side == 0 else -1.0)
    centre = np.zeros(x.size)
    if midline.x_mm.size:
        y = np.interp(x, midline.x_mm, midline.y_mm) - np.interp(x, surface.x_mm, surface.axis_y_mm)
        z = np.interp(x, midline.x_mm, midline.z_mm) - np.interp(x, surface.x_mm, surface.axis_z_mm)
        centre = np.arctan2(y, z)
    return surface.is_seen(*np.broadcast_arrays(x[:, None], centre[:, None] + phi[None, :])).astype(float)


def _half_angle(surface: Surface) -> float:
    """Angle that holds 200 mm of arc at the median radius."""
    return float(UNDER_SADDLE_ARC_MM / np.nanmedian(surface.radius_mm))


def _stance(frame: Frame, stations: Stations) -> list[_Fault]:
    if not frame.gravity:
        return []
    unlike = (stations.slope_deg[2:10, 0] - stations.slope_deg[2:10, 1]) / 2.0
    unlike = unlike[np.isfinite(unlike)]
    lean = float(np.median(unlike)) if unlike.size else 0.0
    if abs(lean) <= LEAN_DEG:
        return []
    side = "left" if lean > 0 else "right"
    text = (
        f"the back leans {abs(lean):.0f}° to the {side}, more than {LEAN_DEG:.0f}°: a resting leg or sloping ground "
        "changes every figure. Stand the horse square on level ground and scan again."
    )
    return [("stance", "rescan", QualityMessage("lean", None, text))]


def _moved(surface: Surface, sample: ScanSample) -> list[_Fault]:
    d = sample.double
    if not np.isfinite(d.apart_mm):
        return []
    point = surface.point(np.array(d.x_mm), np.array(d.phi))
    text = (
        f"the horse shifted: two surfaces {d.apart_mm:.0f} mm apart {_where(d.x_mm, d.phi)}. Let it stand and go "
        "round again."
    )
    return [("moved", "rescan", QualityMessage("double_surface", _at(point), text))]


def _unseen(surface: Surface, midline: Midline, traced: bool) -> list[_Fault]:
    faults: list[_Fault] = []
    hole = _spine_hole(midline)
    if hole[1] > SPINE_HOLE_MM:
        text = (
            f"a hole of {hole[1]:.0f} mm along the spine, {-hole[0]:.0f} mm behind the withers: the middle line is a "
            "guess there. Scan once more from above."
        )
        place = (hole[0], float(np.interp(hole[0], midline.x_mm, midline.y_mm)), float(midline.at(hole[0])[1]))
        faults.append(("seen", "rescan", QualityMessage("spine_hole", place, text)))
    for side, name in enumerate(("left", "right")):
        cells = _seen_cells(surface, midline, side)
        share = float(cells.mean())
        if share < FLANK_SEEN:
            text = (
                f"the {name} side under the saddle is {100 * share:.0f} % seen, {100 * FLANK_SEEN:.0f} % is needed: "
                f"{MORE_LINES if traced else f'scan the {name} side again, down to the elbow'}."
            )
            faults.append(("seen", "rescan", QualityMessage(f"missing_flank_{name}", None, text)))
        elif share < GOOD_SEEN:
            text = (
                f"the {name} side under the saddle is thin, {100 * (1 - share):.0f} % not seen: fine for choosing, "
                f"{MORE_LINES if traced else 'scan that side once more if you can'}."
            )
            faults.append(("seen", "usable", QualityMessage(f"thin_{name}", None, text)))
    return faults


def _spine_hole(midline: Midline) -> tuple[float, float]:
    """(x of the middle, length) of the longest gap in the midline under the saddle, from the withers back."""
    x = midline.x_mm[(midline.x_mm <= 50.0) & (midline.x_mm >= UNDER_SADDLE_MM[0] - 50.0)]
    ends = np.concatenate([[UNDER_SADDLE_MM[0] - 50.0], x, [0.0]]) if x.size == 0 else x
    step = np.diff(ends)
    if step.size == 0:
        return np.nan, np.nan
    k = int(step.argmax())
    usual = 10.0
    return float(0.5 * (ends[k] + ends[k + 1])), float(max(step[k] - usual, 0.0))


def _surer(sample: ScanSample) -> str:
    """What would make the surface better known."""
    if sample.traced:
        return "trace more sections between"
    if sample.scanner == "lidar":
        return "a phone's lidar comes no nearer however it is held; photos or a handheld scanner do"
    return "scan slower and closer, all round, in good light"


def _coat(surface: Surface, sample: ScanSample) -> list[_Fault]:
    sd = float(np.nanmedian(surface.sd_mm)) if surface.seen.any() else np.nan
    if sd > MOST_SD_MM:
        text = f"the surface is known to ± {sd:.1f} mm only, a shim step is 3 mm: {_surer(sample)}."
        return [("coat", "usable", QualityMessage("uncertain", None, text))]
    if sample.noise_mm > COAT_MM:
        text = (
            f"single points scatter by {sample.noise_mm:.1f} mm (long, wet or dark coat, or the scanner): brush the "
            "coat flat; fine for choosing."
        )
        return [("coat", "usable", QualityMessage("coat", None, text))]
    return []


def _hair(sample: ScanSample) -> list[_Fault]:
    if not np.isfinite(sample.hair_ahead_mm):
        return []
    text = (
        f"points in front of the withers scatter by {sample.hair_ahead_mm:.0f} mm, a mane or a hand: withers found "
        "there may be some 50 mm off. Hold the mane over and scan again, or mark the withers."
    )
    return [("coat", "usable", QualityMessage("mane", None, text))]


def _scale(sample: ScanSample) -> list[_Fault]:
    off = sample.scale_measured_mm / sample.scale_told_mm - 1.0
    if not abs(off) > SCALE_GOOD:
        return []
    text = (
        f"the scale pair measures {sample.scale_measured_mm:.0f} mm, told {sample.scale_told_mm:.0f} mm "
        f"({100 * off:+.1f} %): measure the dots again."
    )
    return [("scale", "rescan" if abs(off) > SCALE_MOST else "usable", QualityMessage("scale", None, text))]


def _ends(midline: Midline, croup_x_mm: float, traced: bool) -> list[_Fault]:
    faults: list[_Fault] = []
    if not np.isfinite(croup_x_mm):
        on = "Measure the profile on beyond" if traced else "Scan on to"
        text = f"the croup was not seen: uphill and dip are left open. {on} the top of the croup."
        faults.append(("ends and sides", "usable", QualityMessage("no_croup", None, text)))
    if midline.x_mm.size and midline.x_mm[0] > UNDER_SADDLE_MM[0]:
        text = (
            f"the {'profile' if traced else 'scan'} ends {-midline.x_mm[0]:.0f} mm behind the withers, a saddle needs "
            f"{-UNDER_SADDLE_MM[0]:.0f}: {'measure' if traced else 'scan'} farther back."
        )
        faults.append(("ends and sides", "rescan", QualityMessage("short", None, text)))
    return faults


def _where(x: float, phi: float) -> str:
    side = "left" if phi > 0.15 else "right" if phi < -0.15 else "on the spine"
    beside = side if side == "on the spine" else f"on the {side}"
    return f"{beside}, {-x:.0f} mm behind the withers" if x < 0 else f"{beside}, {x:.0f} mm in front of the withers"


def _at(point: FloatArray) -> tuple[float, float, float] | None:
    return (float(point[0]), float(point[1]), float(point[2])) if np.isfinite(point).all() else None
