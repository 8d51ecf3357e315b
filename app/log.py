"""`log` and `due`: a fitter's record added to, shown, ticked, carried to another computer."""

from __future__ import annotations

import json
import tempfile
from collections.abc import Sequence
from dataclasses import asdict
from datetime import date
from hashlib import sha256
from pathlib import Path

import tomlkit

from shimwright.record import copies, hands, one_file, words
from shimwright.record.case_files import put_back
from shimwright.record.due import done, due, next_look
from shimwright.record.kept import keep
from shimwright.record.store import FILE, exists, opened, told
from shimwright.record.taken import read_fit
from shimwright.record.visits import Note, Visit, keep_note, notes, visit_of, visits
from shimwright.scan.refusal import WrongUse


def today(told_day: str | None) -> str:
    """The day that was told, else today's. Raises WrongUse for what is no date."""
    try:
        return date.fromisoformat(told_day).isoformat() if told_day else date.today().isoformat()
    except ValueError:
        raise WrongUse(f'"{told_day}" is not a date; write it as 2026-03-21') from None


def add(folder: Path, cases: Sequence[Path], results: Path | None) -> int:
    """Each case with its measured back, and with the fit in `results` where one is named."""
    from shimwright.case_file import read_case
    from shimwright.export.back_json import back_to_json
    from shimwright.fit import back_of
    from shimwright.progress import progress

    if results is not None and len(cases) != 1:
        raise WrongUse(f"--fit names the results of one case, and {len(cases)} were named; add them one by one")
    for path in cases:
        case = read_case(path)
        fit = read_fit(results, sha256(path.read_bytes()).hexdigest()) if results else None
        with progress(path.parent.name) as say:
            back = back_to_json(back_of(case, say))
        kept = keep(folder, path, back, fit, (case.saddle.name, case.pad.name))
        print(words.kept_line(kept))
    return 0


def show(folder: Path, horse: str | None, *, as_json: bool) -> int:
    """All horses in a line each, or one horse with every visit and note, and its score."""
    if _nothing(folder, as_json):
        return 0
    with opened(folder) as connection:
        seen, said = visits(connection, horse), notes(connection, horse)
        if horse and not (seen or said):
            visit_of(connection, horse)  # says which horses there are
    if as_json:
        for one in seen:
            print(json.dumps(asdict(one), ensure_ascii=False, sort_keys=True))
        return 0
    names = list(dict.fromkeys([one.horse for one in seen] + [one.horse for one in said]))
    for name in sorted(names, key=str.casefold):
        mine = [one for one in seen if one.horse == name]
        if horse:
            print(*words.horse_lines(name, mine, [one for one in said if one.horse == name]), sep="\n")
            _tell_next(mine)
        else:
            print(_summary(name, mine))
    if horse and any(one.was_right is not None for visit in seen for one in visit.hands):
        print(*words.score_lines(hands.scores(seen)), sep="\n")
    return 0


def _summary(name: str, mine: Sequence[Visit]) -> str:
    if not mine:
        return f"{name}: notes only"
    last = mine[-1]
    count = f"{len(mine)} visit{'s' * (len(mine) != 1)}"
    return f"{name}: {count}, last {words.day(last.day)}: {last.verdict or 'measured only'}"


def _tell_next(mine: Sequence[Visit]) -> None:
    coming = next_look(mine, mine[-1].day) if mine else None
    if coming:
        print(f"  next: {words.day(coming.day)}: {coming.what}")


def note(folder: Path, horse: str, text: str, day: str) -> int:
    if not text.strip():
        raise WrongUse("the note is empty; write what is to be remembered")
    with opened(folder) as connection, told(folder):
        known = [one.horse for one in visits(connection, horse)]
        keep_note(connection, Note(known[0] if known else horse.strip(), day, " ".join(text.split())))
    print(f"noted: {known[0] if known else horse.strip()}, {words.day(day)}")
    return 0


def hand_table(folder: Path, horse: str, visit_day: str | None, ticks: tuple[str, tuple[str, ...]], day: str) -> int:
    """Show the numbered predictions of a visit; with ticks (right, wrong) write them first."""
    right, wrong = ticks
    with opened(folder) as connection, told(folder):
        visit = visit_of(connection, horse, visit_day)
        if not visit.hands:
            raise WrongUse(f"{visit.horse}, {visit.day}: no hand checks were predicted; log a fit of it first")
        rows = visit.hands
        if right or wrong:
            rows = hands.ticked(rows, right, wrong, day)
            hands.keep_ticks(connection, visit, rows)
    print(f"{visit.horse}, {words.day(visit.day)}: what the hand should feel")
    print(*words.hand_lines(rows), sep="\n")
    return 0


