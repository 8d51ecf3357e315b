"""What cannot be ruled out of very many set-ups of one arch and insert: boxes of poses, set up and read (DESIGN §8)."""

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numba
import numpy as np
from numpy.typing import NDArray

from shimwright.optimize import boxes
from shimwright.optimize.screen import IntArray, OptionBed, Rules, resting_pose
from shimwright.scan.raw import FloatArray

LEAF_MM, LEAF_BENT_MM = 1.2, 1.5  # see `boxes`; wider leaves more to be solved, finer takes more boxes: measured
LEAF_SETUPS = 24.0
ROOM = 3_000_000  # set-ups that one starting box may hand on; the same one may come out of many boxes
BOX_PAYS = 16.0  # a starting box may take as many boxes as there are set-ups, over this: more cost more than solving
BOXES_LEAST, BOXES_MOST = 2000.0, 100_000.0
PARTS = (4, 4, 2)  # starting boxes along heave, pitch, roll
SLACK = 1e-5  # of cost: what the solver's own tolerance may move a cost


@dataclass(frozen=True)
class Beat:
    """What a set-up must reach to matter: cost, or a tilt below `lower_deg`, or below `equal_deg` at level_cost."""

    cost: float
    lower_deg: float = 0.0
    equal_deg: float = 0.0
    level_cost: float = 0.0


@dataclass(frozen=True)
class Stacks:
    """What the pockets may hold. heights_mm, layers (s,); allowed (pockets, s); mates (pockets,): the column of the
    pocket's mirror image, −1 for none. limit_mm: of the left-right difference."""

    heights_mm: FloatArray
    layers: FloatArray
    allowed: NDArray[np.uint8]
    mates: IntArray
    limit_mm: float


@dataclass(frozen=True)
class Left:
    """rows (r, pockets) that could not be ruled out, bounds (r,) of their cost; whole: boxes and room sufficed, so
    that nothing else is left."""

    rows: IntArray
    bounds: FloatArray
    whole: bool
    boxes: int


