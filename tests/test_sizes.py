"""`sizes` as its user runs it: a folder of scans in, sheet and tables out; the same bytes however it was run."""

import csv
import json
import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pypdfium2
import pytest

from shimwright import cli
from shimwright.export.sizes_words import SHARES, quantiles
from shimwright.optimize.size_rules import size_rules
from shimwright.saddle_file import read_saddle
from shimwright.scan.synthetic import random_shape, scan_of, write_ply

SADDLE = Path(__file__).parents[1] / "meshes" / "saddles" / "rigid.toml"
HORSES = 7
TOLD = ("--unit", "mm", "--up", "+z", "--head", "+x")
RESULTS = ("horses.csv", "sizes.csv", "sizes.json", "sizes.pdf")


def scans(folder, count, seed=7):
    """`count` invented horses, small scans, and a list with two groups and weights 1 and 2."""
    folder.mkdir(parents=True, exist_ok=True)
    lines = ["file,group,weight,remark"]
    for k in range(count):
        rng = np.random.default_rng([seed, k])
        shape = random_shape(rng)
        write_ply(scan_of(shape, 24.0, rng), folder / f"h{k:04d}.ply")
        lines.append(f"h{k:04d}.ply,{'ponies' if shape.withers_croup_mm < 720 else 'horses'},{1 + k % 2},x")
    (folder / "list.csv").write_text("\n".join(lines) + "\n")
    return folder


def run(folder, out, *more):
    told = ("sizes", str(folder), "--saddle", str(SADDLE), "--list", str(folder / "list.csv"), *TOLD, "--out", str(out))
    return cli.run([*told, *more])


def bytes_of(out):
    return {name: (out / name).read_bytes() for name in RESULTS}


def rows_of(out, name="horses.csv"):
    return list(csv.DictReader((out / name).read_text(encoding="utf-8").splitlines()))


@pytest.fixture(scope="module")
def yard(tmp_path_factory):
    """Seven horses, a copy of one, and three files that are no scan of a back."""
    folder = scans(tmp_path_factory.mktemp("yard") / "scans", HORSES)
    (folder / "zz-copy.ply").write_bytes((folder / "h0002.ply").read_bytes())
    (folder / "empty.ply").write_bytes(b"")
    (folder / "cut.ply").write_bytes((folder / "h0001.ply").read_bytes()[:20_000])
    rng = np.random.default_rng(0)
    (folder / "ball.obj").write_text(
        "".join("v {:.4f} {:.4f} {:.4f}\n".format(*(300 * v / np.linalg.norm(v))) for v in rng.normal(size=(800, 3)))
    )
    return folder


@pytest.fixture(scope="module")
def done(yard, tmp_path_factory):
    out = tmp_path_factory.mktemp("out") / "two"
    assert run(yard, out, "--workers", "2", "--arches", "2") == 0
    return out


def test_every_file_has_its_row_and_bad_ones_say_why(done):
    rows = {row["file"]: row for row in rows_of(done)}
    assert sorted(rows) == sorted(
        [*(f"h{k:04d}.ply" for k in range(HORSES)), "zz-copy.ply", "empty.ply", "cut.ply", "ball.obj"]
    )
    assert all(rows[f"h{k:04d}.ply"]["served"] in ("yes", "no") for k in range(HORSES))
    left_out = {name: row["why"] for name, row in rows.items() if row["served"] == "left out"}
    assert sorted(left_out) == ["ball.obj", "cut.ply", "empty.ply", "zz-copy.ply"]
    assert left_out["zz-copy.ply"] == "the same scan as h0002.ply: counted once"
    assert "0 bytes" in left_out["empty.ply"]
    assert all(why for why in left_out.values())
    assert not rows["cut.ply"]["own_rocker_mm"]


@pytest.mark.soak
def test_one_worker_gives_the_same_bytes_as_two(yard, done, tmp_path):
    assert run(yard, tmp_path / "one", "--workers", "1", "--arches", "2") == 0
    assert bytes_of(tmp_path / "one") == bytes_of(done)


def test_a_second_run_measures_nothing_and_gives_the_same_bytes(yard, done, monkeypatch):
    before = bytes_of(done)
    monkeypatch.setattr("shimwright.crew._Worker._send", lambda _: pytest.fail("measured again"))
    assert run(yard, done, "--workers", "2", "--arches", "2") == 0
    assert bytes_of(done) == before


@pytest.mark.soak  # test_many has a cluster too
def test_a_local_cluster_gives_the_same_bytes(yard, done, tmp_path):
    distributed = pytest.importorskip("distributed")
    with distributed.LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as cluster:
        assert run(yard, tmp_path / "out", "--cluster", cluster.scheduler_address, "--arches", "2") == 0
    assert bytes_of(tmp_path / "out") == bytes_of(done)


