"""The commands on the shipped yard: what is written, what is told, and that results are whole or not there."""

import hashlib
import json
from importlib.resources import files
from pathlib import Path

import pytest

from shimwright import cli
from shimwright.optimize.answer import VERDICTS

YARD = Path(str(files("shimwright.meshes"))) / "horses"
HORSES = ("fennel", "juniper")
FIT_FILES = {
    "fit.json", "cutlist.csv", "cutlist.pdf", "client.pdf", "fitter.pdf", "client.html", "tack-card.pdf",
    "templates-a4.pdf", "templates-letter.pdf",
}  # fmt: skip
BACK_FILES = {"back.json", "sheet.pdf", "back-templates-a4.pdf", "back-templates-letter.pdf"}


@pytest.fixture(scope="module")
def fitted(tmp_path_factory):
    """Two horses by one command: (exit code, folder of results)."""
    out = tmp_path_factory.mktemp("fit") / "out"
    return cli.run(["fit", *(str(YARD / horse / "case.toml") for horse in HORSES), "--out", str(out)]), out


def test_several_cases_get_a_folder_each_with_the_fixed_names(fitted):
    _, out = fitted
    assert sorted(path.name for path in out.iterdir()) == sorted(HORSES)
    for horse in HORSES:
        assert {path.name for path in (out / horse).iterdir()} == FIT_FILES


def test_the_exit_code_follows_the_verdicts(fitted):
    code, out = fitted
    verdicts = [json.loads((out / horse / "fit.json").read_text())["verdict"] for horse in HORSES]
    assert set(verdicts) <= set(VERDICTS)
    good = {"no shim needed", "good contact with this set-up"}
    assert code == (0 if set(verdicts) <= good else 1)


def test_pieces_of_the_answer_are_those_of_the_cut_list(fitted):
    _, out = fitted
    for horse in HORSES:
        setup = json.loads((out / horse / "fit.json").read_text())["setup"]
        layers = sum(len(pocket["layers_mm"]) for pocket in setup["pockets"].values())
        rows = (out / horse / "cutlist.csv").read_text().splitlines()
        assert sum(row.startswith("piece") for row in rows) == layers


def test_the_answer_names_what_it_was_made_from(fitted):
    _, out = fitted
    for horse in HORSES:
        inputs = json.loads((out / horse / "fit.json").read_text())["inputs"]
        scan = YARD / horse / inputs["scan"]["file"]
        assert inputs["scan"]["sha256"] == hashlib.sha256(scan.read_bytes()).hexdigest()


def test_measure_tells_one_object_per_line(tmp_path, capsys):
    scans = [YARD / horse / "scan.ply" for horse in HORSES]
    told = ["--unit", "mm", "--up", "+z", "--head", "+x"]
    wrong = tmp_path / "wrong.ply"
    wrong.write_text("not a scan")
    code = cli.run(["measure", *map(str, scans), str(wrong), *told, "--json", "--out", str(tmp_path / "out")])
    lines = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert code == 3  # the largest
    assert [line["schema"] for line in lines] == ["shimwright/back/1", "shimwright/back/1", "shimwright/refusal/1"]
    made = {path.name: {file.name for file in path.iterdir()} for path in (tmp_path / "out").iterdir()}
    assert made == dict.fromkeys(HORSES, BACK_FILES)


def test_old_results_stay_when_new_ones_cannot_be_made(tmp_path, capsys):
    out = tmp_path / "out"
    out.mkdir()
    (out / "fit.json").write_text("old")
    assert cli.run(["fit", str(tmp_path / "none.toml"), "--out", str(out)]) == 2
    assert [path.name for path in out.iterdir()] == ["fit.json"]
    assert (out / "fit.json").read_text() == "old"
    assert "no such file" in capsys.readouterr().err


def test_no_changeable_arch_and_no_pad_are_ordinary(tmp_path):
    saddle = (YARD.parent / "saddles" / "rigid.toml").read_text(encoding="utf-8")
    kept = saddle[: saddle.index("reference_arch")] + saddle[saddle.index("[filling]") :]
    (tmp_path / "saddle.toml").write_text(kept, encoding="utf-8")
    scan = (YARD / "fennel" / "scan.ply").as_posix()
    case = f'scan = "{scan}"\nsaddle = "saddle.toml"\n[frame]\nunit = "mm"\nup = "+z"\nhead = "+x"\n'
    (tmp_path / "case.toml").write_text(case, encoding="utf-8")
    assert cli.run(["fit", str(tmp_path / "case.toml"), "--out", str(tmp_path / "out")]) in (0, 1)
    answer = json.loads((tmp_path / "out" / "fit.json").read_text(encoding="utf-8"))
    assert answer["setup"] == {"arch": None, "insert": None, "pockets": {}}
    assert answer["recheck_on"] is None  # no date was told
