"""The pad: shell, inserts, pockets, stock of shims and the limits of its stacks.

The pad's flat coordinates: x as in the saddle frame (≤ 0, from the arch's front edge), y the distance from the
middle line
measured over the underside (arc), left positive.
"""

from dataclasses import dataclass

from shimwright.optimize.materials import Material
from shimwright.optimize.setup import Stack
from shimwright.scan.raw import FloatArray


@dataclass(frozen=True)
class Insert:
    name: str
    material: str
    thickness_mm: float


@dataclass(frozen=True)
class Shim:
    """A sheet of shim material. thicknesses_mm: as measured, what is in stock. has_face: must not be flipped."""

    name: str
    material: str
    thicknesses_mm: tuple[float, ...]
    sheet_mm: tuple[float, float]
    has_face: bool = False
    grain: bool = False


@dataclass(frozen=True)
class Pocket:
    """outline: (k, 2) counter-clockwise polygon in flat coordinates, not closed. side: left | right."""

    name: str
    side: str
    outline: FloatArray


@dataclass(frozen=True)
class StackLimits:
    """Hard limits on stacks, mm and counts; None: off."""

    height_mm: float | None = 12.0
    layers: int | None = 2
    neighbour_step_mm: float | None = 6.0
    left_right_mm: float | None = 12.0
    total_mm: float | None = None  # pad and shims together; None: by style from limits.toml


@dataclass(frozen=True)
class Pad:
    """pockets may be empty (a pad without pockets); a case without pad has a Pad with no shell, insert or pocket."""

    name: str
    shell_mm: float
    shell_material: str | None
    inserts: tuple[Insert, ...]
    pockets: tuple[Pocket, ...]
    shims: tuple[Shim, ...]
    limits: StackLimits
    own_materials: tuple[Material, ...] = ()  # laws told with the pad, beside the shipped ones

    def pocket(self, name: str) -> Pocket:
        return next(pocket for pocket in self.pockets if pocket.name == name)

    def partner(self, name: str) -> str | None:
        """The pocket on the other side: the same name with left and right exchanged, if there is one."""
        other = (
            name.replace("left", "right")
            if "left" in name
            else name.replace("right", "left")
            if "right" in name
            else name
        )
        return other if other != name and any(pocket.name == other for pocket in self.pockets) else None


NO_STACK: Stack = ()
