"""Shims as pieces: one per layer of every pocket, outline as the contact model assumed, everything said on the piece.

Pieces are drawn forward up, seen from above with the horse beneath, so left is left. They are turned, never mirrored.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from shapely.geometry import LineString, Polygon, box
from shapely.geometry.base import BaseGeometry
from shapely.ops import unary_union

from shimwright.export import words
from shimwright.export.drawing import CUT, LETTER_MM, MARK, Drawing, Line, Text, arrow, text_width_mm
from shimwright.optimize.pad import Pad, Shim
from shimwright.optimize.setup import Setup
from shimwright.optimize.stacks import BEVEL, layer_outlines
from shimwright.scan.raw import FloatArray

ARROW_MM = 8.0
EDGE_MM = 1.5
LEADING = 1.35
BESIDE_MM = 4.0
SHORTEST_MARK_MM = 8.0  # crumbs of a line between words only confuse

Entry = tuple[str, float, bool]
Entries = tuple[Entry, ...]


@dataclass(frozen=True)
class ShimPart:
    """One piece. layer: 1 lies next to the horse. outline (k, 2): flat coordinates of the pad, +x forward."""

    pocket: str
    side: str
    layer: int
    layers: int
    shim: Shim
    thickness_mm: float
    outline: FloatArray

    @property
    def name(self) -> str:
        return f"{words.place(self.pocket)}, layer {self.layer} of {self.layers}"

    @property
    def length_mm(self) -> float:
        """Front to rear."""
        return float(np.ptp(self.outline[:, 0]))

    @property
    def width_mm(self) -> float:
        return float(np.ptp(self.outline[:, 1]))

    @property
    def area_cm2(self) -> float:
        return float(Polygon(self.outline).area / 100.0)

    @property
    def bevel_mm(self) -> float:
        """Width of the bevel along the edge."""
        return BEVEL * self.thickness_mm


@dataclass(frozen=True)
class Labels:
    """What every piece says besides its own figures. date: as written, None if not told."""

    horse: str | None
    date: str | None
    units: str


def shim_parts(pad: Pad, setup: Setup) -> tuple[ShimPart, ...]:
    """Pieces in the order of the pad's pockets, from the horse outward."""
    stuff = {shim.name: shim for shim in pad.shims}
    parts = []
    for pocket in pad.pockets:
        stack = setup.stacks.get(pocket.name, ())
        for i, (layer, outline) in enumerate(zip(stack, layer_outlines(pad, pocket, stack), strict=True)):
            shim = stuff[layer.shim]
            parts.append(ShimPart(pocket.name, pocket.side, i + 1, len(stack), shim, layer.thickness_mm, outline))
    return tuple(parts)


def part_drawing(part: ShimPart, labels: Labels) -> Drawing:
    """Outline on the cut layer, where the bevel ends on the mark layer, words and the forward arrow. Forward is up."""
    outline = np.column_stack([-part.outline[:, 1], part.outline[:, 0]])
    outline = outline - outline.min(axis=0)
    shape = Polygon(outline)
    label = _label(part, labels, shape)
    flat = shape.buffer(-part.bevel_mm, join_style="mitre")
    bevel = flat.boundary.difference(_room_of(label)) if not flat.is_empty else None
    lines = (Line(outline, CUT, closed=True), *_dashed(bevel), *label.lines)
    return Drawing(part.name, lines, label.texts)


def _entries(part: ShimPart, labels: Labels) -> Entries:
    """(words, size, bold) from the top."""
    order = "the only layer" if part.layers == 1 else f"layer {part.layer} of {part.layers}"
    where = "" if part.layers == 1 else ", next to the horse" if part.layer == 1 else ", away from the horse"
    face = "face up, back to the horse" if part.shim.has_face else "this side up, horse below"
    return (
        (words.place(part.pocket), 4.4, True),
        (labels.horse or "horse: name not told", 3.4, True),
        (order + where, LETTER_MM, False),
        (f"{part.shim.name}, {words.thickness(part.thickness_mm, labels.units)} as measured", LETTER_MM, False),
        (f"bevel {words.length(part.bevel_mm, labels.units)} on the upper edge, 5 × thickness", LETTER_MM, False),
        (face, LETTER_MM, False),
        (labels.date or "date not told", LETTER_MM, False),
    )


