"""One horse, saddle and pad laid out for trying set-ups: at once on a coarse grid, then on the grid of `fit`."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from shimwright.case_file import CaseFile
from shimwright.export.results import whole_results
from shimwright.fit import back_of, fit_case, stances_of, write_fit
from shimwright.optimize.answer import Contact, Fit
from shimwright.optimize.as_found import completed
from shimwright.optimize.assess import assess_on
from shimwright.optimize.bench import Bench, moved, prepare
from shimwright.optimize.case import PartialSetup
from shimwright.optimize.fit import Job, fit_chosen, prepared, with_stances
from shimwright.optimize.setup import Layer, Setup
from shimwright.optimize.underside import spacing_for_mm
from shimwright.optimize.verdict import Gate, gate
from shimwright.progress import Say
from shimwright.scan.back import Back
from shimwright.scan.raw import FloatArray
from shimwright.scan.refusal import WrongUse

LIVE_NODES = 2000  # of both panels: a solve stays under a twentieth of a second
PRESSED_CASES = ("girthed", "mounted")
SHOWN = "mounted"
AFTER_THE_SEARCH = ("how sure", "judging")  # as `fit` says them
PANEL_SHOWN_MM = 25.0  # thickness of a panel for the eye, where its filling is thinner


@dataclass(frozen=True)
class LiveBench:
    """The coarse grid under one arch. feet_mm (n, 3): where each node meets the bare back, NaN unseen.

    alone: the saddle without pad, which no set-up changes.
    """

    bench: Bench
    feet_mm: FloatArray
    alone: Contact


@dataclass
class Fitting:
    """What stays the same while set-ups are tried. found: as found on the grid of `fit`; live_found: on the coarse."""

    case: CaseFile
    job: Job
    found: Contact
    gate: Gate
    live_found: Contact | None = None
    _benches: dict[str | None, LiveBench] = field(default_factory=dict)

    @property
    def back(self) -> Back:
        return self.job.back

    def bench(self, arch: str | None) -> LiveBench:
        """Made when first asked for. Refusals as `prepare` says."""
        if arch not in self._benches:
            self._benches[arch] = _live_bench(self.job, arch)
        return self._benches[arch]

    def live(self, setup: Setup) -> Contact:
        """The set-up on the coarse grid: saddle alone, girthed, mounted."""
        under = self.bench(setup.arch)
        contact = assess_on(
            under.bench, self.job.pad, self.job.case, setup, PRESSED_CASES, self.live_found, self.job.laws
        )
        return replace(contact, cases={**under.alone.cases, **contact.cases})

    def settled(self, setup: Setup) -> Contact:
        """The set-up as `fit` judges it: 5 mm grid, every case."""
        return self.found if setup == self.found.setup else self.job.on(setup, self.found)

    def panels_mm(self, contact: Contact) -> FloatArray:
        """(n, 3) the panels where the loaded saddle holds them, their upper side for the eye: back frame."""
        bench, pose = self.bench(contact.setup.arch).bench, contact.cases[SHOWN].pose
        filling = self.job.saddle.filling
        depth = max(filling.depth_mm if filling is not None else 0.0, PANEL_SHOWN_MM)
        at_rest = np.zeros(bench.ways.shape[1])
        points, normals = moved(
            bench, bench.underside.points, bench.underside.normals, at_rest if pose is None else pose
        )
        return points - depth * normals

    def arch_mm(self, contact: Contact) -> FloatArray:
        """(2, k, 3) the arch's inside, front edge and rear edge of its legs, one leg up and the other down; empty
        without an arch. Back frame, as the loaded saddle holds it.
        """
        bench, pose = self.bench(contact.setup.arch).bench, contact.cases[SHOWN].pose
        panels = bench.underside.panels
        left, right = panels.leg_profile(1), panels.leg_profile(-1)
        if panels.reference is None or pose is None:
            return np.zeros((2, 0, 3))
        bow = np.concatenate([right[::-1], left])
        edges = [np.column_stack([np.full(len(bow), x), bow]) for x in (0.0, -self.job.saddle.arch_length_mm)]
        return np.stack([moved(bench, edge, np.tile([0.0, 0.0, -1.0], (len(edge), 1)), pose)[0] for edge in edges])


def laid_out(case: CaseFile, back: Back, say: Say) -> Fitting:
    """Placed, every arch judged, as found solved. Refusals as `fit` says."""
    say("placing the saddle")
    job = prepared(back, case.saddle, case.pad, case.case)
    say("as found")
    fitting = Fitting(case, job, job.on(job.found_setup, None), gate(case.case, case.saddle))
    fitting.live_found = fitting.live(job.found_setup)
    return fitting


def _live_bench(job: Job, arch: str | None) -> LiveBench:
    spacing = spacing_for_mm(job.saddle, LIVE_NODES)
    bench = prepare(job.back, job.saddle, job.pad, job.placement, arch, spacing)
    bare = Setup(bench.arch, None, {})
    alone = assess_on(bench, job.pad, job.case, bare, ("saddle_only",), None, job.laws)
    seen = bench.area_mm2 > 0
    feet = bench.points_mm - bench.underside.normals * bench.lift_mm[:, None]  # at first touch: lift = −bare gap
    return LiveBench(bench, np.where(seen[:, None], feet, np.nan), alone)


def measured(case: CaseFile, say: Say) -> Back:
    """The back of the case's scan, for a worker."""
    return back_of(case, say)


