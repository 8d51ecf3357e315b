"""The record survives what happens to files: kill -9, a full disk, two writers, old, new and damaged stores.

What must hold is SQLite's own promise (atomic commit, "SQLite: Atomic Commit In SQLite" and "Write-Ahead Logging") plus
ours: a visit that is seen has every file it names. SQLite itself is the independent reader.
"""

import os
import random
import resource
import shutil
import signal
import sqlite3
import stat
import time
from hashlib import sha256
from multiprocessing import get_context
from pathlib import Path

import pytest
from record_stuff import invented, plain, with_file

from shimwright.record import copies, day_copy
from shimwright.record.kept_files import kept_bytes, kept_path
from shimwright.record.store import FILE, migrations, opened, told
from shimwright.record.visits import Note, keep_note, keep_visit, notes, visit_of, visits
from shimwright.scan.refusal import CannotWrite, InputRefused, WrongUse

OLD = Path(__file__).parent / "data" / "stores" / "version-1.sqlite"
posix = pytest.mark.skipif(os.name != "posix", reason="needs fork and kill -9")


def everything(folder):
    """Every file of the folder with its bytes."""
    return {str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def content(k):
    return sha256(str(k).encode()).digest() * 400


def test_a_visit_is_read_as_it_was_written(tmp_path):
    with opened(tmp_path) as connection:
        visit = with_file(tmp_path, "Linnet", "2026-03-01", b"a scan")
        assert keep_visit(connection, tmp_path, visit)
        keep_note(connection, Note("Linnet", "2026-03-02", "new girth"))
    with opened(tmp_path) as connection:
        assert plain(visit_of(connection, "linnet")) == plain(visit)
        assert notes(connection) == [Note("Linnet", "2026-03-02", "new girth")]
        assert kept_bytes(tmp_path, visit.files[0].sha256) == b"a scan"
        with pytest.raises(WrongUse, match="no visit of Sorrel in the record; horses there: Linnet"):
            visit_of(connection, "Sorrel")


def test_only_the_owner_may_read(tmp_path):
    folder = tmp_path / "home" / "shimwright"
    old = os.umask(0)
    try:
        with opened(folder) as connection:
            keep_visit(connection, folder, with_file(folder, "Linnet", "2026-03-01", b"a scan"))
            keep_visit(connection, folder, with_file(folder, "Linnet", "2026-04-01", b"more"))
            modes = {p: stat.S_IMODE(p.stat().st_mode) for p in folder.rglob("*")}
    finally:
        os.umask(old)
    assert any(path.name.endswith("-wal") for path in modes)
    assert {mode for path, mode in modes.items() if path.is_file()} == {0o600}
    assert {mode for path, mode in modes.items() if path.is_dir()} == {0o700}
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700


def test_the_same_visit_again_takes_its_place_and_keeps_the_ticks(tmp_path):
    from shimwright.record.hands import keep_ticks, ticked

    with opened(tmp_path) as connection:
        visit = invented("Linnet", "2026-03-01")
        keep_visit(connection, tmp_path, visit)
        keep_ticks(connection, visit, ticked(visit.hands, "1,2", ("3=even",), "2026-03-05"))
        assert not keep_visit(connection, tmp_path, visit)
        (again,) = visits(connection)
    assert [one.was_right for one in again.hands[:4]] == [True, True, False, None]
    assert again.hands[2].felt == "even"
    assert again.hands[2].ticked_on == "2026-03-05"


# ---------------------------------------------------------------- kill -9


def _write_until_killed(folder, start, ready):
    with opened(folder) as connection:
        for k in range(start, start + 10_000):
            keep_visit(connection, folder, with_file(folder, f"horse {k % 7}", f"20{k % 90 + 10}-03-01", content(k)))
            if k == start:
                os.write(ready, b"!")


def _whole_or_refuse(folder):
    """Checked without our own reader: SQLite's integrity, and each visit with all its parts and files."""
    connection = sqlite3.connect(folder / FILE)
    try:
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        assert connection.execute("PRAGMA foreign_key_check").fetchall() == []
        rows = connection.execute(
            "SELECT (SELECT count(*) FROM hand WHERE visit = v.id), (SELECT count(*) FROM look WHERE visit = v.id),"
            " (SELECT count(*) FROM tried WHERE visit = v.id), f.sha256, f.size FROM visit v LEFT JOIN file f"
            " ON f.visit = v.id"
        ).fetchall()
    finally:
        connection.close()
    for hands, looks, tried, name, size in rows:
        assert (hands, looks, tried) == (27, 2, 1)
        kept = kept_path(folder, name).read_bytes()
        assert len(kept) == size
        assert sha256(kept).hexdigest() == name
    return len(rows)


@posix
@pytest.mark.parametrize("kills", [20, pytest.param(100, marks=pytest.mark.soak)])
def test_a_writer_that_is_killed_leaves_whole_visits(tmp_path, kills):
    draw, seen = random.Random(4), 0
    for round_ in range(kills):
        hear, say = os.pipe()
        child = os.fork()
        if child == 0:
            try:
                _write_until_killed(tmp_path, 1000 * round_, say)
            finally:
                os._exit(1)
        os.close(say)
        if round_ % 4:  # else killed while it opens, migrates or writes its first
            os.read(hear, 1)
        time.sleep(draw.uniform(0.0, 0.02))
        os.kill(child, signal.SIGKILL)
        assert os.WIFSIGNALED(os.waitpid(child, 0)[1])
        os.close(hear)
        if (tmp_path / FILE).is_file() and (tmp_path / FILE).stat().st_size:  # else killed before it was there
            with opened(tmp_path) as connection:
                connection.execute("SELECT 1 FROM visit")
            now = _whole_or_refuse(tmp_path)
            assert now >= seen, "a visit that was there is gone"
            seen = now
    assert seen > 0.75 * kills, "the writers hardly wrote: the test shows nothing"


@posix
def test_the_check_of_killed_writers_can_fail(tmp_path):
    with opened(tmp_path) as connection:
        keep_visit(connection, tmp_path, visit := with_file(tmp_path, "Linnet", "2026-03-01", b"a scan"))
    kept_path(tmp_path, visit.files[0].sha256).write_bytes(b"half")
    with pytest.raises(AssertionError):
        _whole_or_refuse(tmp_path)


# ---------------------------------------------------------------- full disk


def test_a_full_database_refuses_the_whole_visit(tmp_path):
    with opened(tmp_path) as connection:
        keep_visit(connection, tmp_path, invented("Linnet", "2026-03-01"))
    with opened(tmp_path) as connection:
        used = connection.execute("PRAGMA page_count").fetchone()[0]
        connection.execute(f"PRAGMA max_page_count = {used + 2}")
        with pytest.raises(CannotWrite, match=r"full.*as it was before"), told(tmp_path):
            _many(connection, tmp_path)
    with opened(tmp_path) as connection:
        seen = visits(connection)
        assert 1 <= len(seen) < 51
        assert all(len(one.hands) == 27 for one in seen)
        assert keep_visit(connection, tmp_path, invented("Later", "2026-03-02"))


def _many(connection, folder):
    for k in range(50):
        keep_visit(connection, folder, with_file(folder, "Sorrel", f"20{k + 10}-03-01", content(k)))


def _fill(folder, limit, scan_bytes, answer):
    resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))
    done = 0
    try:
        with opened(folder) as connection:
            for k in range(200):
                keep_visit(
                    connection, folder, with_file(folder, "Sorrel", f"20{k % 90 + 10}-03-01", content(k) * scan_bytes)
                )
                done += 1
        answer.put(("no limit was met", done))
    except CannotWrite as refused:
        answer.put((refused.message, done))
    except BaseException as other:
        answer.put((f"{type(other).__name__}: {other}", done))


