"""XYZ, PTS, TXT, CSV and ASC: columns of numbers, with or without a header, a count line or comments."""

import re
import warnings
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from shimwright.scan.raw import FloatArray, Paint, RawScan
from shimwright.scan.refusal import InputRefused

NAMES = {
    "x": ("x", "//x", "x[m]", "px"),
    "y": ("y", "y[m]", "py"),
    "z": ("z", "z[m]", "pz"),
    "r": ("r", "red"),
    "g": ("g", "green"),
    "b": ("b", "blue"),
    "nx": ("nx", "normal_x"),
    "ny": ("ny", "normal_y"),
    "nz": ("nz", "normal_z"),
}


def read_text(path: Path) -> RawScan:
    """Read columns x y z [colour, normals]; the header decides, else the number of columns and their range."""
    layout = _layout(_head(path), path.name)
    table = _table(path, layout)
    if layout.promised is not None and len(table) < layout.promised:
        raise InputRefused(
            f"{path.name}: the first line promises {layout.promised} points, {len(table)} were found: "
            f"the file is cut off; export it again"
        )
    column = _columns(table, layout.names, path.name)
    rgb = _rgb(table, column)
    points = table[:, [column["x"], column["y"], column["z"]]]
    return RawScan(
        points=points,
        faces=None,
        normals=table[:, [column[k] for k in ("nx", "ny", "nz")]] if "nx" in column else None,
        paint=None if rgb is None else Paint(points, rgb),
        unit_mm=None,
        up=None,
        format="text",
        file=path.name,
        sha256="",
    )


def _head(path: Path) -> list[str]:
    with path.open("rb") as stream:
        data = stream.read(16384)
    if b"\x00" in data:
        raise InputRefused(f"{path.name}: not text, it holds zero bytes; export the cloud as x y z, one point a line")
    return data.decode("utf-8-sig", errors="replace").splitlines()


@dataclass(frozen=True)
class Layout:
    """How the numbers stand: delimiter (None: blanks), decimal sign, lines before them, column names, told count."""

    delimiter: str | None
    decimal: str  # a comma where the table comes from a program that is set to such a country
    skip: int
    names: list[str] | None
    promised: int | None
    plain: bool = True  # as numpy reads it by itself, quickly


def _table(path: Path, layout: Layout) -> FloatArray:
    """(n, columns), or InputRefused with the line that is not a row of the table."""
    try:
        with path.open(encoding="utf-8-sig") as stream, warnings.catch_warnings():
            warnings.simplefilter("ignore", UserWarning)  # no row at all: told below, with the count
            plain = (line.replace('"', "").replace(layout.decimal, ".") for line in stream)
            return np.loadtxt(
                path if layout.plain else plain,
                delimiter=layout.delimiter,
                skiprows=layout.skip,
                comments=("#", "//"),
                ndmin=2,
                encoding="utf-8-sig",
            )
    except (ValueError, UnicodeDecodeError) as error:
        raise InputRefused(
            f"{path.name}: {_odd_line(path, layout)}; export the cloud as x y z, one point a line"
        ) from error


def _odd_line(path: Path, layout: Layout) -> str:
    """In words, the first line that has other than numbers, or more or fewer than the first row."""
    columns = None
    with path.open(encoding="utf-8-sig", errors="replace") as stream:
        for number, line in enumerate(stream, 1):
            text = line.strip()
            if number <= layout.skip or not text or text.startswith(("#", "//")):
                continue
            cells = _cells(text, layout.delimiter, layout.decimal)
            columns = columns or len(cells)
            if not all(map(_is_number, cells)):
                return f"line {number} reads '{text[:40]}', which is not numbers alone"
            if len(cells) != columns:
                return f"line {number} has {len(cells)} numbers, the first row {columns}: the file is damaged"
    return "not a table of numbers"


