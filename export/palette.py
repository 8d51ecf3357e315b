"""Colours of every sheet: two inks, one accent, one map for pressure, one for signed things (PRACTICE §9).

Both maps are straight lines in Oklab (B. Ottosson 2020, "A perceptual color space for image processing"; matrices
from that text), so equal steps look equal and lightness is monotone. They lie along yellow–blue, which red–green
blindness leaves alone. Light = little; signed maps are white at zero. Numbers always stand beside the colours.
"""

from dataclasses import dataclass

import numpy as np

from shimwright.scan.raw import FloatArray

LITTLE_OKLAB = np.array([0.975, -0.008, 0.055])
MUCH_OKLAB = np.array([0.30, -0.005, -0.075])
WHITE_OKLAB = np.array([1.0, 0.0, 0.0])
BELOW_OKLAB = np.array([0.45, -0.02, -0.11])
ABOVE_OKLAB = np.array([0.45, 0.045, 0.08])


@dataclass(frozen=True)
class Inks:
    """Colours of paper or screen as `#rrggbb`. ground: the horse; felt: the pad; tint: a full pocket."""

    paper: str
    ink: str
    soft: str
    line: str
    ground: str
    felt: str
    accent: str
    tint: str


ON_PAPER = Inks("#ffffff", "#1d2023", "#555c63", "#9aa1a8", "#f3f1ec", "#d9d3c6", "#6e2a1c", "#f6e9e3")
ON_DARK = Inks("#15181b", "#ecebe7", "#a9b0b6", "#69727a", "#22272c", "#4b4a45", "#e3ab97", "#3a2a25")


def pressure_colour(share: float) -> str:
    """`#rrggbb` for 0 (little, light) … 1 (much, dark)."""
    return _hex(LITTLE_OKLAB + (MUCH_OKLAB - LITTLE_OKLAB) * float(np.clip(share, 0.0, 1.0)))


def signed_colour(share: float) -> str:
    """`#rrggbb` for −1 (blue) … 0 (white) … +1 (brown)."""
    share = float(np.clip(share, -1.0, 1.0))
    return _hex(WHITE_OKLAB + ((ABOVE_OKLAB if share > 0 else BELOW_OKLAB) - WHITE_OKLAB) * abs(share))


def oklab_to_srgb(lab: FloatArray) -> FloatArray:
    """Oklab (3,) → sRGB (3,) in 0 … 1, clipped to the gamut."""
    to_lms = np.array(
        [[1.0, 0.3963377774, 0.2158037573], [1.0, -0.1055613458, -0.0638541728], [1.0, -0.0894841775, -1.2914855480]]
    )
    to_rgb = np.array(
        [
            [4.0767416621, -3.3077115913, 0.2309699292],
            [-1.2684380046, 2.6097574011, -0.3413193965],
            [-0.0041960863, -0.7034186147, 1.7076147010],
        ]
    )
    linear = np.clip(to_rgb @ (to_lms @ lab) ** 3, 0.0, 1.0)
    gamma = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * np.maximum(linear, 1e-9) ** (1 / 2.4) - 0.055)
    return np.asarray(gamma, dtype=float)


def _hex(lab: FloatArray) -> str:
    return "#" + "".join(f"{round(255 * channel):02x}" for channel in oklab_to_srgb(lab))
