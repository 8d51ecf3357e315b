"""Cut list and nesting: totals against the drawings, areas against a hand-computed polygon, nesting against shapely."""

import csv
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from fit_fixture import best_setup, example_fit, example_pad
from hypothesis import given, settings
from hypothesis import strategies as st
from reopen import pdf_words
from shapely.geometry import Polygon

from shimwright.export.cut_sheet import cut_sheet_pdf
from shimwright.export.cutlist import buying, cut_table, cutlist_rows, sheets_needed, sheets_table, write_cutlist
from shimwright.export.nesting import (
    ALONG_GRAIN_DEG,
    ANY_QUARTER_DEG,
    SPACING_MM,
    Nesting,
    nest,
    placed_outline,
)
from shimwright.export.shim_parts import Labels, part_drawing, shim_parts
from shimwright.optimize.answer import Fit
from shimwright.optimize.in_the_van import InStock
from shimwright.optimize.materials import load_materials
from shimwright.optimize.setup import Layer


def shoelace_cm2(outline: np.ndarray) -> float:
    """Gauss's area formula."""
    x, y = outline.T
    return float(abs(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1)))) / 200.0


def rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_pieces_are_the_layers_of_the_setup(tmp_path: Path) -> None:
    write_cutlist(example_fit(), tmp_path / "cutlist.csv")
    listed = [row for row in rows(tmp_path / "cutlist.csv") if row["kind"] == "piece"]
    expected = [
        (name, str(i + 1), layer.shim, f"{layer.thickness_mm:g}")
        for name, stack in best_setup().stacks.items()
        for i, layer in enumerate(stack)
    ]
    assert [(row["pocket"], row["layer"], row["shim"], row["thickness_mm"]) for row in listed] == expected


def test_areas_weights_and_totals_agree_with_the_drawings(tmp_path: Path) -> None:
    fit = example_fit()
    write_cutlist(fit, tmp_path / "cutlist.csv")
    listed = [row for row in rows(tmp_path / "cutlist.csv") if row["kind"] == "piece"]
    parts = shim_parts(fit.pad, best_setup())
    for row, part in zip(listed, parts, strict=True):
        outline = part_drawing(part, Labels(None, None, "mm")).cut_outlines[0]
        assert float(row["area_cm2"]) == pytest.approx(shoelace_cm2(outline), abs=0.006)
        density = load_materials()[part.shim.material].density_kg_m3
        grams = shoelace_cm2(outline) * 1e-4 * part.thickness_mm * 1e-3 * density * 1e3
        assert float(row["weight_g"]) == pytest.approx(grams, abs=0.06)
    total = rows(tmp_path / "cutlist.csv")[-1]
    assert total["kind"] == "total"
    assert int(total["piece"]) == len(listed)
    for column in ("area_cm2", "weight_g"):
        assert float(total[column]) == pytest.approx(sum(float(row[column]) for row in listed), abs=1e-6)


def test_a_hand_computed_piece() -> None:
    """The invented front pocket by hand: 125 × 92 mm less 24 and 588 mm² at the front and 162 − 72 mm² behind."""
    part = shim_parts(example_pad(), best_setup())[0]
    assert part.area_cm2 == pytest.approx((125 * 92 - 24 - 588 - (162 - 72)) / 100.0, abs=1e-9)
    assert (part.length_mm, part.width_mm) == (125.0, 92.0)


def test_sheets_rows_count_what_is_needed(tmp_path: Path) -> None:
    write_cutlist(example_fit(), tmp_path / "cutlist.csv")
    sheets = [row for row in rows(tmp_path / "cutlist.csv") if row["kind"] == "sheets"]
    assert [(row["shim"], row["thickness_mm"], row["piece"], row["sheets"]) for row in sheets] == [
        ("felt", "3.1", "2", "1"),
        ("felt", "6.2", "2", "1"),
        ("foam", "5", "1", "1"),
    ]
    for row in sheets:
        used = float(row["used_mm"]) * float(row["sheet_width_mm"]) / 100.0
        waste = 100.0 * (1.0 - float(row["area_cm2"]) / used)
        assert float(row["waste_percent"]) == pytest.approx(waste, abs=0.1)


