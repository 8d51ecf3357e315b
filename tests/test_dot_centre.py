"""The centre of a painted dot against where it was painted, on scattered samples."""

import numpy as np

from shimwright.scan.dot_centre import disc_centre

RADIUS_MM, SPACING_MM, BARREL_MM = 18.0, 6.5, 250.0


def samples(rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Points of a cylinder's side, jittered off a grid, and which of them lie within 18 mm of the origin."""
    steps = np.arange(-60.0, 60.0, SPACING_MM) + rng.uniform(0.0, SPACING_MM)
    x, y = np.meshgrid(steps, steps[::-1], indexing="ij")
    x, y = (v + rng.uniform(-0.45, 0.45, v.shape) * SPACING_MM for v in (x, y))
    points = np.stack([x, y, -(y**2) / (2.0 * BARREL_MM)], axis=-1).reshape(-1, 3)
    return points, np.linalg.norm(points, axis=1) < RADIUS_MM


def test_finer_than_the_mean_of_its_samples() -> None:
    """Over 40 dots: under 1 mm rms, and better than the mean of the painted samples, which also lies inside."""
    rng = np.random.default_rng(1)
    found, plain = [], []
    for _ in range(40):
        points, painted = samples(rng)
        mean = points[painted].mean(axis=0)
        found.append(disc_centre(points, painted, mean)[0])
        plain.append(mean)
    rms = [np.sqrt(np.mean(np.sum(np.square(centres), axis=1))) for centres in (found, plain)]
    assert rms[0] < 1.0
    assert rms[0] < 0.8 * rms[1]


def test_too_few_samples_keep_the_start() -> None:
    points, painted = samples(np.random.default_rng(2))
    start = np.array([1.0, 2.0, 3.0])
    few = painted & (np.cumsum(painted) <= 3)
    centre, sd = disc_centre(points, few, start)
    assert (centre == start).all()
    assert np.isnan(sd)


def test_sd_of_the_centre_is_honest() -> None:
    """Each of two coordinates lies within one sd in about 68 of 100, within two in about 95 (Gaussian)."""
    rng = np.random.default_rng(3)
    ratio = []
    for _ in range(60):
        points, painted = samples(rng)
        centre, sd = disc_centre(points, painted, points[painted].mean(axis=0))
        ratio += [abs(centre[0]) / sd, abs(centre[1]) / sd]
    assert 0.5 < np.mean(np.array(ratio) < 1.0) < 0.88
    assert np.mean(np.array(ratio) < 2.0) > 0.88
