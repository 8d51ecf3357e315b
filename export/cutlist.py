"""The cut list: pieces, sizes, area, weight, and the sheets they are cut from. The drawings show the same numbers."""

import csv
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from shimwright.export import words
from shimwright.export.nesting import ALONG_GRAIN_DEG, ANY_QUARTER_DEG, Nesting, nest
from shimwright.export.shim_parts import ShimPart, shim_parts
from shimwright.optimize.answer import Fit
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
)


@dataclass(frozen=True)
class SheetsOf:
    """Pieces of one shim and thickness, laid on its sheets. pieces: indices into the list of parts."""

    shim: Shim
    thickness_mm: float
    pieces: tuple[int, ...]
    nesting: Nesting

    def sheet_of(self, piece: int) -> int | None:
        """Sheet number from 1, None where the piece is larger than the sheet."""
        here = self.pieces.index(piece)
        return next((placed.sheet + 1 for placed in self.nesting.placed if placed.index == here), None)


def sheets_needed(parts: Sequence[ShimPart]) -> tuple[SheetsOf, ...]:
    """One entry per shim and thickness, in the order of the parts. Grain runs along a piece's forward direction."""
    kinds = dict.fromkeys((part.shim.name, part.thickness_mm) for part in parts)
    found = []
    for name, thickness in kinds:
        pieces = tuple(i for i, part in enumerate(parts) if (part.shim.name, part.thickness_mm) == (name, thickness))
        shim = parts[pieces[0]].shim
        turns = ALONG_GRAIN_DEG if shim.grain else ANY_QUARTER_DEG
        nesting = nest([parts[i].outline for i in pieces], shim.sheet_mm, turns)
        found.append(SheetsOf(shim, thickness, pieces, nesting))
    return tuple(found)


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
        own = {material.name: material for material in fit.pad.own_materials}
        table.writerows(cutlist_rows(fit, {**load_materials(), **own}))


def cutlist_rows(fit: Fit, materials: Mapping[str, Material]) -> list[dict[str, object]]:
    parts = shim_parts(fit.pad, fit.setup) if fit.setup is not None else ()
    sheets = sheets_needed(parts)
    rows = [_piece_row(i, part, sheets, materials) for i, part in enumerate(parts)]
    rows += [_sheet_row(entry, parts, materials) for entry in sheets]
    return [*rows, _sum_row("total", "", parts, materials)]


def cut_table(fit: Fit) -> tuple[tuple[str, ...], ...]:
    """The cut list as people read it, head first; one row per piece."""
    parts = shim_parts(fit.pad, fit.setup) if fit.setup is not None else ()
    units = fit.case.print_units
    head = ("pocket", "layer", "shim", "thickness", "length × width", "area", "bevel")
    return (
        head,
        *(
            (
                words.place(part.pocket),
                f"{part.layer} of {part.layers}",
                part.shim.name,
                words.thickness(part.thickness_mm, units),
                f"{words.length(part.length_mm, units)} × {words.length(part.width_mm, units)}",
                f"{part.area_cm2:.0f} cm²",
                words.length(part.bevel_mm, units),
            )
            for part in parts
        ),
    )


def sheet_lines(fit: Fit) -> tuple[str, ...]:
    """One line per kind of sheet: how many, how much of them is used."""
    parts = shim_parts(fit.pad, fit.setup) if fit.setup is not None else ()
    return tuple(_sheet_words(entry, fit.case.print_units) for entry in sheets_needed(parts))


def _sheet_words(entry: SheetsOf, units: str) -> str:
    nesting = entry.nesting
    what = f"{entry.shim.name} {words.thickness(entry.thickness_mm, units)}"
    size = f"{nesting.sheet_mm[0]:.0f} × {nesting.sheet_mm[1]:.0f} mm"
    count = f"{nesting.sheets} sheet{'s' if nesting.sheets != 1 else ''} of {size}"
    used = (
        f", {sum(nesting.used_mm):.0f} mm of length used, {100 * nesting.waste:.0f} % of that waste"
        if nesting.sheets
        else ""
    )
    large = f"; {len(nesting.too_large)} piece(s) larger than the sheet" if nesting.too_large else ""
    return f"{what}: {count}{used}{large}"


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
