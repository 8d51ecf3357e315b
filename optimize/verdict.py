"""The gate and the verdict, in the trade's words with the figure that decided (DESIGN §8, PRACTICE §2, §5)."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from shimwright.optimize.answer import ArchJudgement, CaseResult, Confidence, Contact
from shimwright.optimize.case import Case
from shimwright.optimize.cost import pieces
from shimwright.optimize.limits import limits
from shimwright.optimize.saddle import Saddle
from shimwright.optimize.shim_edges import SORE_LIMIT

OF_STACKS = ("step to the neighbour", "left-right difference", SORE_LIMIT)
BY_HAND = "not with this set-up"  # of a set-up that a person chose; the search never says it


@dataclass(frozen=True)
class Gate:
    """What comes before any set-up. verdict None: nothing stands in the way."""

    verdict: str | None
    why: str


def gate(case: Case, saddle: Saddle) -> Gate:
    """Vet first, then saddle first."""
    reasons = _for_the_vet(case)
    if reasons:
        return Gate("vet first", f"Vet first: {', '.join(reasons)}.")
    apart, line = saddle.side_difference_mm, limits().verdict.side_difference_mm
    if abs(apart) > line:
        side = "left" if apart > 0 else "right"
        why = (
            f"Saddle first: the {side} panel stands {abs(apart):.0f} mm prouder than the other, more than {line:g} mm."
        )
        return Gate("saddle first", why)
    return Gate(None, "")


def _for_the_vet(case: Case) -> list[str]:
    today, reasons = case.today, []
    if today.sore:
        reasons.append(f"sore at {', '.join(place.replace('_', ' ') for place in today.sore)}")
    if today.hot_or_open_skin:
        reasons.append("hot or open skin")
    if today.lame:
        reasons.append("lame")
    if today.saddle_moves in ("left", "right"):
        reasons.append(f"the saddle keeps slipping to the {today.saddle_moves}")
    return reasons


def is_good(mounted: CaseResult) -> bool:
    """Good contact: little of the panel hangs free and the pressure is even enough."""
    line = limits().verdict
    return mounted.bridged_share <= line.bridged_share and mounted.unevenness <= line.unevenness


def another_arch(judged: dict[str | None, ArchJudgement]) -> tuple[str, float] | None:
    """("wider" | "narrower", degrees of the nearest) if every arch is beyond the hard limit, else None."""
    hard = limits().arch.hard_deg
    known = [j for j in judged.values() if np.isfinite(j.at_larger_deg) or j.words == "soft"]
    if not known or any(j.words == "soft" or abs(j.at_larger_deg) <= hard for j in known):
        return None
    nearest = min(known, key=lambda j: abs(j.at_larger_deg))
    return ("wider" if nearest.at_larger_deg > 0 else "narrower"), abs(nearest.at_larger_deg)


@dataclass(frozen=True)
class Judged:
    """verdict of `VERDICTS` and its sentence, without how sure."""

    verdict: str
    sentence: str


def judge(
    saddle: Saddle,
    found: Contact,
    better: Contact | None,
    judged: dict[str | None, ArchJudgement],
    refused_most: str | None,
) -> Judged:
    """Verdict where nothing comes first. better: the chosen set-up, None if none is within the limits."""
    needs = another_arch(judged)
    if better is None:
        return _nothing(saddle, needs, refused_most)
    mounted, before = better.cases["mounted"], found.cases["mounted"]
    if not is_good(mounted):
        why = (
            f"even the best padding leaves {100 * mounted.bridged_share:.0f} % of the panel without weight"
            if mounted.bridged_share > limits().verdict.bridged_share
            else f"even the best padding leaves the pressure uneven ({mounted.peak_kpa:.0f} kPa at the hardest place)"
        )
        return Judged(
            "padding will not mend this", f"Padding will not mend this: {why}; {_whose(saddle)} shape does not suit."
        )
    if not pieces(better.setup) and better.setup.arch == found.setup.arch:
        out = "take out what is in" if pieces(found.setup) else "it bears well as it is"
        if better.setup.insert != found.setup.insert:
            out = f"with the insert {better.setup.insert}"
        carries = f"{100 * (1 - mounted.bridged_share):.0f} % of the panel carries"
        return Judged("no shim needed", f"No shim needed: {carries}, {out}.")
    return Judged(
        "good contact with this set-up", f"Good contact with this set-up: {_gain(mounted, before, better, found)}."
    )


def judge_chosen(found: Contact, chosen: Contact) -> Judged:
    """Verdict on a set-up that a person chose. Limits first, then contact; where it is good, in the same words."""
    mounted, before = chosen.cases["mounted"], found.cases["mounted"]
    if "arch" in chosen.refused_by and chosen.arch is not None:
        by, hard = abs(chosen.arch.at_larger_deg), limits().arch.hard_deg
        said = f"this one is {chosen.arch.words} by {by:.0f}° at the larger shoulder; more than {hard:g}° is too far"
        return Judged("another arch", f"Another arch: {said}.")
    if chosen.refused_by:
        return Judged(
            BY_HAND, f"Not with this set-up: it breaks a limit ({', '.join(map(limit_said, chosen.refused_by))})."
        )
    if mounted.bridged_share > limits().verdict.bridged_share:
        empty = 100 * mounted.bridged_share
        return Judged(BY_HAND, f"Not with this set-up: {empty:.0f} % of the panel is without weight.")
    if not is_good(mounted):
        peak = mounted.peak_kpa
        return Judged(BY_HAND, f"Not with this set-up: the pressure is uneven ({peak:.0f} kPa at the hardest place).")
    verdict = "good contact with this set-up"
    if chosen.setup == found.setup:
        carries = 100 * (1 - mounted.bridged_share)
        return Judged(verdict, f"Good contact as found: {carries:.0f} % of the panel carries.")
    return Judged(verdict, f"{verdict.capitalize()}: {_gain(mounted, before, chosen, found)}.")


def _nothing(saddle: Saddle, needs: tuple[str, float] | None, refused_most: str | None) -> Judged:
    hard = limits().arch.hard_deg
    if needs is not None and saddle.arches:
        way, by = needs
        return Judged(
            "another arch", f"Another arch: {by:.0f}° {way} than the nearest here; more than {hard:g}° is too far."
        )
    if refused_most is None:
        return Judged("padding will not mend this", "Padding will not mend this: no set-up keeps the limits.")
    why = f"every set-up breaks a limit, most often {limit_said(refused_most)}"
    return Judged("padding will not mend this", f"Padding will not mend this: {why}.")


def limit_said(limit: str) -> str:
    """A limit in the trade's words.

    >>> limit_said("pitch"), limit_said("peak pressure")
    ('tipping forward or back', 'peak pressure')
    """
    return {"pitch": "tipping forward or back", "roll": "sitting to one side"}.get(limit, limit)


def deciding_limit(refused_by: Mapping[str, int]) -> str | None:
    """The limit that cut most of what could have been chosen: how stacks may be built counts only where nothing else
    cut (an empty pad keeps those), an arch too far off only where there was no other arch.

    >>> deciding_limit({"step to the neighbour": 11904, "withers clearance": 2777}), deciding_limit({})
    ('withers clearance', None)
    >>> deciding_limit({"arch": 21609, "roll": 7842}), deciding_limit({"arch": 36015})
    ('roll', 'arch')
    """
    of_contact = {name: cut for name, cut in refused_by.items() if name not in OF_STACKS and cut}
    of_others = {name: cut for name, cut in of_contact.items() if name != "arch"}
    counted = of_others or of_contact or dict(refused_by)
    return max(counted, key=lambda name: counted[name], default=None)


def _whose(saddle: Saddle) -> str:
    return "the saddle's" if saddle.tree == "treeless" else "the panel's"


def _gain(mounted: CaseResult, before: CaseResult, better: Contact, found: Contact) -> str:
    if better.setup == found.setup:
        return f"what is on now stays, {100 * (1 - mounted.bridged_share):.0f} % of the panel carries"
    now, then = 100 * (1 - mounted.bridged_share), 100 * (1 - before.bridged_share)
    if now - then >= 3:
        return f"{now:.0f} % of the panel carries, against {then:.0f} % as found"
    if before.peak_kpa - mounted.peak_kpa >= 1:
        less = 100 * (1 - mounted.peak_kpa / before.peak_kpa)
        return f"the hardest place presses {less:.0f} % less than as found"
    return "the weight is spread more evenly than as found"


def how_sure(confidence: Confidence | None) -> str:
    """Such as 8 of 10 re-runs, in a sentence of its own; empty where nothing was re-run."""
    if confidence is None or not np.isfinite(confidence.share):
        return ""
    times = min(10, round(10 * confidence.share))
    told = "" if confidence.told_apart else "; it cannot be told apart from the next best"
    return f" {times} of 10 re-runs came to this{told}."
