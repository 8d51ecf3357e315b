"""The whole job on the page, in a real browser, on a desktop and on a phone, with no network but this computer.

Debian's chromium, driven by playwright; skipped where there is none.
"""

import json
import re
import shutil
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from page_client import Served, served, yard

from shimwright import cli
from shimwright.case_file import read_case
from shimwright.fit import back_of
from shimwright.optimize.fit import prepared
from shimwright.optimize.setup import Layer
from shimwright.page.said import figures
from shimwright.scan.read import read

sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no chromium on this computer: apt-get install chromium")
NO_NETWORK = "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1"
DRAWS = (
    "--use-angle=swiftshader",
    "--enable-unsafe-swiftshader",
    "--ignore-gpu-blocklist",
    "--no-sandbox",
    "--disable-dev-shm-usage",
)
DESKTOP: dict[str, Any] = {"viewport": {"width": 1180, "height": 720}}
PHONE: dict[str, Any] = {
    "viewport": {"width": 390, "height": 844}, "device_scale_factor": 1.5, "has_touch": True, "is_mobile": True,
}  # fmt: skip
LEAST_TARGET_PX = 44
HOLE_MM = -250.0
WAIT_MS = 180_000


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with sync_api.sync_playwright() as playwright:
        running = playwright.chromium.launch(executable_path=CHROMIUM, args=[*DRAWS, NO_NETWORK])
        yield running
        running.close()


