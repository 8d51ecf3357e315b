"""The set-up being tried: what was tried before it, and what the fitter has settled. Changed by copy only."""

from __future__ import annotations

from dataclasses import dataclass, replace

from shimwright.optimize.case import PartialSetup
from shimwright.optimize.pad import Pad
from shimwright.optimize.setup import Setup
from shimwright.scan.refusal import WrongUse

UNDO = 100
ARCH, INSERT, POCKET = "arch", "insert", "pocket:"


@dataclass(frozen=True)
class Trial:
    """before: oldest first. fixed: "arch", "insert", "pocket:NAME": what the search leaves as it is."""

    setup: Setup
    before: tuple[Setup, ...] = ()
    fixed: frozenset[str] = frozenset()

    def put(self, setup: Setup) -> Trial:
        return replace(self, setup=setup, before=(*self.before, self.setup)[-UNDO:])

    def undone(self) -> Trial:
        """The one before; the same where there is none."""
        return replace(self, setup=self.before[-1], before=self.before[:-1]) if self.before else self

    def settled(self, what: str, on: bool, pad: Pad) -> Trial:
        """One thing kept, or free again. Raises WrongUse for what a set-up does not have."""
        if what not in (ARCH, INSERT, *(POCKET + pocket.name for pocket in pad.pockets)):
            raise WrongUse(f"{what[:40]!r} is nothing that can be kept: load the page again")
        return replace(self, fixed=self.fixed | {what} if on else self.fixed - {what})

    def part(self) -> PartialSetup:
        """What is settled, as the search takes it."""
        held = {name: stack for name, stack in self.setup.stacks.items() if POCKET + name in self.fixed}
        arch = self.setup.arch if ARCH in self.fixed else None
        return PartialSetup(arch, self.setup.insert if INSERT in self.fixed else None, held)
