"""What was told about horse, rider and the day: plain facts, units already converted (PRACTICE §3)."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from shimwright.optimize.in_the_van import InStock
from shimwright.optimize.setup import Stack

ZONES = ("front_left", "front_right", "middle_left", "middle_right", "rear_left", "rear_right")
DEFAULT_RIDER_KG = 75.0


@dataclass(frozen=True)
class Horse:
    """All optional. work: young | growing | rehab | fit | settled | None."""

    name: str | None = None
    height_mm: float | None = None
    weight_kg: float | None = None
    age_years: float | None = None
    work: str | None = None


@dataclass(frozen=True)
class PartialSetup:
    """A set-up as a person tells it: what is None is filled by the rules of DESIGN §13 (as found, tries)."""

    arch: str | None = None
    insert: str | None = None
    pockets: Mapping[str, Stack] = field(default_factory=lambda: MappingProxyType({}))


@dataclass(frozen=True)
class Today:
    """Asked before any answer. saddle_moves: no | forward | back | left | right | not known | None (not asked)."""

    date: str | None = None  # ISO
    stood_square: bool | None = None
    sore: tuple[str, ...] = ()  # zones, or "withers"
    lame: bool | None = None
    hot_or_open_skin: bool | None = None
    saddle_moves: str | None = None
    worn: PartialSetup | None = None  # "as found"


@dataclass(frozen=True)
class Rider:
    """weight_told: False prints "assumed". leans: no | left | right, by lean_mm. in_stirrups: share of the weight that
    hangs on the stirrup bars, the rest is on the seat.
    """

    weight_kg: float = DEFAULT_RIDER_KG
    weight_told: bool = False
    lean: str = "no"
    lean_mm: float = 20.0
    in_stirrups: float = 0.0


@dataclass(frozen=True)
class Aim:
    """aim: today | room to grow. middle_room_mm: 0–5."""

    aim: str = "today"
    middle_room_mm: float = 0.0


@dataclass(frozen=True)
class Case:
    """One horse, one saddle, one pad, one day."""

    horse: Horse = Horse()
    today: Today = Today()
    rider: Rider = Rider()
    aim: Aim = Aim()
    tries: tuple[PartialSetup, ...] = ()
    print_units: str = "mm"  # mm | in
    anyway: bool = False  # a set-up although the vet comes first
    fixed: PartialSetup = PartialSetup()  # settled by the fitter already: the search does the rest
    prepared_by: str | None = None
    place: str | None = None
    stock: tuple[InStock, ...] | None = None  # None: not told
