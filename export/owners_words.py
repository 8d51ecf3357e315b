"""Every word of the owner's page, once, for paper and screen alike: the order and the words of PRACTICE §7 and §2."""

import math
import re
from dataclasses import replace

from shimwright.export import words
from shimwright.export.before_after import changed
from shimwright.export.side_view import seat_words
from shimwright.optimize.answer import Contact, Finding, Fit, HandCheck
from shimwright.optimize.trade_words import said as in_trade
from shimwright.scan.back import Back

Row = list[str]
WISHED = ("shoulder_left", "shoulder_right", "last_rib_left", "last_rib_right", "croup")
COMES_FIRST = {
    "vet first": "after the vet",
    "saddle first": "the saddle mended",
    "another arch": "with another arch",
    "padding will not mend this": "with another saddle",
}
PRESSES = {
    "peak": "One place presses much harder than the rest: {where}",
    "mean": "Where it bears, it bears more than one would like: too little of the panel carries",
}


def owners_words(fit: Fit) -> dict[str, object]:
    """All texts of the owner's page, JSON-able. No kPa."""
    return {
        **names(fit),
        "panel": in_trade("panel", fit.saddle.style),
        "verdict": fit.verdict,
        "sentence": words.in_units(without_kpa(fit.sentence), fit.case.print_units),
        "sure": how_sure(fit),
        "headed": _headed(fit),
        "setup": setup_rows(fit),
        "found": found_setup(fit),
        "seat_before": seat(fit.as_found, fit.back),
        "seat_after": seat(changed(fit), fit.back),
        "level": most_level(fit),
        "why": [
            [in_trade(text, fit.saddle.style) for text in why(letter, one, fit.case.print_units)]
            for letter, one in zip("ABC", fit.findings[:3], strict=False)
        ],
        "hands": hand_table(_states_named(fit), fit.case.print_units),
        "take_out": take_out(fit),
        "cautions": grouped_cautions(tuple(words.in_units(line, fit.case.print_units) for line in fit.cautions)),
        "load": rider_load(fit),
        "sources": scan_sources(fit.back) + told_that_day(fit),
    }


def names(fit: Fit) -> dict[str, object]:
    """Horse, saddle, place, who, and the day to look again."""
    case = fit.case
    who = [fit.saddle.name, fit.pad.name, case.place, words.day(case.today.date)]
    by = f"prepared by {case.prepared_by}" if case.prepared_by else "prepared by: not told"
    horse = case.horse.name or fit.back.source.horse or "Horse: name not told"
    again, note = look_again(fit)
    return {
        "title": f"{horse}: fit sheet",
        "horse": horse,
        "who": " · ".join(part for part in (*who, by) if part),
        "recheck": again,
        "recheck_note": note,
    }


def look_again(fit: Fit) -> tuple[str, str]:
    """When to look again, large, and a note below. What has to happen first is no day in a calendar."""
    weeks = words.in_weeks(fit.recheck_weeks)
    if fit.verdict in COMES_FIRST:
        return COMES_FIRST[fit.verdict], "scan and fit anew then" if fit.setup is None else f"then {weeks}"
    on = words.day(fit.recheck_on)
    return (on, weeks) if on else (weeks, "from the day it is fitted (date not told)")


def without_kpa(sentence: str) -> str:
    """The sentence for the owner: two pressures become one comparison, any other pressure leaves with its clause."""
    sentence = re.sub(r"\s*\([^)]*\bkPa\b[^)]*\)", "", sentence)
    return re.sub(r"[^:;.]*\bkPa\b[^:;.]*", lambda clause: _compared(clause.group()), sentence)


def how_sure(fit: Fit) -> str:
    """How often the choice stood; empty where nothing was chosen or the sentence says it already."""
    return "" if fit.setup is None or "re-run" in fit.sentence else words.how_sure(fit.confidence)


def setup_rows(fit: Fit) -> list[Row]:
    """Arch, insert, then the pockets that hold something; what to do instead when there is no set-up."""
    if fit.setup is None:
        return [["Set-up", "none given"]]
    units, setup = fit.case.print_units, fit.setup
    thick = next((words.thickness(i.thickness_mm, units, 16) for i in fit.pad.inserts if i.name == setup.insert), "")
    rows = [_arch_row(fit, fit.setup.arch)]
    if words.no_shims(fit.pad) == "no pad":
        return [*rows, ["Pad", "none"]]
    rows.append(["Insert", " · ".join(part for part in (fit.setup.insert or "none", thick) if part)])
    filled = [(name, stack) for name, stack in fit.setup.stacks.items() if stack]
    rows += [[words.place(name).capitalize(), words.stack(stack, units)] for name, stack in filled]
    if not filled:
        rows.append(["Shims", "none" if fit.pad.pockets else "none: the pad has no pockets"])
    return rows


