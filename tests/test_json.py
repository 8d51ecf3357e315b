"""back.json and fit.json: the keys of the published shape, null for what is not known, the same bytes every time."""

import json
from dataclasses import replace

import numpy as np
import pytest
from fit_fixture import best_setup, example_back, example_fit

from shimwright.export.back_json import back_to_json
from shimwright.export.fit_json import fit_to_json
from shimwright.export.plain_json import json_line, json_text
from shimwright.optimize.case import ZONES
from shimwright.scan.back import Back

BACK_KEYS = {
    "": "schema made_by scan frame landmarks topline midline stations build quality surface",
    "scan": "file sha256 date horse told",
    "frame": "origin_scan forward_scan left_scan up_scan mm_per_unit unit_source up_source head_source mirrored"
    " heading_sd_deg pitch_sd_deg roll_sd_deg",
    "build": "uphill_deg uphill_sd_deg dip_mm dip_sd_mm dip_x_mm bearing_left_deg bearing_right_deg hollow_left_mm"
    " hollow_right_mm usable_left_mm usable_right_mm words",
    "quality": "verdict points spacing_mm noise_mm seen_under_saddle double_surface_mm scale_check messages",
    "surface": "x_mm phi_deg axis_y_mm axis_z_mm radius_mm sd_mm",
}
LANDMARK_KEYS = "name position_mm position_scan source kind sd_mm"
STATION_KEYS = (
    "x_mm slope_left_deg slope_right_deg slope_sd_deg half_width_left_mm half_width_right_mm half_width_sd_mm"
    " area_difference_cm2 area_difference_sd_cm2 seen section"
)
FIT_KEYS = (
    "schema made_by inputs verdict sentence setup level_setup cases second_opinion tries runners_up search confidence"
    " flocking_mm findings hand_checks take_out cautions recheck_on"
)
CASE_KEYS = (
    "pitch_deg roll_deg vertical_n side_n left_share bridged_share contact_area_cm2 mean_kpa peak_kpa unevenness zones"
    " clearance_mm strain proof"
)


@pytest.fixture(scope="module")
def back() -> Back:
    return example_back()


def reread(document: dict[str, object]) -> dict:
    def no_constant(word: str) -> None:
        raise ValueError(f"{word} is no JSON")

    return json.loads(json_text(document), parse_constant=no_constant)


def test_back_has_the_published_keys(back: Back) -> None:
    document = reread(back_to_json(back))
    assert document["schema"] == "shimwright/back/1"
    for place, keys in BACK_KEYS.items():
        assert set(keys.split()) <= set(document if place == "" else document[place]), place
    assert all(set(LANDMARK_KEYS.split()) <= set(mark) for mark in document["landmarks"])
    assert len(document["stations"]) == 13
    assert [row["x_mm"] for row in document["stations"]] == [-50.0 * i for i in range(13)]
    assert all(set(STATION_KEYS.split()) <= set(row) for row in document["stations"])
    assert set(document["stations"][0]["half_width_left_mm"]) == {"30", "50", "100", "150"}


@pytest.mark.parametrize(("mm_per_unit", "mirrored"), [(1.0, False), (1000.0, False), (25.4, True), (0.5, True)])
def test_scan_positions_follow_the_published_formula(back: Back, mm_per_unit: float, mirrored: bool) -> None:
    """DESIGN §13: position_mm = mm_per_unit · [forward; left; up](scan − origin), after un-mirroring (first axis)."""
    frame = replace(back.frame, mm_per_unit=mm_per_unit, mirrored=mirrored, origin_scan=np.array([12.3, -4.5, 1.6]))
    document = reread(back_to_json(replace(back, frame=frame)))
    told = document["frame"]
    axes = np.array([told["forward_scan"], told["left_scan"], told["up_scan"]])
    for mark in document["landmarks"]:
        scan = np.array(mark["position_scan"]) * ([-1.0, 1.0, 1.0] if mirrored else [1.0, 1.0, 1.0])
        position = told["mm_per_unit"] * axes @ (scan - np.array(told["origin_scan"]))
        assert np.allclose(position, mark["position_mm"], atol=0.03)


