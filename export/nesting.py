"""Pieces on sheets of the real size: several sheets, grain, a space between pieces, never turned over.

A deterministic search of our own: free places come from a raster of the sheet, then the piece slides up against its
neighbours exactly. Fixed orders are tried, then drawn changes of the best with a fixed seed; the one that uses least is
kept, counted in tries and never in seconds, so that a slower machine cuts the same sheet.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.fft import irfft2, next_fast_len, rfft2
from shapely import affinity
from shapely.geometry import MultiPolygon, Polygon

from shimwright.scan.raw import FloatArray

CELL_MM = 2.0
SPACING_MM = 5.0
ALONG_GRAIN_DEG = (0.0, 180.0)
ANY_QUARTER_DEG = (0.0, 90.0, 180.0, 270.0)
DRAWN_TRIES = 60
MOST_LAID = 720  # pieces laid in all drawn tries together: about three seconds
NO_LIMIT = 10_000


@dataclass(frozen=True)
class Placed:
    """Piece `index` on sheet `sheet`: turned counter-clockwise about its origin, then moved by move_mm."""

    index: int
    sheet: int
    turn_deg: float
    move_mm: tuple[float, float]


@dataclass(frozen=True)
class Nesting:
    """sheet_mm: width (along the grain) and height. too_large: pieces that no sheet can hold.

    used_mm: length of each sheet that is used, from its left edge. left_over: pieces for which there was no sheet left.
    """

    sheet_mm: tuple[float, float]
    placed: tuple[Placed, ...]
    too_large: tuple[int, ...]
    used_mm: tuple[float, ...]
    pieces_mm2: float
    left_over: tuple[int, ...] = ()

    @property
    def sheets(self) -> int:
        return len(self.used_mm)

    @property
    def waste(self) -> float:
        """Share of the used lengths that is not piece; NaN if nothing was placed."""
        used = sum(self.used_mm) * self.sheet_mm[1]
        return 1.0 - self.pieces_mm2 / used if used > 0 else float("nan")


def nest(
    outlines: Sequence[FloatArray],
    sheet_mm: tuple[float, float],
    turns_deg: tuple[float, ...],
    spacing_mm: float = SPACING_MM,
    most_sheets: int = NO_LIMIT,
    tries: int = DRAWN_TRIES,
) -> Nesting:
    """Outlines (k, 2), mm, each with its forward direction along +x, on as few sheets as the search finds.

    Pieces keep spacing_mm to one another; the sheet's own edge may be a piece's edge. With most_sheets, as much as
    those sheets hold. tries: drawn orders after the fixed ones.
    """
    rings = tuple(tuple(map(tuple, np.asarray(outline, float).tolist())) for outline in outlines)
    return _nest(rings, _Stock(sheet_mm, turns_deg, spacing_mm, most_sheets), tries)


@lru_cache(maxsize=64)  # cut list and drawings ask for the same sheets
def _nest(rings: tuple[tuple[tuple[float, float], ...], ...], stock: "_Stock", tries: int) -> Nesting:
    sheet_mm, turns_deg = stock.sheet_mm, stock.turns_deg
    shapes = [Polygon(ring) for ring in rings]
    fitting = [i for i, shape in enumerate(shapes) if any(_fits(_turned(shape, turn), sheet_mm) for turn in turns_deg)]
    too_large = tuple(i for i in range(len(shapes)) if i not in fitting)
    best = _best_filling(shapes, fitting, stock, tries)
    placed = tuple(sorted(best.placed, key=lambda p: p.index))
    area = float(sum(shapes[one.index].area for one in placed))
    used = tuple(sheet.used for sheet in best.sheets)
    return Nesting(sheet_mm, placed, too_large, used, area, tuple(sorted(best.left_over)))


@dataclass(frozen=True)
class _Stock:
    sheet_mm: tuple[float, float]
    turns_deg: tuple[float, ...]
    spacing_mm: float
    most_sheets: int


def _best_filling(shapes: Sequence[Polygon], fitting: Sequence[int], stock: _Stock, tries: int) -> "_Filling":
    least = least_length_mm([shapes[i] for i in fitting], stock.sheet_mm, stock.turns_deg)
    masks: _Masks = {}
    best = min((_shelf(shapes, fitting, _Filling(stock, masks), way) for way in (0, 1)), key=lambda f: f.rank)
    order: list[int] = []
    for trial in _tries(shapes, fitting, stock.turns_deg):
        if best.rank <= (0, 1, least + 1e-6):
            break  # nothing uses less
        filling = _filled(shapes, trial, _Filling(stock, masks), best.rank)
        if filling.rank < best.rank:
            best, order = filling, list(trial.order)
    rng = np.random.default_rng(len(fitting))
    order = order or list(fitting)
    for _ in range(min(tries, MOST_LAID // len(fitting)) if len(fitting) > 1 else 0):
        if best.rank <= (0, 1, least + 1e-6):
            break
        trial = _drawn(order, stock.turns_deg, rng)
        filling = _filled(shapes, trial, _Filling(stock, masks), best.rank)
        if filling.rank < best.rank:
            best, order = filling, list(trial.order)
    return best


@dataclass(frozen=True)
class _Try:
    """order: pieces as they are laid. turns_deg: what each may be turned by, in that order."""

    order: tuple[int, ...]
    turns_deg: tuple[tuple[float, ...], ...]


def _filled(
    shapes: Sequence[Polygon], trial: _Try, filling: "_Filling", to_beat: tuple[float, int, float]
) -> "_Filling":
    """Piece after piece, given up as soon as it is no better: what is used only grows."""
    for index, turns in zip(trial.order, trial.turns_deg, strict=True):
        filling.add(index, shapes[index], turns)
        if filling.rank >= to_beat:
            break
    return filling


def _drawn(order: Sequence[int], turns_deg: tuple[float, ...], rng: np.random.Generator) -> _Try:
    """Two pieces of the order change places; a third of the pieces may lie one way only."""
    changed = list(order)
    i, j = rng.choice(len(changed), 2, replace=False)
    changed[i], changed[j] = changed[j], changed[i]
    turns = tuple((float(rng.choice(turns_deg)),) if rng.random() < 1 / 3 else turns_deg for _ in changed)
    return _Try(tuple(changed), turns)


def least_length_mm(shapes: Sequence[Polygon], sheet_mm: tuple[float, float], turns_deg: tuple[float, ...]) -> float:
    """No nesting on one sheet uses less: the longest piece lying its shortest way, or all their area."""
    longest = max((_least_length(shape, sheet_mm, turns_deg) for shape in shapes), default=0.0)
    return max(longest, float(sum(shape.area for shape in shapes)) / sheet_mm[1])


def _least_length(shape: Polygon, sheet_mm: tuple[float, float], turns_deg: tuple[float, ...]) -> float:
    turned = [_turned(shape, turn) for turn in turns_deg]
    return min(float(t.bounds[2] - t.bounds[0]) for t in turned if _fits(t, sheet_mm))


def placed_outline(outline: FloatArray, placed: Placed) -> FloatArray:
    """The outline where it lies on its sheet."""
    return np.asarray(_moved(_turned(Polygon(outline), placed.turn_deg), placed.move_mm).exterior.coords)[:-1]


@dataclass
class _Sheet:
    taken: NDArray[np.float32]
    shapes: list[Polygon] = field(default_factory=list)
    used: float = 0.0


_Masks = dict[tuple[int, float], NDArray[np.float32]]


class _Filling:
    """Sheets being filled, piece after piece. masks: rasters of turned pieces, shared by all tries."""

    def __init__(self, stock: _Stock, masks: _Masks) -> None:
        self.stock, self.masks = stock, masks
        self.sheet_mm, self.spacing_mm = stock.sheet_mm, stock.spacing_mm
        self.sheets: list[_Sheet] = []
        self.placed: list[Placed] = []
        self.left_over: list[int] = []
        self.left_mm2 = 0.0

    @property
    def rank(self) -> tuple[float, int, float]:
        """Less is better: area that found no sheet, sheets, length used."""
        return round(self.left_mm2, 3), len(self.sheets), round(sum(sheet.used for sheet in self.sheets), 6)

    def add(self, index: int, shape: Polygon, turns_deg: tuple[float, ...]) -> None:
        """On the first sheet with room, where it reaches least far along the sheet, then lowest."""
        turned = [(turn, _turned(shape, turn)) for turn in turns_deg]
        if not any(_fits(lies, self.sheet_mm) for _, lies in turned):  # a drawn turn that the sheet does not take
            turned = [(turn, _turned(shape, turn)) for turn in self.stock.turns_deg]
        for number, sheet in enumerate(self.sheets):
            if self._add_to(sheet, number, index, turned):
                return
        if len(self.sheets) == self.stock.most_sheets:
            self.leave(index, shape)
            return
        self.add_sheet()
        self._add_to(self.sheets[-1], len(self.sheets) - 1, index, turned)

    def leave(self, index: int, shape: Polygon) -> None:
        """There is no sheet for it."""
        self.left_over.append(index)
        self.left_mm2 += float(shape.area)

    def add_sheet(self) -> None:
        cells = tuple(int(np.ceil(size / CELL_MM)) for size in self.sheet_mm)
        self.sheets.append(_Sheet(np.zeros(cells, np.float32)))

    def put(self, index: int, lies: Polygon, turn: float, move: tuple[float, float]) -> None:
        """On the last sheet, without looking."""
        self.sheets[-1].used = max(self.sheets[-1].used, float(lies.bounds[2]))
        self.placed.append(Placed(index, len(self.sheets) - 1, turn, move))

    def _add_to(self, sheet: _Sheet, number: int, index: int, ways: Sequence[tuple[float, Polygon]]) -> bool:
        found = []
        for turn, turned in ways:
            corner = self._free_corner(sheet, turned, (index, turn))
            if corner is not None:
                found.append((corner[0] + np.ptp(turned.bounds[0::2]), corner[1], turn, corner, turned))
        if not found:
            return False
        _, _, turn, corner, turned = min(found, key=lambda f: f[:3])
        move = (corner[0] - turned.bounds[0], corner[1] - turned.bounds[1])
        move = self._slid(sheet, turned, move)
        lies = _moved(turned, move)
        sheet.shapes.append(lies)
        sheet.taken = np.maximum(sheet.taken, self._raster(lies, sheet.taken.shape))
        sheet.used = max(sheet.used, float(lies.bounds[2]))
        self.placed.append(Placed(index, number, turn, move))
        return True

    def _free_corner(self, sheet: _Sheet, shape: Polygon, key: tuple[int, float]) -> tuple[float, float] | None:
        """Lower left corner of the shape's box, the place reaching least far along the sheet; None if there is none."""
        if not _fits(shape, self.sheet_mm):
            return None
        if not sheet.shapes:
            return 0.0, 0.0
        left, bottom, right, top = shape.bounds
        room = (self.sheet_mm[0] - (right - left), self.sheet_mm[1] - (top - bottom))
        pad = int(np.ceil(self.spacing_mm / CELL_MM)) + 1
        size = (int(np.ceil((right - left) / CELL_MM)) + 2 * pad, int(np.ceil((top - bottom) / CELL_MM)) + 2 * pad)
        if key not in self.masks:
            self.masks[key] = self._raster(_moved(shape, (pad * CELL_MM - left, pad * CELL_MM - bottom)), size)
        reach = int(np.ceil((sheet.used + self.spacing_mm) / CELL_MM)) + 2  # all is free from there on
        taken = np.pad(sheet.taken[:reach], ((pad, size[0]), (pad, size[1])))
        hits = _overlaps(taken, self.masks[key])
        last = (int(room[0] / CELL_MM + 1e-9) + 1, int(room[1] / CELL_MM + 1e-9) + 1)
        free = np.argwhere(hits[: last[0], : last[1]] < 0.5)
        if free.size == 0:
            return None
        i, j = free[0]  # argwhere goes along x first: least far, then lowest
        return float(i * CELL_MM), float(j * CELL_MM)

    def _raster(self, shape: Polygon, size: tuple[int, int]) -> NDArray[np.float32]:
        """Cells that the shape with half the spacing around it may touch."""
        grown = shape.buffer(self.spacing_mm / 2 + CELL_MM * np.sqrt(0.5))
        left, bottom, right, top = np.floor(np.array(grown.bounds) / CELL_MM).astype(int)
        i, j = np.arange(max(left, 0), min(right + 1, size[0])), np.arange(max(bottom, 0), min(top + 1, size[1]))
        raster = np.zeros(size, np.float32)
        shapely.prepare(grown)
        raster[np.ix_(i, j)] = shapely.contains_xy(
            grown, *np.meshgrid((i + 0.5) * CELL_MM, (j + 0.5) * CELL_MM, indexing="ij")
        )
        return raster

    def _slid(self, sheet: _Sheet, shape: Polygon, move: tuple[float, float]) -> tuple[float, float]:
        """Left, down, left again, as far as neighbours and edges allow, within two cells."""
        others = MultiPolygon(sheet.shapes)
        for axis in (0, 1, 0):
            room = shape.bounds[axis] + move[axis]
            low, high = 0.0, min(room, 2 * CELL_MM + self.spacing_mm)
            for step in range(20):
                middle = high if step == 0 else (low + high) / 2
                tried = _back(move, axis, middle)
                if others.is_empty or others.distance(_moved(shape, tried)) >= self.spacing_mm:
                    low = middle
                    if step == 0:
                        break
                else:
                    high = middle
            move = _back(move, axis, low)
        return move


