"""The back as a whole: uphill, dip, bearing lines, hollows, usable length, and the words for them (DESIGN §5)."""

import tomllib
from collections.abc import Mapping
from functools import cache
from importlib.resources import files

import numpy as np

from shimwright.scan.back import Build, BuildWord, Frame, Landmark, Midline, Stations
from shimwright.scan.landmarks import BLADE_ARC_MM, length_scale, side_line
from shimwright.scan.measures import drift_share, together
from shimwright.scan.raw import FloatArray
from shimwright.scan.section import section_curves, sides
from shimwright.scan.surface import Surface

BEARING_X_MM = np.arange(-450.0, -99.0, 10.0)  # under the saddle
BEARING_LATERAL_MM = 100.0
HOLLOW_REACH_MM = 250.0
HOLLOW_LEAST_MM = 60.0  # nearer than this the far end of the straight-edge is still on the shoulder

USABLE = "shoulder edge to last rib"


@cache
def build_limits() -> Mapping[str, Mapping[str, float]]:
    """The table of scan/build.toml."""
    return tomllib.loads(files("shimwright.scan").joinpath("build.toml").read_text(encoding="utf-8"))


def measure_build(
    surface: Surface, midline: Midline, frame: Frame, landmarks: tuple[Landmark, ...], stations: Stations
) -> Build:
    """Figures and words; NaN where not seen, and uphill where gravity is not known."""
    named = {mark.name: mark for mark in landmarks}
    uphill, uphill_sd = _uphill(named, midline, frame)
    dip, dip_sd, dip_x = _dip(named, midline)
    bearing = _bearing(surface, midline, frame)
    hollow = [_hollow_with_sd(surface, midline, named, side) for side in (0, 1)]
    usable = [_usable(named, side) for side in ("left", "right")]
    figures = Build(
        uphill_deg=uphill,
        uphill_sd_deg=uphill_sd,
        dip_mm=dip,
        dip_sd_mm=dip_sd,
        dip_x_mm=dip_x,
        bearing_deg=(bearing[0][0], bearing[1][0]),
        hollow_mm=(hollow[0][0], hollow[1][0]),
        usable_mm=(usable[0][0], usable[1][0]),
        words=(),
        bearing_sd_deg=(bearing[0][1], bearing[1][1]),
        hollow_sd_mm=(hollow[0][1], hollow[1][1]),
        usable_sd_mm=(usable[0][1], usable[1][1]),
    )
    return Build(**{**vars(figures), "words": _words(figures, named, midline, stations, frame)})


def _uphill(named: Mapping[str, Landmark], midline: Midline, frame: Frame) -> tuple[float, float]:
    if not frame.gravity or "croup" not in named:
        return np.nan, np.nan
    rise = named["withers"].position_mm - named["croup"].position_mm
    length = float(np.hypot(rise[0], rise[1]))
    sd_rise = np.hypot(_height_sd(named["withers"], midline), _height_sd(named["croup"], midline))
    angle = float(np.degrees(np.arctan2(rise[2], length)))
    return angle, float(np.hypot(np.degrees(sd_rise / length), frame.pitch_sd_deg))


def _height_sd(mark: Landmark, midline: Midline) -> float:
    """Height of a landmark: the surface there, and the slope of the topline over the doubt where it lies."""
    x = mark.position_mm[0]
    own = float(np.interp(x, midline.x_mm, midline.sd_z_mm))
    reach = min(mark.sd_mm, 40.0)
    slope = np.diff(np.interp([x - 30.0, x + 30.0], midline.x_mm, midline.z_mm))[0] / 60.0
    return float(np.hypot(own, slope * reach))


