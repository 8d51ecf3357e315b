"""Full size is full size: every drawing measured by programs that did not write it.

PDF by pdfium on A4 and Letter, SVG by Debian's chromium at CSS's 96 px to the inch, DXF by ezdxf's own viewer.
"""

import io
import re
import shutil
from collections.abc import Iterator
from pathlib import Path

import ezdxf
import numpy as np
import pytest
from ezdxf.addons.drawing import Frontend, RenderContext, layout
from ezdxf.addons.drawing.svg import SVGBackend
from fit_fixture import example_back, example_fit
from lxml import etree
from PIL import Image
from reopen import Path2D, dxf_layer, hundred_mm_bars, pdf_pages, svg_layer
from test_panel import KNOWN, height_under

from shimwright.export.back_templates import write_back_templates
from shimwright.export.panel_curves import write_panel_curves
from shimwright.export.templates import write_templates

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
TOLERANCE_MM = 0.05
PX_MM = 25.4 / 96.0  # CSS Values 4, §6.2: 1 in = 96 px
DRAWINGS = ("shims-felt-6.2mm-sheet-1", "back-templates", "panel-sections")
PAPERS = ("a4", "letter")
MEASURED = """els => els.map(e => {
  const box = e.getBBox(), m = e.getScreenCTM();
  return [Math.hypot(m.a, m.b) * box.width, Math.hypot(m.c, m.d) * box.height, /Z\\s*$/.test(e.getAttribute('d'))];
})"""


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Shims, back and panel, everything that is cut at full size."""
    import plain_tack as tack
    from plain_backs import back_of

    from shimwright.optimize.panel_fit import Ridden, fit_panel
    from shimwright.optimize.underside import Panels

    folder = tmp_path_factory.mktemp("scale")
    write_templates(example_fit(), folder, "maker")
    write_back_templates(example_back(), folder, "maker")
    back = back_of(height_under((Panels(KNOWN, None), Panels(KNOWN, None))))
    write_panel_curves(
        fit_panel(tack.saddle(), [Ridden("known", back, 0.0)], uneven=False), back, folder, "known", None
    )
    return folder


@pytest.fixture(scope="module")
def browser() -> Iterator[object]:
    playwright = pytest.importorskip("playwright.sync_api")
    if CHROMIUM is None:
        pytest.skip("no chromium on this computer: apt-get install chromium")
    with playwright.sync_playwright() as running:
        window = running.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield window
        window.close()


def true_bars(level: list[float], upright: list[float]) -> bool:
    return all(any(abs(bar - 100.0) <= TOLERANCE_MM for bar in bars) for bars in (level, upright))


@pytest.mark.parametrize("paper", PAPERS)
@pytest.mark.parametrize("name", ["templates", "back-templates", "panel-sections"])
def test_every_page_of_every_drawing_has_true_bars(written: Path, name: str, paper: str) -> None:
    pages = pdf_pages(written / f"{name}-{paper}.pdf")
    assert pages
    for page in pages:
        assert true_bars(*hundred_mm_bars(page))


@pytest.mark.parametrize("name", DRAWINGS)
def test_a_browser_shows_the_svg_at_its_size(written: Path, browser: object, name: str) -> None:
    page = browser.new_page()
    page.goto((written / f"{name}.svg").as_uri())
    bars = np.array(page.eval_on_selector_all("#scale path", MEASURED))[:, :2] * PX_MM
    assert true_bars(list(bars[:, 0]), list(bars[:, 1]))
    shown = np.array([row[:2] for row in page.eval_on_selector_all("#cut path", MEASURED) if row[2]]) * PX_MM
    in_file = np.array([path.size_mm for path in svg_layer(written / f"{name}.svg", "cut") if path.closed])
    assert np.allclose(shown, in_file, atol=TOLERANCE_MM)
    page.close()


def test_the_pixels_of_a_screenshot_are_100_mm_apart(written: Path, browser: object) -> None:
    """Eight pixels to the CSS pixel: the ends of the level bar, green in the picture, to a pixel of 0.03 mm."""
    page = browser.new_page(device_scale_factor=8, viewport={"width": 2400, "height": 1600})
    page.goto((written / f"{DRAWINGS[0]}.svg").as_uri())
    box = page.eval_on_selector_all(
        "#scale path",
        "els => els.map(e => { const r = e.getBoundingClientRect(); return [r.x, r.y, r.width, r.height]; })",
    )
    x, y, width, _ = next(b for b in box if b[2] > 300)
    clip = {"x": x - 8, "y": y - 3, "width": width + 16, "height": 6}
    picture = np.asarray(Image.open(io.BytesIO(page.screenshot(clip=clip))).convert("RGB")).astype(int)
    green = (picture[..., 1] - picture[..., 0] > 20).any(axis=0)
    along = np.flatnonzero(green)
    page.close()
    # the cross ticks at both ends are half a line of 0.1 mm wide beyond the bar
    assert (along[-1] - along[0] + 1) / 8 * PX_MM == pytest.approx(100.0, abs=0.1 + 2 * PX_MM / 8)


@pytest.mark.parametrize("name", [*DRAWINGS, *(f"{name}-r12" for name in DRAWINGS)])
def test_a_viewer_draws_the_dxf_at_its_size(written: Path, name: str) -> None:
    """ezdxf's drawing add-on lays the model on a page in mm; its picture is measured, not the file."""
    document = ezdxf.readfile(written / f"{name}.dxf")
    assert not document.audit().has_issues
    backend = SVGBackend()
    Frontend(RenderContext(document), backend).draw_layout(document.modelspace())
    page = layout.Page(0, 0, layout.Units.mm, margins=layout.Margins.all(0))
    text = backend.get_string(page, settings=layout.Settings(scale=1.0))
    shown = np.array(_view_box_mm(text))
    points = np.vstack(
        [path.points_mm for layer in ("cut", "mark", "scale") for path in dxf_layer(written / f"{name}.dxf", layer)]
    )
    assert (shown >= np.ptp(points, axis=0) - TOLERANCE_MM).all()  # words may stand out beyond the lines
    bars = _lines_mm(text)
    assert true_bars(*hundred_mm_bars(bars))


def _view_box_mm(svg: str) -> tuple[float, float]:
    root = etree.fromstring(svg.encode())
    return tuple(float(root.get(side).removesuffix("mm")) for side in ("width", "height"))


def _lines_mm(svg: str) -> list[Path2D]:
    """Straight paths of the viewer's picture, in mm by its width and viewBox."""
    root = etree.fromstring(svg.encode())
    unit = float(root.get("width").removesuffix("mm")) / float(root.get("viewBox").split()[2])
    found = []
    for item in root.iter("{*}path"):
        for run in re.split(r"(?=M)", item.get("d")):
            moves = re.findall(r"([MLlmHVhv])\s*(-?[\d.]+)(?:[ ,]+(-?[\d.]+))?", run)
            points, at = [], np.zeros(2)
            for letter, a, b in moves:
                step = np.array([float(a), float(b or 0.0)])
                match letter:
                    case "M" | "L":
                        at = step
                    case "m" | "l":
                        at = at + step
                    case "H":
                        at = np.array([float(a), at[1]])
                    case "V":
                        at = np.array([at[0], float(a)])
                    case "h":
                        at = at + np.array([float(a), 0.0])
                    case "v":
                        at = at + np.array([0.0, float(a)])
                points.append(at)
            if len(points) > 1:
                found.append(Path2D(np.array(points) * unit, False, 0.1))
    return found
