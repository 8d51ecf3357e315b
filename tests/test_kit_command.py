"""`shimwright kit` as a person uses it, and the lists that it chooses from against search and contact solver."""

import csv
import json
import shutil
from dataclasses import replace
from functools import cache

import numpy as np
import pypdfium2
import pytest
from every_kit import best_of_size, every_kit
from plain_tack import pad as plain_pad

from shimwright import cli
from shimwright.case_file import read_case
from shimwright.export.kit_words import how_few
from shimwright.meshes.yard import HORSES
from shimwright.optimize.contact import Bed, Compression, solve
from shimwright.optimize.fit import choices, prepared
from shimwright.optimize.kit import Size, yard_kit
from shimwright.optimize.kit_list import listed
from shimwright.optimize.kit_measures import judge_rows
from shimwright.optimize.kit_model import Offer, Yard
from shimwright.optimize.kit_order import Order
from shimwright.optimize.kit_pieces import SHIM, Piece, all_pieces, outline_of, pieces_of, pieces_of_stack
from shimwright.optimize.limits import limits
from shimwright.optimize.search import search
from shimwright.optimize.setup import Layer, Setup
from shimwright.optimize.stacks import layer_outlines
from shimwright.scan.synthetic import BUILDS, true_back
from shimwright.scan.synthetic_builds import mirrored

TOOLS = HORSES.parent


def quiet(_):
    pass


