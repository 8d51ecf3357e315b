"""The invented yard: four horses, their scans made by the tool's own generator.

`python -m shimwright.meshes.yard` makes the scans again. Cases, saddles and pads are told by hand in TOML.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from types import MappingProxyType

import numpy as np
from scipy.spatial.transform import Rotation

from shimwright.scan.raw import RawScan
from shimwright.scan.synthetic import BUILDS, Dot, HorseShape, Pose, ply_bytes, scan_of
from shimwright.scan.synthetic_scan import Y_UP

HORSES = Path(__file__).parent / "horses"
SCAN = "scan.ply"
WITHERS_AND_SHOULDERS = (Dot("green", 0.0, 0.0), Dot("red", -52.0, 150.0), Dot("red", -52.0, -150.0))
STRIP = (Dot("yellow", -550.0, 0.0), Dot("cyan", -250.0, 0.0))  # a 300 mm strip laid along the spine
_LEVEL = replace(BUILDS["level"], dip_mm=76.0)


@dataclass(frozen=True)
class YardHorse:
    """shape: the invented horse. mesh: surface or bare points. pose: how it stands in the scan's coordinates."""

    shape: HorseShape
    seed: int
    spacing_mm: float
    noise_mm: float
    mesh: bool
    pose: Pose
    dots: tuple[Dot, ...] = ()


def _standing(turned_deg: float, at_mm: tuple[float, float, float], mm_per_unit: float, y_up: bool) -> Pose:
    """Turned about gravity, z or y up."""
    turn = Rotation.from_euler("z", turned_deg, degrees=True).as_matrix()
    return Pose(Y_UP @ turn if y_up else turn, np.array(at_mm), mm_per_unit)


YARD: Mapping[str, YardHorse] = MappingProxyType(
    {
        # level: nothing is needed
        "fennel": YardHorse(
            _LEVEL, 11, 9.5, 0.4, False, _standing(8.0, (350.0, -120.0, 1560.0), 1.0, False), WITHERS_AND_SHOULDERS
        ),
        # dipped: the saddle bridges; a phone's scan, metres, y up
        "willow": YardHorse(
            replace(_LEVEL, dip_mm=99.0, withers_mm=108.0),
            12,
            15.0,
            1.0,
            True,
            _standing(184.0, (-600.0, 1490.0, 250.0), 1000.0, True),
        ),
        # one-sided: hollow behind the left shoulder
        "juniper": YardHorse(
            replace(_LEVEL, hollow_mm=(13.0, 0.0), uneven_mm=4.0),
            13,
            9.5,
            0.4,
            False,
            _standing(-5.0, (0.0, 0.0, 0.0), 1.0, False),
            WITHERS_AND_SHOULDERS + STRIP,
        ),
        # broad and flat
        "dumpling": YardHorse(BUILDS["flat"], 14, 15.0, 0.8, True, _standing(90.0, (80.0, 40.0, 1450.0), 1.0, False)),
    }
)


def scan_of_horse(horse: YardHorse) -> RawScan:
    """The scan as its file holds it, but in full precision."""
    rng = np.random.default_rng(horse.seed)
    raw = scan_of(horse.shape, horse.spacing_mm, rng, horse.noise_mm, horse.pose, horse.dots)
    return raw if horse.mesh else replace(raw, faces=None)


def scan_file(name: str) -> bytes:
    """The bytes of a horse's scan file."""
    return ply_bytes(scan_of_horse(YARD[name]))


def make_yard(horses: Path = HORSES) -> None:
    """Write every scan into its horse's folder."""
    for name in YARD:
        (horses / name).mkdir(parents=True, exist_ok=True)
        (horses / name / SCAN).write_bytes(scan_file(name))


if __name__ == "__main__":
    make_yard()
