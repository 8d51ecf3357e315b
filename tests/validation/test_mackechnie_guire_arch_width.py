"""MacKechnie-Guire et al. 2019, Animals 9:842 (abstract), as DESIGN §11 reads it.

Printed: too wide, the saddle tips front down; too narrow, the front tips up and the rear is loaded. Of the arch itself:
too wide presses with its upper edge, too narrow with its outer lower edge.
Equation: equilibrium about the load (DESIGN §7): Σ a p(−n_z) x is fixed, so the centre of vertical force stays.
Tolerance: every step tips it by more than 0.3°, edges rise at every step, one and two steps, rigid to treeless; the
centre of force stays within 8 mm (normals that lean forward or back under the arch carry the rest).
"""

import numpy as np
import pytest
from arch_steps import STIFFNESS, arch_edge, centre_of_force_mm, fitted
from scipy.interpolate import PchipInterpolator


@pytest.mark.parametrize("ei", STIFFNESS)
@pytest.mark.parametrize(("narrower", "wider"), [(-2, -1), (-1, 0), (0, 1), (1, 2)])
def test_a_wider_arch_tips_the_front_down(ei: float, narrower: int, wider: int) -> None:
    before, after = (fitted(ei, step)[1].cases["mounted"].pitch_deg for step in (narrower, wider))
    assert after < before - 0.3


@pytest.mark.parametrize("ei", STIFFNESS)
@pytest.mark.parametrize("step", [1, 2])
def test_edges_of_the_arch(ei: float, step: int) -> None:
    assert arch_edge(ei, step, outer=False) > arch_edge(ei, step - 1, outer=False)
    assert arch_edge(ei, -step, outer=True) > arch_edge(ei, 1 - step, outer=True)


@pytest.mark.parametrize("ei", STIFFNESS)
@pytest.mark.parametrize("step", [-2, -1, 1, 2])
def test_centre_of_force_stays(ei: float, step: int) -> None:
    assert centre_of_force_mm(ei, step) == pytest.approx(centre_of_force_mm(ei, 0), abs=8.0)


@pytest.mark.parametrize(
    ("step", "words"), [(-2, "too narrow"), (-1, "parallel"), (0, "parallel"), (1, "parallel"), (2, "too wide")]
)
def test_judged_by_itself(step: int, words: str) -> None:
    """Included angles 5° a step: 2.5° a leg; two steps are beyond the 3° of PRACTICE §5. In mm: the leg's run over
    100 mm of depth, 100/tan."""
    judged = fitted(np.inf, step)[1].arch
    assert judged is not None
    assert judged.words == words
    assert judged.difference_deg == pytest.approx((-2.5 * step, -2.5 * step), abs=0.3)
    along = np.linspace(0.1, 0.9, 7) * 110.0 / 420.0  # where the legs bear, of the panel's length
    back = float(PchipInterpolator([0.0, 0.5, 1.0], [45.0, 30.0, 22.0])(along).mean())
    run = 100 / np.tan(np.radians(back - 2.5 * step)) - 100 / np.tan(np.radians(back))
    assert judged.width_difference_mm == pytest.approx((run, run), abs=1.5)
