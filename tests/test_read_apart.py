"""Limits of a reader in a process of its own: work counts, not the clock."""

from pathlib import Path

import pytest
from idle_readers import chatters, sleeps, spins

from shimwright.scan import read_apart
from shimwright.scan.refusal import InputRefused


@pytest.fixture
def scan(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr(read_apart, "SECONDS", 1.0)
    path = tmp_path / "scan.pcd"
    path.write_bytes(b"12345")
    return path


def test_a_busy_computer_does_not_damage_a_file(scan: Path) -> None:
    assert read_apart.apart(sleeps, scan) == 5


def test_work_without_end_is_cut(scan: Path) -> None:
    with pytest.raises(InputRefused, match="not read within 1 s though it has only 5 bytes"):
        read_apart.apart(spins, scan)


def test_chatter_does_not_reach_our_own_output(scan: Path, capfd: pytest.CaptureFixture[str]) -> None:
    assert read_apart.apart(chatters, scan) == 5
    assert capfd.readouterr() == ("", "")