def test_surface_is_every_10_mm_and_null_where_not_seen(back: Back) -> None:
    surface = reread(back_to_json(back))["surface"]
    assert set(np.diff(surface["x_mm"])) == {10.0}
    assert 0.0 in surface["x_mm"]
    assert 0.0 in surface["phi_deg"]
    radius = np.array(surface["radius_mm"], dtype=object)
    assert radius.shape == (len(surface["x_mm"]), len(surface["phi_deg"]))
    assert radius[3, 0] is None  # the flank's lowest edge was not seen
    assert surface["sd_mm"][3][0] is None
    i, j = surface["x_mm"].index(-200.0), surface["phi_deg"].index(30.0)
    truth = float(back.surface.radius(np.array(-200.0), np.radians(np.array(30.0))))
    assert radius[i, j] == pytest.approx(truth, abs=0.01)


def test_topline_runs_from_withers_to_croup_every_10_mm(back: Back) -> None:
    rows = np.array(reread(back_to_json(back))["topline"])
    assert rows[0, 0] == 0.0
    assert rows[-1, 0] == -800.0
    assert set(np.diff(rows[:, 0])) == {-10.0}
    assert rows[39, 1] == pytest.approx(float(back.midline.at(-390.0)[1]), abs=0.01)


def test_not_known_is_null(back: Back) -> None:
    document = reread(back_to_json(back))
    assert document["build"]["hollow_right_mm"] is None
    assert document["quality"]["double_surface_mm"] is None
    sections = list(back.stations.sections)
    sections[2] = np.vstack([sections[2][:5], [[np.nan, np.nan]], sections[2][5:]])
    gapped = replace(back, stations=replace(back.stations, sections=tuple(sections)))
    assert reread(back_to_json(gapped))["stations"][2]["section"][5] == [None, None]


def test_fit_has_the_published_keys() -> None:
    document = reread(fit_to_json(example_fit(), {"scan": {"file": "linnet.ply", "sha256": "ab" * 32}}))
    assert document["schema"] == "shimwright/fit/1"
    assert set(FIT_KEYS.split()) <= set(document)
    assert document["inputs"]["scan"]["file"] == "linnet.ply"
    assert {"saddle_only", "girthed", "mounted", "trot"} <= set(document["cases"])
    for case in document["cases"].values():
        for which in ("as_found", "with_setup"):
            assert set(CASE_KEYS.split()) <= set(case[which])
            assert set(case[which]["zones"]) == set(ZONES)
            assert set(case[which]["clearance_mm"]) == {"withers_above", "withers_left", "withers_right", "channel"}
            assert set(case[which]["proof"]) == {"force_n", "moment_nmm", "complementarity"}
    assert set(document["search"]) == {
        "setups",
        "feasible",
        "refused_by",
        "excluded_by_bounds",
        "solved",
        "cost",
        "exact",
    }
    assert set(document["confidence"]) == {"share", "draws", "told_apart", "sensitive_to"}
    keys = {"code", "place", "side", "value", "unit", "sd", "words", "helps"}
    assert all(set(finding) == keys for finding in document["findings"])
    assert all(set(c) == {"place", "side", "state", "feel", "gap_mm", "sd_mm"} for c in document["hand_checks"])


def test_stacks_are_written_from_the_horse_outward() -> None:
    pockets = reread(fit_to_json(example_fit()))["setup"]["pockets"]
    assert pockets["middle_left"] == {
        "layers": [{"shim": "felt", "thickness_mm": 6.2}, {"shim": "felt", "thickness_mm": 3.1}],
        "layers_mm": [6.2, 3.1],
        "height_mm": 9.3,
    }
    assert pockets["rear_left"] == {"layers": [], "layers_mm": [], "height_mm": 0}
    assert list(pockets) == list(best_setup().stacks)


def test_an_answer_without_setup_is_written_too() -> None:
    fit = replace(example_fit(), setup=None, with_setup=None, confidence=None, search=None, second_opinion=None)
    document = reread(fit_to_json(replace(fit, recheck_on=None)))
    assert document["setup"] is None
    assert document["cases"]["mounted"]["with_setup"] is None
    assert document["recheck_on"] is None


def test_the_same_answer_gives_the_same_bytes() -> None:
    assert json_text(fit_to_json(example_fit())) == json_text(fit_to_json(example_fit()))
    assert json_text(back_to_json(example_back())) == json_text(back_to_json(example_back()))
    assert "\n" not in json_line(fit_to_json(example_fit()))
