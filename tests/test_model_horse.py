"""A model horse that walks with its head turned, against landmarks read by eye (tests/data/ATTRIBUTION.md)."""

from pathlib import Path

import numpy as np
import pytest

from shimwright.scan.raw import RawScan
from shimwright.scan.read import read
from shimwright.scan.survey import survey
from shimwright.scan.told import Told

MM = 12430.0
BY_EYE = {
    "withers": (-0.0281, 0.0081, 0.1287),
    "low": (-0.0096, 0.0075, 0.1225),
    "croup": (0.0266, 0.0122, 0.1285),
}
BY_EYE_MM = 50.0


@pytest.fixture(scope="module")
def raw() -> RawScan:
    return read(Path(__file__).parent / "data" / "model-horse.obj.gz")


def _off(raw: RawScan, turn: np.ndarray) -> dict[str, float]:
    """Distance of each landmark from where it was read by eye, mm, the scan turned by (3, 3)."""
    told = Told(unit_mm=MM, up=tuple(turn @ [0.0, 0.0, 1.0]), head=tuple(turn @ [-1.0, 0.0, 0.0]))
    turned = RawScan(raw.points @ turn.T, raw.faces, None, None, None, None, raw.format, raw.file, raw.sha256)
    back = survey(turned, told, None, lambda _: None)
    withers = back.landmark("withers")
    assert withers is not None
    assert withers.kind == "knee"
    assert withers.sd_mm >= 60.0
    found = {name: mark for name in BY_EYE if (mark := back.landmark(name)) is not None}
    places = {name: back.frame.to_scan(mark.position_mm[None])[0] @ turn for name, mark in found.items()}
    return {name: float(MM * np.linalg.norm(place - np.array(BY_EYE[name]))) for name, place in places.items()}


def test_landmarks_lie_where_the_eye_puts_them(raw: RawScan) -> None:
    off = _off(raw, np.eye(3))
    assert set(off) == set(BY_EYE)
    assert max(off.values()) < BY_EYE_MM


def test_the_same_whichever_way_it_lies(raw: RawScan) -> None:
    turn = np.linalg.qr(np.random.default_rng(5).normal(size=(3, 3)))[0]
    turn *= np.sign(np.linalg.det(turn))
    assert max(_off(raw, turn).values()) < BY_EYE_MM
