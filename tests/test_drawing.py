"""The drawing model, its pages and its writers. A golden drawing, and its twin that must fail.

Store the golden drawing anew, after looking at it: STORE_GOLDEN=1 pytest tests/test_drawing.py
"""

import os
from pathlib import Path

import numpy as np
import pytest
from fit_fixture import best_setup, example_pad
from reopen import pdf_pages, svg_layer
from shapely.geometry import LineString, box
from shapely.ops import unary_union

from shimwright.export.drawing import CUT, LAYERS, MARK, Drawing, Line, Text, scale_bars, together
from shimwright.export.paper import A4, LETTER, OVERLAP_MM, PAPERS, Heading, Page, lay_out
from shimwright.export.shim_parts import Labels, part_drawing, shim_parts
from shimwright.export.write_dxf import dxf_text
from shimwright.export.write_pdf import write_pdf
from shimwright.export.write_svg import svg_text, write_svg

GOLDEN = Path(__file__).parent / "golden" / "middle-left-lower-layer.svg"
HEADING = Heading("Test", "no date")


def square(width: float, height: float, name: str = "piece") -> Drawing:
    corners = np.array([[0.0, 0.0], [width, 0.0], [width, height], [0.0, height]])
    return Drawing(name, (Line(corners, CUT, closed=True),))


def golden_drawing() -> Drawing:
    part = shim_parts(example_pad(), best_setup())[1]
    return part_drawing(part, Labels("Linnet", "14 March 2026", "mm"))


def same_drawing(first: Path, second: Path) -> bool:
    """The same layers, closed alike, every point within 0.01 mm; words and their places alike."""
    for layer in LAYERS:
        a, b = svg_layer(first, layer), svg_layer(second, layer)
        if len(a) != len(b):
            return False
        for one, other in zip(a, b, strict=True):
            if one.closed != other.closed or one.points_mm.shape != other.points_mm.shape:
                return False
            if np.abs(one.points_mm - other.points_mm).max() > 0.01:
                return False
    words = [
        [line for line in path.read_text("utf-8").splitlines() if line.startswith("<text")] for path in (first, second)
    ]
    return words[0] == words[1]


def test_golden_drawing(tmp_path: Path) -> None:
    if os.environ.get("STORE_GOLDEN"):
        write_svg(golden_drawing(), GOLDEN)
    write_svg(golden_drawing(), tmp_path / "now.svg")
    assert same_drawing(GOLDEN, tmp_path / "now.svg")


@pytest.mark.parametrize("change", ["a corner by 0.1 mm", "a word", "a line less", "open"])
def test_the_golden_comparison_can_fail(tmp_path: Path, change: str) -> None:
    drawing = golden_drawing()
    outline = drawing.lines[0]
    moved = outline.points_mm.copy()
    moved[2, 0] += 0.1
    lines = {
        "a corner by 0.1 mm": (Line(moved, CUT, closed=True), *drawing.lines[1:]),
        "open": (Line(outline.points_mm, CUT), *drawing.lines[1:]),
        "a line less": drawing.lines[:-1],
        "a word": drawing.lines,
    }[change]
    texts = drawing.texts if change != "a word" else (Text("middle right", drawing.texts[0].at_mm), *drawing.texts[1:])
    write_svg(Drawing(drawing.name, lines, texts), tmp_path / "twin.svg")
    assert not same_drawing(GOLDEN, tmp_path / "twin.svg")


def test_turning_keeps_sizes_and_never_mirrors() -> None:
    corners = np.array([[0.0, 0.0], [30.0, 0.0], [30.0, 10.0], [5.0, 20.0]])
    drawing = Drawing("x", (Line(corners, CUT, closed=True),), (Text("word", (3.0, 4.0)),))
    for angle in (90.0, 180.0, 270.0, -90.0, 37.0):
        turned = drawing.turned(angle).moved(5.0, -7.0).lines[0].points_mm
        assert np.allclose(
            np.linalg.norm(np.diff(turned, axis=0), axis=1), np.linalg.norm(np.diff(corners, axis=0), axis=1)
        )
        a, b = turned[1] - turned[0], turned[2] - turned[1]
        assert a[0] * b[1] - a[1] * b[0] > 0  # still counter-clockwise
    assert drawing.turned(90.0).texts[0].at_mm == (-4.0, 3.0)


@pytest.mark.parametrize("bad", [np.array([[0.0, np.nan]]), np.zeros((3, 3)), np.zeros(4)])
def test_a_line_that_is_no_line_is_refused(bad: np.ndarray) -> None:
    with pytest.raises(ValueError, match="finite points"):
        Line(bad, CUT)


def test_no_words_on_the_cut_layer() -> None:
    with pytest.raises(ValueError, match="cutter"):
        dxf_text(Drawing("x", (), (Text("a", (0.0, 0.0), layer=CUT),)))