def left_over(bed: OptionBed, rule: Rules, stacks: Stacks, beat: Beat) -> Left:
    """Every set-up that may be feasible and reach `beat`. Costs here are without the arch's.

    Rigorous but for rounding: a set-up is left out only when it falls short by more than SLACK.
    """
    pockets, count = stacks.allowed.shape
    centre, half = region(bed, rule, beat)
    if not np.isfinite(half).all() or bed.freedom[bed.area_mm2 > 0, 0].min() <= 0:
        return Left(np.zeros((0, pockets), np.int64), np.zeros(0), False, 0)
    counts = np.array([*PARTS, *np.ones(centre.size - 3, int)])
    cells = np.stack(np.meshgrid(*(np.arange(k) for k in counts), indexing="ij"), axis=-1).reshape(-1, centre.size)
    small = half / counts
    centres = centre - half + small * (2 * cells + 1)
    order = np.argsort(bed.pocket, kind="stable")
    starts = np.searchsorted(bed.pocket[order], np.arange(-1, pockets + 1))
    goal = np.array([beat.cost, beat.lower_deg, beat.equal_deg, beat.level_cost]) + SLACK * np.array([1, 0, 0, 1])
    setups = float(np.prod(stacks.allowed.sum(axis=1, dtype=float)))
    most = min(max(setups / BOX_PAYS, BOXES_LEAST), BOXES_MOST)
    leaf = np.array([LEAF_MM if centre.size == 3 else LEAF_BENT_MM, LEAF_SETUPS, most])
    fixed = (
        small, _bed(bed), order, starts, stacks.allowed, stacks.layers, stacks.heights_mm, stacks.mates,
        _fit(bed, rule), (rule.weights, rule.lines), goal, stacks.limit_mm, leaf,
    )  # fmt: skip

    given_up: list[bool] = []

    def one(start: FloatArray) -> tuple[IntArray, FloatArray, bool, int]:
        if given_up:
            return np.zeros(0, np.int64), np.zeros(0), False, 0
        codes, prices = np.zeros(ROOM, np.int64), np.zeros(ROOM)
        made, whole, tried = boxes.search_box(start, *fixed, codes, prices)
        if not whole:
            given_up.append(True)
        return codes[:made].copy(), prices[:made].copy(), whole, tried

    with ThreadPoolExecutor(numba.get_num_threads()) as pool:  # the kernel holds no lock
        found = list(pool.map(one, centres))
    if given_up:
        return Left(np.zeros((0, pockets), np.int64), np.zeros(0), False, sum(f[3] for f in found))
    code, price = (np.concatenate([part[i] for part in found]) for i in (0, 1))
    first = np.argsort(price, kind="stable")
    code, place = np.unique(code[first], return_index=True)
    powers = count ** np.arange(pockets - 1, -1, -1)
    return Left(code[:, None] // powers % count, price[first][place], True, sum(f[3] for f in found))


def even_row(bed: OptionBed) -> tuple[FloatArray, float]:
    """η (n,) and what the load fixes of Σ a p, N: 1 = c·(rigid ways) + η by least squares, Σ a p = c·load + Σ a η p."""
    weight = np.sqrt(bed.area_mm2)
    rigid = bed.freedom[:, :3]
    c = np.linalg.lstsq(rigid * weight[:, None], weight, rcond=None)[0]
    return 1 - rigid @ c, float(c @ bed.load[:3])


def _bed(bed: OptionBed) -> tuple[FloatArray, ...]:
    ways = np.vstack([bed.freedom.T, even_row(bed)[0]])
    arrays = (bed.area_mm2, ways, bed.approach_mm, bed.pressure_kpa, bed.series_mm, bed.strain, bed.thickness_mm)
    return tuple(np.ascontiguousarray(a, float) for a in arrays)


def _fit(bed: OptionBed, rule: Rules) -> tuple[object, ...]:
    total = float(bed.area_mm2.sum())
    lift = bed.freedom[bed.area_mm2 > 0, 0]
    whole = 1e-3 * total
    least = bed.load[0] / lift.max() / whole
    most = bed.load[0] / lift.min() / whole if lift.min() > 0 else np.inf
    fixed = even_row(bed)[1]
    about = np.array([fixed / whole, rule.bridged * least, fixed, least, most])
    turns = np.ascontiguousarray(np.stack([bed.pitch_row, bed.roll_row]))
    clear = bed.clear_mm, np.ascontiguousarray(bed.clear_row)
    return bed.load, np.ascontiguousarray(bed.stiffness), total, turns, *clear, about


def region(bed: OptionBed, rule: Rules, beat: Beat) -> tuple[FloatArray, FloatArray]:
    """Centre and half widths (d,) of a box that holds every pose that can matter.

    Pitch and roll by their limits and their cost, modes by the load that bends them, heave by touch. Not finite where
    neither holds.
    """
    d = bed.load.size
    highest = max(beat.cost, beat.level_cost)
    half = np.zeros(d)
    lift = bed.freedom[bed.area_mm2 > 0, 0]
    bent = np.abs(bed.freedom[:, 3:]).max(axis=0) * bed.load[0] / lift.min() + np.abs(bed.load[3:])
    half[3:] = bent / np.diag(bed.stiffness)[3:] * (1 + 1e-9)
    loose = [np.abs(row[3:]) @ half[3:] for row in (bed.pitch_row, bed.roll_row)]
    for r, (row, weight, line) in enumerate(
        zip((bed.pitch_row, bed.roll_row), rule.weights[4:6], rule.lines[3:5], strict=True), start=1
    ):
        allowed = min(line, np.sqrt(highest / weight) if weight > 0 else np.inf)
        half[r] = (allowed + loose[r - 1]) / abs(row[r]) * (1 + 1e-9)
    reach = np.abs(bed.freedom[:, 1:]) @ half[1:]
    touching = bed.area_mm2 > 0
    thickest = bed.thickness_mm[:, touching].sum(axis=2).max()
    low = -float(((bed.approach_mm + reach) / bed.freedom[:, 0])[touching].max()) - thickest / lift.min()
    # where every node lies at least as deep as at rest without shims: shims only press more
    rest = resting_pose(bed)
    deeper = reach + np.abs(bed.freedom[:, 1:] @ rest[1:])
    high = float(rest[0]) + float((deeper / bed.freedom[:, 0])[touching].max())
    centre = np.zeros(d)
    centre[0], half[0] = 0.5 * (low + high), 0.5 * (high - low)
    return centre, half
