"""Results appear whole or not at all. The file system's promise is POSIX rename(2): a name is replaced in one step."""

import errno
import os
import subprocess
import sys
from pathlib import Path

import pytest

from shimwright.export.results import HIDDEN, whole_results
from shimwright.scan.refusal import CannotWrite


def contents(folder: Path) -> dict[str, str]:
    return {str(p.relative_to(folder)): p.read_text() for p in sorted(folder.rglob("*")) if p.is_file()}


def write_into(folder: Path, names: str, trouble: BaseException | None = None) -> None:
    with whole_results(folder) as place:
        for name in names.split():
            (place / name).write_text("new")
        if trouble is not None:
            raise trouble


def fill_the_disk(folder: Path) -> None:
    with whole_results(folder) as place:
        (place / "fit.json").symlink_to("/dev/full")
        (place / "fit.json").write_text("x" * 100_000)


def test_files_and_subfolders_arrive_and_nothing_else_is_left(tmp_path: Path) -> None:
    out = tmp_path / "a" / "b"
    with whole_results(out) as place:
        (place / "fit.json").write_text("new")
        (place / "deep").mkdir()
        (place / "deep" / "x.txt").write_text("x")
        assert not (out / "fit.json").exists()
    assert contents(out) == {"fit.json": "new", "deep/x.txt": "x"}
    assert sorted(p.name for p in out.iterdir()) == ["deep", "fit.json"]


def test_existing_results_are_replaced_and_strangers_left_alone(tmp_path: Path) -> None:
    (tmp_path / "fit.json").write_text("old")
    (tmp_path / "scan.ply").write_text("scan")
    with whole_results(tmp_path) as place:
        (place / "fit.json").write_text("new")
    assert contents(tmp_path) == {"fit.json": "new", "scan.ply": "scan"}


@pytest.mark.parametrize("trouble", [KeyboardInterrupt(), ValueError("x"), OSError(errno.ENOSPC, "No space left")])
def test_trouble_while_writing_leaves_the_old_results(tmp_path: Path, trouble: BaseException) -> None:
    (tmp_path / "fit.json").write_text("old")
    expected = CannotWrite if isinstance(trouble, OSError) else type(trouble)
    with pytest.raises(expected):
        write_into(tmp_path, "fit.json", trouble)
    assert contents(tmp_path) == {"fit.json": "old"}
    assert not (tmp_path / HIDDEN).exists()


def test_trouble_leaves_no_new_folder_behind(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="x"):
        write_into(tmp_path / "out" / "june", "fit.json", ValueError("x"))
    assert list(tmp_path.iterdir()) == []


def test_trouble_while_moving_puts_the_old_results_back(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("a", "b", "c"):
        (tmp_path / name).write_text("old")
    rename, moves = Path.replace, []

    def failing(self: Path, target: Path) -> Path:
        moves.append(self)
        if len(moves) == 4:  # a is in place, b's old file is out of the way
            raise OSError(errno.EIO, "Input/output error")
        return rename(self, target)

    monkeypatch.setattr(Path, "replace", failing)
    with pytest.raises(CannotWrite):
        write_into(tmp_path, "a aa b c")
    assert contents(tmp_path) == {"a": "old", "b": "old", "c": "old"}


def test_a_full_disk_is_said_with_exit_code_4(tmp_path: Path) -> None:
    if not Path("/dev/full").exists():
        pytest.skip("no /dev/full on this system")
    with pytest.raises(CannotWrite, match="disk is full") as refused:
        fill_the_disk(tmp_path)
    assert refused.value.exit_code == 4
    assert "\n" not in refused.value.message
    assert list(tmp_path.iterdir()) == []


def test_a_read_only_folder_is_refused(tmp_path: Path) -> None:
    out = tmp_path / "out"
    out.mkdir()
    (out / "fit.json").write_text("old")
    out.chmod(0o555)
    try:
        if os.access(out, os.W_OK):
            pytest.skip("this user may write anywhere")
        with pytest.raises(CannotWrite, match="not yours"):
            write_into(out, "fit.json")
    finally:
        out.chmod(0o755)
    assert contents(out) == {"fit.json": "old"}


def test_a_file_in_the_way_is_refused(tmp_path: Path) -> None:
    (tmp_path / "out").write_text("a file")
    with pytest.raises(CannotWrite):
        write_into(tmp_path / "out", "fit.json")
    with pytest.raises(CannotWrite):
        write_into(tmp_path / "out" / "june", "fit.json")
    (tmp_path / "results" / "fit.json").mkdir(parents=True)
    with pytest.raises(CannotWrite, match=r"fit\.json"):
        write_into(tmp_path / "results", "fit.json")
    assert contents(tmp_path) == {"out": "a file"}


KILLED = """
import os, sys
from pathlib import Path
from shimwright.export.results import whole_results
rename, moves = Path.replace, []
def dying(self, target):
    moves.append(self)
    if len(moves) == 4:
        os._exit(9)  # as if killed: no handler runs
    return rename(self, target)
Path.replace = dying
with whole_results(Path(sys.argv[1])) as place:
    for name in ("a", "aa", "b"):
        (place / name).write_text("half")
"""


def test_a_killed_run_is_undone_by_the_next(tmp_path: Path) -> None:
    for name in ("a", "b"):
        (tmp_path / name).write_text("old")
    killed = subprocess.run([sys.executable, "-c", KILLED, str(tmp_path)], check=False)
    assert killed.returncode == 9
    assert (tmp_path / "aa").read_text() == "half"  # the case is real: a mixture lies there
    with pytest.raises(ValueError, match="stop"):
        write_into(tmp_path, "", ValueError("stop"))
    assert contents(tmp_path) == {"a": "old", "b": "old"}
