"""back.json read again: the measured back as `Back`, on the file's own grid of 10 mm."""

import json
from collections.abc import Mapping, Sequence
from datetime import date
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np

from shimwright.scan.back import (
    DEPTHS_MM,
    Back,
    Build,
    BuildWord,
    Frame,
    Landmark,
    Midline,
    Quality,
    QualityMessage,
    Source,
    Stations,
)
from shimwright.scan.raw import FloatArray
from shimwright.scan.refusal import InputRefused, WrongUse
from shimwright.scan.surface import Surface

SCHEMA = "shimwright/back/1"
FEWEST_NODES = 4  # what a cubic needs
LARGEST_BYTES = 20_000_000  # one that `measure` wrote has some 60 000
Document = Mapping[str, Any]


def read_back(path: Path) -> Back:
    """Raises WrongUse where there is no such file, InputRefused where it is no back.json."""
    try:
        document = json.loads(_text(path))
    except OSError as error:
        raise WrongUse(f"{path}: cannot be read ({error.strerror}); check the name and the rights") from None
    except ValueError as error:
        raise InputRefused(f"{path}: no JSON ({error}); measure the scan again") from None
    except RecursionError:
        raise InputRefused(f"{path}: nested too deep for a back.json; measure the scan again") from None
    try:
        return back_from_document(document)
    except (KeyError, TypeError, ValueError, IndexError, AttributeError, OverflowError) as error:
        raise InputRefused(f"{path}: not a whole back.json ({type(error).__name__} {error}); measure again") from None


def _text(path: Path) -> str:
    if not path.exists():
        raise WrongUse(f"{path}: no such file; name a back.json that `shimwright measure` wrote")
    if not path.is_dir() and not path.is_file():
        raise WrongUse(f"{path}: a pipe or a device, not a file; name a back.json that `shimwright measure` wrote")
    if (size := path.stat().st_size) > LARGEST_BYTES:
        raise InputRefused(f"{path}: {size} bytes, too large for a back.json; is it the scan? Measure it again")
    return path.read_text(encoding="utf-8")


def back_from_document(document: Document) -> Back:
    """The back of a parsed back.json. KeyError, TypeError or ValueError where something is missing."""
    if document["schema"] != SCHEMA:
        raise ValueError(f"{document['schema']} is not {SCHEMA}")
    source = _source(document["scan"])
    surface = _surface(document["surface"])
    return Back(
        source,
        _frame(document["frame"]),
        surface,
        _midline(document, surface),
        tuple(_landmark(row) for row in document["landmarks"]),
        _stations(document["stations"]),
        _build(document["build"]),
        _quality(document["quality"]),
    )


def _source(told: Document) -> Source:
    file, sha, day, horse = told["file"], told["sha256"], told["date"], told["horse"]
    if not all(isinstance(words, str) for words in (file, sha, day or "", horse or "")):
        raise ValueError("file, sha256, date and horse of the scan must be words")
    if day:
        date.fromisoformat(day)
    return Source(file, sha, day, horse, MappingProxyType(dict(told["told"])))


def _numbers(told: object) -> FloatArray:
    """Lists of numbers, null as NaN."""
    return np.array(told, dtype=float)


def _number(told: float | None) -> float:
    return float("nan") if told is None else float(told)


def _surface(told: Document) -> Surface:
    sd = _numbers(told["sd_mm"])
    known = np.isfinite(sd)
    drift = told.get("drift_mm")  # files before it was kept: all of the error goes together
    x, phi = _numbers(told["x_mm"]), _numbers(told["phi_deg"])
    for name, along in (("x_mm", x), ("phi_deg", phi)):
        if along.ndim != 1 or along.size < FEWEST_NODES or not (np.diff(along) > 0).all():
            raise ValueError(f"{name} of the surface is no line of at least {FEWEST_NODES} ascending numbers")
    return Surface(
        x,
        np.radians(phi),
        _numbers(told["axis_y_mm"]),
        _numbers(told["axis_z_mm"]),
        _numbers(told["radius_mm"]),
        sd,
        float(told.get("correlation_mm", 80.0)),
        float(drift) if drift is not None else float(np.median(sd[known])) if known.any() else 0.0,
    )