@pytest.fixture(scope="module")
def horses(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return yard(tmp_path_factory.mktemp("browser"))


@pytest.fixture(scope="module")
def server(horses: Path) -> Iterator[Served]:
    cases = [horses / name / "case.toml" for name in ("juniper", "fennel")]
    with served(*cases, "--folder", horses.parent / "sent") as running:
        yield running


class Opened:
    """A page in the browser. Every address it asked for and everything it complained of is kept."""

    def __init__(
        self, browser: Any, server: Served, case: int | None, device: dict[str, Any], dark: bool = False
    ) -> None:
        self.context = browser.new_context(**device, color_scheme="dark" if dark else "light", accept_downloads=True)
        self.context.set_default_timeout(WAIT_MS)
        self.page = self.context.new_page()
        self.asked: list[str] = []
        self.complaints: list[str] = []
        self.page.on("request", lambda request: self.asked.append(request.url))
        self.page.on("pageerror", lambda error: self.complaints.append(str(error)))
        self.page.on("console", lambda m: self.complaints.append(m.text) if m.type == "error" else None)
        self.page.goto(server.url + (f"/?case={case}" if case else "/"))
        self.host = server.host

    def __enter__(self) -> "Opened":
        return self

    def __exit__(self, *_: object) -> None:
        self.context.close()

    def step(self, name: str) -> None:
        self.page.click(f"[data-step={name}]")

    def sentence(self) -> str:
        return str(self.page.text_content("[role=tabpanel]:not([hidden]) .verdict .sentence"))

    def settled(self) -> dict[str, Any]:
        """The state when the exact figures are there."""
        for _ in range(1800):
            state = self.page.evaluate("window.fitting?.seen.state")
            if state and state["judged"]["settled"] and not self.page.evaluate("Boolean(window.fitting.seen.wanted)"):
                return dict(state)
            self.page.wait_for_timeout(100)
        raise AssertionError("the figures did not settle")

    def after(self, act: Callable[[], object]) -> dict[str, Any]:
        """The exact figures of a set-up newer than the one before `act`."""
        before = self.settled()["serial"]
        act()
        for _ in range(1800):
            state = self.settled()
            if state["serial"] > before:
                return state
            self.page.wait_for_timeout(100)
        raise AssertionError(f"no newer set-up than number {before}")

    def camera(self) -> list[float]:
        return list(self.page.evaluate("window.fitting.view.camera.position.toArray()"))

    def picture(self) -> bytes:
        return bytes(self.page.locator("#view").screenshot())

    def clean(self) -> None:
        """Nothing was asked of anybody else, and nothing went wrong unseen."""
        hosts = {
            re.sub(r"^\w+://([^/]*).*", r"\1", url) for url in self.asked if not url.startswith(("data:", "blob:"))
        }
        assert hosts == {self.host}
        assert self.complaints == []


def pressed_figures(horse: Path, setup: dict[str, Any]) -> dict[str, str]:
    """What `fit`'s own model says of the set-up, in the words of the page."""
    case = read_case(horse / "case.toml")
    job = prepared(back_of(case, lambda _: None), case.saddle, case.pad, case.case)
    stacks = {name: tuple(Layer(*layer) for layer in layers) for name, layers in setup["pockets"].items()}
    chosen = replace(job.found_setup, arch=setup["arch"], insert=setup["insert"], stacks=stacks)
    return dict(figures(job.back, job.on(chosen, job.on(job.found_setup, None)), "mm"))


@pytest.mark.soak  # the phone does the same job in the quick tests
def test_the_whole_job_on_a_desktop(browser: Any, server: Served, horses: Path, tmp_path: Path) -> None:
    """Open, turn, move a landmark, change a shim, search, make and take the sheets: the same bytes as `fit` writes."""
    with Opened(browser, server, 1, DESKTOP) as opened:
        page = opened.page
        opened.settled()
        assert page.text_content("#horse") == "Juniper"
        _turned(opened)
        _finding_lit(opened)
        _shim_changed(opened, horses / "juniper")
        _landmark_moved(opened)
        page.click("[data-key=keep-marks]")
        page.get_by_text("kept in case.toml").wait_for()
        opened.step("setup")
        best = opened.after(lambda: page.click("[data-key=best]"))
        assert "re-runs" in opened.sentence()
        opened.step("sheets")
        page.click("[data-key=make]")
        page.get_by_text("The sheets are made").wait_for()
        with page.expect_download() as taken:
            page.click("[data-file='client.pdf']")
        assert Path(taken.value.path()).read_bytes().startswith(b"%PDF")
        opened.clean()
    theirs = tmp_path / "fit"
    assert cli.run(["fit", str(horses / "juniper" / "case.toml"), "--out", str(theirs)]) in (0, 1)
    mine, fit = (json.loads((folder / "fit.json").read_text()) for folder in (horses / "juniper", theirs))
    assert {
        n: [[x["shim"], x["thickness_mm"]] for x in p["layers"]] for n, p in fit["setup"]["pockets"].items()
    } == best["setup"]["pockets"]
    assert (fit["setup"]["arch"], fit["setup"]["insert"]) == (best["setup"]["arch"], best["setup"]["insert"])
    assert _numbers(mine["cases"]) == pytest.approx(_numbers(fit["cases"]), rel=1e-3, abs=2e-2)
    assert mine["verdict"] == fit["verdict"]


def _numbers(tree: Any) -> list[float]:
    """Every figure of a document, in order."""
    if isinstance(tree, dict):
        return [x for key in sorted(tree) if key != "proof" for x in _numbers(tree[key])]
    if isinstance(tree, list):
        return [x for item in tree for x in _numbers(item)]
    return [float(tree)] if isinstance(tree, int | float) else []


def _turned(opened: Opened) -> None:
    """By keyboard and by mouse: camera and picture change; the stage is never blank."""
    before, seen = opened.camera(), opened.picture()
    opened.page.focus("#view")
    for _ in range(4):
        opened.page.keyboard.press("ArrowRight")
    opened.page.wait_for_timeout(200)
    after = opened.camera()
    assert np.linalg.norm(np.subtract(after, before)) > 100
    assert opened.picture() != seen
    box = opened.page.locator("#view").bounding_box()
    opened.page.mouse.move(box["x"] + 60, box["y"] + 60)
    opened.page.mouse.down()
    opened.page.mouse.move(box["x"] + 160, box["y"] + 90, steps=5)
    opened.page.mouse.up()
    assert np.linalg.norm(np.subtract(opened.camera(), after)) > 50
    for mode in ("bare", "sections", "gap", "pressure"):
        opened.page.click(f"[data-show={mode}]")
    opened.page.click("[data-compare=beside]")
    assert opened.page.text_content("#left-name") == "as found"
    opened.page.click("[data-compare=one]")


def _finding_lit(opened: Opened) -> None:
    """A finding touched: its place lights up, and the hand is told where to go."""
    opened.step("saddle")
    opened.page.locator(".why button").first.click()
    opened.page.locator(".why em").wait_for()
    assert "hand" in opened.page.text_content(".why em")
    assert opened.page.evaluate("window.fitting.view.litNodes.some(node => node > 0)")
    opened.page.locator(".why button").first.click()
    assert opened.page.evaluate("window.fitting.view.litNodes") is None


def _shim_changed(opened: Opened, horse: Path) -> None:
    """A pocket by mouse: the figures are those of `fit` for that set-up; undo brings the old ones back."""
    page = opened.page
    opened.step("setup")
    first = opened.settled()["setup"]
    page.click("[data-pocket=rear_right]")
    felt = page.get_by_role("group", name="Shims in pocket rear right").get_by_role("button", name="6 mm felt sheet")
    changed = opened.after(lambda: felt.first.click())
    assert changed["setup"]["pockets"]["rear_right"] == [["felt sheet", 6]]
    assert dict(changed["judged"]["rows"]) == pressed_figures(horse, changed["setup"])
    shown = page.locator("#figures tbody tr").all_text_contents()
    assert any(row.startswith("Carries") for row in shown)
    assert opened.after(lambda: page.click("[data-key=undo]"))["setup"] == first


def _landmark_moved(opened: Opened) -> None:
    """A last rib dragged backwards by mouse: the usable length grows by about as much; then by keyboard, 5 mm."""
    page = opened.page
    opened.step("scan")
    page.click("[data-look=left]")
    page.wait_for_timeout(300)
    before = _usable(opened)
    dot = page.evaluate("window.fitting.view.onScreen('last_rib_left')")

    def drag() -> None:
        page.mouse.move(dot["x"], dot["y"])
        page.mouse.down()
        page.mouse.move(dot["x"] + 30, dot["y"], steps=4)
        page.mouse.up()

    opened.after(drag)
    assert "marked" in page.text_content("[data-landmark=last_rib_left]")
    after = _usable(opened)
    assert 15 < after - before < 150
    opened.after(lambda: page.click("[data-key='last_rib_left 5']"))
    assert _usable(opened) - after == pytest.approx(5, abs=1.6)


def _usable(opened: Opened) -> float:
    """Left usable length in the table of measures, mm."""
    rows = opened.page.evaluate("window.fitting.seen.case.back.build")
    told = next(row[1] for row in rows if row[0].startswith("Usable"))
    return float(re.findall(r"\d+", told)[0])


def test_the_whole_job_on_a_phone(browser: Any, server: Served, horses: Path) -> None:
    """By touch, in the dark, in inches: nothing is cut off, every target is a finger wide and has a name."""
    with Opened(browser, server, 2, PHONE, dark=True) as opened:
        page = opened.page
        opened.settled()
        page.tap("[data-units=in]")
        page.get_by_role("tab", name="Set-up").tap()
        opened.settled()
        page.locator("[data-pocket=front_left]").tap()
        changed = opened.after(lambda: page.get_by_role("button", name="Thicker, front left").tap())
        assert changed["setup"]["pockets"]["front_left"]
        assert " in (" in str(dict(changed["judged"]["rows"])["Clear above the withers"])
        page.get_by_role("button", name="Keep pocket front left as it is").tap()
        page.tap("[data-key=keep-now]")
        best = opened.after(lambda: page.tap("[data-key=best]"))
        assert best["setup"]["pockets"]["front_left"] == changed["setup"]["pockets"]["front_left"]
        assert best["beside"]["name"] == "kept"
        _tapped(opened)
        _dragged_by_finger(opened)
        page.tap("[data-step=hands]")
        page.locator("#step-hands .feel button", has_text="no").first.tap()
        page.get_by_text("0 of 1 felt as told").wait_for()
        for step in ("scan", "saddle", "setup", "hands", "sheets"):
            page.tap(f"[data-step={step}]")
            _fits_a_finger(opened)
        page.tap("[data-key=make]")
        page.locator("[data-file='tack-card.pdf']").wait_for()
        with page.expect_download() as taken:
            page.tap("[data-file='tack-card.pdf']")
        assert Path(taken.value.path()).read_bytes().startswith(b"%PDF")
        opened.clean()
    felt = json.loads((horses / "fennel" / "hand-checks.json").read_text())["ticks"]
    assert [row["right"] for row in felt] == [False]


def _tapped(opened: Opened) -> None:
    """A place on the back, by finger: what is there is told over the picture."""
    page = opened.page
    page.tap("[data-look=above]")
    page.wait_for_timeout(300)
    box = page.locator("#view").bounding_box()
    page.touchscreen.tap(box["x"] + box["width"] / 2 + 14, box["y"] + box["height"] * 0.45)
    page.locator("#place th", has_text="Where").wait_for()
    assert "withers" in page.text_content("#place")
    page.get_by_role("button", name="Close", exact=True).tap()


def _dragged_by_finger(opened: Opened) -> None:
    """One finger on the back turns it; one finger on a landmark moves that and turns nothing."""
    page = opened.page
    page.tap("[data-step=scan]")
    page.tap("[data-look=left]")
    page.wait_for_timeout(300)
    box, before = page.locator("#view").bounding_box(), opened.camera()
    middle = (box["x"] + box["width"] * 0.6, box["y"] + box["height"] * 0.85)
    _finger(opened, middle, (middle[0] - 60, middle[1]))
    turned = opened.camera()
    assert np.linalg.norm(np.subtract(turned, before)) > 50
    page.tap("[data-look=left]")
    page.wait_for_timeout(300)
    before, usable = opened.camera(), _usable(opened)
    dot = page.evaluate("window.fitting.view.onScreen('last_rib_left')")
    opened.after(lambda: _finger(opened, (dot["x"], dot["y"]), (dot["x"] + 18, dot["y"])))
    assert opened.camera() == pytest.approx(before)
    assert _usable(opened) > usable


def _finger(opened: Opened, start: tuple[float, float], end: tuple[float, float]) -> None:
    """A finger set down, drawn along and lifted, as the browser's own touch events."""
    line = opened.context.new_cdp_session(opened.page)
    path = np.linspace(start, end, 6)
    for kind, points in [
        ("touchStart", path[:1]),
        *(("touchMove", path[k : k + 1]) for k in range(1, 6)),
        ("touchEnd", []),
    ]:
        touches = [{"x": float(x), "y": float(y)} for x, y in points]
        line.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": touches})
    opened.page.wait_for_timeout(200)


def _fits_a_finger(opened: Opened) -> None:
    """Nothing wider than the screen; every button shown is 44 px either way and has a name for a screen reader."""
    page = opened.page
    assert page.evaluate("document.documentElement.scrollWidth") <= PHONE["viewport"]["width"]
    for button in page.locator("button:visible, select:visible, summary:visible").all():
        box = button.bounding_box()
        name = button.evaluate("one => (one.getAttribute('aria-label') || one.textContent).trim()")
        assert name
        assert min(box["width"], box["height"]) >= LEAST_TARGET_PX - 0.5, (name, box)


def test_a_scan_is_checked_at_the_horse(browser: Any, server: Served, horses: Path) -> None:
    """Sent from the start page by a phone: verdict and place; a wrong file is told beside it and harms nothing."""
    with Opened(browser, server, None, PHONE) as opened:
        page = opened.page
        page.locator("#choose").set_input_files([str(_with_a_hole(horses))])
        page.get_by_text("Shown: hole").wait_for()
        assert page.text_content(".scan .word") == "Rescan"
        assert "along the spine" in page.text_content(".scan ul")
        ring = page.evaluate("window.fitting.view.rings[0]")  # left, up, forward
        assert ring[2] == pytest.approx(HOLE_MM, abs=40)
        assert abs(ring[0]) < 40
        wrong = horses.parent / "letter.pdf"
        wrong.write_bytes(b"%PDF-1.7 no scan")
        page.locator("#choose").set_input_files([str(wrong)])
        page.get_by_text("is not a scan").wait_for()
        assert [c for c in opened.complaints if "400" not in c] == []


def _with_a_hole(horses: Path) -> Path:
    """Juniper's scan without what lies about the spine at `HOLE_MM`."""
    case = read_case(horses / "juniper" / "case.toml")
    raw, back = read(horses / "juniper" / "scan.ply"), back_of(case, lambda _: None)
    x, y, _ = back.frame.to_back(raw.points).T
    path = horses.parent / "hole.xyz"
    np.savetxt(path, raw.points[~((np.abs(x - HOLE_MM) < 70) & (np.abs(y) < 70))], fmt="%.3f")
    return path


@pytest.mark.soak
def test_without_a_case_an_invented_horse_opens(browser: Any, tmp_path: Path) -> None:
    """The way in for somebody new; the copy is written below the folder, never into the program itself."""
    with served("--folder", tmp_path / "sent") as server, Opened(browser, server, None, DESKTOP) as opened:
        opened.page.get_by_role("button", name="Willow").click()
        opened.page.get_by_role("heading", name="Willow").wait_for()
        opened.settled()
        opened.clean()
    assert (tmp_path / "sent" / "invented yard" / "horses" / "willow" / "case.toml").is_file()


def test_the_keyboard_alone_is_enough(browser: Any, server: Served) -> None:
    with Opened(browser, server, 2, DESKTOP) as opened:
        page = opened.page
        opened.settled()
        page.focus("#tab-saddle")
        page.keyboard.press("ArrowRight")
        assert page.evaluate("document.activeElement.id") == "tab-setup"
        page.focus("[data-pocket=rear_left]")
        page.keyboard.press("Enter")
        page.get_by_role("group", name="Shims in pocket rear left").wait_for()
        assert page.evaluate("document.activeElement.dataset.pocket") == "rear_left"  # the focus stays where it was
        page.focus("[data-key='step 1']")
        assert opened.after(lambda: page.keyboard.press("Space"))["setup"]["pockets"]["rear_left"]
        assert page.evaluate("document.activeElement.dataset.key") == "step 1"
        opened.after(lambda: page.click("[data-key=undo]"))
        opened.clean()


@pytest.mark.soak
def test_a_server_that_ends_is_told_and_found_again(browser: Any, horses: Path) -> None:
    with served(horses / "willow" / "case.toml") as first, Opened(browser, first, 1, DESKTOP) as opened:
        opened.settled()
        first.process.terminate()
        opened.page.get_by_text("No connection to the server").wait_for()
