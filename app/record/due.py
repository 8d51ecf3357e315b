"""What is to be looked at by a day: of each horse's last visit with a saddle, what has come and is not ticked off."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from shimwright.record.store import Connection, whole
from shimwright.record.visits import Visit
from shimwright.scan.refusal import WrongUse


@dataclass(frozen=True)
class Due:
    """days: since the day it fell due, negative = still to come."""

    horse: str
    saddle: str | None
    visited: str
    day: str
    what: str
    days: int


def due(visits: Sequence[Visit], day: str, ahead_days: int = 0) -> list[Due]:
    """Oldest first. A later visit with the same saddle, or one that only measured, does not hide another saddle's."""
    last: dict[tuple[str, str | None], Visit] = {}
    for visit in visits:
        if visit.looks and visit.day <= day:
            last[visit.horse, visit.saddle.name if visit.saddle else None] = visit
    rows = []
    for (horse, saddle), visit in last.items():
        for look in visit.looks:
            passed = (date.fromisoformat(day) - date.fromisoformat(look.day)).days
            if look.done_on is None and passed >= -ahead_days:
                rows.append(Due(horse, saddle, visit.day, look.day, look.what, passed))
    return sorted(rows, key=lambda row: (row.day, row.horse, row.what))


def next_look(visits: Sequence[Visit], day: str) -> Due | None:
    """The first that is still to come."""
    coming = [row for row in due(visits, day, 100_000) if row.days < 0]
    return coming[0] if coming else None


def done(connection: Connection, visit: Visit, day: str) -> int:
    """Tick off what had come by that day; how many."""
    with whole(connection):
        ticked = connection.execute(
            "UPDATE look SET done_on = ? WHERE done_on IS NULL AND day <= ?"
            " AND visit = (SELECT id FROM visit WHERE mark = ?)",
            (day, day, visit.mark),
        ).rowcount
    if not ticked:
        raise WrongUse(f"{visit.horse}: nothing of the visit of {visit.day} was due by {day}; say the day with --date")
    return ticked
