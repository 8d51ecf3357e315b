"""The whole decision: place, as found, gate, search, true model, confidence, verdict, plan."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from shimwright.optimize import options as opt
from shimwright.optimize.answer import ArchJudgement, Contact, Fit, Held, Placement, Rival, SecondOpinion
from shimwright.optimize.arch import judge_arch
from shimwright.optimize.as_found import as_found, completed, keeps, thinnest_insert
from shimwright.optimize.assess import assess, settle
from shimwright.optimize.bench import known_materials
from shimwright.optimize.case import Case
from shimwright.optimize.cautions import cautions, horse_load
from shimwright.optimize.confidence import Shaken, Shaking, shake
from shimwright.optimize.cost import arch_cost, wanted_arch_deg
from shimwright.optimize.findings import findings, stance_findings
from shimwright.optimize.gaps import flocking_mm
from shimwright.optimize.hands import hand_checks
from shimwright.optimize.layer_cautions import layer_cautions, sheets_under
from shimwright.optimize.limits import limits
from shimwright.optimize.loads import load_cases
from shimwright.optimize.materials import Material
from shimwright.optimize.pad import Pad
from shimwright.optimize.place import place
from shimwright.optimize.plan import recheck_on, recheck_weeks, take_out
from shimwright.optimize.saddle import Saddle
from shimwright.optimize.screen import OptionBed, Rules
from shimwright.optimize.search import Found, rules, runners_up, search
from shimwright.optimize.second_opinion import second_opinion
from shimwright.optimize.setup import Setup, Stack
from shimwright.optimize.shim_edges import SORE_LIMIT, edge_findings, left_empty
from shimwright.optimize.stances import Stance, StanceTold, stances
from shimwright.optimize.stock import stacks_in_stock, stock_of
from shimwright.optimize.tally import Candidate, Option, pick
from shimwright.optimize.trade_words import said
from shimwright.optimize.verdict import Judged, deciding_limit, gate, how_sure, judge, judge_chosen
from shimwright.optimize.windows import windows
from shimwright.scan.back import Back
from shimwright.scan.raw import FloatArray
from shimwright.scan.refusal import InputRefused

LOOKED_AT = 12  # picks held against the limits on the fine grid before giving up
RIVAL_CASES = ("saddle_only", "girthed", "mounted")


@dataclass(frozen=True)
class Job:
    """What stays the same throughout."""

    back: Back
    saddle: Saddle
    pad: Pad
    case: Case
    placement: Placement
    laws: Mapping[str, Material]
    stacks: tuple[Stack, ...]
    arches: Mapping[str | None, opt.ArchBench]
    judged: Mapping[str | None, ArchJudgement]
    found_setup: Setup
    stances: tuple[Stance, ...] = ()
    held: tuple[Mapping[str | None, opt.ArchBench], ...] = ()  # benches of every arch in each stance

    def on(self, setup: Setup, as_found: Contact | None, cases: tuple[str, ...] | None = None) -> Contact:
        """The set-up on the true model, 5 mm grid; the arch's cost and limit by itself, alike for all its stacks."""
        some = {} if cases is None else {"cases": cases}
        contact = assess(
            self.back,
            self.saddle,
            self.pad,
            self.case,
            self.placement,
            setup,
            as_found=as_found,
            **some,  # type: ignore[arg-type]
        )
        return self.with_arch_by_itself(replace(contact, cost=contact.cost + self.arch_cost(setup.arch)))

    def with_arch_by_itself(self, contact: Contact) -> Contact:
        """The contact with its arch held against the limit without shims: they tilt the saddle, not mend its arch."""
        off, broken = arch_off_deg(self, contact.setup.arch), [name for name in contact.refused_by if name != "arch"]
        if off is None or abs(off) <= limits().arch.hard_deg:
            return replace(contact, refused_by=tuple(broken))
        return replace(contact, refused_by=("arch", *broken), arch=self.judged[contact.setup.arch])

    def arch_cost(self, arch: str | None) -> float:
        return arch_cost(arch_off_deg(self, arch), wanted_arch_deg(self.case.aim.aim))


