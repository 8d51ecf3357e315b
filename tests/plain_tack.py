"""An invented saddle and pad for tests of contact, symmetric, with five arches one step (20 mm, 5°) apart."""

from dataclasses import replace

import numpy as np

from shimwright.optimize.pad import Insert, Pad, Pocket, Shim, StackLimits
from shimwright.optimize.saddle import Arch, Filling, Saddle
from shimwright.optimize.setup import Layer, Setup

FRONT_X_MM = -88.0  # where plain_backs' shoulder edges put this saddle's front edge
STEPS = (-2, -1, 0, 1, 2)


def arch_name(step: int) -> str:
    return f"{220 + 20 * step}"


def saddle(ei_nm2: float = np.inf, tree: str = "rigid") -> Saddle:
    arches = tuple(Arch(arch_name(step), 90.0 + 5.0 * step, 220.0 + 20.0 * step) for step in STEPS)
    return Saddle(
        "test saddle", "english", tree, ei_nm2, 420.0,
        np.array([90.0, 100.0, 110.0]), np.array([80.0, 75.0, 80.0]), np.array([45.0, 30.0, 22.0]),
        12.0, 15.0, 2.0, arches, arch_name(0), 110.0, Filling("wool", 25.0), 8.0, -230.0, (-110.0,), -90.0,
    )  # fmt: skip


def pad(materials: tuple[str, ...] = ("felt",), rows: int = 3) -> Pad:
    names = {2: ("front", "rear"), 3: ("front", "middle", "rear"), 4: ("front", "fore", "aft", "rear")}[rows]
    length = 405.0 / rows
    pockets = tuple(
        _pocket(name, side, 5 + row * (length + 1), length - 4)
        for row, name in enumerate(names)
        for side in ("left", "right")
    )
    shims = tuple(Shim(name, name, (3.0, 5.0, 6.0), (400.0, 600.0)) for name in materials)
    inserts = (Insert("felt 8", "felt", 8.0), Insert("mesh 12", "spacer-mesh", 12.0), Insert("foam 10", "foam", 10.0))
    return Pad("test pad", 3.0, "felt-soft", inserts, pockets, shims, StackLimits())


def _pocket(name: str, side: str, from_mm: float, length_mm: float) -> Pocket:
    sign = 1.0 if side == "left" else -1.0
    x0, x1, y0, y1 = -from_mm, -from_mm - length_mm, sign * 42.0, sign * 138.0
    corners = np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]])
    twice_area = (x0 - x1) * (y1 - y0)
    return Pocket(f"{name}_{side}", side, corners if twice_area < 0 else corners[::-1])


def setup(
    pad_: Pad, heights: dict[str, float] | None = None, arch: str | None = "220", insert: str = "felt 8"
) -> Setup:
    told = heights or {}
    stacks = {
        pocket.name: (Layer(pad_.shims[0].name, told[pocket.name]),) if told.get(pocket.name) else ()
        for pocket in pad_.pockets
    }
    return Setup(arch, insert, stacks)


def changed(base: Saddle, **changes: object) -> Saddle:
    return replace(base, **changes)  # type: ignore[arg-type]
