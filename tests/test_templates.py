"""Templates re-opened by independent readers and measured: bars 100.00 ± 0.05 mm, every piece to 0.05 mm (issue of the
workshop's outputs); the outlines, rasterised again, are the shape that the contact model assumed."""

import csv
from dataclasses import replace
from pathlib import Path

import ezdxf
import numpy as np
import pypdf
import pytest
from fit_fixture import best_setup, example_back, example_fit, example_pad
from reopen import Path2D, dxf_layer, hundred_mm_bars, pdf_pages, pdf_words, svg_layer
from shapely.geometry import Polygon

from shimwright.export.back_templates import BAND_MM, HALF_SECTION_MM, back_curves, named_sections, write_back_templates
from shimwright.export.cutlist import write_cutlist
from shimwright.export.drawing import BAR_MM
from shimwright.export.shim_parts import Labels, part_drawing, shim_parts
from shimwright.export.templates import write_templates
from shimwright.optimize.setup import height_mm
from shimwright.optimize.stacks import layer_thickness

TOLERANCE_MM = 0.05
PAPERS_MM = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}  # ISO 216; ANSI/ASME Y14.1: 8.5 × 11 in
PDF_NAMES = [f"{kind}-{paper}.pdf" for kind in ("templates", "back-templates") for paper in PAPERS_MM]


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("maker")
    fit = example_fit()
    write_templates(fit, folder, "maker")
    write_back_templates(fit.back, folder, "maker")
    write_cutlist(fit, folder / "cutlist.csv")
    return folder


def pieces(folder: Path) -> list[dict[str, str]]:
    with (folder / "cutlist.csv").open(encoding="utf-8", newline="") as file:
        return [row for row in csv.DictReader(file) if row["kind"] == "piece"]


def sizes_of(paths: list[Path2D]) -> list[tuple[float, float]]:
    """(shorter, longer) side of every closed outline, sorted."""
    return sorted(tuple(sorted(path.size_mm.round(3))) for path in paths if path.closed)


@pytest.mark.parametrize("name", PDF_NAMES)
def test_every_page_has_true_bars_both_ways(written: Path, name: str) -> None:
    for page in pdf_pages(written / name):
        for bars in hundred_mm_bars(page):
            assert any(abs(bar - 100.0) <= TOLERANCE_MM for bar in bars)