def _dip(named: Mapping[str, Landmark], midline: Midline) -> tuple[float, float, float]:
    """(depth, sd, x) of the deepest place below the line withers–croup."""
    if "croup" not in named:
        return np.nan, np.nan, np.nan
    front, rear = named["withers"].position_mm, named["croup"].position_mm
    x = np.arange(rear[0], front[0], 2.0)
    z = np.interp(x, midline.x_mm, midline.z_mm)
    below = np.interp(x, [rear[0], front[0]], [rear[2], front[2]]) - z
    k = int(below.argmax())
    share = (x[k] - rear[0]) / (front[0] - rear[0])
    sd_line = np.hypot(share * _height_sd(named["withers"], midline), (1 - share) * _height_sd(named["croup"], midline))
    own = float(np.interp(x[k], midline.x_mm, midline.sd_z_mm))
    return max(float(below[k]), 0.0), float(np.hypot(sd_line, own)), float(x[k])


def _bearing(surface: Surface, midline: Midline, frame: Frame) -> list[tuple[float, float]]:
    """[left, right] (slope along x of the line 100 mm beside the spine, sd), degrees, + = rises to the front."""
    y, z = midline.at(BEARING_X_MM)
    out = BEARING_LATERAL_MM + np.array([-3.0, 0.0, 3.0])
    level = np.full((2, BEARING_X_MM.size, 3), np.nan)
    for k, curve in enumerate(section_curves(surface, BEARING_X_MM)):
        if np.isfinite(y[k]):
            level[:, k] = [z[k] - side.depth_at(out) for side in sides(curve, float(y[k]), float(z[k]))]
    sd_y = np.interp(BEARING_X_MM, midline.x_mm, midline.sd_y_mm) if midline.x_mm.size else np.zeros(0)
    found = []
    for sign, line in zip((1.0, -1.0), level, strict=True):
        points = np.column_stack([BEARING_X_MM, y + sign * BEARING_LATERAL_MM, line[:, 1]])
        fall = (line[:, 2] - line[:, 0]) / 6.0
        upright = surface.sd(points) * np.hypot(1.0, fall)
        angle, sd = _line_angle(BEARING_X_MM, line[:, 1], upright, fall * sd_y, surface)
        found.append((angle, float(np.hypot(sd, frame.pitch_sd_deg))))
    return found


def _line_angle(
    x: FloatArray, z: FloatArray, upright: FloatArray, aside: FloatArray, surface: Surface
) -> tuple[float, float]:
    """(least-squares slope, sd) in degrees; NaN where less than nine tenths of the line was seen.

    upright: (n,) sd of the heights. aside: (n,) what the midline's sd moves each; the line moves as one.
    """
    seen = np.isfinite(z) & np.isfinite(upright)
    if seen.mean() < 0.9:
        return np.nan, np.nan
    centred = x[seen] - x[seen].mean()
    weight = centred / (centred @ centred)
    slope = float(weight @ z[seen])
    place = np.column_stack([x[seen], z[seen]])
    variance = together(place, weight * upright[seen], drift_share(surface), surface.correlation_mm)
    sd = np.hypot(np.sqrt(variance), weight @ aside[seen])
    return float(np.degrees(np.arctan(slope))), float(np.degrees(sd / (1.0 + slope**2)))


def _hollow_with_sd(
    surface: Surface, midline: Midline, named: Mapping[str, Landmark], side: int
) -> tuple[float, float]:
    """(depth, sd) of the hollow: the surface's error, and the doubt where the shoulder's edge lies."""
    shoulder = named.get(("shoulder_left", "shoulder_right")[side])
    if shoulder is None:
        return np.nan, np.nan
    depth, own = _hollow(surface, midline, named, side, float(shoulder.position_mm[0]))
    reach = float(shoulder.sd_mm)
    beside = [
        _hollow(surface, midline, named, side, float(shoulder.position_mm[0]) + way * reach)[0] for way in (-1.0, 1.0)
    ]
    known = [abs(other - depth) for other in beside if np.isfinite(other)]
    return depth, float(np.hypot(own, max(known))) if known else np.nan


