"""fit.json: the whole answer as data (DESIGN §10, §13). Keys are stable: add, do not rename."""

from collections.abc import Mapping

from shimwright.export.plain_json import MADE_BY, figures, number, plain
from shimwright.export.setup_json import setup_to_json
from shimwright.optimize.answer import (
    ArchJudgement,
    CaseResult,
    Contact,
    Finding,
    Fit,
    HandCheck,
    Held,
    Placement,
    Rival,
    SecondOpinion,
    Zone,
)

SCHEMA = "shimwright/fit/1"


def fit_to_json(fit: Fit, inputs: Mapping[str, object] | None = None) -> dict[str, object]:
    """The document. inputs: files with their hashes and what was told. NaN and what is not known become null."""
    return {
        "schema": SCHEMA,
        "made_by": MADE_BY,
        "inputs": plain(inputs or {}, 4),
        "verdict": fit.verdict,
        "sentence": fit.sentence,
        "setup": setup_to_json(fit.setup),
        "level_setup": setup_to_json(fit.level_setup),
        "as_found_setup": setup_to_json(fit.as_found.setup),
        "level_reference": "gravity" if fit.back.frame.gravity else "mirror plane and line withers–croup",
        "placement": _placement(fit.placement),
        "arch": _arch(fit.arch),
        "cases": _cases(fit),
        "second_opinion": _second_opinion(fit.second_opinion),
        "stances": [_held(held) for held in fit.stances],
        "tries": [_rival(rival) for rival in fit.tries],
        "runners_up": [_rival(rival) for rival in fit.runners_up],
        "search": _search(fit),
        "confidence": _confidence(fit),
        "flocking_mm": plain(fit.flocking_mm, 1),
        "findings": [_finding(finding) for finding in fit.findings],
        "hand_checks": [_hand_check(check) for check in fit.hand_checks],
        "take_out": [{"weeks": step.weeks, "what": step.what} for step in fit.take_out],
        "cautions": list(fit.cautions),
        "recheck_on": fit.recheck_on,
        "recheck_weeks": fit.recheck_weeks,
        "horse_load": plain(fit.horse_load, 4),
    }


def _held(held: Held) -> dict[str, object]:
    return {
        "name": held.name,
        "weight": number(held.weight, 4),
        "as_found": _of(held.as_found, "mounted"),
        "with_setup": _of(held.with_setup, "mounted"),
        "beyond": list(held.with_setup.refused_by) if held.with_setup is not None else [],
    }


def _placement(placement: Placement) -> dict[str, object]:
    return {
        "front_x_mm": number(placement.front_x_mm),
        "origin_mm": plain(placement.origin_mm),
        "source": placement.source,
        "sd_mm": number(placement.sd_mm),
    }


def _arch(arch: ArchJudgement) -> dict[str, object]:
    return {
        "arch": arch.arch,
        "difference_left_deg": number(arch.difference_deg[0]),
        "difference_right_deg": number(arch.difference_deg[1]),
        "width_difference_left_mm": number(arch.width_difference_mm[0]),
        "width_difference_right_mm": number(arch.width_difference_mm[1]),
        "larger_shoulder": arch.larger,
        "words": arch.words,
    }


def _cases(fit: Fit) -> dict[str, object]:
    """Every case of either set-up, in the order solved; null where a set-up was not solved for it."""
    names = dict.fromkeys([*fit.as_found.cases, *(fit.with_setup.cases if fit.with_setup is not None else ())])
    return {name: {"as_found": _of(fit.as_found, name), "with_setup": _of(fit.with_setup, name)} for name in names}


def _of(contact: Contact | None, name: str) -> dict[str, object] | None:
    return _case(contact.cases[name]) if contact is not None and name in contact.cases else None


def _case(case: CaseResult) -> dict[str, object]:
    return {
        "pitch_deg": number(case.pitch_deg, 3),
        "roll_deg": number(case.roll_deg, 3),
        "vertical_n": number(case.vertical_n, 2),
        "side_n": number(case.side_n, 2),
        "left_share": number(case.left_share, 4),
        "bridged_share": number(case.bridged_share, 4),
        "contact_area_cm2": number(case.contact_area_cm2, 1),
        "mean_kpa": number(case.mean_kpa, 3),
        "peak_kpa": number(case.peak_kpa, 3),
        "unevenness": number(case.unevenness, 4),
        "zones": {name: _zone(zone) for name, zone in case.zones.items()},
        "arch_edge": _zone(case.arch_edge) if case.arch_edge is not None else None,
        "clearance_mm": plain(case.clearance_mm, 1),
        "strain": plain(case.strain, 4),
        "proof": {
            "force_n": figures(case.proof.force_n),
            "moment_nmm": figures(case.proof.moment_nmm),
            "complementarity": figures(case.proof.complementarity),
        },
        "notes": list(case.notes),
    }


def _zone(zone: Zone) -> dict[str, object]:
    return {
        "mean_kpa": number(zone.mean_kpa, 3),
        "peak_kpa": number(zone.peak_kpa, 3),
        "mean_gap_mm": number(zone.mean_gap_mm, 2),
    }


def _second_opinion(second: SecondOpinion | None) -> dict[str, object] | None:
    if second is None:
        return None
    return {
        "peak_kpa": number(second.peak_kpa),
        "mean_kpa": number(second.mean_kpa),
        "peak_nu030_kpa": number(second.peak_nu030_kpa),
        "peak_springs_kpa": number(second.peak_springs_kpa),
        "difference": number(second.difference, 3),
        "rivals_peak_kpa": plain(second.rivals),
        "rivals_peak_springs_kpa": plain(second.rivals_springs),
        "ordered_otherwise": list(second.unsure),
    }


def _rival(rival: Rival) -> dict[str, object]:
    return {
        "setup": setup_to_json(rival.setup),
        "why": rival.why,
        "cost": number(rival.contact.cost, 4),
        "refused_by": list(rival.contact.refused_by),
        "cases": {name: _case(case) for name, case in rival.contact.cases.items()},
    }


def _search(fit: Fit) -> dict[str, object] | None:
    """No seconds here: the same case gives the same bytes."""
    search = fit.search
    if search is None:
        return None
    return {
        "setups": int(search.setups),
        "feasible": int(search.feasible),
        "refused_by": {name: int(count) for name, count in search.refused_by.items()},
        "excluded_by_bounds": int(search.excluded),
        "solved": int(search.solved),
        "cost": number(search.cost, 4),
        "exact": bool(search.exact),
    }


def _confidence(fit: Fit) -> dict[str, object] | None:
    confidence = fit.confidence
    if confidence is None:
        return None
    return {
        "share": number(confidence.share, 3),
        "draws": int(confidence.draws),
        "told_apart": bool(confidence.told_apart),
        "sensitive_to": confidence.sensitive_to,
    }


def _finding(finding: Finding) -> dict[str, object]:
    return {
        "code": finding.code,
        "place": finding.place,
        "side": finding.side,
        "value": number(finding.value),
        "unit": finding.unit,
        "sd": number(finding.sd),
        "words": finding.words,
        "helps": finding.helps,
    }


def _hand_check(check: HandCheck) -> dict[str, object]:
    return {
        "place": check.place,
        "side": check.side,
        "state": check.state,
        "feel": check.feel,
        "gap_mm": number(check.gap_mm, 1),
        "sd_mm": number(check.sd_mm, 1),
    }
