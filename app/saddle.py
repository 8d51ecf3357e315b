"""`saddle`: a scan of the saddle upside down → saddle.toml, with what no scan can see left for the tape."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from shimwright.optimize.limits import limits
from shimwright.progress import progress
from shimwright.scan.read import read
from shimwright.scan.refusal import CannotWrite, WrongUse
from shimwright.told_options import direction, option, unit
from shimwright.told_results import write_line
from shimwright.toml_file import quoted

if TYPE_CHECKING:
    from shimwright.scan.underside_scan import UndersideFound

SADDLE_FIRST = 1
LONGEST_NAME = 60  # as saddle.toml takes it


@dataclass(frozen=True)
class ScanLies:
    """Options as typed: unit of the scan, up out of the underside, front towards the arch."""

    unit: str | None
    up: str | None
    front: str | None


@dataclass(frozen=True)
class SaddleWords:
    """What no scan shows, where it was told on the command line."""

    name: str | None
    style: str | None
    tree: str | None
    weight_kg: float | None


def saddle(scan: Path, lies: ScanLies, out: Path | None, told: SaddleWords, *, as_json: bool) -> int:
    """Read, measure, write; 1 where the saddle's own sides differ too much."""
    _check(told)
    unit_mm = option("--unit", unit, lies.unit)
    up, front = option("--up", direction, lies.up), option("--front", direction, lies.front)
    goal = out or scan.parent / f"{scan.stem}-saddle.toml"
    if goal.exists():
        raise CannotWrite(f"{goal}: is there already and may hold what was measured by tape; give another --out")
    with progress(scan.name) as say:
        say("reading")
        raw = read(scan)
        from shimwright.export.results import whole_results
        from shimwright.scan.underside_scan import UndersideTold, underside_of

        say("looking for the panels")
        found = underside_of(raw, UndersideTold(unit_mm, up, front))
        with whole_results(goal.absolute().parent) as results:
            (results / goal.name).write_text(saddle_toml(found, raw.file, told), encoding="utf-8", newline="\n")
    if as_json:
        write_line(saddle_document(found, raw.file, raw.sha256))
    else:
        print(*saddle_words(scan.stem, found), f"  written to {goal}", sep="\n")
    return SADDLE_FIRST if mend_first(found) else 0


def _check(told: SaddleWords) -> None:
    """What the file could not hold, or nobody could read again from it."""
    if told.weight_kg is not None and not math.isfinite(told.weight_kg):
        raise WrongUse(f"--weight {told.weight_kg}: no weight; say it in kg, or leave it out")
    if told.name is not None and not 0 < len(told.name) <= LONGEST_NAME:
        raise WrongUse(f"--name of {len(told.name)} letters: 1 to {LONGEST_NAME} can be shown; shorten it")


def mend_first(found: UndersideFound) -> bool:
    """Sides that differ by more than the verdict allows (limits.toml)."""
    return abs(found.worst_difference_mm) > limits().verdict.side_difference_mm


def saddle_words(name: str, found: UndersideFound) -> tuple[str, ...]:
    """What the terminal says."""
    angle = " · ".join(f"{value:.0f}" for value in found.angle_deg)
    channel = " · ".join(f"{value:.0f}" for value in found.channel_mm)
    lines = [
        f"{name}: panels {found.length_mm:.0f} mm long, {angle}° below horizontal, channel {channel} mm, rocker "
        f"{found.rocker_mm:.0f} mm"
    ]
    if mend_first(found):
        side = "left" if found.worst_difference_mm > 0 else "right"
        place = ("front", "middle", "rear")[int(abs(found.difference_mm).argmax())]
        lines.append(
            f"  saddle first: the {side} panel stands {abs(found.worst_difference_mm):.0f} ± "
            f"{found.difference_error_mm:.0f} mm proud of the other at the {place}, more than "
            f"{limits().verdict.side_difference_mm:g} mm: have the saddle mended before it is fitted to any horse"
        )
    lines.append("  not seen by any scan: style, tree, weight, arch, filling, seat, straps: fill them in by tape")
    return tuple(lines)


