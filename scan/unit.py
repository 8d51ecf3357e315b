"""The unit of a scan: told, declared, from the scale pair, or the one that makes a horse of it (DESIGN §3)."""

from dataclasses import dataclass

from shimwright.scan.marks import PairFound, told_against_pair
from shimwright.scan.refusal import InputRefused

UNITS_MM = {"m": 1000.0, "cm": 10.0, "mm": 1.0, "in": 25.4}
GIRTH_RADIUS_MM = (130.0, 500.0)  # pony to heavy horse, with room [J]
USUAL_RADIUS_MM = (165.0, 400.0)  # settles two units that both could be [J]
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


def usual(units: list[UnitProposal], radius: float) -> list[UnitProposal]:
    """Those units in which the trunk's radius (scan units) is a usual one; all where that settles nothing."""
    near, far = USUAL_RADIUS_MM
    kept = [unit for unit in units if near <= radius * unit.mm <= far]
    return kept if len(kept) == 1 else units


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
    return InputRefused(
        f"no back found in m, cm, mm or in: the body is {2 * radius:.3g} scan units across and {length:.3g} long, "
        f"a horse's trunk {2 * GIRTH_RADIUS_MM[0]:.0f}–{2 * GIRTH_RADIUS_MM[1]:.0f} mm; say --unit, or scan the back alone"
    )
