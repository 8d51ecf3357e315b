"""From a point cloud on disk to the measured back, beside Open3D's own read and 5 mm voxel-downsample."""

import tempfile
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import open3d
from row import Row, median_seconds

from shimwright.scan.read import read
from shimwright.scan.survey import survey
from shimwright.scan.synthetic import BUILDS, exact_surface
from shimwright.scan.told import NOTHING_TOLD, Told


def write_cloud(path: Path, count: int) -> None:
    """A level back as a binary PLY of about `count` points, mm, z up, head +x, noise of 0.3 mm."""
    rng = np.random.default_rng(3)
    surface = exact_surface(BUILDS["level"])
    x = rng.uniform(surface.x_mm[0], surface.x_mm[-1], count)
    phi = rng.uniform(np.radians(-95), np.radians(95), count)
    points = surface.point(x, phi) + rng.normal(0, 0.3, (count, 3))
    cloud = open3d.geometry.PointCloud(open3d.utility.Vector3dVector(points[np.isfinite(points).all(axis=1)]))
    open3d.io.write_point_cloud(str(path), cloud)


def rows() -> Iterator[Row]:
    told = Told(up=(0.0, 0.0, 1.0), head=(1.0, 0.0, 0.0), unit_mm=1.0)
    with tempfile.TemporaryDirectory() as folder:
        for count, tell, goal in (
            (1_000_000, told, "peer within 5×"),
            (1_000_000, NOTHING_TOLD, "peer within 10×"),
            (250_000, told, "linear"),
            (4_000_000, told, "linear"),
        ):
            path = Path(folder) / f"{count}.ply"
            write_cloud(path, count)

            def ours(path: Path = path, tell: Told = tell) -> object:
                return survey(read(path), tell, None, lambda _: None)

            def peer(path: Path = path) -> object:
                return open3d.io.read_point_cloud(str(path)).voxel_down_sample(5.0)

            said = "told" if tell is told else "nothing told"
            yield Row(
                f"{count} points: binary PLY → Back, {said}",
                median_seconds(ours, 3),
                "Open3D read + voxel",
                median_seconds(peer, 3),
                goal,
            )