def fit(
    back: Back,
    saddle: Saddle,
    pad: Pad,
    case: Case,
    progress: Callable[[str], None],
    held: Sequence[StanceTold] = (),
) -> Fit:
    """The answer for one horse, saddle, pad and day. held: the same horse otherwise; one set-up must serve all.

    Raises InputRefused and WrongUse as placing, loads and contact say. Where nothing helps, that is the answer.
    """
    progress("placing the saddle")
    job = with_stances(prepared(back, saddle, pad, case), held)
    progress("as found")
    found = job.on(job.found_setup, None)
    first = gate(case, saddle)
    if first.verdict is not None and not case.anyway:
        return _answer(job, found, Judged(first.verdict, first.why))
    progress("searching")
    offered, rule = choices(job)
    free = [one for one in offered if case.fixed.arch in (None, one.arch) and case.fixed.insert in (None, one.insert)]
    empty: dict[str, Stack] = dict.fromkeys(
        left_empty(job.arches[job.found_setup.arch].first.underside.panels, pad, job.stacks, case.today.sore), ()
    )
    held_so_far = {**empty, **case.fixed.pockets}
    searched = search(free, pad, saddle, rule, job.found_setup, progress, held_so_far)
    searched = _with_cut(searched, job, len(free), held_so_far)
    best, contact = _held_against_the_true_model(job, found, searched)
    shaking = None
    if best is not None:
        progress("how sure")
        field = drawable(job, offered, rule, searched, best.setup)
        best, contact, shaking = _stay_with_what_works(job, found, best, contact, field)
    progress("judging")
    most = deciding_limit(searched.refused_by)
    verdict = judge(saddle, found, contact, dict(job.judged), most)
    held_so = in_stances(job, contact)
    if verdict.verdict == "padding will not mend this" and not case.anyway:
        tried = _rivals(job, found, searched, best, contact)
        answer = _answer(job, found, verdict)
        tries = _tries(job, found, None)
        return replace(answer, search=searched.report, runners_up=tried, tries=tries, stances=held_so)
    answer = _with_setup(job, found, searched, (best, contact), shaking, _gated(first.verdict, first.why, verdict))
    return replace(answer, stances=held_so, findings=(*answer.findings, *stance_findings(held_so)))


def _with_cut(searched: Found, job: Job, options: int, held: Mapping[str, Stack]) -> Found:
    """What the sore places cut, counted as the other limits are."""
    wide, narrow = (stock_of(job.pad, fixed).per_option(job.pad) for fixed in (job.case.fixed.pockets, held))
    cut = options * (wide - narrow)
    if not cut:
        return searched
    refused = {**searched.refused_by, SORE_LIMIT: cut}
    return replace(searched, setups=searched.setups + cut, refused_by=refused)


def fit_chosen(job: Job, found: Contact, setup: Setup) -> Fit:
    """The answer for a set-up that a person chose: judged like any other, not searched for, not re-run."""
    contact, first = job.on(setup, found), gate(job.case, job.saddle)
    verdict = _gated(first.verdict, first.why, judge_chosen(found, contact))
    held_so = in_stances(job, contact)
    answer, tries = _answer(job, found, verdict, contact), _tries(job, found, contact)
    return replace(
        answer,
        second_opinion=_second_opinion(job, contact, (), tries),
        tries=tries,
        stances=held_so,
        findings=(*answer.findings, *stance_findings(held_so)),
    )


def prepared(back: Back, saddle: Saddle, pad: Pad, case: Case) -> Job:
    """Everything up to the search: placement, a bench per arch, the arches judged, as found."""
    placement, laws = place(back, saddle), known_materials(saddle, pad)
    names: list[str | None] = [arch.name for arch in saddle.arches] or [None]
    arches = {name: opt.arch_bench(back, saddle, pad, placement, name, case.rider, laws) for name in names}
    judged, refusals = {}, []
    for name in names:
        try:
            judged[name] = _judged(arches[name], saddle, pad, case, laws)
        except InputRefused as refused:  # tips over without shims: judged as it first touches
            refusals.append((name, refused))
            judged[name] = judge_arch(arches[name].first, np.zeros(arches[name].first.ways.shape[1]))
    if len(refusals) == len(names):
        raise refusals[0][1]
    tipping = [name for name, _ in refusals]
    differences = {name: judged[name].at_larger_deg for name in names if name is not None and name not in tipping}
    found = as_found(case, saddle, pad, differences)
    return Job(back, saddle, pad, case, placement, laws, stacks_in_stock(pad), arches, judged, found)


def with_stances(job: Job, told: Sequence[StanceTold]) -> Job:
    """The job with the horse held otherwise too, the saddle as far behind the withers in every stance."""
    found = stances(told, job.back, job.saddle, job.placement)
    held = tuple(
        {
            name: opt.arch_bench(one.back, job.saddle, job.pad, job.placement, name, job.case.rider, job.laws)
            for name in job.arches
        }
        for one in found
    )
    return replace(job, stances=found, held=held)


