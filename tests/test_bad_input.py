"""Wrong input through the command itself: one line (what, why, what to do), the right exit code, no output."""

import errno
import os
import re
from importlib.resources import files
from pathlib import Path
from time import process_time

import numpy as np
import pytest
from yard_files import CASE, PAD, SADDLE, written

from shimwright import cli

BAD_SCANS = Path(__file__).parents[2] / "shared" / "bad-scans"
WILLOW = Path(str(files("shimwright.meshes") / "horses" / "willow" / "scan.ply"))
TOLD = ["--unit", "m", "--up", "+z", "--head", "+x"]


def ply(path, points):
    """An ASCII PLY cloud; nan is written as it stands."""
    head = f"ply\nformat ascii 1.0\nelement vertex {len(points)}\n" + "".join(
        f"property float {axis}\n" for axis in "xyz"
    )
    rows = "\n".join(" ".join(f"{value:.6g}" for value in point) for point in points)
    path.write_text(f"{head}end_header\n{rows}\n", encoding="utf-8")
    return path


def sphere(rng, n=20_000):
    v = rng.normal(size=(n, 3))
    return 0.5 * v / np.linalg.norm(v, axis=1, keepdims=True)


def plane(rng, n=20_000):
    return np.column_stack([rng.uniform(-0.8, 0.8, (n, 2)), rng.normal(0, 0.001, n)])


def nan_points(rng):
    points = sphere(rng)
    points[17] = np.nan
    return points


def told_once(capsys, out):
    """The only line on stderr; nothing on stdout, no output left."""
    told = capsys.readouterr()
    lines = told.err.splitlines()
    assert len(lines) == 1, lines
    assert lines[0].startswith("shimwright: ")
    assert len(lines[0]) < 500
    assert told.out == ""
    assert not out.exists()
    return lines[0]


CLOUDS = {
    "NaN": (nan_points, "NaN"),
    "three points": (lambda rng: sphere(rng, 3), "3 points"),
    "a sphere": (sphere, ""),
    "a plane": (plane, ""),
    "far too large": (lambda rng: 1e30 * sphere(rng), "e+29"),
    "one place": (lambda _: np.ones((20_000, 3)), "one place"),
}


@pytest.mark.parametrize("name", CLOUDS)
@pytest.mark.parametrize("told", [TOLD, []], ids=["told", "untold"])
def test_what_is_no_back(name, told, tmp_path, capsys):
    cloud, words = CLOUDS[name]
    scan = ply(tmp_path / "scan.ply", cloud(np.random.default_rng(3)))
    out = tmp_path / "out"
    assert cli.run(["measure", str(scan), *told, "--out", str(out)]) == 3
    assert words in told_once(capsys, out)


@pytest.mark.parametrize(
    ("name", "content", "code", "words"),
    [
        ("missing.ply", None, 2, "no such file"),
        ("empty.ply", b"", 3, "empty"),
        ("text.ply", b"Dear fitter, the scan is in the other mail.\n", 3, "not a PLY"),
        ("cut.ply", b"ply\nformat binary_little_endian 1.0\nelement vertex 5000\nproperty float x\n", 3, "cut.ply"),
        ("scan.docx", b"PK\x03\x04", 3, "not known"),
        ("page.obj", b"<html><body>not found</body></html>\n" * 30, 3, "page.obj"),
    ],
)
def test_files_that_are_no_scan(name, content, code, words, tmp_path, capsys):
    if content is not None:
        (tmp_path / name).write_bytes(content)
    out = tmp_path / "out"
    assert cli.run(["measure", str(tmp_path / name), *TOLD, "--out", str(out)]) == code
    assert words in told_once(capsys, out)


def test_a_pipe_is_no_scan(tmp_path, capsys):
    os.mkfifo(tmp_path / "scan.ply")
    assert cli.run(["measure", str(tmp_path / "scan.ply"), "--out", str(tmp_path / "out")]) == 2
    assert "a pipe or a device" in told_once(capsys, tmp_path / "out")


@pytest.mark.parametrize("error", [errno.EACCES, errno.EIO])
def test_a_scan_that_cannot_be_read_is_not_called_unwritable(error, tmp_path, monkeypatch, capsys):
    """The superuser may read all, so the refusal of the system is put in."""

    def refused(path):
        raise OSError(error, os.strerror(error), str(path))

    monkeypatch.setattr("shimwright.scan.read.sha256", refused)
    assert cli.run(["measure", str(WILLOW), *TOLD, "--out", str(tmp_path / "out")]) == 2
    assert f"scan.ply: cannot be read ({os.strerror(error)})" in told_once(capsys, tmp_path / "out")


