"""Quantities as people write them: "165 lb", "1/4 in", "15.2 hh", "11 st 6 lb". Bare numbers are mm, kg, degrees, N.

Units are converted here and nowhere else. Factors are exact by definition (international yard and pound, 1959; standard
gravity, 3rd CGPM 1901); a hand is four inches, and the figure behind its point counts inches.
"""

import math
import re
from collections.abc import Callable, Mapping
from fractions import Fraction
from typing import Annotated

from pydantic import BeforeValidator

MM_PER = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": 25.4, "inch": 25.4, "inches": 25.4, '"': 25.4, "ft": 304.8}
KG_PER = {"kg": 1.0, "g": 0.001, "lb": 0.45359237, "lbs": 0.45359237, "st": 6.35029318}
DEG_PER = {"deg": 1.0, "°": 1.0, "degree": 1.0, "degrees": 1.0}
N_PER = {"n": 1.0, "kn": 1000.0, "kg": 9.80665, "lb": 4.4482216152605, "lbs": 4.4482216152605}
HAND_MM = 101.6

_NUMBER = r"(?:\d{1,9}\s+\d{1,9}/\d{1,9}|\d{1,9}/\d{1,9}|\d{1,9}(?:\.\d{0,12})?|\.\d{1,12})"
_PART = re.compile(rf'\s*({_NUMBER})\s*([a-z°"]*)', re.IGNORECASE)
_HANDS = re.compile(r"(\d+)(?:\.(\d))?\s*(?:hh|hands?)", re.IGNORECASE)


def length_mm(told: object) -> float:
    """Millimetres. ValueError says what is wrong with it.

    >>> length_mm(6), length_mm("1/4 in"), length_mm("1 1/2 in"), length_mm("2.5 cm")
    (6.0, 6.35, 38.1, 25.0)
    """
    return _quantity(told, MM_PER, "a length", "6 mm, 1/4 in, 2.5 cm")


def weight_kg(told: object) -> float:
    """Kilograms.

    >>> round(weight_kg("165 lb"), 3), round(weight_kg("11 st 6 lb"), 3), weight_kg("75 kg")
    (74.843, 72.575, 75.0)
    """
    return _quantity(told, KG_PER, "a weight", "75 kg, 165 lb")


def angle_deg(told: object) -> float:
    """Degrees.

    >>> angle_deg("92 deg")
    92.0
    """
    return _quantity(told, DEG_PER, "an angle", "92, 92 deg")


def force_n(told: object) -> float:
    """Newtons; a weight in kg or lb counts as its weight force.

    >>> force_n("20 kg")
    196.133
    """
    return round(_quantity(told, N_PER, "a force", "200 N, 20 kg"), 9)


def height_mm(told: object) -> float:
    """Height of a horse: hands or a length.

    >>> height_mm("15.2 hh"), height_mm("160 cm")
    (1574.8, 1600.0)
    """
    if isinstance(told, str) and (hands := _HANDS.fullmatch(told.strip())):
        inches = int(hands[2] or 0)
        if inches > 3:
            raise ValueError(f'"{told}" is no height: behind the point of hands stand inches, 0 to 3, as in "15.2 hh"')
        return round(int(hands[1]) * HAND_MM + inches * MM_PER["in"], 6)
    return _quantity(told, MM_PER, "a height", "15.2 hh, 160 cm")


def within(
    parse: Callable[[object], float], low: float, high: float, unit: str, what: str, *, open_low: bool = False
) -> Callable[[object], float]:
    """The same parser with limits, both named when broken."""

    def parse_within(told: object) -> float:
        value = parse(told)
        if value > high or value < low or (open_low and value == low):
            span = f"above {low:g}, at most {high:g}" if open_low else f"{low:g} to {high:g}"
            raise ValueError(f"{_shown(told)} cannot be {what}: it must be {span} {unit}")
        return value

    return parse_within


def _shown(told: object) -> str:
    return f'"{told}"' if isinstance(told, str) else f"{told}"


def _quantity(told: object, per: Mapping[str, float], what: str, examples: str) -> float:
    if isinstance(told, int | float) and not isinstance(told, bool):
        value = float(told)
    elif isinstance(told, str):
        value = _parsed(told, per, what, examples)
    else:
        raise ValueError(f"{_shown(told)} is not {what}: write it like {examples}")
    if not math.isfinite(value):
        raise ValueError(f"{_shown(told)} is not {what}: it must be a finite number like {examples}")
    return value


def _parsed(text: str, per: Mapping[str, float], what: str, examples: str) -> float:
    rest = text.strip()
    sign = -1.0 if rest.startswith(("-", "−")) else 1.0
    rest = rest.lstrip("+-−")
    total, bare, parts = 0.0, False, 0
    while rest:
        part = _PART.match(rest)
        if not part:
            raise ValueError(f'"{text}" is not {what}: write it like {examples}')
        unit = part[2].lower()
        if unit and unit not in per:
            raise ValueError(f'"{text}" is not {what}: the unit {part[2]} is not known here, use {_units(per)}')
        bare |= not unit
        total, parts, rest = total + _number(part[1], text) * per.get(unit, 1.0), parts + 1, rest[part.end() :].strip()
    if not parts or (bare and parts > 1):
        raise ValueError(f'"{text}" is not {what}: write it like {examples}')
    return sign * round(total, 9)


def _number(text: str, whole: str) -> float:
    try:
        return float(sum(Fraction(piece) for piece in text.rstrip(".").split()))
    except ZeroDivisionError:
        raise ValueError(f'"{whole}" divides by zero') from None


def _units(per: Mapping[str, float]) -> str:
    return ", ".join(
        name for name in per if name.isalpha() and not name.endswith("s") and name not in ("inch", "degree")
    )


Length = Annotated[float, BeforeValidator(within(length_mm, -3000.0, 3000.0, "mm", "a length here"))]
Distance = Annotated[float, BeforeValidator(within(length_mm, 0.0, 3000.0, "mm", "a distance"))]
Size = Annotated[float, BeforeValidator(within(length_mm, 0.0, 3000.0, "mm", "a size", open_low=True))]
Thickness = Annotated[float, BeforeValidator(within(length_mm, 0.0, 60.0, "mm", "a thickness", open_low=True))]
ShimThickness = Annotated[float, BeforeValidator(within(length_mm, 0.2, 60.0, "mm", "a thickness of a shim"))]
ThicknessOrNone = Annotated[float, BeforeValidator(within(length_mm, 0.0, 60.0, "mm", "a thickness"))]
Lean = Annotated[float, BeforeValidator(within(length_mm, 0.0, 150.0, "mm", "a rider's lean"))]
Angle = Annotated[float, BeforeValidator(within(angle_deg, -20.0, 85.0, "degrees", "a panel angle"))]
IncludedAngle = Annotated[float, BeforeValidator(within(angle_deg, 20.0, 179.0, "degrees", "an included angle"))]
Force = Annotated[float, BeforeValidator(within(force_n, 0.0, 5000.0, "N", "a test load", open_low=True))]
HorseHeight = Annotated[float, BeforeValidator(within(height_mm, 500.0, 2300.0, "mm", "a horse's height"))]
HorseWeight = Annotated[float, BeforeValidator(within(weight_kg, 40.0, 1600.0, "kg", "a horse's weight"))]
RiderWeight = Annotated[float, BeforeValidator(within(weight_kg, 10.0, 200.0, "kg", "a rider's weight"))]
SaddleWeight = Annotated[float, BeforeValidator(within(weight_kg, 0.5, 50.0, "kg", "a saddle's weight"))]
