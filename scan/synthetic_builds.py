"""Invented horses of every build, by name and at random."""

from collections.abc import Mapping
from dataclasses import replace
from types import MappingProxyType

import numpy as np

from shimwright.scan.refusal import InputRefused
from shimwright.scan.synthetic_shape import HorseShape, Triple, landmarks

KNEE_TRIES = 20

_LEVEL = HorseShape()

BUILDS: Mapping[str, HorseShape] = MappingProxyType(
    {
        "level": _LEVEL,
        "level knee": replace(_LEVEL, front_fall=0.0, neck_rise=0.2),
        "uphill": replace(_LEVEL, uphill_deg=3.0),
        "downhill": replace(_LEVEL, uphill_deg=-1.0, dip_mm=52.0, withers_mm=85.0, angle_deg=(49.0, 32.0, 24.0)),
        "croup-high": replace(_LEVEL, uphill_deg=-3.0, dip_mm=70.0),
        "dipped": replace(_LEVEL, dip_mm=112.0, withers_mm=140.0),
        "flat": replace(
            _LEVEL,
            dip_mm=48.0,
            angle_deg=(36.0, 19.0, 16.0),
            ridge_mm=(26.0, 40.0, 55.0),
            widest_mm=(460.0, 460.0, 460.0),
            groove_mm=5.0,
        ),
        "arched": replace(_LEVEL, dip_mm=18.5, withers_mm=75.0, loin_arch_mm=7.0),
        "uneven left": replace(_LEVEL, uneven_mm=20.0),
        "uneven right": replace(_LEVEL, uneven_mm=-20.0),
        "hollow": replace(_LEVEL, hollow_mm=(14.0, 14.0), blade_mm=9.0),
        "hollow left": replace(_LEVEL, hollow_mm=(14.0, 0.0)),
        "narrow": replace(_LEVEL, angle_deg=(49.0, 35.0, 29.0), ridge_mm=(16.0, 23.0, 32.0), dip_mm=74.0),
        "wide": replace(_LEVEL, angle_deg=(42.0, 30.5, 26.0), ridge_mm=(20.0, 27.0, 37.0), dip_mm=54.0, groove_mm=3.0),
        "high-withered": replace(_LEVEL, dip_mm=88.0, withers_mm=95.0, angle_deg=(52.0, 34.0, 28.0)),
        "low-withered": replace(_LEVEL, dip_mm=40.0, withers_mm=150.0, angle_deg=(41.0, 30.0, 26.0)),
        "pony": replace(_LEVEL, withers_croup_mm=590.0, dip_mm=42.0, angle_deg=(40.0, 25.0, 22.0)),
        "heavy": replace(_LEVEL, withers_croup_mm=940.0, dip_mm=66.0, angle_deg=(40.0, 25.0, 21.0), groove_mm=8.0),
        "bent": replace(_LEVEL, bend_mm=15.0),
    }
)


def mirrored(shape: HorseShape) -> HorseShape:
    """The same horse with left and right exchanged."""
    left, right = shape.hollow_mm
    return replace(
        shape,
        hollow_mm=(right, left),
        uneven_mm=-shape.uneven_mm,
        bend_mm=-shape.bend_mm,
        neck_turn_deg=-shape.neck_turn_deg,
    )


def random_shape(rng: np.random.Generator) -> HorseShape:
    """A plausible horse, pony to heavy; its withers can be found, as a peak or (about one in three) as a knee."""
    for _ in range(KNEE_TRIES):
        shape = _drawn(rng)
        try:
            landmarks(shape)
        except InputRefused:  # neither peak nor knee: on a real horse the withers would be marked
            continue
        return shape
    return BUILDS["level"]


def _drawn(rng: np.random.Generator) -> HorseShape:
    length = rng.uniform(600.0, 920.0)
    broad = rng.uniform(-1.0, 1.0)  # fat or narrow, all along the back
    peak = rng.random() < 0.65
    return HorseShape(
        withers_croup_mm=length,
        uphill_deg=rng.uniform(-3.0, 3.5),
        dip_mm=rng.uniform(48.0, 95.0) * length / 800.0,
        withers_mm=rng.uniform(90.0, 140.0),
        front_fall=rng.uniform(0.7, 1.0) if peak else 0.0,
        neck_rise=rng.uniform(0.2, 0.5) if peak else rng.uniform(0.1, 0.3),
        loin_arch_mm=max(rng.normal(0.0, 6.0), 0.0),
        angle_deg=_triple(rng, (46.0, 32.0, 27.0), broad * np.array([-5.0, -6.0, -6.0]), 1.5),
        ridge_mm=_triple(rng, (19.0, 27.0, 36.0), broad * np.array([4.0, 7.0, 9.0]), 1.5),
        widest_mm=_triple(rng, (475.0, 485.0, 480.0), broad * np.array([-10.0, -10.0, -10.0]), 10.0),
        groove_mm=max(10.0 * broad - 4.0, 0.0),
        blade_mm=rng.uniform(2.0, 10.0),
        hollow_mm=(max(rng.normal(2.0, 6.0), 0.0), max(rng.normal(2.0, 6.0), 0.0)),
        uneven_mm=rng.normal(0.0, 5.0),
        bend_mm=rng.normal(0.0, 6.0),
    )


def _triple(rng: np.random.Generator, middle: Triple, shift: np.ndarray, spread: float) -> Triple:
    a, b, c = (float(v) for v in np.array(middle) + shift + rng.normal(0.0, spread, 3))
    return a, b, c
