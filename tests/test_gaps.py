"""The gap problem against closed forms and an independent least squares."""

from dataclasses import replace

import numpy as np
import pytest
from plain_backs import back_of, fitted_height
from plain_tack import FRONT_X_MM, pad, saddle
from scipy.optimize import lsq_linear

from shimwright.optimize.bench import prepare
from shimwright.optimize.gaps import FLOCK_MM, GapProgram, pocket_program, solve_boxed, solve_gaps
from shimwright.optimize.place import place


def program(**changes: object) -> GapProgram:
    """Two flat strips of 40 nodes, three heights each; the pose may lift, pitch and roll."""
    x, side = np.tile(np.linspace(-150, 150, 40), 2), np.repeat([1.0, -1.0], 40)
    third = np.minimum((x + 150) // 100.001, 2).astype(int)
    shape = np.zeros((80, 6))
    shape[np.arange(80), 2 * third + (side < 0)] = 1.0
    ways = np.stack([np.ones(80), -x, -90.0 * side], axis=1)
    made = GapProgram(
        np.zeros(80), np.full(80, 100.0), shape, ways, np.zeros(6), np.full(6, 12.0),
        ((0, 2), (2, 4), (1, 3), (3, 5)), 6.0, ((0, 1), (2, 3), (4, 5)), 12.0,
    )  # fmt: skip
    return replace(made, **changes)  # type: ignore[arg-type]


def test_a_stepped_hollow_is_filled_exactly() -> None:
    """The gap of known heights is closed by them: residual 0 (by construction), least heights."""
    base = program()
    told = np.array([3.0, 3.0, 6.0, 6.0, 0.0, 0.0])
    for measure in ("huber", "worst"):
        found = solve_gaps(replace(base, bare_mm=base.shape @ told), measure)
        assert np.abs(found.gap_mm).max() < 1e-3
        # a lift or a tilt of all thirds is no gap: compare what a pose cannot do
        moved = np.linalg.lstsq(base.ways, base.shape @ (found.heights_mm - told), rcond=None)
        assert moved[1].sum() < 1e-3


def test_small_gaps_are_least_squares() -> None:
    """Under the Huber line the measure is the square: scipy's bounded least squares gives the same gap field."""
    rng = np.random.default_rng(5)
    base = program(steps=(), step_mm=None, left_right_mm=None, bare_mm=rng.uniform(-0.3, 0.3, 80))
    scale = np.abs(base.ways).max(axis=0)
    matrix = np.hstack([base.shape, base.ways / scale])
    low, high = np.r_[base.low_mm, np.full(3, -1e3)], np.r_[base.high_mm, np.full(3, 1e3)]
    other = lsq_linear(matrix, base.bare_mm, (low, high), tol=1e-12)
    assert np.abs(solve_gaps(base).gap_mm - (base.bare_mm - matrix @ other.x)).max() < 2e-3


def test_worst_gap_of_a_wedge_is_half_its_depth() -> None:
    """Chebyshev's line of a tent: without heights, the best line misses a tent of depth D by D/2 (closed form)."""
    x = np.tile(np.linspace(-150, 150, 41), 2)
    depth = 8.0
    base = program()
    ways = np.stack([np.ones(82), -x, -90.0 * np.repeat([1.0, -1.0], 41)], axis=1)
    tent = depth * (1 - np.abs(x) / 150)
    bare = replace(base, bare_mm=tent, area_mm2=np.full(82, 1.0), shape=np.zeros((82, 6)), ways=ways)
    assert solve_gaps(bare, "worst").value == pytest.approx(depth / 2, abs=1e-3)


def test_limits_hold() -> None:
    base = program(bare_mm=program().shape @ np.array([12.0, 0, 12.0, 0, 0, 0.0]))
    heights = solve_gaps(base).heights_mm
    assert heights.min() > -1e-6
    assert abs(heights[2] - heights[4]) < 6 + 1e-5
    assert np.abs(heights[::2] - heights[1::2]).sum() < 12 + 1e-5


def test_nodes_not_seen_do_not_count() -> None:
    base = program()
    bare = np.where(np.arange(80) < 5, 50.0, 0.0)
    found = solve_gaps(replace(base, bare_mm=bare, area_mm2=np.where(np.arange(80) < 5, 0.0, 100.0)))
    assert np.abs(found.gap_mm[5:]).max() < 1e-3


@pytest.mark.parametrize("seed", range(5))
def test_heights_that_only_bounds_limit_come_from_two_solvers_alike(seed: int) -> None:
    """scipy's trust region against cvxpy and Clarabel, gaps on both sides of Huber's line, bounds that bite."""
    rng = np.random.default_rng(seed)
    low, high = FLOCK_MM
    base = program(
        steps=(), step_mm=None, mates=(), left_right_mm=None, low_mm=np.full(6, low), high_mm=np.full(6, high),
        area_mm2=rng.uniform(0.0, 100.0, 80) * (rng.random(80) < 0.9),
    )  # fmt: skip
    bare = base.shape @ rng.uniform(-9.0, 14.0, 6) + rng.normal(0.0, 2.0, 80)
    told = replace(base, bare_mm=bare)
    one, other = solve_boxed(told), solve_gaps(told).heights_mm
    assert other.max() - other.min() > 3.0
    assert np.abs((one - one.mean()) - (other - other.mean())).max() < 0.01


def test_pockets_over_a_hollow_in_the_middle_take_the_height() -> None:
    """A back that fits but for 8 mm in the middle third: height there, alike on both sides, within the pad's limits."""

    def hollow(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        return fitted_height(saddle(), FRONT_X_MM)(x, y) - 8.0 * np.exp(-(((x + 300.0) / 70.0) ** 2))

    cloth, back = pad(), back_of(hollow)
    bench = prepare(back, saddle(), cloth, place(back, saddle()), None, 10.0)
    told = pocket_program(bench, cloth)
    found = solve_gaps(told)
    heights = dict(zip((pocket.name for pocket in cloth.pockets), found.heights_mm, strict=True))
    middle = min(heights["middle_left"], heights["middle_right"])
    ends = [height for name, height in heights.items() if not name.startswith("middle")]
    assert middle > max(ends) + 1.0
    assert abs(heights["middle_left"] - heights["middle_right"]) < 0.3
    assert all(0.0 - 1e-6 <= height <= cloth.limits.height_mm + 1e-6 for height in heights.values())
    flat = solve_gaps(replace(told, high_mm=np.zeros(len(heights))))
    assert found.value < 0.8 * flat.value