def test_an_unknown_density_leaves_the_weight_empty() -> None:
    fit = example_fit()
    materials = {**load_materials(), "felt": replace(load_materials()["felt"], density_kg_m3=None)}
    found = cutlist_rows(fit, materials)
    assert [row["weight_g"] for row in found if row.get("shim") == "felt"] == [""] * 6
    assert found[-1]["weight_g"] == ""
    assert found[4]["weight_g"] != ""


def test_without_setup_there_is_an_empty_list(tmp_path: Path) -> None:
    write_cutlist(replace(example_fit(), setup=None), tmp_path / "cutlist.csv")
    (total,) = rows(tmp_path / "cutlist.csv")
    assert (total["kind"], total["piece"]) == ("total", "0")


def test_the_table_for_people_has_a_row_per_piece() -> None:
    fit = example_fit()
    table = cut_table(fit)
    assert len({len(row) for row in table}) == 1
    assert len(table) == 7  # head, five pieces, totals
    inches = cut_table(replace(fit, case=replace(fit.case, print_units="in")))
    assert "1/4 in (6.2 mm)" in inches[2]
    assert len(sheets_table(fit)) == 4


def test_a_piece_larger_than_its_sheet_is_said() -> None:
    pad = example_pad()
    small = replace(pad, shims=(replace(pad.shims[0], sheet_mm=(100.0, 80.0)), pad.shims[1]))
    found = cutlist_rows(replace(example_fit(), pad=small), load_materials())
    said = [row["sheet"] for row in found if row["kind"] == "piece" and row["shim"] == "felt"]
    assert said == ["larger than the sheet", "larger than the sheet", 1, "larger than the sheet"]  # 1: 81 × 46 mm


def stocked(*stock: InStock) -> Fit:
    fit = example_fit()
    return replace(fit, case=replace(fit.case, stock=stock))


def test_what_is_in_the_van_is_cut_first_and_the_rest_is_bought() -> None:
    """By hand: the two 3.1 mm pieces are 125 × 92 and at most 99 × 61 mm. An offcut of 130 × 100 mm holds one of
    them only; of the 6.2 mm felt there is none, of the foam a whole sheet."""
    fit = stocked(InStock("felt", 3.1, 1, (130.0, 100.0)), InStock("foam", 5.0, 3), InStock("felt", 12.0, 9))
    listed = cutlist_rows(fit, load_materials())
    sheets = [(r["shim"], r["thickness_mm"], r["piece"], r["source"], r["sheets"], r["in_stock"])
              for r in listed if r["kind"] == "sheets"]  # fmt: skip
    assert sheets == [
        ("felt", "3.1", 1, "in stock", 1, 1),
        ("felt", "3.1", 1, "to buy", 1, ""),
        ("felt", "6.2", 2, "to buy", 1, ""),
        ("foam", "5", 1, "in stock", 1, 3),
    ]
    assert [row["sheet"] for row in listed if row["kind"] == "piece" and row["thickness_mm"] == "3.1"] == [1, 2]
    assert buying(fit) == "To buy: 1 sheet of felt 3.1 mm, 1 sheet of felt 6.2 mm."


def test_nothing_to_buy_where_the_van_has_all_and_not_told_where_nobody_said() -> None:
    full = stocked(InStock("felt", 3.1, 2), InStock("felt", 6.2, 2), InStock("foam", 5.0, 2))
    assert buying(full).startswith("Nothing to buy")
    assert "was not told" in buying(example_fit())
    assert {row["source"] for row in cutlist_rows(example_fit(), load_materials()) if row["kind"] == "sheets"} == {""}


def test_pieces_and_totals_do_not_depend_on_the_stock() -> None:
    """What is cut is the set-up's; only where it is cut from changes."""
    bare = cutlist_rows(example_fit(), load_materials())
    told = cutlist_rows(stocked(InStock("felt", 3.1, 1, (130.0, 100.0))), load_materials())
    assert bare[-1] == told[-1]
    drop = ("sheet", "source")
    pieces = [[{k: v for k, v in row.items() if k not in drop} for row in rows if row["kind"] == "piece"]
              for rows in (bare, told)]  # fmt: skip
    assert pieces[0] == pieces[1]
    for rows in (bare, told):
        for key, places in (("area_cm2", 2), ("weight_g", 1)):
            per_sheet = sum(float(str(row[key])) for row in rows if row["kind"] == "sheets")
            assert round(per_sheet, places) == float(str(rows[-1][key]))


