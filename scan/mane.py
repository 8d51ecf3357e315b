"""A mane, or a hand, in front of the withers: it stands over the crest and makes a false peak there (DESIGN §3)."""

from dataclasses import replace

import numpy as np

from shimwright.scan.raw import FloatArray
from shimwright.scan.surface import STATION_STEP_MM, Surface
from shimwright.scan.topline import ToplineFound
from shimwright.scan.trunk_cells import Cells

FRONT_MM = (25.0, 200.0)  # in front of the withers
BEHIND_MM = (-450.0, -100.0)
BESIDE_RAD = np.radians(30.0)
REACH_MM = 45.0
LEAST_POINTS = 50
NORMAL_80 = 1.2816  # four fifths of a normal's sizes lie below: hair covers one side only
ROUGHER, LEAST_MM = 2.5, 2.0  # scatter there over that on the back, and at least [J]
FALSE_PEAK_SD_MM = 60.0  # [J] as a knee


def hair_ahead_mm(cells: Cells, off: FloatArray, surface: Surface) -> float:
    """Scatter, mm, of points about the crest in front of the withers where it is much wider than on the back; else NaN.

    off: (n,) distance of the points of `cells` outside the surface.
    """
    x = surface.x_mm[0] + STATION_STEP_MM * cells.u
    aside = np.abs(surface.phi[0] + (surface.phi[1] - surface.phi[0]) * cells.v)
    near = (np.abs(off) < REACH_MM) & (aside < BESIDE_RAD)
    front, back = (off[near & (x > low) & (x < high)] for low, high in (FRONT_MM, BEHIND_MM))
    if min(front.size, back.size) < LEAST_POINTS:
        return np.nan
    here, there = (float(np.percentile(np.abs(part), 80.0)) / NORMAL_80 for part in (front, back))
    return here if here > max(ROUGHER * there, LEAST_MM) else np.nan


def doubted(topline: ToplineFound) -> ToplineFound:
    """The topline's withers no better known than a knee."""
    return replace(topline, withers_sd=max(topline.withers_sd, FALSE_PEAK_SD_MM))
