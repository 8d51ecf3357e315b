"""Pressure of a panel's third said as a hand feels it: firm, even, light, daylight, by the rule of the hand table."""

import numpy as np

from shimwright.optimize.answer import Contact
from shimwright.optimize.case import ZONES
from shimwright.optimize.hands import feel
from shimwright.optimize.limits import limits


def zone_feels(contact: Contact, case: str = "mounted") -> dict[str, str]:
    """Zone → word; "not seen" where the scan showed too little; a zone without nodes is left out."""
    result, area = contact.cases[case], contact.area_mm2
    pressure, gap = result.pressure_kpa, result.gap_mm
    known = np.isfinite(pressure)
    if not known.any():
        return {}
    mean = float(np.average(pressure[known], weights=area[known]))
    third = np.clip((3 * contact.along).astype(int), 0, 2)
    feels = {}
    for zone in ZONES:
        part, hand = zone.split("_")
        here = (third == ("front", "middle", "rear").index(part)) & (contact.side == (1 if hand == "left" else -1))
        if not here.any():
            continue
        seen = here & known
        if seen.sum() < 0.5 * here.sum():
            feels[zone] = "not seen"
            continue
        share = float(np.average(pressure[seen], weights=area[seen])) / max(mean, 1e-9)
        light = np.average(np.nan_to_num(gap[seen]) > limits().hands.daylight_mm, weights=area[seen])
        feels[zone] = feel(share, float(light))
    return feels
