"""What `compare` is given: back.json files, cases, scans, or horses of the record; each becomes a dated back."""

from __future__ import annotations

import json
from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

from shimwright.progress import Say
from shimwright.scan.refusal import WrongUse

if TYPE_CHECKING:
    from shimwright.case_file import CaseFile
    from shimwright.optimize.setup import Setup
    from shimwright.record.visits import Visit
    from shimwright.scan.back import Back


@dataclass(frozen=True)
class Told:
    """One visit. case: with it the set-up can be judged. present: what it wore from then on, as far as known."""

    back: Back
    case: CaseFile | None = None
    present: Setup | None = None


def visits_told(names: Sequence[str], store: Path, say: Say, stack: ExitStack) -> list[Told]:
    """In order of time where every date is known, else as told. Raises WrongUse for fewer than two, or two horses."""
    told = [visit for name in names for visit in _visits(name, store, say, stack)]
    if len(told) < 2:
        raise WrongUse(f"{len(told)} visit told, a change needs two: name two scans, cases or back.json, or a horse")
    horses = {visit.back.source.horse.strip().casefold() for visit in told if visit.back.source.horse}
    if len(horses) > 1:
        raise WrongUse(f"visits of {len(horses)} horses ({', '.join(sorted(horses))}): compare one horse with itself")
    scans = {visit.back.source.sha256 for visit in told}
    if len(scans) == 1 and scans != {""} and len(told) == len(names):
        raise WrongUse(
            f"{names[0]} and {names[-1]}: the same scan, {told[0].back.source.file}, so nothing can have changed; name "
            "another visit"
        )
    again = next((name for k, name in enumerate(names) if name in names[:k]), None)
    if again is not None:
        raise WrongUse(f"{again} is named twice: each visit counts once, and a horse of the record brings all")
    if all(visit.back.source.date for visit in told):
        told.sort(key=lambda visit: visit.back.source.date or "")
    return told


def _visits(name: str, store: Path, say: Say, stack: ExitStack) -> list[Told]:
    path = Path(name)
    if path.is_dir() and (path / "case.toml").is_file():
        path = path / "case.toml"
    elif path.is_dir() and (path / "back.json").is_file():
        path = path / "back.json"
    if path.suffix.lower() == ".json":
        from shimwright.scan.read_back import read_back

        return [Told(read_back(path))]
    if path.suffix.lower() == ".toml":
        return [_of_case(path, say)]
    if path.exists():
        from shimwright.measure import measure
        from shimwright.scan.told import NOTHING_TOLD

        return [Told(measure(path, NOTHING_TOLD, say))]
    return _recorded(name, store, stack)


def _of_case(path: Path, say: Say) -> Told:
    from shimwright.case_file import read_case
    from shimwright.fit import back_of

    case = read_case(path)
    return Told(back_of(case, say), case, _worn(case))


def _worn(case: CaseFile) -> Setup | None:
    from shimwright.optimize.as_found import completed, thinnest_insert

    worn = case.case.today.worn
    if worn is None:
        return None
    arch = worn.arch or (case.saddle.arches[0].name if len(case.saddle.arches) == 1 else None)
    if arch is None and case.saddle.arches:
        return None
    return completed(worn, case.saddle, case.pad, arch, thinnest_insert(case.pad))


def _recorded(name: str, store: Path, stack: ExitStack) -> list[Told]:
    """Visits of HORSE, or of HORSE@DAY; the present set-up is what was chosen, else what it wore."""
    from shimwright.record.kept import back_of
    from shimwright.record.store import exists, opened
    from shimwright.record.visits import visit_of, visits
    from shimwright.scan.read_back import back_from_document

    horse, _, day = name.partition("@")
    if not exists(store):
        raise WrongUse(f"{name}: no such file, and nothing is recorded in {store}; check the name")
    with opened(store) as connection:
        last = visit_of(connection, horse, day or None)
        found = [last] if day else visits(connection, horse)
    return [
        Told(back_from_document(back_of(store, one)), *(_case_of(one, store, stack) if one == found[-1] else ()))
        for one in found
    ]


def _case_of(visit: Visit, store: Path, stack: ExitStack) -> tuple[CaseFile | None, Setup | None]:
    from shimwright.case_file import read_case
    from shimwright.record.case_files import put_back

    if visit.file("case") is None:
        return None, None
    place = stack.enter_context(TemporaryDirectory(prefix="shimwright-"))
    case = read_case(put_back(store, visit, Path(place)))
    return case, _worn(case) or (setup_of(visit.setup) if visit.setup else None)


def setup_of(told: object) -> Setup:
    """A set-up of fit.json."""
    from shimwright.optimize.setup import Layer, Setup

    document = json.loads(json.dumps(told))
    return Setup(
        document["arch"],
        document["insert"],
        {
            name: tuple(Layer(layer["shim"], layer["thickness_mm"]) for layer in one["layers"])
            for name, one in document["pockets"].items()
        },
    )
