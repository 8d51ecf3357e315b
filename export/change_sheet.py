"""change.pdf: what changed between visits, whether the set-up still serves, and what comes out when."""

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from shimwright.export import change_words, words
from shimwright.export.change_map import change_legend, change_map, levels_of, over_time
from shimwright.export.picture import for_paper
from shimwright.export.typesetting import PAPERS, set_pdf
from shimwright.optimize.cautions import standing_cautions
from shimwright.optimize.pad import Pad
from shimwright.optimize.still_serves import Serves
from shimwright.scan.back import Back
from shimwright.scan.change import SECTIONS_MM, Change, Measure

CHARTS = (
    ("hollow under a straight-edge", None),
    ("angle below horizontal", SECTIONS_MM[0]),
    ("width 100 mm down", SECTIONS_MM[1]),
    ("left falls away more", SECTIONS_MM[1]),
    ("dip", None),
    ("withers over croup", None),
)


def write_change_sheet(
    folder: Path,
    backs: Sequence[Back],
    changes: Sequence[tuple[int, int, Change]],
    rows: Sequence[Sequence[Measure]],
    serves: tuple[Serves, Pad] | None,
    cautions: Sequence[str],
    print_units: str = "mm",
) -> None:
    """Write change.pdf into folder. changes: first to last first. rows: measures of each visit."""
    data = sheet_data(backs, changes, rows, serves, cautions, print_units)
    (folder / "change.pdf").write_bytes(set_pdf("change.typ", data, backs[-1].source.date))


def sheet_data(
    backs: Sequence[Back],
    changes: Sequence[tuple[int, int, Change]],
    rows: Sequence[Sequence[Measure]],
    serves: tuple[Serves, Pad] | None,
    cautions: Sequence[str],
    print_units: str,
) -> dict[str, object]:
    names = [change_words.visit_name(back, k) for k, back in enumerate(backs)]
    horse = backs[-1].source.horse or Path(backs[-1].source.file).stem
    whole = changes[0][2]
    levels = levels_of([change for _, _, change in changes])
    beyond, same = change_words.change_rows(whole)
    width = 108.0 if len(changes) == 1 else 84.0
    return {
        "title": f"{horse}: what changed",
        "paper": PAPERS[print_units],
        "horse": horse,
        "who": f"{len(backs)} visits, {names[0]} to {names[-1]}",
        "sentence": change_words.change_sentence(whole, names[0], names[-1]),
        "maps": [
            {"name": f"{names[a]} to {names[b]}", "picture": for_paper(change_map(change, backs[a], levels, width))}
            for a, b, change in changes
        ],
        "legend": for_paper(change_legend(levels, 108.0)),
        "beyond": beyond,
        "same": "; ".join(same),
        "serves": _serves(serves, print_units),
        "warnings": list(cautions),
        "charts": [for_paper(picture) for picture in _charts(backs, rows)],
        "visits": names,
        "measures": change_words.measure_rows(rows),
        "laid": _laid(whole),
        "cautions": list(standing_cautions()),
    }


def _serves(serves: tuple[Serves, Pad] | None, units: str) -> dict[str, object] | None:
    if serves is None:
        return None
    one, pad = serves
    weeks = words.in_weeks(one.recheck_weeks)
    return {
        "sentence": one.sentence,
        "setup": words.setup(one.setup, pad, units),
        "plan": [[words.in_weeks(step.weeks), words.in_units(step.what, units)] for step in one.take_out],
        "again": ""
        if one.verdict in ("vet first", "saddle first", "fit again")
        else words.day(one.recheck_on) or weeks,
        "on": "on then" if one.change is not None else "on now",
    }


def _charts(backs: Sequence[Back], rows: Sequence[Sequence[Measure]]) -> list:  # type: ignore[type-arg]
    dates = [back.source.date for back in backs]
    pictures = []
    for name, x in CHARTS:
        chosen = [
            k
            for k, one in enumerate(rows[0])
            if one.name == name
            and (x is None or one.x_mm == x)
            and np.isfinite([row[k].value for row in rows]).sum() > 1
        ]
        if chosen:
            pictures.append(over_time(rows, chosen, dates, 58.0, 40.0))
    return pictures


def _laid(change: Change) -> str:
    pose = change.pose
    off = f"{100 * (pose.scale - 1):+.1f}"
    size = f"{'0.0' if float(off) == 0 else off.replace('-', '−')} ± {100 * pose.sd[6]:.1f} %"
    return (
        "The scans were laid over one another along the spine, from withers to croup, muscle left out as far as it had "
        f"changed. The later scan was moved {np.linalg.norm(pose.shift_mm):.0f} ± {np.linalg.norm(pose.sd[:3]):.0f} "
        f"mm, turned {np.linalg.norm(pose.turn_deg):.1f} ± {np.degrees(np.linalg.norm(pose.sd[3:6])):.1f}° and is "
        f"{size} in size. A place counts as changed where it differs by more than its own error with all places looked "
        "at together; an unchanged horse is called changed in one of twenty pairs at most."
    )
