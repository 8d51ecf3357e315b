"""Sheets re-opened by readers that did not write them (pypdf, pdfium, html.parser, lxml, shapely) and held against
PRACTICE §2, §7, §8, §9; strip 300.0 ± 0.1 mm."""

import colorsys
import hashlib
import math
import re
from base64 import b64encode
from collections.abc import Callable
from dataclasses import dataclass, replace
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pypdf
import pypdfium2
import pypdfium2.raw as pdfium
import pytest
from fit_fixture import example_back, example_fit
from lxml import etree
from shapely import STRtree
from shapely.geometry import Polygon
from shapely.geometry import box as box_of
from sheet_variants import VARIANTS, whole

from shimwright.export.back_sheet import write_back_sheet
from shimwright.export.client_sheet import client_pdf, write_client
from shimwright.export.cross_section import cross_section
from shimwright.export.cut_sheet import write_cut_sheet
from shimwright.export.fitter_sheet import write_fitter
from shimwright.export.html_sheet import client_html, write_html
from shimwright.export.marks_drawing import DOTS, STRIP_ENDS
from shimwright.export.marks_sheet import marks_pdf, write_marks
from shimwright.export.owners_words import without_kpa
from shimwright.export.palette import pressure_colour, signed_colour
from shimwright.export.picture import Picture, page_svg, paper_svg
from shimwright.export.pressure_map import levels_kpa, pressure_map
from shimwright.export.side_view import TILT_DRAWN, side_view
from shimwright.export.tack_card import write_tack_card
from shimwright.export.view_from_above import back_from_above, view_from_above
from shimwright.export.words import in_units
from shimwright.optimize.answer import Fit
from shimwright.optimize.setup import height_mm

POINT_MM = 25.4 / 72.0  # ISO 32000-1 §8.3.2.3
PAPERS_MM = {"mm": (210.0, 297.0), "in": (215.9, 279.4)}  # ISO 216; ANSI/ASME Y14.1: 8.5 × 11 in
WRITERS: dict[str, Callable[[Fit, Path], None]] = {
    "client.pdf": write_client,
    "fitter.pdf": write_fitter,
    "tack-card.pdf": write_tack_card,
}
PRINTED = {**WRITERS, "cutlist.pdf": write_cut_sheet}  # for the bench: no cautions, no verdict
NOT_ON_PAPER = ("coefficient of variation", "unevenness", "moment", "feasib", " cost", "score", "safe", "cured", "nan")


Box = tuple[float, float, float, float]  # left, bottom, right, top


@dataclass(frozen=True)
class Word:
    text: str
    x_mm: float
    y_mm: float
    size_pt: float


def words_of(pdf: Path) -> list[list[Word]]:
    """Every piece of text of every page, with its place and its size on paper."""
    pages = []
    for page in pypdf.PdfReader(pdf).pages:
        found: list[Word] = []

        def visit(
            text: str, cm: list[float], tm: list[float], _font: object, size: float, found: list[Word] = found
        ) -> None:
            if text.strip():
                x, y = (tm[4] * cm[k] + tm[5] * cm[k + 2] + cm[k + 4] for k in (0, 1))
                scale = math.hypot(tm[2] * cm[0] + tm[3] * cm[2], tm[2] * cm[1] + tm[3] * cm[3])
                found.append(Word(text, x * POINT_MM, y * POINT_MM, size * scale))

        page.extract_text(visitor_text=visit)
        pages.append(found)
    return pages


def text_of(pdf: Path) -> str:
    text = " ".join(page.extract_text() for page in pypdf.PdfReader(pdf).pages)
    return " ".join(text.replace("\xad", "").split())


def letters_of(pdf: Path) -> list[tuple[tuple[float, float], list[Box]]]:
    """Page size and the box of every printed character of every page, points, by pdfium."""
    document = pypdfium2.PdfDocument(pdf)
    pages = []
    for page in document:
        text = page.get_textpage()
        boxes = [text.get_charbox(k) for k in range(text.count_chars())]
        pages.append((page.get_size(), [box for box in boxes if box[2] - box[0] > 0.5 and box[3] - box[1] > 0.5]))
    document.close()
    return pages


def overprinted(boxes: list[Box]) -> int:
    """Pairs of characters that cover more than 40 % of the smaller of the two: words set over words."""
    shapes = [box_of(*box) for box in boxes]
    tree = STRtree(shapes)
    pairs = tree.query(shapes, predicate="intersects").T
    return sum(
        1
        for a, b in pairs
        if a < b and shapes[a].intersection(shapes[b]).area > 0.4 * min(shapes[a].area, shapes[b].area)
    )


