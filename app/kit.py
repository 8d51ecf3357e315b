"""`kit`: several horses on one saddle → the smallest set of arches, inserts and shims, and what more would give."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from hashlib import sha256
from itertools import count
from pathlib import Path
from typing import TYPE_CHECKING

from shimwright.case_file import CaseFile, read_case, shared_tools
from shimwright.fit import back_of, in_the_case, stances_of
from shimwright.progress import Say, progress
from shimwright.scan.refusal import InputRefused, Refusal, WrongUse
from shimwright.told_inputs import told_inputs
from shimwright.told_results import write_line

if TYPE_CHECKING:
    from shimwright.export.kit_words import KitJob
    from shimwright.optimize.fit import Job
    from shimwright.optimize.kit import LeftOut, YardKit

SERVED, LEFT_OUT, REFUSED = 0, 1, 3


def kit(cases: Sequence[Path], out: Path | None, pieces: int | None, *, as_json: bool) -> int:
    """kit.json, kit.csv, kit.pdf, templates of the shims, a tack card for each horse. pieces: most that are carried;
    None: the smallest kit.

    1 where a horse is left out, 3 where its scan was refused; the kit serves the others.
    """
    read = read_yard(cases)
    from shimwright.optimize.kit import REFUSED as REFUSED_SCAN

    with progress("kit") as say:
        jobs, left_out = _jobs(read, say)
        yard = _yard(jobs, left_out, say)
        job = _kit_job(read, yard, pieces)
        folder = out or Path("kit")
        say("writing")
        document = _written(yard, job, read, dict(jobs), folder)
    if as_json:
        write_line(document)
    else:
        from shimwright.export.kit_words import kit_lines

        print(*kit_lines(yard, job), f"  written to {folder}", sep="\n")
    if any(one.verdict == REFUSED_SCAN for one in yard.left_out):
        return REFUSED
    return LEFT_OUT if yard.left_out else SERVED


def read_yard(cases: Sequence[Path]) -> dict[str, CaseFile]:
    """Cases by the horse's name. Raises WrongUse for what makes no yard: each wrong case in one line."""
    if len(cases) < 2:
        raise WrongUse(
            "one case was named: a kit is for several horses on one saddle; for one horse say shimwright fit"
        )
    read: list[CaseFile] = []
    wrong: list[str] = []
    for path in cases:
        try:
            read.append(read_case(path))
        except Refusal as refused:
            wrong += [refused.message, *refused.details]
    wrong += [] if wrong else [*_same_twice(read), *_other_tools(read)]
    if wrong:
        raise WrongUse(wrong[0], tuple(wrong[1:]))
    return {_name(case): case for case in read}


def _name(case: CaseFile) -> str:
    return case.case.horse.name or case.path.absolute().parent.name


def _same_twice(read: Sequence[CaseFile]) -> list[str]:
    """The same file, the same scan, or the same name again."""
    files: dict[object, int] = {}
    scans: dict[object, int] = {}
    names: dict[object, int] = {}
    wrong = []
    for number, case in enumerate(read):
        scan = case.scan or case.traced
        for key, seen, what in (
            (case.path.resolve(), files, "the same case"),
            (sha256(scan.read_bytes()).hexdigest() if scan else case.path, scans, "the same scan"),
            (_name(case).casefold(), names, f"the same name, {_name(case)},"),
        ):
            first = seen.setdefault(key, number)
            if first != number:
                wrong.append(
                    f"{case.path}: {what} as {read[first].path}: a horse counts once; leave one out, or tell names"
                )
                break
    return wrong


def _other_tools(read: Sequence[CaseFile]) -> list[str]:
    """Cases whose saddle or pad is not the first one's, by what the files hold."""
    first = read[0]
    wrong = []
    for case in read[1:]:
        for what, mine, other in zip(("saddle", "pad"), shared_tools(case.path), shared_tools(first.path), strict=True):
            if (mine and mine.read_bytes()) != (other and other.read_bytes()):
                names = [getattr(getattr(one, what), "name", "none") for one in (case, first)]
                wrong.append(
                    f"{case.path}: its {what} is {names[0]}, {first.path} has {names[1]}: a kit is for one saddle, "
                    "pad and stock; name cases that share them"
                )
                break
    return wrong