def _short_entries(part: ShimPart, labels: Labels) -> Entries:
    """The same facts for a small piece, in small type."""
    shown = (
        words.place(part.pocket),
        f"layer {part.layer} of {part.layers}",
        "face up" if part.shim.has_face else "this side up",
        f"{part.shim.name} {words.thickness(part.thickness_mm, labels.units)}",
        f"bevel {words.length(part.bevel_mm, labels.units)}, top",
        labels.horse or "name not told",
        labels.date or "no date",
    )
    return tuple((text, LETTER_MM, i == 0) for i, text in enumerate(shown))


def _label(part: ShimPart, labels: Labels, shape: Polygon) -> Drawing:
    """The widest setting of the words that lies inside the piece; beside the piece if not even the short one does."""
    inside = shape.buffer(-EDGE_MM)
    for entries in (_entries(part, labels), _short_entries(part, labels)):
        longest = max(text_width_mm(text, size) for text, size, _ in entries)
        for width in np.arange(longest, 14.0, -2.0):
            lines = _wrapped(entries, float(width))
            if lines is None:
                break
            size = _block_size(lines)
            corner = _spot(inside, size)
            if corner is not None:
                return _set(lines, corner, size)
    entries = _entries(part, labels)
    return _set(entries, (shape.bounds[2] + BESIDE_MM, shape.bounds[1]), _block_size(entries))


def _block_size(lines: Sequence[Entry]) -> tuple[float, float]:
    width = max(text_width_mm(text, size) for text, size, _ in lines)
    return width + ARROW_MM, sum(LEADING * height for _, height, _ in lines)


def _wrapped(entries: Sequence[Entry], width_mm: float) -> list[Entry] | None:
    """Entries broken into lines of at most width_mm; None if a single word is wider."""
    lines: list[Entry] = []
    for text, size, bold in entries:
        line = ""
        for word in text.split():
            if text_width_mm(word, size) > width_mm:
                return None
            longer = f"{line} {word}".strip()
            if text_width_mm(longer, size) > width_mm:
                lines.append((line, size, bold))
                longer = word
            line = longer
        lines.append((line, size, bold))
    return lines


def _spot(inside: Polygon, size: tuple[float, float]) -> tuple[float, float] | None:
    """Lower left corner of a box of that size inside the shape, as near its middle as may be."""
    if inside.is_empty:
        return None
    left, bottom, right, top = inside.bounds
    if size[0] > right - left or size[1] > top - bottom:
        return None
    xs, ys = np.linspace(left, right - size[0], 13), np.linspace(bottom, top - size[1], 13)
    middle = np.array([inside.centroid.x - size[0] / 2, inside.centroid.y - size[1] / 2])
    corners = sorted(
        ((float(x), float(y)) for x in (*xs, middle[0]) for y in (*ys, middle[1])),
        key=lambda corner: (round(float(np.hypot(*(np.array(corner) - middle))), 6), corner),
    )
    return next((c for c in corners if inside.contains(box(c[0], c[1], c[0] + size[0], c[1] + size[1]))), None)


def _set(lines: Sequence[Entry], corner: tuple[float, float], size: tuple[float, float]) -> Drawing:
    """The words with an arrow forward at their left."""
    x, y = corner[0] + ARROW_MM, corner[1] + size[1]
    texts = []
    for text, height, bold in lines:
        y -= LEADING * height
        texts.append(Text(text, (x, y + 0.3 * height), height, bold=bold))
    pointer = arrow((corner[0] + 2.0, corner[1] + 1.0), (corner[0] + 2.0, corner[1] + size[1] - 1.0))
    forward = Text("forward", (corner[0] + 3.4, corner[1] + 1.5 + text_width_mm("forward", LETTER_MM)), angle_deg=-90.0)
    return Drawing("label", pointer, (*texts, forward))


def _room_of(label: Drawing) -> BaseGeometry:
    """Where the words and the arrow are, with a little air."""
    words_at = [Polygon(text.corners_mm) for text in label.texts]
    return unary_union([*words_at, *(LineString(line.points_mm) for line in label.lines)]).buffer(1.2)


def _dashed(lines: BaseGeometry | None) -> tuple[Line, ...]:
    if lines is None:
        return ()
    runs = [run for run in getattr(lines, "geoms", (lines,)) if run.length > SHORTEST_MARK_MM]
    return tuple(Line(np.asarray(run.coords), MARK, dashed=True) for run in runs)
