"""Visits in the record: written whole, read back as they were written."""

import json
from collections.abc import Mapping
from dataclasses import dataclass, replace
from hashlib import sha256
from pathlib import Path

from shimwright.record.day_copy import copy_of_the_day
from shimwright.record.store import Connection, whole
from shimwright.scan.refusal import WrongUse

Setup = Mapping[str, object]  # as in fit.json


@dataclass(frozen=True)
class Tool:
    """A saddle or a pad: the name in its file, and that file's hash."""

    name: str
    sha256: str


@dataclass(frozen=True)
class KeptFile:
    """role: case | scan | traced | saddle | pad | beside | back | fit. path: as the case refers to it."""

    role: str
    path: str
    sha256: str
    size: int


@dataclass(frozen=True)
class Hand:
    """A prediction for the hand, and what the hand said. was_right None: not ticked. felt: what was felt instead."""

    state: str
    place: str
    side: str
    feel: str
    gap_mm: float | None
    sd_mm: float | None
    was_right: bool | None = None
    felt: str | None = None
    ticked_on: str | None = None


@dataclass(frozen=True)
class Look:
    """A day to look, and at what. done_on: ticked off by hand."""

    day: str
    what: str
    done_on: str | None = None


@dataclass(frozen=True)
class Tried:
    setup: Setup
    why: str


@dataclass(frozen=True)
class Visit:
    """One horse on one day. What was not fitted (measured only) has no verdict and no saddle."""

    horse: str
    day: str
    saddle: Tool | None
    pad: Tool | None
    verdict: str | None
    sentence: str | None
    setup: Setup | None
    share: float | None
    made_by: str
    files: tuple[KeptFile, ...] = ()
    tried: tuple[Tried, ...] = ()
    looks: tuple[Look, ...] = ()
    hands: tuple[Hand, ...] = ()

    @property
    def mark(self) -> str:
        """What makes a visit the same one: horse, day, case, scan and tools; a second fit of them takes its place."""
        made_from = ("case", "scan", "traced", "saddle", "pad", "beside")
        parts = [self.horse.casefold(), self.day]
        parts += sorted(f"{one.role} {one.sha256}" for one in self.files if one.role in made_from)
        return sha256("\n".join(parts).encode()).hexdigest()[:16]

    def file(self, role: str) -> KeptFile | None:
        return next((one for one in self.files if one.role == role), None)


@dataclass(frozen=True)
class Note:
    horse: str
    day: str
    text: str

    @property
    def mark(self) -> str:
        return sha256(f"{self.horse.casefold()}\n{self.day}\n{self.text}".encode()).hexdigest()[:16]


def keep_visit(connection: Connection, folder: Path, visit: Visit) -> bool:
    """Write a visit; ticks of one that it replaces stay where the prediction is the same. True: it is new."""
    copy_of_the_day(connection, folder)
    with whole(connection):
        return put(connection, visit)


def put(connection: Connection, visit: Visit) -> bool:
    """The same inside a transaction that is open already."""
    old = connection.execute("SELECT id FROM visit WHERE mark = ?", (visit.mark,)).fetchone()
    if old is not None:
        visit = with_ticks(visit, read(connection, old["id"]))
        connection.execute("DELETE FROM visit WHERE id = ?", (old["id"],))
    number = connection.execute(
        "INSERT INTO visit (mark, horse, day, saddle, pad, verdict, sentence, setup, share, made_by)"
        " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        (
            visit.mark,
            _horse(connection, visit.horse),
            visit.day,
            _tool(connection, "saddle", visit.saddle),
            _tool(connection, "pad", visit.pad),
            visit.verdict,
            visit.sentence,
            _text(visit.setup),
            visit.share,
            visit.made_by,
        ),
    ).lastrowid
    assert number is not None
    _put_parts(connection, number, visit)
    return old is None


def _put_parts(connection: Connection, number: int, visit: Visit) -> None:
    connection.executemany(
        "INSERT INTO file (visit, role, path, sha256, size) VALUES (?, ?, ?, ?, ?)",
        [(number, one.role, one.path, one.sha256, one.size) for one in visit.files],
    )
    connection.executemany(
        "INSERT INTO tried (visit, position, setup, why) VALUES (?, ?, ?, ?)",
        [(number, k, _text(one.setup), one.why) for k, one in enumerate(visit.tried)],
    )
    connection.executemany(
        "INSERT INTO look (visit, position, day, what, done_on) VALUES (?, ?, ?, ?, ?)",
        [(number, k, one.day, one.what, one.done_on) for k, one in enumerate(visit.looks)],
    )
    connection.executemany(
        "INSERT INTO hand (visit, position, state, place, side, feel, gap_mm, sd_mm, was_right, felt, ticked_on)"
        " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        [(number, k, *vars(one).values()) for k, one in enumerate(visit.hands)],
    )