def cut_lines(page: Page) -> list[LineString]:
    lines = [line for line in page.drawing.lines if line.layer == CUT]
    return [LineString(np.vstack([x.points_mm, x.points_mm[:1]]) if x.closed else x.points_mm) for x in lines]


@pytest.mark.parametrize("paper", PAPERS)
@pytest.mark.parametrize("size", [(130.0, 92.0), (92.0, 130.0), (180.0, 230.0), (230.0, 180.0), (20.0, 30.0)])
def test_a_piece_that_fits_a_page_is_never_split(paper: object, size: tuple[float, float]) -> None:
    pages = lay_out([square(*size)] * 5, paper, HEADING)
    outlines = [outline for page in pages for outline in page.drawing.cut_outlines]
    assert len(outlines) == 5
    for outline in outlines:
        assert sorted(np.ptp(outline, axis=0)) == pytest.approx(sorted(size))
    for page in pages:
        window = box(*paper.window_mm).buffer(1e-6)
        shapes = [box(*line.bounds) for line in cut_lines(page)]
        assert all(window.contains(shape) for shape in shapes)
        assert all(a.distance(b) > 5.0 for i, a in enumerate(shapes) for b in shapes[:i])


def test_pieces_share_pages_where_they_fit() -> None:
    """Two pieces of 130 × 92 mm lie on one A4 page when both are turned."""
    assert len(lay_out([square(92.0, 130.0)] * 4, A4, HEADING)) == 2


@pytest.mark.parametrize("paper", [A4, LETTER])
@pytest.mark.parametrize("size", [(400.0, 150.0), (150.0, 400.0), (900.0, 120.0), (500.0, 600.0)])
def test_tiles_hold_the_whole_piece_with_the_overlap(paper: object, size: tuple[float, float]) -> None:
    """The tiles' lines, put back where the crosses say, are the piece again; neighbours share the overlap."""
    pages = lay_out([square(*size)], paper, HEADING)
    room = paper.room_mm
    steps = [room[0] - OVERLAP_MM, room[1] - OVERLAP_MM]
    placed = []
    for page in pages:
        name = next(text.words for text in page.drawing.texts if text.words.startswith("tile "))
        row, column = ord(name[5]) - ord("A"), int(name[6:]) - 1
        shift = np.array([column * steps[0], -row * steps[1]]) - np.array([paper.window_mm[0], paper.window_mm[3]])
        placed += [LineString(np.asarray(line.coords) + shift) for line in cut_lines(page)]
    together_again = unary_union(placed)
    turned = size if together_again.bounds[2] - together_again.bounds[0] > size[0] - 1 else size[::-1]
    whole = LineString([(0, 0), (turned[0], 0), (turned[0], -turned[1]), (0, -turned[1]), (0, 0)])
    assert together_again.buffer(0.01).covers(whole)
    assert whole.buffer(0.01).covers(together_again)
    assert sum(line.length for line in placed) > whole.length + OVERLAP_MM


def test_page_words_are_at_least_8_pt_and_inside_the_page() -> None:
    for paper in PAPERS:
        for page in lay_out([square(100.0, 100.0), square(700.0, 100.0, "a long piece")], paper, HEADING):
            assert all(text.height_mm * 72.0 / 25.4 >= 8.0 for text in page.drawing.texts)
            corners = np.vstack([text.corners_mm for text in page.drawing.texts])
            assert (corners >= 4.0).all()
            assert (corners <= [paper.width_mm - 4.0, paper.height_mm - 4.0]).all()


def test_pdf_path_is_the_drawing(tmp_path: Path) -> None:
    corners = np.array([[20.0, 60.0], [120.123, 60.0], [110.0, 160.456]])
    page = Page(A4, Drawing("x", (Line(corners, CUT, closed=True), Line(corners, MARK, dashed=True))))
    write_pdf([page], tmp_path / "x.pdf", "x")
    closed, open_line = pdf_pages(tmp_path / "x.pdf")[0]
    assert closed.closed
    assert not open_line.closed
    assert np.allclose(closed.points_mm[:3], corners, atol=0.001)


def test_svg_is_in_millimetres_and_escapes_words() -> None:
    drawing = together("<a & b>", (square(50.0, 20.0), Drawing("t", (), (Text("A & <B>", (1.0, 1.0)),))))
    text = svg_text(drawing)
    assert 'width="60mm" height="30mm" viewBox="0 0 60 30"' in text  # 5 mm around
    assert "A &amp; &lt;B&gt;" in text
    assert "<title>&lt;a &amp; b&gt;</title>" in text


def test_bars_are_100_mm() -> None:
    lines = scale_bars(3.0, 4.0).lines
    assert np.allclose([np.ptp(line.points_mm, axis=0).max() for line in lines[:2]], 100.0)
