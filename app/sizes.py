"""`sizes`: a folder of scans → which arches and panels to make, for a saddle maker."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING

from shimwright.crew import Crew
from shimwright.ledger import opened
from shimwright.many import Piece, Rows, many
from shimwright.progress import counted, progress
from shimwright.saddle_file import read_saddle
from shimwright.scan.refusal import InputRefused, WrongUse
from shimwright.scan.told import Told
from shimwright.size_list import Member, members, twice
from shimwright.size_row import SizeAsk, horse_of, size_row
from shimwright.told_options import told_words
from shimwright.told_results import write_line

if TYPE_CHECKING:
    from shimwright.export.sizes_files import ScanRow, SizesJob
    from shimwright.optimize.saddle import Saddle
    from shimwright.optimize.sizes import Horse, Made, Sizes

FEWEST = 3
MOST_ARCHES, MOST_PANELS = 12, 4
RESULTS = "sizes"  # folder of the results, below the folder of the scans


@dataclass(frozen=True)
class SizesAsked:
    """What the command line says. told: holds for every scan that the list tells nothing else of."""

    folder: Path
    pattern: Path
    list_file: Path | None
    arches: int
    panels: int
    made_arches: tuple[Path, ...]
    made_panels: tuple[Path, ...]
    told: Told
    print_units: str = "mm"


def sizes(asked: SizesAsked, crew: Crew, out: Path | None, *, as_json: bool) -> int:
    """Measure what is not measured yet, choose, write; 0."""
    pattern = read_saddle(asked.pattern)
    made = made_sizes(asked, pattern)
    folder = out or asked.folder / RESULTS
    crowd = members(asked.folder, asked.list_file, folder, asked.told)
    with opened(folder) as ledger, counted("scans") as counting:
        rows = many(size_row, pieces_of(crowd, pattern), ledger, crew, counting)
        horses, scans = gathered(crowd, rows, pattern)
    _check(horses, scans)
    with progress("sizes") as say:
        say("comparing sizes")
        from shimwright.export.results import whole_results
        from shimwright.export.sizes_files import SizesJob
        from shimwright.optimize.size_rules import size_rules
        from shimwright.optimize.sizes import sizes_for

        rules = size_rules()
        found = sizes_for(horses, pattern, made, (asked.arches, asked.panels), rules)
        say("writing")
        job = SizesJob(pattern, horses, scans, rules, _inputs(asked), asked.print_units, asked.folder.absolute().name)
        with whole_results(folder) as results:
            document = _written(found, job, results)
    if as_json:
        write_line(document)
    else:
        print(*_words(found, job, folder), sep="\n")
    return 0


def made_sizes(asked: SizesAsked, pattern: Saddle) -> Made:
    """Arches and panels of the saddles told. Raises WrongUse where they do not go with the pattern or the numbers."""
    from shimwright.optimize.sizes import Made

    arches = tuple(arch for path in asked.made_arches for arch in read_saddle(path).arches if not arch.soft)
    panels = []
    for path in asked.made_panels:
        one = read_saddle(path)
        if one.length_mm != pattern.length_mm:
            raise WrongUse(
                f"{path}: its panel is {one.length_mm:g} mm long, the pattern's {pattern.length_mm:g} mm: sizes share "
                "one length, so tell panels of that length"
            )
        if not one.arches:
            raise WrongUse(f"{path}: no [[arch]] in it, so nothing says with which arch its panel was measured; add it")
        panels.append(one)
    for told, there, what in ((asked.arches, len(arches), "arches"), (asked.panels, len(panels), "panels")):
        if there > told:
            raise WrongUse(f"{there} {what} are made already and --{what} {told} allows fewer in all; ask for more")
    return Made(arches, tuple(panels))


def pieces_of(crowd: Sequence[Member], pattern: Saddle) -> list[Piece]:
    """One piece of work for each member."""
    shape = json.dumps(
        {
            "style": pattern.style,
            "length_mm": pattern.length_mm,
            "panel_width_mm": list(map(float, pattern.panel_width_mm)),
            "start": [list(map(float, pattern.angle_deg)), pattern.rocker_mm, pattern.panel_curve_mm, pattern.rise_mm],
            "channel_mm": list(map(float, pattern.channel_mm)),
            "arch_length_mm": pattern.arch_length_mm,
            "filling_mm": pattern.filling.depth_mm if pattern.filling else 0.0,
        }
    )
    return [
        Piece(
            one.file,
            one.path,
            f"sizes {shape} {json.dumps(told_words(one.listed.told), sort_keys=True)}",
            SizeAsk(one.listed.told, pattern),
        )
        for one in crowd
    ]


def gathered(crowd: Sequence[Member], rows: Rows, pattern: Saddle) -> tuple[list[Horse], list[ScanRow]]:
    """Horses that count, and a row for every scan; the same scan under two names counts once."""
    from shimwright.export.sizes_files import ScanRow

    horses: list[Horse] = []
    scans: list[ScanRow] = []
    first: dict[str, str] = {}
    for one, row in zip(crowd, rows, strict=True):
        told = one.listed
        refused, made = row.refused, row.made
        sha = str(made["scan_sha256"] or row.sha256) if made else ""
        if sha and sha in first:
            refused, made = twice(first[sha]).message, None
        if made is None:
            scans.append(ScanRow(one.file, told.name, told.kind, told.weight, None, refused))
            continue
        first[sha] = one.file
        scans.append(ScanRow(one.file, told.name, told.kind, told.weight, len(horses), "", float(made["own_gap_mm"])))
        horses.append(horse_of(dict(made), told.name, told.kind, told.weight, pattern))
    return horses, scans


def _check(horses: Sequence[Horse], scans: Sequence[ScanRow]) -> None:
    counting = sum(1 for horse in horses if horse.weight > 0)
    if counting >= FEWEST:
        return
    left_out = [f"{row.file}: {row.refused}" for row in scans if row.horse is None]
    raise InputRefused(
        f"{counting} of {len(scans)} scans can be used and count, sizes need at least {FEWEST}: see why below, or "
        "measure one with `shimwright measure`",
        tuple(left_out[:5]),
    )


def _inputs(asked: SizesAsked) -> dict[str, object]:
    told = {"pattern": [asked.pattern], "list": [asked.list_file] if asked.list_file else []}
    told |= {"made_arches": list(asked.made_arches), "made_panels": list(asked.made_panels)}
    files = {
        name: [{"file": path.name, "sha256": sha256(path.read_bytes()).hexdigest()} for path in paths]
        for name, paths in told.items()
    }
    return {**files, "told": told_words(asked.told)}


def _written(found: Sizes, job: SizesJob, folder: Path) -> dict[str, object]:
    from shimwright.export.sizes_files import write_sizes_files
    from shimwright.export.sizes_sheet import write_sizes_sheet

    document = write_sizes_files(found, job, folder)
    write_sizes_sheet(found, job, folder)
    return document


def _words(found: Sizes, job: SizesJob, folder: Path) -> tuple[str, ...]:
    from shimwright.export.sizes_words import served_sentence, with_move

    out = [f"sizes: {served_sentence(found)}"]
    for size in found.arches:
        arch = size.saddle.arches[0]
        angle = with_move(arch.included_deg, float(size.moves[0]), "°")
        width = with_move(arch.width_mm, float(size.moves[1]), "mm")
        made = ", made already" if size.made else ""
        out.append(f"  {size.name}: {angle}, {width} wide 100 mm down, for {100 * size.share:.0f} %{made}")
    for size in found.panels:
        angles = " · ".join(f"{value:.0f}" for value in size.saddle.angle_deg)
        made = ", made already" if size.made else ""
        out.append(
            f"  {size.name}: {angles}° below horizontal, rocker {size.saddle.rocker_mm:.0f} mm, for "
            f"{100 * size.share:.0f} %{made}"
        )
    left_out = sum(1 for row in job.rows if row.horse is None)
    if left_out:
        out.append(f"  {left_out} of {len(job.rows)} scans were left out; horses.csv says why")
    if found.gap_share > 0:
        out.append(f"  the best choice may be {100 * found.gap_share:.1f} % better than this one; no more was proven")
    return (*out, f"  written to {folder}")
