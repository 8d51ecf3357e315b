"""A scan of a saddle's underside gives its numbers back within the stated errors; what is no underside is refused."""

import sys
import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import plain_tack
import pytest
from plain_back import PlainBack
from scipy.spatial.transform import Rotation

from shimwright.cli import run
from shimwright.optimize.saddle import Saddle
from shimwright.optimize.underside import Panels
from shimwright.saddle_file import read_saddle
from shimwright.scan.raw import FloatArray, RawScan
from shimwright.scan.refusal import InputRefused
from shimwright.scan.underside_scan import (
    ANGLE_ERROR_DEG,
    ROCKER_ERROR_MM,
    UndersideTold,
    underside_of,
)

KNOWN = replace(plain_tack.saddle(), rise_mm=0.0, arches=(), reference_arch=None, rocker_mm=18.0)
HANDHELD_MM, PHONE_MM = 0.5, 2.5


def cloud(saddle: Saddle, noise_mm: float, rng: np.random.Generator, sides: tuple[int, ...] = (1, -1)) -> FloatArray:
    """Both panels with their walls, flaps beside them, the web over the channel, a stand, strays; saddle frame."""
    panels, parts = Panels(saddle, None), []
    for side in sides:
        parts.append(panels.points(*rng.uniform(0, 1, (2, 40000)), side))
        along = [(rng.uniform(0, 1, 4000), np.full(4000, edge)) for edge in (0.0, 1.0)]
        ends = [(np.full(1500, end), rng.uniform(0, 1, 1500)) for end in (0.0, 1.0)]
        for s, t in along + ends:
            wall = panels.points(s, t, side)
            parts.append(wall + np.outer(rng.uniform(0, 35, len(wall)), [0.0, 0.0, 1.0]))
        x, y = rng.uniform(-300, -40, 6000), rng.uniform(110, 240, 6000)
        parts.append(np.column_stack([x, side * y, -0.4 * y - 60 + rng.uniform(0, 4, 6000)]))
    web = panels.points(np.array(0.5), np.array(0.0), 1)[2] + 45
    x, y = rng.uniform(-saddle.length_mm - 30, 20, 12000), rng.uniform(-60, 60, 12000)
    parts.append(np.column_stack([x, y, np.full(12000, web)]))
    parts.append(rng.uniform([-900, -500, 200], [300, 500, 400], (3000, 3)))
    points = np.vstack(parts)
    strays = points[rng.integers(0, len(points), 150)] + rng.normal(0, 40, (150, 3))
    return np.vstack([points + rng.normal(0, noise_mm, points.shape), strays])


def posed(points: FloatArray, seed: int, mm_per_unit: float = 1000.0) -> tuple[RawScan, UndersideTold]:
    """Anywhere, in metres, up and front told a few degrees off."""
    turn = Rotation.random(random_state=seed).as_matrix()
    scan = (points @ turn.T) / mm_per_unit + 5.0
    up, front = turn @ [0.03, 0.05, -1.0], turn @ [1.0, 0.08, 0.03]
    raw = RawScan(scan, None, None, None, None, None, "PLY", "saddle.ply", "")
    return raw, UndersideTold(None, (*map(float, up),), (*map(float, front),))  # type: ignore[arg-type]


@pytest.mark.parametrize("noise_mm", [HANDHELD_MM, PHONE_MM])
@pytest.mark.parametrize("seed", [1, 8])
def test_known_saddle_comes_back(noise_mm: float, seed: int) -> None:
    rng = np.random.default_rng(seed)
    found = underside_of(*posed(cloud(KNOWN, noise_mm, rng), seed))
    error = found.width_error_mm
    assert error < (5.0 if noise_mm == HANDHELD_MM else 11.5)
    assert found.unit_source == "shape"
    assert found.angle_deg == pytest.approx(KNOWN.angle_deg, abs=ANGLE_ERROR_DEG)
    assert found.rocker_mm == pytest.approx(KNOWN.rocker_mm, abs=ROCKER_ERROR_MM)
    assert found.length_mm == pytest.approx(KNOWN.length_mm, abs=error)
    assert found.panel_width_mm == pytest.approx(KNOWN.panel_width_mm, abs=error)
    assert found.channel_mm == pytest.approx(KNOWN.channel_mm, abs=error)
    assert found.panel_curve_mm == pytest.approx(KNOWN.panel_curve_mm, abs=2.0)
    assert np.abs(found.difference_mm).max() < found.difference_error_mm < 3.5


