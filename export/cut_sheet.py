"""cutlist.pdf: the cut list for the bench: every piece, the sheets it comes from, and how it lies on them."""

from collections.abc import Iterator
from pathlib import Path

import numpy as np
from shapely.geometry import Polygon

from shimwright.export import words
from shimwright.export.cutlist import TO_BUY, SheetsOf, buying, cut_table, sheets_needed, sheets_table
from shimwright.export.nesting import placed_outline
from shimwright.export.picture import Label, Picture, Stroke, for_paper, path
from shimwright.export.shim_parts import ShimPart, shim_parts
from shimwright.export.typesetting import PAPERS, set_pdf
from shimwright.optimize.answer import Fit

ROOM_MM = (86.0, 62.0)  # two pictures beside one another


def write_cut_sheet(fit: Fit, folder: Path) -> None:
    """Write cutlist.pdf into folder."""
    (folder / "cutlist.pdf").write_bytes(cut_sheet_pdf(fit))


def cut_sheet_pdf(fit: Fit) -> bytes:
    table, sheets = cut_table(fit), sheets_table(fit)
    date = words.day(fit.case.today.date) or "date not told"
    data = {
        "title": f"Cut list, {fit.case.horse.name or 'horse: name not told'}",
        "horse": fit.case.horse.name or "Horse: name not told",
        "units": fit.case.print_units,
        "paper": PAPERS[fit.case.print_units],
        "who": f"Cut list · {fit.pad.name} · {date}",
        "pieces": [list(row) for row in table],
        "sheets": [list(row) for row in sheets],
        "buying": buying(fit),
        "lying": [{"name": name, "picture": for_paper(picture)} for name, picture in sheet_pictures(fit)],
        "face": any(part.shim.has_face for part in _parts(fit)),
    }
    return set_pdf("cutlist.typ", data, fit.case.today.date)


def _parts(fit: Fit) -> tuple[ShimPart, ...]:
    return shim_parts(fit.pad, fit.setup) if fit.setup is not None else ()


def sheet_pictures(fit: Fit) -> Iterator[tuple[str, Picture]]:
    """(name, picture) of every sheet, all to one scale; the numbers are those of the table."""
    parts = _parts(fit)
    entries = sheets_needed(parts, fit.case.stock)
    sizes = np.array([entry.nesting.sheet_mm for entry in entries if entry.nesting.sheets])
    if not sizes.size:
        return
    scale = float((np.array(ROOM_MM) / sizes.max(axis=0)).min())
    for entry in entries:
        for number in range(entry.nesting.sheets):
            name = f"{entry.shim.name} {words.thickness(entry.thickness_mm, fit.case.print_units)}"
            source = f", {entry.source}" if entry.source else ""
            yield f"{name}, sheet {entry.before + number + 1}{source}", _picture(entry, number, parts, scale)


def _picture(entry: SheetsOf, number: int, parts: tuple[ShimPart, ...], scale: float) -> Picture:
    width, height = (scale * size for size in entry.nesting.sheet_mm)
    edge = np.array([[0.0, 0.0], [width, 0.0], [width, height], [0.0, height]])
    strokes, labels = [Stroke(path(edge + 0.3, closed=True), "frame")], []
    for placed in entry.nesting.placed:
        if placed.sheet != number:
            continue
        index = entry.pieces[placed.index]
        outline = placed_outline(parts[index].outline, placed) * [scale, -scale] + [0.3, height + 0.3]
        middle = Polygon(outline).representative_point()
        strokes.append(Stroke(path(outline, closed=True), "pocket filled"))
        labels.append(Label(middle.x, middle.y, str(index + 1), 9.0, strong=True))
    title = f"Pieces on sheet {entry.before + number + 1}{', to buy' if entry.source == TO_BUY else ''}"
    return Picture(width + 0.6, height + 0.6, title, tuple(strokes), tuple(labels))
