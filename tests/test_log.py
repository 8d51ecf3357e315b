"""The commands of the record, as a fitter types them, and the figures they print."""

import json
import shutil
import zipfile
from importlib.resources import files
from pathlib import Path

import pytest
from record_stuff import invented, plain, with_file
from scipy.stats import binomtest

from shimwright import cli
from shimwright.record import hands
from shimwright.record.due import due
from shimwright.record.store import FILE, opened
from shimwright.record.visits import Hand, Note, keep_note, keep_visit, notes, visits
from shimwright.record.words import hand_lines

YARD = Path(str(files("shimwright.meshes")))


@pytest.fixture
def store(tmp_path, monkeypatch):
    folder = tmp_path / "store"
    monkeypatch.setenv("SHIMWRIGHT_STORE", str(folder))
    return folder


@pytest.fixture
def two_horses(store):
    with opened(store) as connection:
        keep_visit(connection, store, with_file(store, "Linnet", "2026-03-01", b"scan one"))
        keep_visit(connection, store, with_file(store, "Linnet", "2026-05-01", b"scan two"))
        keep_visit(connection, store, invented("Sorrel", "2026-04-01"))
        keep_note(connection, Note("Linnet", "2026-03-02", "new girth"))
    return store


def run(capsys, *arguments):
    code = cli.run(list(arguments))
    said = capsys.readouterr()
    return code, said.out, said.err


def test_where_the_record_lies(monkeypatch, tmp_path):
    """XDG Base Directory Specification 0.8."""
    from shimwright.record.place import store_folder

    monkeypatch.delenv("SHIMWRIGHT_STORE", raising=False)
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.setenv("XDG_DATA_HOME", "/data")
    assert store_folder() == Path("/data/shimwright")
    for ignored in ("", "relative/folder"):
        monkeypatch.setenv("XDG_DATA_HOME", ignored)
        assert store_folder() == tmp_path / ".local" / "share" / "shimwright"
    monkeypatch.setenv("SHIMWRIGHT_STORE", "/yard")
    assert store_folder() == Path("/yard")
    assert store_folder(Path("/told")) == Path("/told")


def test_nothing_recorded_is_said_and_makes_nothing(store, capsys):
    for command in (["log", "show"], ["due"], ["log", "score"]):
        code, out, _ = run(capsys, *command)
        assert code == 0
        assert "nothing is recorded yet" in out
    assert not store.exists()


@pytest.mark.usefixtures("two_horses")
def test_show(capsys):
    code, out, _ = run(capsys, "log", "show")
    assert code == 0
    assert out.splitlines() == [
        "Linnet: 2 visits, last 1 May 2026: good contact with this set-up",
        "Sorrel: 1 visit, last 1 April 2026: good contact with this set-up",
    ]
    _, out, _ = run(capsys, "log", "show", "linnet")
    assert "  2 March 2026: new girth" in out
    assert "arch medium, insert mesh 7, front left 3 mm" in out
    code, _, err = run(capsys, "log", "show", "Nobody")
    assert code == 2
    assert "horses there: Linnet, Sorrel" in err


@pytest.mark.usefixtures("two_horses")
def test_due_by_a_day(capsys):
    code, out, _ = run(capsys, "due", "--date", "2026-04-28")
    assert code == 0
    assert out.splitlines()[:2] == [
        "Linnet, Yard saddle: 25 March 2026 (34 days ago): feel all places again",
        "Sorrel, Yard saddle: 25 April 2026 (3 days ago): feel all places again",
    ]
    _, out, _ = run(capsys, "due", "--date", "2026-05-02")
    assert out.startswith("Sorrel"), "a later visit of Linnet takes the place of what was due before"
    assert run(capsys, "log", "done", "Sorrel", "--date", "2026-05-02")[0] == 0
    _, out, _ = run(capsys, "due", "--date", "2026-05-02")
    assert out.startswith("nothing is due by 2 May 2026\nnext: Linnet, Yard saddle: 25 May 2026 (in 23 days)")
    _, out, _ = run(capsys, "due", "--date", "2026-05-02", "--ahead", "4", "--json")
    assert [json.loads(line)["days"] for line in out.splitlines()] == [-23]
    assert run(capsys, "due", "--date", "1 May")[0] == 2


