"""The pencil line out of a photograph. Source of the tolerance: the goal of 3 mm rms for a simulated photo."""

import numpy as np
import pypdfium2
import pytest
from PIL import Image, ImageDraw, ImageOps
from scipy.ndimage import find_objects, gaussian_filter, label, map_coordinates

from shimwright.export.trace_paper import trace_paper_pdf
from shimwright.scan.photo import homography, section_from_photo, section_from_picture, through
from shimwright.scan.refusal import InputRefused
from shimwright.scan.trace_sheet import GRID_MM, HALF_WIDTH_MM, HEIGHT_MM, HOLE_MM, MARK_MM, corner_marks

PX_PER_MM = 5.0
MARGIN_MM = 20.0


def line(y: np.ndarray) -> np.ndarray:
    """A section with a narrow ridge and unlike sides, mm below the top line."""
    ridge = 30 - 38 * np.exp(-((y / 35) ** 2))
    return -ridge - np.where(y > 0, 0.0021, 0.0026) * y**2 + 8 * np.sin(y / 60)


def sheet(draw_line: bool = True) -> Image.Image:
    size = (int((2 * HALF_WIDTH_MM + 2 * MARGIN_MM) * PX_PER_MM), int((HEIGHT_MM + 2 * MARGIN_MM) * PX_PER_MM))
    picture = Image.new("RGB", size, (250, 250, 248))
    pen = ImageDraw.Draw(picture)

    def px(y: float, z: float) -> tuple[float, float]:
        return (HALF_WIDTH_MM + MARGIN_MM - y) * PX_PER_MM, (MARGIN_MM - z) * PX_PER_MM

    for k in range(-int(HALF_WIDTH_MM / GRID_MM), int(HALF_WIDTH_MM / GRID_MM) + 1):
        pen.line([px(k * GRID_MM, 0), px(k * GRID_MM, -HEIGHT_MM)], fill=(185, 220, 250), width=2)
    for k in range(int(HEIGHT_MM / GRID_MM) + 1):
        pen.line([px(-HALF_WIDTH_MM, -k * GRID_MM), px(HALF_WIDTH_MM, -k * GRID_MM)], fill=(185, 220, 250), width=2)
    for mark in corner_marks():
        for side, colour in ((MARK_MM, (15, 15, 15)), (HOLE_MM if mark.hole else 0, (250, 250, 248))):
            if side:
                low, high = (
                    px(mark.y_mm + side / 2, mark.z_mm + side / 2),
                    px(mark.y_mm - side / 2, mark.z_mm - side / 2),
                )
                pen.rectangle([*low, *high], fill=colour)
    if draw_line:
        y = np.linspace(-170, 170, 300)
        pen.line([px(a, b) for a, b in zip(y, line(y), strict=True)], fill=(95, 95, 98), width=4, joint="curve")
    return picture


def printed_sheet() -> Image.Image:
    """tracing.pdf itself, both pages rasterised by another library and laid edge to edge along the centre line."""
    pages = [page.render(scale=PX_PER_MM * 25.4 / 72).to_pil() for page in pypdfium2.PdfDocument(trace_paper_pdf())]
    # the drawing, 10 mm of glue strip on its inner side, stands in the middle of the page
    outer = HALF_WIDTH_MM + 2 + MARK_MM / 2
    centre = (297.0 + outer - 10.0) / 2
    left = pages[0].crop((0, 0, round(centre * PX_PER_MM), pages[0].height))
    right = pages[1].crop((round((297.0 - centre) * PX_PER_MM), 0, pages[1].width, pages[1].height))
    glued = Image.new("RGB", (left.width + right.width, left.height))
    glued.paste(left, (0, 0))
    glued.paste(right, (left.width, 0))
    return glued


def drawn_on(picture: Image.Image) -> Image.Image:
    """The pencil line on the glued sheet: its top line lies 17 mm under the drawing's upper edge, which is centred."""
    y = np.linspace(-170, 170, 300)
    top = (210.0 - (HEIGHT_MM + 22.0)) / 2 + 17.0
    at = zip(picture.width / 2 - y * PX_PER_MM, (top - line(y)) * PX_PER_MM, strict=True)
    ImageDraw.Draw(picture).line([(float(u), float(v)) for u, v in at], fill=(95, 95, 98), width=4, joint="curve")
    return picture


def photograph(picture: Image.Image, rng: np.random.Generator, turn_deg: float) -> np.ndarray:
    """Perspective, a shadow across the sheet, a wooden table, blur and sensor noise."""
    w, h = picture.size
    size = np.array([2000, 1500])
    corners = np.array([[0, 0], [w, 0], [w, h], [0, h]], float)
    target = (corners / [w, h] - 0.5) * [1500, 1500 * h / w]
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    target = target @ np.array([[c, s], [-s, c]]) * 0.85 + size / 2 + rng.uniform(-70, 70, (4, 2))
    H = homography(target, corners)
    u, v = np.meshgrid(np.arange(size[0]), np.arange(size[1]))
    where = through(H, np.stack([u, v], axis=-1).astype(float))
    inside = (where[..., 0] > 0) & (where[..., 0] < w) & (where[..., 1] > 0) & (where[..., 1] < h)
    soft = np.asarray(picture, float)
    sheet_rgb = np.stack([map_coordinates(soft[..., k], [where[..., 1], where[..., 0]], order=1) for k in range(3)], -1)
    table = np.array([120.0, 85, 60]) + 12 * np.sin(v / 9)[..., None]
    light = 1 - 0.45 / (1 + np.exp(-(u + 0.6 * v - 1200) / 60)) - 0.1 * u / size[0]
    rgb = np.where(inside[..., None], sheet_rgb, table) * light[..., None]
    rgb = np.stack([gaussian_filter(rgb[..., k], 1.2) for k in range(3)], -1) + rng.normal(0, 3, rgb.shape)
    return np.clip(rgb, 0, 255).astype(np.uint8)


