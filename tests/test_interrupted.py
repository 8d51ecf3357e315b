"""A run that is stopped at any moment leaves the old results or the new ones, whole (128 + signal: POSIX shells)."""

import os
import random
import signal
import subprocess
import sys
import time
from importlib.resources import files
from pathlib import Path

import pytest
from test_results import contents

from shimwright.export.results import HIDDEN

pytestmark = pytest.mark.skipif(os.name == "nt", reason="signals are told otherwise there")
WISHES = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)
NAMES = [f"part-{k:03d}" for k in range(200)]
WRITER = """
import signal, sys
from pathlib import Path
from shimwright import cli, last_resort
from shimwright.export.results import whole_results

def write(*_, **__):
    for word in range(1000):
        with whole_results(Path(sys.argv[1])) as place:
            for name in sys.argv[2:]:
                (place / name).write_text(str(word))
        if word == 2:
            print("begun", flush=True)

# as from a terminal: under nohup and in the background some are ignored, and that is handed on
signal.signal(signal.SIGINT, signal.default_int_handler)
for wish in (signal.SIGTERM, signal.SIGHUP):
    signal.signal(wish, signal.SIG_DFL)
import shimwright.measure
shimwright.measure.measure_all = write
last_resort.tidy_up_when_stopped()
sys.exit(cli.run(["measure", "scan.ply"]))
"""


@pytest.mark.parametrize("wish", WISHES)
def test_a_wish_to_stop_is_heard_between_the_moves(tmp_path: Path, wish: signal.Signals) -> None:
    draw = random.Random(int(wish))
    for k in range(5):
        folder = tmp_path / str(k)
        with subprocess.Popen(
            [sys.executable, "-c", WRITER, str(folder), *NAMES],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        ) as writer:
            assert writer.stdout
            assert writer.stdout.readline() == "begun\n"
            time.sleep(draw.uniform(0, 0.05))
            writer.send_signal(wish)
            said = writer.communicate(timeout=60)[1]
        assert writer.returncode == 128 + wish, said
        assert said.count("\n") == 1
        assert "stopped" in said
        left = contents(folder)
        assert sorted(left) == NAMES
        assert len(set(left.values())) == 1  # all of one writing


@pytest.mark.soak
def test_a_fit_stopped_at_any_moment_leaves_the_old_results_or_the_new(tmp_path: Path) -> None:
    """Twenty stops over the whole length of a fit, two of them by a signal that cannot be heard (kill -9)."""
    case = Path(str(files("shimwright.meshes"))) / "horses" / "juniper" / "case.toml"
    command = [sys.executable, "-m", "shimwright", "fit", str(case), "--out", str(tmp_path)]
    begun = time.monotonic()
    subprocess.run(command, check=False, capture_output=True)
    length = time.monotonic() - begun
    (tmp_path / "stranger.txt").write_text("mine")
    whole = sorted(contents_bytes(tmp_path))
    draw = random.Random(7)
    for k in range(20):
        before = contents_bytes(tmp_path)
        wish = signal.SIGKILL if k % 10 == 9 else WISHES[k % 3]
        with subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True) as run:
            time.sleep(draw.uniform(0, 1.1 * length))
            run.send_signal(wish)
            said = run.communicate(timeout=60)[1]
        if wish == signal.SIGKILL:
            continue  # the next run tidies up
        assert sorted(contents_bytes(tmp_path)) == whole, said
        assert not (tmp_path / HIDDEN).exists()
        # CPython ends itself by SIGINT where the wish came while exec() of a string ran, as dataclasses do on import
        assert run.returncode in (0, 1, 128 + wish, -wish, -signal.SIGINT), said
        if k % 10:
            assert contents_bytes(tmp_path) == before  # the same case gives the same bytes


def contents_bytes(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}
