"""The table of checks in README.md: what stands under "here" is computed again and lies as near as shown."""

import re
import sys
from pathlib import Path

import numpy as np
import pytest
from springs import grid, press

from shimwright.optimize.flexible import beam_matrices
from shimwright.optimize.materials import load_materials

ROOT = Path(__file__).parents[1]
README = ROOT / "README.md"
pytestmark = pytest.mark.skipif(not README.exists(), reason="README.md is not beside the tests")


def bowl():
    nodes = grid(160, 160, 160, 160)
    return press(nodes, (nodes.x**2 + nodes.y**2) / 600, 200).q[0]


def footing():
    nodes = grid(400, 200, 200, 200)
    found = press(nodes, np.zeros(nodes.x.size), 800, 80, 40)
    return found.q[0] + 200 * found.q[1] + 100 * found.q[2]


def bridging():
    nodes = grid(400, 1, 1600, 1)
    return np.abs(nodes.x[press(nodes, (200**2 - nodes.x**2) / 4000, 2).pressure_kpa > 0]).min()


def beam():
    stiffness, mass = beam_matrices(np.linspace(-300, 0, 201), 5e6)
    force = np.zeros(len(stiffness))
    force[200] = 200.0
    return np.linalg.solve(stiffness + 0.6 * mass, force)[200]


def finite_elements(profile):
    sys.path.insert(0, str(Path(__file__).parent / "validation"))
    import test_finite_elements as fe

    x = (np.arange(200) + 0.5)[:, None] * 2.0 - 200
    shape = (x.size, 1)
    plate = fe.Plate(2.0, np.full(shape, 2.0), -getattr(fe, profile)(x), np.ones((*shape, 1)), np.zeros(shape))
    found = fe.settle_coupled([plate], fe.layers(0.45), np.zeros((1, 1)), np.array([2.0]))
    return found.pressure_kpa[0].max()


def pressed(material, strain):
    law = load_materials()[material]
    return np.interp(strain, law.strain, law.pressure_kpa)


ROWS = {
    "rigid bowl": bowl,
    "load a fifth": footing,
    "straight panel": bridging,
    "beam on springs": beam,
    "bump on foam": lambda: finite_elements("hump"),
    "wave on foam": lambda: finite_elements("wave"),
    "felt": lambda: pressed("felt", 0.30),
    "closed-cell foam": lambda: pressed("foam", 0.50),
}


def table():
    text = README.read_text(encoding="utf-8")
    yield from re.findall(r"^\| (.*) \| ([\d.]+) \| ([\d.]+) \|$", text, re.MULTILINE)


def test_every_row_has_its_computation():
    assert len(list(table())) == len(ROWS)


@pytest.mark.parametrize("name", ROWS)
def test_row(name):
    there, here = next((there, here) for words, there, here in table() if words.startswith(name))
    places = len(here.partition(".")[2])
    assert float(here) == pytest.approx(ROWS[name](), abs=0.5 * 10**-places + 1e-9)
    assert float(here) == pytest.approx(float(there), rel=0.03)
