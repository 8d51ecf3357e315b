"""PCD through Open3D, which does not raise on bad files: the header is held against what came."""

import re
from pathlib import Path

import numpy as np

from shimwright.scan.raw import FloatArray, Paint, RawScan
from shimwright.scan.read_apart import apart
from shimwright.scan.refusal import InputRefused


def read_pcd(path: Path) -> RawScan:
    """ascii, binary or compressed. Points without a number are dropped: in organised clouds they mean "not seen"."""
    promised = _checked_count(path)
    points, normals, colours = apart(open3d_cloud, path)
    if len(points) != promised:
        raise _cut_off(path, promised, f"{len(points)} points")
    good = np.isfinite(points).all(axis=1)
    rgb = np.rint(255 * colours).astype(np.uint8)
    return RawScan(
        points=points[good],
        faces=None,
        normals=normals[good] if len(normals) == len(points) else None,
        paint=Paint(points[good], rgb[good]) if len(rgb) == len(points) else None,
        unit_mm=None,
        up=None,
        format="PCD",
        file=path.name,
        sha256="",
        messages=()
        if good.all()
        else (f"{int((~good).sum())} of {len(points)} points hold no number and were left out",),
    )


def _checked_count(path: Path) -> int:
    """Points that the header promises, if the bytes for them are there: Open3D gives junk for those that are not."""
    data = path.read_bytes()
    head = re.search(rb"^DATA\s+(ascii|binary_compressed|binary)[^\n]*\n", data[:8192], re.MULTILINE | re.IGNORECASE)
    found = re.search(rb"^POINTS\s+(\d+)\s", data[:8192], re.MULTILINE)
    if head is None or found is None or not re.search(rb"^FIELDS\s+.*\bx y z\b", data[:8192], re.MULTILINE):
        raise InputRefused(f"{path.name}: no PCD header (FIELDS x y z, POINTS, DATA); export the scan again")
    promised, body, kind = int(found[1]), data[head.end() :], head[1].lower()
    if kind == b"ascii":
        rows = [line for line in body.split(b"\n") if line.strip()]
        width = len(rows[0].split()) if rows else 0
        if len(rows) < promised or any(len(row.split()) != width for row in rows):
            raise _cut_off(
                path, promised, f"{len(rows)} rows, the last of {len(rows[-1].split()) if rows else 0} numbers,"
            )
    else:
        # pointclouds.org file format: compressed data begin with their packed size and their full size, 4 bytes each
        needed = promised * _bytes_per_point(data[: head.start()]) if kind == b"binary" else 8
        if kind == b"binary_compressed" and len(body) >= needed:
            needed += int.from_bytes(body[:4], "little")
        if len(body) < needed:
            raise _cut_off(path, promised, f"{len(body)} of {needed} bytes")
    return promised


def _bytes_per_point(header: bytes) -> int:
    sizes, counts = (
        [int(word) for word in found[1].split()]
        if (found := re.search(rb"^%s\s+([\d ]+)" % key, header, re.MULTILINE))
        else []
        for key in (b"SIZE", b"COUNT")
    )
    return sum(size * count for size, count in zip(sizes, counts or [1] * len(sizes), strict=False))


def _cut_off(path: Path, promised: int, found: str) -> InputRefused:
    return InputRefused(
        f"{path.name}: the header promises {promised} points, {found} were found: the file is cut off; export it again"
    )


def open3d_cloud(path: Path) -> tuple[FloatArray, FloatArray, FloatArray]:
    """(points, normals, colours) by Open3D, which crashes on some damaged files: only for `apart`."""
    import open3d

    cloud = open3d.io.read_point_cloud(path, remove_nan_points=False, remove_infinite_points=False)
    return np.array(cloud.points), np.array(cloud.normals), np.array(cloud.colors)
