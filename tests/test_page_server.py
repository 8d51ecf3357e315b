"""The page's server against rough treatment: strangers, wrong uploads, many sockets, killed workers, two pages."""

import io
import json
import os
import signal
import socket
import time
import zipfile
from collections.abc import Iterator
from contextlib import ExitStack, suppress
from pathlib import Path
from typing import Any

import httpx
import pytest
from page_client import Page, Served, page, served, yard
from websockets.exceptions import ConnectionClosed, InvalidStatus
from websockets.sync.client import connect

from shimwright.page.site import MOST_PAGES
from shimwright.scan.read import read

BAD_SCANS = Path(__file__).parents[2] / "shared" / "bad-scans"
ODD_UNIT = 3.3  # scan units per metre: no unit a phone writes
QUICK_BAD = (
    "trimesh__busted.STL",
    "tinyusdz__invalid-magic.usda",
    "tinyobjloader__test-nan.obj",
    "PDAL__no_vertex.ply",
)
PLACE_OF_FELT = [["felt sheet", 3.0]]
NO_MESSAGES: tuple[dict[str, object], ...] = (
    {"do": "fly"},
    {"do": "tap", "point": "there"},
    {"do": "tap", "point": [1e9, 0, 0]},
    {"do": "set"},
    {"do": "scale", "a": [0, 0, 0], "b": [1, 1, 1], "distance": "far"},
    {"do": "mark", "place": "../x", "point": [0, 0, 0]},
    {"do": "light", "finding": 99},
    {"do": "fix", "what": "hat", "on": True},
    {"do": "tick", "key": "a|b|c", "right": True},
    {"do": "scan-show", "number": 999},
    {"do": "nudge", "place": "withers", "back_mm": 1e6},
)