@posix
@pytest.mark.parametrize(("limit", "scan_times"), [(150_000, 1), (100_000, 20)], ids=["database", "scan"])
def test_no_file_may_grow_further(tmp_path, limit, scan_times):
    """RLIMIT_FSIZE: write(2) then fails with EFBIG, as a quota or a full disk does (setrlimit(2))."""
    with opened(tmp_path) as connection:
        keep_visit(connection, tmp_path, invented("Linnet", "2026-03-01"))
    fork = get_context("fork")
    answer = fork.SimpleQueue()
    child = fork.Process(target=_fill, args=(tmp_path, limit, scan_times, answer))
    child.start()
    said, done = answer.get()
    child.join()
    assert "cannot be written" in said
    assert "make room" in said
    with opened(tmp_path) as connection:
        assert len(visits(connection)) == done + 1
        assert keep_visit(connection, tmp_path, invented("Later", "2026-03-02"))
    assert not [p for p in tmp_path.rglob(".*") if p.is_file()], "half a file was left"


# ---------------------------------------------------------------- two writers


def _write_some(folder, name, count, answer):
    try:
        with opened(folder) as connection:
            for k in range(count):
                keep_visit(connection, folder, with_file(folder, name, f"20{k + 10}-03-01", content(f"{name} {k}")))
        answer.put("done")
    except BaseException as error:
        answer.put(repr(error))


