"""Set-ups priced and judged in great number: cost, limits, and the two shares by which contact is called good."""

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray

from shimwright.optimize.rest import equilibrium
from shimwright.optimize.screen import (
    CHUNK,
    UNSOLVED,
    IntArray,
    OptionBed,
    Rules,
    _choose,
    _measures,
    _shown,
    bed_arrays,
    resting_pose,
    scale_of,
)
from shimwright.scan.raw import FloatArray


@njit(cache=True, parallel=True, error_model="numpy")
def _judge_rows(start, stacks, bed, thickness, pocket, stiffness, load, scale, shown, tolerance, found, masks):  # type: ignore[no-untyped-def]
    """found (s, 3): cost of contact, unevenness, bridged share. Neighbouring rows start where the last one rested."""
    windows, window_shares, sore, sore_kpa, clear_mm, clear_row, pitch_row, roll_row, weights, lines, bridged = shown
    n, materials = bed[0].size, bed[5].shape[1]
    for chunk in prange((stacks.shape[0] + CHUNK - 1) // CHUNK):
        q = start.copy()
        chosen, piece, pressure = np.zeros((n, materials)), np.zeros(n, np.int64), np.zeros(n)
        work = np.zeros((4, n))
        for row in range(chunk * CHUNK, min(stacks.shape[0], (chunk + 1) * CHUNK)):
            _choose(thickness, pocket, stacks[row], bed[2], chosen, work)
            worst = equilibrium(q, bed, stiffness, load, scale, chosen, work, piece, pressure, tolerance)
            out = _measures(
                q, bed[0], pressure, windows, window_shares, sore, sore_kpa, clear_mm, clear_row,
                pitch_row, roll_row, weights, lines, bridged,
            )  # fmt: skip
            found[row, 0], found[row, 1], found[row, 2] = out[0], out[2], out[3]
            masks[row] = out[1]
            if worst > 1e3 * tolerance:
                masks[row] |= UNSOLVED
                q[:] = start


def judge_rows(
    bed: OptionBed, rule: Rules, stacks: IntArray, tolerance: float = 1e-6
) -> tuple[FloatArray, NDArray[np.uint8]]:
    """(s, 3) contact cost, unevenness, bridged share, and masks (s,), of rows of stack numbers (s, pockets)."""
    found, masks = np.zeros((len(stacks), 3)), np.zeros(len(stacks), np.uint8)
    _judge_rows(
        resting_pose(bed), np.ascontiguousarray(stacks, np.int64), bed_arrays(bed), bed.thickness_mm, bed.pocket,
        bed.stiffness, bed.load, scale_of(bed), _shown(bed, rule), tolerance, found, masks,
    )  # fmt: skip
    return found, masks
