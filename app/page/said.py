"""All words of the page, as on paper: verdict, level, clearance, arch, findings, hands (PRACTICE §2)."""

from __future__ import annotations

import math
from dataclasses import dataclass

from shimwright.export import words
from shimwright.export.back_words import build_table, landmarks_table, stations_table
from shimwright.export.owners_words import finding_figure, gap_words, scan_sources
from shimwright.export.side_view import seat_words
from shimwright.export.zone_feel import zone_feels
from shimwright.optimize.answer import ArchJudgement, CaseResult, Contact, Finding, Fit, HandCheck
from shimwright.optimize.findings import findings
from shimwright.optimize.hands import hand_checks
from shimwright.optimize.limits import limits
from shimwright.optimize.pad import Pad
from shimwright.optimize.setup import Setup, height_mm
from shimwright.optimize.verdict import judge_chosen
from shimwright.page.fitting import SHOWN, Fitting
from shimwright.page.ticks import key
from shimwright.scan.back import Back
from shimwright.summary import back_words

Row = list[str]
CLEAR_OF = {
    "withers_above": "above the withers",
    "withers_left": "left of the withers",
    "withers_right": "right of the withers",
    "channel": "spine to panel, in the channel",
}


@dataclass(frozen=True)
class Judgement:
    """One set-up as it stands. settled: on the grid of `fit`. answer: that of the search, where this is its pick."""

    contact: Contact
    settled: bool
    answer: Fit | None = None


def verdict(fitting: Fitting, now: Judgement, units: str) -> dict[str, object]:
    """Verdict, sentence and the figures beside the plan."""
    mounted = now.contact.cases[SHOWN]
    said = judge_chosen(fitting.found, now.contact)
    word, sentence = said.verdict, said.sentence
    if now.answer is not None and now.answer.setup is not None:
        word, sentence = now.answer.verdict, now.answer.sentence
    elif fitting.gate.verdict is not None:
        word, why = fitting.gate.verdict, fitting.gate.why
        sentence = f"{why} Asked for anyway: {sentence}" if fitting.job.case.anyway else why
    return {
        "verdict": word,
        "sentence": sentence,
        "settled": now.settled,
        "broken": list(now.contact.refused_by),
        "rows": figures(fitting.back, now.contact, units),
        "feels": zone_feels(now.contact),
        "notes": list(mounted.notes),
    }


def figures(back: Back, contact: Contact, units: str) -> list[Row]:
    """Name and figure, rounded as on the fitter's pages; the same rows for every set-up, so that two compare."""
    mounted, line = contact.cases[SHOWN], limits().pressure
    rows = [
        ["Carries", f"{100 * (1 - mounted.bridged_share):.0f} % of the panel"],
        ["Sits", seat_words(mounted, back.frame).removeprefix("sits ")],
        ["Weight left : right", shares(mounted)],
        ["Front arch", arch_words(contact.arch)],
    ]
    rows += clearance_rows(mounted, units)
    rows += [
        ["Mean where it bears", f"{words.plain(mounted.mean_kpa, 'kPa')} (line {line.mean_kpa:g})"],
        ["Hardest place", f"{words.plain(mounted.peak_kpa, 'kPa')} (line {line.peak_kpa:g})"],
    ]
    return rows


def shares(mounted: CaseResult) -> str:
    """Whole percents.

    >>> from types import SimpleNamespace
    >>> shares(SimpleNamespace(left_share=0.524))
    '52 : 48'
    """
    left = mounted.left_share
    return f"{100 * left:.0f} : {100 - round(100 * left)}" if math.isfinite(left) else "not known"


def clearance_rows(mounted: CaseResult, units: str) -> list[Row]:
    return [
        [f"Clear {CLEAR_OF[name]}", words.length(mm, units)]
        for name, mm in mounted.clearance_mm.items()
        if name in CLEAR_OF and math.isfinite(mm)
    ]