def told(folder, horse, **changes):
    """A case of the shipped yard as a case of ours: the rigid saddle, the pad with four pockets, some lines changed."""
    text = (HORSES / horse / "case.toml").read_text(encoding="utf-8")
    text = text.replace("flexible.toml", "rigid.toml").replace("eight-pockets", "four-pockets")
    text = text.replace("../../", f"{TOOLS.as_posix()}/").replace("regular", "wide")
    text = "\n".join(line for line in text.splitlines() if not line.startswith("stock"))
    for old, new in changes.items():
        old = old.replace("_", " ")
        assert old in text, old
        text = text.replace(old, new)
    (folder / horse).mkdir(parents=True)
    shutil.copy(HORSES / horse / "scan.ply", folder / horse)
    path = folder / horse / "case.toml"
    path.write_text(text, encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def yard(tmp_path_factory):
    """Two horses that are served, and a lame one."""
    folder = tmp_path_factory.mktemp("yard")
    cases = [told(folder, "juniper"), told(folder, "fennel"), told(folder, "dumpling", lame="lame = true #")]
    lame = cases[2].read_text(encoding="utf-8").replace("lame = true # =", "lame = true #")
    cases[2].write_text(lame, encoding="utf-8")
    code = cli.run(["kit", *map(str, cases), "--out", str(folder / "out")])
    return code, cases, folder / "out"


def document(folder):
    return json.loads((folder / "kit.json").read_text(encoding="utf-8"))


def words_of(path):
    pdf = pypdfium2.PdfDocument(path)
    return "\n".join(page.get_textpage().get_text_range() for page in pdf)


def in_pieces(setup):
    """The set-up of the file as set of pieces, counted by hand."""
    found = {("arch", setup["arch"]), ("insert", setup["insert"])}
    for name, pocket in setup["pockets"].items():
        under = 0.0
        for layer in pocket["layers"]:
            step = min(5.0 * under, 0.25 * 88.0 if "front" in name else 0.25 * 96.0)  # the shipped pad's pockets
            found.add((layer["shim"], name, layer["thickness_mm"], round(step, 2)))
            under += layer["thickness_mm"]
    return found


def test_the_lame_horse_is_left_out_and_the_others_are_served(yard):
    code, _, out = yard
    assert code == 1
    made = document(out)
    assert made["schema"] == "shimwright/kit/1"
    assert [one["horse"] for one in made["horses"]] == ["Juniper", "Fennel"]
    assert [(one["horse"], one["verdict"]) for one in made["left_out"]] == [("Dumpling", "vet first")]
    assert not (out / "dumpling").exists()


def test_the_kit_is_what_the_horses_need_and_nothing_else(yard):
    made = document(yard[2])
    needed = set().union(*(in_pieces(one["setup"]) for one in made["horses"]))
    carried = {
        (one["kind"], one["name"])
        if one["pocket"] is None
        else (one["name"], one["pocket"], one["thickness_mm"], one["stepped_in_mm"])
        for one in made["kit"]["pieces"]
    }
    assert carried == needed
    assert made["kit"]["count"] == len(needed) == made["kit"]["fewest_proven"]
    assert made["kit"]["proven"]


def test_the_trade_off_falls_and_ends_with_every_horse_on_its_own_best(yard):
    made = document(yard[2])
    counts = [one["count"] for one in made["trade_off"]]
    prices = [one["price"] for one in made["trade_off"]]
    assert counts == sorted(set(counts))
    assert prices == sorted(prices, reverse=True)
    assert prices[-1] == 0
    assert made["trade_off"][-1]["as_good"] == 2
    for one in made["horses"]:
        assert one["cost"] >= one["own_best"]["cost"]


def test_table_sheet_and_cards_say_the_same(yard):
    _, _, out = yard
    made = document(out)
    with (out / "kit.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [(row["kind"], row["name"]) for row in rows] == [(p["kind"], p["name"]) for p in made["kit"]["pieces"]]
    sheet = words_of(out / "kit.pdf")
    assert f"{made['kit']['count']} pieces serve 2 horses" in sheet
    assert "Dumpling" in sheet
    assert "Vet first" in sheet
    cards = words_of(out / "tack-cards.pdf")
    for one in made["horses"]:
        assert one["horse"] in cards
        card = words_of(out / one["horse"].lower() / "tack-card.pdf")
        assert one["horse"] in card
        assert one["setup"]["arch"] in card
        assert one["horse"] in sheet


def test_more_pieces_and_a_scan_that_is_none(yard, tmp_path, capsys):
    """The largest kit of the trade-off; a horse whose file is no scan is left out, and the exit code says it."""
    _, cases, out = yard
    broken = told(tmp_path, "willow")
    (tmp_path / "willow" / "scan.ply").write_bytes(b"no scan at all")
    most = document(out)["trade_off"][-1]["count"]
    code = cli.run(
        [
            "kit",
            str(cases[0]),
            str(cases[1]),
            str(broken),
            "--pieces",
            str(most),
            "--json",
            "--out",
            str(tmp_path / "o"),
        ]
    )
    made = json.loads(capsys.readouterr().out)
    assert code == 3
    assert [(one["horse"], one["verdict"]) for one in made["left_out"]] == [("Willow", "refused")]
    assert made["kit"]["count"] == most
    assert not made["kit"]["smallest"]
    assert all(one["poorer_share"] == 0 for one in made["horses"])
    shims = [one for one in made["kit"]["pieces"] if one["kind"] == "shim"]
    assert shims
    assert "shims in mm" in words_of(tmp_path / "o" / "kit.pdf")
    templates = words_of(tmp_path / "o" / "templates-a4.pdf")
    for shim in shims:
        assert shim["pocket"].replace("_", " ") in templates
    with (tmp_path / "o" / "kit.csv").open(encoding="utf-8", newline="") as file:
        rows = [row for row in csv.DictReader(file) if row["kind"] == "shim"]
    for row in rows:  # the shipped pad: front 185 × 88 mm, rear 195 × 96 mm
        length, width = (185.0, 88.0) if "front" in row["pocket"] else (195.0, 96.0)
        step = float(row["stepped_in_mm"])
        assert float(row["length_mm"]) == pytest.approx(length - 2 * step, abs=0.11)
        assert float(row["width_mm"]) == pytest.approx(width - 2 * step, abs=0.11)


def test_no_horse_that_can_be_served_is_an_answer_too(tmp_path, capsys):
    cases = [told(tmp_path, horse) for horse in ("juniper", "fennel")]
    for case in cases:
        case.write_text(case.read_text(encoding="utf-8").replace("lame = false", "lame = true"), encoding="utf-8")
    assert cli.run(["kit", *map(str, cases), "--out", str(tmp_path / "out")]) == 1
    made = document(tmp_path / "out")
    assert made["kit"] is None
    assert made["trade_off"] == []
    assert len(made["left_out"]) == 2
    assert [path.name for path in (tmp_path / "out").iterdir()] == ["kit.json"]
    assert "no horse can be served" in capsys.readouterr().out


def refused(capsys, *arguments):
    assert cli.run(["kit", *map(str, arguments)]) == 2
    return capsys.readouterr().err.strip().splitlines()


def test_one_case_is_no_yard(capsys):
    (line,) = refused(capsys, HORSES / "fennel" / "case.toml")
    assert "one case" in line
    assert "shimwright fit" in line


def test_another_saddle_and_another_pad(capsys):
    """Dumpling has the flexible saddle, Willow the pad with eight pockets: one line each."""
    lines = refused(capsys, *(HORSES / name / "case.toml" for name in ("fennel", "dumpling", "willow")))
    assert len(lines) == 2
    assert "flexible tree" in lines[0]
    assert "eight pockets" in lines[1]


def test_a_horse_counts_once(tmp_path, capsys):
    """By its case, its scan, its name."""
    case = told(tmp_path, "fennel")
    (line,) = refused(capsys, case, case)
    assert "the same case" in line
    other = tmp_path / "other" / "case.toml"
    shutil.copytree(case.parent, other.parent)
    other.write_text(case.read_text(encoding="utf-8").replace('"Fennel"', '"Fenella"'), encoding="utf-8")
    (line,) = refused(capsys, case, other)
    assert "the same scan" in line
    (other.parent / "scan.ply").write_bytes((HORSES / "juniper" / "scan.ply").read_bytes())
    other.write_text(case.read_text(encoding="utf-8").replace('"Fennel"', '"FENNEL"'), encoding="utf-8")
    (line,) = refused(capsys, case, other)
    assert "the same name, FENNEL" in line


def test_every_missing_scan_is_told(tmp_path, capsys):
    cases = [told(tmp_path, name) for name in ("fennel", "juniper")]
    for case in cases:
        (case.parent / "scan.ply").unlink()
    lines = refused(capsys, *cases, tmp_path / "nowhere.toml")
    assert sum('no file "scan.ply"' in line for line in lines) == 2
    assert any("nowhere.toml" in line for line in lines)


def narrowed(pad, inserts, thicknesses):
    """The pad with fewer inserts and one shim of these thicknesses."""
    return replace(pad, inserts=pad.inserts[:inserts], shims=(replace(pad.shims[0], thicknesses_mm=thicknesses),))


@cache
def job(shape=BUILDS["hollow left"], inserts=2, thicknesses=(3.0, 6.0)):
    case = read_case(HORSES / "fennel" / "case.toml")
    told_today = replace(case.case.today, worn=None)
    pad = narrowed(case.pad, inserts, thicknesses)
    return prepared(true_back(shape), case.saddle, pad, replace(case.case, today=told_today, tries=()))


@pytest.mark.accuracy
def test_the_list_is_what_the_search_finds():
    """As many within limits, cut by the same limits, the same cheapest, of every arch and insert."""
    one = job()
    offered, rule = choices(one)
    found = search(offered, one.pad, one.saddle, rule, one.found_setup, quiet)
    made = listed(one, all_pieces(one.saddle, one.pad, one.stacks), quiet)
    assert made.setups == found.setups
    assert made.cost.size + made.refused_by["uneven contact"] == found.feasible
    for name in ("pitch", "roll", "withers clearance", "peak pressure", "arch"):
        assert made.refused_by.get(name, 0) == found.refused_by.get(name, 0)
    assert made.cost.min() == pytest.approx(found.candidates[0].cost, abs=1e-5)
    cheapest = {made.setup(int(k), one).arch: float(made.cost[k]) for k in np.argsort(-made.cost)}
    for arch, cost in cheapest.items():
        assert cost == pytest.approx(min(c.cost for c in found.candidates if c.setup.arch == arch), abs=1e-5)


@pytest.mark.accuracy
def test_evenness_and_daylight_of_a_list_are_those_of_the_contact_solver():
    """Twelve rows one by one by `contact.solve`: coefficient of variation, share of area under a tenth of the mean."""
    one = job()
    offered, rule = choices(one)
    bed = offered[1].bed
    rng = np.random.default_rng(4)
    rows = rng.integers(0, len(one.stacks), (12, len(one.pad.pockets)))
    found, _ = judge_rows(bed, rule, rows)
    table = Compression(bed.pressure_kpa, bed.series_mm, np.ascontiguousarray(bed.strain.T))
    for row, figures in zip(rows, found, strict=True):
        node = np.arange(bed.area_mm2.size)
        inside = bed.pocket >= 0
        thick = np.where(inside[:, None], bed.thickness_mm[row[np.maximum(bed.pocket, 0)], node], 0.0)
        lift = bed.approach_mm + thick.sum(axis=1)
        p = solve(Bed(bed.area_mm2, lift, bed.freedom, bed.stiffness, thick, table), bed.load).pressure_kpa
        mean = np.average(p, weights=bed.area_mm2)
        uneven = np.sqrt(np.average((p - mean) ** 2, weights=bed.area_mm2)) / mean
        assert figures[1] == pytest.approx(uneven, rel=1e-3)
        assert figures[2] == pytest.approx(bed.area_mm2[p < 0.1 * mean].sum() / bed.area_mm2.sum(), abs=5e-3)


def test_a_yard_of_real_backs_equals_brute_force():
    """Four builds, one layer of 6 mm to a pocket: all 1024 kits of five arches, an insert and four shims."""
    case = read_case(HORSES / "fennel" / "case.toml")
    pad = narrowed(case.pad, 1, (6.0,))
    pad = replace(pad, limits=replace(pad.limits, layers=1))
    told_today = replace(case.case, today=replace(case.case.today, worn=None))
    builds = ("level", "dipped", "hollow left", "narrow")
    jobs = [(name, prepared(true_back(BUILDS[name]), case.saddle, pad, told_today)) for name in builds]
    made = yard_kit(jobs, 30.0, quiet)
    assert made.names == builds
    assert sum(one.struck_off for one in made.lists) == 0  # else the lists below would not be the ones chosen from
    pieces = all_pieces(case.saddle, pad, jobs[0][1].stacks)
    offers = []
    for _, one in jobs:
        some = listed(one, pieces, quiet)
        offers.append(Offer(some.needs, some.cost, np.maximum(0.0, some.cost - limits().ties.band(some.cost.min()))))
    kits = list(every_kit(Yard(tuple(offers), pieces.arches)))
    assert len(made.sizes[0].pieces) == made.sizes[0].fewest == min(kit[0] for kit in kits)
    assert len(made.sizes) > 1
    for size in made.sizes:
        price, arches, cost = best_of_size(kits, len(size.pieces))
        assert size.price == pytest.approx(price, abs=1e-5)
        assert sum(piece.kind == "arch" for piece in size.pieces) == arches
        assert sum(one.cost for one in size.horses) == pytest.approx(cost, abs=1e-4)


def test_a_kit_that_is_not_proven_says_what_is_open():
    """Sizes made by hand: proven, one smaller not ruled out, its fit not proven (of 0.5, 0.1 may be saved)."""
    pieces = (Piece("arch", "a"), Piece("insert", "b"))
    order = Order((), (0, 0, 0))
    proven = Size(pieces, (), order, 0.5, 0.5, 2, True)
    assert how_few(proven) == "No smaller kit serves them (proven)."
    assert how_few(replace(proven, fewest=None)) == "No kit of 2 pieces or fewer suits them better (proven)."
    assert "1 piece may still serve them" in how_few(replace(proven, fewest=1, proven=False))
    open_ = how_few(replace(proven, bound=0.4, proven=False))
    assert open_.startswith("No smaller kit serves them. Time ended")
    assert "20 %" in open_
    assert "No smaller" not in how_few(replace(proven, fewest=None, bound=0.4, proven=False))


@pytest.mark.accuracy
def test_margin_keeps_what_is_near_the_best(monkeypatch):
    """A stock taken for too large to solve whole: the same list, less what lies beyond the margin."""
    one, small = job(inserts=1), replace(limits(), kit=replace(limits().kit, solve_all_up_to=100, margin=0.05))
    pieces = all_pieces(one.saddle, one.pad, one.stacks)
    whole = listed(one, pieces, quiet)
    monkeypatch.setattr("shimwright.optimize.kit_list.limits", lambda: small)
    near = listed(one, pieces, quiet)
    assert near.margin == 0.05
    assert 1 < near.cost.size < whole.cost.size
    assert sorted(near.cost) == pytest.approx(sorted(whole.cost[whole.cost <= whole.cost.min() + 0.05]), abs=1e-5)


def test_a_horse_and_its_mirror_image_are_served_alike():
    """As many set-ups, the same best cost but for the grid; the kit holds what both need and nothing else."""
    shapes = (BUILDS["hollow left"], mirrored(BUILDS["hollow left"]))
    made = yard_kit([("left", job(shapes[0], 1)), ("right", job(shapes[1], 1))], 30.0, quiet)
    assert made.names == ("left", "right")
    assert made.lists[0].listed == made.lists[1].listed
    assert made.lists[0].best.cost == pytest.approx(made.lists[1].best.cost, abs=2e-3)
    assert [one.poorer for one in made.sizes[-1].horses] == [0.0, 0.0]
    for size in made.sizes:
        needed = {piece for one in size.horses for piece in pieces_of(one.setup, job(inserts=1).pad)}
        assert set(size.pieces) == needed


def test_pieces_of_a_stack_are_its_layers_as_they_are_cut():
    """Outlines of `layer_outlines`, the very ones that are pressed and cut."""
    pad = plain_pad()
    pocket = pad.pockets[0]
    stack = (Layer("felt", 6.0), Layer("felt", 3.0))
    made = pieces_of_stack(pad, pocket.name, stack)
    assert [piece.thickness_mm for piece in made] == [6.0, 3.0]
    for piece, outline in zip(made, layer_outlines(pad, pocket, stack), strict=True):
        np.testing.assert_allclose(outline_of(piece, pad), outline)


def test_a_second_one_of_a_kind_is_a_piece_of_its_own():
    """Three thick layers: the step is at its largest above the first, so the second and third are cut alike."""
    pad = plain_pad()
    stack = (Layer("felt", 6.0),) * 3
    made = pieces_of_stack(pad, "front_left", stack)
    assert [piece.copy for piece in made] == [1, 1, 2]
    assert made[1].step_in_mm == made[2].step_in_mm > 0
    assert pieces_of(Setup("a", None, {p.name: () for p in pad.pockets}), pad) == (Piece("arch", "a"),)
    assert made[0].kind == SHIM