def in_stances(job: Job, contact: Contact | None) -> tuple[Held, ...]:
    """As found and the choice, mounted, on the horse held otherwise."""

    def on(back: Back, setup: Setup, found: Contact | None) -> Contact:
        return assess(back, job.saddle, job.pad, job.case, job.placement, setup, cases=("mounted",), as_found=found)

    rows = []
    for stance in job.stances:
        found = on(stance.back, job.found_setup, None)
        chosen = on(stance.back, contact.setup, found) if contact is not None else None
        rows.append(Held(stance.name, stance.weight, found, chosen))
    return tuple(rows)


def _judged(arch: opt.ArchBench, saddle: Saddle, pad: Pad, case: Case, laws: Mapping[str, Material]) -> ArchJudgement:
    """The arch by itself, girthed, with the thinnest insert and no shims."""
    bare = Setup(arch.arch, thinnest_insert(pad), {pocket.name: () for pocket in pad.pockets})
    load = load_cases(saddle, arch.first.underside, case.rider, ("girthed",))["girthed"]
    state = settle(arch.first, pad, bare, load, laws)
    return judge_arch(state.bench, state.found.q)


def choices(job: Job) -> tuple[tuple[Option, ...], Rules]:
    """Every arch with every insert, and the rules with what as found sets."""
    inserts: list[str | None] = [insert.name for insert in job.pad.inserts] or [None]
    made: dict[tuple[str | None, str | None], Option] = {}
    for name, arch in job.arches.items():
        thickness = opt.thickness_table(arch.bench, job.pad, job.stacks)
        for insert in inserts:
            bed = opt.with_clearance(opened(job, arch, insert, thickness), arch.bench)
            one = opt.option(arch, job.pad, insert, bed, arch_off_deg(job, name))
            others = tuple(
                (opened(job, held[name], insert, thickness), stance.weight)
                for held, stance in zip(job.held, job.stances, strict=True)
            )
            made[name, insert] = replace(one, arch_cost=job.arch_cost(name), stances=others)
    peak, sore = _found_on_the_search_model(job)
    if job.case.today.sore:
        made = {key: _with_sore(job, one, sore) for key, one in made.items()}
    return tuple(made.values()), rules(peak, job.saddle)


def opened(job: Job, arch: opt.ArchBench, insert: str | None, thickness: FloatArray) -> OptionBed:
    """The bed of one arch and insert, with the room that is wanted in the middle."""
    bed = opt.option_bed(arch, job.saddle, job.pad, insert, thickness, job.laws)
    return opt.with_room(bed, arch.bench, job.case.aim.middle_room_mm)


def arch_off_deg(job: Job, name: str | None) -> float | None:
    """Leg less back at the larger shoulder; None for a soft arch or where not known."""
    judged = job.judged[name]
    known = judged.words not in ("soft", "not known") and np.isfinite(judged.at_larger_deg)
    return judged.at_larger_deg if known else None


def _found_on_the_search_model(job: Job) -> tuple[float, FloatArray]:
    """Peak as found and means at the sore places, kPa, on the grid of the search."""
    setup = job.found_setup
    bench = job.arches[setup.arch].bench
    load = load_cases(job.saddle, bench.underside, job.case.rider, ("mounted",))["mounted"]
    state = settle(job.arches[setup.arch].first, job.pad, setup, load, job.laws)
    shares = opt.place_shares(bench, job.case.today.sore)
    cells = windows(bench.underside)
    means = cells.means @ state.found.pressure_kpa
    peak = float(means.max()) if means.size else float(state.found.pressure_kpa.max())
    return peak, shares @ state.found.pressure_kpa


def _with_sore(job: Job, option: Option, found_kpa: FloatArray) -> Option:
    line = limits().pressure
    shares = opt.place_shares(job.arches[option.arch].bench, job.case.today.sore)
    allowed = line.sore_over_as_found * found_kpa + line.sore_tolerance_kpa
    return replace(option, bed=opt.with_sore(option.bed, shares, allowed))


def _held_against_the_true_model(job: Job, found: Contact, searched: Found) -> tuple[Candidate | None, Contact | None]:
    """The first pick that keeps the hard limits on the fine grid too."""
    left = list(searched.candidates)
    for _ in range(LOOKED_AT):
        best = pick(left, job.pad, job.found_setup)
        if best is None:
            return None, None
        contact = job.on(best.setup, found)
        if not contact.refused_by:
            return best, contact
        left.remove(best)
    return None, None


@dataclass(frozen=True)
class Drawable:
    """The leading set-ups and what their options need to be drawn."""

    leading: tuple[Setup, ...]
    options: Mapping[tuple[str | None, str | None], Shaken]
    rule: Rules

    def shake(self, job: Job, choice: Setup) -> Shaking:
        return shake(self.leading, choice, job.found_setup, self.options, job.stacks, job.pad, self.rule)


