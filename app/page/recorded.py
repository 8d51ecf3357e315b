"""This case in the fitter's record: is it there, put it there, and what the hand said goes where it is."""

from __future__ import annotations

from dataclasses import dataclass, replace
from hashlib import sha256
from pathlib import Path

from shimwright.case_file import CaseFile
from shimwright.export.back_json import back_to_json
from shimwright.export.setup_json import setup_to_json
from shimwright.optimize.setup import Setup
from shimwright.page.ticks import Tick
from shimwright.record.hands import keep_ticks
from shimwright.record.kept import keep
from shimwright.record.store import exists, opened
from shimwright.record.taken import FIT, read_fit
from shimwright.record.visits import Visit, visits
from shimwright.record.words import day
from shimwright.scan.back import Back
from shimwright.scan.refusal import WrongUse

ALONE = "saddle only"


@dataclass(frozen=True)
class Recorded:
    """known: this horse has visits. visit: that of this very case file, None where it was not kept yet."""

    known: bool
    visit: Visit | None


def looked_up(store: Path, path: Path, horse: str) -> Recorded:
    """What the record has of a case. No record is made by looking. Refusals as `opened` says."""
    if not horse or not exists(store):
        return Recorded(False, None)
    with opened(store) as connection:
        mine = visits(connection, horse)
    now = sha256(path.read_bytes()).hexdigest()
    same = [one for one in mine if (case := one.file("case")) is not None and case.sha256 == now]
    return Recorded(bool(mine), same[-1] if same else None)


def kept(store: Path, path: Path, told: CaseFile, back: Back) -> Visit:
    """The visit with its sheets into the record, as `log add CASE --fit` does. Raises WrongUse without sheets."""
    if not (path.parent / FIT).is_file():
        raise WrongUse("make the sheets first: the record keeps what they say")
    fit = read_fit(path.parent, sha256(path.read_bytes()).hexdigest())
    return keep(store, path, back_to_json(back), fit, (told.saddle.name, told.pad.name))


def felt_too(store: Path, visit: Visit, setup: Setup, tick: Tick) -> bool:
    """One tick into the record. False where the visit says nothing of that: another set-up, another prediction."""
    if not _speaks_of(visit, setup, tick.state):
        return False
    told, on = (tick.state, tick.place, tick.side, tick.feel), None if tick.right is None else tick.felt_at[:10]
    with opened(store) as connection:
        now = next((one for one in visits(connection, visit.horse) if one.mark == visit.mark), visit)
        places = [(one.state, one.place, one.side, one.feel) for one in now.hands]
        if told not in places:
            return False
        hands = list(now.hands)
        at = places.index(told)
        hands[at] = replace(hands[at], was_right=tick.right, felt=None, ticked_on=on)
        keep_ticks(connection, now, hands)
    return True


def _speaks_of(visit: Visit, setup: Setup, state: str) -> bool:
    """The saddle alone is the same under every set-up."""
    return state == ALONE or visit.setup == setup_to_json(setup)


def document(found: Recorded, horse: str, setup: Setup) -> dict[str, object]:
    """What a page is told: one line, and whether keeping this visit is offered."""
    if found.visit is not None:
        told = f"In the record: {found.visit.horse}, {day(found.visit.day)}. "
        if _speaks_of(found.visit, setup, "mounted"):
            told += "What is ticked here goes there too."
        else:
            told += "It was kept with another set-up: of this one only the saddle alone is ticked there."
    elif not horse:
        told = "The horse has no name, so the record cannot keep it: fill in [horse] name in the case file."
    else:
        told = f"{horse} is in the record, this visit is not." if found.known else f"{horse} is not in the record yet."
    return {"words": told, "offer": bool(horse) and found.visit is None}