@pytest.fixture(scope="module")
def horses(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return yard(tmp_path_factory.mktemp("page"))


@pytest.fixture(scope="module")
def server(horses: Path) -> Iterator[Served]:
    with served(horses / "juniper" / "case.toml", "--folder", horses.parent / "sent") as running:
        yield running
        assert running.alive()


def post(server: Served, name: str, body: bytes | Iterator[bytes], **headers: str) -> httpx.Response:
    given = {"origin": server.url, **headers}
    return httpx.post(f"{server.url}/scans", params={"name": name}, content=body, headers=given, timeout=60)


def fate(server: Served, number: int) -> dict[str, object]:
    """What became of a scan that was sent."""
    with page(server, case="") as one:
        return after(one, number, ("done", "refused"))


def after(one: Page, number: int, states: tuple[str, ...]) -> dict[str, object]:
    """That scan's row when it has come to one of these states."""

    def there(message: dict[str, Any]) -> bool:
        return message["t"] == "scans" and any(s["number"] == number and s["state"] in states for s in message["scans"])

    return next(scan for scan in one.until(there)["scans"] if scan["number"] == number)


def ready(one: Page) -> dict[str, object]:
    return one.settled()


# ---- strangers


def test_a_strange_host_is_turned_away(server: Served) -> None:
    """As when another site's name is pointed at this computer (DNS rebinding)."""
    assert httpx.get(server.url, headers={"host": "horses.example:80"}).status_code == 403
    assert httpx.get(server.url).status_code == 200


@pytest.mark.parametrize("origin", ["http://horses.example", "null", "https://127.0.0.1", "http://127.0.0.1:1"])
def test_a_foreign_origin_is_turned_away(server: Served, origin: str) -> None:
    assert post(server, "x.ply", b"ply", origin=origin).status_code == 403
    assert httpx.get(server.url, headers={"origin": origin}).status_code == 403
    with pytest.raises(InvalidStatus, match="403"), connect(f"ws://{server.host}/live", origin=origin):  # type: ignore[arg-type]
        pass


def test_without_origin_nothing_is_changed(server: Served) -> None:
    assert httpx.post(f"{server.url}/scans", params={"name": "x.ply"}, content=b"ply").status_code == 403
    with pytest.raises(InvalidStatus, match="403"), connect(f"ws://{server.host}/live"):
        pass


def test_other_sites_cannot_take_a_sheet_as_a_picture(server: Served) -> None:
    apart = {"sec-fetch-site": "cross-site", "sec-fetch-mode": "no-cors"}
    assert httpx.get(f"{server.url}/case/1/client.pdf", headers=apart).status_code == 403


def test_the_page_may_load_nothing_from_elsewhere(server: Served) -> None:
    policy = httpx.get(server.url).headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    assert "http:" not in policy.replace(f"ws://{server.host}", "")


@pytest.mark.parametrize(
    "path",
    [
        "/case/1/case.toml",
        "/case/1/..%2Fcase.toml",
        "/case/9/client.pdf",
        "/static/..%2f..%2fcli.py",
        "/shipped/..%2Fwords.py",
    ],
)
def test_no_file_but_the_sheets_goes_out(server: Served, path: str) -> None:
    assert httpx.get(server.url + path).status_code == 404


# ---- uploads


@pytest.mark.parametrize(
    "name",
    ["../up.ply", "..\\up.ply", "/etc/up.ply", "a/b.ply", ".hidden.ply", "C:up.ply", "x\0.ply", "", "run.exe", "scan"],
)
def test_a_name_that_is_a_path_or_no_scan_is_refused(server: Served, horses: Path, name: str) -> None:
    before = sorted(path for path in horses.parent.rglob("*"))
    answer = post(server, name, b"ply\n")
    assert answer.status_code == 400
    assert "send it again" in answer.json()["refused"] or "export it as" in answer.json()["refused"]
    assert sorted(path for path in horses.parent.rglob("*")) == before


def test_two_gigabytes_are_refused_before_they_come(server: Served) -> None:
    """By hand, as a browser announces it: the answer is there though not one byte was sent."""
    host, port = server.host.split(":")
    with socket.create_connection((host, int(port)), timeout=10) as line:
        line.sendall(
            f"POST /scans?name=big.ply HTTP/1.1\r\nHost: {server.host}\r\nOrigin: {server.url}\r\n"
            f"Content-Length: {2 << 30}\r\n\r\n".encode()
        )
        answer = ""
        while more := line.recv(65536).decode():
            answer += more
    assert answer.startswith("HTTP/1.1 413")
    assert "2147 MB" in answer


def test_a_zip_bomb_is_told_as_such(server: Served) -> None:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("scan.ply", b"\0" * (80 << 20))
    number = post(server, "bomb.zip", packed.getvalue()).json()["number"]
    found = fate(server, number)
    assert found["state"] == "refused"
    assert "more than a scan needs" in str(found["text"])


def test_a_scan_broken_off_leaves_nothing(server: Served, horses: Path) -> None:
    host, port = server.host.split(":")
    with socket.create_connection((host, int(port)), timeout=10) as line:
        line.sendall(
            f"POST /scans?name=half.ply HTTP/1.1\r\nHost: {server.host}\r\nOrigin: {server.url}\r\n"
            "Content-Length: 1000000\r\n\r\nply\nformat".encode()
        )
        time.sleep(0.3)
    time.sleep(0.5)
    assert not list(horses.parent.rglob("half*"))
    assert not list(horses.parent.rglob("*.coming"))


def bad_scans(names: tuple[str, ...] | None) -> list[Path]:
    if not BAD_SCANS.is_dir():
        return []
    found = [path for path in sorted(BAD_SCANS.iterdir()) if path.suffix != ".md"]
    return [path for path in found if names is None or path.name in names]


def judged(server: Served, path: Path) -> None:
    """Never a defect, never silence: refused with a reason, or measured."""
    answer = post(server, path.name, path.read_bytes())
    if answer.status_code != 200:
        assert answer.json()["refused"]
        return
    found = fate(server, answer.json()["number"])
    assert "defect" not in str(found["text"]), (path.name, found["text"])
    assert found["state"] == "done" or found["text"]


@pytest.mark.skipif(not BAD_SCANS.is_dir(), reason="the collection of bad scans is not beside the checkout")
@pytest.mark.parametrize("path", bad_scans(QUICK_BAD), ids=lambda path: path.name)
def test_a_bad_scan_is_refused_with_a_reason(server: Served, path: Path) -> None:
    judged(server, path)


@pytest.mark.soak
@pytest.mark.skipif(not BAD_SCANS.is_dir(), reason="the collection of bad scans is not beside the checkout")
@pytest.mark.parametrize("path", bad_scans(None), ids=lambda path: path.name)
def test_every_bad_scan_is_refused_with_a_reason(server: Served, path: Path) -> None:
    judged(server, path)


def test_several_horses_in_a_row_and_what_the_scan_does_not_say(server: Served, horses: Path) -> None:
    """The second horse is measured as the first was told to be; the answers are those of `measure`."""
    with page(server, case="") as one:
        odd = read(horses / "willow" / "scan.ply").points * ODD_UNIT
        body = "\n".join(f"{x:.5f} {y:.5f} {z:.5f}" for x, y, z in odd).encode()
        first = int(post(server, "willow.xyz", body).json()["number"])
        said = str(after(one, first, ("refused",))["text"])
        assert "tell the unit" in said
        assert "--" not in said  # nobody types options at the horse
        one.ask(do="scan-told", number=first, told={"unit": f"{1000 / ODD_UNIT}", "up": "+y", "head": "-x"})
        after(one, first, ("done",))
        one.ask(do="scan-show", number=first)
        shown = one.until(lambda m: m["t"] == "scan")
        assert one.last["back"]["points"].size > 1000
        assert shown["back"]["check"] in ("good", "usable", "rescan")
        second = int(post(server, "willow.xyz", body).json()["number"])
        after(one, second, ("done",))
        one.ask(do="scan-case", number=second, horse="Second Willow")
        made = one.until(lambda m: m["t"] == "made")
    with page(server, case=made["case"]) as one:
        ready(one)
        assert one.last["case"]["horse"] == "Second Willow"


# ---- many at once


@pytest.mark.soak
def test_a_hundred_open_sockets(server: Served) -> None:
    """Idle lines and pages over the limit: told so, and the next page is served as soon as there is room."""
    host, port = server.host.split(":")
    before = open_files(server)
    with ExitStack() as held:
        for _ in range(100):
            held.enter_context(socket.create_connection((host, int(port)), timeout=10))
        pages = [held.enter_context(page(server)) for _ in range(MOST_PAGES)]
        with page(server) as late:
            told = late.next()
            assert told["t"] == "refused"
            assert told["fatal"]
            assert f"{MOST_PAGES} pages" in told["text"]
            with pytest.raises(ConnectionClosed):
                late.next()
        assert httpx.get(server.url).status_code == 200
        pages[0].until(lambda m: m["t"] == "pages" and m["count"] > 20)
    time.sleep(1.0)
    assert open_files(server) <= before + 3
    with page(server) as one:
        ready(one)


def open_files(server: Served) -> int:
    """How many the server holds open; 0 where that cannot be seen."""
    place = Path(f"/proc/{server.process.pid}/fd")
    return len(list(place.iterdir())) if place.exists() else 0


def test_two_pages_show_the_same_horse_and_nothing_is_lost(server: Served, horses: Path) -> None:
    with page(server) as one, page(server) as other:
        setup = ready(one)["setup"]
        ready(other)
        asked = {**setup, "pockets": {**setup["pockets"], "rear_left": PLACE_OF_FELT}}
        one.ask(do="set", setup=asked)
        there = other.until(lambda m: m["t"] == "state" and m["setup"] == asked and m["judged"]["settled"])
        key = there["hands"][0]["places"][0]["cells"][0]["key"]
        other.ask(do="tick", key=key, right=True)
        here = one.until(lambda m: m["t"] == "state" and key in m["felt"])
        assert here["felt"][key] is True
        other.ask(do="undo")
        one.until(lambda m: m["t"] == "state" and m["setup"] == setup)
    kept = json.loads((horses / "juniper" / "hand-checks.json").read_text())
    assert [row["right"] for row in kept["ticks"]] == [True]


def test_the_latest_set_up_wins(server: Served) -> None:
    with page(server) as one:
        setup = ready(one)["setup"]
        chain = [[["felt sheet", 3.0 + 3.0 * (k % 2)]] for k in range(41)] + [[]]
        for layers in chain:
            one.ask(do="set", setup={**setup, "pockets": {**setup["pockets"], "front_right": layers}})
        last = one.settled()
        assert last["setup"]["pockets"]["front_right"] == []


def test_what_is_no_message_is_told_and_passed_over(server: Served) -> None:
    with page(server) as one:
        ready(one)
        for asked in NO_MESSAGES:
            one.ask(**asked)
            refused = one.until(lambda m: m["t"] == "refused")
            assert "defect" not in refused["text"], (asked, refused["text"])
    with connect(f"ws://{server.host}/live", origin=server.url) as bare:  # type: ignore[arg-type]
        bare.send("{not json")
        bare.send("[1, 2]")
        while json.loads(bare.recv(timeout=10))["t"] != "refused":
            pass


# ---- workers


def workers_of(server: Served) -> list[int]:
    """Processes that work for the server now: children of the one that forks them (Linux)."""
    return [pid for parent in _children(server.process.pid, "forkserver") for pid in _children(parent, "")]


def _children(parent: int, named: str) -> list[int]:
    found = []
    for entry in Path("/proc").iterdir():
        with suppress(OSError, ValueError):
            fields = (entry / "stat").read_text().rpartition(")")[2].split()
            if int(fields[1]) == parent and named in (entry / "cmdline").read_text():
                found.append(int(entry.name))
    return found


def test_a_wrong_case_is_told_and_read_again_when_it_is_mended(horses: Path) -> None:
    case = horses / "willow" / "case.toml"
    right = case.read_text()
    case.write_text(right.replace("stood_square", "stod_square"))
    with served(case) as server:
        with page(server) as one:
            told = one.until(lambda m: m["t"] == "refused")
            assert "stood_square" in told["text"]
            assert told["fatal"]
        case.write_text(right)
        with page(server) as one:
            one.until(lambda m: m["t"] == "case")


def test_a_back_that_the_saddle_misses_is_shown_all_the_same(tmp_path: Path) -> None:
    """What was scanned is there before the saddle is laid on, and stays when that is refused; the next page too."""
    case = yard(tmp_path) / "juniper" / "case.toml"
    case.write_text(case.read_text().replace("[marks]", '[marks]\nsaddle_front_left = "700mm"'))
    with served(case) as server:
        for _ in range(2):
            with page(server) as one:
                told = one.until(lambda m: m["t"] == "refused")
                assert "700" in told["text"]
                assert "case" not in one.last
                assert len(one.last["back"]["points"]) > 1000


def test_vet_first_gives_sheets_without_a_set_up_until_asked_for_anyway(horses: Path) -> None:
    case = horses / "fennel" / "case.toml"
    case.write_text(case.read_text().replace("lame = false", "lame = true"))
    with served(case) as server, page(server) as one:
        assert one.settled()["judged"]["sentence"] == "Vet first: lame."
        assert one.last["case"]["gate"] == "vet first"
        one.ask(do="sheets")
        one.until(lambda m: m["t"] == "sheets" and m.get("fresh"))
        assert json.loads((case.parent / "fit.json").read_text())["setup"] is None
        one.ask(do="anyway")
        assert "Asked for anyway" in one.settled()["judged"]["sentence"]
        one.ask(do="sheets")
        one.until(lambda m: m["t"] == "sheets" and m.get("fresh"))
        again = json.loads((case.parent / "fit.json").read_text())
        assert again["setup"] is not None
        assert again["verdict"] == "vet first"


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="needs /proc to find the worker")
def test_a_killed_worker_is_told_and_the_server_lives(server: Served) -> None:
    with page(server) as one:
        before = ready(one)["setup"]
        one.ask(do="best")
        one.until(lambda m: m["t"] == "say" and "searching" in m["text"])
        for worker in workers_of(server):
            os.kill(worker, signal.SIGKILL)
        told = one.until(lambda m: m["t"] == "refused")
        assert "signal 9" in told["text"]
        assert "nothing is lost" in told["text"]
        one.ask(do="fix", what="arch", on=False)
        state = one.until(lambda m: m["t"] == "state")
        assert state["setup"] == before


