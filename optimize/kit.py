"""One saddle, many horses: what each list offers, the kits from the smallest on, held against the true model.

The lists and their costs are those of the search (about 600 nodes). Every set-up that a kit would give is judged on the
5 mm grid as `fit` does; what breaks a limit there, or gives no good contact, is struck off and the kit found again.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from shimwright.optimize.answer import Contact
from shimwright.optimize.fit import LOOKED_AT, Job
from shimwright.optimize.kit_list import Listed, listed
from shimwright.optimize.kit_model import Kit, Offer, Yard, curve
from shimwright.optimize.kit_order import Order, order_of
from shimwright.optimize.kit_pieces import Piece, Pieces, all_pieces
from shimwright.optimize.limits import limits
from shimwright.optimize.setup import Setup
from shimwright.optimize.verdict import deciding_limit, is_good, judge
from shimwright.scan.raw import FloatArray
from shimwright.scan.refusal import InputRefused

REFUSED = "refused"  # verdict on a horse whose scan or saddle the mechanics cannot take
SHOWN_CASES = ("girthed", "mounted")
Progress = Callable[[str], None]


@dataclass(frozen=True)
class LeftOut:
    """A horse that no kit serves. verdict, why: as `fit` would say."""

    name: str
    verdict: str
    why: str


@dataclass(frozen=True)
class Served:
    """One horse on one kit. poorer: cost beyond a tie with its own best, as a share of that best's cost; 0 = as good.

    contact: girthed and mounted, on the 5 mm grid.
    """

    setup: Setup
    contact: Contact
    cost: float
    poorer: float


@dataclass(frozen=True)
class Size:
    """One point of the trade-off. pieces: what is carried. horses: in the order of `YardKit.names`. price, bound: sum
    over the horses of what their set-ups cost beyond a tie with their own best, and what that is proven not to fall
    below with so few pieces. fewest: of the smallest kit, what its size is proven not to fall below; else None."""

    pieces: tuple[Piece, ...]
    horses: tuple[Served, ...]
    order: Order
    price: float
    bound: float
    fewest: int | None
    proven: bool


@dataclass(frozen=True)
class HorseList:
    """How one horse was looked at. setups: what the stock allows. listed: of these, within limits and in good contact.
    margin: how much dearer than its own best is still listed; +inf: all are. struck_off: by the 5 mm grid. best: its
    own best set-up; as_found: what is on now."""

    setups: int
    listed: int
    margin: float
    struck_off: int
    best: Served
    as_found: Contact


@dataclass(frozen=True)
class YardKit:
    """sizes: the smallest kit first; empty where nothing serves any horse. lists: one for each of names."""

    names: tuple[str, ...]
    sizes: tuple[Size, ...]
    lists: tuple[HorseList, ...]
    left_out: tuple[LeftOut, ...]


@dataclass
class _Horse:
    """One horse while its list shrinks. refused: numbers of the list that the true model does not let pass."""

    name: str
    job: Job
    found: Contact
    listed: Listed
    seen: dict[int, Contact]
    refused: set[int]

    def stands(self, number: int) -> bool:
        """Whether a set-up of the list keeps the limits and gives good contact on the 5 mm grid."""
        if number not in self.seen and number not in self.refused:
            try:
                self.seen[number] = self.job.on(self.listed.setup(number, self.job), self.found, SHOWN_CASES)
            except InputRefused:  # it tips over: no choice
                self.refused.add(number)
        if number in self.refused:
            return False
        contact = self.seen[number]
        good = not contact.refused_by and is_good(contact.cases["mounted"])
        if not good:
            self.refused.add(number)
        return good

    def costs(self) -> FloatArray:
        cost = self.listed.cost.copy()
        cost[list(self.refused)] = np.inf
        return cost

    def best(self) -> int | None:
        """The cheapest that stands; as in `fit`, a few are looked at before it is given up."""
        for _ in range(LOOKED_AT):
            cost = self.costs()
            if not np.isfinite(cost).any():
                return None
            number = int(cost.argmin())
            if self.stands(number):
                return number
        return None


def yard_kit(horses: Sequence[tuple[str, Job]], seconds: float, progress: Progress) -> YardKit:
    """Every kit of one yard. horses: name and job, all of one saddle and pad. seconds: for each size of kit."""
    served: list[_Horse] = []
    left_out: list[LeftOut] = []
    pieces = None
    for number, (name, job) in enumerate(horses, 1):
        pieces = pieces or all_pieces(job.saddle, job.pad, job.stacks)
        said = f"{name}, {number} of {len(horses)}"
        found = _horse(name, job, pieces, lambda text, said=said: progress(f"{said}: {text}"))  # type: ignore[misc]
        (served if isinstance(found, _Horse) else left_out).append(found)  # type: ignore[arg-type]
    names = tuple(horse.name for horse in served)
    if not served or pieces is None:
        return YardKit((), (), (), tuple(left_out))
    progress("the smallest kit")
    bests = [_own_best(horse) for horse in served]
    sizes = []
    for kit in curve(_yard(served, bests, pieces), _check(served), seconds):
        progress(f"a kit of {kit.count} pieces")
        sizes.append(_size(served, bests, pieces, kit))
    lists = tuple(_looked_at(one, best) for one, best in zip(served, bests, strict=True))
    return YardKit(names, tuple(sizes), lists, tuple(left_out))


def _looked_at(horse: _Horse, best: int) -> HorseList:
    of = horse.listed
    return HorseList(of.setups, of.cost.size, of.margin, len(horse.refused), _served(horse, best, best), horse.found)


def _horse(name: str, job: Job, pieces: Pieces, progress: Progress) -> _Horse | LeftOut:
    """The horse with its list, or why it is left out."""
    try:
        found = job.on(job.found_setup, None)
    except InputRefused as refused:
        return LeftOut(name, REFUSED, refused.message)
    horse = _Horse(name, job, found, listed(job, pieces, progress), {}, set())
    progress("its own best")
    if horse.best() is not None:
        return horse
    said = judge(job.saddle, found, None, dict(job.judged), deciding_limit(_refusals(horse)))
    return LeftOut(name, said.verdict, said.sentence)


def _refusals(horse: _Horse) -> dict[str, int]:
    """What cut its set-ups; where some were listed and none stood, what the true model said of them."""
    of_list = {limit: count for limit, count in horse.listed.refused_by.items() if count}
    if not horse.seen:
        return of_list
    names = [name for contact in horse.seen.values() for name in contact.refused_by or ("uneven contact",)]
    return {name: names.count(name) for name in names}


def _own_best(horse: _Horse) -> int:
    number = horse.best()
    assert number is not None  # else it was left out
    return number


def _yard(served: Sequence[_Horse], bests: Sequence[int], pieces: Pieces) -> Yard:
    offers = []
    for horse, best in zip(served, bests, strict=True):
        cost = horse.costs()
        tie = limits().ties.band(float(horse.listed.cost[best]))
        offers.append(Offer(horse.listed.needs, cost, np.maximum(0.0, horse.listed.cost - tie)))
    return Yard(tuple(offers), pieces.arches)


def _check(served: Sequence[_Horse]) -> Callable[[Yard, Kit], Yard]:
    def check(yard: Yard, kit: Kit) -> Yard:
        stand = [horse.stands(number) for horse, number in zip(served, kit.chosen, strict=True)]
        if all(stand):
            return yard
        offers = tuple(replace(offer, cost=horse.costs()) for offer, horse in zip(yard.offers, served, strict=True))
        return Yard(offers, yard.arches)

    return check


def _served(horse: _Horse, number: int, best: int) -> Served:
    cost, least = float(horse.listed.cost[number]), float(horse.listed.cost[best])
    poorer = max(0.0, cost - limits().ties.band(least)) / least
    return Served(horse.listed.setup(number, horse.job), horse.seen[number], cost, poorer)


def _size(served: Sequence[_Horse], bests: Sequence[int], pieces: Pieces, kit: Kit) -> Size:
    horses = tuple(_served(*one) for one in zip(served, kit.chosen, bests, strict=True))
    carried = tuple(piece for piece, used in zip(pieces.pieces, kit.units, strict=True) if used)
    order = order_of([one.setup for one in horses], served[0].job.pad)
    return Size(carried, horses, order, kit.price, kit.bound, kit.fewest, kit.proven)
