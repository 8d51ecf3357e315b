"""Landmarks of the topline on curves with known turning points (closed form; the rule: project design §3)."""

import numpy as np
import pytest

from shimwright.scan.refusal import InputRefused
from shimwright.scan.topline import KNEE_SD_MM, topline_landmarks

X = np.arange(-1000.0, 300.0, 10.0)
SD = np.full(X.size, 0.3)


def bumps(*places: tuple[float, float, float]) -> np.ndarray:
    """Sum of Gaussians (x, height, sd) mm."""
    return sum(h * np.exp(-0.5 * ((X - x) / s) ** 2) for x, h, s in places)  # type: ignore[return-value]


TWO_PEAKS = bumps((0, 80, 100), (-700, 90, 120))


def test_peaks_are_found_where_the_curve_turns() -> None:
    found = topline_landmarks(X, TWO_PEAKS, SD)
    # a symmetric peak stays where it is under any symmetric smoothing; the other bump's tail shifts it < 0.1 mm
    assert found.withers_kind == "peak"
    assert found.withers_x == pytest.approx(0.0, abs=0.5)
    assert found.croup_x == pytest.approx(-700.0, abs=0.5)
    # between two Gaussians: where the slopes cancel, solved on a fine grid
    fine = np.linspace(-600, -100, 500001)
    low = fine[np.argmin(80 * np.exp(-0.5 * (fine / 100) ** 2) + 90 * np.exp(-0.5 * ((fine + 700) / 120) ** 2))]
    assert found.low_x == pytest.approx(low, abs=4.0)


def test_heights_are_read_unsmoothed() -> None:
    found = topline_landmarks(X, TWO_PEAKS, SD)
    assert found.withers_z == pytest.approx(80.0, abs=0.02)
    assert found.croup_z == pytest.approx(90.0, abs=0.02)


def test_order_and_gaps_of_the_samples_do_not_matter() -> None:
    rng = np.random.default_rng(1)
    mixed = rng.permutation(X.size)
    z = TWO_PEAKS.copy()
    z[40:43] = np.nan
    one, two = topline_landmarks(X, z, SD), topline_landmarks(X[mixed], z[mixed], SD)
    assert one == two
    assert one.croup_x == pytest.approx(-700.0, abs=1.0)


def test_a_rise_under_one_and_a_half_millimetres_is_no_peak() -> None:
    bump = bumps((-700, 90, 120), (-60, 80, 110), (180, 30, 30))
    assert topline_landmarks(X, bump, SD).withers_x == pytest.approx(
        170, abs=10
    )  # the slope it stands on draws it back
    # the same foremost bump lowered until it only makes a shoulder of less than 1.5 mm is passed over
    shoulder = bumps((-700, 90, 120), (-60, 80, 110), (180, 4, 30))
    assert topline_landmarks(X, shoulder, SD).withers_x == pytest.approx(-60, abs=3)


def test_the_last_80_mm_are_not_searched() -> None:
    near_the_end = bumps((230, 80, 60), (-600, 90, 120))
    with pytest.raises(InputRefused, match="--mark withers"):
        topline_landmarks(X, near_the_end, SD)


def test_croup_is_the_rearmost_peak_with_another_a_back_in_front() -> None:
    tail = bumps((0, 80, 90), (-600, 90, 60), (-880, 85, 40))
    # −880 has the withers 880 mm in front of it, so it is the rearmost that counts
    assert topline_landmarks(X, tail, SD).croup_x == pytest.approx(-880, abs=2)
    far = bumps((200, 80, 50), (-600, 90, 60), (-910, 85, 20))
    assert topline_landmarks(X, far, SD).croup_x == pytest.approx(-600, abs=2)


def knee_line(bend_x: float = 0.0) -> np.ndarray:
    """A croup, a dip, a straight rise of 0.35 that bends at bend_x to 0.1: soft-plus corners, closed form."""
    soft = 30.0
    rise = 0.35 * soft * np.logaddexp(0, (X + 330) / soft) - 0.25 * soft * np.logaddexp(0, (X - bend_x) / soft)
    return np.asarray(rise + bumps((-700, 60, 110)))


def test_a_knee_is_the_strongest_bend_with_its_wide_sd() -> None:
    found = topline_landmarks(X, knee_line(), SD)
    assert found.withers_kind == "knee"
    assert found.withers_sd == KNEE_SD_MM == 60.0
    assert found.withers_x == pytest.approx(0.0, abs=10.0)


def test_neither_peak_nor_knee_is_refused_and_a_mark_settles_it() -> None:
    ramp = 0.3 * (X + 400) * (X > -400) + bumps((-700, 60, 110))
    with pytest.raises(InputRefused, match="--mark withers") as refusal:
        topline_landmarks(X, ramp, SD)
    assert refusal.value.exit_code == 3
    found = topline_landmarks(X, ramp, SD, mark_x=12.0)
    assert (found.withers_x, found.withers_kind) == (12.0, "mark")
    assert found.croup_x == pytest.approx(-700, abs=3)


def test_a_mark_off_the_seen_topline_is_refused() -> None:
    with pytest.raises(InputRefused, match="outside the seen topline"):
        topline_landmarks(X, TWO_PEAKS, SD, mark_x=400.0)


def test_no_croup_leaves_croup_and_low_unknown() -> None:
    found = topline_landmarks(X, bumps((0, 80, 100)), SD, mark_x=0.0)
    assert np.isnan(found.croup_x)
    assert np.isnan(found.low_x)
    with pytest.raises(InputRefused, match="--mark withers"):
        topline_landmarks(X, np.zeros(X.size), SD)


def test_too_short_a_topline_is_refused_with_its_length() -> None:
    with pytest.raises(InputRefused, match="140 mm"):
        topline_landmarks(X[:15], TWO_PEAKS[:15], SD[:15])
    with pytest.raises(InputRefused, match="0 mm"):
        topline_landmarks(X, np.full(X.size, np.nan), SD)


def test_noise_moves_a_peak_about_as_far_as_its_sd_says() -> None:
    rng, sd = np.random.default_rng(3), 1.0
    grain = np.exp(-0.5 * ((X[:, None] - X[None, :]) / 40.0) ** 2)  # errors alike over 40 mm
    root = np.linalg.cholesky(grain + 1e-9 * np.eye(X.size))
    found = [
        topline_landmarks(X, TWO_PEAKS + sd * root @ rng.normal(size=X.size), np.full(X.size, sd)) for _ in range(60)
    ]
    error = np.abs([f.withers_x for f in found])
    said = np.array([f.withers_sd for f in found])
    # 68 % inside one sd: with 60 draws between 50 and 90 %
    assert 0.5 <= np.mean(error < said) <= 0.97
    assert np.mean(error < 2 * said) >= 0.85


def test_a_peak_moves_by_the_pitch_over_its_bend_and_its_sd_says_so() -> None:
    """Closed form: tilted by p, the vertex of z = −b x² / 2 moves by tan p / b."""
    pitch = np.radians(1.5)
    z = np.where(X > -400, -0.5 * 1e-3 * X**2, TWO_PEAKS - TWO_PEAKS[X <= -400][-1] - 0.5 * 1e-3 * 400.0**2)
    level = topline_landmarks(X, z, SD, pitch_sd=float(pitch))
    tilted = topline_landmarks(X, z + np.tan(pitch) * X, SD)
    assert level.withers_kind == tilted.withers_kind == "peak"
    assert tilted.withers_x - level.withers_x == pytest.approx(np.tan(pitch) / 1e-3, abs=2.0)
    assert level.withers_sd == pytest.approx(np.tan(pitch) / 1e-3, rel=0.1)
