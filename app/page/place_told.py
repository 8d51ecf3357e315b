"""What is known of one place that was tapped: daylight, pressure, every layer, angle, and what the hand will feel."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from shimwright.export import words
from shimwright.export.coloured_mesh import y_up
from shimwright.export.owners_words import gap_words
from shimwright.optimize.answer import Contact, Finding
from shimwright.optimize.bench import common_layers
from shimwright.optimize.findings import PRESSURE_SD
from shimwright.optimize.hands import hand_checks
from shimwright.optimize.limits import limits
from shimwright.optimize.materials import tissue
from shimwright.optimize.stacks import layer_thickness
from shimwright.page.fitting import SHOWN, Fitting
from shimwright.scan.raw import FloatArray

UNDER_MM = 20.0  # further from every node, or from the panel above it, than this: not under the saddle
ZONE_PLACES = ("front", "middle", "rear")
Row = list[str]


def told_at(fitting: Fitting, contact: Contact, point_mm: FloatArray, units: str) -> dict[str, object]:
    """Title and rows for the place nearest to (3,), back frame. contact: on the coarse grid."""
    under = fitting.bench(contact.setup.arch)
    away = np.linalg.norm(under.feet_mm - point_mm, axis=1)
    beside = np.linalg.norm(fitting.panels_mm(contact) - point_mm, axis=1)
    away = np.fmin(away, beside)
    node = int(np.nanargmin(away))
    if not away[node] <= UNDER_MM:
        return {"title": "Beside the saddle", "rows": _bare_rows(fitting, point_mm, units), "hands": []}
    side = "left" if contact.side[node] > 0 else "right"
    place = ZONE_PLACES[min(int(3 * contact.along[node]), 2)]
    on_arch = bool(under.bench.underside.on_arch[node])
    rows = [*_contact_rows(fitting, contact, node, units), *_layer_rows(fitting, contact, node, units)]
    hands = _hand_rows(fitting, contact, ("under the points" if on_arch else place), side, units)
    title = f"{'Under the points' if on_arch else place.capitalize()}, {side}"
    return {"title": title, "rows": rows, "hands": hands, "point": y_up(under.feet_mm[node][None])[0].tolist()}


def _contact_rows(fitting: Fitting, contact: Contact, node: int, units: str) -> list[Row]:
    result, foot = contact.cases[SHOWN], fitting.bench(contact.setup.arch).feet_mm[node]
    pressure, gap = float(result.pressure_kpa[node]), float(result.gap_mm[node])
    sd = float(np.hypot(fitting.back.surface.sd(foot[None])[0], limits().hands.hand_sd_mm))
    if not math.isfinite(pressure):
        return [["Not seen", "the scan shows no back here"]]
    rows = [["Where", words.behind_withers(float(foot[0]))]]
    if gap > 0:
        daylight = words.with_error(gap, sd, "mm") if units == "mm" else f"{words.inches(gap)} in ({gap:.0f} mm)"
        rows.append(["Daylight, rider up", daylight])
    else:
        rows.append(["Pressed in, all layers", words.length(-gap, units)])
    rows.append(["Pressure", words.with_error(pressure, PRESSURE_SD * pressure, "kPa")])
    panel, back = _angles_deg(fitting, contact, node)
    if math.isfinite(panel + back):
        rows.append(["Panel and back below level", f"{panel:.0f}° and {back:.0f}°"])
    return rows


def _angles_deg(fitting: Fitting, contact: Contact, node: int) -> tuple[float, float]:
    """Lateral slope below horizontal of the panel as it lies, and of the back under it."""
    under = fitting.bench(contact.setup.arch)
    side = int(contact.side[node])
    roll = contact.cases[SHOWN].roll_deg
    panels = under.bench.underside.panels
    panel = float(np.degrees(panels.angle_rad(contact.along[node : node + 1], side)[0])) - side * roll
    return panel, slope_deg(fitting, under.feet_mm[node], side)


def slope_deg(fitting: Fitting, point_mm: FloatArray, side: int) -> float:
    """How steeply the back falls away from the spine at a point, degrees below horizontal."""
    x, phi, _ = fitting.back.surface.polar(point_mm[None])
    if not bool(fitting.back.seen(x, phi)[0]):
        return float("nan")
    normal = fitting.back.normal(x, phi)[0]
    return float(np.degrees(np.arctan2(side * normal[1], normal[2])))


def _layer_rows(fitting: Fitting, contact: Contact, node: int, units: str) -> list[Row]:
    """Every layer at the node from the saddle down to the horse: how thick, how far pressed."""
    job, pressure = fitting.job, float(contact.cases[SHOWN].pressure_kpa[node])
    if not math.isfinite(pressure):
        return []
    rows = []
    bench = fitting.bench(contact.setup.arch).bench
    names = _common_names(fitting, contact)
    for name, (law, mm) in zip(names, common_layers(job.saddle, job.pad, contact.setup.insert, job.laws), strict=True):
        rows.append([name, _pressed(float(law.strain_at(np.array([pressure]))[0]), mm, units)])
    index = int(bench.pocket[node])
    if index >= 0:
        pocket = job.pad.pockets[index]
        stack = contact.setup.stacks.get(pocket.name, ())
        flat = bench.underside.flat_mm[node : node + 1]
        laws = {shim.name: job.laws[shim.material] for shim in job.pad.shims}
        for layer, mm in zip(stack, layer_thickness(job.pad, pocket, stack, flat)[:, 0], strict=True):
            strain = float(laws[layer.shim].strain_at(np.array([pressure]))[0])
            rows.append([f"Shim, {layer.shim}", _pressed(strain, float(mm), units)])
    rows.append(["The back itself gives", words.length(pressure / tissue().stiffness_kpa_per_mm, units, 0.1)])
    return rows


def _common_names(fitting: Fitting, contact: Contact) -> list[str]:
    pad, saddle = fitting.job.pad, fitting.job.saddle
    names = []
    if pad.shell_material is not None and pad.shell_mm > 0:
        names.append("Pad's shell")
    if contact.setup.insert is not None:
        names.append(f"Insert {contact.setup.insert}")
    if saddle.filling is not None and saddle.filling.depth_mm > 0:
        names.append(f"Panel, {saddle.filling.material}")
    return names


def _pressed(strain: float, mm: float, units: str) -> str:
    return f"{words.thickness(round(mm, 1), units)}, pressed {100 * strain:.0f} %"


def _bare_rows(fitting: Fitting, point_mm: FloatArray, units: str) -> list[Row]:
    side = 1 if point_mm[1] >= 0 else -1
    falls = slope_deg(fitting, point_mm, side)
    rows = [["Where", words.behind_withers(float(point_mm[0]))]]
    rows.append(["From the spine", f"{words.length(abs(float(point_mm[1])), units)} {'left' if side > 0 else 'right'}"])
    rows.append(["The back falls away", words.plain(falls, "°") if math.isfinite(falls) else words.NOT_SEEN])
    return rows


def _hand_rows(fitting: Fitting, contact: Contact, place: str, side: str, units: str) -> list[Row]:
    """What the hand should feel there, saddle only, with the set-up, mounted."""
    rows = []
    for check in hand_checks(fitting.back, fitting.job.saddle, contact):
        if check.place == place and check.side in (side, "none"):
            gap = gap_words(check, units).replace("\n", ", ")
            rows.append([check.state.capitalize(), f"{check.feel}{', ' + gap if gap else ''}"])
    return rows


def lit(fitting: Fitting, contact: Contact, finding: Finding) -> tuple[NDArray[np.bool_], list[list[float]], str]:
    """Nodes (n,) that a finding is about, points to ring where it is about the horse, and where to put the hand."""
    bench = fitting.bench(contact.setup.arch).bench
    sign = {"left": 1.0, "right": -1.0}.get(finding.side, 0.0)
    mine = np.ones(contact.side.size, bool) if sign == 0 else contact.side == sign
    place = finding.place
    if place in ZONE_PLACES:
        nodes = mine & (np.minimum((3 * contact.along).astype(int), 2) == ZONE_PLACES.index(place))
    elif place in ("arch", "withers"):
        nodes = mine & bench.underside.on_arch
    elif place in ("saddle", "panel"):
        nodes = mine
    else:
        nodes = np.zeros(contact.side.size, bool)
    return nodes, _rings(fitting, finding), where_to_feel(finding)


def where_to_feel(finding: Finding) -> str:
    """Where the hand goes, in the words of the hand table."""
    side = f" on the {finding.side}" if finding.side in ("left", "right") else " on both sides"
    if finding.place in ZONE_PLACES:
        return f"Slide the flat hand in under the {finding.place} of the panel{side}, palm to the horse."
    if finding.place in ("arch", "withers"):
        return f"Slide the flat hand down under the points{side}, from above."
    if finding.place in ("saddle", "panel"):
        return "Press the seat down with one hand; run the other along under the panel from front to rear, both sides."
    if finding.place == "loin":
        return "Feel for the last rib and follow it up to the spine: the panel ends in front of it."
    return "Stand square behind the horse on a block and run both flat hands along the back from the withers."


def _rings(fitting: Fitting, finding: Finding) -> list[list[float]]:
    """Places on the horse itself, for the view."""
    names = {"withers": ("withers",), "loin": ("last_rib_left", "last_rib_right"), "back": ("low",)}
    marks = [fitting.back.landmark(name) for name in names.get(finding.place, ())]
    return [y_up(m.position_mm[None])[0].tolist() for m in marks if m is not None and np.isfinite(m.position_mm).all()]
