"""The small parts of the page, each by itself: doors, uploads, workers, ticks, marks kept, a case from a scan."""

import asyncio
import json
import os
import signal
import threading
import time
from collections.abc import AsyncIterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import tack
import tomlkit
from page_client import YARD, Page, page, served, yard
from starlette.applications import Starlette
from starlette.responses import PlainTextResponse
from starlette.routing import Route
from starlette.testclient import TestClient

from shimwright.case_file import read_case
from shimwright.optimize.answer import HandCheck
from shimwright.optimize.case import PartialSetup
from shimwright.optimize.setup import Layer, Setup
from shimwright.page import apart, uploads
from shimwright.page.apart import Bounds, Errand, Stopped, run_apart
from shimwright.page.doors import Doors, Tokens
from shimwright.page.keep_marks import keep_in_case
from shimwright.page.listeners import WAITING, Listener
from shimwright.page.new_case import case_from_scan
from shimwright.page.scans import _told
from shimwright.page.serve import _lan_address, _sockets
from shimwright.page.showing import in_trade
from shimwright.page.ticks import NAME, felt, tick, ticks
from shimwright.page.trial import Trial
from shimwright.progress import Say
from shimwright.scan.refusal import CannotWrite, InputRefused, WrongUse
from shimwright.scan.told import ScanPoint, Told

HOST = "10.0.0.5:8642"


# ---- doors


def lan() -> tuple[TestClient, Tokens, list[str]]:
    """A site behind doors that ask for a token."""
    links: list[str] = []
    tokens = Tokens(links.append)
    site = Starlette(routes=[Route("/", lambda _: PlainTextResponse("in"), methods=["GET", "POST"])])
    return TestClient(Doors(site, frozenset([HOST]), tokens), base_url=f"http://{HOST}"), tokens, links


def test_without_a_token_nobody_comes_in() -> None:
    client, _, _ = lan()
    answer = client.get("/")
    assert answer.status_code == 403
    assert "link that stands in the terminal" in answer.text
    assert client.get("/enter?key=guess").status_code == 403
    assert client.get("/", headers={"cookie": "shimwright-8642=guess"}).status_code == 403


def test_a_link_lets_one_device_in_and_the_next_one_is_announced() -> None:
    client, tokens, links = lan()
    link = tokens.current
    assert client.get(f"/enter?key={link}").text == "in"
    assert client.get("/").text == "in"
    assert links == [tokens.current]
    assert tokens.current != link
    other = TestClient(client.app, base_url=f"http://{HOST}")
    assert other.get(f"/enter?key={link}").status_code == 403
    assert other.get(f"/enter?key={links[0]}").text == "in"


def test_a_cookie_cannot_be_read_by_scripts_and_a_token_is_long() -> None:
    client, tokens, _ = lan()
    assert len(tokens.current) >= 24  # 18 bytes of chance, as text
    set_cookie = client.get(f"/enter?key={tokens.current}", follow_redirects=False).headers["set-cookie"].lower()
    assert "httponly" in set_cookie
    assert "samesite=lax" in set_cookie


def test_with_a_session_a_foreign_origin_still_changes_nothing() -> None:
    client, tokens, _ = lan()
    client.get(f"/enter?key={tokens.current}")
    assert client.post("/", headers={"origin": f"http://{HOST}"}).text == "in"
    assert client.post("/", headers={"origin": "http://horses.example"}).status_code == 403
    assert client.post("/").status_code == 403


def test_on_the_network_the_command_says_what_it_exposes() -> None:
    try:
        _lan_address()
    except WrongUse:
        pytest.skip("this computer is in no network")
    with served("--lan") as server:
        assert "shimwright-scans" in server.said
        assert "nothing else on this computer" in server.said
        assert "unencrypted" in server.said
        import httpx

        assert httpx.get(server.url).status_code == 403


