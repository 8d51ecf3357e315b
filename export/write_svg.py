"""Drawing → SVG in millimetres: width and height in mm, one user unit is 1 mm."""

from pathlib import Path
from xml.sax.saxutils import escape

from shimwright.export.drawing import CUT, LAYERS, MARK, SCALE, TEXT, Drawing, Line, Text

MARGIN_MM = 5.0
INK = {CUT: "#d00000", MARK: "#0040c0", TEXT: "#000000", SCALE: "#007030"}
WIDTH_MM = {CUT: 0.1, MARK: 0.1, TEXT: 0.1, SCALE: 0.1}


def svg_text(drawing: Drawing) -> str:
    """The whole file. Layers are groups with ids cut, mark, text, scale."""
    left, bottom, right, top = drawing.bounds_mm
    left, top = left - MARGIN_MM, top + MARGIN_MM
    width, height = right + MARGIN_MM - left, top - bottom + MARGIN_MM
    groups = "\n".join(_group(drawing.only(layer), layer, left, top) for layer in LAYERS)
    return (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        f'<svg xmlns="http://www.w3.org/2000/svg" version="1.1" width="{_mm(width)}mm" height="{_mm(height)}mm"'
        f' viewBox="0 0 {_mm(width)} {_mm(height)}">\n<title>{escape(drawing.name)}</title>\n{groups}\n</svg>\n'
    )


def write_svg(drawing: Drawing, path: Path) -> None:
    path.write_text(svg_text(drawing), encoding="utf-8", newline="\n")


def _group(drawing: Drawing, layer: str, left: float, top: float) -> str:
    lines = [_line(line, left, top) for line in drawing.lines]
    texts = [_text(text, left, top) for text in drawing.texts]
    head = f'<g id="{layer}" fill="none" stroke="{INK[layer]}" stroke-width="{WIDTH_MM[layer]}">'
    return "\n".join([head, *lines, *texts, "</g>"])


def _line(line: Line, left: float, top: float) -> str:
    points = " L ".join(f"{_mm(x - left)} {_mm(top - y)}" for x, y in line.points_mm)
    dash = ' stroke-dasharray="3 2"' if line.dashed else ""
    return f'<path d="M {points}{" Z" if line.closed else ""}"{dash}/>'


def _text(text: Text, left: float, top: float) -> str:
    x, y = text.at_mm[0] - left, top - text.at_mm[1]
    turn = f' transform="rotate({_mm(-text.angle_deg)} {_mm(x)} {_mm(y)})"' if text.angle_deg else ""
    weight = ' font-weight="bold"' if text.bold else ""
    return (
        f'<text x="{_mm(x)}" y="{_mm(y)}" font-family="sans-serif" font-size="{_mm(text.height_mm)}"'
        f' text-anchor="{text.anchor}" fill="{INK[text.layer]}" stroke="none"{weight}{turn}>{escape(text.words)}</text>'
    )


def _mm(value: float) -> str:
    """Micrometres are enough; no negative zero, so that equal drawings give equal bytes."""
    return f"{round(value, 3) + 0.0:.3f}".rstrip("0").rstrip(".")
