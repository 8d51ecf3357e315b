"""fitter.pdf: sections with figures, pressures with the published lines, second opinion, rivals, inputs, cut table."""

from math import isfinite
from pathlib import Path

from shimwright.export import fitters_words as fitters
from shimwright.export import words
from shimwright.export.back_words import build_table, landmarks_table, stations_table
from shimwright.export.before_after import before_and_after
from shimwright.export.cross_section import cross_section
from shimwright.export.cutlist import buying, cut_table, sheets_table
from shimwright.export.owners_words import how_sure, names, scan_sources
from shimwright.export.picture import for_paper
from shimwright.export.pressure_map import legend, levels_kpa, pressure_map
from shimwright.export.typesetting import PAPERS, set_pdf
from shimwright.export.view_from_above import view_from_above
from shimwright.export.words import NOT_SEEN, behind_withers
from shimwright.optimize.answer import CaseResult, Fit
from shimwright.optimize.trade_words import said

SECTION_MM, MAP_MM = (88.0, 38.0), (52.0, 96.0)


def write_fitter(fit: Fit, folder: Path) -> None:
    """Write fitter.pdf into folder."""
    (folder / "fitter.pdf").write_bytes(fitter_pdf(fit))


def fitter_pdf(fit: Fit) -> bytes:
    return set_pdf("fitter.typ", {**_words(fit), **_pictures(fit)}, fit.case.today.date)


def section_places(fit: Fit) -> list[tuple[str, float]]:
    """Named sections under the saddle: (name, x): under the arch, lowest point, last rib (or the panel's end)."""
    x = fit.as_found.nodes_mm[:, 0]
    front, rear = float(x.max()), float(x.min())
    low = fit.back.landmark("low")
    rib = fit.back.landmark("last_rib_left") or fit.back.landmark("last_rib_right")
    middle = float(low.position_mm[0]) if low is not None else (front + rear) / 2
    last = float(rib.position_mm[0]) if rib is not None else rear + 20.0
    places = [
        ("under the arch", front - min(50.0, fit.saddle.arch_length_mm / 2)),
        (
            "lowest point" if low is not None else said("middle of the panels", fit.saddle.style),
            min(max(middle, rear + 60), front - 60),
        ),
        (
            "last rib" if rear < last < front else said("rear of the panels", fit.saddle.style),
            min(max(last, rear + 15), front - 15),
        ),
    ]
    return [(f"{name}, {behind_withers(at)}", at) for name, at in places]


def zone_figures(result: CaseResult) -> dict[str, str]:
    """Zone → mean and peak, kPa, for the map."""
    return {
        name: f"{zone.mean_kpa:.0f}\n{zone.peak_kpa:.0f}" if isfinite(zone.mean_kpa + zone.peak_kpa) else NOT_SEEN
        for name, zone in result.zones.items()
    }


def _words(fit: Fit) -> dict[str, object]:
    units = fit.case.print_units
    return {
        **names(fit),
        "paper": PAPERS[units],
        "panel": said("panel", fit.saddle.style),
        "girthed": said("girthed", fit.saddle.style),
        "units": units,
        "sentence": fit.sentence,
        "sure": how_sure(fit),
        "above_name": "the set-up" if fit.setup is not None else "the saddle as found",
        "setups": fitters.setups_table(fit),
        "cases": fitters.cases_table(fit),
        "zones": [{"case": case, "rows": fitters.zones_table(fit, case)} for case in ("mounted", "trot")],
        "line_words": fitters.published_lines()["words"],
        "arch": fitters.arch_rows(fit),
        "clearance": fitters.clearance_table(fit),
        "second": fitters.second_opinion_rows(fit),
        "search": fitters.search_rows(fit) + fitters.sure_rows(fit),
        "limits": fitters.limits_rows(fit),
        "findings": fitters.findings_rows(fit),
        "flocking": fitters.flocking_rows(fit),
        "stations": stations_table(fit.back, units),
        "landmarks": landmarks_table(fit.back, units),
        "build": build_table(fit.back, units),
        "inputs": fitters.inputs_rows(fit),
        "sources": scan_sources(fit.back),
        "cut": [list(row) for row in cut_table(fit)],
        "sheets": [list(row) for row in sheets_table(fit)],
        "buying": buying(fit),
        "cautions": [words.in_units(line, units) for line in fit.cautions],
    }


def _pictures(fit: Fit) -> dict[str, object]:
    levels = levels_kpa(fit, "mounted")
    maps = [
        {
            "name": name,
            "picture": for_paper(pressure_map(c, c.cases["mounted"], levels, MAP_MM, zone_figures(c.cases["mounted"]))),
        }
        for name, c in before_and_after(fit)
    ]
    sections = [
        {
            "name": name,
            "pictures": [
                {"name": who, "picture": for_paper(cross_section(fit, c, "mounted", x, SECTION_MM))}
                for who, c in before_and_after(fit)
            ],
        }
        for name, x in section_places(fit)
    ]
    return {
        "maps": maps,
        "sections": sections,
        "legend": for_paper(legend(levels, 120.0, "", "kPa", numbers=True)),
        "above": for_paper(view_from_above(fit, 66.0, 96.0)),
    }
