"""Words and numbers on the sheets: an inch is 25.4 mm (yard and pound agreement, 1959), figures rounded to their
error, names as PRACTICE writes them."""

import math
import re
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shimwright.export import words
from shimwright.optimize.answer import Confidence
from shimwright.optimize.setup import Layer


def read_inches(text: str) -> Fraction:
    """Whole and fraction as a person reads a tape."""
    sign = -1 if text.startswith("-") else 1
    return sign * sum((Fraction(part) for part in text.removeprefix("-").split()), Fraction(0))


@given(st.floats(0.0, 2000.0))
def test_lengths_come_within_half_a_sixteenth(mm: float) -> None:
    inches = read_inches(words.inches(mm))
    assert inches.denominator in (1, 2, 4, 8, 16)
    assert abs(float(inches) * 25.4 - mm) <= 25.4 / 32 + 1e-9


@given(st.floats(0.0, 40.0))
def test_shims_come_within_half_an_eighth_and_keep_their_mm(mm: float) -> None:
    said = words.thickness(mm, "in")
    inches = read_inches(said.split(" in ")[0])
    assert inches.denominator in (1, 2, 4, 8)
    assert abs(float(inches) * 25.4 - mm) <= 25.4 / 16 + 1e-9
    assert f"({mm:.1f}".removesuffix(".0") in said


@pytest.mark.parametrize(("mm", "said"), [(3.175, "1/8"), (6.35, "1/4"), (9.525, "3/8"), (12.7, "1/2"), (25.4, "1")])
def test_steps_of_the_trade(mm: float, said: str) -> None:
    assert words.inches(mm, 8) == said  # 1/8, 1/4, 3/8 in: shim steps of the trade (common practice, no source)


@given(st.floats(-1000.0, 1000.0), st.floats(0.05, 60.0))
def test_no_figure_is_finer_than_its_error(value: float, sd: float) -> None:
    number, error = words.with_error(value, sd, "mm", 0.1).removesuffix(" mm").split(" ± ")
    step = 10.0 ** math.floor(math.log10(max(sd, 0.1)))
    for text in (number, error):
        shown = float(text.replace("−", "-"))
        assert abs(shown / step - round(shown / step)) < 1e-6
    assert float(error) >= sd - 1e-9  # an error is never made smaller
    assert abs(float(number.replace("−", "-")) - value) <= step / 2 + 1e-9


def test_what_is_not_known_is_said() -> None:
    nan = float("nan")
    assert words.with_error(nan, 1.0, "mm") == words.rounded(nan, 1.0) == words.length(nan, "in") == "not seen"
    assert words.plain(nan, "kPa") == "not known"
    assert words.told(None) == words.told("") == "not told"
    assert words.told(False) == "no"


def test_sections_are_named_in_both_units() -> None:
    assert words.behind_withers(-100.0) == "100 mm (4 in) behind the withers"  # PRACTICE §2
    assert words.behind_withers(-0.3) == "at the withers"


@pytest.mark.parametrize(("share", "said"), [(0.82, "8 of 10"), (1.0, "10 of 10"), (0.0, "0 of 10")])
def test_how_sure_counts_re_runs(share: float, said: str) -> None:
    assert said in words.how_sure(Confidence(share, 200, True, None))


def test_a_tie_is_said_to_be_one() -> None:
    assert "cannot be told apart" in words.how_sure(Confidence(0.5, 200, False, None))
    assert "cannot be told apart" not in words.how_sure(Confidence(0.9, 200, True, None))


def test_a_stack_is_its_layers() -> None:
    layers = (Layer("felt", 3.1), Layer("felt", 6.2))
    total, parts = words.stack(layers, "mm").split(" = ")
    assert total == "9.3 mm"
    assert sum(float(part) for part in parts.split(" + ")) == pytest.approx(9.3)


def test_dates_are_written_out() -> None:
    assert words.day("2026-03-07") == "7 March 2026"
    assert words.day(None) is None
    assert not re.search(r"\d{4}-\d{2}", str(words.day("2026-12-31")))