SLOW = pytest.mark.accuracy


@pytest.mark.parametrize(
    "turn_deg", [pytest.param(0, marks=SLOW), 8, pytest.param(-12, marks=SLOW), 90, pytest.param(180, marks=SLOW)]
)
def test_a_photographed_line_comes_back_within_3_mm_rms(turn_deg: float) -> None:
    rng = np.random.default_rng(int(turn_deg) + 200)
    found = section_from_picture(photograph(sheet(), rng, turn_deg), "photo.jpg")
    y, z = found.points_mm.T
    assert y[0] > 120
    assert y[-1] < -120
    assert np.sqrt(np.mean((z - line(y)) ** 2)) < 3.0


@pytest.mark.parametrize("turn_deg", [8, pytest.param(-90, marks=SLOW)])
def test_the_printed_sheet_is_read_back(turn_deg: float) -> None:
    """The pages that `new` prints, glued, drawn on and photographed: the same 3 mm rms."""
    rng = np.random.default_rng(int(turn_deg) + 300)
    found = section_from_picture(photograph(drawn_on(printed_sheet()), rng, turn_deg), "photo.jpg")
    y, z = found.points_mm.T
    assert y[0] > 120
    assert y[-1] < -120
    assert np.sqrt(np.mean((z - line(y)) ** 2)) < 3.0


def test_words_and_grid_of_the_printed_sheet_are_no_line() -> None:
    with pytest.raises(InputRefused, match="no line"):
        section_from_picture(photograph(printed_sheet(), np.random.default_rng(7), 0), "photo.jpg")


def test_marks_of_the_printed_sheet_are_where_the_reader_expects_them() -> None:
    """Measured in the rasterised PDF, 0.1 mm of a pixel's 0.2: middle to middle along the top and down the side."""
    black = np.asarray(printed_sheet().convert("L")) < 60
    labels, _ = label(black)
    boxes = [box for box in find_objects(labels) if (box[0].stop - box[0].start) > 10 * PX_PER_MM]
    at = np.array([[(part.start + part.stop) / 2 for part in box[::-1]] for box in boxes]) / PX_PER_MM
    assert len(at) == 4
    wide, high = np.ptp(at, axis=0)
    top_left, _, low_right, _ = corner_marks()
    assert wide == pytest.approx(top_left.y_mm - low_right.y_mm, abs=0.25)
    assert high == pytest.approx(top_left.z_mm - low_right.z_mm, abs=0.25)


def test_an_empty_sheet_and_a_table_are_refused(tmp_path) -> None:  # type: ignore[no-untyped-def]
    rng = np.random.default_rng(5)
    with pytest.raises(InputRefused, match="line"):
        section_from_picture(photograph(sheet(draw_line=False), rng, 0), "photo.jpg")
    with pytest.raises(InputRefused, match="corner marks"):
        section_from_picture(rng.integers(90, 140, (600, 800, 3), dtype=np.uint8), "photo.jpg")
    (tmp_path / "a.jpg").write_text("no photograph")
    with pytest.raises(InputRefused, match="no readable photograph"):
        section_from_photo(tmp_path / "a.jpg")


def test_a_photo_of_a_turned_camera(tmp_path) -> None:  # type: ignore[no-untyped-def]
    """The turn that the camera wrote into the file is undone."""
    upright, exif = Image.fromarray(photograph(sheet(), np.random.default_rng(208), 8)), Image.Exif()
    exif[0x0112] = 6
    upright.rotate(90, expand=True).save(tmp_path / "turned.jpg", exif=exif, quality=95)
    y, z = section_from_photo(tmp_path / "turned.jpg").points_mm.T
    assert np.sqrt(np.mean((z - line(y)) ** 2)) < 3.0


def test_a_huge_photo_is_never_unpacked_whole(tmp_path, monkeypatch) -> None:  # type: ignore[no-untyped-def]
    """The JPEG's own eighths are read: nothing larger than 3000 pixels a side is turned or converted."""
    Image.new("L", (8_000, 6_000), 200).save(tmp_path / "large.jpg")
    monkeypatch.setattr(Image, "MAX_IMAGE_PIXELS", 1000)
    with pytest.raises(InputRefused, match="far more pixels"):
        section_from_photo(tmp_path / "large.jpg")
    monkeypatch.undo()
    turned = []
    monkeypatch.setattr(ImageOps, "exif_transpose", lambda picture: turned.append(picture.size) or picture)
    with pytest.raises(InputRefused, match="corner"):
        section_from_photo(tmp_path / "large.jpg")
    assert turned == [(2400, 1800)]
