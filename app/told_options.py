"""What is told about a scan, by options or by a case file: unit, directions, marks, scale pair, scanner."""

import difflib
import math
import re
from collections.abc import Callable, Iterable, Mapping
from types import MappingProxyType
from typing import TypeVar

from shimwright.quantity import length_mm
from shimwright.scan.refusal import WrongUse
from shimwright.scan.told import NOTHING_TOLD, PLACES, SCANNERS, BehindWithers, Dot, Mark, ScalePair, ScanPoint, Told

UNIT_MM = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": 25.4}
COLOUR_WORDS = ("red", "yellow", "green", "cyan", "blue", "magenta")
Direction = tuple[float, float, float]
Parsed = TypeVar("Parsed")


def unit(told: object) -> float:
    """Millimetres per unit of the scan: mm | cm | m | in, or a number.

    >>> unit("m"), unit("12430"), unit(25.4)
    (1000.0, 12430.0, 25.4)
    """
    if isinstance(told, str) and told.strip().lower() in UNIT_MM:
        return UNIT_MM[told.strip().lower()]
    try:
        value = float(told) if isinstance(told, str | int | float) and not isinstance(told, bool) else math.nan
    except ValueError:
        value = math.nan
    if not (math.isfinite(value) and 1e-6 <= value <= 1e9):
        raise ValueError(f'"{told}" is not a unit: say mm, cm, m, in, or the millimetres that one unit of the scan is')
    return value


def scanner_kind(told: object) -> str:
    """What made the scan.

    >>> scanner_kind("lidar")
    'lidar'
    """
    if told in SCANNERS:
        return str(told)
    raise ValueError(f"{_shown(told)} is not a kind of scanner: say handheld, photos (or video), or lidar (of a phone)")


def direction(told: object) -> Direction:
    """A direction in scan coordinates: an axis (+x … -z) or a vector.

    >>> direction("-z"), direction("-1,0,0"), direction([0, 0.5, 1])
    ((0.0, 0.0, -1.0), (-1.0, 0.0, 0.0), (0.0, 0.5, 1.0))
    """
    if isinstance(told, str) and (axis := re.fullmatch(r"\s*([+-]?)([xyz])\s*", told, re.IGNORECASE)):
        sign = -1.0 if axis[1] == "-" else 1.0
        x, y, z = (sign if letter == axis[2].lower() else 0.0 for letter in "xyz")
        return x, y, z
    vector = _three(told)
    if vector is None or not 0 < math.hypot(*vector) < math.inf:
        raise ValueError(f"{_shown(told)} is not a direction: say an axis (+x … -z) or a vector like -1,0,0.2")
    return vector


def mark(told: object) -> Mark:
    """A coloured dot by word or #rrggbb, a point in scan coordinates, or a distance behind the withers.

    >>> mark("red"), mark("0.1,0,1.5"), mark("120mm")
    (Dot(colour='red'), ScanPoint(xyz=(0.1, 0.0, 1.5)), BehindWithers(mm=120.0))
    """
    if (point := _three(told)) is not None:
        return ScanPoint(point)
    if isinstance(told, str) and (told.strip().startswith("#") or told.strip().isalpha()):
        return Dot(colour(told))
    try:
        distance = length_mm(told)
    except ValueError:
        distance = math.nan
    if not -300.0 <= distance <= 2000.0:
        raise ValueError(
            f"{_shown(told)} is not a mark: say a dot's colour (red, #d02030), a point x,y,z in scan coordinates, "
            "or a distance behind the withers (120mm)"
        )
    return BehindWithers(distance)


def colour(told: object) -> str:
    """A colour word or `#rrggbb`, lower case."""
    word = told.strip().lower() if isinstance(told, str) else ""
    if word in COLOUR_WORDS or re.fullmatch(r"#[0-9a-f]{6}", word):
        return word
    near = difflib.get_close_matches(word, COLOUR_WORDS, 1)
    hint = f"did you mean {near[0]}?" if near else "say " + ", ".join(COLOUR_WORDS) + " or #rrggbb"
    raise ValueError(f"{_shown(told)} is not a colour of a dot; {hint}")


def places(name: str) -> tuple[str, ...]:
    """The places that a name of a mark means: `shoulder` is both sides, told apart by where the dots lie.

    >>> places("shoulder")
    ('shoulder_left', 'shoulder_right')
    """
    if name in PLACES:
        return (name,)
    if f"{name}_left" in PLACES:
        return f"{name}_left", f"{name}_right"
    near = difflib.get_close_matches(name, PLACES, 1)
    hint = f'did you mean "{near[0]}"?' if near else "known: " + ", ".join(PLACES)
    raise ValueError(f'"{name}" is not a place on the back; {hint}')


