"""`compare`: two or more visits of one horse → what changed beyond error, and whether the set-up still serves."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from shimwright.progress import Say, progress
from shimwright.told_results import write_line
from shimwright.visits_told import Told, visits_told

if TYPE_CHECKING:
    from shimwright.optimize.still_serves import Serves
    from shimwright.scan.back import Back
    from shimwright.scan.change import Change, Measure

DONE, SOMETHING_FIRST = 0, 1


@dataclass(frozen=True)
class Compared:
    """changes: (earlier, later, change), numbers of visits; first to last first. rows: measures of every visit."""

    visits: tuple[Told, ...]
    changes: tuple[tuple[int, int, Change], ...]
    rows: tuple[tuple[Measure, ...], ...]
    serves: Serves | None
    cautions: tuple[str, ...]

    @property
    def backs(self) -> list[Back]:
        return [visit.back for visit in self.visits]


def compare(names: Sequence[str], out: Path | None, store: Path, print_units: str, *, as_json: bool) -> int:
    """compare.json and change.pdf; 1 where vet, saddle or a new fit comes first."""
    with ExitStack() as stack, progress("compare") as say:
        found = compared(visits_told(names, store, say, stack), say)
        say("writing")
        folder = out or _folder(names, found.backs[-1])
        document = _written(found, folder, print_units)
    if as_json:
        write_line(document)
    else:
        print(*_words(found), f"  written to {folder}", sep="\n")
    first = found.serves is not None and found.serves.verdict in ("vet first", "saddle first", "fit again")
    return SOMETHING_FIRST if first else DONE


def compared(visits: Sequence[Told], say: Say) -> Compared:
    """Every visit laid over the first; the last also over the one before it."""
    from shimwright.optimize.one_sided import one_sided_cautions
    from shimwright.scan.change import change_between, measures
    from shimwright.scan.register import register

    backs = [visit.back for visit in visits]
    say("laying the scans over one another")
    poses = [register(backs[0], back) for back in backs[1:]]
    say("what changed")
    rows = [measures(backs[0], backs[0], None)]
    rows += [measures(backs[0], back, pose) for back, pose in zip(backs[1:], poses, strict=True)]
    last = len(backs) - 1
    changes = [(0, last, change_between(backs[0], backs[-1], poses[-1]))]
    if last > 1:
        changes.append((last - 1, last, change_between(backs[-2], backs[-1])))
    say("does the set-up still serve")
    serves = _serves(visits, changes)
    cautions = one_sided_cautions(backs, changes[0][2])
    return Compared(tuple(visits), tuple(changes), tuple(rows), serves, cautions)


def _serves(visits: Sequence[Told], changes: Sequence[tuple[int, int, Change]]) -> Serves | None:
    """Of the last visit whose case is known, where it is known what is on."""
    from shimwright.optimize.still_serves import still_serves

    last = visits[-1]
    present = last.present or next((one.present for one in reversed(visits[:-1]) if one.present is not None), None)
    if last.case is None or present is None:
        return None
    changed = any(not change.none for _, _, change in changes)
    return still_serves(last.back, last.case.saddle, last.case.pad, last.case.case, present, changed)


def _written(found: Compared, folder: Path, print_units: str) -> dict[str, object]:
    from shimwright.export.change_json import change_to_json
    from shimwright.export.change_sheet import write_change_sheet
    from shimwright.export.plain_json import write_json
    from shimwright.export.results import whole_results

    document = change_to_json(found.backs, found.changes, found.rows, found.serves, found.cautions)
    case = found.visits[-1].case
    serves = (found.serves, case.pad) if found.serves is not None and case is not None else None
    with whole_results(folder) as results:
        write_json(document, results / "compare.json")
        write_change_sheet(results, found.backs, found.changes, found.rows, serves, found.cautions, print_units)
    return document


def _folder(names: Sequence[str], last: Back) -> Path:
    """Beside the last input that is a file; a horse of the record gets a folder of its name."""
    path = Path(names[-1])
    if path.exists():
        return path if path.is_dir() else path.parent
    return Path(f"{last.source.horse or names[-1]} change")


def _words(found: Compared) -> list[str]:
    from shimwright.export.change_words import change_sentence, visit_name

    backs = found.backs
    names = [visit_name(back, k) for k, back in enumerate(backs)]
    lines = [f"{backs[-1].source.horse or backs[-1].source.file}: {len(backs)} visits"]
    lines += [f"  {change_sentence(change, names[a], names[b])}" for a, b, change in found.changes]
    if found.serves is not None:
        lines.append(f"  {found.serves.sentence}")
    else:
        lines.append("  the set-up was not judged: name the last visit's case, with what it wears ([today] setup)")
    return [*lines, *(f"  {caution}" for caution in found.cautions)]