def drawable(job: Job, offered: tuple[Option, ...], rule: Rules, searched: Found, best: Setup) -> Drawable:
    """The leading set-ups, the pick and as found, with every option that they use."""
    leading = tuple(c.setup for c in searched.candidates[: limits().search.leading])
    needed = {(s.arch, s.insert) for s in (*leading, best, job.found_setup)}
    some = [one for one in offered if (one.arch, one.insert) in needed]
    square = _shaken(job, job.back, job.arches, [(one.arch, one.insert, one.bed) for one in some])
    others = [
        _shaken(job, stance.back, held, [(one.arch, one.insert, one.stances[k][0]) for one in some])
        for k, (stance, held) in enumerate(zip(job.stances, job.held, strict=True))
    ]
    ready = {
        (one.arch, one.insert): replace(
            square[one.arch, one.insert],
            arch_cost=one.arch_cost,
            stances=tuple(
                (other[one.arch, one.insert], stance.weight) for other, stance in zip(others, job.stances, strict=True)
            ),
        )
        for one in some
    }
    return Drawable(leading, ready, rule)


def _shaken(
    job: Job,
    back: Back,
    arches: Mapping[str | None, opt.ArchBench],
    some: Sequence[tuple[str | None, str | None, OptionBed]],
) -> Mapping[tuple[str | None, str | None], Shaken]:
    """What draws need of arches and inserts on one stance's back."""
    lifts = {
        name: opt.moved_lifts(back, job.pad, job.placement, arches[name])
        + opt.middle_raised(arches[name].bench, job.case.aim.middle_room_mm)
        for name in {arch for arch, _, _ in some}
    }
    return {
        (arch, insert): opt.shaken(back, job.pad, lifts[arch], arches[arch], bed, insert, job.case.rider)
        for arch, insert, bed in some
    }


def _stay_with_what_works(
    job: Job, found: Contact, best: Candidate, contact: Contact | None, field: Drawable
) -> tuple[Candidate, Contact | None, Shaking]:
    """What is on now stays unless the pick is better by more than the error, and within limits itself."""
    shaking, surely = field.shake(job, best.setup), limits().confidence.told_apart_share
    if best.setup == job.found_setup or not keeps(job.found_setup, job.case.fixed):
        return best, contact, shaking
    if not shaking.better_than_found < surely:
        return best, contact, shaking
    stays = job.on(job.found_setup, found)
    if stays.refused_by:
        return best, contact, shaking
    return replace(best, setup=job.found_setup, cost=stays.cost), stays, field.shake(job, job.found_setup)


def _gated(first: str | None, why: str, verdict: Judged) -> Judged:
    """With --anyway the gate keeps the verdict and heads the sentence."""
    return verdict if first is None else Judged(first, f"{why} Asked for anyway: {verdict.sentence}")


def _with_setup(
    job: Job,
    found: Contact,
    searched: Found,
    chosen: tuple[Candidate | None, Contact | None],
    shaking: Shaking | None,
    verdict: Judged,
) -> Fit:
    best, contact = chosen
    fitted = _answer(job, found, verdict, contact, searched.exact)
    confidence = shaking.confidence if shaking is not None else None
    rivals = _rivals(job, found, searched, best, contact)
    level, tries = _level(job, searched, contact), _tries(job, found, contact)
    return replace(
        fitted,
        second_opinion=_second_opinion(job, contact, rivals, tries) if contact is not None else None,
        sentence=fitted.sentence + how_sure(confidence),
        level_setup=level,
        level_contact=job.on(level, found, RIVAL_CASES) if level is not None else None,
        tries=tries,
        runners_up=rivals,
        search=searched.report,
        confidence=confidence,
    )


def _answer(job: Job, found: Contact, verdict: Judged, contact: Contact | None = None, exact: bool = True) -> Fit:
    """Everything that needs no search. Without a set-up the hands feel what is on now."""
    setup = contact.setup if contact is not None else None
    shown = contact if contact is not None else found
    weeks = recheck_weeks(job.case, setup)
    arch = shown.arch or job.judged[shown.setup.arch]
    panels = job.arches[shown.setup.arch].first.underside.panels
    style = job.saddle.style
    return Fit(
        back=job.back, saddle=job.saddle, pad=job.pad, case=job.case, placement=job.placement,
        verdict=verdict.verdict, sentence=said(verdict.sentence, style), setup=setup, level_setup=None, as_found=found,
        with_setup=contact, arch=arch, second_opinion=None, tries=(), runners_up=(), search=None, confidence=None,
        flocking_mm=_flocking(job, shown.setup.arch),
        findings=tuple(
            replace(one, words=said(one.words, style), helps=said(one.helps, style))
            for one in (
                *findings(job.back, job.saddle, job.case, found, contact, found.arch or arch),
                *edge_findings(job.back, panels, job.pad, shown.setup, job.placement),
            )
        ),
        hand_checks=hand_checks(job.back, job.saddle, shown),
        take_out=take_out(job.case, job.pad, setup),
        cautions=tuple(said(one, style) for one in (
            *layer_cautions(shown, job.laws, sheets_under(job.saddle, job.pad, shown.setup)),
            *cautions(job.back, job.saddle, job.pad, job.case, setup, found.setup, exact),
        )),
        recheck_weeks=weeks, recheck_on=recheck_on(job.case, weeks),
        horse_load=horse_load(job.case, job.saddle),
    )  # fmt: skip


