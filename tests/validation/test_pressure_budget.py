"""The pressure budget of reference.md §1 (arithmetic): rider 75 kg and saddle 9 kg on 1200 cm²: 6.9 kPa standing,
13.0 at trot (2×), 16.1 at canter (2.5×)."""

import numpy as np
import pytest
from springs import grid, press

GRAVITY = 9.80665


@pytest.mark.parametrize(("factor", "kpa"), [(1.0, 6.9), (2.0, 13.0), (2.5, 16.1)])
def test_budget(factor: float, kpa: float) -> None:
    nodes = grid(400, 300, 40, 30)
    found = press(nodes, np.zeros(nodes.x.size), (75 * factor + 9) * GRAVITY)
    assert found.pressure_kpa.mean() == pytest.approx(kpa, abs=0.05)
