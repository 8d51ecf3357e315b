"""LAS/LAZ and E57 (extra `formats`): metres, z up, each E57 scan at its own pose.

The native parsers behind them can hang or crash on damaged files, so they run in a process of their own.
"""

import struct
from pathlib import Path

import numpy as np

from shimwright.scan.raw import FloatArray, Paint, RawScan
from shimwright.scan.read_apart import apart
from shimwright.scan.refusal import InputRefused

UP = np.array([0.0, 0.0, 1.0])
MM_PER_M = 1000.0
# ASPRS LAS 1.4 R15, tables 3 and 7: where the header keeps its size, the offset of the points and the number of records
LAS_COUNTS_AT, LAS_RECORD_BYTES = 94, 54
Columns = tuple[FloatArray, FloatArray | None]  # points (n, 3), colours (n, 3) or None


def read_las(path: Path) -> RawScan:
    import laspy  # noqa: F401  a missing extra is told before a process is started

    _records_fit(path)
    return _scan(apart(las_columns, path), path, "LAS")


def _records_fit(path: Path) -> None:
    """Refuses a header that promises more records than lie before its points: parsers would walk millions of them."""
    with path.open("rb") as file:
        head = file.read(LAS_COUNTS_AT + 10)
    if head[:4] != b"LASF" or len(head) < LAS_COUNTS_AT + 10:
        return
    header_bytes, points_at, records = struct.unpack("<HII", head[LAS_COUNTS_AT:])
    if records * LAS_RECORD_BYTES > points_at - header_bytes:
        raise InputRefused(
            f"{path.name}: the header promises {records} records in {points_at - header_bytes} bytes, "
            f"{LAS_RECORD_BYTES} each at least: the file is damaged; export the scan again"
        )


def read_e57(path: Path) -> RawScan:
    import pye57  # noqa: F401

    return _scan(apart(e57_columns, path), path, "E57")


def _scan(columns: Columns, path: Path, name: str) -> RawScan:
    points, colours = columns
    if len(points) == 0:
        raise InputRefused(f"{path.name}: read as {name}, 0 points: nothing to measure; export the scan again")
    rgb = None
    if colours is not None and colours.max() > 0:
        rgb = np.clip(colours / (256 if colours.max() > 255 else 1), 0, 255).astype(np.uint8)
    return RawScan(
        points=points,
        faces=None,
        normals=None,
        paint=None if rgb is None else Paint(points, rgb),
        unit_mm=MM_PER_M,
        up=UP,
        format=name,
        file=path.name,
        sha256="",
    )


def las_columns(path: Path) -> Columns:
    import laspy

    cloud = laspy.read(str(path))
    if len(cloud.points) != cloud.header.point_count:
        raise InputRefused(
            f"{path.name}: the header promises {cloud.header.point_count} points, {len(cloud.points)} were found: "
            f"the file is cut off; export it again"
        )
    names = set(cloud.point_format.dimension_names)
    rgb = np.column_stack([cloud.red, cloud.green, cloud.blue]).astype(float) if "red" in names else None
    return np.asarray(cloud.xyz, dtype=np.float64), rgb


def e57_columns(path: Path) -> Columns:
    import pye57

    file = pye57.E57(str(path))
    scans = [file.read_scan(i, ignore_missing_fields=True, colors=True) for i in range(file.scan_count)]
    points = [np.column_stack([s["cartesianX"], s["cartesianY"], s["cartesianZ"]]) for s in scans]
    coloured = bool(scans) and all("colorRed" in s for s in scans)
    colours = [np.column_stack([s["colorRed"], s["colorGreen"], s["colorBlue"]]) for s in scans] if coloured else []
    return (
        np.concatenate(points) if points else np.empty((0, 3)),
        np.concatenate(colours).astype(float) if colours else None,
    )
