"""Pages → PDF at full size: absolute coordinates in the paths, no scaling by the viewer, the same bytes every time."""

from collections.abc import Sequence
from functools import cache
from importlib.resources import as_file, files
from pathlib import Path

from reportlab.lib.units import mm
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas

from shimwright.export.drawing import CUT, MARK, SCALE, TEXT, Drawing, Line, Text
from shimwright.export.paper import Page

WIDTH_MM = {CUT: 0.4, MARK: 0.2, TEXT: 0.2, SCALE: 0.25}
GREY = {CUT: 0.0, MARK: 0.35, TEXT: 0.0, SCALE: 0.0}
DASH_MM = (3.0, 2.0)
FACES = {False: "InterForTemplates-Regular", True: "InterForTemplates-SemiBold"}


def write_pdf(pages: Sequence[Page], path: Path, title: str) -> None:
    """Raises OSError where the file cannot be written."""
    _load_faces()
    canvas = Canvas(str(path), invariant=1, pageCompression=1)
    canvas.setTitle(title)
    canvas.setAuthor("shimwright")
    canvas.setSubject("Print at 100 %")
    canvas.setViewerPreference("PrintScaling", "None")
    for page in pages:
        canvas.setPageSize((page.paper.width_mm * mm, page.paper.height_mm * mm))
        _draw(canvas, page.drawing)
        canvas.showPage()
    canvas.save()


@cache
def _load_faces() -> None:
    """Once: taking a font file apart takes as long as drawing a page."""
    for face in FACES.values():
        with as_file(files("shimwright.export") / "fonts" / f"{face}.ttf") as file:
            pdfmetrics.registerFont(TTFont(face, str(file)))


def _draw(canvas: Canvas, drawing: Drawing) -> None:
    canvas.setLineCap(0)
    canvas.setLineJoin(1)
    for line in drawing.lines:
        _draw_line(canvas, line)
    for text in drawing.texts:
        _draw_text(canvas, text)


def _draw_line(canvas: Canvas, line: Line) -> None:
    canvas.setLineWidth(WIDTH_MM[line.layer] * mm)
    canvas.setStrokeGray(GREY[line.layer])
    canvas.setDash([length * mm for length in DASH_MM] if line.dashed else [])
    path = canvas.beginPath()
    (x, y), *rest = line.points_mm * mm
    path.moveTo(x, y)
    for x, y in rest:
        path.lineTo(x, y)
    if line.closed:
        path.close()
    canvas.drawPath(path, stroke=1, fill=0)


def _draw_text(canvas: Canvas, text: Text) -> None:
    canvas.setFillGray(GREY[text.layer])
    canvas.setFont(FACES[text.bold], text.height_mm * mm)
    write = {"start": canvas.drawString, "middle": canvas.drawCentredString, "end": canvas.drawRightString}[text.anchor]
    if text.angle_deg == 0:
        write(text.at_mm[0] * mm, text.at_mm[1] * mm, text.words)
        return
    canvas.saveState()
    canvas.translate(text.at_mm[0] * mm, text.at_mm[1] * mm)
    canvas.rotate(text.angle_deg)
    write(0, 0, text.words)
    canvas.restoreState()
