"""What the hand said of each prediction, and how often the tool was right."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from math import sqrt

from shimwright.record.store import Connection, whole
from shimwright.record.visits import Hand, Visit
from shimwright.scan.refusal import WrongUse

FEELS = ("firm", "even", "light", "daylight")
Z95 = 1.959964  # two-sided 95 % of the normal


@dataclass(frozen=True)
class Score:
    """right of felt predictions of one kind; low, high: 95 % interval of the share."""

    kind: str
    name: str
    right: int
    felt: int
    low: float
    high: float


def wilson(right: int, felt: int, z: float = Z95) -> tuple[float, float]:
    """Interval of a share (Wilson 1927, J Am Stat Assoc 22:209–212); (0, 1) where nothing was felt.

    >>> [round(v, 4) for v in wilson(8, 10)]
    [0.4902, 0.9433]
    """
    if felt == 0:
        return 0.0, 1.0
    share, spread = right / felt, z * z / felt
    middle = (share + spread / 2) / (1 + spread)
    half = z / (1 + spread) * sqrt(share * (1 - share) / felt + spread / (4 * felt))
    return max(middle - half, 0.0), min(middle + half, 1.0)


def scores(visits: Iterable[Visit]) -> list[Score]:
    """All, then by state, by what was predicted and by place; only what was felt. Empty where nothing was ticked."""
    felt = [one for visit in visits for one in visit.hands if one.was_right is not None]
    if not felt:
        return []
    kinds = {
        "state": [one.state for one in felt],
        "said": [one.feel for one in felt],
        "place": [one.place for one in felt],
    }
    rows = [_score("all", "all", felt)]
    for kind, names in kinds.items():
        for name in dict.fromkeys(names):
            rows.append(_score(kind, name, [one for one, of in zip(felt, names, strict=True) if of == name]))
    return rows


def _score(kind: str, name: str, felt: Sequence[Hand]) -> Score:
    right = sum(bool(one.was_right) for one in felt)
    return Score(kind, name, right, len(felt), *wilson(right, len(felt)))


def numbers(told: str, most: int) -> list[int]:
    """Line numbers as people write them, counted from 1.

    >>> numbers("1,3-5", 9)
    [1, 3, 4, 5]
    """
    found: list[int] = []
    for part in filter(None, (piece.strip() for piece in told.split(","))):
        low, _, high = part.partition("-")
        if not (low.strip().isdigit() and (high or low).strip().isdigit()):
            raise WrongUse(f'"{part}" is no line of the hand table; say 1,3 or 2-5')
        first, last = int(low), int(high or low)
        if not 1 <= first <= last <= most:
            raise WrongUse(f'"{part}": the hand table has the lines 1 to {most}')
        found += range(first, last + 1)
    return found


def ticked(hands: Sequence[Hand], right: str, wrong: Sequence[str], day: str) -> tuple[Hand, ...]:
    """The hands with ticks. right: lines, or "all" but the wrong ones. wrong: 3, or 3=light for what was felt."""
    told: dict[int, tuple[bool, str | None]] = {}
    for one in wrong:
        lines, _, felt = one.partition("=")
        if felt and felt not in FEELS:
            raise WrongUse(f'"{felt}" is not what a hand feels; say one of {", ".join(FEELS)}')
        told |= dict.fromkeys(numbers(lines, len(hands)), (False, felt or None))
    called = range(1, len(hands) + 1) if right == "all" else numbers(right, len(hands))
    both = sorted(set(told) & set(called)) if right != "all" else []
    if both:
        raise WrongUse(f"line {both[0]} is told right and wrong; keep one")
    told = dict.fromkeys(called, (True, None)) | told
    if same := [line for line, (_, felt) in told.items() if felt == hands[line - 1].feel]:
        raise WrongUse(f"line {same[0]}: {hands[same[0] - 1].feel} is what was predicted, so it was right")
    return tuple(
        replace(one, was_right=told[k][0], felt=told[k][1], ticked_on=day) if k in told else one
        for k, one in enumerate(hands, 1)
    )


def keep_ticks(connection: Connection, visit: Visit, hands: Sequence[Hand]) -> None:
    with whole(connection):
        connection.executemany(
            "UPDATE hand SET was_right = ?, felt = ?, ticked_on = ? WHERE position = ?"
            " AND visit = (SELECT id FROM visit WHERE mark = ?)",
            [(one.was_right, one.felt, one.ticked_on, k, visit.mark) for k, one in enumerate(hands)],
        )
