"""Named places on the back: marked, told as a distance, or estimated by proportion with a large sd (DESIGN §5)."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

import numpy as np

from shimwright.scan.back import Landmark, Midline
from shimwright.scan.raw import FloatArray
from shimwright.scan.refusal import InputRefused
from shimwright.scan.section import section_curves, sides
from shimwright.scan.surface import Surface
from shimwright.scan.topline import ToplineFound

BLADE_ARC_MM = 150.0  # the shoulder edge is read this far down the side, on a back of 800 mm withers–croup
USUAL_LENGTH_MM = 800.0
TOLD_SD_MM = 10.0  # a distance told in whole centimetres, taken with a tape over hair [J]
# share of withers–croup behind the withers, and its sd, where nobody marked the place [J]
PROPORTION = {
    "shoulder_left": (0.06, 0.045),
    "shoulder_right": (0.06, 0.045),
    "last_rib_left": (0.60, 0.06),
    "last_rib_right": (0.60, 0.06),
}
ON_THE_SPINE = ("saddle_rear",)
SIDE_PLACES = ("shoulder", "last_rib", "saddle_front")


@dataclass(frozen=True)
class Places:
    """What is known of the places before they are put on the surface. Back frame, withers at x = 0.

    topline: found along the midline. marked: dots and points on the horse. told_mm: distances behind the withers.
    """

    topline: ToplineFound
    marked: Mapping[str, Landmark] = field(default_factory=lambda: MappingProxyType({}))
    told_mm: Mapping[str, float] = field(default_factory=lambda: MappingProxyType({}))


def length_scale(withers_croup_mm: float) -> float:
    """Size of the horse against a withers–croup of 800 mm; 1 where the croup was not seen."""
    return float(withers_croup_mm) / USUAL_LENGTH_MM if np.isfinite(withers_croup_mm) else 1.0


def find_landmarks(surface: Surface, midline: Midline, places: Places) -> tuple[Landmark, ...]:
    """Every landmark that is known: marked before told before estimated; what was not seen is left out."""
    topline, marked = places.topline, places.marked
    out = dict(_on_topline(midline, topline))
    out.update({name: mark for name, mark in marked.items() if name != "withers"})
    scale = length_scale(topline.withers_x - topline.croup_x)
    for name, mm in places.told_mm.items():
        place = _place(surface, midline, name, -mm, scale)
        if name not in out or out[name].source == "estimated":
            out[name] = Landmark(name, place, "told", "distance", TOLD_SD_MM)
    for name, (share, sd) in PROPORTION.items():
        if name not in out:
            place = _place(surface, midline, name, -share * USUAL_LENGTH_MM * scale, scale)
            out[name] = Landmark(name, place, "estimated", "proportion", sd * USUAL_LENGTH_MM * scale)
    _check_order(out)
    return tuple(mark for mark in out.values() if np.isfinite(mark.position_mm[0]))


def _check_order(found: Mapping[str, Landmark]) -> None:
    """Raises InputRefused where a person put the last rib in front of the shoulder."""
    for side in ("left", "right"):
        shoulder, rib = found[f"shoulder_{side}"], found[f"last_rib_{side}"]
        if "estimated" in (shoulder.source, rib.source) or not rib.position_mm[0] >= shoulder.position_mm[0]:
            continue
        raise InputRefused(
            f"last_rib_{side} lies {-rib.position_mm[0]:.0f} mm behind the withers and shoulder_{side} "
            f"{-shoulder.position_mm[0]:.0f} mm: no rib lies in front of the shoulder; correct the two marks"
        )


def _on_topline(midline: Midline, topline: ToplineFound) -> Mapping[str, Landmark]:
    found = {"withers": _withers(midline, topline)}
    for name, x, sd in (("croup", topline.croup_x, topline.croup_sd), ("low", topline.low_x, topline.low_sd)):
        if np.isfinite(x):
            kind = "peak" if name == "croup" else "low"
            found[name] = Landmark(name, _on_midline(midline, x), "estimated", kind, sd)
    return found


def _withers(midline: Midline, topline: ToplineFound) -> Landmark:
    source = "marked" if topline.withers_kind == "mark" else "estimated"
    return Landmark(
        "withers", _on_midline(midline, topline.withers_x), source, topline.withers_kind, topline.withers_sd
    )


def _on_midline(midline: Midline, x: float) -> FloatArray:
    y, z = midline.at(x)
    return np.array([x, float(y), float(z)])


def _place(surface: Surface, midline: Midline, name: str, x: float, scale: float) -> FloatArray:
    """On the spine, or a blade's depth down the side; y and z NaN where the surface was not seen there."""
    if name.rsplit("_", 1)[0] not in SIDE_PLACES:
        return _on_midline(midline, x)
    yz = side_point(surface, midline, x, BLADE_ARC_MM * scale, 0 if name.endswith("left") else 1)
    return np.array([x, *yz])


def side_point(surface: Surface, midline: Midline, x: float, arc_mm: float, side: int) -> FloatArray:
    """(y, z) at a distance along the surface from the midline, side 0 = left; NaN where not seen."""
    return np.asarray(side_line(surface, midline, np.array([x]), arc_mm)[0, side])


def side_line(surface: Surface, midline: Midline, x: FloatArray, arc_mm: float) -> FloatArray:
    """(n, 2, 2): for each x (n,) ascending, left and right (y, z) at a distance along the surface from the midline."""
    y, z = midline.at(x)
    out = np.full((x.size, 2, 2), np.nan)
    for k, curve in enumerate(section_curves(surface, x)):
        if np.isfinite(y[k]):
            both = sides(curve, float(y[k]), float(z[k]))
            out[k] = [side.at_arc(np.array([arc_mm]))[0] for side in both]
    return out