def killed(folder, out, moments):
    """The command, killed at each moment in seconds."""
    told = [sys.executable, "-m", "shimwright", "sizes", str(folder), "--saddle", str(SADDLE)]
    told += ["--list", str(folder / "list.csv"), *TOLD, "--out", str(out), "--workers", "2", "--arches", "2"]
    for moment in moments:
        process = subprocess.Popen(told, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        time.sleep(moment)
        os.kill(process.pid, signal.SIGKILL)
        process.wait()


@pytest.mark.skipif(sys.platform == "win32", reason="no kill -9 there")
@pytest.mark.soak
def test_killed_in_the_middle_it_finishes_with_the_same_bytes(yard, done, tmp_path):
    rng = random.Random(25)
    killed(yard, tmp_path / "out", [rng.uniform(1.0, 6.0) for _ in range(25)])
    assert run(yard, tmp_path / "out", "--workers", "2", "--arches", "2") == 0
    assert bytes_of(tmp_path / "out") == bytes_of(done)


def test_the_figures_of_the_tables_agree(done):
    document = json.loads((done / "sizes.json").read_text())
    rows = [row for row in rows_of(done) if row["served"] != "left out"]
    weights = np.array([float(row["weight"]) for row in rows])
    served = np.array([row["served"] == "yes" for row in rows])
    gap = np.array([float(row["mean_gap_mm"]) for row in rows])
    assert document["served_share"] == pytest.approx(weights[served].sum() / weights.sum(), abs=1e-4)
    assert document["mean_gap_mm"] == pytest.approx(np.average(gap, weights=weights), abs=0.01)
    assert document["choice"]["exact"] is True
    rules = size_rules()
    for row, ok in zip(rows, served, strict=True):
        within = (
            float(row["mean_gap_mm"]) <= rules.mean_gap_mm + 0.005,
            abs(float(row["arch_off_deg"])) <= rules.arch_deg + 0.005,
            float(row["clearance_mm"]) >= rules.clearance_mm - 0.005,
        )
        assert ok == all(within)
        assert bool(row["why"]) == (not ok)
    arches = {row["size"]: row for row in rows_of(done, "sizes.csv") if row["size"].startswith("arch")}
    for name, size in arches.items():
        share = weights[np.array([row["arch"] == name for row in rows])].sum() / weights.sum()
        assert float(size["share_percent"]) == pytest.approx(100 * share, abs=0.06)
    groups = {one["group"]: one["horses"] for one in document["distribution"]}
    assert groups[""] == HORSES
    assert sum(groups.values()) == 2 * HORSES


def test_quantiles_of_weights_are_those_of_repeated_horses():
    rng = np.random.default_rng(2)
    values, times = rng.normal(size=60), rng.integers(1, 5, 60)
    repeated = np.quantile(np.repeat(values, times), SHARES, method="inverted_cdf")
    assert quantiles(values, times.astype(float)) == pytest.approx(repeated)


def begun(done, tmp_path):
    """A folder with the rows of the first run: same scans, same pattern."""
    out = tmp_path / "out"
    out.mkdir()
    (out / "rows.sqlite").write_bytes((done / "rows.sqlite").read_bytes())
    return out


def test_made_arches_and_panel_stay(yard, done, tmp_path):
    out = begun(done, tmp_path)
    there = read_saddle(SADDLE)
    hard = [arch for arch in there.arches if not arch.soft]
    made = ("--made-arches", str(SADDLE), "--made-panel", str(SADDLE))
    assert run(yard, out, *made, "--arches", str(len(hard) + 1), "--panels", "2") == 0
    document = json.loads((out / "sizes.json").read_text())
    kept = {(one["included_deg"], one["width_100mm_down_mm"]) for one in document["arches"] if one["made"]}
    assert kept == {(arch.included_deg, arch.width_mm) for arch in hard}
    assert len(document["arches"]) == len(hard) + 1
    assert [one["rocker_mm"] for one in document["panels"] if one["made"]] == [there.rocker_mm]
    assert all(one["included_sd_deg"] is None for one in document["arches"] if one["made"])


def test_a_size_made_for_one_horse_of_great_weight_is_its_own(yard, done, tmp_path):
    """One arch, one panel, one horse a thousand times heavier: it gets its own arch to the step of making."""
    out = begun(done, tmp_path)
    listed = tmp_path / "list.csv"
    listed.write_text("file;weight\nh0003.ply;100000,0\n", encoding="utf-8-sig")
    told = ("sizes", str(yard), "--saddle", str(SADDLE), "--list", str(listed), *TOLD, "--out", str(out))
    assert cli.run([*told, "--arches", "1"]) == 0
    row = next(row for row in rows_of(out) if row["file"] == "h0003.ply")
    arch = json.loads((out / "sizes.json").read_text())["arches"][0]
    assert row["weight"] == "100000.0"
    assert row["served"] == "yes"
    assert arch["included_deg"] == pytest.approx(float(row["own_arch_included_deg"]), abs=4.0)
    assert arch["width_100mm_down_mm"] == pytest.approx(float(row["own_arch_width_100mm_down_mm"]), abs=10.0)


def test_no_size_is_told_that_nobody_takes(yard, done, tmp_path):
    """Two horses of seven are of no weight: six arches asked for, five horses to take them at most."""
    out = begun(done, tmp_path)
    listed = tmp_path / "list.csv"
    listed.write_text("file,weight\nh0000.ply,0\nh0004.ply,0\n")
    told = ("sizes", str(yard), "--saddle", str(SADDLE), "--list", str(listed), *TOLD, "--out", str(out))
    assert cli.run([*told, "--arches", "6"]) == 0
    arches = json.loads((out / "sizes.json").read_text())["arches"]
    assert all(float(row["share_percent"]) > 0 for row in rows_of(out, "sizes.csv"))
    assert len(arches) <= 5
    assert all(row["served"] in ("yes", "no") for row in rows_of(out) if row["weight"] == "0.0")


def test_the_sheet_says_it(done):
    sheet = pypdfium2.PdfDocument(done / "sizes.pdf")
    text = " ".join(page.get_textpage().get_text_range() for page in sheet)
    for words in ("Sizes for 7 horses", "included angle", "width 100 mm down", "Whom no size serves", "counted once"):
        assert words in text
    document = json.loads((done / "sizes.json").read_text())
    for one in document["arches"]:
        assert f"{one['included_deg']:.0f}" in text


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("name,weight\na,1\n", 'no column "file"'),
        ("file,wieght\nh0000.ply,1\n", 'did you mean "weight"?'),
        ("file,weight\nh0000.ply,heavy\n", 'line 2: weight "heavy"'),
        ("file,weight\nh0000.ply,-1\n", 'line 2: weight "-1"'),
        ("file\nh0000.ply\nh0000.ply\n", "there twice"),
        ("file,unit\nh0000.ply,ell\n", "is not a unit"),
        ("file\nh0000\0.ply\n", "NUL"),
        ("file\nh0000.ply\n" + "x" * 200_000, "line 3 is no row of a CSV list"),
        ('file,weight\n"h0000.ply,1\nh0001.ply,1\n', "line 3 is no row of a CSV list"),
        ("file,weight,weight\nh0000.ply,1,2\n", '2 columns "weight"'),
    ],
)
def test_a_wrong_list_is_told(yard, tmp_path, capsys, text, said):
    listed = tmp_path / "list.csv"
    listed.write_text(text)
    told = ("sizes", str(yard), "--saddle", str(SADDLE), "--list", str(listed), "--out", str(tmp_path / "out"))
    assert cli.run(list(told)) == 2
    assert said in capsys.readouterr().err
    assert not (tmp_path / "out").exists()


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes there")
def test_a_list_that_is_a_pipe_is_not_waited_for(yard, tmp_path, capsys):
    os.mkfifo(tmp_path / "list.csv")
    told = ("sizes", str(yard), "--saddle", str(SADDLE), "--list", str(tmp_path / "list.csv"))
    assert cli.run([*told, "--out", str(tmp_path / "out")]) == 2
    assert "not a file that can be a list" in capsys.readouterr().err


def test_a_folder_without_scans_and_one_with_too_few_are_told(tmp_path, capsys):
    empty = tmp_path / "empty"
    empty.mkdir()
    assert cli.run(["sizes", str(empty), "--saddle", str(SADDLE)]) == 2
    assert "no scan in it" in capsys.readouterr().err
    (empty / "a.ply").write_bytes(b"no scan")
    assert cli.run(["sizes", str(empty), "--saddle", str(SADDLE)]) == 3
    said = capsys.readouterr().err
    assert "0 of 1 scans can be used" in said
    assert "a.ply: " in said
    assert cli.run(["sizes", str(tmp_path / "none"), "--saddle", str(SADDLE)]) == 2


def test_a_list_names_what_is_not_there(yard, done, tmp_path):
    out = begun(done, tmp_path)
    listed = tmp_path / "list.csv"
    listed.write_text("file\nghost.ply\n")
    told = ("sizes", str(yard), "--saddle", str(SADDLE), "--list", str(listed), *TOLD, "--out", str(out))
    assert cli.run(list(told)) == 0
    row = next(row for row in rows_of(out) if row["file"] == "ghost.ply")
    assert "no such file" in row["why"]
