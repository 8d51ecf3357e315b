"""What changed, in words with figures; what did not is said too."""

from collections.abc import Sequence

import numpy as np

from shimwright.export import words
from shimwright.scan.back import Back
from shimwright.scan.change import Change, Changed, Measure

LEAST = {"°": 0.1, "mm": 1.0, "cm²": 1.0}


def visit_name(back: Back, number: int) -> str:
    """The day, else a number and the file."""
    return words.day(back.source.date) or f"visit {number + 1} ({back.source.file})"


def change_sentence(change: Change, first: str, last: str) -> str:
    """One sentence: whether the back changed beyond error, and where most."""
    if change.none:
        return f"No change beyond error between {first} and {last}."
    told = [place_words(one) for one in most_changed(change)]
    if not told:
        return f"The back changed beyond error in places between {first} and {last}: see the map."
    return f"Between {first} and {last}: {'; '.join(told)}."


def most_changed(change: Change, count: int = 3) -> list[Changed]:
    """Places beyond error, the surest first; zones before single figures."""
    beyond = [one for one in change.places if one.beyond]
    zones = [one for one in beyond if one.name.endswith("filled")]
    others = [one for one in beyond if one not in zones and "more than" not in one.name]
    return sorted(zones, key=_sureness)[:count] or sorted(others, key=_sureness)[:count]


def _sureness(one: Changed) -> float:
    return -abs(one.change / one.sd)


def place_words(one: Changed) -> str:
    """`front left filled by 6 ± 2 mm`, `width 250 mm behind the withers + 8 ± 3 mm`."""
    if one.name.endswith(" filled"):
        where = f"{one.name.removesuffix(' filled')} {one.side}"
        size = words.with_error(abs(one.change), one.sd, one.unit, LEAST.get(one.unit, 1.0))
        return f"{where} {'filled' if one.change > 0 else 'fell away'} by {size}"
    return f"{measure_name(one)} {signed(one.change, one.sd, one.unit)}"


def measure_name(one: Changed | Measure) -> str:
    """The measure with its side and place."""
    if one.name.endswith(" filled"):
        return f"{one.name.removesuffix(' filled')} {one.side}, filled"
    side = f" {one.side}" if one.side in ("left", "right") else ""
    at = f", {-one.x_mm:.0f} mm behind the withers" if np.isfinite(one.x_mm) else ""
    return f"{one.name}{side}{at}"


def signed(value: float, sd: float, unit: str) -> str:
    """`+6 ± 2 mm`."""
    text = words.with_error(value, sd, unit, LEAST.get(unit, 1.0))
    return f"+{text}" if value > 0 and not text.startswith(("0 ", "0.0")) and np.isfinite(value) else text


def change_rows(change: Change) -> tuple[list[list[str]], list[str]]:
    """(rows of what changed beyond error: what, by how much), (names of what did not, each once)."""
    rows = [[measure_name(one), signed(one.change, one.sd, one.unit)] for one in change.places if one.beyond]
    same = [one for one in change.places if not one.beyond and np.isfinite(one.change)]
    grouped: dict[str, list[Changed]] = {}
    for one in same:
        grouped.setdefault(one.name, []).append(one)
    return rows, [_unchanged(name, group) for name, group in grouped.items()]


def _unchanged(name: str, group: Sequence[Changed]) -> str:
    """The measure, its side where only that one stayed, and the widest error."""
    side = f" {group[0].side}" if group[0].side in ("left", "right") and len({one.side for one in group}) == 1 else ""
    return f"{name.removesuffix(' filled')}{side} (error ± {error_of(max(group, key=lambda one: one.sd))})"


def error_of(one: Changed) -> str:
    """Its sd, rounded up, with the unit."""
    return words.with_error(0.0, one.sd, one.unit, LEAST.get(one.unit, 1.0)).split("± ")[-1]


def measure_rows(rows: Sequence[Sequence[Measure]]) -> list[list[str]]:
    """A line for each measure: its name and a figure for each visit."""
    table = []
    for k, first in enumerate(rows[0]):
        figures = [words.with_error(row[k].value, row[k].sd, row[k].unit, LEAST.get(first.unit, 1.0)) for row in rows]
        table.append([measure_name(first), *figures])
    return table