def best(case: CaseFile, back: Back, fixed: PartialSetup, say: Say) -> Fit:
    """The whole answer with what is settled kept, for a worker. Interrupted while searching: the best so far."""

    def said(text: str) -> None:
        try:
            say(text)
        except KeyboardInterrupt:
            if text not in AFTER_THE_SEARCH:  # then the answer is nearly there
                raise

    return fit_case(replace(case, case=replace(case.case, fixed=fixed)), back, said)


def sheets(fitting: tuple[CaseFile, Job, Contact], chosen: Fit | Setup, folder: str, workshop: str, say: Say) -> str:
    """The files of `fit` in its own folder, for a worker. chosen: a whole answer, or a set-up to be answered for."""
    case, job, found = fitting
    if isinstance(chosen, Setup) and gate(job.case, job.saddle).verdict is not None and not job.case.anyway:
        chosen = fit_case(case, job.back, say)  # something else comes first: the answer is that, without a set-up
    if isinstance(chosen, Setup):
        say("judging the set-up")
        chosen = fit_chosen(with_stances(job, stances_of(case, say)), found, chosen)
    say("writing")
    with whole_results(Path(folder)) as results:
        write_fit(chosen, case, results, workshop)
    return chosen.verdict


def setup_from(told: Mapping[str, object], job: Job) -> Setup:
    """The set-up that a page names: arch, insert, pockets {name: [[shim, mm], …]}. Raises WrongUse."""
    pockets = told.get("pockets")
    if not isinstance(pockets, dict):
        raise WrongUse("a set-up without its pockets came from the page: load the page again")
    stock = {(shim.name, t) for shim in job.pad.shims for t in shim.thicknesses_mm}
    stacks = {}
    for name, layers in pockets.items():
        stack, worn = tuple(Layer(str(shim), float(mm)) for shim, mm in layers), job.found_setup.stacks.get(name)
        if stack != worn and any((layer.shim, layer.thickness_mm) not in stock for layer in stack):
            raise WrongUse(f"pocket {name}: a layer that is not in the pad's stock came from the page: load it again")
        stacks[str(name)] = stack
    arch, insert = told.get("arch"), told.get("insert")
    part = PartialSetup(None if arch is None else str(arch), None if insert is None else str(insert), stacks)
    return completed(part, job.saddle, job.pad, job.found_setup.arch, job.found_setup.insert)
