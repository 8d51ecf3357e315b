"""The profile card: a panel's numbers for its maker, on paper and as data, what remains and how it was weighed."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from shimwright.export import words
from shimwright.export.picture import for_paper
from shimwright.export.plain_json import MADE_BY, plain, write_json
from shimwright.export.thickness_picture import thickness_picture
from shimwright.export.typesetting import PAPERS, set_pdf
from shimwright.optimize.case import ZONES
from shimwright.optimize.panel_fit import PanelFit, Remaining, Ridden
from shimwright.optimize.panel_rules import panel_rules
from shimwright.optimize.thickness_map import MapSolution, thirds_mm
from shimwright.optimize.trade_words import said
from shimwright.scan.raw import FloatArray

PLACES = ("front", "middle", "rear")


@dataclass(frozen=True)
class PanelJob:
    """For whom: title words. notes: what could not be done, in words. hashes: the inputs as told."""

    who: str
    saddle: str
    date: str | None
    print_units: str
    notes: tuple[str, ...]
    inputs: Mapping[str, object]


def write_profile_card(
    fit: PanelFit, ridden: Sequence[Ridden], chart: MapSolution, job: PanelJob, folder: Path
) -> dict[str, object]:
    """profile-card.pdf and panel.json; returns the document."""
    document = panel_to_json(fit, ridden, chart, job)
    write_json(document, folder / "panel.json")
    (folder / "profile-card.pdf").write_bytes(profile_card_pdf(fit, ridden, chart, job))
    return document


def panel_to_json(fit: PanelFit, ridden: Sequence[Ridden], chart: MapSolution, job: PanelJob) -> dict[str, object]:
    """Everything as data; null where not known."""
    saddle = fit.saddle
    one_side = {
        side: {
            "angle_deg": plain(fit.shape.angle_deg[k]),
            "angle_change_deg_per_100mm": plain(change_per_100mm(fit)[k]),
            "rocker_mm": plain(float(fit.shape.rocker_mm[k])),
            "crown_mm": plain(float(fit.shape.crown_mm[k])),
        }
        for k, side in enumerate(("left", "right"))
    }
    return {
        "schema": "shimwright/panel/1",
        "made_by": MADE_BY,
        "inputs": plain(job.inputs),
        "saddle": saddle.name,
        "uneven": fit.uneven,
        "arch": {"included_deg": plain(fit.arch.included_deg), "width_100mm_down_mm": plain(fit.arch.width_mm)},
        "length_mm": plain(saddle.length_mm),
        "panel_width_mm": plain(np.asarray(saddle.panel_width_mm)),
        "channel_mm": plain(fit.shape.channel_mm),
        "channel_at_limit": list(fit.channel_at_limit),
        "crest_half_width_mm": plain(fit.crest_mm),
        "rise_mm": plain(fit.shape.rise_mm),
        "left_proud_mm": plain(fit.shape.proud_mm) if fit.uneven else None,
        "sides": one_side,
        "add_or_take_mm": _zones(zones_of(chart)),
        "left_minus_right_mm": plain(thirds_mm(chart.height_mm)[0] - thirds_mm(chart.height_mm)[1]),
        "map": {
            "along": plain(fit.along, 4),
            "across": plain(fit.across, 4),
            "add_left_mm": plain(chart.height_mm[0]),
            "add_right_mm": plain(chart.height_mm[1]),
        },
        "remaining": [
            {
                "name": rest.name,
                "weight": plain(rest.weight),
                "pad_as_ridden_mm": plain(rest.pad_mm),
                "room_mm": plain(one.room_mm),
                "mean_gap_mm": plain(rest.mean_mm),
                "most_daylight_mm": plain(float(np.nanmax(rest.gap_mm))),
                "most_pressing_mm": plain(float(-np.nanmin(rest.gap_mm))),
                "zones_mm": _zones(rest.zones_mm.T.ravel()),
                "pitch_deg": plain(float(np.degrees(rest.pose[1]))),
                "roll_deg": plain(float(np.degrees(rest.pose[2]))),
            }
            for rest, one in zip(fit.remaining, ridden, strict=True)
        ],
        "weighed": weighed(ridden),
        "notes": list(job.notes),
    }


def change_per_100mm(fit: PanelFit) -> FloatArray:
    """(2, 2): how the panel angle falls from front to middle and from middle to rear, left and right, per 100 mm."""
    return np.asarray(-np.diff(fit.shape.angle_deg, axis=1) * 200.0 / fit.saddle.length_mm)


def zones_of(chart: MapSolution) -> FloatArray:
    """(6,) in the order of `case.ZONES`."""
    return np.asarray(thirds_mm(chart.height_mm).T.ravel())


def _zones(values: FloatArray) -> object:
    return plain(dict(zip(ZONES, (float(value) for value in values), strict=True)))


def weighed(ridden: Sequence[Ridden]) -> list[str]:
    """In words how the backs and the gap were weighed."""
    rules = panel_rules()
    backs = ", ".join(f"{one.name} {one.weight:g}" for one in ridden)
    lines = [
        f"Backs and their weights: {backs}.",
        f"Room for muscle: pressing in counts {rules.pressing_over_daylight:g} × as much as the same daylight.",
        "The pad as ridden lies between, by the table above.",
        f"Channel: {rules.channel_clear_mm:g} mm clear of the spine's crest on each side; the crest begins where the "
        f"back lies {rules.leave_mm:g} mm under the panel's surface carried on.",
        f"Arch: parallel to the panel's front, its top {rules.arch_clear_mm:g} mm above the withers.",
    ]
    if any(one.room_mm for one in ridden):
        lines.append(f"Lightness in the middle as asked: {max(one.room_mm for one in ridden):g} mm.")
    return lines


def profile_card_pdf(fit: PanelFit, ridden: Sequence[Ridden], chart: MapSolution, job: PanelJob) -> bytes:
    """One page."""
    style = fit.saddle.style
    data = {
        "title": said(f"Panel profile, {job.who}", style),
        "panel": said("panel", style),
        "unit": "" if job.print_units == "in" else ", mm",
        "paper": PAPERS[job.print_units],
        "who": job.who,
        "line": " · ".join(part for part in (job.saddle, words.day(job.date)) if part),
        "big": big_rows(fit, job.print_units),
        "along": along_rows(fit, job.print_units),
        "angles": "below horizontal, left / right" if fit.uneven else said("panel below horizontal", style),
        "more": more_rows(fit, job.print_units),
        "remaining": remaining_rows(fit, job.print_units),
        "flock": flock_rows(chart, job.print_units),
        "picture": for_paper(thickness_picture(fit, chart.height_mm, (92.0, 118.0))),
        "weighed": [words.in_units(said(line, style), job.print_units) for line in weighed(ridden)],
        "notes": list(job.notes),
        "limited": any(fit.channel_at_limit),
    }
    return set_pdf("profile-card.typ", data, job.date)


def big_rows(fit: PanelFit, units: str) -> list[list[str]]:
    return [
        ["arch, included angle", f"{fit.arch.included_deg:.0f}°"],
        ["arch, width 100 mm down", words.length(fit.arch.width_mm, units)],
        ["rocker", words.length(float(fit.shape.rocker_mm.mean()), units)],
    ]


def along_rows(fit: PanelFit, units: str) -> list[list[str]]:
    """One row for front, middle, rear: distance, angle (left, right where they differ), channel, width."""
    rows = []
    for k, place in enumerate(PLACES):
        left, right = fit.shape.angle_deg[:, k]
        angle = f"{left:.1f}° / {right:.1f}°" if fit.uneven else f"{left:.1f}°"
        channel = words.length(float(fit.shape.channel_mm[k]), units) + (" *" if fit.channel_at_limit[k] else "")
        at = words.length(fit.saddle.length_mm * k / 2, units)
        rows.append([place, at, angle, channel, words.length(float(fit.saddle.panel_width_mm[k]), units)])
    return rows


def more_rows(fit: PanelFit, units: str) -> list[list[str]]:
    change = change_per_100mm(fit)
    shown = [f"{row[0]:.1f}° then {row[1]:.1f}°" for row in (change if fit.uneven else change[:1])]
    sides = (" left", " right") if fit.uneven else ("",)
    crown = [_bow(value, units) for value in (fit.shape.crown_mm if fit.uneven else fit.shape.crown_mm[:1])]
    rows = [
        *([f"falls{side}, per 100 mm", falls] for side, falls in zip(sides, shown, strict=True)),
        *([said(f"across the panel{side}", fit.saddle.style), bow] for side, bow in zip(sides, crown, strict=True)),
        ["front end above rear end", _fine(fit.shape.rise_mm, units)],
        [said("panel length", fit.saddle.style), words.length(fit.saddle.length_mm, units)],
    ]
    if fit.uneven:
        rocker = " / ".join(_fine(value, units) for value in fit.shape.rocker_mm)
        rows += [
            ["rocker, left / right", rocker],
            [said("left panel proud of right", fit.saddle.style), _half(fit.shape.proud_mm, units, "mm")],
        ]
    return rows


def remaining_rows(fit: PanelFit, units: str) -> list[list[str]]:
    return [
        [
            rest.name,
            f"{rest.weight:g}",
            *(_narrow(value, units) for value in (rest.pad_mm, rest.mean_mm, *_most(rest))),
        ]
        for rest in fit.remaining
    ]


def _most(rest: Remaining) -> tuple[float, float]:
    """Deepest daylight and deepest pressing, mm."""
    return max(float(np.nanmax(rest.gap_mm)), 0.0), max(float(-np.nanmin(rest.gap_mm)), 0.0)


def flock_rows(chart: MapSolution, units: str = "mm") -> list[list[str]]:
    """front, middle, rear: left, right, left less right, to half a millimetre."""
    thirds = thirds_mm(chart.height_mm)
    return [
        [place, *(_half(value, units) for value in (thirds[0, k], thirds[1, k], thirds[0, k] - thirds[1, k]))]
        for k, place in enumerate(PLACES)
    ]


def _bow(crown_mm: float, units: str) -> str:
    return f"middle {'proud' if crown_mm > 0 else 'hollowed'} {_fine(abs(crown_mm), units)}"


def _fine(mm: float, units: str) -> str:
    """To a tenth of a millimetre, as a maker builds; sixteenths beside where inches were asked.

    >>> _fine(14.94, "mm"), _fine(14.94, "in")
    ('14.9 mm', '9/16 in (14.9 mm)')
    """
    return f"{words.inches(mm)} in ({mm:.1f} mm)" if units == "in" else f"{mm:.1f} mm"


def _narrow(mm: float, units: str) -> str:
    """For a narrow column: mm are named by the head of the table, inches stand above them."""
    return f"{words.inches(mm)} in\n{mm:.1f} mm" if units == "in" else f"{mm:.1f}"


def _half(value: float, units: str = "mm", unit: str = "") -> str:
    """Signed, to half a millimetre.

    >>> _half(1.4), _half(-0.2), _half(-3.1, "in")
    ('+1.5', '0', '−1/8 in\\n−3.0 mm')
    """
    rounded = round(2 * float(value)) / 2
    if not rounded:
        return f"0 {unit}".rstrip()
    sign = "+" if rounded > 0 else "−"
    if units != "in":
        return f"{sign}{abs(rounded):.1f} {unit}".rstrip()
    inches = words.inches(abs(rounded))
    return f"{'' if inches == '0' else sign}{inches} in\n{sign}{abs(rounded):.1f} mm"
