"""Words of the owner's page and the terminal, held against PRACTICE §2, §5 and §7."""

import math
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np
import pypdf
import pytest
from sheet_variants import anyway, vet_first, whole

from shimwright.export import words
from shimwright.export.back_sheet import check_sentence
from shimwright.export.back_words import figure_of, landmarks_table
from shimwright.export.fitters_words import search_rows, setups_table
from shimwright.export.owners_words import found_setup, hand_table, look_again, scan_sources, why
from shimwright.export.side_view import seat_words
from shimwright.export.tack_card import write_tack_card
from shimwright.export.view_from_above import view_from_above
from shimwright.optimize.answer import Finding, HandCheck
from shimwright.optimize.case import PartialSetup
from shimwright.optimize.pad import Pad, StackLimits
from shimwright.optimize.setup import Setup
from shimwright.optimize.verdict import judge_chosen
from shimwright.scan.back import BuildWord
from shimwright.summary import fit_words


def test_a_day_to_look_again_where_a_set_up_is_given() -> None:
    assert look_again(whole()) == ("11 April 2026", "in 4 weeks")  # 14 March and four weeks, in a calendar
    assert "  look again on 11 April 2026" in fit_words("x", whole())


@pytest.mark.parametrize("verdict", ["vet first", "saddle first", "another arch", "padding will not mend this"])
def test_no_day_in_a_calendar_where_something_else_comes_first(verdict: str) -> None:
    fit = replace(vet_first(), verdict=verdict)
    large, note = look_again(fit)
    assert "2026" not in large + note
    assert "week" not in large + note
    assert not any("2026" in line for line in fit_words("x", fit))


def test_a_set_up_asked_for_all_the_same_is_looked_at_after_the_vet() -> None:
    assert look_again(anyway()) == ("after the vet", "then in 4 weeks")


def test_no_pad_is_not_a_pad_without_pockets() -> None:
    bare = Setup("medium", None, {})
    nothing = Pad("no pad", 0.0, None, (), (), (), StackLimits())
    felt = replace(nothing, name="felt", shell_mm=8.0, shell_material="felt")
    assert words.setup(bare, nothing, "mm") == "arch medium; no pad"
    assert words.setup(bare, felt, "mm") == "arch medium; no insert; the pad has no pockets"


def test_what_as_found_means_is_said() -> None:
    fit = whole()
    told = replace(fit.case, today=replace(fit.case.today, worn=PartialSetup(arch="wide")))
    assert found_setup(replace(fit, case=told)).endswith("(as told).")
    untold = replace(fit.case, today=replace(fit.case.today, worn=None))
    assert "not told" in found_setup(replace(fit, case=untold))


def test_an_inch_sheet_has_no_bare_millimetres_in_its_sentences() -> None:
    dipped = Finding("dipped", "back", "none", 98.6, "mm", 2.0, "the back is dipped", "height in the middle")
    light = Finding("bridging", "middle", "both", 4.0, "mm", 1.3, "4 mm of daylight under the middle", "height")
    assert why("A", dipped, "in")[1] == "The back is dipped (3 7/8 in, 99 ± 2 mm)."
    assert why("A", light, "in")[1] == "3/16 in (4 mm) of daylight under the middle (± 2 mm)."
    croup = Finding("croup-high", "back", "none", -2.96, "°", 0.1, "the back is croup-high", "height in front")
    assert why("A", croup)[1] == "The back is croup-high (3.0 ± 0.1°)."  # the word says which way


def test_a_landmark_is_no_finer_than_its_error() -> None:
    back = whole().back
    mark = replace(back.landmarks[0], name="low", position_mm=np.array([-239.0, 0.0, 0.0]), sd_mm=51.0)
    assert landmarks_table(replace(back, landmarks=(mark,)), "mm")[0][:2] == ["lowest point", "240 mm"]
    assert landmarks_table(replace(back, landmarks=(mark,)), "in")[0][1] == "9 in (240 mm)"
    assert landmarks_table(replace(back, landmarks=(mark,)), "mm")[0][4] == "± 60 mm"  # an error is never made smaller


def test_an_even_place_shows_no_gap_and_daylight_does() -> None:
    even = HandCheck("rear", "right", "saddle only", "even", 2.0, 2.0)
    rows = hand_table((even, replace(even, side="left", feel="daylight")), "mm")["rows"]
    assert rows[0]["cells"] == [[["daylight", "2 ± 2 mm"], ["even", ""]]]  # type: ignore[index]


def test_a_limit_broken_by_hand_is_said_in_the_trades_words() -> None:
    chosen = replace(whole().as_found, refused_by=("pitch", "roll"))
    sentence = judge_chosen(whole().as_found, chosen).sentence
    assert sentence == "Not with this set-up: it breaks a limit (tipping forward or back, sitting to one side)."


