"""Answers of every kind for the tests of the sheets, made from the hand-made one."""

from dataclasses import replace

import numpy as np
from fit_fixture import example_fit

from shimwright.optimize.answer import CaseResult, Contact, Fit, Zone
from shimwright.optimize.cautions import standing_cautions
from shimwright.optimize.pad import Pocket
from shimwright.optimize.setup import Layer, Setup

NAN = float("nan")


def whole() -> Fit:
    """Six pockets, everything told and seen, every caution that a sheet must carry."""
    return replace(example_fit(), cautions=(*example_fit().cautions, *standing_cautions()))


def in_inches() -> Fit:
    fit = whole()
    return replace(fit, case=replace(fit.case, print_units="in"))


def long_names() -> Fit:
    fit = whole()
    horse = replace(fit.case.horse, name="Ślepowron Wielki Żółtobrzuch of the Long Meadow")
    saddle = replace(fit.saddle, name="The old cross-country saddle with the mended left panel")
    return replace(fit, saddle=saddle, case=replace(fit.case, horse=horse, prepared_by="A & B <saddlers>"))


def vet_first() -> Fit:
    """No set-up at all."""
    return replace(
        whole(),
        verdict="vet first",
        sentence="Vet first: told sore at middle left.",
        setup=None,
        with_setup=None,
        level_setup=None,
        confidence=None,
        second_opinion=None,
        search=None,
        tries=(),
        runners_up=(),
        take_out=(),
        flocking_mm={},
    )


def anyway() -> Fit:
    return replace(whole(), verdict="vet first", sentence="Vet first: told sore at middle left.")


def stays_as_it_is() -> Fit:
    fit = whole()
    return replace(fit, setup=fit.as_found.setup, with_setup=fit.as_found, verdict="no shim needed", level_setup=None)


def no_pockets() -> Fit:
    fit = whole()
    bare, found = Setup("medium", "felt 6", {}), Setup("wide", "felt 6", {})
    assert fit.with_setup is not None
    return replace(
        fit,
        pad=replace(fit.pad, pockets=()),
        setup=bare,
        with_setup=replace(fit.with_setup, setup=bare),
        as_found=replace(fit.as_found, setup=found),
        level_setup=None,
        tries=(),
        runners_up=(),
    )


def no_arch() -> Fit:
    fit = whole()
    assert fit.setup is not None
    assert fit.with_setup is not None
    setup = replace(fit.setup, arch=None, insert=None)
    judged = replace(fit.arch, arch=None, words="not known", difference_deg=(NAN, NAN), width_difference_mm=(NAN, NAN))
    return replace(
        fit,
        saddle=replace(fit.saddle, arches=(), reference_arch=None),
        setup=setup,
        with_setup=replace(fit.with_setup, setup=setup),
        arch=judged,
    )


def eight_pockets() -> Fit:
    fit = whole()
    assert fit.with_setup is not None
    pockets, stacks = [], {}
    for row in range(4):
        for side, sign in (("left", 1.0), ("right", -1.0)):
            front = -10.0 - 100.0 * row
            ring = [[front - 92.0, 40.0], [front, 40.0], [front, 130.0], [front - 92.0, 130.0]]
            outline = np.array(ring if sign > 0 else ring[::-1]) * np.array([1.0, sign])
            pockets.append(Pocket(f"row_{row + 1}_{side}", side, outline))
            stacks[f"row_{row + 1}_{side}"] = (Layer("felt", 6.2),) if row == 1 else ()
    setup = Setup("medium", "felt 6", stacks)
    return replace(
        fit,
        pad=replace(fit.pad, pockets=tuple(pockets)),
        setup=setup,
        with_setup=replace(fit.with_setup, setup=setup),
        as_found=replace(fit.as_found, setup=Setup("medium", "felt 6", dict.fromkeys(stacks, ()))),
        level_setup=None,
        tries=(),
        runners_up=(),
    )


def little_known() -> Fit:
    """Left rear not seen, pose and clearances not known, nothing told."""
    fit = whole()
    assert fit.with_setup is not None
    marks = tuple(mark for mark in fit.back.landmarks if "rib" not in mark.name and mark.name != "croup")
    build = replace(
        fit.back.build, uphill_deg=NAN, dip_mm=NAN, dip_x_mm=NAN, hollow_mm=(NAN, NAN), usable_mm=(NAN, NAN), words=()
    )
    today = replace(fit.case.today, date=None, stood_square=None, lame=None, saddle_moves=None)
    case = replace(
        fit.case,
        today=today,
        place=None,
        prepared_by=None,
        horse=replace(fit.case.horse, name=None, height_mm=None, weight_kg=None, age_years=None, work=None),
        rider=replace(fit.case.rider, weight_told=False),
    )
    return replace(
        fit,
        back=replace(fit.back, landmarks=marks, build=build, source=replace(fit.back.source, horse=None, date=None)),
        case=case,
        as_found=_half_seen(fit.as_found),
        with_setup=_half_seen(fit.with_setup),
        confidence=None,
        second_opinion=None,
        search=None,
        recheck_on=None,
        horse_load={"rider_share": NAN, "rider_and_tack_share": NAN},
    )


def _half_seen(contact: Contact) -> Contact:
    unseen = (contact.side > 0) & (contact.along > 0.67)
    return replace(contact, cases={name: _blind(result, unseen) for name, result in contact.cases.items()})


def _blind(result: CaseResult, unseen: np.ndarray) -> CaseResult:
    return replace(
        result,
        pressure_kpa=np.where(unseen, np.nan, result.pressure_kpa),
        gap_mm=np.where(unseen, np.nan, result.gap_mm),
        zones={**result.zones, "rear_left": Zone(NAN, NAN, NAN)},
        pitch_deg=NAN,
        roll_deg=NAN,
        clearance_mm={},
    )


VARIANTS = {
    variant.__name__: variant
    for variant in (
        whole,
        in_inches,
        long_names,
        vet_first,
        anyway,
        stays_as_it_is,
        no_pockets,
        no_arch,
        eight_pockets,
        little_known,
    )
}