def _back(move: tuple[float, float], axis: int, by: float) -> tuple[float, float]:
    return (move[0] - by, move[1]) if axis == 0 else (move[0], move[1] - by)


def _shelf(shapes: Sequence[Polygon], fitting: Sequence[int], filling: _Filling, way: int) -> _Filling:
    """Boxes in columns, longest first: what any nesting has to beat. way: 0 as they come, 1 long side across."""
    lying = {index: _as_shelved(shapes[index], filling.stock, way) for index in fitting}
    x = y = column = 0.0
    for index in sorted(fitting, key=lambda i: (-float(np.ptp(lying[i][1].bounds[0::2])), i)):
        turn, turned = lying[index]
        left, bottom, right, top = turned.bounds
        if y > 0 and y + top - bottom > filling.sheet_mm[1]:
            x, y, column = x + column + filling.spacing_mm, 0.0, 0.0
        if not filling.sheets or x + right - left > filling.sheet_mm[0]:
            if len(filling.sheets) == filling.stock.most_sheets:
                filling.leave(index, shapes[index])
                continue
            filling.add_sheet()
            x = y = column = 0.0
        move = (x - left, y - bottom)
        filling.put(index, _moved(turned, move), turn, move)
        y, column = y + top - bottom + filling.spacing_mm, max(column, right - left)
    return filling


