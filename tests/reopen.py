"""Templates read again by libraries that did not write them: pdfium for PDF, lxml for SVG, ezdxf's recovery for DXF.

Everything comes back as polylines in millimetres, y up.
"""

import ctypes
import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pypdfium2
import pypdfium2.raw as pdfium
from lxml import etree
from numpy.typing import NDArray

POINT_MM = 25.4 / 72.0  # PDF user space, ISO 32000-1 §8.3.2.3: 1/72 inch


@dataclass(frozen=True)
class Path2D:
    points_mm: NDArray[np.float64]
    closed: bool
    width_mm: float

    @property
    def size_mm(self) -> NDArray[np.float64]:
        return np.ptp(self.points_mm, axis=0)


def pdf_pages(path: Path) -> list[list[Path2D]]:
    """The stroked paths of every page."""
    document = pypdfium2.PdfDocument(path)
    try:
        return [_page_paths(page) for page in document]
    finally:
        document.close()


def pdf_words(path: Path) -> list[str]:
    document = pypdfium2.PdfDocument(path)
    try:
        return [page.get_textpage().get_text_bounded() for page in document]
    finally:
        document.close()


def _page_paths(page: pypdfium2.PdfPage) -> list[Path2D]:
    found = []
    for item in page.get_objects(filter=[pdfium.FPDF_PAGEOBJ_PATH], max_depth=5):
        matrix, width = pdfium.FS_MATRIX(), ctypes.c_float()
        assert pdfium.FPDFPageObj_GetMatrix(item.raw, matrix)
        assert pdfium.FPDFPageObj_GetStrokeWidth(item.raw, width)
        points, closed = [], False
        for i in range(pdfium.FPDFPath_CountSegments(item.raw)):
            segment = pdfium.FPDFPath_GetPathSegment(item.raw, i)
            x, y = ctypes.c_float(), ctypes.c_float()
            assert pdfium.FPDFPathSegment_GetPoint(segment, x, y)
            points.append(
                (
                    matrix.a * x.value + matrix.c * y.value + matrix.e,
                    matrix.b * x.value + matrix.d * y.value + matrix.f,
                )
            )
            closed = closed or bool(pdfium.FPDFPathSegment_GetClose(segment))
        found.append(Path2D(np.array(points) * POINT_MM, closed, width.value * POINT_MM))
    return found


def svg_layer(path: Path, layer: str) -> list[Path2D]:
    """Paths of one layer in mm, by width, height and viewBox as a browser would scale them."""
    root = etree.parse(path).getroot()
    view = [float(value) for value in root.get("viewBox").split()]
    width, height = (float(root.get(name).removesuffix("mm")) for name in ("width", "height"))
    assert root.get("width").endswith("mm")
    group = root.find(f"{{*}}g[@id='{layer}']")
    found = []
    for item in group.findall("{*}path"):
        numbers = np.array(re.findall(r"-?\d+(?:\.\d+)?", item.get("d")), float).reshape(-1, 2)
        points = numbers * [width / view[2], -height / view[3]]
        found.append(Path2D(points, item.get("d").rstrip().endswith("Z"), float(group.get("stroke-width"))))
    return found


def dxf_layer(path: Path, layer: str) -> list[Path2D]:
    from ezdxf import recover

    document, auditor = recover.readfile(path)
    assert not auditor.errors
    found = []
    for entity in document.modelspace().query(f'LWPOLYLINE POLYLINE[layer=="{layer}"]'):
        points = entity.get_points("xy") if entity.dxftype() == "LWPOLYLINE" else [(v.x, v.y) for v in entity.points()]
        closed = entity.closed if entity.dxftype() == "LWPOLYLINE" else entity.is_closed
        found.append(Path2D(np.array(points, float), bool(closed), 0.0))
    return found


def hundred_mm_bars(paths: list[Path2D]) -> tuple[list[float], list[float]]:
    """Lengths of straight two-point lines near 100 mm: (level, upright)."""
    straight = [path.size_mm for path in paths if len(path.points_mm) == 2]
    level = [float(size[0]) for size in straight if size[1] < 0.01 and abs(size[0] - 100.0) < 5.0]
    upright = [float(size[1]) for size in straight if size[0] < 0.01 and abs(size[1] - 100.0) < 5.0]
    return level, upright