def _hollow(
    surface: Surface, midline: Midline, named: Mapping[str, Landmark], side: int, shoulder_x: float
) -> tuple[float, float]:
    """(depth, sd by the surface) under a straight-edge laid on the shoulder's edge and on what it touches first within
    250 mm behind, at 150 mm of arc.
    """
    scale = _scale(named)
    x = shoulder_x - np.arange(0.0, HOLLOW_REACH_MM * scale + 1.0, 5.0)
    line = side_line(surface, midline, x[::-1], BLADE_ARC_MM * scale)[::-1, side]
    seen = np.isfinite(line[:, 0])
    if seen.mean() < 0.9 or not seen[0]:
        return np.nan, np.nan
    x, line = x[seen], line[seen]
    height = line @ np.array([1.0 if side == 0 else -1.0, 1.0]) / np.sqrt(2.0)  # about square to the flank
    far = x[0] - x >= HOLLOW_LEAST_MM * scale
    end = int(np.flatnonzero(far)[((height - height[0])[far] / (x[0] - x[far])).argmax()])
    chord = np.interp(-x[: end + 1], -x[[0, end]], height[[0, end]])
    deepest = int((chord - height[: end + 1]).argmax())
    three = np.array([0, deepest if 0 < deepest < end else end // 2, end])  # no hollow has its error too
    share = (x[0] - x[three[1]]) / (x[0] - x[end])
    sd = np.array([1.0 - share, -1.0, share]) * surface.sd(np.column_stack([x[three], line[three]]))
    place = np.column_stack([x[three], np.zeros(3)])
    variance = together(place, sd, drift_share(surface), surface.correlation_mm)
    return float(max(chord[deepest] - height[deepest], 0.0)), float(np.sqrt(variance))


def _scale(named: Mapping[str, Landmark]) -> float:
    return length_scale(-named["croup"].position_mm[0] if "croup" in named else np.nan)


def _usable(named: Mapping[str, Landmark], side: str) -> tuple[float, float]:
    front, rear = named.get(f"shoulder_{side}"), named.get(f"last_rib_{side}")
    if front is None or rear is None:
        return np.nan, np.nan
    return float(front.position_mm[0] - rear.position_mm[0]), float(np.hypot(front.sd_mm, rear.sd_mm))


def _words(
    build: Build, named: Mapping[str, Landmark], midline: Midline, stations: Stations, frame: Frame
) -> tuple[BuildWord, ...]:
    limits = build_limits()
    words = _words_of_topline(build, named, midline, limits)
    if frame.gravity:
        words += _words_of_level(build, limits)
        words += _words_of_evenness(stations, limits)
    slope = float(np.interp(limits["flat"]["middle_mm"], -stations.x_mm, stations.slope_deg.mean(axis=1)))
    if slope <= limits["flat"]["slope_deg"]:
        words.append(BuildWord("flat", "mean slope at the middle, degrees", slope, limits["flat"]["slope_deg"]))
    for side, depth, sd in zip(("left", "right"), build.hollow_mm, build.hollow_sd_mm, strict=True):
        if depth >= max(limits["hollow"]["hollow_mm"], 2.0 * sd):
            word = f"hollow behind the {side} shoulder"
            words.append(BuildWord(word, "depth, mm", depth, limits["hollow"]["hollow_mm"]))
    return tuple(words)


def word_sd(build: Build, word: BuildWord) -> float:
    """Error of the figure that earned a word, in the word's unit; NaN where it has none of its own."""
    left, right = build.hollow_sd_mm
    return {
        "dipped": build.dip_sd_mm,
        "arched": build.dip_sd_mm,
        "level": build.uphill_sd_deg,
        "uphill": build.uphill_sd_deg,
        "croup-high": build.uphill_sd_deg,
        "downhill": max(build.bearing_sd_deg),
        "short-backed": max(build.usable_sd_mm) if word.figure.startswith(USABLE) else np.nan,
        "hollow behind the left shoulder": left,
        "hollow behind the right shoulder": right,
    }.get(word.word, np.nan)


def _words_of_level(build: Build, limits: Mapping[str, Mapping[str, float]]) -> list[BuildWord]:
    words, figure = [], "withers over croup, degrees"
    if build.uphill_deg > limits["uphill"]["uphill_deg"]:
        words.append(BuildWord("uphill", figure, build.uphill_deg, limits["uphill"]["uphill_deg"]))
    elif build.uphill_deg < limits["croup_high"]["uphill_deg"]:
        words.append(BuildWord("croup-high", figure, build.uphill_deg, limits["croup_high"]["uphill_deg"]))
    elif np.isfinite(build.uphill_deg):
        words.append(BuildWord("level", figure, build.uphill_deg, limits["level"]["uphill_deg"]))
    bearing = float(np.mean(build.bearing_deg))
    if bearing < limits["downhill"]["bearing_deg"]:
        figure = "line beside the spine, degrees, falls to the front"
        words.append(BuildWord("downhill", figure, bearing, limits["downhill"]["bearing_deg"]))
    return words


def _words_of_topline(
    build: Build, named: Mapping[str, Landmark], midline: Midline, limits: Mapping[str, Mapping[str, float]]
) -> list[BuildWord]:
    words: list[BuildWord] = []
    scale = _scale(named)
    if "croup" in named:
        length = -float(named["croup"].position_mm[0])
        most, least = limits["dipped"]["dip_share"] * length, limits["arched"]["dip_share"] * length
        if build.dip_mm >= most:
            words.append(BuildWord("dipped", "below the line withers–croup, mm", build.dip_mm, most))
        elif build.dip_mm <= least:
            words.append(BuildWord("arched", "below the line withers–croup, mm", build.dip_mm, least))
        words += _word_of_length(build, named, length, limits)
    high, low = limits["high_withered"], limits["low_withered"]
    rise = -float(midline.at(-high["behind_mm"] * scale)[1])
    if rise >= high["rise_mm"] * scale:
        words.append(BuildWord("high-withered", "withers over the back behind them, mm", rise, high["rise_mm"] * scale))
    elif rise <= low["rise_mm"] * scale:
        words.append(BuildWord("low-withered", "withers over the back behind them, mm", rise, low["rise_mm"] * scale))
    return words


def _word_of_length(
    build: Build, named: Mapping[str, Landmark], length: float, limits: Mapping[str, Mapping[str, float]]
) -> list[BuildWord]:
    ends = [named.get(f"{place}_{side}") for place in ("shoulder", "last_rib") for side in ("left", "right")]
    usable, least = float(np.mean(build.usable_mm)), limits["short_backed"]["usable_mm"]
    if all(mark is not None and mark.source != "estimated" for mark in ends):
        return [BuildWord("short-backed", f"{USABLE}, mm", usable, least)] if usable <= least else []
    shortest = limits["short_backed_by_length"]["length_mm"]
    return [BuildWord("short-backed", "withers to croup, mm", length, shortest)] if length <= shortest else []


def _words_of_evenness(stations: Stations, limits: Mapping[str, Mapping[str, float]]) -> list[BuildWord]:
    """Uneven only where the mean difference under the saddle beats its limit and twice its own sd."""
    under = (stations.x_mm <= BEARING_X_MM[-1]) & (stations.x_mm >= BEARING_X_MM[0])
    area, sd = stations.area_difference_cm2[under], stations.area_difference_sd_cm2[under]
    known = np.isfinite(area)
    if known.sum() < 4:
        return []
    mean, doubt = float(area[known].mean()), 2.0 * float(sd[known].mean())
    limit = limits["uneven"]["area_cm2"]
    if abs(mean) < max(limit, doubt):
        return []
    side = "left" if mean > 0 else "right"
    return [BuildWord("uneven", f"the {side} side falls away more, cm²", abs(mean), limit)]
