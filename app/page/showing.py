"""What a page is told in words: once of the case, and again of every set-up."""

from __future__ import annotations

from pathlib import Path

from shimwright.export import words
from shimwright.optimize.answer import Contact
from shimwright.optimize.setup import Setup
from shimwright.optimize.trade_words import said as in_words_of
from shimwright.page import pictures, said, ticks
from shimwright.page.fitting import Fitting
from shimwright.page.trial import Trial

SHEETS = (
    "client.pdf", "client.html", "fitter.pdf", "tack-card.pdf", "templates-a4.pdf", "templates-letter.pdf",
    "cutlist.pdf", "cutlist.csv", "fit.json",
)  # fmt: skip


NAMES = frozenset({"key", "place", "side", "state", "verdict"})  # what the page asks back by


def in_trade(part: object, style: str) -> object:
    """Our own sentences in the words for this style of saddle; what names something stays."""
    if isinstance(part, str):
        return in_words_of(part, style)
    if isinstance(part, list):
        return [in_trade(one, style) for one in part]
    if isinstance(part, dict):
        return {key: one if key in NAMES else in_trade(one, style) for key, one in part.items()}
    return part


def case_document(fitting: Fitting, units: str, folder: Path) -> dict[str, object]:
    """Horse, scan, landmarks, and what there is to choose from."""
    job = fitting.job
    return {
        "t": "case",
        "horse": job.case.horse.name or fitting.back.source.horse or "Horse: name not told",
        "tack": f"{job.saddle.name} · {job.pad.name}",
        "gate": fitting.gate.verdict if not job.case.anyway else None,
        "why": fitting.gate.why,
        "colours": pictures.colours(),
        "gap_shown": words.length(pictures.GAP_SHOWN_MM, units),
        "back": said.back_tables(fitting.back, units),
        "landmarks": pictures.landmark_rows(fitting.back),
        "plan": pictures.plan_of_back(fitting.back),
        "arches": said.arch_choices(fitting),
        "inserts": said.insert_choices(fitting, units),
        "stacks": said.stack_choices(fitting, units),
        "pockets": [{"name": pocket.name, "side": pocket.side} for pocket in job.pad.pockets],
        "files": files_of(folder),
        "units": units,
        "trade": {word: in_words_of(word, job.saddle.style) for word in ("panel", "girthed")},
    }


def state_document(
    fitting: Fitting, trial: Trial, now: said.Judgement, beside: tuple[str, Contact, bool], units: str
) -> dict[str, object]:
    """The set-up and all that is said of it. beside: name of what it is compared with, its contact, is one kept."""
    name, other, kept = beside
    setup, pad, style = now.contact.setup, fitting.job.pad, fitting.job.saddle.style
    return {
        "t": "state",
        "setup": setup_document(setup),
        "words": said.setup_words(setup, pad, units),
        "fixed": sorted(trial.fixed),
        "undo": len(trial.before),
        "as_found": setup == fitting.found.setup,
        "judged": in_trade(said.verdict(fitting, now, units), style),
        "beside": {
            "name": name,
            "words": said.setup_words(other.setup, pad, units),
            "rows": in_trade(said.figures(fitting.back, other, units), style),
            "kept": kept,
        },
        "findings": in_trade(said.finding_rows(fitting, now.contact, units), style),
        "hands": said.hand_rows(fitting, now.contact, units) if now.settled else None,
    }


def felt_document(fitting: Fitting, setup: Setup, folder: Path) -> dict[str, bool]:
    """Ticks of this set-up, by the name of their place."""
    return dict(ticks.felt(ticks.ticks(folder), tick_name(fitting, setup)))


def tick_name(fitting: Fitting, setup: Setup) -> str:
    """What a set-up is called in the file of ticks."""
    return said.setup_words(setup, fitting.job.pad, "mm")


def files_of(folder: Path) -> list[str]:
    """Sheets that are there, in the order of the page."""
    return [name for name in SHEETS if (folder / name).is_file()]


def setup_document(setup: Setup) -> dict[str, object]:
    pockets = {name: [[layer.shim, layer.thickness_mm] for layer in stack] for name, stack in setup.stacks.items()}
    return {"arch": setup.arch, "insert": setup.insert, "pockets": pockets}