def test_inches_are_no_finer_than_the_error() -> None:
    for sd_mm, parts in ((1.5, 16), (3.0, 8), (5.0, 4), (10.0, 2), (40.0, 1)):
        said = words.length_with_error(300.5, sd_mm, "in").split(" in (")[0]
        inch = sum(Fraction(part) for part in said.split())
        assert inch.denominator <= parts
        assert abs(float(inch) * 25.4 - 300.5) <= 25.4 / parts / 2 + 1e-9  # an inch is 25.4 mm
        assert 25.4 / parts >= 0.6 * sd_mm or parts == 1


def test_the_most_level_set_up_stands_in_the_table_with_its_figures() -> None:
    fit = whole()
    rows = {row[0]: row[4:] for row in setups_table(replace(fit, tries=(), level_contact=fit.with_setup))}
    assert rows["most level"] == rows["chosen"]
    assert all(any(sign.isdigit() for sign in figure) for figure in rows["most level"])


def test_letters_stay_clear_of_the_words_beside_the_horse() -> None:
    fit = whole()
    sides = [Finding("x", "loin", side, math.nan, "", math.nan, "x", "") for side in ("left", "right", "left")]
    for width_mm, height_mm in ((104.0, 132.0), (66.0, 96.0)):
        picture = view_from_above(replace(fit, findings=tuple(sides)), width_mm, height_mm)
        letters = [label for label in picture.labels if label.text in "ABC"]
        plates = [label for label in picture.labels if label.plate]
        assert len(letters) == 3
        for one in letters:
            assert not any(abs(one.y_mm - p.y_mm) < 3.5 and abs(one.x_mm - p.x_mm) < 16 for p in plates)
            assert all(math.dist((one.x_mm, one.y_mm), (o.x_mm, o.y_mm)) > 4.4 for o in letters if o is not one)


def test_a_tracing_is_not_called_a_scan() -> None:
    back = whole().back
    traced = replace(
        back, source=replace(back.source, told={"traced": True}), quality=replace(back.quality, verdict="good")
    )
    assert check_sentence(traced) == "Good: the tracing can be trusted for choosing."
    assert scan_sources(traced)[0][0] == "Tracing"
    assert scan_sources(back)[0][0] == "Scan"


def test_a_seat_is_said_no_finer_than_the_back_is_level() -> None:
    """A tracing by eye knows which way is up to ± 3° only."""
    fit = whole()
    tipped = replace(fit.as_found.cases["mounted"], pitch_deg=2.6, roll_deg=-0.4)
    frame = replace(fit.back.frame, pitch_sd_deg=0.2, roll_sd_deg=0.2)
    assert seat_words(tipped, frame) == "tips back 2.6°, sits to the left 0.4°"
    assert seat_words(tipped, replace(frame, pitch_sd_deg=3.0, roll_sd_deg=3.0)) == "tips back 3°"


def test_a_word_for_the_build_has_a_figure_no_finer_than_its_error() -> None:
    level = BuildWord("level", "withers over croup, degrees", 0.7, 1.0)
    known, rough = (replace(whole().back.build, uphill_sd_deg=sd) for sd in (0.2, 2.0))
    assert figure_of(level, known)[1] == "0.7°"
    assert figure_of(level, rough)[1] == "1°"


def test_a_told_distance_is_printed_as_told() -> None:
    """45 mm told, ± 10 mm: 40 on paper would be another horse's."""
    back = whole().back
    shoulder = replace(back.landmarks[0], source="told", position_mm=np.array([-45.0, 0.0, 0.0]), sd_mm=10.0)
    row = landmarks_table(replace(back, landmarks=(shoulder,)), "mm")[0]
    assert row[1:3] == ["45 mm", "told"]
    assert row[4] == "± 10 mm"


def test_a_search_that_was_not_exact_says_so_and_a_proof_stays_off_paper() -> None:
    fit = whole()
    assert fit.search is not None
    assert not any("prov" in " ".join(row).lower() for row in search_rows(fit))
    cut_short = replace(fit, search=replace(fit.search, exact=False))
    assert search_rows(cut_short)[-1] == ["Not all of them solved", "a better one is not ruled out"]


def test_nothing_is_called_fitted_before_the_vet(tmp_path: Path) -> None:
    for fit, said in ((whole(), "fitted"), (anyway(), "measured")):
        write_tack_card(fit, tmp_path)
        text = " ".join(page.extract_text() for page in pypdf.PdfReader(tmp_path / "tack-card.pdf").pages)
        assert f"{said} 14 March 2026" in text
