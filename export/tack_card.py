"""tack-card.pdf: a quarter page per horse for the tack room; fold so that the cautions lie behind. Two to a page."""

from collections.abc import Mapping, Sequence
from pathlib import Path

from shimwright.export import words
from shimwright.export.owners_words import COMES_FIRST, names, setup_rows
from shimwright.export.picture import Picture, for_paper
from shimwright.export.typesetting import PAPERS, set_pdf
from shimwright.export.view_from_above import saddle_from_above
from shimwright.optimize.answer import Fit
from shimwright.optimize.case import Case

ROUNDED_KG = 5  # a rider's weight is nobody's business in the tack room


def write_tack_card(fit: Fit, folder: Path) -> None:
    """Write tack-card.pdf into folder."""
    (folder / "tack-card.pdf").write_bytes(tack_card_pdf(fit))


def write_tack_cards(fits: Sequence[Fit], folder: Path) -> None:
    """Write tack-cards.pdf into folder: a yard's cards, two horses to a page. fits: at least one."""
    (folder / "tack-cards.pdf").write_bytes(_set([_card(fit) for fit in fits], "Tack cards", fits[0].case))


def tack_card_pdf(fit: Fit) -> bytes:
    """The same card twice on a page."""
    return _set([_card(fit)] * 2, str(names(fit)["title"]), fit.case)


def _set(cards: Sequence[Mapping[str, object]], title: str, case: Case) -> bytes:
    data = {"title": title, "paper": PAPERS[case.print_units], "cards": list(cards)}
    return set_pdf("tack-card.typ", data, case.today.date)


def _card(fit: Fit) -> dict[str, object]:
    done = "fitted" if fit.setup is not None and fit.verdict not in COMES_FIRST else "measured"
    picture: Picture = saddle_from_above(fit, 88.0, 80.0 if fit.setup is not None else 72.0)
    return {
        **names(fit),
        "verdict": fit.verdict,
        "given": fit.setup is not None,
        "sentence": fit.sentence,
        "setup": setup_rows(fit)[:2],
        "saddle": fit.saddle.name,
        "pad": fit.pad.name,
        "fitted": f"{done} {words.day(fit.case.today.date) or '(date not told)'}",
        "rider": rider(fit),
        "picture": for_paper(picture),
        "cautions": [words.in_units(line, fit.case.print_units) for line in fit.cautions],
    }


def rider(fit: Fit) -> str:
    """`for a rider of about 70 kg`, to 5 kg, and whether that was told."""
    kg = ROUNDED_KG * round(fit.case.rider.weight_kg / ROUNDED_KG)
    pounds = f" ({round(kg / 0.45359237 / 10) * 10:.0f} lb)" if fit.case.print_units == "in" else ""
    return f"for a rider of about {kg} kg{pounds}" + ("" if fit.case.rider.weight_told else ", assumed")