def saddle_document(found: UndersideFound, file: str, sha256: str) -> dict[str, object]:
    """The same as data; null is what was not seen."""
    from shimwright.export.plain_json import MADE_BY, plain

    return {
        "schema": "shimwright/saddle-scan/1",
        "made_by": MADE_BY,
        "scan": {"file": file, "sha256": sha256, "points": found.points, "noise_mm": plain(found.noise_mm)},
        "unit_source": found.unit_source,
        "length_mm": plain(found.length_mm),
        "panel_width_mm": plain(found.panel_width_mm),
        "channel_mm": plain(found.channel_mm),
        "angle_deg": plain(found.angle_deg),
        "angle_left_deg": plain(found.sides_angle_deg[0]),
        "angle_right_deg": plain(found.sides_angle_deg[1]),
        "rocker_mm": plain(found.rocker_mm),
        "panel_curve_mm": plain(found.panel_curve_mm),
        "difference_mm": plain(found.difference_mm),
        "arch": None,
        "mend_first": mend_first(found),
    }


def saddle_toml(found: UndersideFound, file: str, told: SaddleWords) -> str:
    """The file: what was seen with its error, what was told, and a line to fill in for all else."""
    from shimwright.scan.underside_scan import ANGLE_ERROR_DEG, ROCKER_ERROR_MM

    width, three = f"± {found.width_error_mm:.0f} mm", ", ".join
    left, right = (three(f"{value:.1f}" for value in row) for row in found.sides_angle_deg)
    thirds = three(f"{value:+.1f}" for value in found.difference_mm)
    rows = [
        f"# One saddle by a scan of its underside, {_printable(file)}. Seen: what has a ±. Not seen: fill in by tape.",
        "# Distances count BACKWARDS from the panels' front end, taken as the arch's front edge: check it.",
        "",
        _told("name", told.name or _printable(Path(file).stem)[:LONGEST_NAME]),
        _told("style", told.style, "english | western | treeless: not seen"),
        _told("tree", told.tree, "rigid | spring | flexible | half-tree | jointed | treeless: not seen"),
        _told("weight_kg", told.weight_kg, "not seen: scales"),
        "",
        f"length_mm = {found.length_mm:.0f}  # {width}",
        f"panel_width_mm = [{three(f'{value:.0f}' for value in found.panel_width_mm)}]  # {width}",
        f"channel_mm = [{three(f'{value:.0f}' for value in found.channel_mm)}]  # {width}",
        f"angle_deg = [{three(f'{value:.1f}' for value in found.angle_deg)}]  # ± {ANGLE_ERROR_DEG:g}°; left {left}, "
        f"right {right}",
        f"rocker_mm = {found.rocker_mm:.0f}  # ± {ROCKER_ERROR_MM:g} mm",
        f"panel_curve_mm = {found.panel_curve_mm:.0f}  # ± 2 mm",
        f"side_difference_mm = {found.difference_mm.mean():.1f}  # ± {found.difference_error_mm:.1f} mm; left less "
        f"right at front, middle, rear: {thirds}",
        "# rise_mm = 0            # not seen: a scan does not know what its maker meant as level",
        "",
        "# arch_length_mm = 90    # not seen: how far back the arch's legs bear",
        "# seat_x_mm = 235        # not seen: lowest point of the seat",
        "# straps_x_mm = [150]    # not seen: girth straps",
        "",
        f"# Arch: not seen from below. The panels' fronts are {180 - 2 * found.angle_deg[0]:.0f}° apart, which is",
        "# not the arch itself: gauge the angle between its legs, and its width 100 mm below its top.",
        '# reference_arch = "…"',
        "# [[arch]]",
        '# name = "…"',
        "# included_deg = …",
        "# width_mm = …",
        "",
        "# Panel filling: not seen. Solid panels: leave it out.",
        "# [filling]",
        '# material = "wool"',
        "# depth_mm = 30",
    ]
    return "\n".join(rows) + "\n"


def _printable(words: str) -> str:
    return "".join(letter if letter.isprintable() else "?" for letter in words)


def _told(key: str, value: str | float | None, else_words: str = "") -> str:
    if value is None:
        return f"# {key} =   # FILL IN: {else_words}"
    if isinstance(value, str):
        return f"{key} = {quoted(value)}"
    return f"{key} = {value:g}"