def test_the_search_can_be_stopped_and_keeps_what_is_settled(server: Served) -> None:
    with page(server) as one:
        setup = ready(one)["setup"]
        asked = {**setup, "pockets": {**setup["pockets"], "rear_right": PLACE_OF_FELT}}
        one.ask(do="set", setup=asked)
        one.until(lambda m: m["t"] == "state" and m["setup"] == asked)
        for what in ("pocket:rear_right", "insert", "arch"):
            one.ask(do="fix", what=what, on=True)
        one.ask(do="best")
        one.until(lambda m: m["t"] == "say" and m["text"].startswith("trying"))
        one.ask(do="stop")
        one.until(lambda m: m["t"] == "search" and not m["on"])
        one.ask(do="best")
        one.until(lambda m: m["t"] == "search" and m["on"])
        one.until(lambda m: m["t"] == "search" and not m["on"])
        found = one.until(lambda m: m["t"] == "state" and m["judged"]["settled"])["setup"]
        assert found["pockets"]["rear_right"] == PLACE_OF_FELT
        assert (found["insert"], found["arch"]) == (setup["insert"], setup["arch"])
        for what in ("pocket:rear_right", "insert", "arch"):
            one.ask(do="fix", what=what, on=False)
    assert workers_of(server) == [] or not Path("/proc/self/stat").exists()