def _layout(head: list[str], file: str) -> Layout:
    """From the first lines."""
    promised = None
    for number, line in enumerate(head):
        fields = line.strip()
        if not fields:
            continue
        if re.fullmatch(r"\d{1,18}", fields):  # a count of points
            promised = int(fields)
            continue
        if found := _signs(fields):
            return Layout(*found, number, None, promised, found[1] == "." and '"' not in fields)
        delimiter = next((mark for mark in (";", ",", "\t") if mark in fields), None)
        words = [cell.lower().strip("\"'# ") for cell in fields.lstrip("#/ ").split(delimiter)]
        if {"x", "y", "z"} <= set(words):
            below = next((row.strip() for row in head[number + 1 :] if row.strip()), "")
            decimal = _decimal(below, delimiter)
            return Layout(delimiter, decimal, number + 1, words, promised, decimal == "." and '"' not in below)
        if not fields.startswith(("#", "//")):
            raise InputRefused(
                f"{file}: line {number + 1} reads '{fields[:40]}': neither numbers nor a header with x, y and z; "
                f"export the cloud as x y z, one point a line"
            )
    raise InputRefused(f"{file}: 0 points in the text; export the cloud as x y z, one point a line")


def _signs(row: str) -> tuple[str | None, str] | None:
    """(delimiter, decimal sign) under which the whole row is numbers, a decimal point before a decimal comma."""
    for decimal in (".", ","):
        for delimiter in (";", "\t", ",", None):
            if (delimiter is None or delimiter in row) and delimiter != decimal:
                cells = _cells(row, delimiter, decimal)
                if all(map(_is_number, cells)):
                    return delimiter, decimal
    return None


def _decimal(row: str, delimiter: str | None) -> str:
    comma = delimiter != "," and not all(map(_is_number, _cells(row, delimiter, ".")))
    return "," if comma else "."


def _cells(row: str, delimiter: str | None, decimal: str) -> list[str]:
    return [cell.strip().strip('"').replace(decimal, ".") for cell in row.split(delimiter)]


def _is_number(cell: str) -> bool:
    try:
        float(cell)
    except ValueError:
        return False
    return True


def _columns(table: FloatArray, names: list[str] | None, file: str) -> dict[str, int]:
    """Where each quantity stands: by name, else by the usual orders x y z [i] [r g b] [nx ny nz]."""
    if not table.size:
        raise InputRefused(f"{file}: 0 points in the text; export the cloud as x y z, one point a line")
    if names is not None:
        found = {key: names.index(name) for key, aliases in NAMES.items() for name in aliases if name in names}
        found = {key: index for key, index in found.items() if index < table.shape[1]}
        if not {"x", "y", "z"} <= found.keys():
            raise InputRefused(
                f"{file}: the header names {len(names)} columns, the rows have {table.shape[1]}: "
                f"the file is damaged; export it again"
            )
        return found
    n = table.shape[1]
    if n < 3:
        raise InputRefused(f"{file}: {n} columns of numbers, 3 are needed; export the cloud as x y z, one point a line")
    places = {"x": 0, "y": 1, "z": 2}
    for start in (3, 4):
        if n >= start + 3 and _are_colours(table[:, start : start + 3]):
            places |= {"r": start, "g": start + 1, "b": start + 2}
            break
    after = max(places.values()) + 1
    if n >= after + 3 and _are_normals(table[:, after : after + 3]):
        places |= {"nx": after, "ny": after + 1, "nz": after + 2}
    return places


def _are_colours(block: FloatArray) -> bool:
    return bool(np.isfinite(block).all() and (block >= 0).all() and 1 < block.max() <= 255 and (block % 1 == 0).all())


def _are_normals(block: FloatArray) -> bool:
    length = np.linalg.norm(block, axis=1)
    return bool(np.isfinite(length).all() and (np.abs(length - 1) < 0.02).mean() > 0.95)


def _rgb(table: FloatArray, column: dict[str, int]) -> "np.ndarray[tuple[int, int], np.dtype[np.uint8]] | None":
    if not {"r", "g", "b"} <= column.keys():
        return None
    values = table[:, [column["r"], column["g"], column["b"]]]
    if not np.isfinite(values).all():
        return None
    scale = 255.0 if values.max() <= 1.0 else 1.0
    return np.clip(np.rint(values * scale), 0, 255).astype(np.uint8)