@posix
def test_two_writers_at_once_from_an_empty_folder(tmp_path):
    fork = get_context("fork")
    for round_ in range(5):
        folder, answer = tmp_path / str(round_), fork.SimpleQueue()
        both = [fork.Process(target=_write_some, args=(folder, name, 25, answer)) for name in ("Linnet", "Sorrel")]
        for one in both:
            one.start()
        assert [answer.get(), answer.get()] == ["done", "done"]
        for one in both:
            one.join()
        with opened(folder) as connection:
            assert sum(one.horse == "Linnet" for one in visits(connection)) == 25
            assert sum(one.horse == "Sorrel" for one in visits(connection)) == 25


def test_a_writer_that_will_not_end_is_told(tmp_path, monkeypatch):
    monkeypatch.setattr("shimwright.record.store.WAIT_S", 0.1)
    with opened(tmp_path) as first:
        first.execute("BEGIN IMMEDIATE")
        with pytest.raises(CannotWrite, match="another shimwright has been writing"), opened(tmp_path) as second:
            keep_visit(second, tmp_path, invented("Linnet", "2026-03-01"))
        first.execute("ROLLBACK")


# ---------------------------------------------------------------- old, new, damaged


def test_a_store_of_an_older_version_is_brought_up_to_date_and_kept_beside(tmp_path):
    shutil.copyfile(OLD, tmp_path / FILE)
    with opened(tmp_path) as connection:
        assert connection.execute("PRAGMA user_version").fetchone()[0] == len(migrations()) > 1
        linnet, sorrel = visits(connection)
        assert (linnet.horse, linnet.day, linnet.verdict) == ("Linnet", "2025-03-01", "good contact with this set-up")
        assert [one.was_right for one in linnet.hands] == [True, False, None]
        assert linnet.looks[0].what == "look again"
        assert linnet.setup["pockets"]["front_left"]["height_mm"] == 3.0
        assert (sorrel.horse, sorrel.verdict) == ("Sorrel", None)
        assert notes(connection)[0].text == "new girth"
    (copy,) = day_copy.copies(tmp_path)
    assert copy.name == "record-version-1.sqlite"
    beside = sqlite3.connect(copy)
    assert beside.execute("PRAGMA user_version").fetchone()[0] == 1
    beside.close()


def test_a_migration_that_fails_leaves_the_old_store(tmp_path, monkeypatch):
    shutil.copyfile(OLD, tmp_path / FILE)
    monkeypatch.setattr(
        "shimwright.record.store.migrations", lambda: ["", "ALTER TABLE hand ADD COLUMN felt TEXT;\nnonsense"]
    )
    with pytest.raises(CannotWrite), opened(tmp_path):
        pass
    monkeypatch.undo()
    with opened(tmp_path) as connection:
        assert len(visits(connection)) == 2


def test_a_store_of_a_newer_version_is_refused_and_untouched(tmp_path):
    with opened(tmp_path) as connection:
        keep_visit(connection, tmp_path, invented("Linnet", "2026-03-01"))
        connection.execute(f"PRAGMA user_version = {len(migrations()) + 5}")
    before = everything(tmp_path)
    said = rf"newer shimwright \(version {len(migrations()) + 5} .* knows {len(migrations())}\); nothing was touched"
    with pytest.raises(InputRefused, match=said), opened(tmp_path):
        pass
    assert everything(tmp_path) == before