def _as_shelved(shape: Polygon, stock: _Stock, way: int) -> tuple[float, Polygon]:
    ways = [(turn, _turned(shape, turn)) for turn in stock.turns_deg]
    ways = [(turn, lies) for turn, lies in ways if _fits(lies, stock.sheet_mm)]
    return ways[0] if way == 0 else min(ways, key=lambda one: (float(np.ptp(one[1].bounds[0::2])), one[0]))


def _tries(shapes: Sequence[Polygon], fitting: Sequence[int], turns_deg: tuple[float, ...]) -> Iterator[_Try]:
    """Orders (largest, longest, widest first, as they came) with all turns, then with fewer. None twice."""
    boxes = [np.ptp(np.reshape(shape.bounds, (2, 2)), axis=0) for shape in shapes]
    orders = (
        sorted(fitting, key=lambda i: (-shapes[i].area, i)),
        sorted(fitting, key=lambda i: (-boxes[i][0], -boxes[i][1], i)),
        sorted(fitting, key=lambda i: (-boxes[i][1], -boxes[i][0], i)),
        list(fitting),
    )
    across = tuple(turn for turn in turns_deg if turn not in ALONG_GRAIN_DEG)
    fewer = (turns_deg, ALONG_GRAIN_DEG, ALONG_GRAIN_DEG[:1], across)
    told = tuple(turns for turns in fewer if turns and set(turns) <= set(turns_deg))
    yield from dict.fromkeys(_Try(tuple(order), (turns,) * len(order)) for turns in told for order in orders)


def _fits(shape: Polygon, sheet_mm: tuple[float, float]) -> bool:
    left, bottom, right, top = shape.bounds
    return bool(right - left <= sheet_mm[0] and top - bottom <= sheet_mm[1])


def _turned(shape: Polygon, turn_deg: float) -> Polygon:
    return affinity.rotate(shape, turn_deg, origin=(0.0, 0.0))


def _moved(shape: Polygon, move: tuple[float, float]) -> Polygon:
    return affinity.translate(shape, *move)


def _overlaps(taken: NDArray[np.float32], mask: NDArray[np.float32]) -> NDArray[np.float32]:
    """Sum of taken × mask with the mask at every place where it lies wholly on the sheet, by Fourier transform."""
    size = [next_fast_len(a + b - 1, real=True) for a, b in zip(taken.shape, mask.shape, strict=True)]
    whole = irfft2(rfft2(taken, size) * rfft2(mask[::-1, ::-1], size), size)
    rows, columns = (slice(b - 1, a) for a, b in zip(taken.shape, mask.shape, strict=True))
    return np.asarray(whole[rows, columns])