def test_offcuts_lie_within_their_own_size() -> None:
    fit = stocked(InStock("felt", 6.2, 2, (130.0, 100.0)))
    parts = shim_parts(fit.pad, best_setup())
    entries = [entry for entry in sheets_needed(parts, fit.case.stock) if entry.thickness_mm == 6.2]
    assert sum(len(entry.pieces) for entry in entries) == 2
    for entry in entries:
        check([parts[i].outline for i in entry.pieces], entry.nesting, ALONG_GRAIN_DEG)


def test_the_printed_table_says_the_totals_of_the_csv(tmp_path: Path) -> None:
    fit = stocked(InStock("felt", 3.1, 1, (130.0, 100.0)))
    (tmp_path / "cutlist.pdf").write_bytes(cut_sheet_pdf(fit))
    text = " ".join(" ".join(pdf_words(tmp_path / "cutlist.pdf")).split())
    write_cutlist(fit, tmp_path / "cutlist.csv")
    total = rows(tmp_path / "cutlist.csv")[-1]
    expected = (
        f"{total['piece']} in all",
        f"{float(total['area_cm2']):.0f} cm²",
        f"{float(total['weight_g']):.0f} g",
        "To buy: 1 sheet of felt 3.1 mm",
        "the van",
        "130 × 100 mm",
        "turned on the sheet, never turned over",
    )
    for words in expected:
        assert words in text


def lie(outlines: list[np.ndarray], nesting: Nesting) -> dict[int, list[Polygon]]:
    sheets: dict[int, list[Polygon]] = {}
    for placed in nesting.placed:
        sheets.setdefault(placed.sheet, []).append(Polygon(placed_outline(outlines[placed.index], placed)))
    return sheets


def check(outlines: list[np.ndarray], nesting: Nesting, turns: tuple[float, ...]) -> None:
    width, height = nesting.sheet_mm
    stock = Polygon([(0, 0), (width, 0), (width, height), (0, height)]).buffer(1e-6)
    assert sorted([p.index for p in nesting.placed] + list(nesting.too_large)) == list(range(len(outlines)))
    assert {p.turn_deg for p in nesting.placed} <= set(turns)
    for shapes in lie(outlines, nesting).values():
        assert all(stock.contains(shape) for shape in shapes)
        assert all(a.distance(b) >= SPACING_MM - 1e-6 for i, a in enumerate(shapes) for b in shapes[:i])


corner = st.tuples(st.floats(0.0, 1.0), st.floats(0.0, 1.0))


@given(
    st.lists(st.tuples(st.floats(20.0, 160.0), st.floats(20.0, 120.0), st.lists(corner, min_size=4, max_size=7)),
             min_size=1, max_size=9),
    st.booleans(),
)  # fmt: skip
@settings(max_examples=25, deadline=None)
def test_nesting_never_overlaps(shapes: list, grain: bool) -> None:
    outlines = []
    for width, height, points in shapes:
        hull = Polygon(np.array(points)).convex_hull if len(points) > 2 else None
        if hull is None or hull.geom_type != "Polygon" or hull.area < 0.1:
            outlines.append(np.array([[0.0, 0.0], [width, 0.0], [width, height], [0.0, height]]))
        else:
            outlines.append(np.asarray(hull.exterior.coords)[:-1] * [width, height])
    turns = ALONG_GRAIN_DEG if grain else ANY_QUARTER_DEG
    check(outlines, nest(outlines, (250.0, 200.0), turns, tries=3), turns)


def test_the_overlap_check_can_fail() -> None:
    outlines = [np.array([[0.0, 0.0], [50.0, 0.0], [50.0, 40.0], [0.0, 40.0]])] * 2
    good = nest(outlines, (250.0, 200.0), ALONG_GRAIN_DEG)
    bad = replace(good, placed=(good.placed[0], replace(good.placed[0], index=1)))
    with pytest.raises(AssertionError):
        check(outlines, bad, ALONG_GRAIN_DEG)


def test_more_pieces_than_one_sheet_holds_go_on_the_next() -> None:
    """Six 100 × 100 squares with 5 mm between on 210 × 210: four to a sheet."""
    square = np.array([[0.0, 0.0], [100.0, 0.0], [100.0, 100.0], [0.0, 100.0]])
    nesting = nest([square] * 6, (210.0, 210.0), ANY_QUARTER_DEG)
    assert nesting.sheets == 2
    assert [sum(p.sheet == i for p in nesting.placed) for i in (0, 1)] == [4, 2]
    check([square] * 6, nesting, ANY_QUARTER_DEG)


