"""client.pdf: the owner's page, in the order of PRACTICE §7. No kPa here."""

from pathlib import Path

from shimwright.export.before_after import before_and_after
from shimwright.export.owners_words import owners_words
from shimwright.export.picture import for_paper
from shimwright.export.pressure_map import legend, levels_kpa, pressure_map
from shimwright.export.side_view import side_view
from shimwright.export.typesetting import PAPERS, set_pdf
from shimwright.export.view_from_above import view_from_above
from shimwright.export.zone_feel import zone_feels
from shimwright.optimize.answer import Fit

MAP_MM = (34.0, 64.0)
ABOVE_MM = {"mm": 132.0, "in": 122.0}  # Letter is shorter


def write_client(fit: Fit, folder: Path) -> None:
    """Write client.pdf into folder."""
    (folder / "client.pdf").write_bytes(client_pdf(fit))


def client_pdf(fit: Fit) -> bytes:
    words = owners_words(fit)
    levels = levels_kpa(fit, "mounted")
    maps = [
        {
            "name": name,
            "picture": for_paper(pressure_map(contact, contact.cases["mounted"], levels, MAP_MM, zone_feels(contact))),
        }
        for name, contact in before_and_after(fit)
    ]
    pictures = {
        "above": for_paper(view_from_above(fit, 104.0, ABOVE_MM[fit.case.print_units])),
        "seat": for_paper(side_view(fit, 104.0)),
        "maps": maps,
        "legend": for_paper(legend(levels, 74.0, "light", "firm", numbers=False)),
    }
    return set_pdf("client.typ", {**words, **pictures, "paper": PAPERS[fit.case.print_units]}, fit.case.today.date)
