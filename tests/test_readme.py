"""The papers cannot drift: README's commands run, every option and key is told, starter files work as written."""

import re
import shlex
from importlib.resources import files
from pathlib import Path

import click
import pytest

from shimwright import cli
from shimwright.case_file import CaseTable, read_case
from shimwright.material_file import MaterialTable
from shimwright.optimize.materials import load_materials
from shimwright.pad_file import PadTable, read_pad
from shimwright.saddle_file import SaddleTable, read_saddle
from shimwright.toml_file import Table, _tables
from shimwright.traced_file import TracedTable, read_traced

ROOT = Path(__file__).parents[1]
pytestmark = pytest.mark.skipif(not (ROOT / "README.md").exists(), reason="README.md is not beside the tests")


@pytest.fixture(scope="module")
def readme():
    return (ROOT / "README.md").read_text(encoding="utf-8")


def shell_lines(text):
    """Lines of the code blocks, without remarks."""
    for block in re.findall(r"```\n(.*?)```", text, re.DOTALL):
        yield from (line.split("#")[0].strip() for line in block.splitlines() if line.split("#")[0].strip())


def test_every_command_and_option_is_told(readme):
    for name, command in cli.commands.commands.items():
        assert f"`shimwright {name}" in readme
        for parameter in command.params:
            if isinstance(parameter, click.Option):
                said = (parameter.opts[-1], *parameter.secondary_opts)  # of an on/off pair the one that changes things
                assert any(option in readme for option in said), f"{name} {parameter.opts[-1]}"


def test_every_command_shown_exists(readme):
    for name in re.findall(r"shimwright ([a-z]+)", readme):
        assert name in cli.commands.commands, name
    makefile = (ROOT / "Makefile").read_text(encoding="utf-8")
    for target in re.findall(r"`?make ([a-z]+)", readme + (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")):
        if target not in ("python", "it"):
            assert re.search(rf"^{target}:", makefile, re.MULTILINE) or target == "python3", target


def test_the_commands_of_the_first_screen_run(readme, tmp_path, monkeypatch, capsys):
    """`new` as written; `fit` goes as far as the scan that the reader has yet to put there."""
    monkeypatch.chdir(tmp_path)
    lines = [line.removeprefix(".venv/bin/") for line in shell_lines(readme)]
    new, fit = (next(line for line in lines if line.startswith(f"shimwright {name}")) for name in ("new", "fit"))
    assert cli.run(shlex.split(new)[1:]) == 0
    assert sorted(path.name for path in Path("my-horse").iterdir()) == [
        "case.toml",
        "marks.pdf",
        "pad.toml",
        "saddle.toml",
        "traced.toml",
        "tracing.pdf",
    ]
    capsys.readouterr()
    assert cli.run(shlex.split(fit)[1:]) == 2
    assert 'scan: no file "scan.ply"' in capsys.readouterr().err


def starter(name):
    return (files("shimwright") / "starter" / name).read_text(encoding="utf-8")


def awake(text):
    """The same file with every sleeping key awake."""
    return re.sub(r"^# ((?:[a-z_]+ = .*)|(?:\[\[\w+\]\].*))$", r"\1", text, flags=re.MULTILINE)


def test_sleeping_keys_of_the_starter_files_are_right(tmp_path):
    saddle = awake(starter("saddle.toml")).replace("stiffness_nm2", "# stiffness_nm2")  # one of the two ways
    pad = (
        awake(starter("pad.toml"))
        .replace("layers = 2", "layers = 2")
        .replace('off = ["neighbour_step_mm"]', "off = []")
    )
    case = awake(starter("case.toml")).replace("\ntraced =", "\n# traced =")  # scan or traced, one of the two
    for name, text in (("saddle.toml", saddle), ("pad.toml", pad), ("case.toml", case)):
        (tmp_path / name).write_text(text, encoding="utf-8")
    for scan in ("scan.ply", "head-low.ply", "stock.toml"):
        (tmp_path / scan).touch()
    told = read_case(tmp_path / "case.toml")
    assert told.told.up == (0, 1, 0)
    assert told.case.today.worn is not None
    assert len(told.case.tries) == 1
    assert told.saddle.ei_nm2 < 3000
    assert {material.name for material in told.pad.own_materials} == {"my felt", "my foam"}


def test_starter_files_as_they_are(tmp_path):
    for name in ("saddle.toml", "pad.toml", "traced.toml"):
        (tmp_path / name).write_text(starter(name), encoding="utf-8")
    assert len(read_traced(tmp_path / "traced.toml")[0].sections) == 3
    assert read_saddle(tmp_path / "saddle.toml").rigid
    assert len(read_pad(tmp_path / "pad.toml").pockets) == 6


def keys(model: type[Table]):
    for name, field in model.model_fields.items():
        yield field.alias or name
        for inner in _tables(field.annotation):
            yield from keys(inner)


@pytest.mark.parametrize("model", [CaseTable, SaddleTable, PadTable, TracedTable])
def test_every_key_is_told_in_developers(model):
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    text = text.replace("[[try]]", "`try`").replace("[horse]", "`horse`")
    missing = [key for key in dict.fromkeys(keys(model)) if not re.search(rf"\b{key}\b", text)]
    assert missing == []


@pytest.mark.parametrize(
    ("name", "model"), [("case.toml", CaseTable), ("saddle.toml", SaddleTable), ("pad.toml", PadTable)]
)
def test_every_key_is_in_the_starter_files(name, model):
    rare = {"traced", "lean_mm", "side", "layers", *keys(MaterialTable)}
    missing = [key for key in dict.fromkeys(keys(model)) if not re.search(rf"\b{key}\b", starter(name))]
    assert set(missing) <= rare


def test_shipped_materials_are_listed_where_one_chooses():
    text = starter("pad.toml")
    listed = text[text.index("Materials that ship:") : text.index("Your own")]
    assert set(re.findall(r"[a-z]+(?:-[a-z]+)*", listed.split(":")[1])) == set(load_materials())


def test_the_picture_is_there(readme):
    picture = re.search(r"!\[[^\]]*\]\(([^)]+)\)", readme)
    assert picture
    assert (ROOT / picture[1]).read_bytes().startswith(b"\x89PNG")