def _arch_row(fit: Fit, arch: str | None) -> Row:
    """The arch in the words of the saddle's style."""
    if arch is None and fit.saddle.tree == "treeless":
        return ["Front arch", "none, treeless"]
    return ["Gullet" if fit.saddle.style == "western" else "Front arch", arch or "as built, not changeable"]


def found_setup(fit: Fit) -> str:
    """What `as found` means here: what was told that it wears, or what was taken because nothing was."""
    chosen = words.setup(fit.as_found.setup, fit.pad, fit.case.print_units)
    if fit.saddle.tree == "treeless":
        chosen = chosen.removeprefix("arch as built; ")
    worn = fit.case.today.worn
    how = "as told" if worn is not None else "assumed: what it wears was not told"
    return f"As found: {chosen} ({how})."


def seat(contact: Contact | None, back: Back) -> str:
    return "" if contact is None else seat_words(contact.cases["mounted"], back.frame)


def most_level(fit: Fit) -> str:
    """The most level set-up where it is not the most even one, and what it costs."""
    if fit.level_setup is None or fit.level_setup == fit.setup:
        return ""
    chosen = words.setup(fit.level_setup, fit.pad, fit.case.print_units)
    return f"Sits more level, at the price of less even contact: {chosen}."


def why(letter: str, finding: Finding, units: str = "mm") -> Row:
    """Letter, what was seen with its figure and error, what helps. Pressures are said without their unit."""
    if finding.unit == "kPa" or "kPa" in finding.words:
        side = {"left": " left", "right": " right", "both": ", both sides"}.get(finding.side, "")
        where = words.place(finding.place) + side
        said = PRESSES.get(finding.code, "It presses more than one would like: {where}").format(where=where)
        return [letter, _sentence(said), _sentence(finding.helps)]
    figure = finding_figure(finding, units)
    said = words.in_units(finding.words, units) + (f" ({figure})" if figure else "")
    return [letter, _sentence(said), _sentence(words.in_units(finding.helps, units))]


def finding_figure(finding: Finding, units: str = "mm") -> str:
    """`7 ± 2 mm`; only the error where the words hold the figure already; empty where there is none.

    Without a sign: the words say which way.
    """
    if not math.isfinite(finding.value) or not finding.unit:
        return ""
    figure = words.with_error(abs(finding.value), finding.sd, finding.unit, 0.1 if finding.unit == "°" else 1.0)
    if not any(letter.isdigit() for letter in finding.words):
        return f"{words.inches(abs(finding.value))} in, {figure}" if (units, finding.unit) == ("in", "mm") else figure
    return figure[figure.index("±") :] if "±" in figure else ""


def hand_table(checks: tuple[HandCheck, ...], units: str) -> dict[str, object]:
    """states: in the order they are felt. rows: a place, then for every state what the left and right hand feel."""
    states = list(dict.fromkeys(check.state for check in checks))
    places = list(dict.fromkeys(check.place for check in checks))
    found = {(c.place, c.state, c.side): _felt(c, units) for c in checks}
    rows = []
    for at in places:
        cells = [_pair(found, at, state) for state in states]
        rows.append({"place": words.place(at), "cells": cells})
    return {"states": states, "rows": rows}


FIRST_RIDES = re.compile(r"\b(rides?|riding|ridden|mount|girth|cinch)\b")  # not: rider, mounted


def grouped_cautions(lines: tuple[str, ...]) -> list[dict[str, object]]:
    """The cautions under the three headings of the owner's page; all of them, each once."""
    groups: dict[str, list[str]] = {"Watch for": [], "Stop and call": [], "First rides": []}
    for line in lines:
        low = line.lower()
        if "vet" in low and "substitute" not in low:
            groups["Stop and call"].append(line)
        elif FIRST_RIDES.search(low):
            groups["First rides"].append(line)
        else:
            groups["Watch for"].append(line)
    return [{"name": name, "lines": said} for name, said in groups.items() if said]


def take_out(fit: Fit) -> list[Row]:
    units = fit.case.print_units
    return [[words.in_weeks(step.weeks), words.in_units(step.what, units)] for step in fit.take_out]