def arch_words(arch: ArchJudgement | None) -> str:
    if arch is None or arch.words in ("not known", ""):
        return "not known"
    if arch.words in ("soft", "parallel") or not math.isfinite(arch.at_larger_deg):
        return {"soft": "soft, follows the horse"}.get(arch.words, "parallel to the back")
    return f"{arch.words} by {abs(arch.at_larger_deg):.0f}° at the larger shoulder"


def setup_words(setup: Setup, pad: Pad, units: str) -> str:
    return words.setup(setup, pad, units)


def finding_rows(fitting: Fitting, contact: Contact, units: str) -> list[dict[str, object]]:
    """What this set-up shows, in the order of the paper."""
    return [_finding(one, units) for one in findings_of(fitting, contact)]


def findings_of(fitting: Fitting, contact: Contact) -> tuple[Finding, ...]:
    job = fitting.job
    arch = contact.arch or job.judged[contact.setup.arch]
    return findings(job.back, job.saddle, job.case, contact, contact, arch)


def _finding(one: Finding, units: str) -> dict[str, object]:
    said = one.words[:1].upper() + one.words[1:]
    figure = finding_figure(one, units)
    return {"words": said, "figure": figure, "helps": one.helps, "place": one.place, "side": one.side}


def hand_rows(fitting: Fitting, contact: Contact, units: str) -> list[dict[str, object]]:
    """state → places → what the left and the right hand should feel, each with the name of its tick."""
    checks = hand_checks(fitting.back, fitting.job.saddle, contact)
    states = dict.fromkeys(check.state for check in checks)
    return [
        {"state": state, "places": _places([check for check in checks if check.state == state], units)}
        for state in states
    ]


def _places(checks: list[HandCheck], units: str) -> list[dict[str, object]]:
    places = dict.fromkeys(check.place for check in checks)
    return [
        {"place": place, "cells": [felt_cell(check, units) for check in checks if check.place == place]}
        for place in places
    ]


def felt_cell(check: HandCheck, units: str) -> dict[str, str]:
    gap = gap_words(check, units).replace("\n", ", ")
    return {"key": key(check), "side": check.side, "feel": check.feel, "gap": gap}


def stack_choices(fitting: Fitting, units: str) -> list[dict[str, object]]:
    """Every stack that the stock allows, thinnest first, and what the horse wears now."""
    job = fitting.job
    stacks = [*job.stacks, *(s for s in job.found_setup.stacks.values() if s not in job.stacks)]
    several = len(job.pad.shims) > 1
    rows: list[dict[str, object]] = []
    for stack in dict.fromkeys(stacks):
        layers = [[layer.shim, layer.thickness_mm] for layer in stack]
        made_of = " + ".join(dict.fromkeys(layer.shim for layer in stack)) if several else ""
        big = words.inches(height_mm(stack), 8) if units == "in" else f"{height_mm(stack):.1f}".removesuffix(".0")
        rows.append({"layers": layers, "big": big if stack else "–", "words": words.stack(stack, units), "of": made_of})
    return rows


def arch_choices(fitting: Fitting) -> list[dict[str, object]]:
    return [
        {"name": arch.name, "words": arch_words(fitting.job.judged[arch.name])} for arch in fitting.job.saddle.arches
    ]


def insert_choices(fitting: Fitting, units: str) -> list[dict[str, object]]:
    return [
        {"name": insert.name, "words": words.thickness(insert.thickness_mm, units)}
        for insert in fitting.job.pad.inserts
    ]


def back_tables(back: Back, units: str) -> dict[str, object]:
    """The scan check, the measures and the sources, as on the sheet of `measure`."""
    quality = back.quality
    return {
        "check": quality.verdict,
        "lines": list(back_words(back.source.file, back)),
        "messages": [
            {"text": message.text, "place": list(message.place_mm) if message.place_mm is not None else None}
            for message in quality.messages
        ],
        "build": build_table(back, units),
        "words": [f"{word.word}" for word in back.build.words],
        "landmarks": {mark.name: row for mark, row in zip(back.landmarks, landmarks_table(back, units), strict=True)},
        "stations": stations_table(back, units),
        "sources": scan_sources(back),
    }
