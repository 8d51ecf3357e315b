"""The owner's page as one file in a real browser: it asks for nothing, turns by mouse, finger and key, and keeps its
still pictures where no script runs, where nothing can be drawn, and on paper."""

import io
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pypdfium2
import pytest
from PIL import Image
from sheet_variants import VARIANTS

from shimwright.export.html_sheet import write_html

sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no chromium on this computer: apt-get install chromium")
DRAWS = ("--use-angle=swiftshader", "--enable-unsafe-swiftshader", "--no-sandbox", "--disable-dev-shm-usage")
DESKTOP: dict[str, Any] = {"viewport": {"width": 1180, "height": 760}}
PHONE: dict[str, Any] = {"viewport": {"width": 390, "height": 844}, "has_touch": True, "is_mobile": True}
LEAST_TARGET_PX = 44


@pytest.fixture(scope="module")
def sheet(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("turning")
    write_html(VARIANTS["whole"](), folder)
    return folder / "client.html"


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with sync_api.sync_playwright() as playwright:
        running = playwright.chromium.launch(executable_path=CHROMIUM, args=DRAWS)
        yield running
        running.close()


class Opened:
    """The page in the browser; every address it asked for and every complaint is kept."""

    def __init__(self, browser: Any, sheet: Path, **device: Any) -> None:
        self.context = browser.new_context(**device)
        self.page = self.context.new_page()
        self.asked: list[str] = []
        self.complaints: list[str] = []
        self.page.on("request", lambda request: self.asked.append(request.url))
        self.page.on("pageerror", lambda error: self.complaints.append(str(error)))
        self.page.on("console", lambda m: self.complaints.append(m.text) if m.type == "error" else None)
        self.page.goto(sheet.as_uri())

    def __enter__(self) -> "Opened":
        return self

    def __exit__(self, *_: object) -> None:
        self.context.close()

    def stage(self) -> np.ndarray:
        self.page.wait_for_timeout(100)
        shot = Image.open(io.BytesIO(self.page.locator(".stage").screenshot()))
        return np.asarray(shot.convert("L"), float)

    def finger(self, *way: tuple[float, float]) -> None:
        """One finger put down, moved and lifted, as the browser's own input layer has it."""
        session = self.context.new_cdp_session(self.page)
        box = self.page.locator(".stage canvas").bounding_box()
        kinds = ["touchStart", *["touchMove"] * (len(way) - 1)]
        for kind, (across, down) in zip(kinds, way, strict=True):
            at = {"x": box["x"] + across * box["width"], "y": box["y"] + down * box["height"]}
            session.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": [at]})
        session.send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})


def changed(before: np.ndarray, after: np.ndarray) -> float:
    """Share of the picture's points that look different."""
    return float((np.abs(before - after) > 24.0).mean())


@pytest.mark.parametrize("device", [DESKTOP, PHONE], ids=["desktop", "phone"])
@pytest.mark.parametrize("scheme", ["light", pytest.param("dark", marks=pytest.mark.soak)])
def test_the_view_draws_and_asks_for_nothing(browser: Any, sheet: Path, device: dict[str, Any], scheme: str) -> None:
    with Opened(browser, sheet, **device, color_scheme=scheme) as opened:
        assert opened.page.locator(".stage canvas").is_visible()
        assert not opened.page.locator(".still").is_visible()
        drawn = opened.stage()
        ground = np.median(drawn[3:12, 3:12])
        assert 0.1 < (np.abs(drawn - ground) > 8.0).mean() < 0.8
        assert [address for address in opened.asked if not address.startswith("data:")] == [sheet.as_uri()]
        assert opened.complaints == []
        wide = opened.page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
        assert wide == 0


def test_mouse_keys_and_buttons_turn_it(browser: Any, sheet: Path) -> None:
    with Opened(browser, sheet, **DESKTOP) as opened:
        canvas = opened.page.locator(".stage canvas")
        canvas.scroll_into_view_if_needed()
        box = canvas.bounding_box()
        first = opened.stage()
        opened.page.mouse.move(box["x"] + 0.5 * box["width"], box["y"] + 0.5 * box["height"])
        opened.page.mouse.down()
        opened.page.mouse.move(box["x"] + 0.7 * box["width"], box["y"] + 0.55 * box["height"], steps=4)
        opened.page.mouse.up()
        dragged = opened.stage()
        assert changed(first, dragged) > 0.02
        canvas.focus()
        for _ in range(3):
            opened.page.keyboard.press("ArrowLeft")
        turned = opened.stage()
        assert changed(dragged, turned) > 0.02
        opened.page.keyboard.press("+")
        assert changed(turned, opened.stage()) > 0.01
        for name in ("above", "left", "right", "behind"):
            before = opened.stage()
            opened.page.click(f"[data-look={name}]")
            assert changed(before, opened.stage()) > 0.02, name
        assert opened.complaints == []


