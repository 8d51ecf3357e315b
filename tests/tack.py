"""An invented saddle and pads with four, six and eight pockets, for the tests of choice."""

from dataclasses import replace

import numpy as np

from shimwright.optimize.pad import Insert, Pad, Pocket, Shim, StackLimits
from shimwright.optimize.saddle import Arch, Saddle

LENGTH_MM = 400.0
THIRDS = {
    2: ("front", "rear"),
    3: ("front", "middle", "rear"),
    4: ("front", "fore", "aft", "rear"),
    1: ("middle",),
    0: (),
}


def saddle(angle_deg: float = 30.0, ei_nm2: float = float("inf"), arches: int = 1, rocker_mm: float = 0.0) -> Saddle:
    """A plain saddle: panels of one width and angle. Its arches open by 8° each, the middle one is its own."""
    included = 180 - 2 * angle_deg
    middle = arches // 2
    made = tuple(
        Arch(f"arch {k + 1}", included + 8.0 * (k - middle), 130.0 + 10.0 * (k - middle)) for k in range(arches)
    )
    return Saddle(
        name="test", style="english", tree="rigid" if np.isinf(ei_nm2) else "flexible", ei_nm2=ei_nm2,
        length_mm=LENGTH_MM,
        panel_width_mm=np.array([100.0, 100.0, 100.0]), channel_mm=np.array([70.0, 70.0, 70.0]),
        angle_deg=np.full(3, angle_deg), rocker_mm=rocker_mm, rise_mm=0.0, panel_curve_mm=0.0, arches=made,
        reference_arch=made[middle].name if made else None, arch_length_mm=60.0, filling=None, mass_kg=7.0,
        seat_x_mm=None, straps_x_mm=(-200.0,), stirrup_bar_x_mm=None,
    )  # fmt: skip


def pad(
    per_side: int = 3,
    thicknesses_mm: tuple[float, ...] = (3.0, 6.0),
    limits: StackLimits | None = None,
    inserts: tuple[float, ...] = (10.0,),
    layers: int = 1,
) -> Pad:
    """Pockets of equal length from 15 mm behind the front to 15 mm before the rear, 8 mm inside the panel's edges."""
    names = THIRDS[per_side]
    ends = -15.0 - (LENGTH_MM - 30.0) * np.arange(len(names) + 1) / max(len(names), 1)
    pockets = []
    for i, name in enumerate(names):
        front, rear = ends[i] - 2.0, ends[i + 1] + 2.0
        left = np.array([[front, 43.0], [front, 127.0], [rear, 127.0], [rear, 43.0]])
        pockets.append(Pocket(f"{name}_left", "left", left))
        pockets.append(Pocket(f"{name}_right", "right", (left * [1.0, -1.0])[::-1]))
    return Pad(
        "test", 0.0, None, tuple(Insert(f"insert {t:g}", "foam", t) for t in inserts), tuple(pockets),
        (Shim("felt", "felt", thicknesses_mm, (1000.0, 500.0)),) if thicknesses_mm else (),
        limits or StackLimits(layers=layers),
    )  # fmt: skip


def without(pad_: Pad, **changes: float | None) -> Pad:
    """The pad with other stack limits."""
    return replace(pad_, limits=replace(pad_.limits, **changes))