def test_the_bar_check_can_fail(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr("shimwright.export.drawing.BAR_MM", 0.97 * BAR_MM)
    write_templates(example_fit(), tmp_path)
    level, upright = hundred_mm_bars(pdf_pages(tmp_path / "templates-a4.pdf")[0])
    assert not any(abs(bar - 100.0) <= TOLERANCE_MM for bar in (*level, *upright))


@pytest.mark.parametrize("name", PDF_NAMES)
def test_every_page_says_how_to_print_and_forbids_scaling(written: Path, name: str) -> None:
    reader = pypdf.PdfReader(written / name)
    assert reader.trailer["/Root"]["/ViewerPreferences"]["/PrintScaling"] == "/None"
    for page, words in zip(reader.pages, pdf_words(written / name), strict=True):
        size = [float(value) * 25.4 / 72.0 for value in page.mediabox[2:]]
        assert size == pytest.approx(PAPERS_MM[name.rsplit("-", 1)[1].removesuffix(".pdf")], abs=0.01)
        assert "Print at 100 %" in words
        assert "97" in words


@pytest.mark.parametrize("paper", PAPERS_MM)
def test_pieces_on_paper_have_the_size_of_the_cut_list_and_are_never_split(written: Path, paper: str) -> None:
    pages = pdf_pages(written / f"templates-{paper}.pdf")
    drawn = sizes_of([path for page in pages for path in page if path.width_mm > 0.35])
    listed = sorted(tuple(sorted((float(row["length_mm"]), float(row["width_mm"])))) for row in pieces(written))
    assert len(drawn) == len(listed) == 5
    assert np.allclose(drawn, listed, atol=TOLERANCE_MM)


@pytest.mark.parametrize("ending", [".svg", ".dxf", "-r12.dxf"])
def test_nested_sheets_hold_every_piece_once_at_its_size(written: Path, ending: str) -> None:
    read = svg_layer if ending == ".svg" else dxf_layer
    found = [path for file in sorted(written.glob(f"shims-*sheet-?{ending}")) for path in read(file, "cut")]
    assert all(path.closed for path in found)
    listed = sorted(tuple(sorted((float(row["length_mm"]), float(row["width_mm"])))) for row in pieces(written))
    assert np.allclose(sizes_of(found), listed, atol=TOLERANCE_MM)


def test_all_three_formats_have_the_same_outlines(written: Path) -> None:
    for file in sorted(written.glob("shims-*sheet-?.svg")):
        from_svg, from_dxf = svg_layer(file, "cut"), dxf_layer(file.with_suffix(".dxf"), "cut")
        for a, b in zip(from_svg, from_dxf, strict=True):
            shift = b.points_mm[0] - a.points_mm[0]
            assert np.allclose(a.points_mm + shift, b.points_mm, atol=0.005)
    on_paper = [path for page in pdf_pages(written / "templates-a4.pdf") for path in page if path.width_mm > 0.35]
    in_dxf = [path for file in sorted(written.glob("shims-*-?.dxf")) for path in dxf_layer(file, "cut")]
    areas = [sorted(Polygon(path.points_mm).area for path in paths if path.closed) for paths in (on_paper, in_dxf)]
    assert np.allclose(*areas, rtol=2e-4)


@pytest.mark.parametrize("name", ["shims-felt-6.2mm-sheet-1.dxf", "back-templates.dxf"])
def test_dxf_audit_units_layers(written: Path, name: str) -> None:
    document = ezdxf.readfile(written / name)
    assert not document.audit().has_issues
    assert document.dxfversion == "AC1024"  # R2010
    assert document.header["$INSUNITS"] == 4  # millimetres, DXF reference
    assert {"cut", "mark", "text", "scale"} <= {layer.dxf.name for layer in document.layers}
    on_cut = document.modelspace().query('*[layer=="cut"]')
    assert {entity.dxftype() for entity in on_cut} == {"LWPOLYLINE"}
    r12 = ezdxf.readfile(written / name.replace(".dxf", "-r12.dxf"))
    assert r12.dxfversion == "AC1009"
    assert not r12.audit().has_issues
    for file in (written / name, written / name.replace(".dxf", "-r12.dxf")):
        for bars in hundred_mm_bars(dxf_layer(file, "scale")):
            assert bars == pytest.approx([100.0], abs=TOLERANCE_MM)


def test_pieces_lie_on_the_sheet_as_the_nesting_says(written: Path) -> None:
    for file in sorted(written.glob("shims-*sheet-?.dxf")):
        shapes = [Polygon(path.points_mm) for path in dxf_layer(file, "cut")]
        sheet = Polygon(max(dxf_layer(file, "mark"), key=lambda path: float(np.prod(path.size_mm))).points_mm)
        assert all(sheet.buffer(0.01).contains(shape) for shape in shapes)
        assert all(a.distance(b) >= 4.99 for i, a in enumerate(shapes) for b in shapes[:i])


def test_left_and_right_are_not_flipped() -> None:
    """Seen from above, forward up: the left pocket's inner edge (nearer the spine) lies to the right."""
    for part in shim_parts(example_pad(), best_setup()):
        outline = part_drawing(part, Labels("Linnet", None, "mm")).cut_outlines[0]
        flat = Polygon(part.outline)
        drawn = Polygon(outline)
        assert drawn.exterior.is_ccw == flat.exterior.is_ccw
        assert drawn.area == pytest.approx(flat.area)
        front = outline[np.argmax(outline[:, 1]), 0]  # the pocket's foremost corner lies near the spine
        assert (front > drawn.centroid.x) == (part.side == "left")


@pytest.mark.parametrize("words", ["Linnet", "middle left", "layer 2 of 2", "next to the horse", "away", "forward",
                                   "6.2 mm as measured", "bevel 31 mm", "face up", "14 March 2026"])  # fmt: skip
def test_every_label_is_on_the_piece(written: Path, words: str) -> None:
    text = " ".join(" ".join(page.split()) for page in pdf_words(written / "templates-a4.pdf"))
    assert words in text


def test_words_lie_inside_their_piece() -> None:
    for part in shim_parts(example_pad(), best_setup()):
        drawing = part_drawing(part, Labels("Linnet", "14 March 2026", "in"))
        piece = Polygon(drawing.cut_outlines[0])
        assert all(piece.contains(Polygon(text.corners_mm)) for text in drawing.texts)
        assert min(text.height_mm for text in drawing.texts) * 72.0 / 25.4 >= 8.0


def test_outlines_rasterised_again_are_the_shape_the_contact_model_assumed() -> None:
    """DESIGN §13: T = Σ t · min(1, d / 5t) — here computed anew from the outlines that are cut."""
    pad, setup = example_pad(), best_setup()
    grid = np.stack(np.meshgrid(np.arange(-410.0, 0.0, 4.0), np.arange(-140.0, 141.0, 4.0)), axis=-1).reshape(-1, 2)
    for pocket in pad.pockets:
        stack = setup.stacks[pocket.name]
        total = np.zeros(len(grid))
        for part in shim_parts(pad, setup):
            if part.pocket == pocket.name:
                total += bevelled(part.outline, part.thickness_mm, grid)
        assumed = layer_thickness(pad, pocket, stack, grid).sum(axis=0)
        assert np.allclose(total, assumed, atol=1e-6)
        assert total.max() <= height_mm(stack) + 1e-9


def bevelled(outline: np.ndarray, thickness: float, grid: np.ndarray) -> np.ndarray:
    """t · min(1, d / 5t) inside the outline, by the distance of points to segments and the even–odd rule."""
    ends = np.roll(outline, -1, axis=0)
    along = ends - outline
    share = np.einsum("nkj,kj->nk", grid[:, None] - outline, along) / (along**2).sum(axis=1)
    foot = outline + np.clip(share, 0.0, 1.0)[..., None] * along
    distance = np.linalg.norm(grid[:, None] - foot, axis=2).min(axis=1)
    spans = (outline[:, 1] > grid[:, 1:]) != (ends[:, 1] > grid[:, 1:])
    with np.errstate(divide="ignore", invalid="ignore"):
        crossing = outline[:, 0] + (grid[:, 1:] - outline[:, 1]) / along[:, 1] * along[:, 0]
    inside = (spans & (grid[:, :1] < crossing)).sum(axis=1) % 2 == 1
    return np.where(inside, thickness * np.minimum(1.0, distance / (5.0 * thickness)), 0.0)


def test_back_sections_are_the_surface() -> None:
    """Points of the cut line, carried back, lie on the surface that they were drawn from."""
    back = example_back()
    curves = {curve.name: curve for curve in back_curves(back)}
    assert len(curves) == 5
    for name, x in named_sections(back):
        curve = next(curve for title, curve in curves.items() if title.startswith(name))
        y0, z0 = (float(value) for value in back.midline.at(x))
        points = np.column_stack([np.full(len(curve.points), x), y0 - curve.points[:, 0], curve.points[:, 1] + z0])
        _, phi, rho = back.surface.polar(points)
        assert np.abs(rho - back.surface.radius(points[:, 0], phi)).max() < 0.05
        assert np.abs(curve.points[:, 0]).max() <= HALF_SECTION_MM


def test_positive_and_negative_meet_without_gap_or_overlap(written: Path) -> None:
    outlines = [Polygon(path.points_mm) for path in dxf_layer(written / "back-templates.dxf", "cut")]
    assert len(outlines) == 10  # profile and four sections, both kinds
    for positive, negative in zip(outlines[::2], outlines[1::2], strict=True):
        left, bottom, right, top = negative.bounds
        rectangle = (right - left) * (top - bottom + BAND_MM)
        assert positive.area + negative.area == pytest.approx(rectangle, rel=1e-5)
        assert positive.bounds[2] - positive.bounds[0] == pytest.approx(right - left, abs=0.01)


def test_tiles_join(written: Path) -> None:
    """Crosses of neighbouring tiles are the same points: put on one another, the cut lines continue."""
    pages = pdf_pages(written / "back-templates-a4.pdf")
    words = pdf_words(written / "back-templates-a4.pdf")
    first = next(
        i for i, text in enumerate(words) if "arch section" in text and "tile A1" in text and "A1 – A2" in text
    )
    left, right = crosses(pages[first]), crosses(pages[first + 1])
    shift = right[0] - left[0]
    assert len(left) == len(right) == 3
    assert np.allclose(np.array(left) + shift, right, atol=0.02)
    a = longest(pages[first]) + shift
    b = longest(pages[first + 1])
    shared = b[(b[:, 0] > b[:, 0].min() + 0.1) & (b[:, 0] < a[:, 0].max() - 0.1)]
    order = np.argsort(a[:, 0])
    assert len(shared) > 0
    assert np.allclose(np.interp(shared[:, 0], a[order, 0], a[order, 1]), shared[:, 1], atol=0.05)


def crosses(page: list[Path2D]) -> list[np.ndarray]:
    level = [
        p.points_mm.mean(axis=0)
        for p in page
        if len(p.points_mm) == 2 and np.allclose(p.size_mm, [8.0, 0.0], atol=0.01)
    ]
    return sorted(level, key=lambda point: point[1])


def longest(page: list[Path2D]) -> np.ndarray:
    """The cut curve: the thick path with most points."""
    return max((p.points_mm for p in page if p.width_mm > 0.35), key=len)


def test_van_gets_paper_only(tmp_path: Path) -> None:
    fit = example_fit()
    write_templates(fit, tmp_path, "van")
    write_back_templates(fit.back, tmp_path, "van")
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted(PDF_NAMES)


def test_the_same_answer_gives_the_same_bytes(written: Path, tmp_path: Path) -> None:
    fit = example_fit()
    write_templates(fit, tmp_path, "maker")
    write_back_templates(fit.back, tmp_path, "maker")
    names = sorted(path.name for path in tmp_path.iterdir())
    assert len(names) > 10
    assert all((tmp_path / name).read_bytes() == (written / name).read_bytes() for name in names)


def test_no_shims_is_a_page_that_says_so(tmp_path: Path) -> None:
    write_templates(replace(example_fit(), setup=None), tmp_path, "laser")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["templates-a4.pdf", "templates-letter.pdf"]
    assert "Nothing to cut" in pdf_words(tmp_path / "templates-a4.pdf")[0]


def test_what_was_not_seen_is_marked_and_never_guessed_far() -> None:
    """A gap of 20 mm is bridged and dashed; one of 100 mm ends the template there."""
    back = example_back()
    surface = back.surface
    narrow, wide = surface.radius_mm.copy(), surface.radius_mm.copy()
    narrow[:, 105:109] = np.nan
    wide[:, 105:130] = np.nan
    whole = section_of(back)
    bridged = section_of(replace(back, surface=replace(surface, radius_mm=narrow)))
    ended = section_of(replace(back, surface=replace(surface, radius_mm=wide)))
    assert len(whole.unseen) == 0
    assert len(bridged.unseen) == 1
    assert len(ended.unseen) == 0
    assert ended.points[0, 0] > whole.points[0, 0] + 50.0


def section_of(back: object) -> object:
    return next(curve for curve in back_curves(back) if curve.name.startswith("arch section"))


@pytest.mark.parametrize("name", ["Łatka", "Ἵππος", 'Ñandú <&> "x"', "two\nlines\t\x07", "馬", "A" * 90])
def test_any_name_of_a_horse_is_written(tmp_path: Path, name: str) -> None:
    fit = example_fit()
    named = replace(fit, case=replace(fit.case, horse=replace(fit.case.horse, name=name)))
    write_templates(named, tmp_path, "maker")
    write_back_templates(replace(fit.back, source=replace(fit.back.source, horse=name)), tmp_path, "maker")
    for file in sorted(tmp_path.glob("*.dxf")):
        assert not ezdxf.readfile(file).audit().has_issues
    for file in sorted(tmp_path.glob("*.svg")):
        assert svg_layer(file, "cut")
    for file in sorted(tmp_path.glob("*.pdf")):
        assert pdf_pages(file)
    if name == "Łatka":
        assert "Łatka" in pdf_words(tmp_path / "templates-a4.pdf")[0]


def test_a_maker_gets_solids_too(written: Path) -> None:
    names = {path.name for path in written.iterdir()}
    assert {"shims.3mf", "shim-middle-left-layer-2.stl", "shims-felt-6.2mm-sheet-1-r12.dxf"} <= names
