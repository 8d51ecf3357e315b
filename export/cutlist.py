"""The cut list: pieces, sizes, area, weight, and the sheets they are cut from: the van's first, then what is to buy.

The drawings show the same numbers.
"""

import csv
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from shimwright.export import words
from shimwright.export.nesting import ALONG_GRAIN_DEG, ANY_QUARTER_DEG, Nesting, nest
from shimwright.export.shim_parts import ShimPart, shim_parts
from shimwright.optimize.answer import Fit
from shimwright.optimize.in_the_van import InStock, of_kind
from shimwright.optimize.materials import Material, load_materials
from shimwright.optimize.pad import Shim

COLUMNS = (
    "kind",
    "piece",
    "pocket",
    "side",
    "layer",
    "layers",
    "shim",
    "material",
    "thickness_mm",
    "length_mm",
    "width_mm",
    "area_cm2",
    "weight_g",
    "bevel_mm",
    "sheet",
    "sheets",
    "sheet_length_mm",
    "sheet_width_mm",
    "used_mm",
    "waste_percent",
    "source",
    "in_stock",
)
IN_STOCK, TO_BUY, NOT_TOLD = "in stock", "to buy", ""


@dataclass(frozen=True)
class SheetsOf:
    """Pieces of one shim and thickness, laid on sheets of one size. pieces: indices into the list of parts.

    source: IN_STOCK, TO_BUY, or NOT_TOLD where nobody said what is there. before: sheets of the same kind that come
    first. there: how many of this size lie in the van.
    """

    shim: Shim
    thickness_mm: float
    pieces: tuple[int, ...]
    nesting: Nesting
    source: str = NOT_TOLD
    before: int = 0
    there: int = 0

    def sheet_of(self, piece: int) -> int | None:
        """Number of the sheet among its kind, from 1; None where the piece is larger than the sheet."""
        here = self.pieces.index(piece)
        return next((self.before + one.sheet + 1 for one in self.nesting.placed if one.index == here), None)


def sheets_needed(parts: Sequence[ShimPart], stock: Sequence[InStock] | None = None) -> tuple[SheetsOf, ...]:
    """One entry per shim, thickness and size of sheet, in the order of the parts.

    stock: what the van holds, cut from first, the smallest that will do; None: not told. Grain runs along a piece's
    forward direction.
    """
    kinds = dict.fromkeys((part.shim.name, part.thickness_mm) for part in parts)
    return tuple(entry for kind in kinds for entry in _of_kind(kind, parts, stock))


def _of_kind(
    kind: tuple[str, float], parts: Sequence[ShimPart], stock: Sequence[InStock] | None
) -> tuple[SheetsOf, ...]:
    left = [i for i, part in enumerate(parts) if (part.shim.name, part.thickness_mm) == kind]
    shim, thickness = parts[left[0]].shim, kind[1]
    turns = ALONG_GRAIN_DEG if shim.grain else ANY_QUARTER_DEG
    found: list[SheetsOf] = []
    for size, count in _smallest_first(shim, of_kind(tuple(stock or ()), *kind)):
        nesting = nest([parts[i].outline for i in left], size, turns, most_sheets=count)
        if nesting.placed:
            before = sum(entry.nesting.sheets for entry in found)
            pieces = [left[one.index] for one in nesting.placed]
            found.append(SheetsOf(shim, thickness, tuple(pieces), _of_placed(nesting), IN_STOCK, before, count))
            left = [i for i in left if i not in pieces]
    if left:
        nesting = nest([parts[i].outline for i in left], shim.sheet_mm, turns)
        source = NOT_TOLD if stock is None else TO_BUY
        before = sum(entry.nesting.sheets for entry in found)
        found.append(SheetsOf(shim, thickness, tuple(left), nesting, source, before))
    return tuple(found)


def _smallest_first(shim: Shim, there: Sequence[InStock]) -> list[tuple[tuple[float, float], int]]:
    """(size, count), alike ones together: an offcut is used up before a sheet is begun."""
    counts: dict[tuple[float, float], int] = {}
    for one in there:
        size = one.size_mm or shim.sheet_mm
        counts[size] = counts.get(size, 0) + one.count
    return sorted(counts.items(), key=lambda item: (item[0][0] * item[0][1], item[0]))


