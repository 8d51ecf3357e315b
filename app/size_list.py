"""Who belongs to a crowd of horses: scans of a folder, and a CSV list of their groups and weights."""

from __future__ import annotations

import csv
import difflib
import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from shimwright.scan.read import READERS
from shimwright.scan.refusal import InputRefused, WrongUse
from shimwright.scan.told import PLACES, Told
from shimwright.text_file import text_of
from shimwright.told_options import direction, marks, unit
from shimwright.toml_file import wrong

KNOWN = ("file", "group", "weight", "name", "unit", "up", "head", *PLACES)
ONLY_LISTED = (".csv", ".txt")  # rarely scans: taken where the list names them
BACK = "back.json"
LARGEST_BYTES = 50_000_000  # a row has some 50: a million scans


@dataclass(frozen=True)
class Listed:
    """One row of the list. kind: its group."""

    name: str
    kind: str
    weight: float
    told: Told


@dataclass(frozen=True)
class Member:
    """One horse of the crowd: its file, as the report calls it, and what was told."""

    path: Path
    file: str
    listed: Listed


def members(folder: Path, list_file: Path | None, out: Path, told: Told) -> list[Member]:
    """All scans and back.json below the folder, by name, and those of the list that are not there: each gets a row."""
    if not folder.is_dir():
        raise WrongUse(f"{folder}: no such folder; name the folder that holds the scans")
    listed = read_list(list_file, told) if list_file else {}
    found = {_relative(path, folder): path for path in _files(folder, out)}
    names = sorted(found.keys() | listed.keys()) if listed else sorted(found)
    rare = {name for name in names if Path(name).suffix.lower() in ONLY_LISTED and name not in listed}
    crowd = [
        Member(found.get(name, folder / name), name, listed.get(name) or Listed(_plain_name(name), "", 1.0, told))
        for name in names
        if name not in rare
    ]
    if not crowd:
        raise WrongUse(f"{folder}: no scan in it (nor a {BACK}); formats that are read: {' '.join(sorted(READERS))}")
    return crowd


def read_list(path: Path, told: Told) -> Mapping[str, Listed]:
    """file → what the list tells of it. Columns: file, and of `KNOWN` what there is; others are left alone."""
    text = text_of(path, "a list", LARGEST_BYTES, "check the name of the list")
    if "\0" in text:
        raise WrongUse(
            f"{path}: byte {text.index(chr(0))} is no letter (NUL): not a text; save the list as CSV in UTF-8"
        )
    head = text.splitlines()[0] if text.strip() else ""
    reader = csv.DictReader(text.splitlines(), delimiter=max(",;\t", key=head.count), strict=True)
    try:
        rows, columns = list(reader), [name.strip() for name in (reader.fieldnames or ())]
    except csv.Error as error:
        raise WrongUse(
            f"{path}: line {reader.reader.line_num} is no row of a CSV list ({error}); mend that line"
        ) from None
    _check_columns(path, columns)
    found: dict[str, Listed] = {}
    lines: list[str] = []
    for number, row in enumerate(rows, 2):
        told_row = {(key or "").strip(): (value or "").strip() for key, value in row.items() if isinstance(value, str)}
        name = Path(told_row.get("file", "")).as_posix().removeprefix("./")
        if name in ("", "."):
            continue
        if name in found:
            lines.append(f'line {number}: "{name}" is there twice; keep one')
            continue
        try:
            found[name] = _listed(told_row, name, told)
        except ValueError as error:
            lines.append(f"line {number}: {error}")
    if lines:
        raise wrong(path, lines)
    return found


def _check_columns(path: Path, columns: list[str]) -> None:
    if "file" not in columns:
        raise WrongUse(f'{path}: no column "file" in its first line; it says which scan a row is about')
    if twice := [name for name in KNOWN if columns.count(name) > 1]:
        raise WrongUse(f'{path}: {columns.count(twice[0])} columns "{twice[0]}" in its first line; keep one')
    lines = [
        f'"{name}" is not a column here; did you mean "{near[0]}"? Rename it, or leave it out'
        for name in columns
        if name not in KNOWN and (near := difflib.get_close_matches(name, KNOWN, 1, 0.8))
    ]
    if lines:
        raise wrong(path, lines)


def _listed(row: Mapping[str, str], name: str, told: Told) -> Listed:
    own = replace(
        told,
        unit_mm=unit(row["unit"]) if row.get("unit") else told.unit_mm,
        up=direction(row["up"]) if row.get("up") else told.up,
        head=direction(row["head"]) if row.get("head") else told.head,
        marks=marks((place, row[place]) for place in PLACES if row.get(place)),
    )
    return Listed(row.get("name") or _plain_name(name), row.get("group", ""), _weight(row.get("weight") or "1"), own)


def _weight(told: str) -> float:
    try:
        value = float(told.replace(",", "."))
    except ValueError:
        value = math.nan
    if not (math.isfinite(value) and 0.0 <= value <= 1e9):
        raise ValueError(f'weight "{told}": a number from 0 on is needed; 2 counts twice as much as 1')
    return value


def _files(folder: Path, out: Path) -> list[Path]:
    """Scans and measured backs below the folder, without hidden places and the folder of results."""
    found, places = [], [folder]
    while places:
        here = places.pop()
        try:
            inside = sorted(here.iterdir())
        except OSError as error:
            raise WrongUse(f"{here}: cannot be read ({error.strerror}); check the rights") from None
        for path in inside:
            if path.name.startswith(".") or path.absolute() == out.absolute():
                continue
            if path.is_dir() and not path.is_symlink():
                places.append(path)
            elif path.is_file() and (path.suffix.lower() in READERS or path.name == BACK):
                found.append(path)
    return found


def _relative(path: Path, folder: Path) -> str:
    return path.relative_to(folder).as_posix()


def _plain_name(name: str) -> str:
    """juniper/back.json → juniper; mares/7.ply → 7."""
    path = Path(name)
    return path.parent.name or path.stem if path.name == BACK else path.stem


def twice(first: str) -> InputRefused:
    """The same scan under another name."""
    return InputRefused(f"the same scan as {first}: counted once")