def _frame(told: Document) -> Frame:
    return Frame(
        _numbers(told["origin_scan"]),
        _numbers(told["forward_scan"]),
        _numbers(told["left_scan"]),
        _numbers(told["up_scan"]),
        float(told["mm_per_unit"]),
        told["unit_source"],
        told["up_source"],
        told["head_source"],
        bool(told["mirrored"]),
        _number(told["heading_sd_deg"]),
        _number(told["pitch_sd_deg"]),
        _number(told["roll_sd_deg"]),
    )


def _midline(document: Document, surface: Surface) -> Midline:
    """Heights where the surface has them at the midline's y; their sd from the topline, nearest where it ends."""
    x, y, sd_y = _numbers(document["midline"])[::-1].T
    topline = _numbers(document["topline"])[::-1]
    sections = surface.sections(np.clip(x, surface.x_mm[0], surface.x_mm[-1]), surface.phi)
    z = np.array([_height(section, at) for section, at in zip(sections, y, strict=True)])
    return Midline(x, y, z, sd_y, np.interp(x, topline[:, 0], topline[:, 2]))


def _height(section: FloatArray, y: float) -> float:
    top = section[np.isfinite(section).all(axis=1)]
    top = top[np.abs(top[:, 0] - y) < 60.0]
    order = np.argsort(top[:, 0])
    return float(np.interp(y, top[order, 0], top[order, 1])) if len(top) > 1 else float("nan")


def _landmark(told: Document) -> Landmark:
    return Landmark(told["name"], _numbers(told["position_mm"]), told["source"], told["kind"], _number(told["sd_mm"]))


def _stations(rows: Sequence[Document]) -> Stations:
    names = [f"{depth:.0f}" for depth in DEPTHS_MM]

    def column(name: str) -> FloatArray:
        return _numbers([row[name] for row in rows])

    def widths(name: str) -> FloatArray:
        return _numbers([[row[name][depth] for depth in names] for row in rows])

    slope_sd, width_sd = column("slope_sd_deg"), widths("half_width_sd_mm")
    return Stations(
        column("x_mm"),
        np.stack([column("slope_left_deg"), column("slope_right_deg")], axis=-1),
        np.stack([slope_sd, slope_sd], axis=-1),
        np.stack([widths("half_width_left_mm"), widths("half_width_right_mm")], axis=-1),
        np.stack([width_sd, width_sd], axis=-1),
        column("area_difference_cm2"),
        column("area_difference_sd_cm2"),
        column("seen"),
        tuple(_numbers(row["section"]).reshape(-1, 2) for row in rows),
    )


def _build(told: Document) -> Build:
    def pair(name: str, unit: str) -> tuple[float, float]:
        return _number(told[f"{name}_left_{unit}"]), _number(told[f"{name}_right_{unit}"])

    def both(name: str) -> tuple[float, float]:
        sd = _number(told.get(name))  # older files lack it
        return sd, sd

    words = tuple(
        BuildWord(word["word"], word["figure"], _number(word["value"]), _number(word["limit"]))
        for word in told["words"]
    )
    return Build(
        _number(told["uphill_deg"]),
        _number(told["uphill_sd_deg"]),
        _number(told["dip_mm"]),
        _number(told["dip_sd_mm"]),
        _number(told["dip_x_mm"]),
        pair("bearing", "deg"),
        pair("hollow", "mm"),
        pair("usable", "mm"),
        words,
        both("bearing_sd_deg"),
        both("hollow_sd_mm"),
        both("usable_sd_mm"),
    )


def _quality(told: Document) -> Quality:
    messages = tuple(QualityMessage(one["code"], _place(one["place_mm"]), one["text"]) for one in told["messages"])
    return Quality(
        told["verdict"],
        int(told["points"]),
        _number(told["spacing_mm"]),
        _number(told["noise_mm"]),
        _number(told["seen_under_saddle"]),
        _number(told["double_surface_mm"]),
        _number(told["scale_check"]["told_mm"]),
        _number(told["scale_check"]["measured_mm"]),
        messages,
    )


def _place(told: Sequence[float] | None) -> tuple[float, float, float] | None:
    if not told:
        return None
    x, y, z = told
    return float(x), float(y), float(z)
