"""What the person at the horse told: unit, directions, marks, scale pair, scanner."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType

PLACES = (
    "withers",
    "croup",
    "low",
    "shoulder_left",
    "shoulder_right",
    "last_rib_left",
    "last_rib_right",
    "saddle_front_left",
    "saddle_front_right",
    "saddle_rear",
)

SCANNERS = ("handheld", "photos", "lidar")  # in the order of their error


@dataclass(frozen=True)
class Dot:
    """A coloured dot on the horse: a colour word or `#rrggbb`."""

    colour: str


@dataclass(frozen=True)
class ScanPoint:
    """A point in scan coordinates, file units."""

    xyz: tuple[float, float, float]


@dataclass(frozen=True)
class BehindWithers:
    """A distance behind the withers, mm."""

    mm: float


Mark = Dot | ScanPoint | BehindWithers


@dataclass(frozen=True)
class ScalePair:
    """Two coloured dots a told distance apart."""

    first: str
    second: str
    mm: float


@dataclass(frozen=True)
class Told:
    """Everything told about one scan; None or empty where nothing was told.

    up, head: directions in scan coordinates, roughly, any length. scanner: what made it, one of SCANNERS.
    """

    unit_mm: float | None = None
    up: tuple[float, float, float] | None = None
    head: tuple[float, float, float] | None = None
    mirror: bool = False
    marks: Mapping[str, Mark] = field(default_factory=lambda: MappingProxyType({}))
    scale: ScalePair | None = None
    scanner: str | None = None


NOTHING_TOLD = Told()


def without_points(told: Told) -> Told:
    """What holds for another scan of the same horse: colours and distances, no points of this one's coordinates."""
    kept = {place: what for place, what in told.marks.items() if not isinstance(what, ScanPoint)}
    return replace(told, marks=MappingProxyType(kept))
