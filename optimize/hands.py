"""What a flat hand should feel, place by place: predictions that the fitter ticks (PRACTICE §6)."""

import numpy as np
from numpy.typing import NDArray

from shimwright.optimize.answer import CaseResult, Contact, HandCheck
from shimwright.optimize.limits import limits
from shimwright.optimize.saddle import Saddle
from shimwright.scan.back import Back

STATES = (("saddle only", "saddle_only"), ("with set-up", "girthed"), ("mounted", "mounted"))
PLACES = ("under the points", "front", "middle", "rear")


def hand_checks(back: Back, saddle: Saddle, contact: Contact) -> tuple[HandCheck, ...]:
    """All places of the saddle alone, then with the set-up, then mounted: same order, both sides, the channel last."""
    checks: list[HandCheck] = []
    for state, case in STATES:
        if case not in contact.cases:
            continue
        result = contact.cases[case]
        for place in PLACES:
            for side, sign in (("left", 1.0), ("right", -1.0)):
                nodes = _nodes(contact, saddle, place) & (contact.side == sign)
                if (nodes & np.isfinite(result.pressure_kpa)).any():
                    checks.append(_check(back, contact, result, nodes, (place, side, state)))
        if np.isfinite(result.clearance_mm.get("channel", float("nan"))):
            checks.append(_channel(result, state))
    return tuple(checks)


def _nodes(contact: Contact, saddle: Saddle, place: str) -> NDArray[np.bool_]:
    points = contact.along * saddle.length_mm <= saddle.arch_length_mm
    if place == "under the points":
        return np.asarray(points)
    third = PLACES.index(place) - 1
    return np.asarray(np.minimum((3 * contact.along).astype(int), 2) == third)


def feel(pressure_share: float, open_share: float) -> str:
    """firm, even, light or daylight, from the place's pressure over the panel's mean and its share of daylight."""
    line = limits().hands
    if open_share >= line.open_share:
        return "daylight"
    if pressure_share < line.light_under_mean:
        return "light"
    return "firm" if pressure_share > line.firm_over_mean else "even"


def _check(
    back: Back, contact: Contact, result: CaseResult, nodes: NDArray[np.bool_], where: tuple[str, str, str]
) -> HandCheck:
    place, side, state = where
    seen = nodes & np.isfinite(result.pressure_kpa)
    area = contact.area_mm2
    known = np.isfinite(result.pressure_kpa)
    whole = float(np.average(result.pressure_kpa[known], weights=area[known]))
    here = float(np.average(result.pressure_kpa[seen], weights=area[seen]))
    gap = np.maximum(result.gap_mm, 0.0)
    light = np.average(gap[seen] > limits().hands.daylight_mm, weights=area[seen])
    sd = back.surface.sd(contact.nodes_mm[seen])
    sd_mm = float(np.hypot(np.nanmean(sd) if np.isfinite(sd).any() else 0.0, limits().hands.hand_sd_mm))
    mean_gap = float(np.average(gap[seen], weights=area[seen]))
    return HandCheck(place, side, state, feel(here / max(whole, 1e-9), float(light)), mean_gap, sd_mm)


def _channel(result: CaseResult, state: str) -> HandCheck:
    clear = result.clearance_mm["channel"]
    word = "daylight" if clear >= limits().hands.channel_mm else "firm" if clear <= 0 else "light"
    return HandCheck("channel", "none", state, word, max(clear, 0.0), limits().hands.hand_sd_mm)
