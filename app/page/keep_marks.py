"""Marks and scale set on the page go into case.toml; everything else in it, comments too, stays as it was."""

from __future__ import annotations

from pathlib import Path

import tomlkit
from tomlkit.items import Table

from shimwright.scan.refusal import CannotWrite
from shimwright.scan.told import ScanPoint, Told


def keep_in_case(path: Path, told: Told) -> str:
    """Write the points told and the unit; says what was written. Raises CannotWrite."""
    points = {place: list(mark.xyz) for place, mark in told.marks.items() if isinstance(mark, ScanPoint)}
    try:
        document = tomlkit.parse(path.read_text(encoding="utf-8"))
        before = document.as_string()
        marks, frame = _table(document, "marks"), _table(document, "frame")
        for place, xyz in points.items():
            if list(marks.get(place, [])) != xyz:
                marks[place] = [round(value, 6) for value in xyz]
        if told.unit_mm is not None and told.scale is None and _other(frame.get("unit"), told.unit_mm):
            frame["unit"] = f"{told.unit_mm:.9g}"
            frame.pop("scale", None)
        _put(document, "marks", marks)
        _put(document, "frame", frame)
        text = document.as_string()
        if text == before:
            return f"{path.name} holds these marks already."
        coming = path.with_name(f".{path.name}.coming")
        coming.write_text(text, encoding="utf-8")
        coming.replace(path)
    except OSError as error:
        raise CannotWrite(f"{path.name}: cannot be written ({error.strerror}); make room or free the file") from error
    return f"{', '.join(place.replace('_', ' ') for place in points) or 'Scale'} kept in {path.name}."


def _table(document: tomlkit.TOMLDocument, name: str) -> Table:
    held = document.get(name)
    return held if isinstance(held, Table) else tomlkit.table()


def _put(document: tomlkit.TOMLDocument, name: str, table: Table) -> None:
    if table and name not in document:
        document[name] = table


def _other(told: object, unit_mm: float) -> bool:
    from shimwright.told_options import unit

    try:
        return told is None or abs(unit(told) / unit_mm - 1) > 1e-9
    except ValueError:
        return True