def test_saddles_of_one_horse_are_due_apart():
    seen = [invented("Linnet", "2026-03-01"), invented("Linnet", "2026-03-02", saddle="Other saddle")]
    assert {row.saddle for row in due(seen, "2026-03-25")} == {"Other saddle", "Yard saddle"}


def test_an_error_is_rounded_up_as_on_the_owners_page():
    assert hand_lines([Hand("saddle only", "front", "left", "daylight", 3.6, 1.3)])[1].endswith("daylight, 4 ± 2 mm")


@pytest.mark.usefixtures("two_horses")
def test_hands_and_score(capsys):
    assert run(capsys, "log", "hands", "Linnet", "--right", "1-8", "--wrong", "9=even,", "--date", "2026-05-03")[0] == 2
    code, out, _ = run(capsys, "log", "hands", "Linnet", "--right", "1-8", "--wrong", "9,10", "--date", "2026-05-03")
    assert code == 0
    assert out.splitlines()[2] == "   1  front left: firm   right"
    _, out, _ = run(capsys, "log", "score", "--json")
    rows = {(row["kind"], row["name"]): row for row in map(json.loads, out.splitlines())}
    assert (rows["all", "all"]["right"], rows["all", "all"]["felt"]) == (8, 10)
    assert (rows["state", "saddle only"]["right"], rows["state", "saddle only"]["felt"]) == (8, 9)
    assert rows["state", "with set-up"]["right"] == 0
    for row in rows.values():  # scipy's own Wilson interval
        proof = binomtest(row["right"], row["felt"]).proportion_ci(0.95, "wilson")
        assert row["low"] == pytest.approx(proof.low, abs=1e-7)
        assert row["high"] == pytest.approx(proof.high, abs=1e-7)


@pytest.mark.usefixtures("two_horses")
def test_no_score_where_nothing_was_ticked(capsys):
    assert hands.scores([invented("Linnet", "2026-03-01")]) == []
    _, out, _ = run(capsys, "log", "score")
    assert "nothing was ticked yet" in out
    assert "%" not in out


@pytest.mark.usefixtures("two_horses")
@pytest.mark.parametrize(
    ("told", "said"),
    [
        (("--right", "0"), "lines 1 to 27"),
        (("--right", "28"), "lines 1 to 27"),
        (("--right", "x"), "no line of the hand table"),
        (("--right", "1", "--wrong", "1"), "told right and wrong"),
        (("--wrong", "1=soft"), "not what a hand feels"),
        (("--wrong", "1=firm"), "is what was predicted"),
    ],
)
def test_ticks_that_cannot_be_meant(capsys, told, said):
    code, _, err = run(capsys, "log", "hands", "Linnet", *told)
    assert code == 2
    assert said in err


def everything(folder):
    with opened(folder) as connection:
        return [plain(one) for one in visits(connection)], notes(connection)


@pytest.mark.parametrize("name", ["all.zip", "all.json"])
def test_export_and_import_give_the_same_record(two_horses, tmp_path, capsys, name):
    assert run(capsys, "log", "export", str(tmp_path / name))[0] == 0
    assert (tmp_path / name).stat().st_mode & 0o77 == 0
    other = tmp_path / "other"
    code, out, _ = run(capsys, "log", "import", str(tmp_path / name), "--store", str(other))
    assert (code, out) == (0, "3 visits and 1 notes taken\n")
    assert everything(other) == everything(two_horses)
    kept = {p.name: p.read_bytes() for p in (two_horses / "files").rglob("*") if p.is_file()}
    brought = {p.name: p.read_bytes() for p in (other / "files").rglob("*") if p.is_file()}
    assert brought == (kept if name == "all.zip" else {})
    _, out, _ = run(capsys, "log", "import", str(tmp_path / name), "--store", str(other))
    assert out == "0 visits and 0 notes taken, 3 were there already\n"


