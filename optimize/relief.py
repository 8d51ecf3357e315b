"""The part of a back that panels lie on, as heights on a small grid: a thousand horses fit into memory, and a gap on
one of them costs microseconds.

x runs back from where the arch's front edge comes to lie (x ≤ 0), y to the horse's left from the back frame's own
y = 0, z up. Panels over it may sink and tip (`settled`), as they would when they are laid on.
"""

from dataclasses import dataclass

import numpy as np

from shimwright.optimize.place import UNSEEN_ALLOWED, front_edge, section_height_mm
from shimwright.optimize.saddle import Saddle
from shimwright.scan.back import Back
from shimwright.scan.raw import FloatArray
from shimwright.scan.refusal import InputRefused

ALONG_STEP_MM, ASIDE_STEP_MM, ASIDE_MM = 20.0, 8.0, 184.0
UNDER_PANEL_MM = (40.0, 130.0)  # beside the spine: where any panel lies


@dataclass(frozen=True)
class Relief:
    """x_mm (n_x,) descending from 0, y_mm (n_y,) ascending, z_mm (n_x, n_y), NaN where not seen. withers_z_mm: highest
    of the spine under the arch. front_x_mm: of x = 0 in the back frame.
    """

    x_mm: FloatArray
    y_mm: FloatArray
    z_mm: FloatArray
    withers_z_mm: float
    front_x_mm: float

    def height(self, x: FloatArray, y: FloatArray) -> FloatArray:
        """z at points, cubic between the nodes along y, linear along x; NaN outside and where not seen."""
        u = np.clip(-x / ALONG_STEP_MM, 0.0, self.x_mm.size - 1.000001)
        v = (y - self.y_mm[0]) / ASIDE_STEP_MM
        i, j = u.astype(int), np.floor(np.clip(v, 1.0, self.y_mm.size - 2.000001)).astype(int)
        du, dv = u - i, v - j
        weights = _cubic(dv)
        rows = [sum(w * self.z_mm[i + k, j - 1 + n] for n, w in enumerate(weights)) for k in (0, 1)]
        return np.asarray(np.where((v < 0) | (v > self.y_mm.size - 1), np.nan, (1 - du) * rows[0] + du * rows[1]))


def _cubic(d: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Lagrange's weights of four equal steps at −1, 0, 1, 2."""
    return (
        -d * (d - 1) * (d - 2) / 6,
        (d + 1) * (d - 1) * (d - 2) / 2,
        -(d + 1) * d * (d - 2) / 2,
        (d + 1) * d * (d - 1) / 6,
    )


def grid_of(saddle: Saddle) -> tuple[FloatArray, FloatArray]:
    """(x, y) nodes for panels of this length; the last x lies at or just behind their rear end."""
    count = int(np.ceil(saddle.length_mm / ALONG_STEP_MM - 1e-9)) + 1
    sides = round(ASIDE_MM / ASIDE_STEP_MM)
    return -ALONG_STEP_MM * np.arange(count, dtype=float), ASIDE_STEP_MM * np.arange(-sides, sides + 1, dtype=float)


def relief_of(back: Back, saddle: Saddle) -> Relief:
    """Heights under where the saddle would lie. Raises InputRefused where nothing says so, or too little was seen."""
    front = front_edge(back, saddle)[0]
    x, y = grid_of(saddle)
    z = np.stack([section_height_mm(back, float(front + at), y) for at in x])
    under = (np.abs(y) > UNDER_PANEL_MM[0]) & (np.abs(y) < UNDER_PANEL_MM[1])
    unseen = float(np.isnan(z[:, under]).mean())
    if unseen > UNSEEN_ALLOWED:
        raise InputRefused(
            f"{100 * unseen:.0f} % of where the panels lie was not seen, so no size can be judged on it: scan it too, "
            "or check the panel length"
        )
    spine = back.midline.at(front - np.linspace(0.0, 1.0, 21) * saddle.arch_length_mm)[1]
    if not np.isfinite(spine).any():
        raise InputRefused(
            "the withers were not seen where the arch lies, so its height over them is not known: scan from the base "
            "of the neck on"
        )
    return Relief(x, y, z, float(np.nanmax(spine)), front)