def test_left_is_on_the_left_from_above_and_the_head_on_top(browser: Any, sheet: Path) -> None:
    """The word: from above it stands over the back's middle, from the left it lies left, from the right right."""
    with Opened(browser, sheet, **DESKTOP) as opened:

        def head() -> tuple[float, float]:
            stage, word = (opened.page.locator(name).bounding_box() for name in (".stage", ".stage .head"))
            return (
                (word["x"] + word["width"] / 2 - stage["x"]) / stage["width"],
                (word["y"] + word["height"] / 2 - stage["y"]) / stage["height"],
            )

        opened.page.click("[data-look=above]")
        across, down = head()
        assert across == pytest.approx(0.5, abs=0.02)
        assert down < 0.15
        opened.page.click("[data-look=left]")
        assert head()[0] < 0.35
        opened.page.click("[data-look=right]")
        assert head()[0] > 0.65


@pytest.mark.soak
def test_before_and_after_and_the_panels(browser: Any, sheet: Path) -> None:
    with Opened(browser, sheet, **DESKTOP) as opened:
        after = opened.stage()
        opened.page.click("[data-show='as found']")
        before = opened.stage()
        assert 0.0005 < changed(after, before) < 0.1
        assert before.min() < after.min()  # as found it presses harder, and dark is much
        assert opened.page.get_attribute("[data-show='as found']", "aria-pressed") == "true"
        assert opened.page.get_attribute("[data-show='with the set-up']", "aria-pressed") == "false"
        opened.page.click("[data-saddle]")
        assert changed(before, opened.stage()) > 0.0005
        assert opened.page.get_attribute("[data-saddle]", "aria-pressed") == "true"


def test_a_finger_turns_it_and_targets_are_large(browser: Any, sheet: Path) -> None:
    with Opened(browser, sheet, **PHONE) as opened:
        opened.page.locator(".stage canvas").scroll_into_view_if_needed()
        before, scrolled = opened.stage(), opened.page.evaluate("scrollY")
        opened.finger((0.5, 0.5), (0.55, 0.5), (0.65, 0.5), (0.75, 0.5))
        assert changed(before, opened.stage()) > 0.02
        assert opened.page.evaluate("scrollY") == scrolled
        for button in opened.page.locator("#turn button").all():
            box = button.bounding_box()
            assert min(box["width"], box["height"]) >= LEAST_TARGET_PX


@pytest.mark.soak
def test_a_wheel_over_the_view_scrolls_the_page_until_it_is_chosen(browser: Any, sheet: Path) -> None:
    with Opened(browser, sheet, **DESKTOP) as opened:
        opened.page.locator(".stage canvas").hover()
        before = opened.page.evaluate("scrollY")
        opened.page.mouse.wheel(0, 200)
        opened.page.wait_for_timeout(300)
        assert opened.page.evaluate("scrollY") != before


def stills_stand(opened: Opened) -> None:
    assert opened.page.locator(".still svg").count() == 2
    assert all(still.is_visible() for still in opened.page.locator(".still svg").all())
    for gone in (".stage", "#turn .choose >> nth=0", "#turn p.turned"):
        assert not opened.page.locator(gone).is_visible()


def test_without_script_the_still_pictures_stand(browser: Any, sheet: Path) -> None:
    with Opened(browser, sheet, **PHONE, java_script_enabled=False) as opened:
        stills_stand(opened)


def test_where_nothing_can_be_drawn_the_still_pictures_stand(browser: Any, sheet: Path) -> None:
    plain = browser.browser_type.launch(executable_path=CHROMIUM, args=["--no-sandbox", "--disable-3d-apis"])
    with Opened(plain, sheet, **DESKTOP) as opened:
        stills_stand(opened)
    plain.close()


def test_a_script_that_is_not_its_own_does_not_run(browser: Any, sheet: Path, tmp_path: Path) -> None:
    """The twin of the page that draws: one letter more in the script, and the policy stops it."""
    other = tmp_path / "client.html"
    source = sheet.read_text(encoding="utf-8")
    other.write_text(source.replace("const holder =", "const  holder ="), encoding="utf-8")
    with Opened(browser, other, **DESKTOP) as opened:
        stills_stand(opened)
        assert any("Content Security Policy" in text for text in opened.complaints)


def test_paper_shows_the_still_pictures(browser: Any, sheet: Path, tmp_path: Path) -> None:
    with Opened(browser, sheet, **DESKTOP) as opened:
        opened.page.emulate_media(media="print")
        stills_stand(opened)
        opened.page.emulate_media(media=None)
        opened.page.pdf(path=tmp_path / "printed.pdf", format="A4")
    words = " ".join(page.get_textpage().get_text_range() for page in pypdfium2.PdfDocument(tmp_path / "printed.pdf"))
    assert words.count("seen from the left (near) side") == 2
    assert "Drag with" not in words
