"""What changed between visits, against the exact change of invented horses; what did not is left alone."""

import json
import os
import shutil
from dataclasses import replace
from importlib.resources import files
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import binomtest
from year import DAYS, a_year, muscling, scanned, true_change

from shimwright import cli
from shimwright.export.back_json import back_to_json
from shimwright.export.plain_json import write_json
from shimwright.optimize.one_sided import growing_side, lasting_side, one_sided_cautions
from shimwright.optimize.still_serves import one_changes, still_serves
from shimwright.pad_file import read_pad
from shimwright.saddle_file import read_saddle
from shimwright.scan.change import Changed, change_between, held_to_holm, largest, measures
from shimwright.scan.register import register
from shimwright.scan.synthetic import BUILDS, random_shape, true_back
from shimwright.scan.synthetic_scan import write_ply

YARD = Path(str(files("shimwright.meshes")))
PAIRS = int(os.environ.get("SHIMWRIGHT_PAIRS", "100"))


def exact_map(seen, k, change):
    """The exact change at every place of the map."""
    points = change.points_mm.reshape(-1, 3)
    grid = np.meshgrid(change.x_mm, change.phi, indexing="ij")
    normals = seen[0].back.normal(*(array.ravel() for array in grid))
    known = np.isfinite(points).all(axis=1) & np.isfinite(change.change_mm.ravel())
    exact = np.full(len(points), np.nan)
    exact[known] = true_change(seen[0], seen[k], points[known], normals[known])
    return exact.reshape(change.change_mm.shape)


@pytest.fixture(scope="module")
def handheld_year():
    rng = np.random.default_rng(21)
    shapes = muscling(rng)
    return shapes, a_year(shapes, "handheld", rng)


@pytest.mark.accuracy
def test_a_year_of_five_visits_gives_back_the_changes_within_error(handheld_year):
    inside, worst, called = map_errors(handheld_year[1])
    assert inside > 0.95, "two sd should hold 95 of 100"
    assert worst < 1.0, "beyond the limit of the whole map"
    assert called > 0.95, "what is large is seen"


@pytest.mark.accuracy
@pytest.mark.parametrize("scanner", ["handheld", "photogrammetry", "phone lidar"])
def test_years_by_every_scanner(scanner):
    """Five horses' years. A year's four maps share their first scan, so its error is in all of them: the years are
    judged together, and the limit of a map, which chance exceeds in one of forty, may be reached in one of them.
    """
    years = []
    for seed in range(5):
        rng = np.random.default_rng([22, seed])
        years.append(map_errors(a_year(muscling(rng), scanner, rng)))
        print(
            f"\n{scanner}, year {seed}: {100 * years[-1][0]:.0f} % inside two sd, most {years[-1][1]:.2f} of the "
            f"limit, {100 * years[-1][2]:.0f} % of places that grew by more than 12 mm called changed",
            end="",
        )
    inside, worst, _ = np.array(years).T
    assert inside.mean() > 0.95, "two sd should hold 95 of 100"
    assert (worst > 1.0).sum() <= 1
    assert worst.max() < 1.15


def map_errors(seen):
    """Every later visit's map against the exact change: the share of errors inside two sd, the largest over the limit
    of its map, and the share of places that grew by over 12 mm in the last that are called changed."""
    inside, worst = [], 0.0
    for k in range(1, 5):
        change = change_between(seen[0].back, seen[k].back)
        exact = exact_map(seen, k, change)
        off = (change.change_mm - exact) / change.sd_mm
        off = np.abs(off[np.isfinite(off)])
        assert off.size > 2000
        inside.append((off < 2.0).mean())
        worst = max(worst, float(off.max() / change.limit))
    assert np.nanmax(exact) > 12.0
    return float(np.mean(inside)), worst, float(change.beyond[exact > 12.0].mean())


@pytest.mark.accuracy
def test_measures_over_a_year_follow_the_exact_ones(handheld_year):
    """Against the exact shapes measured by the same rule."""
    shapes, seen = handheld_year
    exact = [measures(true_back(shape), true_back(shape), None) for shape in shapes]
    first = measures(seen[0].back, seen[0].back, None)
    for k in range(1, 5):
        now = measures(seen[0].back, seen[k].back, register(seen[0].back, seen[k].back))
        for a, b, true_a, true_b in zip(first, now, exact[0], exact[k], strict=True):
            change, true = b.value - a.value, true_b.value - true_a.value
            assert abs(change - true) < 3.5 * np.hypot(a.sd, b.sd) + 0.05, (k, a.name, a.x_mm, a.side, change, true)


def pair(k, scanner):
    """Two scans of one unchanged horse, in other poses."""
    rng = np.random.default_rng([77, k])
    shape = random_shape(rng)
    return scanned(shape, scanner, None, rng).back, scanned(shape, scanner, None, rng).back


