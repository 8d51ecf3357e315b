"""Words of the owner's page and the terminal, held against PRACTICE §2, §5 and §7."""

from dataclasses import replace

import pytest
from sheet_variants import anyway, vet_first, whole

from shimwright.export.owners_words import look_again
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
