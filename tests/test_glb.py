"""The pressure-mapped back as GLB, read again from its bytes: glTF 2.0 says metres and +y up."""

import json
import shutil
import struct
import subprocess
from pathlib import Path

import numpy as np
import pytest
import trimesh
from fit_fixture import example_fit

from shimwright.export.write_glb import write_pressure_glb


@pytest.fixture(scope="module")
def glb(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("glb") / "back.glb"
    write_pressure_glb(example_fit(), path)
    return path


def test_container_is_glb_2(glb: Path) -> None:
    """glTF 2.0 §4: magic, version 2, length; a JSON chunk, then a binary one, each of a length divisible by 4."""
    data = glb.read_bytes()
    magic, version, length = struct.unpack("<4sII", data[:12])
    assert (magic, version, length) == (b"glTF", 2, len(data))
    size, kind = struct.unpack("<I4s", data[12:20])
    assert kind == b"JSON"
    assert size % 4 == 0
    document = json.loads(data[20 : 20 + size])
    assert document["asset"]["version"] == "2.0"
    for mesh in document["meshes"]:
        for part in mesh["primitives"]:
            assert {"POSITION", "COLOR_0"} <= set(part["attributes"])
            position = document["accessors"][part["attributes"]["POSITION"]]
            assert len(position["min"]) == len(position["max"]) == 3


def test_metres_and_y_up(glb: Path) -> None:
    scene = trimesh.load_scene(glb)
    back = scene.geometry["back"]
    low, high = back.bounds
    assert 1.0 < high[2] - low[2] < 1.3  # 1.15 m long, forward along z
    fit = example_fit()
    withers = fit.back.landmark("withers").position_mm
    nearest = np.linalg.norm(back.vertices - withers[[1, 2, 0]] / 1000.0, axis=1).min()
    assert nearest < 0.006
    left = fit.back.landmark("shoulder_left").position_mm
    assert left[1] > 0
    assert np.linalg.norm(back.vertices - left[[1, 2, 0]] / 1000.0, axis=1).min() < 0.006  # left is +x
    assert back.vertex_normals[np.argmax(back.vertices[:, 1]), 1] > 0.9  # the ridge looks up: faces look outward


def test_dark_where_the_pressure_is(glb: Path) -> None:
    fit = example_fit()
    contact = fit.with_setup
    pressure = contact.cases["mounted"].pressure_kpa
    colours = trimesh.load_scene(glb).geometry["underside"].visual.vertex_attributes["color"][:, :3].astype(float)
    lightness = np.sqrt(colours @ [0.2126, 0.7152, 0.0722])  # ITU-R BT.709 of linear light, about even to the eye
    assert len(lightness) == len(pressure)
    touching = pressure > 0.1
    order = np.argsort(pressure[touching])
    assert np.corrcoef(pressure[touching], lightness[touching])[0, 1] < -0.95
    assert lightness[touching][order[-1]] < lightness[touching][order[0]]


def test_same_bytes(glb: Path, tmp_path: Path) -> None:
    write_pressure_glb(example_fit(), tmp_path / "again.glb")
    assert (tmp_path / "again.glb").read_bytes() == glb.read_bytes()


VALIDATE = """
const validator = require('gltf-validator'), fs = require('fs');
validator.validateBytes(new Uint8Array(fs.readFileSync(process.argv[1])))
  .then(report => console.log(JSON.stringify(report.issues)));
"""


def issues(path: Path) -> dict[str, int]:
    """What the Khronos validator counts; skips where node or the package is not there (NODE_PATH is followed)."""
    node = shutil.which("node")
    if node is None:
        pytest.skip("node is not installed")
    done = subprocess.run([node, "-e", VALIDATE, str(path)], capture_output=True, text=True, timeout=120, check=False)
    if "Cannot find module 'gltf-validator'" in done.stderr:
        pytest.skip("the npm package gltf-validator is not installed, or NODE_PATH does not lead to it")
    told = json.loads(done.stdout)
    return {kind: told[kind] for kind in ("numErrors", "numWarnings", "numInfos", "numHints")}


def test_the_khronos_validator_finds_nothing(glb: Path) -> None:
    assert set(issues(glb).values()) == {0}


def test_the_khronos_validator_sees_a_view_used_wrongly(glb: Path, tmp_path: Path) -> None:
    """The check can fail: a view of indices that says it holds vertices."""
    (tmp_path / "wrong.glb").write_bytes(glb.read_bytes().replace(b'"target":34963', b'"target":34962', 1))
    assert issues(tmp_path / "wrong.glb")["numErrors"] > 0
