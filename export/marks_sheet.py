"""marks.pdf: dots for the horse, a 300 mm strip, and how to measure every number of saddle.toml and pad.toml.

One set of pages for A4 and Letter: everything stays inside what both papers have. The strip lies slantwise, because
300 mm is longer than either page.
"""

from pathlib import Path

from shimwright.export.how_to_measure import pad_drawing, saddle_drawings, tree_drawing
from shimwright.export.marks_drawing import DOTS, dot, strip
from shimwright.export.picture import for_paper
from shimwright.export.typesetting import set_pdf


def write_marks(folder: Path) -> None:
    """Write marks.pdf into folder."""
    (folder / "marks.pdf").write_bytes(marks_pdf())


def marks_pdf() -> bytes:
    data = {
        "title": "Marks for the scan, and how to measure",
        "paper": "a4",
        "dots": [{"name": d.name, "colour": d.colour, "place": d.place, "picture": for_paper(dot(d))} for d in DOTS],
        "strip": for_paper(strip()),
        "saddle": [
            {"name": name, "text": text, "picture": for_paper(picture)} for name, text, picture in saddle_drawings()
        ],
        "pad": [
            {"name": name, "text": text, "picture": for_paper(picture)}
            for name, text, picture in (*pad_drawing(), *tree_drawing())
        ],
    }
    return set_pdf("marks.typ", data, None)