def score(folder: Path, *, as_json: bool) -> int:
    """How often the predictions were right, over every horse."""
    if _nothing(folder, as_json):
        return 0
    with opened(folder) as connection:
        rows = hands.scores(visits(connection))
    if as_json:
        print(*(json.dumps(asdict(row)) for row in rows), sep="\n")
    else:
        print(*words.score_lines(rows), sep="\n")
    return 0


def tell_due(folder: Path, day: str, ahead_weeks: int, *, as_json: bool) -> int:
    """What is to be looked at by that day."""
    if _nothing(folder, as_json):
        return 0
    with opened(folder) as connection:
        seen = visits(connection)
    rows = due(seen, day, 7 * ahead_weeks)
    if as_json:
        for row in rows:
            print(json.dumps(asdict(row), ensure_ascii=False))
        return 0
    print(*(words.due_line(row) for row in rows), sep="\n") if rows else print(f"nothing is due by {words.day(day)}")
    coming = next_look(seen, day)
    if coming and coming not in rows:
        print(f"next: {words.due_line(coming)}")
    return 0


def tick_off(folder: Path, horse: str, day: str) -> int:
    with opened(folder) as connection, told(folder):
        visit = visit_of(connection, horse)
        count = done(connection, visit, day)
    print(f"{visit.horse}: {count} of the visit of {words.day(visit.day)} ticked off")
    return 0


def fit_again(folder: Path, horse: str, scan: Path | None, day: str | None, out: Path | None, workshop: str) -> int:
    """A fit of a recorded horse, with the saddle, pad and told facts of its last visit; it lands in the record.

    scan, day: of a new visit; then what was chosen last is what it wears now.
    """
    from shimwright.fit import fit_all

    if (scan is None) != (day is None):
        raise WrongUse("a new visit needs both, --scan and --date; without them the last visit is run again")
    with opened(folder) as connection:
        visit = visit_of(connection, horse)
    goal = out or Path(f"{visit.horse} {today(day) if day else visit.day}")
    with tempfile.TemporaryDirectory(prefix="shimwright-") as place:
        case = put_back(folder, visit, Path(place))
        if scan is not None and day is not None:
            _next_visit(case, visit, scan, today(day))
        return fit_all((case,), goal, workshop, anyway=False, as_json=False, log=folder)


def _next_visit(case: Path, visit: Visit, scan: Path, day: str) -> None:
    """The case file of the last visit with a new scan, the new day, and the last choice as worn now."""
    if not scan.is_file():
        raise WrongUse(f"{scan}: no such file; name the new scan")
    text = tomlkit.parse(case.read_text(encoding="utf-8-sig"))
    (case.parent / f"new-{scan.name}").write_bytes(scan.read_bytes())
    text["scan"] = f"new-{scan.name}"
    text.pop("traced", None)
    text.pop("stance", None)
    now = text.setdefault("today", tomlkit.table())
    now["date"] = day
    if visit.setup is not None:
        now["setup"] = _as_told(visit)
    case.write_text(tomlkit.dumps(text), encoding="utf-8")


def _as_told(visit: Visit) -> dict[str, object]:
    """A set-up of fit.json as case.toml writes it."""
    setup = visit.setup or {}
    pockets = setup["pockets"]
    assert isinstance(pockets, dict)
    made: dict[str, object] = {key: setup[key] for key in ("arch", "insert") if setup[key]}
    return made | {"pockets": {name: {"layers": one["layers"]} for name, one in pockets.items() if one["layers"]}}


def export(folder: Path, goal: Path) -> int:
    with opened(folder) as connection:
        one_file.write_file(connection, folder, goal)
    print(f"written to {goal}")
    return 0


def bring_in(folder: Path, path: Path) -> int:
    with opened(folder) as connection, told(folder):
        found = one_file.read_file(connection, folder, path)
    known = f", {found.known} were there already" if found.known else ""
    print(f"{found.visits} visits and {found.notes} notes taken{known}")
    return 0


def back_up(folder: Path, goal: Path) -> int:
    new = copies.back_up(folder, goal)
    print(f"backup in {goal}, {new} files new there; look into it with --store {goal}")
    return 0


def restore(folder: Path, copy: Path | None) -> int:
    taken, aside = copies.restore(folder, copy)
    print(f"the record is again as in {taken.name}" + (f"; what was there is kept as {aside.name}" if aside else ""))
    return 0


def _nothing(folder: Path, as_json: bool) -> bool:
    if exists(folder):
        return False
    if not as_json:
        print(f"nothing is recorded yet ({folder / FILE}); begin with `shimwright log add CASE` or `fit --log`")
    return True
