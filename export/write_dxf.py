"""Drawing → DXF: R2010 (R12 on request), millimetres, layers cut, mark, text, scale; no words on the cut layer."""

import io
import logging
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import ezdxf
from ezdxf import filemanagement, units
from ezdxf.enums import TextEntityAlignment
from ezdxf.layouts.layout import Modelspace

from shimwright.export.drawing import CUT, LAYERS, MARK, SCALE, TEXT, Drawing, Line, Text

COLOUR = {CUT: 1, MARK: 5, TEXT: 7, SCALE: 3}  # AutoCAD colour index: red, blue, black or white, green
CAPITAL_SHARE = 0.7  # DXF gives the height of capitals, the drawing the size of the type
ALIGN = {
    "start": TextEntityAlignment.LEFT,
    "middle": TextEntityAlignment.CENTER,
    "end": TextEntityAlignment.RIGHT,
}


def dxf_text(drawing: Drawing, version: str = "R2010") -> str:
    """The whole file. version: R2010 | R12. R12 cannot say its unit: the 100 mm bars do."""
    with _quietly_without_clock():
        document = filemanagement.new(version, setup=["linetypes"], units=units.MM if version != "R12" else 0)
        document.header["$MEASUREMENT"] = 1
        for layer in LAYERS:
            document.layers.add(layer, color=COLOUR[layer])
        space = document.modelspace()
        for line in drawing.lines:
            _add_line(space, line, version)
        for text in drawing.texts:
            _add_text(space, text)
        for kind in sorted(document.entitydb.dxf_types_in_use()):  # else in the order of a set, which no two runs share
            document.classes.add_class(kind)
        stream = io.StringIO()
        document.write(stream)
    return stream.getvalue()


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


@contextmanager
def _quietly_without_clock() -> Iterator[None]:
    """No times and random ids, which a DXF file otherwise holds: the same drawing gives the same bytes."""
    options = ezdxf.options  # type: ignore[attr-defined]  # public by its manual, not by its export list
    log = logging.getLogger("ezdxf")
    before = options.write_fixed_meta_data_for_testing, log.level
    options.write_fixed_meta_data_for_testing = True
    log.setLevel(logging.ERROR)  # it warns of every R12 file that this has no unit
    try:
        yield
    finally:
        options.write_fixed_meta_data_for_testing = before[0]
        log.setLevel(before[1])
