"""The page shows the numbers of `fit`, moves landmarks as a survey would, and draws what was measured."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from page_client import YARD, unpacked

from shimwright.case_file import CaseFile, read_case
from shimwright.fit import back_of
from shimwright.optimize.fit import prepared
from shimwright.optimize.limits import limits
from shimwright.optimize.materials import tissue
from shimwright.optimize.setup import Layer, Setup
from shimwright.page import pictures, place_told, said
from shimwright.page.fitting import LIVE_NODES, SHOWN, Fitting, laid_out, setup_from
from shimwright.page.frames import framed
from shimwright.scan.back import Back
from shimwright.scan.refusal import InputRefused, WrongUse
from shimwright.scan.remark import along_back, on_back, remarked, told_with


def quiet(_: str) -> None:
    pass


@pytest.fixture(scope="module")
def case() -> CaseFile:
    return read_case(YARD / "horses" / "juniper" / "case.toml")


@pytest.fixture(scope="module")
def back(case: CaseFile) -> Back:
    return back_of(case, quiet)


@pytest.fixture(scope="module")
def fitting(case: CaseFile, back: Back) -> Fitting:
    return laid_out(case, back, quiet)


@pytest.fixture(scope="module")
def tried(fitting: Fitting) -> Setup:
    stacks = {**fitting.found.setup.stacks, "front_left": (Layer("felt sheet", 6.0),)}
    return replace(fitting.found.setup, stacks=stacks)


def test_a_set_up_tried_here_has_the_figures_that_fit_gives_it(case, back, fitting, tried) -> None:
    """`fit` judges a [[try]] by the same model on the same grid: every figure equal, to the bit."""
    job = prepared(back, case.saddle, case.pad, case.case)
    theirs = job.on(tried, job.on(job.found_setup, None))
    mine = fitting.settled(tried)
    assert mine.refused_by == theirs.refused_by
    assert mine.cost == theirs.cost
    for name, there in theirs.cases.items():
        here = mine.cases[name]
        assert (here.pitch_deg, here.roll_deg, here.peak_kpa) == (there.pitch_deg, there.roll_deg, there.peak_kpa)
        assert np.array_equal(here.pressure_kpa, there.pressure_kpa, equal_nan=True)


def test_the_live_figures_are_near_the_exact_ones(fitting, tried) -> None:
    """A coarser grid of the same model; the page shows the exact ones a moment later."""
    live, exact = fitting.live(tried).cases[SHOWN], fitting.settled(tried).cases[SHOWN]
    assert 0.8 * LIVE_NODES < live.pressure_kpa.size < 1.4 * LIVE_NODES
    assert live.pitch_deg == pytest.approx(exact.pitch_deg, abs=0.1)
    assert live.roll_deg == pytest.approx(exact.roll_deg, abs=0.1)
    assert live.mean_kpa == pytest.approx(exact.mean_kpa, rel=0.03)
    assert live.peak_kpa == pytest.approx(exact.peak_kpa, rel=0.08)


def test_a_field_is_what_was_solved(fitting, tried) -> None:
    contact = fitting.live(tried)
    message = unpacked(pictures.field_frame(fitting, contact, "now", 7))
    mounted = contact.cases[SHOWN]
    assert message["serial"] == 7
    assert np.array_equal(message["pressure"], mounted.pressure_kpa.astype("f4"), equal_nan=True)
    assert message["top_kpa"] >= np.nanpercentile(mounted.pressure_kpa, 99.5)
    # every foot lies on the scanned surface: its distance along the surface's own normal is nil
    feet = message["feet"].reshape(-1, 3)[:, [2, 0, 1]].astype(float)
    seen = np.isfinite(feet).all(axis=1)
    x, phi, _ = fitting.back.surface.polar(feet[seen])
    assert np.linalg.norm(fitting.back.point(x, phi) - feet[seen], axis=1).max() < 0.05


def test_the_back_drawn_is_the_back_measured(back) -> None:
    points, normals, triangles = pictures.back_mesh(back)
    a, b, c = (points[triangles[:, k]] for k in range(3))
    facing = np.einsum("ij,ij->i", np.cross(b - a, c - a), normals[triangles[:, 0]])
    assert (facing > 0).mean() > 0.999  # counter-clockwise from outside
    lines = pictures.section_lines(back)
    assert {round(float(line[0, 0])) for line in lines} <= {-50 * k for k in range(13)}
    message = unpacked(pictures.back_frame(back))
    assert message["starts"][-1] * 3 == message["lines"].size


@pytest.mark.parametrize("place", ["shoulder_left", "last_rib_right", "saddle_front_left"])
def test_a_moved_landmark_measures_as_a_survey_with_that_mark(case, back, place) -> None:
    """The whole survey of the file with the same point marked is the standard."""
    start = back.landmark(place)
    x = float(start.position_mm[0]) - 12.0 if start is not None else -95.0
    spot = along_back(back, place, x)
    mine = remarked(back, place, spot)
    mark = mine.landmark(place)
    assert mark is not None
    theirs = back_of(replace(case, told=told_with(case.told, back, place, mark.position_mm)), quiet)
    assert mark.position_mm == pytest.approx(theirs.landmark(place).position_mm, abs=0.01)
    assert mine.build.usable_mm == pytest.approx(theirs.build.usable_mm, abs=0.02)
    assert mine.build.hollow_mm == pytest.approx(theirs.build.hollow_mm, abs=0.02)
    assert {(m.name, m.source) for m in mine.landmarks} == {(m.name, m.source) for m in theirs.landmarks}
    assert [word.word for word in mine.build.words] == [word.word for word in theirs.build.words]
    figures = ([word.value for word in build.words] for build in (mine.build, theirs.build))
    assert next(figures) == pytest.approx(next(figures), abs=0.02)


def test_a_landmark_off_the_back_or_on_the_other_side_is_refused(back) -> None:
    with pytest.raises(InputRefused, match="no back"):
        on_back(back, np.array([-200.0, 0.0, 300.0]))
    with pytest.raises(InputRefused, match="right of the spine"):
        remarked(back, "shoulder_left", along_back(back, "shoulder_right", -60.0))
    with pytest.raises(WrongUse, match="withers"):
        remarked(back, "withers", along_back(back, "low", -10.0))


def test_layers_at_a_place_add_up_to_what_the_contact_pressed(fitting, tried) -> None:
    """Closed form: the compression of every layer named and of the tissue is the approach at that node."""
    contact = fitting.live(tried)
    under = fitting.bench(tried.arch)
    mounted = contact.cases[SHOWN]
    node = int(np.nanargmax(np.where(contact.side > 0, mounted.pressure_kpa, np.nan)))
    told = place_told.told_at(fitting, contact, under.feet_mm[node], "mm")
    rows = dict(told["rows"])  # type: ignore[arg-type]
    assert told["title"].endswith(", left")  # type: ignore[union-attr]
    assert f"{mounted.pressure_kpa[node]:.0f}" in rows["Pressure"]
    squeezed = mounted.pressure_kpa[node] / tissue().stiffness_kpa_per_mm
    for name, what in rows.items():
        if "pressed" in what:
            thick, strain = what.split(" mm, pressed ")
            squeezed += float(thick) * float(strain.rstrip(" %")) / 100
            assert name
    assert squeezed == pytest.approx(-mounted.gap_mm[node], abs=0.5)  # strains are told in whole percents


def test_beside_the_saddle_the_back_itself_is_told(fitting) -> None:
    spot = along_back(fitting.back, "shoulder_left", 40.0)
    told = place_told.told_at(fitting, fitting.live(fitting.found.setup), spot, "in")
    rows = dict(told["rows"])  # type: ignore[arg-type]
    assert told["title"] == "Beside the saddle"
    assert "in front of the withers" in rows["Where"]
    assert rows["From the spine"].endswith("left")
    # independent: slope from two points of the section 10 mm apart
    x, phi, _ = fitting.back.surface.polar(spot[None])
    a, b = (fitting.back.point(x, phi + d)[0] for d in (-0.02, 0.02))
    slope = np.degrees(np.arctan2(a[2] - b[2], b[1] - a[1]))
    assert float(rows["The back falls away"].rstrip("°")) == pytest.approx(slope, abs=1.5)


def test_a_finding_lights_up_its_own_place(fitting) -> None:
    contact = fitting.live(fitting.found.setup)
    for finding in said.findings_of(fitting, contact):
        nodes, rings, hand = place_told.lit(fitting, contact, finding)
        assert hand.endswith(".")
        if finding.place in ("front", "middle", "rear"):
            third = ("front", "middle", "rear").index(finding.place)
            along = contact.along[nodes]
            assert nodes.any()
            assert ((along >= third / 3) & (along <= (third + 1) / 3)).all()
        if finding.side in ("left", "right") and nodes.any():
            assert (contact.side[nodes] == (1 if finding.side == "left" else -1)).all()
        assert nodes.any() or rings or finding.place in ("horse", "back")


def test_words_of_the_page_are_those_of_the_paper(fitting, tried) -> None:
    rows = dict(said.figures(fitting.back, fitting.settled(tried), "mm"))
    mounted = fitting.settled(tried).cases[SHOWN]
    assert rows["Carries"] == f"{100 * (1 - mounted.bridged_share):.0f} % of the panel"
    assert f"(line {limits().pressure.peak_kpa:g})" in rows["Hardest place"]
    text = str(said.hand_rows(fitting, fitting.settled(tried), "in")) + str(rows)
    for word in ("pitch", "roll", "cost", "unevenness", "nan", "stand"):
        assert word not in text


def test_what_a_page_may_ask_for(fitting) -> None:
    job = fitting.job
    empty = {name: [] for name in job.found_setup.stacks}
    asked = {"arch": "wide", "insert": "mesh 7", "pockets": {**empty, "rear_left": [["felt sheet", 3.0]]}}
    assert setup_from(asked, job).stacks["rear_left"] == (Layer("felt sheet", 3.0),)
    with pytest.raises(WrongUse, match="not in the pad's stock"):
        setup_from({**asked, "pockets": {**empty, "rear_left": [["felt sheet", 4.0]]}}, job)
    with pytest.raises(WrongUse, match="arch 'golden'"):
        setup_from({**asked, "arch": "golden"}, job)
    with pytest.raises(WrongUse, match="without its pockets"):
        setup_from({}, job)


def test_frames_are_read_back_whole() -> None:
    arrays = {"a": np.array([1.5, np.nan]), "b": np.arange(3), "c": np.array([True, False])}
    message = unpacked(framed("x", {"word": "Schäfer · 3°"}, arrays))
    assert message["word"] == "Schäfer · 3°"
    assert message["b"].tolist() == [0, 1, 2]
    assert np.isnan(message["a"][1])
    assert Path(message["t"]) == Path("x")
