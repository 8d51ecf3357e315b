"""What lies in the fitter's van: sheets and offcuts of shim stuff. Cut from first; it changes no answer."""

from dataclasses import dataclass


@dataclass(frozen=True)
class InStock:
    """count pieces of one size. size_mm: along the grain, across it; None: whole sheets, as pad.toml tells them."""

    shim: str
    thickness_mm: float
    count: int
    size_mm: tuple[float, float] | None = None


SAME_THICKNESS_MM = 0.05  # as measured, to a tenth


def of_kind(stock: tuple[InStock, ...], shim: str, thickness_mm: float) -> tuple[InStock, ...]:
    """What there is of one shim and thickness."""
    return tuple(one for one in stock if one.shim == shim and abs(one.thickness_mm - thickness_mm) < SAME_THICKNESS_MM)
