"""stock.toml → what lies in the fitter's van: sheets and offcuts, shared by many cases."""

from pathlib import Path
from typing import Annotated

from pydantic import Field

from shimwright.optimize.in_the_van import InStock
from shimwright.quantity import ShimThickness, Size
from shimwright.toml_file import Name, Table, read_toml

MOST_ENTRIES, MOST_OF_ONE = 200, 100  # [J] a van, not a warehouse


class SheetTable(Table):
    """shim: the name that pad.toml gives it. size_mm: along the grain, across; not told: a whole sheet."""

    shim: Name
    thickness_mm: ShimThickness
    count: Annotated[int, Field(ge=0, le=MOST_OF_ONE)] = 1
    size_mm: Annotated[list[Size], Field(min_length=2, max_length=2)] | None = None


class StockTable(Table):
    """Every key of stock.toml."""

    sheet: list[SheetTable] = Field(default=[], max_length=MOST_ENTRIES)


def read_stock(path: Path) -> tuple[InStock, ...]:
    """What is there; an empty file is an empty van. Raises WrongUse for wrong keys and values."""
    return tuple(
        InStock(
            one.shim, one.thickness_mm, one.count, None if one.size_mm is None else (one.size_mm[0], one.size_mm[1])
        )
        for one in read_toml(path, StockTable).sheet
        if one.count > 0
    )
