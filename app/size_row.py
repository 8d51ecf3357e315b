"""In a worker: one scan, or a back measured before, to the row that `sizes` needs of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from shimwright.measure import measure
from shimwright.progress import silent
from shimwright.scan.refusal import InputRefused
from shimwright.scan.told import Told

if TYPE_CHECKING:
    from shimwright.many import Piece
    from shimwright.optimize.saddle import Saddle
    from shimwright.optimize.sizes import Horse
    from shimwright.scan.back import Back

TENTHS = 10.0  # heights are kept in tenths of a millimetre, well below any scanner's error


@dataclass(frozen=True)
class SizeAsk:
    """What is told of the scan, and the pattern that all sizes share."""

    told: Told
    pattern: Saddle


def size_row(piece: Piece) -> dict[str, object]:
    """The back's own size and its relief. Raises InputRefused, for a scan that has to be taken again too."""
    import numpy as np

    from shimwright.optimize.own_size import own_size
    from shimwright.optimize.relief import Relief, relief_of
    from shimwright.optimize.size_candidates import numbers_of

    ask: SizeAsk = piece.told
    back = _back(piece, ask.told)
    if back.quality.verdict == "rescan":
        reason = back.quality.messages[0].text if back.quality.messages else "the scan check says so"
        raise InputRefused(f"{piece.path.name}: rescan: {reason}")
    found = relief_of(back, ask.pattern)
    z = np.rint(found.z_mm * TENTHS)
    kept = Relief(found.x_mm, found.y_mm, z / TENTHS, found.withers_z_mm, found.front_x_mm)
    own = own_size(kept, ask.pattern)
    return {
        "scan_sha256": back.source.sha256,
        "quality": back.quality.verdict,
        "own": [float(value) for value in numbers_of(own.saddle)],
        "own_gap_mm": own.mean_gap_mm,
        "withers_z_mm": kept.withers_z_mm,
        "front_x_mm": kept.front_x_mm,
        "z_tenths": [[None if np.isnan(value) else int(value) for value in row] for row in z],
    }


def horse_of(row: dict[str, object], name: str, kind: str, weight: float, pattern: Saddle) -> Horse:
    """The row read again."""
    import numpy as np

    from shimwright.optimize.relief import Relief, grid_of
    from shimwright.optimize.sizes import Horse

    x, y = grid_of(pattern)
    z = np.array(row["z_tenths"], dtype=float) / TENTHS  # null becomes NaN
    relief = Relief(x, y, z, float(str(row["withers_z_mm"])), float(str(row["front_x_mm"])))
    return Horse(name, kind, weight, relief, np.array(row["own"], dtype=float))


def _back(piece: Piece, told: Told) -> Back:
    if piece.path.suffix.lower() == ".json":
        from shimwright.scan.read_back import read_back

        return read_back(piece.path)
    return measure(piece.path, told, silent)
