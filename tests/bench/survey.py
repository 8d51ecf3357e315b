"""From a point cloud on disk to the measured back, beside Open3D's own read and 5 mm voxel-downsample."""

import statistics
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import open3d
from row import Row, median_seconds, shown
from survey_alone import TOLD, alone

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


GROWTH = (100_000, 300_000, 1_000_000, 3_000_000, 10_000_000)


def rows() -> Iterator[Row]:
    with tempfile.TemporaryDirectory() as folder:
        path, warm = Path(folder) / "cloud.ply", Path(folder) / "warm.ply"
        write_cloud(path, 1_000_000)
        yield from _beside_open3d(path)
        write_cloud(warm, GROWTH[0])
        before = (0, 0.0)
        for count in GROWTH:
            write_cloud(path, count)
            took = alone(path, warm)
            note = f"CPU {shown(took.cpu_seconds)}, peak {took.peak_gb:.2f} GB"
            if before[0]:
                further = 1e6 * (took.cpu_seconds - before[1]) / (count - before[0])
                note += f", {further:.2f} s of CPU per further million"
            before = (count, took.cpu_seconds)
            work = f"{count:,}".replace(",", " ") + " points: binary PLY → Back, told, alone"
            yield Row(work, took.seconds, "", None, "linear; 10 M under 4 GB", note)


def _beside_open3d(path: Path) -> Iterator[Row]:
    def peer() -> object:
        return open3d.io.read_point_cloud(str(path)).voxel_down_sample(5.0)

    for tell, said, goal in ((TOLD, "told", "peer within 5×"), (NOTHING_TOLD, "nothing told", "peer within 10×")):

        def ours(tell: Told = tell) -> object:
            return survey(read(path), tell, None, lambda _: None)

        seconds, peer_seconds = median_seconds(ours), median_seconds(peer)
        note = f"CPU {shown(_cpu_seconds(ours))} beside {shown(_cpu_seconds(peer))}"
        work = f"1 000 000 points: binary PLY → Back, {said}"
        yield Row(work, seconds, "Open3D read + voxel", peer_seconds, goal, note)


def _cpu_seconds(work: Callable[[], object], times: int = 5) -> float:
    """Median processor seconds: on a busy computer the clock says more about the others."""
    took = []
    for _ in range(times):
        start = time.process_time()
        work()
        took.append(time.process_time() - start)
    return statistics.median(took)