def test_a_port_that_is_taken_is_told() -> None:
    (held,) = _sockets(["127.0.0.1"], 0)
    with held, pytest.raises(CannotWrite, match="--port"):
        _sockets(["127.0.0.1"], held.getsockname()[1])


# ---- uploads


async def pieces(*parts: bytes) -> AsyncIterator[bytes]:
    for part in parts:
        yield part


def test_a_scan_that_grows_too_large_on_the_way_leaves_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(uploads, "LARGEST_BYTES", 1000)
    with pytest.raises(InputRefused, match="fewer points"):
        asyncio.run(uploads.stored(pieces(b"x" * 600, b"x" * 600), "a.ply", tmp_path))
    with pytest.raises(InputRefused, match="empty"):
        asyncio.run(uploads.stored(pieces(), "a.ply", tmp_path))
    assert list(tmp_path.iterdir()) == []


def test_a_sender_that_falls_silent_is_given_up(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    async def silent() -> AsyncIterator[bytes]:
        yield b"ply"
        await asyncio.sleep(30)

    monkeypatch.setattr(uploads, "SILENCE_S", 0.2)
    with pytest.raises(InputRefused, match="nothing came"):
        asyncio.run(uploads.stored(silent(), "a.ply", tmp_path))
    assert list(tmp_path.iterdir()) == []


def test_two_scans_of_one_name_do_not_meet(tmp_path: Path) -> None:
    first, second = (asyncio.run(uploads.stored(pieces(body), "a.ply", tmp_path)) for body in (b"1", b"2"))
    assert (first.read_bytes(), second.read_bytes()) == (b"1", b"2")
    assert first.parent != second.parent


def test_a_full_disk_is_told_before_the_first_byte(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(uploads, "SPARE_BYTES", 1 << 60)
    with pytest.raises(CannotWrite, match="no room"):
        uploads.check_size("1000", tmp_path)


# ---- workers


def slow(say: Say) -> str:
    for k in range(200):
        say(f"step {k}")
        time.sleep(0.05)
    return "whole"


def deaf(_: Say) -> None:
    time.sleep(60)


def greedy(_: Say) -> int:
    return len(bytearray(8 << 30))


def refusing(_: Say) -> None:
    raise WrongUse("not so", ("a detail",))


def quiet(_: str) -> None:
    pass


def test_a_worker_refuses_in_its_own_words() -> None:
    with pytest.raises(WrongUse, match="not so") as refused:
        run_apart(refusing, (), Bounds(20), quiet, Errand())
    assert refused.value.details == ("a detail",)


def test_a_worker_that_hangs_is_ended() -> None:
    with pytest.raises(InputRefused, match="not done within 1 s"):
        run_apart(deaf, (), Bounds(1), quiet, Errand())


@pytest.mark.skipif(os.name == "nt", reason="no limit of memory there")
def test_a_worker_that_takes_too_much_memory_is_told_so() -> None:
    with pytest.raises(InputRefused, match="memory"):
        run_apart(greedy, (), Bounds(20, 4 << 30), quiet, Errand())


@pytest.mark.skipif(os.name == "nt", reason="signals are told otherwise there")
def test_a_stopped_worker_ends_at_its_next_word_and_a_killed_one_is_told() -> None:
    errand, said = Errand(), []

    def heard(text: str) -> None:
        said.append(text)
        errand.stop.set()

    with pytest.raises(Stopped):
        run_apart(slow, (), Bounds(30), heard, errand)
    assert len(said) < 20
    errand = Errand()
    with pytest.raises(InputRefused, match="signal 9"):
        run_apart(slow, (), Bounds(30), lambda _: os.kill(errand.pid, signal.SIGKILL), errand)


def test_no_worker_outlives_its_errand() -> None:
    errand = Errand()
    threading.Timer(0.5, errand.kill.set).start()
    with pytest.raises(Stopped):
        run_apart(deaf, (), Bounds(30), quiet, errand)
    assert errand.pid == 0
    assert apart.MEMORY_BYTES <= 8 << 30


# ---- pages


def test_pictures_do_not_queue_and_words_do() -> None:
    async def heard() -> list[object]:
        one = Listener()
        for k in range(5):
            one.send("now", bytes([k]))
            one.tell({"t": "note", "text": str(k)})
        return [await one.next() for _ in range(6)]

    *words, picture = asyncio.run(heard())
    assert [json.loads(str(text))["text"] for text in words] == list("01234")
    assert picture == b"\x04"


def test_a_page_that_takes_nothing_is_let_go() -> None:
    one = Listener()
    for k in range(WAITING + 1):
        one.tell({"t": "note", "text": str(k)})
    assert one.lost


# ---- set-ups that are tried


def test_undo_goes_back_step_by_step_and_no_further() -> None:
    first, second, third = (Setup(None, None, {"front_left": (Layer("felt", t),)}) for t in (1.0, 2.0, 3.0))
    trial = Trial(first).put(second).put(third)
    assert trial.undone().setup == second
    assert trial.undone().undone() == Trial(first)
    assert Trial(first).undone() == Trial(first)


def test_what_is_settled_is_told_to_the_search_as_it_stands() -> None:
    pad = tack.pad(1)
    trial = Trial(Setup("a", "b", {"middle_left": (), "middle_right": (Layer("felt", 3.0),)}))
    trial = trial.settled("arch", True, pad).settled("pocket:middle_right", True, pad)
    assert trial.part() == PartialSetup("a", None, {"middle_right": (Layer("felt", 3.0),)})
    assert trial.settled("arch", False, pad).part().arch is None
    with pytest.raises(WrongUse, match="nothing that can be kept"):
        trial.settled("middle_right", True, pad)


# ---- ticks


CHECK = HandCheck("front", "left", "with set-up", "daylight", 3.2, 1.1)


def test_ticks_are_kept_beside_the_case_and_can_be_taken_back(tmp_path: Path) -> None:
    tick(tmp_path, "arch medium", CHECK, True)
    tick(tmp_path, "arch medium", CHECK, False)
    tick(tmp_path, "arch wide", CHECK, True)
    rows = ticks(tmp_path)
    assert [(row.setup, row.right) for row in rows] == [("arch medium", False), ("arch wide", True)]
    assert felt(rows, "arch medium") == {"with set-up|front|left": False}
    tick(tmp_path, "arch wide", CHECK, None)
    assert felt(ticks(tmp_path), "arch wide") == {}
    assert json.loads((tmp_path / NAME).read_text())["schema"] == "shimwright/hand-checks/1"


def test_the_saddle_alone_is_felt_once_for_every_set_up(tmp_path: Path) -> None:
    alone = replace(CHECK, state="saddle only")
    tick(tmp_path, "arch medium", alone, True)
    assert felt(ticks(tmp_path), "arch wide") == {"saddle only|front|left": True}
    tick(tmp_path, "arch wide", alone, False)
    assert len(ticks(tmp_path)) == 1


def test_a_file_of_ticks_that_is_none_is_refused_not_overwritten(tmp_path: Path) -> None:
    (tmp_path / NAME).write_text("{}")
    with pytest.raises(InputRefused, match="move it away"):
        tick(tmp_path, "arch medium", CHECK, True)
    assert (tmp_path / NAME).read_text() == "{}"


# ---- marks and cases


def test_marks_go_into_the_case_and_its_comments_stay(tmp_path: Path) -> None:
    horse = yard(tmp_path) / "juniper"
    before = (horse / "case.toml").read_text()
    told = read_case(horse / "case.toml").told
    moved = replace(told, marks={**told.marks, "last_rib_left": ScanPoint((1.0, 2.5, -3.0))})
    assert "last rib left" in keep_in_case(horse / "case.toml", moved)
    after = (horse / "case.toml").read_text()
    assert read_case(horse / "case.toml").told.marks == moved.marks
    assert set(before.splitlines()) <= set(after.splitlines())
    assert "already" in keep_in_case(horse / "case.toml", moved)


def test_a_scale_set_by_two_points_takes_the_place_of_dots(tmp_path: Path) -> None:
    horse = yard(tmp_path) / "juniper"
    told = read_case(horse / "case.toml").told
    keep_in_case(horse / "case.toml", replace(told, unit_mm=1.0123, scale=None))
    again = read_case(horse / "case.toml").told
    assert again.unit_mm == pytest.approx(1.0123)
    assert again.scale is None


def test_a_case_from_a_scan_is_a_case(tmp_path: Path) -> None:
    horses = yard(tmp_path)
    folder = tmp_path / "new"
    folder.mkdir()
    scan = folder / "scan.ply"
    scan.write_bytes((horses / "willow" / "scan.ply").read_bytes())
    told = _told({"unit": "m", "up": "+y", "head": "-x", "mark-withers": "green", "mirror": ""})
    case = read_case(case_from_scan(scan, "Sorrel", told, horses / "juniper" / "case.toml"))
    assert case.case.horse.name == "Sorrel"
    assert case.told == told
    assert case.saddle.name == read_case(horses / "juniper" / "case.toml").saddle.name
    with pytest.raises(CannotWrite, match="would be lost"):
        case_from_scan(scan, "Sorrel", told, horses / "juniper" / "case.toml")
    assert tomlkit.parse((folder / "case.toml").read_text())["scan"] == "scan.ply"


# ---- landmarks and scale, through the server


def test_withers_and_scale_are_measured_anew(tmp_path: Path) -> None:
    """Withers moved 20 mm back: everything lies 20 mm less behind them. A tenth more between two points: so has all."""
    horses = yard(tmp_path)
    with served(horses / "fennel" / "case.toml") as server, page(server) as one:
        one.settled()
        croup = _behind(one, "croup")
        one.ask(do="nudge", place="withers", back_mm=20)
        _measured(one)
        assert croup - _behind(one, "croup") == pytest.approx(20, abs=1.5)
        marks = {mark["name"]: np.array(mark["point"]) for mark in one.last["case"]["landmarks"]}
        a, b = marks["shoulder_left"], marks["last_rib_left"]
        apart_mm, croup = float(np.linalg.norm(a - b)), _behind(one, "croup")
        one.ask(do="scale", a=a.tolist(), b=b.tolist(), distance=f"{1.1 * apart_mm:.3f} mm")
        _measured(one)
        assert _behind(one, "croup") / croup == pytest.approx(1.1, abs=0.003)
        one.ask(do="keep")
        one.until(lambda m: m["t"] == "note" and "kept in case.toml" in m["text"])
    told: Told = read_case(horses / "fennel" / "case.toml").told
    assert told.unit_mm == pytest.approx(1.1, rel=0.002)
    assert isinstance(told.marks["withers"], ScanPoint)
    assert (YARD / "horses" / "fennel" / "case.toml").read_text() != (horses / "fennel" / "case.toml").read_text()


def _behind(one: Page, name: str) -> float:
    return float(next(mark["behind_mm"] for mark in one.last["case"]["landmarks"] if mark["name"] == name))


def _measured(one: Page) -> None:
    one.until(lambda m: m["t"] == "case")
    one.settled()


# ---- words


def test_a_western_saddle_has_bars_on_the_page_too() -> None:
    """PRACTICE §2: panel (Western: bar), girthed (cinched); what the page asks back by keeps its name."""
    told = {"rows": [["Carries", "97 % of the panel"]], "key": "girthed|panel|left", "n": 3, "none": None}
    western = {"rows": [["Carries", "97 % of the bar"]], "key": "girthed|panel|left", "n": 3, "none": None}
    assert in_trade(told, "western") == western
    assert in_trade(told, "english") == told
