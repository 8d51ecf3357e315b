"""One drawing model in millimetres. PDF, DXF and SVG write the same object; none of them derives geometry again.

Drawing coordinates: x to the right, y up, mm, full size.
"""

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from shimwright.scan.raw import FloatArray

CUT, MARK, TEXT, SCALE = "cut", "mark", "text", "scale"
LAYERS = (CUT, MARK, TEXT, SCALE)
BAR_MM = 100.0
LETTER_MM = 2.9  # 8.2 pt: nothing on paper is set smaller than 8 pt
CHARACTER_SHARE = 0.56  # width of a character of a plain sans face, as a share of its size, on the safe side


@dataclass(frozen=True)
class Line:
    """A polyline (k, 2), mm. closed: the last point is joined to the first and is not repeated."""

    points_mm: FloatArray
    layer: str
    closed: bool = False
    dashed: bool = False

    def __post_init__(self) -> None:
        if self.points_mm.ndim != 2 or self.points_mm.shape[1] != 2 or not np.isfinite(self.points_mm).all():
            raise ValueError(f"a line needs finite points (k, 2), got {self.points_mm.shape}")
        if self.layer not in LAYERS:
            raise ValueError(f"unknown layer {self.layer!r}")
        self.points_mm.setflags(write=False)


@dataclass(frozen=True)
class Text:
    """Words on one line. at_mm: baseline at the anchor. height_mm: size of the type. anchor: start | middle | end."""

    words: str
    at_mm: tuple[float, float]
    height_mm: float = LETTER_MM
    angle_deg: float = 0.0
    anchor: str = "start"
    bold: bool = False
    layer: str = TEXT

    def __post_init__(self) -> None:
        object.__setattr__(self, "words", one_line(self.words))

    @property
    def corners_mm(self) -> FloatArray:
        """(4, 2): a box around the words, on the safe side."""
        width = text_width_mm(self.words, self.height_mm)
        left = {"start": 0.0, "middle": -width / 2, "end": -width}[self.anchor]
        box = np.array([[left, -0.25], [left + width, -0.25], [left + width, 0.8], [left, 0.8]])
        box[:, 1] *= self.height_mm
        corners: FloatArray = box @ _turn(self.angle_deg).T + np.array(self.at_mm)
        return corners


@dataclass(frozen=True)
class Drawing:
    """Lines and words that belong together: one piece, one template, one page."""

    name: str
    lines: tuple[Line, ...] = ()
    texts: tuple[Text, ...] = ()

    def __post_init__(self) -> None:
        object.__setattr__(self, "name", one_line(self.name))

    @property
    def bounds_mm(self) -> tuple[float, float, float, float]:
        """(left, bottom, right, top) of all lines and words."""
        points = np.vstack([line.points_mm for line in self.lines] + [text.corners_mm for text in self.texts])
        (left, bottom), (right, top) = points.min(axis=0), points.max(axis=0)
        return float(left), float(bottom), float(right), float(top)

    @property
    def cut_outlines(self) -> tuple[FloatArray, ...]:
        """Closed lines of the cut layer."""
        return tuple(line.points_mm for line in self.lines if line.layer == CUT and line.closed)

    def moved(self, dx: float, dy: float) -> "Drawing":
        lines = tuple(replace(line, points_mm=line.points_mm + np.array([dx, dy])) for line in self.lines)
        texts = tuple(replace(text, at_mm=(text.at_mm[0] + dx, text.at_mm[1] + dy)) for text in self.texts)
        return Drawing(self.name, lines, texts)

    def turned(self, angle_deg: float) -> "Drawing":
        """Turned counter-clockwise about the origin. There is no mirroring: left never becomes right."""
        turn = _turn(angle_deg)
        lines = tuple(replace(line, points_mm=line.points_mm @ turn.T) for line in self.lines)
        return Drawing(self.name, lines, tuple(_turned_text(text, angle_deg) for text in self.texts))

    def only(self, *layers: str) -> "Drawing":
        return Drawing(
            self.name,
            tuple(line for line in self.lines if line.layer in layers),
            tuple(text for text in self.texts if text.layer in layers),
        )


def together(name: str, drawings: Iterable[Drawing]) -> Drawing:
    """One drawing of several, each where it is."""
    parts = tuple(drawings)
    return Drawing(
        name,
        tuple(line for part in parts for line in part.lines),
        tuple(text for part in parts for text in part.texts),
    )


def one_line(words: str) -> str:
    """Without line breaks, which would break a DXF, and control characters, which would break an SVG.

    >>> one_line("two\\n lines\\x07")
    'two lines'
    """
    return " ".join("".join(c if c.isprintable() else " " for c in words).split())


def shortened(words: str, width_mm: float, height_mm: float) -> str:
    """Cut with an ellipsis where the line would be wider.

    >>> shortened("a very long name", 8.0, 2.9)
    'a v…'
    """
    room = int(width_mm / (CHARACTER_SHARE * height_mm))
    return words if len(words) <= room else words[: max(room - 1, 1)].rstrip() + "…"


def text_width_mm(words: str, height_mm: float) -> float:
    """Width of the words, a little more than a plain sans face takes."""
    return CHARACTER_SHARE * height_mm * len(words)


def scale_bars(x: float, y: float) -> Drawing:
    """A 100 mm bar both ways from (x, y): cutters and printers misread units, a ruler does not."""
    tick = 2.0
    lines = (
        Line(np.array([[x, y], [x + BAR_MM, y]]), SCALE),
        Line(np.array([[x, y], [x, y + BAR_MM]]), SCALE),
        Line(np.array([[x + BAR_MM, y - tick], [x + BAR_MM, y + tick]]), SCALE),
        Line(np.array([[x - tick, y + BAR_MM], [x + tick, y + BAR_MM]]), SCALE),
    )
    words = (
        Text("100 mm", (x + BAR_MM / 2, y + 1.5), anchor="middle", layer=SCALE),
        Text("100 mm", (x - 1.5, y + BAR_MM / 2), angle_deg=90.0, anchor="middle", layer=SCALE),
    )
    return Drawing("scale", lines, words)


def arrow(tail: tuple[float, float], tip: tuple[float, float], head_mm: float = 4.0) -> tuple[Line, Line]:
    """A thin arrow on the mark layer."""
    start, end = np.array(tail), np.array(tip)
    along = (end - start) / np.linalg.norm(end - start)
    across = np.array([-along[1], along[0]])
    barbs = np.array(
        [end - head_mm * along + 0.4 * head_mm * across, end, end - head_mm * along - 0.4 * head_mm * across]
    )
    return Line(np.array([start, end]), MARK), Line(barbs, MARK)


def _turn(angle_deg: float) -> FloatArray:
    quarter, rest = divmod(angle_deg, 90.0)
    if rest == 0.0:  # exact, so that turned pieces keep their coordinates
        cos, sin = ((1.0, 0.0), (0.0, 1.0), (-1.0, 0.0), (0.0, -1.0))[int(quarter) % 4]
    else:
        cos, sin = float(np.cos(np.radians(angle_deg))), float(np.sin(np.radians(angle_deg)))
    return np.array([[cos, -sin], [sin, cos]])


def _turned_text(text: Text, angle_deg: float) -> Text:
    x, y = _turn(angle_deg) @ np.array(text.at_mm)
    return replace(text, at_mm=(float(x), float(y)), angle_deg=(text.angle_deg + angle_deg) % 360.0)
