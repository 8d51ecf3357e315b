"""One function over many pieces: order, bad pieces, what is kept, kill -9, a cluster."""

import os
import random
import signal
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

import pytest
from many_work import read_it

from shimwright.cluster import DaskCrew
from shimwright.crew import LocalCrew
from shimwright.ledger import FILE, opened
from shimwright.many import Piece, many
from shimwright.progress import Uncounted, counted, time_left
from shimwright.scan.refusal import WrongUse

PROCESSOR_S = 1.0
BAD = ("refuse", "defect", "crash", "vanish", "hang")


def pieces_in(folder, words, asked="a"):
    folder.mkdir(exist_ok=True)
    for k, word in enumerate(words):
        (folder / f"p{k:03d}.txt").write_text(f"{word} {'x' * k}")
    return [Piece(path.name, path, asked, str(folder / "log")) for path in sorted(folder.glob("*.txt"))]


def rows_of(pieces, store, crew=None):
    with opened(store) as ledger:
        rows = many(read_it, pieces, ledger, crew or LocalCrew(2, PROCESSOR_S), Uncounted())
        return [(row.name, dict(row.made) if row.made else None, row.refused) for row in rows]


def begun(pieces):
    log = Path(pieces[0].told)
    return sorted(log.read_text().split()) if log.exists() else []


@pytest.mark.parametrize("workers", [1, 3])
def test_rows_come_in_order_whoever_is_faster(tmp_path, workers):
    pieces = pieces_in(tmp_path / "in", ["slow", "good"] * 6)
    rows = rows_of(pieces, tmp_path / "out", LocalCrew(workers))
    assert [row[0] for row in rows] == [piece.name for piece in pieces]
    assert [row[1] for row in rows] == [{"length": len(piece.path.read_text()), "threads": 1} for piece in pieces]


def test_each_bad_piece_is_a_row_and_no_other_suffers(tmp_path):
    pieces = pieces_in(tmp_path / "in", ["good", *BAD, "good"])
    rows = rows_of(pieces, tmp_path / "out")
    assert rows[0][1] is not None
    assert rows[-1][1] is not None
    refused, defect, crash, vanish, hang = (row[2] for row in rows[1:-1])
    assert refused == "p001.txt: 3 points: too few; scan again"
    assert "ZeroDivisionError" in defect
    assert "twice (signal 11)" in crash
    assert "twice (exit code 3)" in vanish
    assert "not done within 1 s of a processor" in hang
    assert all(row[1] is None for row in rows[1:-1])


def test_done_and_refused_pieces_are_kept_crashed_ones_are_tried_again(tmp_path):
    pieces = pieces_in(tmp_path / "in", ["good", *BAD, "good"])
    first = rows_of(pieces, tmp_path / "out")
    before = begun(pieces)
    assert rows_of(pieces, tmp_path / "out") == first
    again = begun(pieces)
    for name in before:
        before_count, after_count = before.count(name), again.count(name)
        tried_again = name in ("p002.txt", "p003.txt", "p004.txt", "p005.txt")
        assert (after_count > before_count) == tried_again, name


def test_what_changed_is_done_again_and_nothing_else(tmp_path):
    pieces = pieces_in(tmp_path / "in", ["good"] * 4)
    rows_of(pieces, tmp_path / "out")
    pieces[1].path.write_text("good and longer")
    assert rows_of(pieces, tmp_path / "out")[1][1]["length"] == 15
    assert begun(pieces) == sorted([*(piece.name for piece in pieces), "p001.txt"])
    other = pieces_in(tmp_path / "in", ["good"] * 4, asked="b")
    rows_of(other, tmp_path / "out")
    assert len(begun(pieces)) == 5 + 4


def test_a_missing_file_is_a_row(tmp_path):
    pieces = pieces_in(tmp_path / "in", ["good", "good"])
    pieces[0].path.unlink()
    name, made, refused = rows_of(pieces, tmp_path / "out")[0]
    assert (name, made) == ("p000.txt", None)
    assert "no such file" in refused


