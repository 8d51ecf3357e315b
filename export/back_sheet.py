"""sheet.pdf of `measure`: the scan check first, then the back in pictures and figures."""

import math
from pathlib import Path

import numpy as np

from shimwright.export import words
from shimwright.export.back_words import build_table, figure_of, landmarks_table, stations_table
from shimwright.export.cross_section import bare_section
from shimwright.export.owners_words import made, scan_sources
from shimwright.export.picture import for_paper
from shimwright.export.side_view import back_from_side
from shimwright.export.typesetting import PAPERS, set_pdf
from shimwright.export.view_from_above import back_from_above
from shimwright.optimize.cautions import standing_cautions
from shimwright.scan.back import Back, Build, BuildWord

SCANNING = (
    "Scan with a handler at the head on the same side, nobody behind, no bright projector at the eyes; stop if it "
    "worries. Standing is a guide: the back lifts and widens in work and hollows under weight."
)
SECTIONS_MM = (0.0, -100.0, -200.0, -300.0, -400.0, -500.0)


def write_back_sheet(back: Back, folder: Path, print_units: str = "mm") -> None:
    """Write sheet.pdf into folder."""
    (folder / "sheet.pdf").write_bytes(back_sheet_pdf(back, print_units))


def back_sheet_pdf(back: Back, print_units: str = "mm") -> bytes:
    horse = back.source.horse or Path(back.source.file).stem
    sections = [
        {"name": section_name(back, x), "picture": for_paper(bare_section(back, x, 58.0))}
        for x in SECTIONS_MM
        if back.surface.x_mm[0] <= x <= back.surface.x_mm[-1]
    ]
    data = {
        "title": f"{horse}: the back as measured",
        "paper": PAPERS[print_units],
        "horse": horse,
        "who": " · ".join(part for part in (back.source.file, words.day(back.source.date)) if part),
        "check": check_sentence(back),
        "messages": messages(back),
        "quality": quality_rows(back),
        "above": for_paper(back_from_above(back, 96.0, 138.0)),
        "side": for_paper(back_from_side(back, 182.0)),
        "sections": sections,
        "words": [word_row(word, back.build) for word in back.build.words],
        "build": build_table(back, print_units),
        "stations": stations_table(back, print_units),
        "landmarks": landmarks_table(back, print_units),
        "sources": scan_sources(back),
        "cautions": [SCANNING, *standing_cautions()],
    }
    return set_pdf("back.typ", data, back.source.date)


def section_name(back: Back, x_mm: float) -> str:
    """Where it lies, and that nothing of it was seen."""
    seen = np.isfinite(back.section(x_mm)).any()
    return words.behind_withers(x_mm) + ("" if seen else f", {words.NOT_SEEN}")


def check_sentence(back: Back) -> str:
    """One word and what it is good for."""
    what = made(back).lower()
    return {
        "good": f"Good: the {what} can be trusted for choosing.",
        "usable": "Usable: mind what stands below.",
        "rescan": f"Rescan: this {what} should not decide anything.",
    }.get(back.quality.verdict, back.quality.verdict)


def messages(back: Back) -> list[list[str]]:
    """Number in the picture (or a dash) and the line of the scan check."""
    rows, number = [], 0
    for message in back.quality.messages:
        number += message.place_mm is not None
        text = message.text[:1].upper() + message.text[1:]
        rows.append([str(number) if message.place_mm is not None else "–", text.rstrip(".") + "."])
    return rows


def quality_rows(back: Back) -> list[list[str]]:
    """Figures of the scan check."""
    q = back.quality
    seen = f"{100 * q.seen_under_saddle:.0f} %" if math.isfinite(q.seen_under_saddle) else "not known"
    scale = (
        f"told {q.scale_told_mm:.0f} mm, measured {q.scale_measured_mm:.1f} mm"
        if math.isfinite(q.scale_told_mm) and math.isfinite(q.scale_measured_mm)
        else words.NOT_TOLD
    )
    double = f"{q.double_surface_mm:.0f} mm apart" if math.isfinite(q.double_surface_mm) else "none seen"
    frame = back.frame
    return [
        ["Points", f"{q.points:,}".replace(",", " ")],
        ["Spacing, noise", f"{q.spacing_mm:.1f} mm, {q.noise_mm:.1f} mm"],
        ["Seen under the saddle", seen],
        ["Two surfaces", double],
        ["Scale check", scale],
        ["Unit", frame.unit_source],
        ["Up", frame.up_source if frame.gravity else "from the shape: tilt against gravity is not known"],
        ["Head", frame.head_source],
    ]


def word_row(word: BuildWord, build: Build) -> list[str]:
    """The word, its figure and the limit that earned it, both in the figure's unit."""
    name, value, limit = figure_of(word, build)
    return [word.word, f"{name}: {value} (limit {limit})"]
