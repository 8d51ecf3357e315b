"""PCD through Open3D, which does not raise on bad files: the header is held against what came."""

import re
from pathlib import Path

import numpy as np

from shimwright.scan.raw import FloatArray, Paint, RawScan
from shimwright.scan.read_apart import apart
from shimwright.scan.refusal import InputRefused


def read_pcd(path: Path) -> RawScan:
    """ascii, binary or compressed. Points without a number are dropped: in organised clouds they mean "not seen"."""
    with path.open("rb") as stream:
        header = stream.read(4096)
    promised = re.search(rb"^POINTS\s+(\d+)", header, re.MULTILINE)
    if promised is None or not re.search(rb"^DATA\s+\w+", header, re.MULTILINE):
        raise InputRefused(f"{path.name}: no PCD header (POINTS, DATA); export the scan again")
    points, normals, colours = apart(open3d_cloud, path)
    if len(points) != int(promised.group(1)):
        raise InputRefused(
            f"{path.name}: the header promises {int(promised.group(1))} points, {len(points)} were found: "
            f"the file is cut off; export it again"
        )
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


def open3d_cloud(path: Path) -> tuple[FloatArray, FloatArray, FloatArray]:
    """(points, normals, colours) by Open3D, which crashes on some damaged files: only for `apart`."""
    import open3d

    cloud = open3d.io.read_point_cloud(path, remove_nan_points=False, remove_infinite_points=False)
    return np.array(cloud.points), np.array(cloud.normals), np.array(cloud.colors)
