"""A slicer of Debian's takes the solids: PrusaSlicer finds them closed, of our size and volume, and slices them.

Skipped where the program is not installed (`apt-get install prusa-slicer`).
"""

import re
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest
from fit_fixture import best_setup, example_pad
from shapely.geometry import Polygon
from test_templates import bevelled

from shimwright.export.shim_parts import shim_parts
from shimwright.export.solids import write_solids

PROGRAM = shutil.which("prusa-slicer")
PARTS = shim_parts(example_pad(), best_setup())
BED = "0x0,1000x0,1000x300,0x300"  # mm; the pieces stand side by side

pytestmark = pytest.mark.skipif(PROGRAM is None, reason="prusa-slicer is not installed")


@pytest.fixture(scope="module")
def solids(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("solids")
    write_solids(PARTS, folder)
    return folder


def sliced(*told: str) -> str:
    assert PROGRAM is not None
    done = subprocess.run([PROGRAM, *told], capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 0, done.stderr
    return done.stdout


def volume_mm3(outline: np.ndarray, thickness: float, step: float = 0.5) -> float:
    """∫ T dA of the contact model's shape, summed over a fine raster."""
    (x0, y0), (x1, y1) = outline.min(axis=0), outline.max(axis=0)
    x, y = np.arange(x0 + step / 2, x1, step), np.arange(y0 + step / 2, y1, step)
    grid = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    return float(bevelled(outline, thickness, grid).sum() * step**2)


def test_every_stl_is_closed_and_has_the_size_and_volume_of_its_piece(solids: Path) -> None:
    files = sorted(solids.glob("*.stl"))
    assert len(files) == len(PARTS)
    for part in PARTS:
        name = f"shim-{part.pocket.replace('_', '-')}-layer-{part.layer}.stl"
        told = dict(re.findall(r"^(\w+) = +(\S+)$", sliced("--info", str(solids / name)), re.MULTILINE))
        assert told["manifold"] == "yes"
        assert told["number_of_parts"] == "1"
        assert float(told["size_x"]) == pytest.approx(part.width_mm, abs=0.05)
        assert float(told["size_y"]) == pytest.approx(part.length_mm, abs=0.05)
        assert float(told["size_z"]) == pytest.approx(highest_mm(part.outline, part.thickness_mm), abs=0.05)
        assert float(told["volume"]) == pytest.approx(volume_mm3(part.outline, part.thickness_mm), rel=0.005)


def highest_mm(outline: np.ndarray, thickness: float) -> float:
    """The full thickness, unless the piece is so narrow that the bevels meet below it."""
    inside = Polygon(outline).buffer(-5.0 * thickness, join_style="mitre")
    assert not inside.is_empty
    return thickness


def test_3mf_holds_one_closed_object_for_each_piece(solids: Path) -> None:
    told = sliced("--info", str(solids / "shims.3mf"))
    assert told.count("manifold = yes") == len(PARTS)


@pytest.mark.parametrize("name", ["shims.3mf", "shim-middle-left-layer-1.stl"])
def test_it_is_sliced_to_machine_code(solids: Path, name: str, tmp_path: Path) -> None:
    code = tmp_path / "out.gcode"
    sliced("--export-gcode", "--bed-shape", BED, "--dont-arrange", "-o", str(code), str(solids / name))
    assert code.read_text().count("\nG1 ") > 1000


def test_an_open_mesh_is_not_passed_off_as_closed(solids: Path, tmp_path: Path) -> None:
    """The check can fail: one triangle fewer, and the slicer says so."""
    data = bytearray((solids / "shim-middle-left-layer-1.stl").read_bytes())
    count = int.from_bytes(data[80:84], "little") - 1
    data[80:84] = count.to_bytes(4, "little")
    (tmp_path / "open.stl").write_bytes(bytes(data[: 84 + 50 * count]))
    assert "manifold = yes" not in sliced("--info", str(tmp_path / "open.stl"))