def rider_load(fit: Fit) -> str:
    """Rider and rider with tack over the horse's weight, or that the weight was not told."""
    rider = fit.case.rider
    assumed = "" if rider.weight_told else " (assumed)"
    share, tack = fit.horse_load.get("rider_share", math.nan), fit.horse_load.get("rider_and_tack_share", math.nan)
    who = f"Rider {words.weight(rider.weight_kg, fit.case.print_units)}{assumed}"
    if not math.isfinite(share):
        return f"{who}. Horse's weight: not told."
    return f"{who}: {100 * share:.0f} % of the horse's weight, {100 * tack:.0f} % with saddle and tack."


def scan_sources(back: Back) -> list[Row]:
    """From which scan; what was marked, told, estimated, not seen."""
    scan = f"{back.source.file}, {words.day(back.source.date) or 'date not told'}; {back.quality.verdict}"
    rows = [[made(back), scan]]
    for source in ("marked", "told", "estimated"):
        named = [words.mark(mark.name) for mark in back.landmarks if mark.source == source]
        rows.append([source.capitalize(), ", ".join(named) if named else "no landmark"])
    rows.append(["Not seen", not_seen(back)])
    return rows


def made(back: Back) -> str:
    return "Tracing" if back.source.told.get("traced") else "Scan"


def not_seen(back: Back) -> str:
    parts = []
    under = back.quality.seen_under_saddle
    if math.isfinite(under) and under < 0.995:
        parts.append(f"{100 * (1 - under):.0f} % of the back under the saddle")
    known = {mark.name for mark in back.landmarks}
    parts += [words.place(name) for name in WISHED if name not in known]
    return ", ".join(parts) if parts else "nothing that matters here"


def told_that_day(fit: Fit) -> list[Row]:
    today = fit.case.today
    sore = words.told(today.sore) if today.sore else "none told"
    told = f"stood square {words.told(today.stood_square)}; sore {sore}; lame {words.told(today.lame)}; "
    return [["That day", told + f"saddle moves {words.told(today.saddle_moves)}"]]


def _states_named(fit: Fit) -> tuple[HandCheck, ...]:
    """Without a set-up the girthed state is that of the saddle as found."""
    if fit.setup is not None:
        return fit.hand_checks
    girthed = in_trade("girthed", fit.saddle.style)
    return tuple(replace(c, state=girthed) if c.state == "with set-up" else c for c in fit.hand_checks)


def _compared(clause: str) -> str:
    """`29 kPa at the hardest place, against 33 kPa as found` without its unit."""
    pressures = [float(number) for number in re.findall(r"(\d+(?:\.\d+)?) kPa", clause)]
    if len(pressures) != 2 or "hardest place" not in clause or pressures[1] <= 0:
        return " it presses otherwise than one would like"
    change = 100 * (pressures[0] / pressures[1] - 1)
    return f" the hardest place presses {abs(change):.0f} % {'less' if change < 0 else 'more'} than as found"


def _headed(fit: Fit) -> str:
    if fit.verdict in ("vet first", "saddle first") and fit.setup is not None:
        asked = "The set-up below was asked for all the same: do not ride on it before that is done."
        return f"{fit.verdict.capitalize()}. {asked}"
    return ""


def _pair(found: dict[tuple[str, str, str], list[str]], at: str, state: str) -> list[list[str]]:
    """Left and right of one place, or one cell where it has no side."""
    alone = found.get((at, state, "none")) or found.get((at, state, "both"))
    if alone is not None:
        return [alone]
    return [found.get((at, state, side), ["", ""]) for side in ("left", "right")]


def _felt(check: HandCheck, units: str) -> list[str]:
    """The word, and the gap where light shows or the hand is barely held."""
    return [check.feel, gap_words(check, units)]


def gap_words(check: HandCheck, units: str) -> str:
    """How much daylight, with its error; empty where there is none to speak of."""
    if not math.isfinite(check.gap_mm) or check.feel not in ("daylight", "light"):
        return ""
    if check.feel == "light" and check.gap_mm < max(1.0, check.sd_mm):  # less than its error is no figure
        return ""
    return words.with_error(check.gap_mm, check.sd_mm, "mm") if units == "mm" else _gap_inches(check)


def _gap_inches(check: HandCheck) -> str:
    return f"{words.inches(check.gap_mm)} in\n{words.with_error(check.gap_mm, check.sd_mm, 'mm')}"


def _sentence(text: str) -> str:
    text = text.strip()
    return (text[:1].upper() + text[1:]).rstrip(".") + ("." if text else "")
