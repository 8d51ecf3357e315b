"""XYZ, PTS, TXT, CSV and ASC: columns of numbers, with or without a header, a count line or comments."""

import re
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
    head = _head(path)
    delimiter, skip, names = _layout(head, path.name)
    try:
        table = np.loadtxt(
            path, delimiter=delimiter, skiprows=skip, comments=("#", "//"), ndmin=2, encoding="utf-8-sig"
        )
    except (ValueError, UnicodeDecodeError) as error:
        raise InputRefused(
            f"{path.name}: not a table of numbers ({str(error).splitlines()[0][:90]}); "
            f"export the cloud as x y z, one point a line"
        ) from error
    column = _columns(table, names, path.name)
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


def _layout(head: list[str], file: str) -> tuple[str | None, int, list[str] | None]:
    """(delimiter, lines to skip, column names) from the first lines."""
    for number, line in enumerate(head):
        fields = line.strip()
        if not fields or re.fullmatch(r"\d+", fields):  # blank, or a count of points
            continue
        delimiter = next((mark for mark in (";", ",", "\t") if mark in fields), None)
        cells = [cell.strip() for cell in (fields.split(delimiter) if delimiter else fields.split())]
        if all(_is_number(cell) for cell in cells):
            return delimiter, number, None
        words = [cell.lower().strip("\"'# ") for cell in fields.lstrip("#/ ").split(delimiter)]
        if {"x", "y", "z"} <= set(words):
            return delimiter, number + 1, words
        if not fields.startswith(("#", "//")):
            raise InputRefused(
                f"{file}: line {number + 1} reads '{fields[:40]}': neither numbers nor a header with x, y and z; "
                f"export the cloud as x y z, one point a line"
            )
    raise InputRefused(f"{file}: 0 points in the text; export the cloud as x y z, one point a line")


def _is_number(cell: str) -> bool:
    try:
        float(cell)
    except ValueError:
        return False
    return True


def _columns(table: FloatArray, names: list[str] | None, file: str) -> dict[str, int]:
    """Where each quantity stands: by name, else by the usual orders x y z [i] [r g b] [nx ny nz]."""
    if names is not None:
        found = {key: names.index(name) for key, aliases in NAMES.items() for name in aliases if name in names}
        return {key: index for key, index in found.items() if index < table.shape[1]}
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
