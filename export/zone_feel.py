"""Pressure said as a hand feels it: firm, even, light, daylight (PRACTICE §2), by the limits of the hand table."""

import numpy as np

from shimwright.optimize.answer import Contact
from shimwright.optimize.case import ZONES
from shimwright.optimize.limits import limits

DAYLIGHT_SHARE = 0.5  # of the zone's area without touch [J]
TOUCHING_KPA = 0.1


def zone_feels(contact: Contact, case: str = "mounted") -> dict[str, str]:
    """Zone → word; a zone that has no node (a very short panel) is left out."""
    pressure, area = contact.cases[case].pressure_kpa, contact.area_mm2
    mean = float((pressure * area).sum() / area.sum())
    third = np.clip((3 * contact.along).astype(int), 0, 2)
    feels = {}
    for zone in ZONES:
        part, hand = zone.split("_")
        here = (third == ("front", "middle", "rear").index(part)) & (contact.side == (1 if hand == "left" else -1))
        if not here.any() or not np.isfinite(mean):
            continue
        local = float((pressure[here] * area[here]).sum() / area[here].sum()) 
        free = float(area[here][pressure[here] < TOUCHING_KPA].sum() / area[here].sum())
        feels[zone] = "daylight" if free > DAYLIGHT_SHARE else _feel(local, mean)
    return feels


def _feel(local_kpa: float, mean_kpa: float) -> str:
    hands = limits().hands
    if local_kpa > hands.firm_over_mean * mean_kpa:
        return "firm"
    return "light" if local_kpa < hands.light_kpa else "even"