@pytest.mark.parametrize("name", [b"red\x1b[31m.ply", b"not utf-8 \xff.ply", b"two\nlines.ply"])
def test_names_cannot_steer_the_terminal(name, tmp_path, capsys):
    path = tmp_path / os.fsdecode(name)
    path.write_bytes(b"rubbish")
    assert cli.run(["measure", str(path), "--out", str(tmp_path / "out")]) == 3
    line = told_once(capsys, tmp_path / "out")
    assert line.isprintable()
    assert "not a PLY file" in line


def test_of_two_scans_the_refused_one_is_named(tmp_path, capsys):
    rng = np.random.default_rng(3)
    scans = [ply(tmp_path / name, plane(rng)) for name in ("monday.ply", "tuesday.ply")]
    assert cli.run(["measure", *map(str, scans), *TOLD, "--out", str(tmp_path / "out")]) == 3
    first, second = capsys.readouterr().err.splitlines()
    assert first.startswith("shimwright: monday.ply: no back found")
    assert second.startswith("shimwright: tuesday.ply: no back found")


OWN = '\n[[material]]\nname = "mine"\n'
FALLS = "pressure_kpa = [5, 10, 20]\nstrain = [0.1, 0.3, 0.2]"


@pytest.mark.parametrize(
    ("file", "old", "new", "words"),
    [
        ("case", 'saddle = "saddle.toml"', 'sadle = "saddle.toml"', 'did you mean "saddle"'),
        ("case", 'unit = "m"', 'unit = "furlong"', "furlong"),
        ("case", 'weight = "165 lb"', "weight = 900", "rider"),
        ("pad", "thicknesses_mm = [6, 3]", "thicknesses_mm = [6, -3]", "-3"),
        ("pad", 'material = "felt"\nthicknesses', 'material = "gravel"\nthicknesses', "gravel"),
        ("pad", "from_middle_mm = 40", "from_middle_mm = 400", "lies under the panel"),
        ("pad", PAD[PAD.index("[[shim]]") :], "", "no [[shim]]"),
        ("case", "date = 2026-03-21", "date = 9999-12-31", "years 2000 to 2100"),
        ("case", "withers = [0.0, 0.1, 1.6]", 'withers = "120 mm"', "Distances are counted from them"),
        ("case", 'shoulder_left = "red"', 'shoulder_left = "red"\nshoulder = "blue"', "marked twice"),
        ("case", 'name = "test horse"', "name = " + "9" * 5000, "4300 digits"),
        ("case", 'name = "test horse"', "name = 3", "write it in quotes"),
        ("case", 'name = "test horse"', f'name = "{"W" * 200}"', "at most 120 letters"),
        ("case", "[[try]]", "[[try]]\n" * 30, "at most 24 are taken"),
        ("case", 'weight = "165 lb"', 'leans = "left"\nlean_mm = 900', "a rider's lean"),
        ("pad", "thicknesses_mm = [6, 3]", f"thicknesses_mm = {[*range(1, 40)]}", "at most 16 are taken"),
        ("pad", "thicknesses_mm = [6, 3]", "thicknesses_mm = [1e-300]", "a thickness of a shim"),
        ("pad", "length_mm = 120", "length_mm = 1", "too small for a shim"),
        ("saddle", "rocker_mm = 25", "rocker_mm = 25\nstiffness_nm2 = 0", "stiffness"),
        ("saddle", "rocker_mm = 25", "rocker_mm = 25\nstiffness_nm2 = -5", "stiffness above 0"),
        ("saddle", "rocker_mm = 25", "rocker_mm = 25\nbench_test = { load_n = 0, deflection_mm = 2 }", "test load"),
        ("saddle", "seat_x_mm = 235", "seat_x_mm = 900", "outside the panels"),
        ("case", 'weight = "165 lb"', "weight = 0", "0 cannot be a rider's weight"),
        ("pad", "from_front_mm = 20", "from_front_mm = 600", "lies under the panel"),
        ("pad", "[[200, 40], [400, 40]", "[[100, 40], [400, 40]", "overlap by"),
        ("pad", "sheet_mm = [1000, 500]", "sheet_mm = [1000, 500]\n[limits]\nheight_mm = 2", "less than the thinnest"),
        ("pad", "sheet_mm = [1000, 500]", "sheet_mm = [1000, 500]\n[limits]\nlayers = 0\nheight_mm = 9", "contradict"),
        ("pad", "sheet_mm = [1000, 500]", f"sheet_mm = [1000, 500]{OWN}modulus_kpa = 0", "stiffness 0 kPa"),
        ("pad", "sheet_mm = [1000, 500]", f"sheet_mm = [1000, 500]{OWN}modulus_kpa = -30", "stiffness -30 kPa"),
        ("pad", "sheet_mm = [1000, 500]", f"sheet_mm = [1000, 500]{OWN}{FALLS}", "strain falls by 10.0 %"),
    ],
)
def test_files_of_the_fitter(file, old, new, words, tmp_path, capsys):
    texts = {"saddle": SADDLE, "pad": PAD, "case": CASE}
    assert old in texts[file]
    texts[file] = texts[file].replace(old, new, 1)
    case, out = written(tmp_path, **texts), tmp_path / "out"
    code = cli.run(["fit", str(case), "--out", str(out)])
    assert code == 2
    told = capsys.readouterr()
    lines = told.err.splitlines()
    assert words in told.err
    assert lines[0].startswith("shimwright: ")
    assert not out.exists()