def _flocking(job: Job, arch: str | None) -> Mapping[str, float]:
    """Wool can be re-flocked; other fillings cannot, so nothing is said of them."""
    if job.saddle.filling is None or "wool" not in job.saddle.filling.material:
        return {}
    return flocking_mm(job.arches[arch].bench)


def _second_opinion(job: Job, contact: Contact, rivals: Sequence[Rival], tries: Sequence[Rival] = ()) -> SecondOpinion:
    """The choice on coupled layers; beside it as found, every rival and every idea of the fitter's own."""
    others = {"as found": job.found_setup}
    others |= {f"rival {n}": one.setup for n, one in enumerate(rivals, 1)}
    others |= {f"your idea {n}": one.setup for n, one in enumerate(tries, 1)}
    beside = {name: (job.arches[setup.arch].first, setup) for name, setup in others.items()}
    return second_opinion(job.arches[contact.setup.arch].first, job.pad, contact.setup, job.case, beside)


def _level(job: Job, searched: Found, contact: Contact | None) -> Setup | None:
    """The most level set-up, where it is more level than the pick by more than the error."""
    if contact is None or searched.level is None or searched.level.setup == contact.setup:
        return None
    mounted = contact.cases["mounted"]
    tilt = float(np.hypot(np.nan_to_num(mounted.pitch_deg), np.nan_to_num(mounted.roll_deg)))
    error = float(np.hypot(limits().pose.error_deg, job.back.frame.pitch_sd_deg))
    return searched.level.setup if tilt - searched.level.tilt_deg > error else None


def _tries(job: Job, found: Contact, contact: Contact | None) -> tuple[Rival, ...]:
    """The fitter's own ideas beside the best."""
    made = []
    for part in job.case.tries:
        setup = completed(part, job.saddle, job.pad, job.found_setup.arch, job.found_setup.insert)
        tried = job.on(setup, found)
        made.append(Rival(setup, tried, _beside(tried, contact or found, "the best" if contact else "as found")))
    return tuple(made)


def _beside(tried: Contact, other: Contact, name: str) -> str:
    if tried.refused_by:
        return f"your idea: breaks a limit ({', '.join(tried.refused_by)})"
    if tried.setup == other.setup:
        return f"your idea: the same as {name}"
    mine, theirs = tried.cases["mounted"], other.cases["mounted"]
    carries = (
        f"{100 * (1 - mine.bridged_share):.0f} % of the panel carries, {100 * (1 - theirs.bridged_share):.0f} % with"
    )
    return f"your idea: {carries} {name}"


def _rivals(
    job: Job, found: Contact, searched: Found, best: Candidate | None, contact: Contact | None
) -> tuple[Rival, ...]:
    """The best of other kinds; without a set-up, the best that padding can do."""
    if best is None or contact is None:
        return ()
    rivals = [Rival(c.setup, job.on(c.setup, found, RIVAL_CASES), _differs(c.setup, contact.setup))
              for c in runners_up(searched, best.setup, job.pad, limits().search.runners_up)]  # fmt: skip
    return tuple(rivals)


def _differs(setup: Setup, other: Setup) -> str:
    """What makes it another kind."""
    parts = []
    if setup.arch != other.arch:
        parts.append(f"arch {setup.arch}")
    if setup.insert != other.insert:
        parts.append(f"insert {setup.insert}")
    added = [name for name, stack in setup.stacks.items() if stack and not other.stacks.get(name)]
    dropped = [name for name, stack in setup.stacks.items() if not stack and other.stacks.get(name)]
    if added:
        parts.append("with " + ", ".join(name.replace("_", " ") for name in added))
    if dropped:
        parts.append("without " + ", ".join(name.replace("_", " ") for name in dropped))
    return "; ".join(parts) or "other heights"