@pytest.mark.accuracy
@pytest.mark.parametrize("scanner", ["handheld", "photogrammetry", "phone lidar"])
def test_an_unchanged_horse_shows_no_change_in_95_of_100_pairs(scanner):
    changed = [k for k in range(PAIRS) if not change_between(*pair(k, scanner)).none]
    print(f"\n{scanner}: {len(changed)} of {PAIRS} pairs called changed {changed}")
    assert len(changed) <= 0.05 * PAIRS


def test_the_limit_of_a_map_is_what_its_errors_exceed_in_one_of_forty():
    """Independent places: Šidák's closed form. All alike: one place's limit."""
    from scipy.stats import norm

    apart = largest(np.eye(200))
    assert apart == pytest.approx(norm.isf((1 - (1 - 0.025) ** (1 / 200)) / 2), abs=0.08)
    alike = largest(np.full((200, 200), 4.0))
    assert alike == pytest.approx(norm.isf(0.0125), abs=0.08)


def test_holm_as_in_its_paper():
    """Holm 1979: step down with α / (n − k). Worked by hand at α = 0.025: p 0.001, 0.010, 0.02, 0.04."""
    from scipy.stats import norm

    p = (0.010, 0.001, 0.04, 0.02)
    rows = [Changed(f"row {v}", "mm", np.nan, "none", float(norm.isf(v / 2)), 1.0, False) for v in p]
    rows.append(Changed("not seen", "mm", np.nan, "none", np.nan, np.nan, False))
    assert [one.beyond for one in held_to_holm(rows)] == [False, True, False, False, False]  # 0.010 > 0.025 / 3


# ---------------------------------------------------------------- one-sided


def dated(shape, day):
    back = true_back(shape, "Linnet")
    return replace(back, source=replace(back.source, date=day))


@pytest.mark.accuracy
def test_growing_and_lasting_differences_of_the_sides_are_told_and_evening_is_not():
    even, left = BUILDS["level"], replace(BUILDS["level"], uneven_mm=22.0)
    first, last = dated(even, "2026-01-10"), dated(left, "2026-06-10")
    grown = growing_side(change_between(first, last), last)
    assert grown is not None
    assert grown[0] == "left"  # uneven_mm: the left is less filled
    assert growing_side(change_between(last, first), first) is None, "it became evener"
    assert lasting_side([first, last]) is None
    assert lasting_side([dated(left, "2026-01-10"), last]) == "left"
    assert lasting_side([dated(left, "2026-06-01"), last]) is None, "two days are one look"
    said = one_sided_cautions([first, last], change_between(first, last))
    assert len(said) == 1
    assert "The left side has fallen away" in said[0]
    assert "vet first" in said[0]
    assert one_sided_cautions([first, dated(even, "2026-06-10")], change_between(first, first)) == ()


# ---------------------------------------------------------------- does it still serve


@pytest.fixture(scope="module")
def tack():
    return read_saddle(YARD / "saddles" / "rigid.toml"), read_pad(YARD / "pads" / "four-pockets.toml")


def setup_with(pad, arch, **pockets):
    from shimwright.optimize.setup import Layer, Setup

    stacks = {pocket.name: () for pocket in pad.pockets}
    stacks |= {name: (Layer("felt sheet", float(mm)),) for name, mm in pockets.items()}
    return Setup(arch, "felt 5", stacks)


def test_single_changes_are_all_there_and_each_is_one(tack):
    _, pad = tack
    setup = setup_with(pad, "medium", front_left=6, front_right=6, rear_left=3)
    seen = list(one_changes(pad, setup))
    outs = [change for change, _ in seen if change.into is None]
    assert sorted(one.pockets for one in outs) == [
        ("front_left",), ("front_left", "front_right"), ("front_right",), ("rear_left",)
    ]  # fmt: skip
    for change, after in seen:
        differs = {name for name in setup.stacks if setup.stacks[name] != after.stacks[name]}
        assert differs == set(change.pockets)
        assert (after.arch, after.insert) == (setup.arch, setup.insert)
    assert len(seen) == 4 * 3  # out, and the two other thicknesses of the stock: 3, 6 and 10 mm less the one in


def test_shims_of_a_wasted_back_come_out_when_it_has_filled(tack):
    """By brute force over every single change with the same true model: what is said is the best of them."""
    from shimwright.optimize.case import Case, Horse, Today

    saddle, pad = tack
    back = dated(BUILDS["level"], "2026-06-10")
    case = Case(horse=Horse("Linnet", work="rehab"), today=Today(date="2026-06-10", stood_square=True))
    stuffed = setup_with(pad, "medium", front_left=6, front_right=6)
    told = still_serves(back, saddle, pad, case, stuffed, changed=True)
    assert told.present is not None
    if told.better is not None:
        assert told.change is not None
        assert told.better.cost < told.present.cost
        assert not told.better.refused_by
        assert told.setup == told.better.setup
    bare = setup_with(pad, "medium")
    calm = still_serves(back, saddle, pad, case, bare, changed=False)
    assert calm.verdict in ("still serves", "fit again")
    sore = replace(case, today=replace(case.today, sore=("middle_left",)))
    assert still_serves(back, saddle, pad, sore, stuffed, changed=True).verdict == "vet first"


