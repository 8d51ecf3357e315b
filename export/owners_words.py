"""Every word of the owner's page, once, for paper and screen alike: the order and the words of PRACTICE §7 and §2."""

import math

from shimwright.export import words
from shimwright.export.side_view import seat_words
from shimwright.optimize.answer import Contact, Finding, Fit, HandCheck
from shimwright.scan.back import Back

Row = list[str]


def owners_words(fit: Fit) -> dict[str, object]:
    """All texts of the owner's page, JSON-able. No kPa."""
    return {
        **names(fit),
        "verdict": fit.verdict,
        "sentence": fit.sentence,
        "sure": words.how_sure(fit.confidence),
        "headed": _headed(fit),
        "setup": setup_rows(fit),
        "seat_before": seat(fit.as_found),
        "seat_after": seat(fit.with_setup),
        "why": [why(letter, finding) for letter, finding in zip("ABC", fit.findings[:3], strict=False)],
        "hands": hand_rows(fit.hand_checks, fit.case.print_units),
        "take_out": take_out(fit),
        "cautions": list(fit.cautions),
        "load": rider_load(fit),
        "sources": scan_sources(fit.back) + told_that_day(fit),
    }


def names(fit: Fit) -> dict[str, object]:
    """Horse, saddle, place, who, and the day to look again."""
    case = fit.case
    who = [fit.saddle.name, fit.pad.name, case.place, words.day(case.today.date)]
    by = f"prepared by {case.prepared_by}" if case.prepared_by else "prepared by: not told"
    horse = case.horse.name or fit.back.source.horse or "Horse: name not told"
    on = words.day(fit.recheck_on)
    return {
        "title": f"{horse}: fit sheet",
        "horse": horse,
        "who": " · ".join(part for part in (*who, by) if part),
        "recheck": on or words.in_weeks(fit.recheck_weeks),
        "recheck_note": words.in_weeks(fit.recheck_weeks) if on else "from the day it is fitted (date not told)",
    }


def setup_rows(fit: Fit) -> list[Row]:
    """Arch, insert, then the pockets that hold something; what to do instead when there is no set-up."""
    if fit.setup is None:
        return [["Set-up", "none given"]]
    units = fit.case.print_units
    thick = next((words.thickness(i.thickness_mm, units) for i in fit.pad.inserts if i.name == fit.setup.insert), "")
    rows = [["Front arch", fit.setup.arch or "as built, not changeable"]]
    rows.append(["Insert", " · ".join(part for part in (fit.setup.insert or "none", thick) if part)])
    filled = [(name, stack) for name, stack in fit.setup.stacks.items() if stack]
    rows += [[words.place(name).capitalize(), words.stack(stack, units)] for name, stack in filled]
    if not filled:
        rows.append(["Shims", "none" if fit.pad.pockets else "none: the pad has no pockets"])
    return rows


def seat(contact: Contact | None) -> str:
    return "" if contact is None else seat_words(contact.cases["mounted"])


def why(letter: str, finding: Finding) -> Row:
    """Letter, what was seen with its figure, what helps."""
    least = 0.1 if finding.unit == "°" else 1.0
    figure = words.with_error(finding.value, finding.sd, finding.unit, least)
    return [letter, f"{_sentence(finding.words)} {figure}.".replace("..", "."), _sentence(finding.helps)]


def hand_rows(checks: tuple[HandCheck, ...], units: str) -> list[Row]:
    """State, place and side, feel, gap: one row for each thing to feel."""
    return [
        [
            check.state,
            words.place(check.place),
            "" if check.side in ("none", "both") else check.side,
            check.feel,
            _gap(check, units),
        ]
        for check in checks
    ]


def take_out(fit: Fit) -> list[Row]:
    return [[words.in_weeks(step.weeks), step.what] for step in fit.take_out]


def rider_load(fit: Fit) -> str:
    """Rider and rider with tack over the horse's weight, or that the weight was not told."""
    rider = fit.case.rider
    assumed = "" if rider.weight_told else " (assumed)"
    share, tack = fit.horse_load.get("rider_share", math.nan), fit.horse_load.get("rider_and_tack_share", math.nan)
    who = f"Rider {rider.weight_kg:.0f} kg{assumed}"
    if not math.isfinite(share):
        return f"{who}. Horse's weight: not told."
    return f"{who}: {100 * share:.0f} % of the horse's weight, {100 * tack:.0f} % with saddle and tack."


def scan_sources(back: Back) -> list[Row]:
    """From which scan; what was marked, told, estimated, not seen."""
    scan = f"{back.source.file}, {words.day(back.source.date) or 'date not told'}; {back.quality.verdict}"
    rows = [["Scan", scan]]
    for source in ("marked", "told", "estimated"):
        named = [words.place(mark.name) for mark in back.landmarks if mark.source == source]
        rows.append([source.capitalize(), ", ".join(named) if named else "nothing"])
    rows.append(["Not seen", not_seen(back)])
    return rows


def not_seen(back: Back) -> str:
    parts = []
    under = back.quality.seen_under_saddle
    if math.isfinite(under) and under < 0.995:
        parts.append(f"{100 * (1 - under):.0f} % of the back under the saddle")
    known = {mark.name for mark in back.landmarks}
    parts += [words.place(name) for name in ("shoulder_left", "shoulder_right", "last_rib_left", "last_rib_right", "croup")
              if name not in known]  # fmt: skip
    return ", ".join(parts) if parts else "nothing that matters here"


def told_that_day(fit: Fit) -> list[Row]:
    today = fit.case.today
    sore = words.told(today.sore) if today.sore else "none told"
    told = f"stood square {words.told(today.stood_square)}; sore {sore}; lame {words.told(today.lame)}; "
    return [["That day", told + f"saddle moves {words.told(today.saddle_moves)}"]]


def _headed(fit: Fit) -> str:
    if fit.verdict in ("vet first", "saddle first") and fit.setup is not None:
        return f"{fit.verdict.capitalize()}. The set-up below was asked for all the same: do not ride on it before that is done."
    return ""


def _gap(check: HandCheck, units: str) -> str:
    if not math.isfinite(check.gap_mm):
        return words.NOT_SEEN
    if check.feel != "daylight" and check.gap_mm < 0.5:
        return "touches"
    return words.with_error(check.gap_mm, check.sd_mm, "mm") if units == "mm" else _gap_inches(check)


def _gap_inches(check: HandCheck) -> str:
    return f"{words.inches(check.gap_mm)} in ({words.with_error(check.gap_mm, check.sd_mm, 'mm')})"


def _sentence(text: str) -> str:
    text = text.strip()
    return (text[:1].upper() + text[1:]).rstrip(".") + ("." if text else "")