@pytest.mark.parametrize("kind", ["rubbish", "cut", "foreign", "newer"])
def test_a_ledger_that_is_none_is_put_aside(tmp_path, kind):
    pieces = pieces_in(tmp_path / "in", ["good"] * 3)
    first = rows_of(pieces, tmp_path / "out")
    path = tmp_path / "out" / FILE
    if kind == "rubbish":
        path.write_bytes(b"no database at all" * 100)
    elif kind == "cut":
        path.write_bytes(path.read_bytes()[:5000])
    else:
        path.unlink()
        with sqlite3.connect(path) as other:
            other.execute("create table horses (name)")
            other.execute(f"pragma application_id = {7 if kind == 'foreign' else 0}")
    kept = path.read_bytes()
    assert rows_of(pieces, tmp_path / "out") == first
    assert path.with_name(FILE + ".aside").read_bytes() == kept


RUN = """
import sys
from pathlib import Path
sys.path.insert(0, sys.argv[3])
from test_many import pieces_in, rows_of
from shimwright.crew import LocalCrew
if __name__ == "__main__":
    folder = Path(sys.argv[1])
    pieces = pieces_in(folder, ["slow"] * 30) if not folder.exists() else None
    from shimwright.many import Piece
    pieces = [Piece(p.name, p, "a", str(folder / "log")) for p in sorted(folder.glob("*.txt"))]
    rows_of(pieces, Path(sys.argv[2]), LocalCrew(2))
"""


def killed_and_begun_again(tmp_path, kills, seed):
    """(rows, begun): after `kills` kills at random moments and one whole run."""
    rng = random.Random(seed)
    script = tmp_path / "run.py"
    script.write_text(RUN)
    pieces = pieces_in(tmp_path / "in", ["slow"] * 30)
    command = [sys.executable, str(script), str(tmp_path / "in"), str(tmp_path / "out"), str(Path(__file__).parent)]
    for _ in range(kills):
        process = subprocess.Popen(command, start_new_session=True, stderr=subprocess.DEVNULL)
        time.sleep(rng.uniform(0.3, 3.0))
        os.kill(process.pid, signal.SIGKILL)
        process.wait()
    return rows_of(pieces, tmp_path / "out"), begun(pieces), pieces


@pytest.mark.skipif(sys.platform == "win32", reason="no kill -9 there")
@pytest.mark.parametrize("kills", [1, pytest.param(40, marks=pytest.mark.soak)])
def test_killed_at_any_moment_it_goes_on_to_the_same_rows(tmp_path, kills):
    rows, log, pieces = killed_and_begun_again(tmp_path, kills, kills)
    assert [row[1]["length"] for row in rows] == [len(piece.path.read_text()) for piece in pieces]
    assert set(log) == {piece.name for piece in pieces}
    assert len(log) <= 30 + 4 * (kills + 1)  # nothing finished is done again: at most what was under way


def test_a_cluster_gives_the_same_rows(tmp_path):
    distributed = pytest.importorskip("distributed")
    good = pieces_in(tmp_path / "in", ["good", "refuse", "defect", "slow", "good", "good"])
    here = rows_of(good, tmp_path / "here")
    with distributed.LocalCluster(n_workers=1, threads_per_worker=1, dashboard_address=None) as cluster:
        there = rows_of(good, tmp_path / "there", DaskCrew(cluster.scheduler_address))
    assert there == here


def test_no_cluster_is_told_in_a_line(tmp_path):
    pytest.importorskip("distributed")
    pieces = pieces_in(tmp_path / "in", ["good"])
    with pytest.raises(WrongUse, match="no cluster answers at tcp"):
        rows_of(pieces, tmp_path / "out", DaskCrew("tcp://127.0.0.1:9", 2))


def test_progress_in_plain_lines_says_what_is_left(capsys, monkeypatch):
    clock = [0.0]
    monkeypatch.setattr(time, "monotonic", lambda: clock[0])
    with counted("scans") as counting:
        counting.begin(100, 20)
        for k in range(40):
            clock[0] += 10.0
            counting.step(k == 3)
    lines = capsys.readouterr().err.splitlines()
    assert lines[0] == "20 of 100 scans were done before; going on"
    assert lines[1] == "24 of 100 scans, 1 refused, about 13 min left"  # 76 left at 10 s each
    assert len(lines) == 1 + 40 // 4
    assert time_left(3601) == "about 1 h 0 min left"