def marks(told: Iterable[tuple[str, object]]) -> Mapping[str, Mark]:
    """Place → mark. Refuses two marks for one place, and a distance from the withers to themselves."""
    return placed((name, mark(what)) for name, what in told)


def placed(told: Iterable[tuple[str, Mark]]) -> Mapping[str, Mark]:
    """As `marks`, for marks that are parsed already."""
    found: dict[str, Mark] = {}
    for name, what in told:
        for place in places(name):
            if place in found:
                raise ValueError(f'"{place}" is marked twice; keep one')
            if place == "withers" and isinstance(what, BehindWithers):
                raise ValueError(
                    f"the withers are {what.mm:g} mm behind the withers? Distances are counted from them: say a dot's "
                    "colour, or a point x,y,z"
                )
            found[place] = what
    return MappingProxyType(found)


def scale_pair(first: object, second: object, distance: object) -> ScalePair:
    """Two dots a told distance apart."""
    mm, one, two = length_mm(distance), colour(first), colour(second)
    if not 20.0 <= mm <= 3000.0:
        raise ValueError(f"{_shown(distance)} between the scale dots: 20 to 3000 mm can be measured on a back")
    return ScalePair(one, two, mm)


def told_from_options(
    unit_told: str | None,
    up: str | None,
    head: str | None,
    mark_options: tuple[str, ...],
    scale: str | None,
    mirror: bool,
    scanner: str | None = None,
) -> Told:
    """The options of `measure`. Raises WrongUse naming the option."""
    return Told(
        unit_mm=option("--unit", unit, unit_told),
        up=option("--up", direction, up),
        head=option("--head", direction, head),
        mirror=mirror,
        marks=option("--mark", lambda _: marks(map(_split_mark, mark_options)), mark_options) or NOTHING_TOLD.marks,
        scale=option("--scale", _split_scale, scale),
        scanner=option("--scanner", scanner_kind, scanner),
    )


def told_words(told: Told) -> dict[str, object]:
    """What was told, in plain words and values, as back.json shows it."""
    words: dict[str, object] = {
        "unit_mm": told.unit_mm,
        "up": list(told.up) if told.up else None,
        "head": list(told.head) if told.head else None,
        "mirror": told.mirror or None,
        "marks": {place: _mark_words(what) for place, what in told.marks.items()} or None,
        "scanner": told.scanner,
        "scale": {"between": [told.scale.first, told.scale.second], "mm": told.scale.mm} if told.scale else None,
    }
    return {name: value for name, value in words.items() if value is not None}


def _mark_words(what: Mark) -> object:
    if isinstance(what, Dot):
        return what.colour
    return list(what.xyz) if isinstance(what, ScanPoint) else f"{what.mm:g} mm"


def option(name: str, parse: Callable[[object], Parsed], told: object) -> Parsed | None:
    """An option's value, None where it was not told. Raises WrongUse naming it."""
    if told is None or told == ():
        return None
    try:
        return parse(told)
    except ValueError as error:
        raise WrongUse(f"{name}: {error}") from None


def _split_mark(told: str) -> tuple[str, object]:
    place, equals, what = told.partition("=")
    if not equals or not what:
        raise ValueError(f'"{told}" is not PLACE=WHAT, as in shoulder_left=red')
    return place.strip(), what


def _split_scale(told: object) -> ScalePair:
    dots, equals, distance = str(told).partition("=")
    names = dots.split(",")
    if not equals or len(names) != 2:
        raise ValueError(f'"{told}" is not A,B=MM, as in yellow,cyan=300')
    return scale_pair(names[0], names[1], distance)


def _three(told: object) -> Direction | None:
    parts = told.split(",") if isinstance(told, str) else told if isinstance(told, list | tuple) else []
    if len(parts) != 3 or any(isinstance(part, bool) for part in parts):
        return None
    try:
        x, y, z = (float(part) for part in parts)
    except (TypeError, ValueError):
        return None
    return (x, y, z) if all(math.isfinite(v) and abs(v) < 1e15 for v in (x, y, z)) else None


def _shown(told: object) -> str:
    return f'"{told}"' if isinstance(told, str) else f"{told}"