def _jobs(read: dict[str, CaseFile], say: Say) -> tuple[list[tuple[str, Job]], list[LeftOut]]:
    """Horse by horse; a scan that cannot be used leaves its horse out, and is told."""
    from shimwright.optimize.fit import prepared, with_stances
    from shimwright.optimize.kit import REFUSED as REFUSED_SCAN
    from shimwright.optimize.kit import LeftOut
    from shimwright.optimize.verdict import gate

    jobs: list[tuple[str, Job]] = []
    left_out: list[LeftOut] = []
    for number, (name, case) in enumerate(read.items(), 1):

        def said(text: str, name: str = name, number: int = number) -> None:
            say(f"{name}, {number} of {len(read)}: {text}")

        first = gate(case.case, case.saddle)
        if first.verdict is not None:
            left_out.append(LeftOut(name, first.verdict, first.why))
            continue
        try:
            back = back_of(case, said)
            if back.quality.verdict == "rescan":
                why = back.quality.messages[0].text if back.quality.messages else "the scan is not good enough"
                left_out.append(LeftOut(name, "rescan", f"Rescan: {why}"))
                continue
            said("placing the saddle")
            job = prepared(back, case.saddle, case.pad, case.case)
            jobs.append((name, with_stances(job, stances_of(case, said))))
        except InputRefused as stopped:
            left_out.append(LeftOut(name, REFUSED_SCAN, in_the_case(stopped.message)))
    return jobs, left_out


def _yard(jobs: Sequence[tuple[str, Job]], left_out: Sequence[LeftOut], say: Say) -> YardKit:
    from shimwright.optimize.kit import yard_kit
    from shimwright.optimize.limits import limits

    yard = yard_kit(jobs, limits().kit.seconds, say)
    return replace(yard, left_out=(*left_out, *yard.left_out))


def _kit_job(read: dict[str, CaseFile], yard: YardKit, pieces: int | None) -> KitJob:
    """What is given out: the largest kit on the trade-off of no more pieces than asked for."""
    from shimwright.export.kit_words import KitJob

    first = next(iter(read.values()))
    dates = [case.case.today.date for case in read.values() if case.case.today.date]
    counts = [len(size.pieces) for size in yard.sizes]
    if pieces is not None and counts and pieces < counts[0]:
        raise WrongUse(
            f"--pieces {pieces}: the smallest kit that serves every horse has {counts[0]}; say at least that"
        )
    size = 0 if pieces is None else max((k for k, count in enumerate(counts) if count <= pieces), default=0)
    date = max(dates, default=None)
    return KitJob(first.saddle, first.pad, date, first.case.prepared_by, first.case.print_units, size)


def _written(
    yard: YardKit, job: KitJob, read: dict[str, CaseFile], jobs: dict[str, Job], folder: Path
) -> dict[str, object]:
    from shimwright.export.kit_json import kit_to_json, write_kit_csv
    from shimwright.export.plain_json import write_json
    from shimwright.export.results import whole_results

    document = kit_to_json(yard, job, {name: told_inputs(case) for name, case in read.items()})
    with whole_results(folder) as results:
        write_json(document, results / "kit.json")
        if yard.sizes:
            from shimwright.export.kit_sheet import write_kit_sheet
            from shimwright.export.kit_templates import write_kit_templates

            write_kit_csv(yard, job, results / "kit.csv")
            write_kit_sheet(yard, job, results)
            write_kit_templates(yard, job, results)
            _write_cards(yard, job, jobs, results)
    return document


def _write_cards(yard: YardKit, job: KitJob, jobs: dict[str, Job], folder: Path) -> None:
    from shimwright.export.tack_card import write_tack_card, write_tack_cards
    from shimwright.optimize.fit import fit_chosen

    horses, fits = yard.sizes[job.size].horses, {}
    for name, place, one, listed in zip(yard.names, folder_names(yard.names), horses, yard.lists, strict=True):
        (folder / place).mkdir()
        fits[name] = fit_chosen(jobs[name], listed.as_found, one.setup)
        write_tack_card(fits[name], folder / place)
    write_tack_cards([fits[yard.names[number]] for number in yard.sizes[job.size].order.horses], folder)


def folder_names(names: Sequence[str]) -> list[str]:
    """The horses' names as folders, all different: letters, digits, dashes.

    >>> folder_names(["Old Tom / II", "…", "old tom ii"])
    ['old-tom-ii', 'horse', 'old-tom-ii-2']
    >>> folder_names(["tom", "tom 3", "tom!", "Tom?"])
    ['tom', 'tom-3', 'tom-2', 'tom-4']
    """
    found: list[str] = []
    for name in names:
        plain = re.sub(r"[^\w]+", "-", name.casefold()).strip("-")[:60] or "horse"
        numbered = (plain if number == 1 else f"{plain}-{number}" for number in count(1))
        found.append(next(one for one in numbered if one not in found))
    return found
