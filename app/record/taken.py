"""A visit out of a case and what was made of it: fit.json, back.json, the hand's ticks of the page."""

import json
from collections.abc import Mapping, Sequence
from datetime import date, timedelta
from pathlib import Path
from typing import Any

from shimwright.record.case_files import keep_case, keep_file
from shimwright.record.visits import Hand, KeptFile, Look, Tool, Tried, Visit
from shimwright.scan.refusal import InputRefused, WrongUse

Document = Mapping[str, Any]
BACK, FIT = "back.json", "fit.json"
FIT_SCHEMA = "shimwright/fit/1"


def visit_of_case(
    folder: Path, case: Path, back: Document, fit: Document | None, names: tuple[str, str | None]
) -> Visit:
    """The visit, its files kept. fit None: measured only. names: of saddle and pad.

    Raises WrongUse where the case does not name the horse.
    """
    horse, day = back["scan"]["horse"], back["scan"]["date"]
    if not horse:
        raise WrongUse(f"{case}: the horse has no name, and the record is kept by it; fill in [horse] name")
    kept = keep_case(folder, case)
    kept.append(_document(folder, "back", BACK, back))
    if fit is not None:
        kept.append(_document(folder, "fit", FIT, fit))
    day = day or date.today().isoformat()
    of = {one.role: one for one in reversed(kept)}
    fit = fit or {}
    return Visit(
        horse=horse.strip(),
        day=day,
        saddle=Tool(names[0], of["saddle"].sha256) if fit else None,
        pad=Tool(names[1], of["pad"].sha256) if fit and names[1] is not None and "pad" in of else None,
        verdict=fit.get("verdict"),
        sentence=fit.get("sentence"),
        setup=fit.get("setup"),
        share=(fit.get("confidence") or {}).get("share"),
        made_by=str(back["made_by"]),
        files=tuple(kept),
        tried=tuple(Tried(one["setup"], one["why"]) for one in fit.get("tries", ())),
        looks=looks(fit, day) if fit else (),
        hands=_hands(fit, day, _ticks(case.parent)),
    )


def read_fit(folder: Path, case_sha256: str) -> Document:
    """fit.json of a results folder. Raises WrongUse where it was made from another case file."""
    path = folder / FIT if folder.is_dir() else folder
    try:
        fit = json.loads(path.read_text(encoding="utf-8"))
        schema, made_from = fit["schema"], (fit["inputs"].get("case") or {}).get("sha256")
    except FileNotFoundError:
        raise WrongUse(f"{path}: no such file; name the folder that `shimwright fit` wrote, or run fit --log") from None
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        raise InputRefused(f"{path}: not a fit.json of this program ({type(error).__name__}); run fit again") from None
    if schema != FIT_SCHEMA:
        raise InputRefused(f'{path}: "{schema}" is not {FIT_SCHEMA}; run fit again')
    if made_from != case_sha256:
        raise WrongUse(f"{path}: made from another case file, or this one has changed since; run fit --log on it")
    return fit  # type: ignore[no-any-return]


def looks(fit: Document, day: str) -> tuple[Look, ...]:
    """The re-check, and each step of the take-out plan on its day. The verdict comes first where it is no set-up."""
    first = date.fromisoformat(day)
    again = fit.get("recheck_on") or (first + timedelta(weeks=int(fit["recheck_weeks"]))).isoformat()
    steps = [
        Look((first + timedelta(weeks=int(step["weeks"]))).isoformat(), str(step["what"])) for step in fit["take_out"]
    ]
    what = "look again" if fit["setup"] else f"{fit['verdict']}: what became of it"
    return tuple(sorted([Look(again, what), *steps], key=lambda one: (one.day, one.what != what)))


def _document(folder: Path, role: str, name: str, document: Document) -> KeptFile:
    text = json.dumps(document, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    return keep_file(folder, role, name, text.encode())


def _hands(fit: Document, day: str, ticks: Sequence[Document]) -> tuple[Hand, ...]:
    said = {(one["state"], one["place"], one["side"], one["feel"]): one for one in ticks if one["right"] is not None}
    rows = []
    for one in fit.get("hand_checks", ()):
        tick = said.get((one["state"], one["place"], one["side"], one["feel"]))
        rows.append(
            Hand(
                one["state"], one["place"], one["side"], one["feel"], one["gap_mm"], one["sd_mm"],
                None if tick is None else bool(tick["right"]), None,
                None if tick is None else str(tick["felt_at"])[:10] or day,
            )
        )  # fmt: skip
    return tuple(rows)


def _ticks(folder: Path) -> Sequence[Document]:
    """What was ticked on the page, beside the case."""
    path = folder / "hand-checks.json"
    if not path.exists():
        return ()
    try:
        rows = json.loads(path.read_text(encoding="utf-8"))["ticks"]
        return [row for row in rows if {"state", "place", "side", "feel", "right", "felt_at"} <= set(row)]
    except (ValueError, KeyError, TypeError, OSError) as error:
        raise InputRefused(f"{path}: cannot be read ({type(error).__name__}); move it away") from error
