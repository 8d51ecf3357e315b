"""The saddle by tape measurements. Saddle frame: origin at the arch's front edge on the middle line, in the level
its maker meant; x forward (so every point of the saddle has x ≤ 0), y to the horse's left, z up; mm, degrees.

Files give x backwards from the arch's front edge; the reader in app turns the sign once.
"""

from dataclasses import dataclass

import numpy as np

from shimwright.optimize.materials import Material
from shimwright.scan.raw import FloatArray

RIGID_EI_NM2 = 3000.0
TREE_EI_NM2 = {
    "treeless": 2.0,
    "flexible": 30.0,
    "half-tree": 100.0,
    "jointed": 100.0,
    "spring": 300.0,
    "rigid": np.inf,
}


@dataclass(frozen=True)
class Arch:
    """included_deg: angle between the legs. width_mm: leg to leg, inside, 100 mm below the arch's top. soft:
    follows the horse."""

    name: str
    included_deg: float
    width_mm: float
    soft: bool = False

    @property
    def leg_deg(self) -> float:
        """Leg below horizontal."""
        return 90.0 - self.included_deg / 2


@dataclass(frozen=True)
class Filling:
    """Panel filling: one more layer in series."""

    material: str
    depth_mm: float


@dataclass(frozen=True)
class Saddle:
    """Ten tape measurements and a word.

    panel_width_mm, channel_mm, angle_deg: (3,) at front, middle, rear of the panel; angle below horizontal,
    measured with `reference_arch` in. rocker_mm: how far the panel's middle stands proud of a straight-edge over
    its ends.
    rise_mm: front end of the panel above its rear end in the maker's level. arch_length_mm: how far back from the
    front edge
    the arch's legs bear. seat_x_mm: seat's lowest point, ≤ 0; None: panels' area centroid, "assumed". straps_x_mm: ≤ 0.
    panel_curve_mm: proud of a straight-edge laid across the panel (crown), one figure.
    """

    name: str
    style: str  # english | western | treeless
    tree: str  # rigid | spring | flexible | half-tree | jointed | treeless
    ei_nm2: float  # per side; inf = rigid
    length_mm: float
    panel_width_mm: FloatArray
    channel_mm: FloatArray
    angle_deg: FloatArray
    rocker_mm: float
    rise_mm: float
    panel_curve_mm: float
    arches: tuple[Arch, ...]  # empty: no changeable arch
    reference_arch: str | None
    arch_length_mm: float
    filling: Filling | None
    mass_kg: float
    seat_x_mm: float | None
    straps_x_mm: tuple[float, ...]
    stirrup_bar_x_mm: float | None
    side_difference_mm: float = 0.0  # left minus right, as found on the underside
    own_materials: tuple[Material, ...] = ()  # laws told with the saddle (its filling), beside the shipped ones

    @property
    def rigid(self) -> bool:
        return self.ei_nm2 >= RIGID_EI_NM2