def with_ticks(visit: Visit, old: Visit) -> Visit:
    """What the hand said of the same predictions is carried over."""
    said = {(one.state, one.place, one.side, one.feel): one for one in old.hands if one.was_right is not None}
    hands = []
    for one in visit.hands:
        before = said.get((one.state, one.place, one.side, one.feel))
        if before is not None and one.was_right is None:
            one = replace(one, was_right=before.was_right, felt=before.felt, ticked_on=before.ticked_on)
        hands.append(one)
    return replace(visit, hands=tuple(hands))


def horses(connection: Connection) -> list[str]:
    return [row["name"] for row in connection.execute("SELECT name FROM horse ORDER BY name COLLATE NOCASE")]


def visits(connection: Connection, horse: str | None = None) -> list[Visit]:
    """All visits, or one horse's, by horse and day."""
    rows = connection.execute(
        "SELECT visit.id FROM visit JOIN horse ON horse.id = visit.horse WHERE ?1 IS NULL OR horse.name = ?1 COLLATE"
        " NOCASE ORDER BY horse.name COLLATE NOCASE, visit.day, visit.id",
        (horse,),
    ).fetchall()
    return [read(connection, row["id"]) for row in rows]


def visit_of(connection: Connection, horse: str, day: str | None = None) -> Visit:
    """The last visit of a horse, or the last one of a day. Raises WrongUse where there is none."""
    found = [one for one in visits(connection, horse) if day in (None, one.day)]
    if found:
        return found[-1]
    known = [one.day for one in visits(connection, horse)]
    said = (
        f"its visits: {', '.join(known)}" if known else f"horses there: {', '.join(horses(connection)) or 'none yet'}"
    )
    raise WrongUse(f"no visit of {horse}{f' on {day}' if day else ''} in the record; {said}")


def read(connection: Connection, number: int) -> Visit:
    """One visit with all its parts."""
    row = connection.execute(
        "SELECT visit.*, horse.name AS horse_name FROM visit JOIN horse ON horse.id = visit.horse WHERE visit.id = ?",
        (number,),
    ).fetchone()

    def parts(table: str, order: str) -> list[dict[str, object]]:
        return [
            dict(one)
            for one in connection.execute(f"SELECT * FROM {table} WHERE visit = ? ORDER BY {order}", (number,))
        ]

    tools = {one["id"]: Tool(one["name"], one["sha256"]) for one in connection.execute("SELECT * FROM tool")}
    return Visit(
        row["horse_name"], row["day"], tools.get(row["saddle"]), tools.get(row["pad"]), row["verdict"], row["sentence"],
        json.loads(row["setup"]) if row["setup"] else None, row["share"], row["made_by"],
        tuple(KeptFile(*_values(one, "role", "path", "sha256", "size")) for one in parts("file", "role, path")),
        tuple(Tried(json.loads(str(one["setup"])), str(one["why"])) for one in parts("tried", "position")),
        tuple(Look(*_values(one, "day", "what", "done_on")) for one in parts("look", "position")),
        tuple(_hand(one) for one in parts("hand", "position")),
    )  # fmt: skip


def _hand(row: dict[str, object]) -> Hand:
    names = ("state", "place", "side", "feel", "gap_mm", "sd_mm", "was_right", "felt", "ticked_on")
    one = Hand(*_values(row, *names))
    return one if one.was_right is None else replace(one, was_right=bool(one.was_right))


def _values(row: dict[str, object], *names: str) -> list:  # type: ignore[type-arg]
    return [row[name] for name in names]


def keep_note(connection: Connection, note: Note) -> None:
    with whole(connection):
        put_note(connection, note)


def put_note(connection: Connection, note: Note) -> bool:
    """True: it is new."""
    known = connection.execute("SELECT 1 FROM note WHERE mark = ?", (note.mark,)).fetchone()
    if known is None:
        connection.execute(
            "INSERT INTO note (mark, horse, day, text) VALUES (?, ?, ?, ?)",
            (note.mark, _horse(connection, note.horse), note.day, note.text),
        )
    return known is None


def notes(connection: Connection, horse: str | None = None) -> list[Note]:
    rows = connection.execute(
        "SELECT horse.name, note.day, note.text FROM note JOIN horse ON horse.id = note.horse"
        " WHERE ?1 IS NULL OR horse.name = ?1 COLLATE NOCASE ORDER BY horse.name COLLATE NOCASE, note.day, note.id",
        (horse,),
    )
    return [Note(*row) for row in rows]


def _horse(connection: Connection, name: str) -> int:
    connection.execute("INSERT INTO horse (name) VALUES (?) ON CONFLICT DO NOTHING", (name,))
    return int(connection.execute("SELECT id FROM horse WHERE name = ?", (name,)).fetchone()["id"])


def _tool(connection: Connection, kind: str, tool: Tool | None) -> int | None:
    if tool is None:
        return None
    told = (kind, tool.name, tool.sha256)
    connection.execute("INSERT INTO tool (kind, name, sha256) VALUES (?, ?, ?) ON CONFLICT DO NOTHING", told)
    found = connection.execute("SELECT id FROM tool WHERE kind = ? AND name = ? AND sha256 = ?", told).fetchone()
    return int(found["id"])


def _text(setup: Setup | None) -> str | None:
    return None if setup is None else json.dumps(setup, sort_keys=True, ensure_ascii=False)
