"""Backs laid over one another: against the true pose of simulated scans, and by what must not matter."""

import os
from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation
from year import muscling, scanned

from shimwright.export.back_json import back_to_json
from shimwright.export.plain_json import json_line
from shimwright.scan.read_back import back_from_document, read_back
from shimwright.scan.refusal import InputRefused, WrongUse
from shimwright.scan.register import CENTRE_MM, register
from shimwright.scan.surface import Surface
from shimwright.scan.synthetic import BUILDS, true_back

PLACES = np.array([[0.0, 0, 0], [-350, 150, -80], [-350, -150, -80], [-600, 0, 0]])


def moved_surface(back, turn_deg, shift):
    """The exact back lying otherwise: its surface cut anew about the same axis, by the same rays."""
    turn = Rotation.from_euler("xyz", turn_deg, degrees=True).as_matrix()
    grid = back.surface
    out = np.stack([np.zeros_like(grid.phi), np.sin(grid.phi), np.cos(grid.phi)], axis=-1)
    axis = np.column_stack([grid.x_mm, grid.axis_y_mm, grid.axis_z_mm])
    points = (axis[:, None] + 200.0 * out[None]).reshape(-1, 3)
    start = CENTRE_MM + (points - CENTRE_MM - shift) @ turn
    way = np.tile(out, (grid.x_mm.size, 1)) @ turn
    radius = (200.0 + grid.gap(start, way)).reshape(grid.radius_mm.shape)
    sd = np.where(np.isfinite(radius), 0.05, np.nan)
    surface = Surface(grid.x_mm, grid.phi, grid.axis_y_mm, grid.axis_z_mm, radius, sd, 80.0, 0.03)
    line = np.column_stack([back.midline.x_mm, back.midline.y_mm, back.midline.z_mm])
    x, y, z = (CENTRE_MM + (line - CENTRE_MM) @ turn.T + shift).T
    midline = replace(back.midline, x_mm=x, y_mm=y, z_mm=z)
    return replace(back, surface=surface, midline=midline), turn


@pytest.mark.parametrize(("turn_deg", "shift"), [((0.4, -0.3, 0.3), (6.0, 1.5, -2.0)), ((0, 0, 0), (-12.0, 0, 1.0))])
def test_a_known_move_of_an_exact_back_is_found(turn_deg, shift):
    back = true_back(BUILDS["level"])
    back = replace(back, landmarks=tuple(replace(one, sd_mm=8.0) for one in back.landmarks))
    moved, turn = moved_surface(back, turn_deg, np.array(shift))
    pose = register(back, moved)
    expected = CENTRE_MM + (PLACES - CENTRE_MM - np.array(shift)) @ turn
    assert np.abs(pose.to_fixed(PLACES) - expected).max() < 0.5
    assert np.abs(pose.scale - 1.0) < 0.001
    assert np.abs(pose.to_fixed(pose.to_moving(PLACES)) - PLACES).max() < 1e-9


@pytest.mark.accuracy
@pytest.mark.parametrize("scanner", ["handheld", "photogrammetry"])
def test_the_true_pose_of_two_scans_is_found_within_the_stated_error(scanner):
    """Muscle changed between them; the spine did not. The truth: both scans' own poses."""
    off, told = [], []
    for seed in range(3):
        rng = np.random.default_rng([8, seed])
        shapes = muscling(rng)
        first, last = (scanned(shapes[k], scanner, None, rng) for k in (0, 4))
        pose = register(first.back, last.back)
        there = last.taken.to_true(last.back.frame.to_scan(CENTRE_MM[None]))
        here = first.taken.to_true(first.back.frame.to_scan(pose.to_fixed(CENTRE_MM[None])))
        off.append((here - there)[0] @ np.eye(3))
        told.append(pose.sd[:3])
    axes_free = np.linalg.norm(off, axis=1), np.linalg.norm(told, axis=1)
    assert (axes_free[0] < 2.5 * axes_free[1]).all(), axes_free
    assert axes_free[1].max() < {"handheld": 4.0, "photogrammetry": 7.0}[scanner]


def test_backs_that_share_too_little_are_refused():
    back = true_back(BUILDS["level"])
    radius = np.where(back.surface.x_mm[:, None] < -200.0, np.nan, back.surface.radius_mm)
    cut = replace(back, surface=replace(back.surface, radius_mm=radius))
    with pytest.raises(InputRefused, match="common places of the back"):
        register(back, cut)


def test_back_json_is_read_again(tmp_path):
    rng = np.random.default_rng(4)
    back = scanned(BUILDS["hollow left"], "handheld", "2026-03-01", rng).back
    path = tmp_path / "back.json"
    path.write_text(json_line(back_to_json(back)))
    again = read_back(path)
    assert again.surface.x_mm.size >= back.surface.x_mm.size // 2
    x, phi = np.meshgrid(np.arange(-600.0, 0.0, 37.0), np.radians(np.arange(-75.0, 76.0, 11.0)), indexing="ij")
    apart = np.linalg.norm(again.point(x, phi) - back.point(x, phi), axis=-1)
    known = back.surface.sd(back.point(x, phi).reshape(-1, 3)).reshape(x.shape)
    assert np.nanmax(apart / known) < 1.0, "the file's grid of 10 mm shows the same surface, within its own error"
    assert again.source == back.source
    assert [one.name for one in again.landmarks] == [one.name for one in back.landmarks]
    heights = (one.midline.at(np.arange(-600.0, 0.0, 50.0))[1] for one in (again, back))
    assert np.nanmax(np.abs(np.subtract(*heights))) < 0.5
    first, second = back_to_json(again), back_to_json(back)
    assert all(first[name] == second[name] for name in ("scan", "stations", "build", "quality"))


def test_a_file_that_is_no_back_is_refused(tmp_path):
    path = tmp_path / "back.json"
    with pytest.raises(WrongUse, match="no such file"):
        read_back(path)
    for text in ("{", "[]", "[" * 100_000, '{"schema": "other/1"}', '{"schema": "shimwright/back/1"}'):
        path.write_text(text)
        with pytest.raises(InputRefused):
            read_back(path)


@pytest.mark.parametrize(
    ("table", "wrong"),
    [
        ("scan", {"date": "not a date"}),
        ("scan", {"date": 20260101}),
        ("scan", {"horse": 5}),
        ("surface", {"x_mm": [0.0]}),
        ("build", {"words": {"a": 1}}),
        ("quality", {"scale_check": None}),
    ],
)
def test_a_back_with_a_wrong_value_is_refused(tmp_path, table, wrong):
    document = back_to_json(true_back(BUILDS["level"]))
    document[table] = {**document[table], **wrong}
    path = tmp_path / "back.json"
    path.write_text(json_line(document))
    with pytest.raises(InputRefused, match=r"not a whole back\.json"):
        read_back(path)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes there")
def test_a_pipe_is_not_waited_for(tmp_path):
    os.mkfifo(tmp_path / "back.json")
    with pytest.raises(WrongUse, match="a pipe or a device"):
        read_back(tmp_path / "back.json")


def test_a_huge_file_is_not_read(tmp_path):
    with (tmp_path / "back.json").open("wb") as stream:
        stream.truncate(10_000_000_000)
    with pytest.raises(InputRefused, match="too large"):
        read_back(tmp_path / "back.json")


def test_a_file_without_the_drift_counts_all_error_as_drift():
    document = back_to_json(true_back(BUILDS["level"]))
    del document["surface"]["drift_mm"]
    back = back_from_document(document)
    assert back.surface.drift_mm == pytest.approx(np.nanmedian(back.surface.sd_mm))
