"""tracing.pdf: the grid sheet for those without a scanner, two landscape pages to glue along the centre line.

The geometry is that of `scan/trace_sheet.py`, which also reads the photograph. All but the corner marks is printed in a
blue that vanishes in the photograph's blue channel. One file for A4 and Letter: it stays inside what both papers have.
"""

from pathlib import Path

from shimwright.export.typesetting import set_pdf
from shimwright.scan.trace_sheet import GRID_MM, HALF_WIDTH_MM, HEIGHT_MM, HOLE_MM, MARK_MM, corner_marks


def write_trace_paper(folder: Path) -> None:
    """Write tracing.pdf into folder."""
    (folder / "tracing.pdf").write_bytes(trace_paper_pdf())


def trace_paper_pdf() -> bytes:
    marks = corner_marks()
    data = {
        "title": "Grid sheet for tracing a section",
        "paper": "a4",
        "half_width": HALF_WIDTH_MM,
        "height": HEIGHT_MM,
        "grid": GRID_MM,
        "mark": MARK_MM,
        "hole": HOLE_MM,
        "between_marks": marks[0].y_mm - marks[1].y_mm,
        "marks": [{"y": mark.y_mm, "z": mark.z_mm, "hole": mark.hole} for mark in marks],
    }
    return set_pdf("tracing.typ", data, None)