def test_exactly_fitting_piece_is_placed() -> None:
    whole = np.array([[0.0, 0.0], [210.0, 0.0], [210.0, 210.0], [0.0, 210.0]])
    nesting = nest([whole, whole * 1.01], (210.0, 210.0), ALONG_GRAIN_DEG)
    assert nesting.too_large == (1,)
    assert nesting.waste == pytest.approx(0.0)


def shelf_mm(outlines: list[np.ndarray], height: float) -> float:
    """Length that a bounding-box shelf packer takes: tallest first, columns filled from the bottom."""
    boxes = sorted((np.ptp(outline, axis=0) for outline in outlines), key=lambda size: -size[0])
    length = y = column = 0.0
    for size in boxes:
        if y > 0 and y + size[1] > height:
            length, y, column = length + column + SPACING_MM, 0.0, 0.0
        y, column = y + size[1] + SPACING_MM, max(column, size[0])
    return length + column


@pytest.mark.parametrize("height", [300.0, 350.0, 500.0])
@pytest.mark.parametrize("turns", [ALONG_GRAIN_DEG, ANY_QUARTER_DEG])
def test_never_more_length_than_a_shelf_of_boxes(height: float, turns: tuple[float, ...]) -> None:
    """Twelve pieces of the invented pad, both layers of every pocket, on one long sheet."""
    pad = example_pad()
    stack = (Layer("felt", 6.2), Layer("felt", 3.1))
    setup = replace(best_setup(), stacks={pocket.name: stack for pocket in pad.pockets})
    outlines = [part.outline for part in shim_parts(pad, setup)]
    nesting = nest(outlines, (2000.0, height), turns, tries=6)
    check(outlines, nesting, turns)
    assert nesting.used_mm[0] <= shelf_mm(outlines, height) + 1e-6


@pytest.mark.parametrize("turns", [ALONG_GRAIN_DEG, pytest.param(ANY_QUARTER_DEG, marks=pytest.mark.accuracy)])
def test_slanted_pieces_save_15_percent_of_the_shelf(turns: tuple[float, ...]) -> None:
    """The same twelve on a strip of 400 mm, along the grain too."""
    pad = example_pad()
    stack = (Layer("felt", 6.2), Layer("felt", 3.1))
    setup = replace(best_setup(), stacks={pocket.name: stack for pocket in pad.pockets})
    outlines = [part.outline for part in shim_parts(pad, setup)]
    nesting = nest(outlines, (2000.0, 400.0), turns)
    check(outlines, nesting, turns)
    assert nesting.used_mm[0] <= 0.85 * shelf_mm(outlines, 400.0)


def test_the_same_pieces_give_the_same_nesting() -> None:
    parts = shim_parts(example_pad(), best_setup())
    first, second = sheets_needed(parts), sheets_needed(parts)
    assert [entry.nesting for entry in first] == [entry.nesting for entry in second]


def yards_pieces() -> tuple[list[np.ndarray], list[np.ndarray]]:
    """Outlines of the 3 mm felt that the demo's two shimmed horses get, told by hand: one long pocket, two short."""
    front = np.array([[-200.0, 40.0], [-15.0, 40.0], [-15.0, 128.0], [-200.0, 128.0]])
    fore = np.array([[-205.0, 37.0], [-112.0, 38.0], [-112.0, 131.0], [-205.0, 138.0]])
    return [front], [fore, fore * [1.0, -1.0]]


def test_the_demos_strip_is_at_least_15_percent_shorter_than_a_shelf_of_boxes() -> None:
    """On the sheets of the yard, 1000 × 500 mm felt without grain; horse by horse, and the whole yard on one sheet."""
    juniper, willow = yards_pieces()
    alone = [nest(pieces, (1000.0, 500.0), ANY_QUARTER_DEG) for pieces in (juniper, willow)]
    shelves = [shelf_mm(pieces, 500.0) for pieces in (juniper, willow)]
    assert sum(n.used_mm[0] for n in alone) <= 0.85 * sum(shelves)
    together = nest(juniper + willow, (1000.0, 500.0), ANY_QUARTER_DEG)
    check(juniper + willow, together, ANY_QUARTER_DEG)
    assert together.used_mm[0] <= 0.85 * shelf_mm(juniper + willow, 500.0)
    # nothing could be shorter: each piece is at least this narrow, whichever way it lies
    for pieces, nesting in ((juniper, alone[0]), (willow, alone[1]), (juniper + willow, together)):
        least = max(min(np.ptp(piece, axis=0)) for piece in pieces)
        assert nesting.used_mm[0] == pytest.approx(least, abs=1e-6)


