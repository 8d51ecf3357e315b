"""The command line: options in both forms, exit codes, one-line refusals, nothing heavy at start."""

import io
import os
import subprocess
import sys
import tomllib

import pytest

from shimwright import cli, last_resort
from shimwright.scan.refusal import CannotWrite, InputRefused, WrongUse
from shimwright.scan.told import BehindWithers, Dot, ScalePair, ScanPoint
from shimwright.told_options import told_from_options

HEAVY = (
    "numpy",
    "scipy",
    "open3d",
    "cvxpy",
    "matplotlib",
    "numba",
    "trimesh",
    "shapely",
    "pydantic",
    "rich",
    "reportlab",
)


def test_help_loads_nothing_heavy():
    probe = (
        "import sys\nfrom shimwright.cli import run\nassert run(['--help']) == 0\n"
        f"print([name for name in {HEAVY!r} if name in sys.modules], file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", probe], capture_output=True, text=True, check=True)
    assert done.stderr.strip() == "[]"
    for command in ("demo", "new", "measure", "fit"):
        assert f"\n  {command} " in done.stdout


def test_no_command_shows_the_help(capsys):
    assert cli.run([]) == 0
    assert "Usage: shimwright" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["ft"], "no such command"),
        (["measure", "--hed", "x"], "--head"),
        (["fit"], "missing argument"),
        (["fit", "a.toml", "--for", "lathe"], "laser"),
        (["measure"], "no scan named"),
        (["measure", "x.ply", "--unit", "yard"], "--unit"),
        (["measure", "x.ply", "--mark", "withers"], "PLACE=WHAT"),
        (["measure", "x.ply", "--mark", "wither=red"], 'did you mean "withers"'),
        (["measure", "x.ply", "--mark", "withers=red", "--mark", "withers=blue"], "marked twice"),
        (["measure", "x.ply", "--scale", "yellow=300"], "A,B=MM"),
        (["measure", "x.ply", "--repeat"], "--repeat"),
        (["measure", "no-such.ply"], "no such file"),
        (["fit", "no-such.toml"], "no such file"),
        (["new", "horse", "--like", "no-such.toml"], "--like"),
    ],
)
def test_wrong_use_is_one_line_and_2(arguments, words, capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert cli.run(arguments) == 2
    told = capsys.readouterr()
    assert told.out == ""
    lines = told.err.splitlines()
    assert len(lines) == 1
    assert lines[0].startswith("shimwright: ")
    assert words in lines[0]
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("head", [["--head", "-1,0,0"], ["--head=-1,0,0"], ["--head", "-x"], ["--head=-x"]])
def test_a_value_may_begin_with_a_minus_in_both_forms(head, monkeypatch):
    seen = {}
    monkeypatch.setattr("shimwright.measure.measure_all", lambda *given, **_: seen.update(told=given[2]) or 0)
    assert cli.run(["measure", *head, "scan.ply"]) == 0
    assert seen["told"].head == (-1.0, 0.0, 0.0)


def test_marks_and_scale_of_the_command_line():
    told = told_from_options(
        "in", "+z", None, ("shoulder=red", "withers=0.1,-0.2,1.6", "last_rib_left=120mm"), "yellow,cyan=300", True
    )
    assert told.unit_mm == 25.4
    assert told.up == (0, 0, 1)
    assert told.mirror
    assert told.scale == ScalePair("yellow", "cyan", 300.0)
    assert dict(told.marks) == {
        "shoulder_left": Dot("red"),
        "shoulder_right": Dot("red"),
        "withers": ScanPoint((0.1, -0.2, 1.6)),
        "last_rib_left": BehindWithers(120.0),
    }


def test_colour_words_are_those_that_the_scan_knows():
    import tomllib
    from importlib.resources import files

    from shimwright.told_options import COLOUR_WORDS

    colours = tomllib.loads((files("shimwright.scan") / "colours.toml").read_text())
    assert sorted(colours["hue"]) == sorted(COLOUR_WORDS)


@pytest.mark.parametrize(
    ("error", "code", "words"),
    [
        (WrongUse("no scan"), 2, "no scan"),
        (InputRefused("a sphere"), 3, "a sphere"),
        (CannotWrite("full"), 4, "full"),
        (MemoryError(), 3, "memory"),
        (OSError(28, "No space left on device", "out/fit.json"), 4, "out/fit.json: cannot be written"),
        (PermissionError(13, "Permission denied", "out"), 4, "cannot be written"),
        (KeyboardInterrupt(), 130, "stopped"),
        (ZeroDivisionError("division by zero"), 70, "a defect in shimwright itself"),
    ],
)
def test_whatever_is_raised_becomes_one_line_and_a_code(error, code, words, monkeypatch, capsys):
    def fail(*_, **__):
        raise error

    monkeypatch.delenv(last_resort.TRACE, raising=False)
    monkeypatch.setattr("shimwright.measure.measure_all", fail)
    assert cli.run(["measure", "scan.ply"]) == code
    lines = capsys.readouterr().err.splitlines()
    assert len(lines) == 1
    assert words in lines[0]


def test_a_defect_shows_its_trace_when_asked(monkeypatch, capsys):
    monkeypatch.setenv(last_resort.TRACE, "1")
    monkeypatch.setattr("shimwright.measure.measure_all", lambda *_, **__: 1 / 0)
    assert cli.run(["measure", "scan.ply"]) == 70
    assert "Traceback" in capsys.readouterr().err


def test_several_wrong_keys_follow_the_refusal(tmp_path, capsys):
    case = tmp_path / "case.toml"
    case.write_text('scna = "a"\nsadle = "b"\n[hors]\n', encoding="utf-8")
    assert cli.run(["fit", str(case)]) == 2
    lines = capsys.readouterr().err.splitlines()
    assert lines[0].startswith("shimwright: ")
    assert lines[0].endswith("mend them")
    assert len(lines) == 4


@pytest.mark.skipif(os.name == "nt", reason="streams are closed by the shell's own signs")
@pytest.mark.parametrize(
    ("arguments", "streams", "code"),
    [("--help", ">&-", 0), ("measure no-such.ply", "2>&-", 2), ("measure no-such.ply", "<&- >&- 2>&-", 2)],
)
def test_streams_that_are_closed(arguments, streams, code):
    shell = f"exec {sys.executable} -m shimwright {arguments} {streams}"
    done = subprocess.run(["/bin/sh", "-c", shell], capture_output=True, text=True, check=False)
    assert done.returncode == code
    assert done.stderr == ""


@pytest.mark.skipif(not os.access("/dev/full", os.W_OK), reason="no device that is always full")
@pytest.mark.parametrize(("arguments", "full", "code"), [("--help", ">", 4), ("measure no-such.ply", "2>", 2)])
def test_nowhere_to_say_it(arguments, full, code):
    shell = f"exec {sys.executable} -m shimwright {arguments} {full}/dev/full"
    done = subprocess.run(["/bin/sh", "-c", shell], capture_output=True, text=True, check=False)
    assert done.returncode == code
    assert "Traceback" not in done.stderr


def test_letters_that_the_terminal_lacks(monkeypatch):
    shown = io.BytesIO()
    monkeypatch.setattr(sys, "stdout", io.TextIOWrapper(shown, encoding="ascii"))
    last_resort.write_anything()
    print("good — 5 points", flush=True)
    assert shown.getvalue() == b"good ? 5 points\n"


@pytest.mark.skipif(sys.platform == "win32", reason="such names are not allowed there")
def test_new_like_a_case_in_a_folder_of_a_strange_name_and_one_whose_saddle_is_gone(tmp_path, capsys):
    first = tmp_path / 'a "b"\nc'
    assert cli.run(["new", str(first)]) == 0
    assert cli.run(["new", str(tmp_path / "second"), "--like", str(first / "case.toml")]) == 0
    told = tomllib.loads((tmp_path / "second" / "case.toml").read_text(encoding="utf-8"))
    assert (tmp_path / "second" / told["saddle"]).is_file()
    (first / "saddle.toml").unlink()
    capsys.readouterr()
    assert cli.run(["new", str(tmp_path / "third"), "--like", str(first / "case.toml")]) == 2
    assert "there is no such file" in capsys.readouterr().err
    assert not (tmp_path / "third").exists()