def _of_placed(nesting: Nesting) -> Nesting:
    """The same without the pieces that found no room, which go on to the next size."""
    placed = tuple(replace(one, index=i) for i, one in enumerate(nesting.placed))
    return replace(nesting, placed=placed, too_large=(), left_over=())


def weight_g(part: ShimPart, materials: Mapping[str, Material]) -> float | None:
    """Of the piece as cut, before bevelling; None where the material's density is not known."""
    material = materials.get(part.shim.material)
    if material is None or material.density_kg_m3 is None:
        return None
    return part.area_cm2 * 1e2 * part.thickness_mm * material.density_kg_m3 * 1e-6


def write_cutlist(fit: Fit, path: Path) -> None:
    """cutlist.csv: a row per piece, a row per kind of sheet, a row of totals. Unknown is empty."""
    with path.open("w", encoding="utf-8", newline="") as file:
        table = csv.DictWriter(file, COLUMNS, restval="", lineterminator="\n")
        table.writeheader()
        table.writerows(cutlist_rows(fit, materials_of(fit)))


def cutlist_rows(fit: Fit, materials: Mapping[str, Material]) -> list[dict[str, object]]:
    parts = shim_parts(fit.pad, fit.setup) if fit.setup is not None else ()
    sheets = sheets_needed(parts, fit.case.stock)
    rows = [_piece_row(i, part, sheets, materials) for i, part in enumerate(parts)]
    rows += [_sheet_row(entry, parts, materials) for entry in sheets]
    return [*rows, _sum_row("total", "", parts, materials)]


def cut_table(fit: Fit) -> tuple[tuple[str, ...], ...]:
    """The cut list as people read it, head first; one row per piece, then the totals of the CSV."""
    units, rows = fit.case.print_units, cutlist_rows(fit, materials_of(fit))
    parts = shim_parts(fit.pad, fit.setup) if fit.setup is not None else ()
    head = ("no.", "pocket", "layer", "shim", "thickness", "length × width", "area", "weight", "bevel", "sheet")
    pieces = [
        (
            str(row["piece"]),
            words.place(part.pocket),
            f"{part.layer} of {part.layers}",
            part.shim.name,
            words.thickness(part.thickness_mm, units),
            words.size(part.length_mm, part.width_mm, units),
            f"{part.area_cm2:.0f} cm²",
            _weight_words(row),
            words.length(part.bevel_mm, units),
            str(row["sheet"]),
        )
        for part, row in zip(parts, rows, strict=False)
    ]
    total = rows[-1]
    sums = ("", f"{total['piece']} in all", "", "", "", "", f"{float(str(total['area_cm2'])):.0f} cm²")
    return (head, *pieces, (*sums, _weight_words(total), "", ""))


def materials_of(fit: Fit) -> dict[str, Material]:
    """The shipped laws and the pad's own, which win."""
    return {**load_materials(), **{material.name: material for material in fit.pad.own_materials}}


def _weight_words(row: Mapping[str, object]) -> str:
    return f"{float(str(row['weight_g'])):.0f} g" if row["weight_g"] else "not known"


def sheets_table(fit: Fit) -> tuple[tuple[str, ...], ...]:
    """Which sheets: shim · thickness · from where · how many of what size · length used · waste; head first."""
    parts = shim_parts(fit.pad, fit.setup) if fit.setup is not None else ()
    head = ("shim", "thickness", "from", "sheets", "size", "length used", "waste of that")
    return (head, *(_sheets_words(entry, fit.case.print_units) for entry in sheets_needed(parts, fit.case.stock)))


