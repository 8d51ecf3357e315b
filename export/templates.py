"""Shim templates at full size: paper for everybody, nested sheets as DXF and SVG for a cutter.

`for_whom`: van (scissors: PDF only) | laser (and DXF R2010 and SVG per sheet) | maker (and DXF R12, STL and 3MF
of the bevelled pieces, the back with its pressures as GLB).
"""

import re
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from shimwright.export import words
from shimwright.export.cutlist import SheetsOf, sheets_needed
from shimwright.export.drawing import MARK, Drawing, Line, Text, arrow, scale_bars, together
from shimwright.export.paper import PAPERS, Heading, lay_out
from shimwright.export.shim_parts import Labels, ShimPart, part_drawing, shim_parts
from shimwright.export.solids import write_solids
from shimwright.export.write_pdf import write_pdf
from shimwright.export.write_svg import write_svg
from shimwright.optimize.answer import Fit
from shimwright.optimize.in_the_van import InStock

FOR_WHOM = ("van", "laser", "maker")
BARS_OFF_MM = 15.0


def write_templates(fit: Fit, folder: Path, for_whom: str = "van") -> None:
    """templates-a4.pdf, templates-letter.pdf; for a cutter shims-<shim>-<thickness>mm-sheet-<n>.dxf and .svg; for a
    maker the same as -r12.dxf, shims.3mf, shim-<pocket>-layer-<n>.stl and pressure.glb too.
    """
    parts = shim_parts(fit.pad, fit.setup) if fit.setup is not None else ()
    labels = Labels(fit.case.horse.name, words.day(fit.case.today.date), fit.case.print_units)
    pieces = [part_drawing(part, labels) for part in parts]
    title = f"Shim templates, {labels.horse or 'horse: name not told'}"
    for paper in PAPERS:
        heading = Heading(title, labels.date or "date not told")
        write_pdf(lay_out(pieces, paper, heading), folder / f"templates-{paper.name.lower()}.pdf", title)
    if for_whom == "maker":
        from shimwright.export.write_glb import write_pressure_glb  # a mesh library, loaded for makers only

        write_solids(parts, folder)
        write_pressure_glb(fit, folder / "pressure.glb")
    if for_whom != "van":
        from shimwright.export.write_dxf import write_dxf  # a quarter of a second to load, and scissors need none

        for name, sheet in sheet_drawings(parts, labels, fit.case.stock):
            write_svg(sheet, folder / f"{name}.svg")
            write_dxf(sheet, folder / f"{name}.dxf")
            if for_whom == "maker":
                write_dxf(sheet, folder / f"{name}-r12.dxf", "R12")


def sheet_drawings(
    parts: Sequence[ShimPart], labels: Labels, stock: Sequence[InStock] | None = None
) -> tuple[tuple[str, Drawing], ...]:
    """(file name without ending, drawing) of every sheet that is needed."""
    return tuple(
        (_file_name(entry, number), _sheet(entry, number, parts, labels))
        for entry in sheets_needed(parts, stock)
        for number in range(entry.nesting.sheets)
    )


def _sheet(entry: SheetsOf, number: int, parts: Sequence[ShimPart], labels: Labels) -> Drawing:
    """Lower left corner of the sheet at the origin, the bars outside the stock."""
    pieces = []
    for placed in entry.nesting.placed:
        if placed.sheet == number:
            part = parts[entry.pieces[placed.index]]
            pieces.append(_lying(part, labels, placed.turn_deg, placed.move_mm))
    width, height = entry.nesting.sheet_mm
    edge = Line(np.array([[0.0, 0.0], [width, 0.0], [width, height], [0.0, height]]), MARK, closed=True)
    frame = Drawing(
        "sheet", (edge, *_grain(entry, height)), (Text(_title(entry, number, labels), (0.0, height + 4.0)),)
    )
    return together(_title(entry, number, labels), (frame, scale_bars(-BARS_OFF_MM, -BARS_OFF_MM), *pieces))


def _lying(part: ShimPart, labels: Labels, turn_deg: float, move_mm: tuple[float, float]) -> Drawing:
    """The piece's drawing (forward up, corner at the origin) brought to where the nesting put its flat outline."""
    drawing = part_drawing(part, labels)
    left, front = part.outline[:, 1].max(), part.outline[:, 0].min()
    return drawing.moved(-left, front).turned(-90.0).turned(turn_deg).moved(*move_mm)


def _grain(entry: SheetsOf, height: float) -> tuple[Line, ...]:
    return arrow((150.0, height + 12.0), (200.0, height + 12.0)) if entry.shim.grain else ()


def _title(entry: SheetsOf, number: int, labels: Labels) -> str:
    thickness = words.thickness(entry.thickness_mm, labels.units)
    grain = ", grain along the arrow" if entry.shim.grain else ""
    who = labels.horse or "name not told"
    source = f" ({entry.source})" if entry.source else ""
    size = words.size(*entry.nesting.sheet_mm, labels.units)
    return f"{who}: {entry.shim.name} {thickness}, sheet {entry.before + number + 1}, {size}{source}{grain}"


def _file_name(entry: SheetsOf, number: int) -> str:
    plain = re.sub(r"[^a-z0-9]+", "-", entry.shim.name.lower()).strip("-") or "shim"
    return f"shims-{plain}-{entry.thickness_mm:g}mm-sheet-{entry.before + number + 1}"