@pytest.mark.parametrize("height", [300.0, 500.0])
def test_never_more_length_than_a_shelf_of_boxes_laid_the_other_way(height: float) -> None:
    """Where quarter turns are allowed, columns of boxes with their long sides across are a shelf too."""
    fore = yards_pieces()[1]
    pieces = [fore[i % 2] * [1.0, 1.0 - 0.02 * i] for i in range(8)]
    turned = [piece[:, ::-1] for piece in pieces]
    nesting = nest(pieces, (2000.0, height), ANY_QUARTER_DEG, tries=6)
    check(pieces, nesting, ANY_QUARTER_DEG)
    assert nesting.used_mm[0] <= min(shelf_mm(pieces, height), shelf_mm(turned, height)) + 1e-6


def test_with_few_sheets_the_most_is_laid_and_the_rest_is_told() -> None:
    square = np.array([[0.0, 0.0], [100.0, 0.0], [100.0, 100.0], [0.0, 100.0]])
    nesting = nest([square] * 6, (210.0, 210.0), ANY_QUARTER_DEG, most_sheets=1)
    assert nesting.sheets == 1
    assert len(nesting.placed) == 4
    assert len(nesting.left_over) == 2


def test_a_piece_with_a_face_is_turned_but_never_turned_over() -> None:
    """Whoever lays the placed outline back by the turn and move that are told gets the piece itself, not its mirror
    image: for a piece without any symmetry that can be seen from the sign of its area and its corners.
    """
    hook = np.array([[0.0, 0.0], [90.0, 0.0], [90.0, 30.0], [40.0, 30.0], [30.0, 70.0], [0.0, 60.0]])
    pieces = [hook, hook + np.array([5.0, 9.0]), hook * 0.8]
    nesting = nest(pieces, (200.0, 160.0), ANY_QUARTER_DEG)
    for placed in nesting.placed:
        lies, piece = placed_outline(pieces[placed.index], placed), pieces[placed.index]
        a = np.radians(placed.turn_deg)
        turn = np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])
        assert np.linalg.det(turn) == pytest.approx(1.0)
        back = (lies - np.array(placed.move_mm)) @ turn
        assert {tuple(corner) for corner in back.round(6) + 0.0} == {tuple(corner) for corner in piece.round(6) + 0.0}
        assert Polygon(lies).exterior.is_ccw == Polygon(piece).exterior.is_ccw


@pytest.mark.accuracy
@pytest.mark.parametrize("turns", [ALONG_GRAIN_DEG, ANY_QUARTER_DEG])
def test_about_as_short_as_a_strip_packer_with_seconds_to_spare(turns: tuple[float, ...]) -> None:
    """spyrrow (extra `nesting`), six seconds, one worker, one seed, on twelve shims; it keeps the spacing to the
    sheet's edges too, 5 mm at either end. It stops by the clock, so it is a peer here and cuts nothing.
    """
    spyrrow = pytest.importorskip("spyrrow")
    pad, height = example_pad(), 400.0
    stack = (Layer("felt", 6.2), Layer("felt", 3.1))
    parts = shim_parts(pad, replace(best_setup(), stacks={pocket.name: stack for pocket in pad.pockets}))
    outlines = [part.outline - part.outline.min(axis=0) for part in parts]
    items = [spyrrow.Item(str(i), [tuple(p) for p in o], 1, list(turns)) for i, o in enumerate(outlines)]
    config = spyrrow.StripPackingConfig(
        total_computation_time=6, seed=1, num_workers=1, min_items_separation=SPACING_MM
    )
    peer = spyrrow.StripPackingInstance("peer", height + 2 * SPACING_MM, items).solve(config).width - 2 * SPACING_MM
    assert nest(outlines, (2000.0, height), turns).used_mm[0] <= 1.15 * peer
