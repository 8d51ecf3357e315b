"""When to look again, and which layer comes out when (PRACTICE §5)."""

from datetime import date, timedelta

from shimwright.optimize.answer import TakeOutStep
from shimwright.optimize.case import Case
from shimwright.optimize.cost import pieces
from shimwright.optimize.limits import limits
from shimwright.optimize.pad import Pad
from shimwright.optimize.setup import Setup, Stack, height_mm


def recheck_weeks(case: Case, setup: Setup | None) -> int:
    """Weeks to the re-check: with shims in, else by the horse's work."""
    weeks = limits().recheck_weeks
    if setup is not None and pieces(setup):
        return weeks["shims"]
    return weeks.get(case.horse.work or "not_told", weeks["not_told"])


def recheck_on(case: Case, weeks: int) -> str | None:
    """ISO date; None when no date was told."""
    if case.today.date is None:
        return None
    return (date.fromisoformat(case.today.date) + timedelta(weeks=weeks)).isoformat()


def take_out(case: Case, pad: Pad, setup: Setup | None) -> tuple[TakeOutStep, ...]:
    """One small change at a time: the top layer of the highest stacks first, both sides together where they are alike.

    With `room to grow` the front comes first, as muscle behind the shoulder fills first.
    """
    if setup is None or not pieces(setup):
        return ()
    weeks, left = recheck_weeks(case, setup), dict(setup.stacks)
    steps: list[TakeOutStep] = []
    first = [TakeOutStep(1, "After three to five rides: feel all places again, before anything else is changed.")]
    while any(left.values()) and len(steps) < 4:
        name = min((n for n in left if left[n]), key=lambda n: _order(n, left[n], pad, case))
        together = [name]
        partner = pad.partner(name)
        if partner is not None and left.get(partner) == left[name]:
            together.append(partner)
        steps.append(TakeOutStep(weeks * (len(steps) + 1), _words(together, left[name], case)))
        for pocket in together:
            left[pocket] = left[pocket][:-1]
    return tuple(first + steps)


def _order(name: str, stack: Stack, pad: Pad, case: Case) -> tuple[float, float, float]:
    columns = {pocket.name: i for i, pocket in enumerate(pad.pockets)}
    front = -float(pad.pocket(name).outline[:, 0].mean())
    growing = case.aim.aim == "room to grow"
    return (front if growing else 0.0, -height_mm(stack), columns[name])


def _words(names: list[str], stack: Stack, case: Case) -> str:
    place = " and ".join(name.replace("_", " ") for name in names)
    what = f"the {stack[-1].thickness_mm:g} mm {stack[-1].shim} layer"
    where = "nearest the saddle " if len(stack) > 1 else ""
    has, feels = ("have", "feel") if len(names) > 1 else ("has", "feels")
    if case.aim.aim == "room to grow":
        return f"If {place} {has} filled and {feels} firm, take out {what} {where}there."
    return f"If {place} {feels} firm, take out {what} {where}there; if even, leave it."
