"""Sheets in the words of the saddle's trade and in the units that were asked for (PRACTICE §2)."""

import re
from dataclasses import replace
from pathlib import Path

import pytest
from fit_fixture import example_fit
from reopen import pdf_words

from shimwright.export.client_sheet import client_pdf
from shimwright.export.cut_sheet import cut_sheet_pdf
from shimwright.export.fitter_sheet import fitter_pdf
from shimwright.export.html_sheet import client_html
from shimwright.optimize.answer import Fit

SHEETS = {"client": client_pdf, "fitter": fitter_pdf, "cut list": cut_sheet_pdf}
# in mm all the same: a section says both, an error stands behind its figure, a window is a definition
MM_ALONE = (
    r"\d+ mm \(\d+ in\)", r"± \d+(?:\.\d)? mm", r"25 × 25 mm", r"that many mm", r"100 mm down", r"mm below",
    r"\d+ ± \d+(?:\.\d)? mm", r"\d/\d+ \d+(?:\.\d)? mm", r"noise \d+\.\d mm",
)  # fmt: skip


def text_of(pdf: bytes, folder: Path) -> str:
    (folder / "sheet.pdf").write_bytes(pdf)
    return " ".join(" ".join(pdf_words(folder / "sheet.pdf")).split())


def western(fit: Fit) -> Fit:
    return replace(fit, saddle=replace(fit.saddle, style="western"))


@pytest.mark.parametrize("name", ["client", "fitter"])
def test_a_western_saddle_has_bars_and_a_cinch(name: str, tmp_path: Path) -> None:
    english = text_of(SHEETS[name](example_fit()), tmp_path)
    assert re.search(r"\bpanels?\b", english)
    said = text_of(SHEETS[name](western(example_fit())), tmp_path)
    assert not re.search(r"\b(panels?|girth\w*)\b", said)
    assert re.search(r"\bbars?\b", said)


def test_the_page_says_bar_too() -> None:
    page = re.sub(r"<(script|style)\b.*?</\1>", "", client_html(western(example_fit())), flags=re.DOTALL)
    prose = re.sub(r"<[^>]*>", " ", page)
    assert "under the bar front to rear" in prose
    assert "under the panel" not in prose


@pytest.mark.parametrize("name", SHEETS)
def test_no_length_is_in_mm_alone_where_inches_were_asked(name: str, tmp_path: Path) -> None:
    fit = example_fit()
    fit = replace(fit, case=replace(fit.case, print_units="in"))
    text = text_of(SHEETS[name](fit), tmp_path)
    assert " in (" in text
    for pattern in MM_ALONE:
        text = re.sub(pattern, "", text)
    text = re.sub(r"\([^()]*mm\)", "", text)  # mm beside the inches
    lone = [found[0] for found in re.finditer(r".{0,40}\d mm\b.{0,20}", text) if not re.search(r"\d in\b", found[0])]
    assert not lone
