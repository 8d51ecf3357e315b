"""The same case gives the same bytes: in another folder, another process, another hour, time zone and hash seed.

The other hour is made by Debian's faketime where it is installed; without it the other differences still hold.
"""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

TESTS = Path(__file__).parent
EVERYTHING = """
import sys
from pathlib import Path
sys.path.insert(0, sys.argv[1])
from fit_fixture import example_fit
from shimwright.export.back_sheet import write_back_sheet
from shimwright.export.back_templates import write_back_templates
from shimwright.export.client_sheet import write_client
from shimwright.export.cut_sheet import write_cut_sheet
from shimwright.export.cutlist import write_cutlist
from shimwright.export.fitter_sheet import write_fitter
from shimwright.export.html_sheet import write_html
from shimwright.export.marks_sheet import write_marks
from shimwright.export.tack_card import write_tack_card
from shimwright.export.templates import write_templates
fit, folder = example_fit(), Path(sys.argv[2])
for write in (write_client, write_fitter, write_html, write_tack_card, write_cut_sheet):
    write(fit, folder)
write_cutlist(fit, folder / "cutlist.csv")
write_templates(fit, folder, "maker")
write_back_templates(fit.back, folder, "maker")
write_back_sheet(fit.back, folder)
write_marks(folder)
"""


def written(folder: Path, hour: str, **differing: str) -> dict[str, bytes]:
    folder.mkdir(parents=True)
    faketime = shutil.which("faketime")
    command = [sys.executable, "-c", EVERYTHING, str(TESTS), str(folder)]
    told = {**os.environ, **differing}
    done = subprocess.run(
        [*([faketime, hour] if faketime else []), *command], env=told, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    return {path.name: path.read_bytes() for path in folder.iterdir()}


@pytest.fixture(scope="module")
def twice(tmp_path_factory: pytest.TempPathFactory) -> tuple[dict[str, bytes], dict[str, bytes]]:
    place = tmp_path_factory.mktemp("twice")
    one = written(place / "a", "2024-02-29 23:59:58", TZ="Pacific/Kiritimati", PYTHONHASHSEED="1", LC_ALL="C")
    other = written(
        place / "b c" / "é", "2031-07-01 04:05:06", TZ="America/St_Johns", PYTHONHASHSEED="2", LC_ALL="C.UTF-8"
    )
    return one, other


def test_every_kind_of_file_is_there(twice: tuple[dict[str, bytes], dict[str, bytes]]) -> None:
    endings = {name.rsplit(".", 1)[1] for name in twice[0]}
    assert endings == {"pdf", "html", "csv", "dxf", "svg", "3mf", "stl", "glb"}
    assert len(twice[0]) > 25


def test_they_are_the_same(twice: tuple[dict[str, bytes], dict[str, bytes]]) -> None:
    one, other = twice
    assert one.keys() == other.keys()
    assert [name for name in one if one[name] != other[name]] == []
