"""Drawing → DXF: R2010 (R12 on request), millimetres, layers cut, mark, text, scale; no words on the cut layer."""

import io
from pathlib import Path

import ezdxf
from ezdxf import units
from ezdxf.document import Drawing as Document
from ezdxf.enums import TextEntityAlignment
from ezdxf.layouts import Modelspace

from shimwright.export.drawing import CUT, LAYERS, MARK, SCALE, TEXT, Drawing, Line, Text

COLOUR = {CUT: 1, MARK: 5, TEXT: 7, SCALE: 3}  # AutoCAD colour index: red, blue, black or white, green
CAPITAL_SHARE = 0.7  # DXF gives the height of capitals, the drawing the size of the type
ALIGN = {
    "start": TextEntityAlignment.LEFT,
    "middle": TextEntityAlignment.CENTER,
    "end": TextEntityAlignment.RIGHT,
}


def dxf_text(drawing: Drawing, version: str = "R2010") -> str:
    """The whole file. version: R2010 | R12."""
    document = ezdxf.new(version, setup=["linetypes"])
    if version != "R12":  # R12 has no header entry for units
        document.units = units.MM
    document.header["$MEASUREMENT"] = 1
    for layer in LAYERS:
        document.layers.add(layer, color=COLOUR[layer])
    space = document.modelspace()
    for line in drawing.lines:
        _add_line(space, line, version)
    for text in drawing.texts:
        _add_text(space, text)
    return _fixed_bytes(document)


def write_dxf(drawing: Drawing, path: Path, version: str = "R2010") -> None:
    text = dxf_text(drawing, version)
    path.write_text(text, encoding="utf-8" if version != "R12" else "cp1252", errors="dxfreplace", newline="\n")


def _add_line(space: Modelspace, line: Line, version: str) -> None:
    look = {"layer": line.layer} | ({"linetype": "DASHED"} if line.dashed else {})
    points = [(round(float(x), 4), round(float(y), 4)) for x, y in line.points_mm]
    if version == "R12":
        space.add_polyline2d(points, close=line.closed, dxfattribs=look)
    else:
        space.add_lwpolyline(points, close=line.closed, dxfattribs=look)


def _add_text(space: Modelspace, text: Text) -> None:
    if text.layer == CUT:
        raise ValueError("a cutter would cut the words")
    entity = space.add_text(
        text.words, height=CAPITAL_SHARE * text.height_mm, rotation=text.angle_deg, dxfattribs={"layer": text.layer}
    )
    entity.set_placement(text.at_mm, align=ALIGN[text.anchor])


def _fixed_bytes(document: Document) -> str:
    """Without the clock and random ids that a DXF header otherwise holds: the same drawing gives the same bytes."""
    before = ezdxf.options.write_fixed_meta_data_for_testing
    ezdxf.options.write_fixed_meta_data_for_testing = True
    try:
        stream = io.StringIO()
        document.write(stream)
    finally:
        ezdxf.options.write_fixed_meta_data_for_testing = before
    return stream.getvalue()
