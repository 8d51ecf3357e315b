"""The unit of a scan: told, declared, from the scale pair, or the one that makes a horse of it (DESIGN §3)."""

from dataclasses import dataclass

import numpy as np

from shimwright.scan.marks import PairFound, told_against_pair
from shimwright.scan.refusal import InputRefused

UNITS_MM = {"m": 1000.0, "cm": 10.0, "mm": 1.0, "in": 25.4}
GIRTH_RADIUS_MM = (95.0, 500.0)  # small pony, whose roof alone was seen, to heavy horse, with room [J]
USUAL_RADIUS = (220.0, 0.28)  # mm and spread of its logarithm, to settle between units [J]
USUAL_LENGTH = (1250.0, 0.35)  # the same of what is scanned of the trunk, 0.7–2.6 m
DOUBT = 4.0  # squared standard deviations: two units nearer than this are both tried
TRUNK_LENGTH_MM = (450.0, 3200.0)


@dataclass(frozen=True)
class UnitProposal:
    """A unit to try: mm per scan unit, where from (told | declared | scale pair | shape), and its word."""

    mm: float
    source: str
    word: str

    def makes_a_horse(self, radius: float, length: float) -> bool:
        """Would trunk radius and length (scan units) be a horse's?"""
        near, far = GIRTH_RADIUS_MM
        short, long = TRUNK_LENGTH_MM
        return near <= radius * self.mm <= far and short <= length * self.mm <= long


def likely(units: list[UnitProposal], radius: float, length: float) -> list[UnitProposal]:
    """Units that the trunk's size (radius and length, scan units) does not speak against, beside the best one."""
    score = [_unlike(radius * unit.mm, USUAL_RADIUS) + _unlike(length * unit.mm, USUAL_LENGTH) for unit in units]
    return [unit for unit, s in zip(units, score, strict=True) if s < min(score) + DOUBT]


def _unlike(size_mm: float, usual: tuple[float, float]) -> float:
    middle, spread = usual
    return float((np.log(size_mm / middle) / spread) ** 2)


def unit_proposals(
    told: float | None, declared: float | None, pair: PairFound | None
) -> tuple[tuple[UnitProposal, ...], tuple[str, ...]]:
    """Units to try, all of the first source that speaks, and what is to be said."""
    if told is not None and pair is not None:
        mm, message = told_against_pair(told, pair)
        source = "told" if message is None else "scale pair"
        return (UnitProposal(mm, source, f"{mm:g} mm"),), (() if message is None else (message,))
    if told is not None:
        return (UnitProposal(told, "told", _word(told)),), ()
    if pair is not None:
        return (UnitProposal(pair.mm_per_unit, "scale pair", f"{pair.mm_per_unit:g} mm"),), ()
    if declared is not None:
        return (UnitProposal(declared, "declared", _word(declared)),), ()
    return by_shape(), ()


def by_shape() -> tuple[UnitProposal, ...]:
    return tuple(UnitProposal(mm, "shape", word) for word, mm in UNITS_MM.items())


def _word(mm: float) -> str:
    return next((word for word, size in UNITS_MM.items() if abs(size - mm) < 1e-9 * size), f"{mm:g} mm")


def refuse_unit(tried: tuple[UnitProposal, ...], radius: float, length: float) -> InputRefused:
    """No tried unit makes a horse of it."""
    one = tried[0]
    if len(tried) == 1:
        return InputRefused(
            f"no horse's back in this unit: with one scan unit = {one.mm:g} mm ({one.source}) the body is "
            f"{2 * radius * one.mm:.0f} mm across and {length * one.mm:.0f} mm long; correct --unit or --scale"
        )
    small, large = (2 * r for r in GIRTH_RADIUS_MM)
    return InputRefused(
        f"no back found in m, cm, mm or in: the body is {2 * radius:.3g} scan units across and {length:.3g} long, "
        f"a horse's trunk {small:.0f}–{large:.0f} mm across; say --unit, or scan the back alone"
    )