# ---------------------------------------------------------------- the command


@pytest.fixture(scope="module")
def visits(tmp_path_factory):
    """Three visits as back.json, the last as a case too."""
    folder = tmp_path_factory.mktemp("visits")
    rng = np.random.default_rng(23)
    shapes = muscling(rng)
    for k in (0, 2, 4):
        seen = scanned(shapes[k], "handheld", DAYS[k], rng)
        (folder / str(k)).mkdir()
        write_json(back_to_json(seen.back), folder / str(k) / "back.json")
    shutil.copyfile(YARD / "saddles" / "rigid.toml", folder / "saddle.toml")
    shutil.copyfile(YARD / "pads" / "four-pockets.toml", folder / "pad.toml")
    write_ply(seen.taken.raw, folder / "4" / "scan.ply")
    told = seen.taken.told
    (folder / "4" / "case.toml").write_text(
        f'scan = "scan.ply"\nsaddle = "../saddle.toml"\npad = "../pad.toml"\n[frame]\nunit = {told.unit_mm}\n'
        f"up = {[float(v) for v in told.up]}\nhead = {[float(v) for v in told.head]}\n"
        f'[horse]\nname = "Linnet"\nwork = "rehab"\n[today]\ndate = {DAYS[4]}\nstood_square = true\n'
        'setup = { arch = "narrow", insert = "felt 5", pockets = { front_left = 6, front_right = 6 } }\n'
        '[marks]\nwithers = "green"\nshoulder = "red"\n'
    )
    return folder


def test_the_command_writes_sheet_and_data(visits, tmp_path, capsys):
    import pypdf

    told = [str(visits / "4" / "case.toml"), str(visits / "0" / "back.json"), str(visits / "2")]
    code = cli.run(["compare", *told, "--out", str(tmp_path / "out")])
    said = capsys.readouterr().out
    assert code in (0, 1)
    document = json.loads((tmp_path / "out" / "compare.json").read_text())
    assert [visit["date"] for visit in document["visits"]] == [DAYS[0], DAYS[2], DAYS[4]], "in order of time"
    assert [(one["from"], one["to"]) for one in document["changes"]] == [(0, 2), (1, 2)]
    assert not document["changes"][0]["nothing_beyond_error"]
    assert document["set_up"]["verdict"] in ("still serves", "take out", "swap", "fit again")
    assert code == (1 if document["set_up"]["verdict"] == "fit again" else 0)
    assert "front left filled by" in said
    text = "".join(page.extract_text() for page in pypdf.PdfReader(tmp_path / "out" / "change.pdf").pages)
    for words in ("Linnet", "front left filled by", "Does the set-up still serve?", "Over time", "not a diagnosis"):
        assert words in text


def test_a_recorded_horse_is_compared_by_its_name(visits, tmp_path, capsys):
    store = tmp_path / "store"
    case = visits / "4" / "case.toml"
    assert cli.run(["log", "add", str(case), "--store", str(store)]) == 0
    earlier = case.with_name("earlier.toml")
    earlier.write_text(case.read_text().replace(DAYS[4], DAYS[3]))
    assert cli.run(["log", "add", str(earlier), "--store", str(store)]) == 0
    capsys.readouterr()
    code = cli.run(["compare", "linnet", "--store", str(store), "--out", str(tmp_path / "out"), "--json"])
    document = json.loads(capsys.readouterr().out)
    assert code in (0, 1)
    assert [visit["date"] for visit in document["visits"]] == [DAYS[3], DAYS[4]]
    assert document["changes"][0]["nothing_beyond_error"], "one scan against itself"
    assert document["set_up"] is not None


def test_what_cannot_be_compared_is_refused(visits, tmp_path, capsys):
    one = str(visits / "0" / "back.json")
    other = json.loads(Path(one).read_text())
    scanned_once = other["scan"] | {"sha256": "5" * 64}
    one = str(tmp_path / "one.json")
    Path(one).write_text(json.dumps(other | {"scan": scanned_once}))
    other["scan"]["horse"] = "Sorrel"
    (tmp_path / "back.json").write_text(json.dumps(other))
    for told, words in (
        ([one], "a change needs two"),
        ([one, str(tmp_path / "back.json")], "compare one horse with itself"),
        ([one, one], "the same scan"),
        ([one, str(visits / "2" / "back.json"), one], "named twice"),
        ([one, "nobody"], "no such file, and nothing is recorded"),
    ):
        assert cli.run(["compare", *told, "--store", str(tmp_path / "store"), "--out", str(tmp_path / "o")]) == 2
        assert words in capsys.readouterr().err
    assert not (tmp_path / "o").exists()


def test_the_evidence_of_a_hundred_pairs_could_fail():
    """5 of 100 changed would be a rate that 95 of 100 does not exclude; 12 would be."""
    assert binomtest(12, 100, 0.05, alternative="greater").pvalue < 0.01
