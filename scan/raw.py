"""A scan as its file holds it: file units, file axes, nothing cleaned."""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Paint:
    """Coloured samples of the scanned surface, from vertex colours or from a texture picture.

    points: (k, 3) float64, scan coordinates, file units. rgb: (k, 3) uint8.
    """

    points: FloatArray
    rgb: NDArray[np.uint8]


@dataclass(frozen=True)
class RawScan:
    """What a reader returns. All coordinates finite, scene poses baked in, file units and axes.

    points: (n, 3) float64. faces: (m, 3) int64 into points, or None for a cloud. normals: (n, 3) as the
    file gives them, or None. unit_mm, up: only where the *format or file declares* them (a proposal).
    """

    points: FloatArray
    faces: NDArray[np.int64] | None
    normals: FloatArray | None
    paint: Paint | None
    unit_mm: float | None
    up: FloatArray | None
    format: str
    file: str
    sha256: str
    messages: tuple[str, ...] = field(default=())
