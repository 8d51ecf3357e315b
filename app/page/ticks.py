"""What the hand said of each prediction, right or wrong, kept beside the case."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path

from shimwright.optimize.answer import HandCheck
from shimwright.scan.refusal import CannotWrite, InputRefused

NAME = "hand-checks.json"
SCHEMA = "shimwright/hand-checks/1"


@dataclass(frozen=True)
class Tick:
    """One place felt. feel, gap_mm, sd_mm: as predicted. right: None where the tick was taken back. felt_at: UTC."""

    setup: str
    state: str
    place: str
    side: str
    feel: str
    gap_mm: float
    sd_mm: float
    right: bool | None
    felt_at: str


def key(check: HandCheck) -> str:
    """What names a place on one sheet: state, place and side."""
    return f"{check.state}|{check.place}|{check.side}"


def ticks(folder: Path) -> tuple[Tick, ...]:
    """All ticks of a case, oldest first. Raises InputRefused for a file that is not one of ours."""
    path = folder / NAME
    if not path.exists():
        return ()
    try:
        return tuple(Tick(**row) for row in json.loads(path.read_text(encoding="utf-8"))["ticks"])
    except (ValueError, KeyError, TypeError, OSError) as error:
        raise InputRefused(
            f"{path.name}: cannot be read ({type(error).__name__}); move it away to begin anew"
        ) from error


def tick(folder: Path, setup: str, check: HandCheck, right: bool | None) -> Tick:
    """Write one tick; it takes the place of an earlier one of the same place and set-up. What was written."""
    now = datetime.now(UTC).isoformat(timespec="seconds")
    new = Tick(
        setup,
        check.state,
        check.place,
        check.side,
        check.feel,
        round(check.gap_mm, 1),
        round(check.sd_mm, 1),
        right,
        now,
    )
    kept = [old for old in ticks(folder) if _same_place(old) != _same_place(new)]
    rows = (*kept, new) if right is not None else tuple(kept)
    text = json.dumps({"schema": SCHEMA, "ticks": [asdict(row) for row in rows]}, indent=1, ensure_ascii=False)
    path, coming = folder / NAME, folder / f".{NAME}.coming"
    try:
        coming.write_text(text + "\n", encoding="utf-8")
        coming.replace(path)
    except OSError as error:
        raise CannotWrite(
            f"{path.name}: the tick cannot be kept ({error.strerror}); make room or free the folder"
        ) from error
    return new


def felt(rows: tuple[Tick, ...], setup: str) -> Mapping[str, bool]:
    """key → right or wrong, of one set-up."""
    return {
        f"{row.state}|{row.place}|{row.side}": row.right
        for row in rows
        if row.right is not None and (row.setup == setup or row.state == "saddle only")
    }


def _same_place(row: Tick) -> tuple[str, str, str, str]:
    return ("" if row.state == "saddle only" else row.setup, row.state, row.place, row.side)