def buying(fit: Fit) -> str:
    """One sentence: what is to buy, or that nobody told what is there."""
    parts = shim_parts(fit.pad, fit.setup) if fit.setup is not None else ()
    entries = sheets_needed(parts, fit.case.stock)
    if not entries:
        return ""
    if fit.case.stock is None:
        return "What lies in the van was not told; a file of it is named in the case, under stock."
    buy = [entry for entry in entries if entry.source == TO_BUY and entry.nesting.sheets]
    units = fit.case.print_units
    told = [
        f"{_count(entry.nesting.sheets)} of {entry.shim.name} {words.thickness(entry.thickness_mm, units)}"
        for entry in buy
    ]
    return f"To buy: {', '.join(told)}." if told else "Nothing to buy: all of it is in the van."


def _count(sheets: int) -> str:
    return f"{sheets} sheet{'s' if sheets != 1 else ''}"


def _sheets_words(entry: SheetsOf, units: str) -> tuple[str, ...]:
    nesting = entry.nesting
    large = f"{len(nesting.too_large)} larger than the sheet" if nesting.too_large else ""
    count = str(nesting.sheets) if entry.source != IN_STOCK else f"{nesting.sheets} of {entry.there}"
    return (
        entry.shim.name,
        words.thickness(entry.thickness_mm, units),
        {IN_STOCK: "the van", TO_BUY: "to buy", NOT_TOLD: "stock not told"}[entry.source],
        ", ".join(part for part in (count if nesting.sheets or not large else "", large) if part),
        words.size(*nesting.sheet_mm, units),
        words.length(sum(nesting.used_mm), units) if nesting.sheets else "–",
        f"{100 * nesting.waste:.0f} %" if nesting.sheets else "–",
    )


def _piece_row(
    index: int, part: ShimPart, sheets: Sequence[SheetsOf], materials: Mapping[str, Material]
) -> dict[str, object]:
    sheet = next(entry.sheet_of(index) for entry in sheets if index in entry.pieces)
    return {
        "kind": "piece",
        "piece": index + 1,
        "pocket": part.pocket,
        "side": part.side,
        "layer": part.layer,
        "layers": part.layers,
        "shim": part.shim.name,
        "material": part.shim.material,
        "thickness_mm": f"{part.thickness_mm:g}",
        "length_mm": f"{part.length_mm:.2f}",
        "width_mm": f"{part.width_mm:.2f}",
        "area_cm2": f"{part.area_cm2:.2f}",
        "weight_g": _grams(weight_g(part, materials)),
        "bevel_mm": f"{part.bevel_mm:.1f}",
        "sheet": "larger than the sheet" if sheet is None else sheet,
        "source": next(entry.source for entry in sheets if index in entry.pieces),
    }


def _sheet_row(entry: SheetsOf, parts: Sequence[ShimPart], materials: Mapping[str, Material]) -> dict[str, object]:
    nesting = entry.nesting
    mine = tuple(parts[i] for i in entry.pieces)
    return _sum_row("sheets", entry.shim.name, mine, materials) | {
        "material": entry.shim.material,
        "thickness_mm": f"{entry.thickness_mm:g}",
        "sheets": nesting.sheets,
        "sheet_length_mm": f"{nesting.sheet_mm[0]:g}",
        "sheet_width_mm": f"{nesting.sheet_mm[1]:g}",
        "used_mm": f"{sum(nesting.used_mm):.1f}",
        "waste_percent": f"{100 * nesting.waste:.1f}" if nesting.sheets else "",
        "source": entry.source,
        "in_stock": entry.there if entry.source == IN_STOCK else "",
    }


def _sum_row(kind: str, shim: str, parts: Sequence[ShimPart], materials: Mapping[str, Material]) -> dict[str, object]:
    """Sums of the figures as printed, so that whoever adds up the column gets the same."""
    weights = [weight_g(part, materials) for part in parts]
    known = [round(weight, 1) for weight in weights if weight is not None]
    return {
        "kind": kind,
        "piece": len(parts),
        "shim": shim,
        "area_cm2": f"{sum(round(part.area_cm2, 2) for part in parts):.2f}",
        "weight_g": _grams(sum(known)) if len(known) == len(weights) else "",
    }


def _grams(weight: float | None) -> str:
    return "" if weight is None else f"{weight:.1f}"
