"""`measure`: scan → Back → back.json, sheet and full-size templates of the back.

What only a good scan needs is loaded after the file was read: a missing or damaged file is told at once.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from shimwright.outputs import folders
from shimwright.progress import Say, progress
from shimwright.scan.read import read
from shimwright.scan.refusal import InputRefused, WrongUse
from shimwright.scan.told import NOTHING_TOLD
from shimwright.told_options import told_words
from shimwright.told_results import Outcome, tell_each, write_line

if TYPE_CHECKING:
    from shimwright.scan.back import Back
    from shimwright.scan.told import Told

RESCAN_EXIT = 1


@dataclass(frozen=True)
class Errand:
    """Whom and when: what a case file knows of the scan."""

    date: str | None = None
    horse: str | None = None


def measure(path: Path, told: Told, say: Say, errand: Errand | None = None) -> Back:
    """The measured back of one scan. Raises WrongUse or InputRefused."""
    errand = errand or Errand()
    say("reading")
    raw = read(path)
    from shimwright.scan.back import Source
    from shimwright.scan.survey import survey

    source = Source(raw.file, raw.sha256, errand.date, errand.horse, told_words(told))
    try:
        return survey(raw, told, source, say)
    except InputRefused as refused:  # of several scans, which one
        raise InputRefused(f"{raw.file}: {refused.message}", refused.details) from None


def measure_traced(path: Path, say: Say, errand: Errand | None = None) -> Back:
    """The back of hand-traced sections. Raises WrongUse or InputRefused."""
    from shimwright.scan.back import Source
    from shimwright.scan.traced import back_from_tracing
    from shimwright.traced_file import read_traced

    errand = errand or Errand()
    say("reading the tracing")
    tracing, sha256 = read_traced(path)
    told = {"traced": True, "level": tracing.level, **{f"{place}_mm": mm for place, mm in tracing.told_mm.items()}}
    return back_from_tracing(tracing, Source(path.name, sha256, errand.date, errand.horse, told))


def write_back(back: Back, folder: Path, print_units: str = "mm") -> None:
    """back.json, the sheet and the templates into an existing folder."""
    from shimwright.export.back_json import back_to_json
    from shimwright.export.back_sheet import write_back_sheet
    from shimwright.export.back_templates import write_back_templates
    from shimwright.export.plain_json import write_json

    write_json(back_to_json(back), folder / "back.json")
    write_back_sheet(back, folder, print_units)
    write_back_templates(back, folder)


def measure_all(
    scans: tuple[Path, ...],
    traced: Path | None,
    told: Told,
    out: Path | None,
    print_units: str,
    *,
    repeat: bool,
    as_json: bool,
) -> int:
    """Measure and write each scan; the exit code."""
    inputs = tuple(dict.fromkeys((*scans, *([traced] if traced else []))))
    if not inputs:
        raise WrongUse("no scan named; say: shimwright measure SCAN, or --traced FILE")
    if repeat and len(scans) < 2:
        raise WrongUse("--repeat compares several scans of one stance, and one was named; name two or more")
    if traced and not scans and told != NOTHING_TOLD:
        raise WrongUse(
            "only a tracing is named, and --unit, --up, --head, --mark, --scale, --mirror, --scanner are said of a "
            "scan: leave them out, and write what is known into the tracing's file"
        )
    places = dict(zip(inputs, folders(inputs, out), strict=True))
    backs: list[Back] = []

    def work(path: Path) -> Outcome:
        with progress(path.name) as say:
            back = measure_traced(path, say) if path == traced else measure(path, told, say)
            say("writing")
            outcome = _written(path, back, places[path], print_units)
        backs.append(back)
        return outcome

    code = tell_each(inputs, work, as_json=as_json)
    if repeat:
        _tell_spread(backs, len(scans), as_json=as_json)
    return code


def _written(path: Path, back: Back, folder: Path, print_units: str) -> Outcome:
    from shimwright.export.back_json import back_to_json
    from shimwright.export.results import whole_results
    from shimwright.summary import back_words

    with whole_results(folder) as results:
        write_back(back, results, print_units)
    code = RESCAN_EXIT if back.quality.verdict == "rescan" else 0
    return Outcome(code, (*back_words(path.stem, back), f"  written to {folder}"), back_to_json(back))


def _tell_spread(backs: list[Back], count: int, *, as_json: bool) -> None:
    from shimwright.repeats import spread, spread_words

    if len(backs) < 2:
        raise WrongUse(f"--repeat needs two measured scans, {len(backs)} of {count} could be measured")
    if as_json:
        write_line(spread(backs))
    else:
        print(*spread_words(backs), sep="\n")