@pytest.mark.usefixtures("two_horses")
def test_an_export_that_is_not_whole_is_refused_and_nothing_is_taken(tmp_path, capsys):
    good, bad, other = tmp_path / "all.zip", tmp_path / "bad.zip", tmp_path / "other"
    run(capsys, "log", "export", str(good))
    with zipfile.ZipFile(good) as old, zipfile.ZipFile(bad, "w") as new:
        for name in old.namelist():
            new.writestr(name, old.read(name) + (b"!" if name.startswith("files/") else b""))
    half = tmp_path / "half.zip"
    half.write_bytes(good.read_bytes()[:-200])
    text = tmp_path / "text.json"
    text.write_text('{"schema": "something/1"}')
    for path in (bad, half, text):
        code, _, err = run(capsys, "log", "import", str(path), "--store", str(other))
        assert code == 3, path
        assert "nothing was taken" in err
    assert everything(other) == ([], [])


@pytest.mark.usefixtures("two_horses")
@pytest.mark.parametrize(
    ("table", "key", "value"),
    [
        ("visits", "horse", None),
        ("visits", "day", "yesterday"),
        ("visits", "verdict", []),
        ("visits", "share", "much"),
        ("visits", "files", [{"role": "case", "path": "case.toml", "sha256": "../x", "size": 1}]),
        ("visits", "looks", [{"day": "2026-13-01", "what": "look"}]),
        ("notes", "day", "20260505"),
        ("notes", "text", 5),
    ],
)
def test_an_export_with_a_wrong_value_is_refused_and_nothing_is_taken(tmp_path, capsys, table, key, value):
    good, other = tmp_path / "all.json", tmp_path / "other"
    run(capsys, "log", "export", str(good))
    document = json.loads(good.read_text(encoding="utf-8"))
    document[table][0][key] = value
    good.write_text(json.dumps(document), encoding="utf-8")
    code, _, err = run(capsys, "log", "import", str(good), "--store", str(other))
    assert code == 3, err
    assert "nothing was taken" in err
    assert everything(other) == ([], [])


def test_an_export_nested_without_end_is_refused(tmp_path, capsys):
    (tmp_path / "deep.json").write_text("[" * 100_000)
    code, _, err = run(capsys, "log", "import", str(tmp_path / "deep.json"), "--store", str(tmp_path / "other"))
    assert (code, "nothing was taken" in err) == (3, True)


def test_a_record_cut_to_nothing_is_not_taken_for_a_new_one(two_horses, capsys):
    assert run(capsys, "log", "note", "Linnet", "a dry patch", "--date", "2026-05-05")[0] == 0
    (two_horses / FILE).write_bytes(b"")
    for name in ("-wal", "-shm"):
        (two_horses / (FILE + name)).unlink(missing_ok=True)
    code, _, err = run(capsys, "due")
    assert code == 3
    assert "log restore" in err


def test_backup_is_a_whole_record(two_horses, tmp_path, capsys):
    goal = tmp_path / "stick"
    code, out, _ = run(capsys, "log", "backup", str(goal))
    assert code == 0
    assert "2 files new there" in out
    assert everything(goal) == everything(two_horses)
    assert "0 files new" in run(capsys, "log", "backup", str(goal))[1]
    shutil.rmtree(two_horses)
    shutil.copytree(goal, two_horses)
    assert run(capsys, "log", "show")[1].count("\n") == 2


def test_restore_by_command(two_horses, capsys):
    assert run(capsys, "log", "note", "Linnet", "a dry patch", "--date", "2026-05-05")[0] == 0
    with opened(two_horses) as connection:
        from shimwright.record.day_copy import keep_copy

        keep_copy(connection, two_horses, "2099-01-01")
    (two_horses / FILE).write_bytes(b"spoiled" * 1000)
    code, _, err = run(capsys, "log", "show")
    assert code == 3
    assert "log restore" in err
    code, out, _ = run(capsys, "log", "restore")
    assert code == 0
    assert "damaged-1.sqlite" in out
    assert "a dry patch" in run(capsys, "log", "show", "Linnet")[1]


