"""Saddles on invented backs as the search sees them, without scans: straight panels over a hollow, and random ones."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import tack

from shimwright.optimize import screen
from shimwright.optimize.contact import Bed, Compression, solve
from shimwright.optimize.flexible import pair_modes
from shimwright.optimize.materials import load_materials
from shimwright.optimize.pad import Pad, StackLimits
from shimwright.optimize.setup import Setup, Stack
from shimwright.optimize.stock import stacks_in_stock
from shimwright.optimize.tally import Option
from shimwright.scan.raw import FloatArray

LOAD_N, SLOPE_DEG, HALF_MM, TISSUE = 850.0, 25.0, 195.0, 5.0
TABLE = np.array([1.0, 0.5, 0.5, 0.5, 0.1, 0.2, 0.01, 0.01])  # the cost of DESIGN §8
NO_LIMITS = np.array([11.0, 30.0, np.inf, np.inf, np.inf, -np.inf])
BRIDGED, TOUCH_KPA = 0.1, 0.1
ROWS = {2: ("front", "rear"), 3: ("front", "middle", "rear"), 4: ("front", "fore", "aft", "rear")}


def straight(heights: FloatArray, thirds: int, linear: bool, along: int, across: int, deep: float) -> screen.OptionBed:
    """Two straight panels, sides alike but for a wave, over a hollow; `thirds` pockets a side, no limits."""
    x, t = np.meshgrid(np.linspace(-HALF_MM, HALF_MM, along), np.linspace(45.0, 135.0, across), indexing="ij")
    x, side = np.tile(x.ravel(), 2), np.repeat([1.0, -1.0], x.size)
    y = side * np.tile(t.ravel(), 2)
    cos = np.cos(np.radians(SLOPE_DEG))
    gap = deep * (1 - (x / HALF_MM) ** 2) + 0.8 * np.sin(x / 60 + side)
    ways = np.stack([np.full(x.size, cos), -cos * x, -cos * y], axis=1)
    felt, foam = (load_materials()[name] for name in ("felt", "foam"))
    knots = np.array([0.0, 500.0]) if linear else np.unique(np.r_[felt.pressure_kpa, foam.pressure_kpa])
    series = knots / TISSUE + (0.0 if linear else 12.0 * foam.strain_at(knots))
    strain = np.zeros(2) if linear else felt.strain_at(knots)
    third = np.minimum(((x + HALF_MM) / (2 * HALF_MM) * thirds).astype(int), thirds - 1)
    pocket = third + np.where(side > 0, 0, thirds)
    area = np.full(x.size, 2 * 90.0 * 2 * HALF_MM / x.size)
    return screen.OptionBed(
        area, ways, 12.0 - gap, knots, series, strain[:, None],
        np.repeat(heights[:, None], x.size, axis=1)[:, :, None], pocket, np.zeros((3, 3)), np.array([LOAD_N, 0.0, 0.0]),
        np.array([0, 57.3, 0]), np.array([0, 0, 57.3]), np.zeros((0, 1), np.int64), np.zeros((0, 1)),
        np.zeros((0, x.size)), np.zeros(0), np.zeros(0), np.zeros((0, 3)),
    )  # fmt: skip


def bending(bed: screen.OptionBed, ei_nm2: float) -> screen.OptionBed:
    """The same under a tree that bends: modes of two beams coupled over 60 mm at the arch; pitch is the line of the
    ends, roll the mean of the sides."""
    lift = bed.freedom[0, 0]
    x, y = bed.freedom[:, 1] / -lift, bed.freedom[:, 2] / -lift
    modes = pair_modes(2 * HALF_MM, ei_nm2, 60.0, 8 if ei_nm2 < 3 else 4)
    down = modes.at(x - HALF_MM, np.sign(y))
    stiffness = np.diag(np.append(np.zeros(3), modes.stiffness_n_mm))
    ends = np.mean([modes.at(np.array([0.0, -2 * HALF_MM]), np.full(2, s)) for s in (1.0, -1.0)], axis=0)
    pitch = np.append(bed.pitch_row, np.degrees((ends[1] - ends[0]) / (2 * HALF_MM)))
    roll = np.append(bed.roll_row, np.degrees(-(down * y[:, None]).mean(axis=0) / (y**2).mean()))
    seat = modes.at(np.array([-HALF_MM]), np.zeros(1))[0]
    return replace(
        bed, freedom=np.hstack([bed.freedom, down * lift]), stiffness=stiffness,
        load=np.append(bed.load, bed.load[0] * seat), pitch_row=pitch, roll_row=roll,
        clear_row=np.hstack([bed.clear_row, np.zeros((len(bed.clear_row), modes.count))]),
    )  # fmt: skip


def pad_of(per_side: int, heights: FloatArray, rules: StackLimits, inserts: int = 1) -> Pad:
    """Pockets in the order of `straight`: left front to rear, then right; one layer each."""
    made = tack.pad(per_side, tuple(heights[1:]), rules, inserts=tuple(float(i) for i in range(inserts)))
    rank = {name: i for i, name in enumerate(ROWS[per_side])}
    order = sorted(made.pockets, key=lambda p: (p.side, rank[p.name.rsplit("_", 1)[0]]))
    return replace(made, pockets=tuple(order))


@dataclass(frozen=True)
class Yard:
    """What `search` takes."""

    options: tuple[Option, ...]
    pad: Pad
    rule: screen.Rules
    worn: Setup | None
    fixed: Mapping[str, Stack]


def random_yard(rng: np.random.Generator, per_side: int, ei_nm2: float, limited: bool) -> Yard:
    """A few arches and inserts on an uneven back, some thousand set-ups; limits, stances and held pockets by chance."""
    count = {2: 5, 3: 3, 4: 2}[per_side] + int(np.isinf(ei_nm2) and per_side < 4)
    heights = np.concatenate([[0.0], np.sort(rng.choice(np.arange(2, 22), count - 1, replace=False)) / 2])
    limits = StackLimits(None, 1, None, None, 100.0)
    lines = NO_LIMITS.copy()
    if limited:
        limits = StackLimits(None, 1, rng.choice([6.0, 9.0]), rng.choice([8.0, 16.0]), rng.uniform(7, 11))
        lines[2:] = [rng.uniform(20, 45), rng.uniform(0.5, 3), rng.uniform(0.3, 1.5), 20.0]
    pad = pad_of(per_side, heights, limits)
    options = []
    for number in range(2):
        square = _uneven(straight(heights, per_side, False, 14, 3, rng.uniform(0, 9)), rng, limited)
        stances = tuple(
            (
                replace(
                    square, approach_mm=square.approach_mm + rng.uniform(-2, 2) * np.cos(square.freedom[:, 1] / 90)
                ),
                w,
            )
            for w in rng.uniform(0.2, 1.0, rng.integers(0, 3))
        )
        beds = [square, *(bed for bed, _ in stances)]
        if np.isfinite(ei_nm2):
            beds = [bending(bed, ei_nm2) for bed in beds]
        options.append(
            Option(
                f"arch {number}", None, 0.0, beds[0], None, rng.uniform(0, 0.1),
                tuple((bed, weight) for bed, (_, weight) in zip(beds[1:], stances, strict=True)),
            )
        )  # fmt: skip
    worn = Setup("arch 0", None, {p.name: () for p in pad.pockets}) if rng.random() < 0.5 else None
    stock = stacks_in_stock(pad)
    held = rng.choice(len(pad.pockets), rng.integers(0, 2), replace=False)
    fixed = {pad.pockets[i].name: stock[rng.integers(0, len(stock))] for i in held}
    return Yard(tuple(options), pad, screen.Rules(TABLE, lines, BRIDGED), worn, fixed)


def _uneven(bed: screen.OptionBed, rng: np.random.Generator, limited: bool) -> screen.OptionBed:
    """Waves, a lean, a load off the middle, shims bevelled by chance; a clearance that falls as the saddle sinks."""
    n, x, y = bed.area_mm2.size, bed.freedom[:, 1], bed.freedom[:, 2]
    wave = rng.uniform(0, 2) * np.sin(x / rng.uniform(40, 120) + rng.uniform(0, 6)) + rng.uniform(-0.01, 0.01) * y
    bevel = rng.uniform(0.5, 1.0, n)
    load = LOAD_N * np.array([1.0, rng.uniform(-30, 30), rng.uniform(-10, 10)])
    clear = np.array([[-1.0, rng.uniform(-200, 200), 0.0]]) if limited else np.zeros((0, 3))
    return replace(
        bed, approach_mm=bed.approach_mm + wave, load=load, thickness_mm=bed.thickness_mm * bevel[None, :, None],
        clear_mm=np.full(len(clear), rng.uniform(10, 25)), clear_row=clear,
    )  # fmt: skip


@dataclass(frozen=True)
class Weighed:
    """One set-up by brute force."""

    cost: float
    tilt_deg: float
    broken: bool


def weighed(bed: screen.OptionBed, rule: screen.Rules, row: FloatArray) -> Weighed:
    """Contact cost of one row of stack numbers by `contact.solve` and DESIGN §8 written out again."""
    nodes = np.arange(bed.area_mm2.size)
    stack = bed.thickness_mm[np.asarray(row)[bed.pocket], nodes]
    table = Compression(bed.pressure_kpa.copy(), bed.series_mm.copy(), np.ascontiguousarray(bed.strain.T))
    found = solve(
        Bed(bed.area_mm2, bed.approach_mm + stack.sum(axis=1), bed.freedom, bed.stiffness, stack, table), bed.load
    )
    p, a, w, line = found.pressure_kpa, bed.area_mm2, rule.weights, rule.lines
    mean = np.average(p, weights=a)
    touching = p > TOUCH_KPA
    pitch, roll = bed.pitch_row @ found.q, bed.roll_row @ found.q
    cost = (
        w[0] * np.sqrt(np.average((p - mean) ** 2, weights=a)) / mean
        + w[1] * a[p < rule.bridged * mean].sum() / a.sum()
        + w[2] * max(0.0, np.average(p[touching], weights=a[touching]) / line[0] - 1)
        + w[3] * max(0.0, p.max() / line[1] - 1)
        + w[4] * pitch**2
        + w[5] * roll**2
    )
    clear = bed.clear_mm + bed.clear_row @ found.q
    broken = abs(pitch) > line[3] or abs(roll) > line[4] or p.max() > line[2] or (clear < line[5]).any()
    return Weighed(float(cost), float(np.hypot(pitch, roll)), bool(broken))