@pytest.mark.parametrize("difference_mm", [5.0, -5.0])
def test_its_own_left_right_difference_is_told_with_its_sign(difference_mm: float) -> None:
    uneven = replace(KNOWN, side_difference_mm=difference_mm)
    found = underside_of(*posed(cloud(uneven, HANDHELD_MM, np.random.default_rng(7)), 7))
    assert found.difference_mm == pytest.approx(np.full(3, difference_mm), abs=found.difference_error_mm)


def _ply(points: FloatArray, path: Path) -> Path:
    head = f"ply\nformat binary_little_endian 1.0\nelement vertex {len(points)}\n"
    head += "property float x\nproperty float y\nproperty float z\nend_header\n"
    path.write_bytes(head.encode() + points.astype("<f4").tobytes())
    return path


def test_command_writes_a_file_that_fit_reads(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    scan = _ply(cloud(KNOWN, HANDHELD_MM, np.random.default_rng(1)), tmp_path / "mine.ply")
    goal = tmp_path / "saddle.toml"
    words = ["--unit", "mm", "--up", "-z", "--front", "+x", "--style", "english", "--tree", "rigid", "--weight", "8"]
    assert run(["saddle", str(scan), *words, "--out", str(goal)]) == 0
    read = read_saddle(goal)
    assert read.angle_deg == pytest.approx(KNOWN.angle_deg, abs=ANGLE_ERROR_DEG)
    assert read.arches == ()  # never invented
    assert read.seat_x_mm is None
    capsys.readouterr()
    assert run(["saddle", str(scan), *words, "--out", str(goal)]) == 4  # what is there stays
    assert "already" in capsys.readouterr().err


@pytest.mark.parametrize(("option", "value"), [("--weight", "nan"), ("--name", "x" * 61), ("--name", "")])
def test_what_the_file_could_not_hold_is_refused(tmp_path: Path, option: str, value: str) -> None:
    assert run(["saddle", str(tmp_path / "mine.ply"), option, value]) == 2
    assert not list(tmp_path.iterdir())


@pytest.mark.skipif(sys.platform == "win32", reason="such names are not allowed there")
def test_the_name_of_the_scan_breaks_no_file(tmp_path: Path) -> None:
    name = 'a "b"\nc' + 100 * "x"
    scan = _ply(cloud(KNOWN, HANDHELD_MM, np.random.default_rng(1)), tmp_path / f"{name}.ply")
    words = ["--unit", "mm", "--up", "-z", "--front", "+x", "--style", "english", "--tree", "rigid", "--weight", "8"]
    assert run(["saddle", str(scan), *words, "--out", str(tmp_path / "saddle.toml")]) == 0
    assert read_saddle(tmp_path / "saddle.toml").name == name.replace("\n", "?")[:60]


def test_what_was_not_told_is_left_to_fill_in(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    uneven = replace(KNOWN, side_difference_mm=6.0)
    scan = _ply(cloud(uneven, HANDHELD_MM, np.random.default_rng(1)), tmp_path / "mine.ply")
    assert run(["saddle", str(scan), "--unit", "mm", "--up", "-z", "--front", "+x"]) == 1
    assert "saddle first" in capsys.readouterr().out
    told = tomllib.loads((tmp_path / "mine-saddle.toml").read_text(encoding="utf-8"))
    assert not {"style", "tree", "weight_kg", "arch", "filling", "seat_x_mm", "straps_x_mm", "rise_mm"} & set(told)


def test_a_back_is_refused() -> None:
    points = PlainBack().points(120000, np.random.default_rng(1))
    raw = RawScan(points, None, None, None, None, None, "PLY", "horse.ply", "")
    for up in ((0.0, 0.0, 1.0), (0.0, 0.0, -1.0)):
        with pytest.raises(InputRefused, match=r"back|panels"):
            underside_of(raw, UndersideTold(1.0, up, (1.0, 0.0, 0.0)))


def test_half_a_saddle_is_refused() -> None:
    raw, told = posed(cloud(KNOWN, HANDHELD_MM, np.random.default_rng(2), sides=(1,)), 2)
    with pytest.raises(InputRefused, match=r"half|no panels"):
        underside_of(raw, told)


def test_up_and_front_are_never_guessed() -> None:
    raw, told = posed(cloud(KNOWN, HANDHELD_MM, np.random.default_rng(2)), 2)
    with pytest.raises(InputRefused, match="--up"):
        underside_of(raw, replace(told, up=None))
    with pytest.raises(InputRefused, match="--front"):
        underside_of(raw, replace(told, front=None))
