"""Pages for full-size printing: pieces set on sheets of paper, whole where they fit, in joined tiles where not.

Every page carries a 100 mm bar both ways, says how to print and what to do when a bar reads wrong.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from shapely.geometry import LineString, Point, Polygon, box
from shapely.geometry.base import BaseGeometry

from shimwright.export.drawing import (
    BAR_MM,
    LETTER_MM,
    MARK,
    SCALE,
    Drawing,
    Line,
    Text,
    scale_bars,
    shortened,
    together,
)

MARGIN_MM = 8.0
FOOT_MM = 13.0  # printers that feed the paper by its lower end cannot print nearer
LEFT_BAND_MM = 9.0  # holds the upright bar
FOOT_BAND_MM = 24.0  # holds the level bar and the words
BETWEEN_MM = 6.0
OVERLAP_MM = 14.0
CROSS_MM = 4.0
TITLE_MM = 84.0  # width that the title may take beside the words on printing


@dataclass(frozen=True)
class Paper:
    name: str
    width_mm: float
    height_mm: float

    @property
    def window_mm(self) -> tuple[float, float, float, float]:
        """(left, bottom, right, top) of what pieces may take."""
        left, bottom = MARGIN_MM + LEFT_BAND_MM, FOOT_MM + FOOT_BAND_MM
        return left, bottom, self.width_mm - MARGIN_MM, self.height_mm - MARGIN_MM

    @property
    def room_mm(self) -> tuple[float, float]:
        left, bottom, right, top = self.window_mm
        return right - left, top - bottom


A4 = Paper("A4", 210.0, 297.0)
LETTER = Paper("Letter", 215.9, 279.4)
PAPERS = (A4, LETTER)


@dataclass(frozen=True)
class Heading:
    """Foot of every page. title: what it is and for whom; line: date and the like."""

    title: str
    line: str


@dataclass(frozen=True)
class Page:
    paper: Paper
    drawing: Drawing


@dataclass(frozen=True)
class _Content:
    drawing: Drawing
    piece: str = ""
    grid: tuple[int, int, int, int] | None = None  # rows, columns, this row, this column


def lay_out(pieces: Sequence[Drawing], paper: Paper, heading: Heading) -> tuple[Page, ...]:
    """Pages in the order of the pieces. A piece that fits a page, upright or turned, is never split."""
    contents: list[_Content] = []
    waiting: list[Drawing] = []
    for piece in pieces:
        if _fits(piece, paper) or _fits(piece.turned(90.0), paper):
            waiting.append(piece)
        else:
            contents += _whole(waiting, paper) + _tiles(piece, paper)
            waiting = []
    contents += _whole(waiting, paper)
    contents = contents or [_Content(_nothing(paper))]
    return tuple(_page(content, paper, heading, i + 1, len(contents)) for i, content in enumerate(contents))


def _size(drawing: Drawing) -> tuple[float, float]:
    left, bottom, right, top = drawing.bounds_mm
    return right - left, top - bottom


def _fits(piece: Drawing, paper: Paper) -> bool:
    return bool((np.array(_size(piece)) <= np.array(paper.room_mm)).all())


def _whole(pieces: Sequence[Drawing], paper: Paper) -> list[_Content]:
    """Upright as far as they fit, or all lying where that saves pages."""
    upright = [piece if _fits(piece, paper) else piece.turned(90.0) for piece in pieces]
    lying = [piece.turned(90.0) if _fits(piece.turned(90.0), paper) else piece for piece in pieces]
    return min((_filled(set_so, paper) for set_so in (upright, lying)), key=len)


def _filled(pieces: Sequence[Drawing], paper: Paper) -> list[_Content]:
    """Row by row from the top, in order; a new page when the next row does not fit."""
    left, bottom, right, top = paper.window_mm
    pages: list[list[Drawing]] = [[]]
    x, y, row = left, top, 0.0
    for piece in pieces:
        width, height = _size(piece)
        if x > left and x + width > right:
            x, y, row = left, y - row - BETWEEN_MM, 0.0
        if y - height < bottom:
            pages.append([])
            x, y, row = left, top, 0.0
        here = piece.bounds_mm
        pages[-1].append(piece.moved(x - here[0], y - height - here[1]))
        x, row = x + width + BETWEEN_MM, max(row, height)
    return [_Content(together("page", page)) for page in pages if page]


def _tiles(piece: Drawing, paper: Paper) -> list[_Content]:
    """The piece cut into windows that overlap, each with the marks that join it to its neighbours."""
    drawing = min((piece, piece.turned(-90.0)), key=lambda d: (np.prod(_counts(d, paper)), d is not piece))
    rows, columns = _counts(drawing, paper)
    width, height = paper.room_mm
    left, _, _, top = drawing.bounds_mm
    corners = [
        (left + column * (width - OVERLAP_MM), top - row * (height - OVERLAP_MM) - height)
        for row in range(rows)
        for column in range(columns)
    ]
    windows = [box(x, y, x + width, y + height) for x, y in corners]
    words = _shared_out(drawing.texts, windows)
    seams = _seams(drawing, rows, columns, paper)
    contents = []
    for i, (x, y) in enumerate(corners):
        part = together("tile", (_clipped(drawing, words[i], windows[i]), _clipped(seams, seams.texts, windows[i])))
        shift = (paper.window_mm[0] - x, paper.window_mm[1] - y)
        contents.append(_Content(part.moved(*shift), piece.name, (rows, columns, *divmod(i, columns))))
    return contents


def _counts(drawing: Drawing, paper: Paper) -> tuple[int, int]:
    """Tiles down and across."""
    wide, high = (
        max(1, int(np.ceil((size - OVERLAP_MM - 1e-9) / (room - OVERLAP_MM))))
        for size, room in zip(_size(drawing), paper.room_mm, strict=True)
    )
    return high, wide


def _tile_name(row: int, column: int) -> str:
    return f"{'ABCDEFGHIJKLMNOPQRSTUVWXYZ'[row % 26]}{column + 1}"


def _seams(drawing: Drawing, rows: int, columns: int, paper: Paper) -> Drawing:
    """Crosses in the middle of every overlap, the same on both tiles, and the line up to which tiles overlap."""
    width, height = (room - OVERLAP_MM for room in paper.room_mm)
    left, bottom, right, top = drawing.bounds_mm
    parts = []
    for row in range(rows):
        for column in range(columns):
            here = _tile_name(row, column)
            high, low = top - row * height, max(bottom, top - (row + 1) * height - OVERLAP_MM)
            near, far = left + column * width, min(right, left + (column + 1) * width + OVERLAP_MM)
            if column + 1 < columns:
                x = left + (column + 1) * width + OVERLAP_MM / 2
                parts.append(_seam((x, high), (x, low), f"{here} – {_tile_name(row, column + 1)}"))
            if row + 1 < rows:
                y = top - (row + 1) * height - OVERLAP_MM / 2
                parts.append(_seam((near, y), (far, y), f"{here} – {_tile_name(row + 1, column)}"))
    return together("seams", parts)


def _seam(start: tuple[float, float], end: tuple[float, float], names: str) -> Drawing:
    a, b = np.array(start), np.array(end)
    lines = [Line(np.array([a, b]), MARK, dashed=True)]
    for share in (0.12, 0.5, 0.88):
        x, y = a + share * (b - a)
        lines.append(Line(np.array([[x - CROSS_MM, y], [x + CROSS_MM, y]]), MARK))
        lines.append(Line(np.array([[x, y - CROSS_MM], [x, y + CROSS_MM]]), MARK))
    x, y = a + 0.69 * (b - a)
    upright = start[0] == end[0]
    words = Text(
        names, (x + (3.2 if upright else 0.0), y + (0.0 if upright else 1.5)), angle_deg=-90.0 if upright else 0.0
    )
    return Drawing("seam", tuple(lines), (words,))


def _shared_out(texts: Sequence[Text], windows: Sequence[BaseGeometry]) -> list[tuple[Text, ...]]:
    """Words stay whole: on every tile that holds all of them; where none does, on the tile where they begin."""
    shares: list[list[Text]] = [[] for _ in windows]
    for text in texts:
        shape = Polygon(text.corners_mm)
        homes = [i for i, window in enumerate(windows) if window.covers(shape)]
        homes = homes or [i for i, window in enumerate(windows) if window.covers(Point(text.at_mm))][:1]
        for i in homes:
            shares[i].append(text)
    return [tuple(share) for share in shares]


def _clipped(drawing: Drawing, texts: Sequence[Text], window: BaseGeometry) -> Drawing:
    lines = tuple(piece for line in drawing.lines for piece in _clipped_line(line, window))
    whole = tuple(text for text in texts if window.intersects(Point(text.at_mm)))
    return Drawing(drawing.name, lines, whole)


def _clipped_line(line: Line, window: BaseGeometry) -> tuple[Line, ...]:
    points = np.vstack([line.points_mm, line.points_mm[:1]]) if line.closed else line.points_mm
    whole = LineString(points)
    if window.covers(whole):
        return (line,)
    inside = whole.intersection(window)
    runs = [inside] if inside.geom_type == "LineString" else list(getattr(inside, "geoms", ()))
    return tuple(
        Line(np.asarray(run.coords), line.layer, dashed=line.dashed)
        for run in runs
        if run.geom_type == "LineString" and run.length > 0
    )


def _page(content: _Content, paper: Paper, heading: Heading, number: int, of: int) -> Page:
    parts = [content.drawing, _bars(), _print_words(), _title(content, paper, heading, number, of)]
    if content.grid is not None:
        parts.append(_tile_map(content.grid))
    return Page(paper, together(f"{heading.title}, page {number}", parts))


def _bars() -> Drawing:
    return scale_bars(MARGIN_MM + 4.0, FOOT_MM)


def _print_words() -> Drawing:
    x, y = MARGIN_MM + 8.0, FOOT_MM + 18.4
    words = (
        "Print at 100 % (“actual size”), never “fit to page”.",
        "Lay a ruler on both bars: 100 mm (3 15/16 in) each.",
        "If a bar reads 97, the print is 3 % small:",
        "do not cut, set 100 % and print again.",
    )
    texts = tuple(Text(line, (x, y - 3.9 * i), bold=i == 0) for i, line in enumerate(words))
    return Drawing("how to print", (), texts)


def _title(content: _Content, paper: Paper, heading: Heading, number: int, of: int) -> Drawing:
    right, y = paper.width_mm - MARGIN_MM, FOOT_MM + 14.5
    lines = (heading.title, heading.line, content.piece, f"{paper.name}, page {number} of {of}")
    shown = [line for line in lines if line]
    sizes = [LETTER_MM if i else 3.4 for i in range(len(shown))]
    texts = tuple(
        Text(shortened(line, TITLE_MM, size), (right, y - 4.6 * i), size, anchor="end", bold=i == 0)
        for i, (line, size) in enumerate(zip(shown, sizes, strict=True))
    )
    return Drawing("title", (), texts)


def _tile_map(grid: tuple[int, int, int, int]) -> Drawing:
    """The tiles in small, this one crossed, its name beside."""
    rows, columns, row, column = grid
    cell = min(4.0, 13.0 / rows, 20.0 / columns)
    x0, y0 = MARGIN_MM + 4.0 + BAR_MM + 5.0, FOOT_MM
    lines = []
    for i in range(rows):
        for j in range(columns):
            x, y = x0 + j * cell, y0 + (rows - 1 - i) * cell
            square = np.array([[x, y], [x + cell, y], [x + cell, y + cell], [x, y + cell]])
            lines.append(Line(square, SCALE, closed=True))
            if (i, j) == (row, column):
                lines += [Line(square[[0, 2]], SCALE), Line(square[[1, 3]], SCALE)]
    name = Text(f"tile {_tile_name(row, column)}", (x0 + columns * cell + 3.0, y0), bold=True, height_mm=4.4)
    return Drawing("tile map", tuple(lines), (name,))


def _nothing(paper: Paper) -> Drawing:
    left, _, right, top = paper.window_mm
    words = Text("Nothing to cut.", ((left + right) / 2, top - 40.0), height_mm=6.0, anchor="middle")
    return Drawing("nothing", (), (words,))
