"""What the saddle wears now, and partly told set-ups made whole (DESIGN §13)."""

from collections.abc import Iterable, Mapping

from shimwright.optimize.case import Case, PartialSetup
from shimwright.optimize.pad import Pad
from shimwright.optimize.saddle import Saddle
from shimwright.optimize.setup import Setup
from shimwright.scan.refusal import WrongUse


def thinnest_insert(pad: Pad) -> str | None:
    """The first insert of least thickness; None for a pad without inserts."""
    return min(pad.inserts, key=lambda insert: insert.thickness_mm).name if pad.inserts else None


def best_arch(saddle: Saddle, arch_difference_deg: Mapping[str, float]) -> str | None:
    """Arch of least angle difference, the narrower in a tie; an unknown difference counts as the largest."""
    if not saddle.arches:
        return None

    def key(name: str) -> tuple[float, float]:
        difference = abs(arch_difference_deg.get(name, float("nan")))
        arch = next(a for a in saddle.arches if a.name == name)
        return (round(difference, 6) if difference == difference else float("inf"), arch.width_mm)

    return min((arch.name for arch in saddle.arches), key=key)


def completed(part: PartialSetup, saddle: Saddle, pad: Pad, arch: str | None, insert: str | None) -> Setup:
    """A whole set-up: what `part` leaves open is `arch`, `insert`, and no shims. Raises WrongUse for unknown names."""
    names = [pocket.name for pocket in pad.pockets]
    unknown = [name for name in part.pockets if name not in names]
    if unknown:
        raise WrongUse(f"pocket {unknown[0]!r} is not one of this pad's: {_listed(names)}")
    if part.arch is not None and part.arch not in [a.name for a in saddle.arches]:
        raise WrongUse(f"arch {part.arch!r} is not one of this saddle's: {_listed(a.name for a in saddle.arches)}")
    if part.insert is not None and part.insert not in [i.name for i in pad.inserts]:
        raise WrongUse(f"insert {part.insert!r} is not one of this pad's: {_listed(i.name for i in pad.inserts)}")
    return Setup(part.arch or arch, part.insert or insert, {name: part.pockets.get(name, ()) for name in names})


def keeps(setup: Setup, fixed: PartialSetup) -> bool:
    """True where the set-up agrees with all that is told of another."""
    return (
        fixed.arch in (None, setup.arch)
        and fixed.insert in (None, setup.insert)
        and all(setup.stacks.get(name, ()) == stack for name, stack in fixed.pockets.items())
    )


def _listed(names: Iterable[str]) -> str:
    return ", ".join(names) or "it has none"


def as_found(case: Case, saddle: Saddle, pad: Pad, arch_difference_deg: Mapping[str, float]) -> Setup:
    """Worn now; else the arch that fits best with the first insert of least thickness and no shims."""
    worn = case.today.worn or PartialSetup()
    return completed(worn, saddle, pad, best_arch(saddle, arch_difference_deg), thinnest_insert(pad))