@pytest.fixture(scope="module", params=list(VARIANTS))
def written(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> tuple[Fit, Path]:
    fit = VARIANTS[request.param]()
    folder = tmp_path_factory.mktemp(request.param)
    for write in PRINTED.values():
        write(fit, folder)
    write_html(fit, folder)
    return fit, folder


@pytest.fixture(scope="module")
def marks(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("marks")
    write_marks(folder)
    return folder / "marks.pdf"


@pytest.mark.parametrize("name", PRINTED)
def test_pages_are_the_paper_that_was_asked_for(written: tuple[Fit, Path], name: str) -> None:
    fit, folder = written
    for page in pypdf.PdfReader(folder / name).pages:
        size = (float(page.mediabox.width) * POINT_MM, float(page.mediabox.height) * POINT_MM)
        assert size == pytest.approx(PAPERS_MM[fit.case.print_units], abs=0.1)


@pytest.mark.parametrize("name", PRINTED)
def test_no_text_is_under_8_pt(written: tuple[Fit, Path], name: str) -> None:
    for page in words_of(written[1] / name):
        for word in page:
            assert word.size_pt >= 7.99, word


@pytest.mark.parametrize("name", PRINTED)
def test_no_words_run_off_the_page_or_over_one_another(written: tuple[Fit, Path], name: str) -> None:
    for (width, height), boxes in letters_of(written[1] / name):
        for left, bottom, right, top in boxes:
            assert min(left, bottom, width - right, height - top) > 1.5 / POINT_MM
        assert overprinted(boxes) == 0


def test_words_over_words_would_be_seen() -> None:
    assert overprinted([(0.0, 0.0, 5.0, 8.0), (1.0, 1.0, 6.0, 9.0), (20.0, 0.0, 25.0, 8.0)]) == 1


@pytest.mark.parametrize("name", WRITERS)
def test_every_sheet_carries_every_caution(written: tuple[Fit, Path], name: str) -> None:
    fit, folder = written
    text = text_of(folder / name).replace(" ", "")
    for caution in fit.cautions:
        assert in_units(caution, fit.case.print_units).replace(" ", "") in text


@pytest.mark.parametrize("name", WRITERS)
def test_words_that_do_not_belong_on_paper(written: tuple[Fit, Path], name: str) -> None:
    text = f" {text_of(written[1] / name).lower()} "
    for word in NOT_ON_PAPER:
        # "safety limits" is a published caveat, "fits" a verb of the trade's own rules: only whole words count
        assert not re.search(rf"(?<![a-zł]){re.escape(word.strip())}(?![a-z])", text), word
    assert "None" not in text_of(written[1] / name)


def test_the_owners_page_speaks_no_kpa(written: tuple[Fit, Path]) -> None:
    _, folder = written
    assert "kPa" not in text_of(folder / "client.pdf")
    page = Page()
    page.feed((folder / "client.html").read_text(encoding="utf-8"))
    assert "kPa" not in page.text + " ".join(page.attributes)
    assert "kPa" not in text_of(folder / "tack-card.pdf")
    assert "kPa" in text_of(folder / "fitter.pdf")  # the check can fail


def test_a_finding_in_kpa_is_said_in_words_to_the_owner(tmp_path: Path) -> None:
    fit = whole()
    hard = replace(
        fit.findings[0],
        code="peak",
        unit="kPa",
        value=34.0,
        words="34 kPa at one place, above the 30 kPa line",
        place="front",
    )
    write_client(replace(fit, findings=(hard,)), tmp_path)
    text = text_of(tmp_path / "client.pdf")
    assert "kPa" not in text
    assert "presses much harder" in text


@pytest.mark.parametrize(
    ("sentence", "said"),
    [
        (
            "Good contact with this set-up: 27 kPa at the hardest place, against 36 kPa as found.",
            "Good contact with this set-up: the hardest place presses 25 % less than as found.",
        ),
        (
            "Padding will not mend this: even the best padding leaves it uneven (34 kPa at the hardest place).",
            "Padding will not mend this: even the best padding leaves it uneven.",
        ),
        ("No shim needed: 93 % of the panel carries.", "No shim needed: 93 % of the panel carries."),
    ],
)
def test_the_owners_sentence_compares_without_kpa(sentence: str, said: str) -> None:
    assert without_kpa(sentence) == said


def test_the_owners_page_keeps_its_order(tmp_path: Path) -> None:
    """PRACTICE §7: names and date, verdict, picture, maps and seat line, why, hands, cautions, take-out, source."""
    fit = whole()
    write_client(fit, tmp_path)
    pages = words_of(tmp_path / "client.pdf")
    assert len(pages) == 2
    flow = [(number, -word.y_mm, word.text) for number, page in enumerate(pages) for word in page]
    marks = (
        "Linnet",
        "Good contact",
        "medium",
        "as found",
        "seat line",
        "Why",
        "Feel it",
        "Stop and call",
        "comes out",
        "Where this",
    )
    found = [min(place for *place, text in flow if mark in text) for mark in marks]
    assert found == sorted(found)


def test_the_date_to_look_again_is_large(tmp_path: Path) -> None:
    write_client(whole(), tmp_path)
    sizes = {word.text.strip(): word.size_pt for page in words_of(tmp_path / "client.pdf") for word in page}
    assert sizes["11 April 2026"] >= 20.0


def test_what_was_not_told_is_printed_so(tmp_path: Path) -> None:
    fit = VARIANTS["little_known"]()
    for write in WRITERS.values():
        write(fit, tmp_path)
    owner, fitter, card = (text_of(tmp_path / name) for name in WRITERS)
    assert "not told" in owner
    assert "assumed" in owner
    assert "not told" in fitter
    assert "assumed" in fitter
    assert "assumed" in card
    assert "not seen" in fitter


def test_inches_stand_with_mm_beside(tmp_path: Path) -> None:
    fit = VARIANTS["in_inches"]()
    write_client(fit, tmp_path)
    text = text_of(tmp_path / "client.pdf")
    assert "1/4 in (6.2 mm)" in text
    assert "inches, mm below" in text


def test_vet_first_gives_no_set_up(tmp_path: Path) -> None:
    fit = VARIANTS["vet_first"]()
    write_client(fit, tmp_path)
    write_tack_card(fit, tmp_path)
    assert "none given" in text_of(tmp_path / "client.pdf")
    assert "Vet first" in text_of(tmp_path / "tack-card.pdf")
    assert not any(re.fullmatch(r"\d+(\.\d)?", label.text) for label in view_from_above(fit, 100.0, 120.0).labels)


def test_a_set_up_asked_for_all_the_same_is_headed_so(tmp_path: Path) -> None:
    write_client(VARIANTS["anyway"](), tmp_path)
    assert "do not ride on it before" in text_of(tmp_path / "client.pdf")


def test_the_riders_weight_on_the_tack_card_is_rounded(tmp_path: Path) -> None:
    write_tack_card(whole(), tmp_path)
    text = text_of(tmp_path / "tack-card.pdf")
    assert "about 70 kg" in text
    assert "72" not in text


@pytest.mark.parametrize("variant", ["whole", "little_known"])
def test_the_same_case_gives_the_same_bytes(variant: str, tmp_path: Path) -> None:
    one, other = tmp_path / "one", tmp_path / "other"
    for folder in (one, other):
        folder.mkdir()
        for write in (*WRITERS.values(), write_html):
            write(VARIANTS[variant](), folder)
        write_back_sheet(example_back(), folder)
    for name in (*WRITERS, "client.html", "sheet.pdf"):
        assert (one / name).read_bytes() == (other / name).read_bytes()
    assert marks_pdf() == marks_pdf()
    assert client_pdf(whole()) != client_pdf(replace(whole(), recheck_on="2026-05-01"))


def test_fonts_are_the_shipped_ones_and_embedded(tmp_path: Path) -> None:
    write_fitter(whole(), tmp_path)
    for page in pypdf.PdfReader(tmp_path / "fitter.pdf").pages:
        for font in page["/Resources"]["/Font"].values():
            base = font.get_object()
            assert "Inter" in base["/BaseFont"]
            descriptor = base["/DescendantFonts"][0].get_object()["/FontDescriptor"]
            assert any(key in descriptor for key in ("/FontFile", "/FontFile2", "/FontFile3"))


# --- marks


def coloured_paths(pdf: Path, page: int) -> list[tuple[tuple[int, int, int], tuple[float, float], float]]:
    """(fill, middle in mm, width in mm) of the filled paths of a page, by pdfium."""
    document = pypdfium2.PdfDocument(pdf)
    found = []
    for item in document[page].get_objects(filter=[pdfium.FPDF_PAGEOBJ_PATH], max_depth=8):
        r, g, b, a = (pdfium.c_uint() for _ in range(4))
        pdfium.FPDFPageObj_GetFillColor(item.raw, r, g, b, a)
        left, bottom, right, top = item.get_bounds()
        middle = ((left + right) / 2 * POINT_MM, (bottom + top) / 2 * POINT_MM)
        found.append(((r.value, g.value, b.value), middle, (right - left) * POINT_MM))
    document.close()
    return found


def hex_rgb(colour: str) -> tuple[int, int, int]:
    return tuple(int(colour[k : k + 2], 16) for k in (1, 3, 5))  # type: ignore[return-value]


def test_the_strip_is_300_mm(marks: Path) -> None:
    ends = []
    for colour in STRIP_ENDS:
        middles = {(round(x, 3), round(y, 3)) for rgb, (x, y), _ in coloured_paths(marks, 1) if rgb == hex_rgb(colour)}
        assert len(middles) == 1
        ends.append(middles.pop())
    assert math.dist(*ends) == pytest.approx(300.0, abs=0.1)


def test_the_strip_fits_on_letter_too(marks: Path) -> None:
    """Printed at 100 % and centred, an A4 page loses (297 − 279.4) / 2 mm above and below on Letter."""
    lost = (297.0 - 279.4) / 2
    for colour in STRIP_ENDS:
        for rgb, (x, y), width in coloured_paths(marks, 1):
            if rgb == hex_rgb(colour):
                assert lost + width / 2 < y < 297.0 - lost - width / 2
                assert width / 2 < x < 210.0 - width / 2


def test_dots_lie_in_the_middle_of_their_hue_sectors() -> None:
    """Hue sectors of DESIGN §9, saturation > 0.6."""
    sectors = {
        "red": (340, 380),
        "yellow": (40, 70),
        "green": (90, 150),
        "cyan": (165, 195),
        "blue": (210, 255),
        "magenta": (285, 330),
    }
    for dot in DOTS:
        hue, saturation, _ = colorsys.rgb_to_hsv(*(value / 255 for value in hex_rgb(dot.hex)))
        low, high = sectors[dot.colour]
        degrees = hue * 360 + (360 if hue * 360 < low else 0)
        assert low + 5 <= degrees <= high - 5
        assert saturation > 0.9


def test_dots_can_be_told_apart_without_colour(marks: Path) -> None:
    text = text_of(marks)
    for dot in DOTS:
        assert dot.colour in text
        assert dot.place in text or dot.place == "spare"


def test_every_number_of_the_starter_files_is_drawn(marks: Path) -> None:
    text = text_of(marks)
    keys = "length_mm panel_width_mm channel_mm rocker_mm angle_deg included_deg width_mm seat_x_mm straps_x_mm"
    for key in (*keys.split(), "arch_length_mm", "from_front_mm", "from_middle_mm", "thicknesses_mm"):
        assert key in text
    for page in words_of(marks):
        assert all(word.size_pt >= 7.99 for word in page)


# --- the sheet of `measure`


def test_the_scan_sheet_says_the_check_first(tmp_path: Path) -> None:
    back = example_back()
    write_back_sheet(back, tmp_path)
    text = text_of(tmp_path / "sheet.pdf")
    assert text.index("Usable") < text.index("shoulder edge")
    assert "thin, a hand's size" in text.replace("’", "'")
    for mark in back.landmarks:
        assert mark.name.replace("_", " ") in text
        assert mark.source in text
    for page in words_of(tmp_path / "sheet.pdf"):
        assert all(word.size_pt >= 7.99 for word in page)


def test_the_place_is_ringed() -> None:
    picture = back_from_above(example_back(), 96.0, 138.0)
    rings = [stroke for stroke in picture.strokes if stroke.role == "ring"]
    assert len(rings) == 1
    x = float(rings[0].d[1:].split()[0]) + 8.0
    assert x < picture.width_mm / 2  # the message names the left, and left is left of the spine


# --- colours


def luminance(colour: str) -> float:
    """Relative luminance, W3C WCAG 2.1."""
    linear = [(v / 255 / 12.92 if v / 255 <= 0.04045 else ((v / 255 + 0.055) / 1.055) ** 2.4) for v in hex_rgb(colour)]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def lightness(colour: str) -> float:
    """CIE L* (CIE 15:2004) from luminance."""
    y = luminance(colour)
    return 116 * (y ** (1 / 3) if y > 216 / 24389 else (24389 / 27 * y + 16) / 116) - 16


def test_light_is_little_and_steps_are_even() -> None:
    steps = np.diff([lightness(pressure_colour(share)) for share in np.linspace(0, 1, 9)])
    assert (steps < -4.0).all()  # seen in grey too
    assert steps.min() / steps.max() < 1.6


def test_the_signed_map_is_white_at_zero() -> None:
    assert signed_colour(0.0) == "#ffffff"
    for sign in (1.0, -1.0):
        tones = [lightness(signed_colour(sign * share)) for share in np.linspace(0, 1, 6)]
        assert (np.diff(tones) < -4.0).all()
    assert lightness(signed_colour(1.0)) == pytest.approx(lightness(signed_colour(-1.0)), abs=6.0)


# --- pictures


def labels_named(picture: Picture, text: str) -> list[tuple[float, float]]:
    return [(label.x_mm, label.y_mm) for label in picture.labels if label.text == text]


def test_head_is_up_and_left_is_left() -> None:
    fit = example_fit()
    picture = view_from_above(fit, 104.0, 124.0)
    assert fit.setup is not None
    place = {}
    for name, stack in fit.setup.stacks.items():
        if stack:
            (place[name],) = labels_named(picture, f"{height_mm(stack):.1f}".removesuffix(".0"))
    middle = picture.width_mm / 2
    assert place["front_left"][0] < middle < place["middle_right"][0]
    assert place["middle_left"][0] < middle < place["rear_right"][0]
    assert place["front_left"][1] < place["middle_left"][1] < place["rear_right"][1]
    assert labels_named(picture, "head")[0][1] < place["front_left"][1]


def subpaths(d: str) -> list[np.ndarray]:
    """Rings of absolute M, L, Z path data."""
    rings = []
    for piece in d.split("M")[1:]:
        numbers = [float(v) for v in re.findall(r"-?\d+\.?\d*", piece)]
        rings.append(np.array(numbers).reshape(-1, 2))
    return rings


def test_bands_hold_the_pressure_that_was_given() -> None:
    """Area times middle of each band, summed, is the force that the nodes give, to half a band."""
    contact = example_fit().as_found
    result = contact.cases["mounted"]
    levels = levels_kpa(example_fit(), "mounted")
    picture = pressure_map(contact, result, levels, (52.0, 96.0), {})
    colours = {pressure_colour(k / (len(levels) - 2)): (levels[k] + levels[k + 1]) / 2 for k in range(len(levels) - 1)}
    force = area = 0.0
    for stroke in picture.strokes:
        if stroke.role == "cell" and stroke.fill in colours:
            size = abs(sum(Polygon(ring).area * (1 if _turns_left(ring) else -1) for ring in subpaths(stroke.d)))
            force, area = force + size * colours[stroke.fill], area + size
    mean = float(np.average(result.pressure_kpa, weights=contact.area_mm2))
    assert force / area == pytest.approx(mean, abs=0.5 * (levels[1] - levels[0]))


def _turns_left(ring: np.ndarray) -> bool:
    x, y = ring.T
    return bool((x * np.roll(y, -1) - np.roll(x, -1) * y).sum() > 0)


def test_before_and_after_have_the_same_scale() -> None:
    fit = example_fit()
    assert fit.with_setup is not None
    levels = levels_kpa(fit, "mounted")
    top = max(contact.cases["mounted"].pressure_kpa.max() for contact in (fit.as_found, fit.with_setup))
    assert levels[0] == 0.0
    assert levels[-1] >= np.percentile(fit.as_found.cases["mounted"].pressure_kpa, 99.5)
    assert levels[-1] < 2 * top


def test_the_section_shows_pad_and_shims_to_scale() -> None:
    """Over the middle pocket the drawn bands measure shell + insert and the stack, along the back's normal."""
    fit = example_fit()
    assert fit.with_setup is not None
    picture = cross_section(fit, fit.with_setup, "mounted", -355.0, (88.0, 38.0))
    scale = min(88.0 / 490.0, 38.0 / 205.0)
    (shims, *_) = [stroke for stroke in picture.strokes if stroke.role == "shim"]
    ring = subpaths(shims.d)[0]
    half = len(ring) // 2
    thick = np.hypot(*(ring[:half] - ring[half:][::-1]).T) / scale
    assert thick.max() == pytest.approx(9.3, abs=0.05)
    (pad, *_) = [stroke for stroke in picture.strokes if stroke.role == "pad"]
    ring = subpaths(pad.d)[0]
    half = len(ring) // 2
    assert np.hypot(*(ring[:half] - ring[half:][::-1]).T) / scale == pytest.approx(10.0, abs=0.05)


def test_the_seat_line_tilts_as_the_saddle_does() -> None:
    fit = example_fit()
    picture = side_view(fit, 104.0)
    for role, contact in (("accent dashed", fit.as_found), ("accent line", fit.with_setup)):
        assert contact is not None
        (line,) = [stroke for stroke in picture.strokes if stroke.role == role]
        (front, rear) = subpaths(line.d)[0]
        assert front[0] < rear[0]  # head to the left
        tilt = math.degrees(math.atan2(rear[1] - front[1], rear[0] - front[0]))  # y down: + = front high
        assert tilt == pytest.approx(TILT_DRAWN * contact.cases["mounted"].pitch_deg, abs=0.05)


def test_pictures_on_paper_are_paths_only() -> None:
    picture = view_from_above(example_fit(), 104.0, 124.0)
    root = etree.fromstring(paper_svg(picture).encode())
    assert {etree.QName(node).localname for node in root.iter()} == {"svg", "path"}
    assert root.get("width") == "104mm"
    words = etree.fromstring(page_svg(picture).encode())
    assert len(words.findall("{http://www.w3.org/2000/svg}text")) == len(picture.labels)


# --- the page


class Page(HTMLParser):
    """Tags that stay open, addresses that lead outside, scripts by their type, and the text that a reader sees."""

    VOID = frozenset(("meta", "br", "input"))

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.outside: list[str] = []
        self.seen: list[str] = []
        self.scripts: list[tuple[str | None, str]] = []
        self.rules: dict[str, str] = {}
        self.attributes: list[str] = []
        self.text = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.seen.append(tag)
        if tag not in self.VOID:
            self.open.append(tag)
        named = dict(attrs)
        self.attributes += [value or "" for value in named.values()]
        self.outside += [value or "" for name, value in attrs if name in ("src", "href")]
        if tag == "script":
            self.scripts.append((named.get("type"), ""))
        if named.get("http-equiv") == "Content-Security-Policy":
            parts = (rule.strip().partition(" ") for rule in str(named["content"]).split(";"))
            self.rules = {name: value for name, _, value in parts}

    def handle_startendtag(self, tag: str, _attrs: list[tuple[str, str | None]]) -> None:
        self.seen.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if self.open and self.open[-1] == "script":
            kind, text = self.scripts[-1]
            self.scripts[-1] = kind, text + data
        elif not self.open or self.open[-1] != "style":
            self.text += data + " "


def test_the_page_is_one_file(written: tuple[Fit, Path]) -> None:
    fit, folder = written
    source = (folder / "client.html").read_text(encoding="utf-8")
    page = Page()
    page.feed(source)
    assert page.open == []
    assert page.outside == []
    assert set(re.findall(r"url\((\w+):", source)) == {"data"}
    assert page.seen.count("svg") >= 5
    for caution in fit.cautions:
        assert in_units(caution, fit.case.print_units) in page.text
    assert "prefers-color-scheme:dark" in source
    assert "width=device-width" in source


def test_the_page_may_run_its_own_scripts_and_load_nothing(written: tuple[Fit, Path]) -> None:
    """W3C Content Security Policy Level 3 §2.3.1, §6.7.2: what is not named is forbidden, an inline script is named by
    the SHA-256 of its text."""
    page = Page()
    page.feed((written[1] / "client.html").read_text(encoding="utf-8"))
    assert page.rules["default-src"] == "'none'"
    assert page.rules["font-src"] == "data:"
    assert set(page.rules) == {"default-src", "base-uri", "form-action", "font-src", "style-src", "script-src"}
    run = [text for kind, text in page.scripts if kind is None]
    named = {f"'sha256-{b64encode(hashlib.sha256(text.encode()).digest()).decode()}'" for text in run}
    assert set(page.rules["script-src"].split()) == named
    assert len(run) == 2
    assert [kind for kind, _ in page.scripts if kind is not None] == ["application/json"]


def test_names_cannot_break_the_page() -> None:
    assert "A &amp; B &lt;saddlers&gt;" in client_html(VARIANTS["long_names"]())