def test_another_programs_database_is_refused_and_untouched(tmp_path):
    other = sqlite3.connect(tmp_path / FILE)
    other.execute("PRAGMA application_id = 1234567")
    other.execute("CREATE TABLE song (name TEXT)")
    other.commit()
    other.close()
    before = everything(tmp_path)
    with pytest.raises(InputRefused, match="another program"), opened(tmp_path):
        pass
    assert everything(tmp_path) == before


@pytest.mark.parametrize("how", ["text", "cut", "page", "header"])
def test_a_damaged_store_is_told_with_the_way_back(tmp_path, how):
    with opened(tmp_path) as connection:
        for k in range(30):
            keep_visit(connection, tmp_path, invented("Linnet", f"20{k + 10}-03-01"))
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        day_copy.keep_copy(connection, tmp_path, "2099-01-01")
    whole = (tmp_path / FILE).read_bytes()
    wrong = {
        "text": b"these are not the bytes of a record " * 100,
        "cut": whole[: len(whole) // 2],
        "page": whole[:4096] + os.urandom(4096 * 6) + whole[4096 * 7 :],
        "header": whole[:16] + os.urandom(84) + whole[100:],
    }[how]
    (tmp_path / FILE).write_bytes(wrong)
    before = everything(tmp_path)
    with pytest.raises(InputRefused) as refused, opened(tmp_path) as connection:
        visits(connection)
    assert everything(tmp_path)[FILE] == before[FILE]
    if how != "header":  # random version numbers may read as newer, or another program's
        assert "is damaged" in refused.value.message
        assert "`shimwright log restore` to go back to its copy of 2099-01-01" in refused.value.message
    taken, aside = copies.restore(tmp_path)
    assert taken.name == "record-2099-01-01.sqlite"
    assert aside is not None
    assert aside.read_bytes() == wrong
    with opened(tmp_path) as connection:
        assert len(visits(connection)) == 30


def test_a_damaged_store_without_a_copy_says_so(tmp_path):
    (tmp_path / FILE).write_bytes(b"nothing of ours " * 500)
    with (
        pytest.raises(InputRefused, match=r"no copy lies beside it: put back a `log backup`, or `log import`"),
        opened(tmp_path),
    ):
        pass
    with pytest.raises(WrongUse, match="no copy of the record there"):
        copies.restore(tmp_path)


def test_a_kept_file_that_changed_or_went_is_told(tmp_path):
    with opened(tmp_path) as connection:
        visit = with_file(tmp_path, "Linnet", "2026-03-01", b"a scan")
        keep_visit(connection, tmp_path, visit)
    path = kept_path(tmp_path, visit.files[0].sha256)
    path.write_bytes(b"another")
    with pytest.raises(InputRefused, match="has changed; put it back from a backup"):
        kept_bytes(tmp_path, visit.files[0].sha256)
    path.unlink()
    with pytest.raises(InputRefused, match="is gone; put it back from a backup"):
        kept_bytes(tmp_path, visit.files[0].sha256)


def test_a_copy_a_day_and_no_more_than_seven(tmp_path, monkeypatch):
    import datetime

    with opened(tmp_path) as connection:
        keep_visit(connection, tmp_path, invented("Linnet", "2026-03-01"))
        for day in range(1, 11):
            today = datetime.date(2026, 5, day)
            monkeypatch.setattr(day_copy, "date", type("Day", (), {"today": staticmethod(lambda today=today: today)}))
            keep_visit(connection, tmp_path, invented("Linnet", f"2026-04-{day:02d}"))
            keep_visit(connection, tmp_path, invented("Sorrel", f"2026-04-{day:02d}"))
    names = [path.stem.removeprefix("record-") for path in day_copy.copies(tmp_path)]
    assert names == [f"2026-05-{day:02d}" for day in range(4, 11)]
    copy = sqlite3.connect(day_copy.copies(tmp_path)[-1])
    assert copy.execute("SELECT count(*) FROM visit").fetchone()[0] == 19  # before the first change of the tenth day
    copy.close()
