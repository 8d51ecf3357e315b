"""Whether the set-up that is on still serves a back that changed, and which one layer to take out or swap if not.

One small change at a time (PRACTICE §5): the top layer of a pocket, or of a pocket and its partner, out or for another
thickness. More than that is a new fit.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace

from shimwright.optimize.answer import Contact, TakeOutStep
from shimwright.optimize.case import Case, PartialSetup
from shimwright.optimize.cost import pieces
from shimwright.optimize.fit import Job, prepared
from shimwright.optimize.limits import limits
from shimwright.optimize.pad import Pad
from shimwright.optimize.plan import recheck_on, recheck_weeks, take_out
from shimwright.optimize.saddle import Saddle
from shimwright.optimize.setup import Layer, Setup, height_mm
from shimwright.optimize.verdict import gate, is_good, limit_said
from shimwright.scan.back import Back
from shimwright.scan.refusal import InputRefused

CASES = ("girthed", "mounted")
VERDICTS = ("vet first", "saddle first", "still serves", "take out", "swap", "fit again")


@dataclass(frozen=True)
class OneChange:
    """The top layer of the pockets, out or for another. into None: out."""

    pockets: tuple[str, ...]
    layer: Layer
    into: Layer | None

    def words(self) -> str:
        where = " and ".join(name.replace("_", " ") for name in self.pockets)
        what = f"the {self.layer.thickness_mm:g} mm {self.layer.shim} layer"
        if self.into is None:
            return f"take out {what} {where}"
        return f"put {self.into.thickness_mm:g} mm {self.into.shim} in the place of {what} {where}"


@dataclass(frozen=True)
class Serves:
    """verdict of VERDICTS. present, better: mounted and girthed; None where nothing was to be judged or found.

    take_out: the plan from today on, for the set-up after the change.
    """

    verdict: str
    sentence: str
    change: OneChange | None
    setup: Setup
    present: Contact | None
    better: Contact | None
    take_out: tuple[TakeOutStep, ...]
    recheck_weeks: int
    recheck_on: str | None


def still_serves(back: Back, saddle: Saddle, pad: Pad, case: Case, present: Setup, changed: bool) -> Serves:
    """Judged on today's back. changed: the back did, beyond error; if not, what works stays.

    Raises InputRefused and WrongUse as `fit` does.
    """
    first = gate(case, saddle)
    if first.verdict is not None:
        return _answer(case, pad, first.verdict, first.why, present)
    worn = replace(case, today=replace(case.today, worn=PartialSetup(present.arch, present.insert, present.stacks)))
    job = prepared(back, saddle, pad, worn)
    now = job.on(present, None, CASES)
    kept = not now.refused_by and is_good(now.cases["mounted"])
    if kept and not changed:
        return _answer(case, pad, "still serves", _serves(now, "the back did not change beyond error"), present, now)
    best = _best(job, now)
    if best is None:
        if kept:
            return _answer(case, pad, "still serves", _serves(now, "no single layer makes it better"), present, now)
        return _answer(case, pad, "fit again", f"Fit again: {_fault(now)}, and no single layer mends it.", present, now)
    change, better = best
    verdict = "take out" if change.into is None else "swap"
    words = change.words()
    sentence = f"{words[:1].upper()}{words[1:]}: {_gain(now, better)}."
    made = _answer(case, pad, verdict, sentence, better.setup, now)
    return replace(made, change=change, better=better)


def one_changes(pad: Pad, setup: Setup) -> Iterator[tuple[OneChange, Setup]]:
    """Every single change that the stock allows: out first, pockets alone and with a partner that holds the same."""
    stock = [Layer(shim.name, thickness) for shim in pad.shims for thickness in shim.thicknesses_mm]
    for pockets in _together(pad, setup):
        stack = setup.stacks[pockets[0]]
        top = stack[-1]
        choices: list[Layer | None] = [None, *(layer for layer in stock if layer != top)]
        for into in choices:
            rest = (*stack[:-1], *((into,) if into is not None else ()))
            if pad.limits.height_mm is not None and height_mm(rest) > pad.limits.height_mm + 1e-9:
                continue
            yield OneChange(pockets, top, into), replace(setup, stacks={**setup.stacks, **dict.fromkeys(pockets, rest)})


def _together(pad: Pad, setup: Setup) -> list[tuple[str, ...]]:
    full = [name for name, stack in setup.stacks.items() if stack]
    pairs = []
    for name in full:
        partner = pad.partner(name)
        if partner in full and name < partner and setup.stacks[name] == setup.stacks[partner]:
            pairs.append((name, partner))
    return [*((name,) for name in full), *pairs]


def _best(job: Job, now: Contact) -> tuple[OneChange, Contact] | None:
    """The change that betters the set-up by more than a tie, out before swap where both do alike; None: none does."""
    found: list[tuple[OneChange, Contact]] = []
    for change, setup in one_changes(job.pad, now.setup):
        try:
            contact = job.on(setup, now, CASES)
        except InputRefused:  # it tips over: no choice
            continue
        if not contact.refused_by and is_good(contact.cases["mounted"]):
            found.append((change, contact))
    if not found:
        return None
    ties = limits().ties
    band = ties.band(min(contact.cost for _, contact in found))
    if not now.refused_by and is_good(now.cases["mounted"]) and now.cost <= band:
        return None
    alike = [pair for pair in found if pair[1].cost <= band]
    return min(alike, key=lambda pair: (pair[0].into is not None, pieces(pair[1].setup), pair[1].cost))


def _answer(case: Case, pad: Pad, verdict: str, sentence: str, setup: Setup, present: Contact | None = None) -> Serves:
    weeks = recheck_weeks(case, setup)
    first = verdict in ("vet first", "saddle first", "fit again")
    plan = () if first else take_out(case, pad, setup)
    return Serves(verdict, sentence, None, setup, present, None, plan, weeks, recheck_on(case, weeks))


def _serves(now: Contact, why: str) -> str:
    mounted = now.cases["mounted"]
    return f"Still serves: {100 * (1 - mounted.bridged_share):.0f} % of the panel carries, {why}."


def _fault(now: Contact) -> str:
    if now.refused_by:
        return f"what is on breaks a limit now ({', '.join(map(limit_said, now.refused_by))})"
    return f"with what is on {100 * now.cases['mounted'].bridged_share:.0f} % of the panel hangs free"


def _gain(now: Contact, better: Contact) -> str:
    before, after = now.cases["mounted"], better.cases["mounted"]
    carries, carried = 100 * (1 - after.bridged_share), 100 * (1 - before.bridged_share)
    if now.refused_by:
        return (
            f"as it is, it breaks a limit ({', '.join(map(limit_said, now.refused_by))}); then {carries:.0f} % carries"
        )
    if carries - carried >= 1:
        return f"{carries:.0f} % of the panel carries then, {carried:.0f} % now"
    if before.peak_kpa - after.peak_kpa >= 1:
        return f"the hardest place presses {100 * (1 - after.peak_kpa / before.peak_kpa):.0f} % less then"
    return "the weight is spread more evenly then"
