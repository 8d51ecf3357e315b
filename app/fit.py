"""`fit`: a case file → Fit → fit.json, cut list, sheets, tack card and templates.

What only a good case needs is loaded after the case was read: a misspelt key is told at once.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING

from shimwright.case_file import CaseFile, read_case
from shimwright.outputs import folders
from shimwright.progress import Say, progress
from shimwright.scan.refusal import InputRefused
from shimwright.told_inputs import told_inputs
from shimwright.told_results import Outcome, tell_each

if TYPE_CHECKING:
    from shimwright.optimize.answer import Fit
    from shimwright.optimize.stances import StanceTold
    from shimwright.scan.back import Back

GOOD = ("no shim needed", "good contact with this set-up")


def back_of(case: CaseFile, say: Say) -> Back:
    """The back that a case refers to."""
    from shimwright.measure import Errand, measure, measure_traced

    errand = Errand(case.case.today.date, case.case.horse.name)
    if case.scan is None:
        assert case.traced is not None  # read_case lets exactly one be a path
        return measure_traced(case.traced, say, errand)
    return measure(case.scan, case.told, say, errand)


def in_the_case(text: str) -> str:
    """A refusal of `measure` with the keys of the case file in place of the options of the command.

    >>> in_the_case("head or tail? Say --head, or say --mark withers=COLOUR")
    'head or tail? Say head under [frame] of the case, or say withers=COLOUR under [marks] of the case'
    """
    text = re.sub(r"--mark(?: (\w+(?:=[\w…]+)?))?", lambda found: f"{found[1] or 'it'} under [marks] of the case", text)
    return re.sub(r"--(unit|up|head|mirror|scale)\b", r"\1 under [frame] of the case", text)


def fit_case(case: CaseFile, back: Back, say: Say) -> Fit:
    """The answer for one case, over all its stances."""
    from shimwright.optimize.fit import fit

    return fit(back, case.saddle, case.pad, case.case, say, stances_of(case, say))


def stances_of(case: CaseFile, say: Say) -> list[StanceTold]:
    """The same horse held otherwise, as the case tells it."""
    from shimwright.measure import Errand, measure
    from shimwright.optimize.stances import StanceTold
    from shimwright.scan.told import without_points

    errand = Errand(case.case.today.date, case.case.horse.name)
    told = without_points(case.told)  # a point of one scan is nowhere in another
    return [
        StanceTold(one.name, measure(one.scan, told, say, errand) if one.scan else None, one.made, one.weight)
        for one in case.stances
    ]


def write_fit(answer: Fit, case: CaseFile, folder: Path, workshop: str) -> None:
    """Everything a fit gives, into an existing folder."""
    from shimwright.export.client_sheet import write_client
    from shimwright.export.cut_sheet import write_cut_sheet
    from shimwright.export.cutlist import write_cutlist
    from shimwright.export.fit_json import fit_to_json
    from shimwright.export.fitter_sheet import write_fitter
    from shimwright.export.html_sheet import write_html
    from shimwright.export.plain_json import write_json
    from shimwright.export.tack_card import write_tack_card
    from shimwright.export.templates import write_templates

    write_json(fit_to_json(answer, told_inputs(case)), folder / "fit.json")
    write_cutlist(answer, folder / "cutlist.csv")
    write_cut_sheet(answer, folder)
    write_templates(answer, folder, workshop)
    write_client(answer, folder)
    write_fitter(answer, folder)
    write_html(answer, folder)
    write_tack_card(answer, folder)


def exit_code(answer: Fit) -> int:
    """0: a set-up to ride with; 1: done, but something else comes first."""
    return 0 if answer.verdict in GOOD and answer.back.quality.verdict != "rescan" else 1


def fit_all(
    cases: tuple[Path, ...],
    out: Path | None,
    workshop: str,
    *,
    anyway: bool,
    as_json: bool,
    log: Path | None = None,
) -> int:
    """Fit and write each case; the exit code. log: folder of the record that keeps each."""
    inputs = tuple(dict.fromkeys(cases))
    places = dict(zip(inputs, folders(inputs, out), strict=True))

    def work(path: Path) -> Outcome:
        return _work(path, places[path], workshop, anyway, log)

    return tell_each(inputs, work, as_json=as_json)


def _work(path: Path, folder: Path, workshop: str, anyway: bool, log: Path | None) -> Outcome:
    case = read_case(path, anyway=anyway)
    from shimwright.export.fit_json import fit_to_json
    from shimwright.export.results import whole_results
    from shimwright.summary import fit_words

    name = path.absolute().parent.name if path.stem == "case" else path.stem
    with progress(name) as say:
        try:
            answer = fit_case(case, back_of(case, say), say)
        except InputRefused as refused:
            raise InputRefused(in_the_case(refused.message), refused.details) from None
        say("writing")
        with whole_results(folder) as results:
            write_fit(answer, case, results, workshop)
    document = fit_to_json(answer, told_inputs(case))
    kept = (_kept(log, case, answer, document),) if log is not None else ()
    return Outcome(
        exit_code(answer),
        (*fit_words(name, answer), f"  written to {folder}", *for_the_panel(workshop, path), *kept),
        document,
    )


def for_the_panel(workshop: str, case: Path) -> tuple[str, ...]:
    """What a maker does next: the panel's own numbers, sections and solids are another command's.

    >>> for_the_panel("maker", Path("fern/case.toml"))
    ('  the panel itself, its sections and solids: shimwright panel fern/case.toml',)
    >>> for_the_panel("van", Path("fern/case.toml"))
    ()
    """
    if workshop != "maker":
        return ()
    return (f"  the panel itself, its sections and solids: shimwright panel {case.as_posix()}",)


def _kept(log: Path, case: CaseFile, answer: Fit, document: dict[str, object]) -> str:
    from shimwright.export.back_json import back_to_json
    from shimwright.record.kept import keep
    from shimwright.record.words import kept_line

    return "  " + kept_line(
        keep(log, case.path, back_to_json(answer.back), document, (case.saddle.name, case.pad.name))
    )
