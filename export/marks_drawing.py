"""The dots and the strip that are laid on the horse: colours by hue, names for those who print in black and white."""

from dataclasses import dataclass

import numpy as np

from shimwright.export.picture import Label, Picture, Stroke, circle, line, path
from shimwright.scan.raw import FloatArray

DOT_MM = 30.0
STRIP_MM, STRIP_WIDE_MM, STRIP_DOT_MM = 300.0, 16.0, 12.0
STRIP_DEG = 58.0  # steep enough for the width of A4 and Letter, flat enough for their height
STRIP_BOX_MM = (186.0, 274.0)


@dataclass(frozen=True)
class Dot:
    """colour: the word of the command line. hex: the middle of its hue sector, fully saturated."""

    colour: str
    hex: str
    place: str
    name: str


DOTS = (
    Dot("green", "#00e000", "withers", "withers"),
    Dot("red", "#ff0000", "shoulder_left", "shoulder edge"),
    Dot("red", "#ff0000", "shoulder_right", "shoulder edge"),
    Dot("magenta", "#ff00e0", "saddle_front_left", "saddle front"),
    Dot("magenta", "#ff00e0", "saddle_front_right", "saddle front"),
    Dot("blue", "#0022ff", "last_rib_left", "last rib"),
    Dot("blue", "#0022ff", "last_rib_right", "last rib"),
    Dot("yellow", "#ffea00", "spare", "spare"),
    Dot("cyan", "#00ffff", "spare", "spare"),
)
STRIP_ENDS = ("#ffea00", "#00ffff")


def dot(mark: Dot) -> Picture:
    """A coloured dot in a black ring; its colour in words stands below it, outside the colour."""
    size = DOT_MM + 4.0
    middle = size / 2
    strokes = (
        Stroke(circle(middle, middle, DOT_MM / 2), "cell", mark.hex),
        Stroke(circle(middle, middle, DOT_MM / 2), "panel edge"),
        Stroke(circle(middle, middle, DOT_MM / 2 + 1.6), "frame"),
    )
    return Picture(size, size, f"{mark.colour} dot", strokes, ())


def strip() -> Picture:
    """The strip, slantwise: two dots whose middles are 300 mm apart, a tick every 10 mm."""
    width, height = STRIP_BOX_MM
    along = np.array([np.cos(np.radians(STRIP_DEG)), -np.sin(np.radians(STRIP_DEG))])
    across = np.array([-along[1], along[0]])
    start = np.array([width, height]) / 2 - along * STRIP_MM / 2
    strokes = [_rectangle(start, along, across)]
    for k in range(31):
        reach = 5.0 if k % 10 == 0 else 2.5
        foot = start + along * 10.0 * k + across * STRIP_WIDE_MM / 2
        strokes.append(Stroke(path(np.array([foot, foot - across * reach])), "contour"))
    for k, colour in enumerate(STRIP_ENDS):
        at = start + along * STRIP_MM * k
        strokes.append(Stroke(circle(at[0], at[1], STRIP_DOT_MM / 2), "cell", colour))
        strokes.append(Stroke(circle(at[0], at[1], STRIP_DOT_MM / 2), "panel edge"))
        strokes.append(_cross(at))
    ends = np.array([start + along * 8.5, start + along * (STRIP_MM - 8.5)])
    strokes.append(Stroke(path(ends), "contour"))
    below, above = start + across * 15, start + along * STRIP_MM - across * 15
    labels = [
        Label(float(below[0]), float(below[1]), "yellow", 9, "left", strong=True),
        Label(float(above[0]), float(above[1]), "cyan", 9, "right", strong=True),
    ]
    return Picture(width, height, "Strip with two dots 300 mm apart", tuple(strokes), tuple(labels))


def _rectangle(start: FloatArray, along: FloatArray, across: FloatArray) -> Stroke:
    a, b = start - along * 7.5, start + along * (STRIP_MM + 7.5)
    half = across * STRIP_WIDE_MM / 2
    return Stroke(path(np.array([a - half, b - half, b + half, a + half]), closed=True), "frame")


def _cross(at: FloatArray) -> Stroke:
    x, y = at
    return Stroke(line((x - 2, y), (x + 2, y)) + line((x, y - 2), (x, y + 2)), "contour")