def test_a_saddle_that_misses_the_back(tmp_path, capsys):
    """Chalked a metre and a half behind the withers: no horse is there."""
    pads = files("shimwright.meshes") / "pads" / "four-pockets.toml"
    told = f"""
scan = "{WILLOW}"
saddle = "saddle.toml"
pad = "{pads}"
[frame]
unit = "m"
up = "+y"
head = "-x"
[marks]
saddle_front_left = "1500 mm"
saddle_front_right = "1500 mm"
"""
    case = written(tmp_path, case=told)
    assert cli.run(["fit", str(case), "--out", str(tmp_path / "out")]) == 3
    line = capsys.readouterr().err.splitlines()[-1]
    assert line.startswith("shimwright: the saddle misses the back: its panels lie 1500 to 1920 mm behind the withers")
    assert not (tmp_path / "out").exists()


def test_ten_thousand_wrong_keys_are_counted(tmp_path, capsys):
    case = written(tmp_path, case="".join(f"k{n} = 1\n" for n in range(10_000)))
    began = process_time()
    assert cli.run(["fit", str(case), "--out", str(tmp_path / "out")]) == 2
    assert process_time() - began < 10
    lines = capsys.readouterr().err.splitlines()
    assert "10001 keys or values are wrong" in lines[0]
    assert len(lines) == 6


def test_what_to_do_is_said_in_the_words_of_the_case(tmp_path, capsys):
    """`fit` has no --up: the case file has."""
    rng = np.random.default_rng(3)
    case = written(tmp_path, case='scan = "a.ply"\nsaddle = "saddle.toml"\n')
    cap = sphere(rng)
    ply(tmp_path / "a.ply", cap[cap[:, 2] > 0] * [2.0, 0.6, 0.6])
    assert cli.run(["fit", str(case), "--out", str(tmp_path / "out")]) == 3
    line = told_once(capsys, tmp_path / "out")
    assert "--" not in line
    assert "under [frame] of the case" in line


@pytest.mark.parametrize(
    ("marks", "words"),
    [
        (["shoulder_left=600mm", "last_rib_left=100mm"], "shoulder_left is marked 600 mm behind the withers"),
        (["saddle_front_left=400mm", "saddle_rear=100mm"], "saddle_front_left lies in front of saddle_rear"),
    ],
)
def test_marks_in_an_order_that_no_horse_has(marks, words, tmp_path, capsys):
    out = tmp_path / "out"
    told = ["--unit", "m", "--up", "+y", "--head=-x", *(word for mark in marks for word in ("--mark", mark))]
    assert cli.run(["measure", str(WILLOW), *told, "--out", str(out)]) == 3
    assert words in told_once(capsys, out)


def _bad_scans():
    if not BAD_SCANS.is_dir():
        reason = pytest.mark.skip(reason="the collection of damaged scans is not beside this checkout")
        return [pytest.param(Path("none"), marks=reason)]
    return [pytest.param(path, id=path.name) for path in sorted(BAD_SCANS.iterdir()) if path.suffix != ".md"]


@pytest.mark.parametrize("path", _bad_scans())
def test_damaged_scans_of_public_suites(path, tmp_path, capsys):
    """None of them is a back, so each is refused: by what is wrong with the file, or by what it shows."""
    out = tmp_path / "out"
    assert cli.run(["measure", str(path), *TOLD, "--out", str(out)]) == 3
    line = told_once(capsys, out)
    assert re.search(r"[a-z]", line)
