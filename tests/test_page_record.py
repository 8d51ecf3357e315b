"""What is ticked on the page, read back from the record by the record's own command and tables."""

import json
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from page_client import Page, Served, page, served, yard

from shimwright.page.recorded import looked_up
from shimwright.record.store import opened
from shimwright.record.visits import Hand, visits

HORSE = "Juniper"


@pytest.fixture(scope="module")
def places(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """Case and store."""
    folder = tmp_path_factory.mktemp("recorded")
    return yard(folder) / "juniper" / "case.toml", folder / "store"


@pytest.fixture(scope="module")
def server(places: tuple[Path, Path]) -> Iterator[Served]:
    case, store = places
    with served(case, "--store", store) as running:
        yield running


@pytest.fixture(scope="module")
def kept(server: Served, places: tuple[Path, Path]) -> dict[str, Any]:
    """The state after the visit was kept: offered, refused without sheets, then done."""
    with page(server) as one:
        state = one.settled()
        assert state["record"] == {"words": f"{HORSE} is not in the record yet.", "offer": True}
        assert not places[1].exists()  # looking makes no record
        one.ask(do="record")
        refused = one.until(lambda m: m["t"] == "note" or _refused(m))
        assert "make the sheets first" in refused["text"]
        one.ask(do="sheets")
        one.until(lambda m: m["t"] == "sheets" and m.get("fresh"), 120.0)
        one.ask(do="record")
        assert HORSE in one.until(lambda m: m["t"] == "note")["text"]
        return one.until(lambda m: m["t"] == "state" and not m["record"]["offer"])


def _refused(message: dict[str, Any]) -> bool:
    if message["t"] != "refused":
        return False
    message["t"] = "note"
    return True


def hands(store: Path) -> dict[str, Hand]:
    with opened(store) as connection:
        (visit,) = visits(connection, HORSE)
    return {f"{one.state}|{one.place}|{one.side}": one for one in visit.hands}


def cells(state: dict[str, Any], alone: bool) -> list[dict[str, str]]:
    """Places of the saddle alone, or of the other states."""
    return [
        cell
        for group in state["hands"]
        if (group["state"] == "saddle only") == alone
        for place in group["places"]
        for cell in place["cells"]
    ]


def in_record(store: Path, key: str, right: bool | None) -> bool:
    """Waits a little: a page may be told of the tick beside the case before the record has it."""
    for _ in range(100):
        if hands(store)[key].was_right is right:
            return True
        time.sleep(0.05)
    return False


def ticked(one: Page, key: str, right: bool | None) -> None:
    one.ask(do="tick", key=key, right=right)
    one.until(lambda m: m["t"] == "state" and m["felt"].get(key) is right)


def test_a_tick_goes_into_the_record_and_comes_out_again(
    server: Served, places: tuple[Path, Path], kept: dict[str, Any]
) -> None:
    assert kept["record"]["words"].endswith("What is ticked here goes there too.")
    first, second = (cell["key"] for cell in cells(kept, alone=False)[:2])
    with page(server) as one:
        one.settled()
        ticked(one, first, True)
        ticked(one, second, False)
        assert in_record(places[1], first, True)
        assert in_record(places[1], second, False)
        score = subprocess.run(
            [sys.executable, "-m", "shimwright", "log", "score", "--json", "--store", places[1]],
            capture_output=True, text=True, check=True,
        )  # fmt: skip
        assert json.loads(score.stdout.splitlines()[0])["felt"] == 2
        ticked(one, first, None)
        ticked(one, second, None)
        assert all(in_record(places[1], key, None) for key in hands(places[1]))


def test_ticks_of_another_set_up_are_not_told_of_this_one(
    server: Served, places: tuple[Path, Path], kept: dict[str, Any]
) -> None:
    other = {**kept["setup"], "pockets": {**kept["setup"]["pockets"], "front_left": [["felt sheet", 6.0]]}}
    with page(server) as one:
        one.settled()
        one.ask(do="set", setup=other)
        state = one.until(lambda m: m["t"] == "state" and m["setup"] == other and m["judged"]["settled"])
        assert "another set-up" in state["record"]["words"]
        mounted, alone = cells(state, alone=False)[-1]["key"], cells(state, alone=True)[0]["key"]
        ticked(one, mounted, True)
        ticked(one, alone, True)
        assert in_record(places[1], mounted, None)
        assert in_record(places[1], alone, True)
        ticked(one, alone, None)
        ticked(one, mounted, None)
        one.ask(do="set", setup=kept["setup"])
        one.until(lambda m: m["t"] == "state" and m["setup"] == kept["setup"] and m["judged"]["settled"])


def test_two_pages_tick_at_once_and_none_is_lost(
    server: Served, places: tuple[Path, Path], kept: dict[str, Any]
) -> None:
    keys = [cell["key"] for cell in [*cells(kept, alone=True), *cells(kept, alone=False)]]
    with page(server) as one, page(server) as two:
        one.settled()
        two.settled()
        for k, key in enumerate(keys):
            (one, two)[k % 2].ask(do="tick", key=key, right=k % 3 > 0)
        for each in (one, two):
            each.until(lambda m: m["t"] == "state" and len(m["felt"]) == len(keys))
    beside = json.loads((places[0].parent / "hand-checks.json").read_text(encoding="utf-8"))["ticks"]
    assert len(beside) == len(keys)
    assert all(in_record(places[1], key, k % 3 > 0) for k, key in enumerate(keys))


def test_a_changed_case_is_another_visit(places: tuple[Path, Path], kept: dict[str, Any], tmp_path: Path) -> None:
    case, store = places
    assert kept["record"]["offer"] is False
    changed = tmp_path / "case.toml"
    changed.write_text(case.read_text(encoding="utf-8") + "\n# seen again\n", encoding="utf-8")
    found = looked_up(store, changed, HORSE)
    assert found.known
    assert found.visit is None
    assert looked_up(store, case, HORSE.lower()).visit is not None
    assert looked_up(store, case, "") == looked_up(tmp_path / "none", case, HORSE)


def test_a_damaged_record_is_told_and_the_page_works_on(places: tuple[Path, Path], tmp_path: Path) -> None:
    store = tmp_path / "store"
    store.mkdir()
    with opened(store):
        pass
    (file,) = [path for path in store.iterdir() if path.is_file() and path.suffix in (".sqlite", ".db", ".sqlite3")]
    file.write_bytes(b"no record at all" * 64)
    with served(places[0], "--store", store) as server, page(server) as one:
        said: list[str] = []

        def done(message: dict[str, Any]) -> bool:
            said.extend([message["text"]] if message["t"] == "note" else [])
            return bool(said) and "now" in one.last

        one.until(done)
        assert str(store) in said[0]
        assert server.alive()
