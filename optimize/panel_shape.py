"""The numbers of a pair of panels, and the surface that they describe (the surface itself: `underside.Panels`).

A maker builds both panels alike; where one back asks for two, each side has its own angles, rocker and height.
"""

from dataclasses import dataclass, replace

import numpy as np

from shimwright.optimize.saddle import Saddle
from shimwright.optimize.underside import Panels
from shimwright.scan.raw import FloatArray


@dataclass(frozen=True)
class PanelShape:
    """angle_deg (2, 3): left and right, at front, middle, rear, below horizontal. rocker_mm, crown_mm (2,). rise_mm:
    front end above the rear end. channel_mm (3,). proud_mm: left panel proud of the right one. Alike on both sides
    unless asked.
    """

    angle_deg: FloatArray
    rocker_mm: FloatArray
    crown_mm: FloatArray
    rise_mm: float
    channel_mm: FloatArray
    proud_mm: float


def shape_of(saddle: Saddle) -> PanelShape:
    """The numbers of a saddle as told."""
    angle = np.tile(np.asarray(saddle.angle_deg, float), (2, 1))
    return PanelShape(
        angle,
        np.full(2, saddle.rocker_mm),
        np.full(2, saddle.panel_curve_mm),
        saddle.rise_mm,
        np.asarray(saddle.channel_mm, float),
        saddle.side_difference_mm,
    )


def saddle_with(saddle: Saddle, shape: PanelShape, side: int) -> Saddle:
    """The saddle with the numbers of one side (0 left, 1 right) on both, without arches: only its panels count."""
    return replace(
        saddle,
        angle_deg=shape.angle_deg[side],
        rocker_mm=float(shape.rocker_mm[side]),
        panel_curve_mm=float(shape.crown_mm[side]),
        rise_mm=shape.rise_mm,
        channel_mm=shape.channel_mm,
        side_difference_mm=shape.proud_mm,
        arches=(),
        reference_arch=None,
    )


def panels_of(saddle: Saddle, shape: PanelShape) -> tuple[Panels, Panels]:
    """(left, right): the surface of each side."""
    return Panels(saddle_with(saddle, shape, 0), None), Panels(saddle_with(saddle, shape, 1), None)