@pytest.fixture(scope="module")
def fitted(tmp_path_factory):
    """Juniper of the invented yard, fitted with --log."""
    folder = tmp_path_factory.mktemp("fitted")
    shutil.copytree(YARD, folder / "yard")
    case = folder / "yard" / "horses" / "juniper" / "case.toml"
    store = folder / "store"
    code = cli.run(["fit", str(case), "--out", str(folder / "out"), "--log", "--store", str(store)])
    assert code == 0
    return folder, case, store


def test_a_fit_lands_in_the_record(fitted):
    folder, _, store = fitted
    fit = json.loads((folder / "out" / "fit.json").read_text())
    with opened(store) as connection:
        (visit,) = visits(connection)
    assert visit.horse == "Juniper"
    assert visit.day == fit["inputs"]["today"]["date"]
    assert (visit.verdict, visit.setup) == (fit["verdict"], fit["setup"])
    assert [(one.place, one.feel) for one in visit.hands] == [(one["place"], one["feel"]) for one in fit["hand_checks"]]
    assert fit["recheck_on"] in [look.day for look in visit.looks]
    assert {one.role for one in visit.files} == {"case", "scan", "saddle", "pad", "beside", "back", "fit"}
    assert visit.file("scan").sha256 == fit["inputs"]["scan"]["sha256"]


def test_results_made_before_are_added_only_to_their_own_case(fitted, tmp_path, capsys):
    folder, case, store = fitted
    other = tmp_path / "store"
    code, _, _ = run(capsys, "log", "add", str(case), "--fit", str(folder / "out"), "--store", str(other))
    assert code == 0
    with opened(other) as there, opened(store) as here:
        assert plain(visits(there)[0]) == plain(visits(here)[0])
    fennel = case.parents[1] / "fennel" / "case.toml"
    code, _, err = run(capsys, "log", "add", str(fennel), "--fit", str(folder / "out"), "--store", str(other))
    assert code == 2
    assert "made from another case file" in err


def test_a_fit_from_the_record_gives_the_same_answer_and_a_new_scan_a_new_visit(fitted, tmp_path, capsys):
    folder, case, store = fitted
    code, out, _ = run(capsys, "log", "fit", "juniper", "--out", str(tmp_path / "again"), "--store", str(store))
    assert code == 0
    assert "kept in the record" in out
    assert out.startswith("Juniper: ")  # by the horse, not by the folder it was put back into
    first, again = (json.loads((place / "fit.json").read_text()) for place in (folder / "out", tmp_path / "again"))
    assert again == first
    with opened(store) as connection:
        assert len(visits(connection)) == 1
    scan = next(case.parent.glob("*.glb"), None) or next(
        p for p in case.parent.iterdir() if p.suffix in (".ply", ".obj")
    )
    told = ["--scan", str(scan), "--date", "2026-09-01", "--out", str(tmp_path / "next")]
    assert run(capsys, "log", "fit", "juniper", *told, "--store", str(store))[0] == 0
    with opened(store) as connection:
        march, september = visits(connection)
    assert september.day == "2026-09-01"
    document = json.loads((tmp_path / "next" / "fit.json").read_text())
    assert document["as_found_setup"] == march.setup, "what was chosen last is what it wears now"


def test_a_case_without_a_name_is_refused(fitted, tmp_path, capsys):
    _, case, _ = fitted
    text = "\n".join(line for line in case.read_text().splitlines() if not line.startswith("name"))
    nameless = case.with_name("nameless.toml")
    nameless.write_text(text)
    code, _, err = run(capsys, "log", "add", str(nameless), "--store", str(tmp_path / "s"))
    assert code == 2
    assert "the horse has no name" in err
