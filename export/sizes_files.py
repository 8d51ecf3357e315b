"""Sizes as data: sizes.json with everything, sizes.csv for the workshop, horses.csv with one row for every scan."""

import csv
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from shimwright.export.plain_json import MADE_BY, plain, write_json
from shimwright.export.sizes_words import MEASURES, SHARES, by_how_much, kinds_of, quantiles, why_not
from shimwright.optimize.saddle import Saddle
from shimwright.optimize.size_candidates import numbers_of
from shimwright.optimize.size_rules import SizeRules
from shimwright.optimize.sizes import Horse, Sizes

SCHEMA = "shimwright/sizes/1"
PANEL_NUMBERS = (
    "angle_front_deg", "angle_middle_deg", "angle_rear_deg", "rocker_mm", "crown_mm", "rise_mm",
    "channel_front_mm", "channel_middle_mm", "channel_rear_mm",
)  # fmt: skip
OWN_NUMBERS = ("arch_included_deg", "arch_width_100mm_down_mm", *PANEL_NUMBERS)


@dataclass(frozen=True)
class ScanRow:
    """One scan of the folder. horse: its number among the measured, None where `refused` says why it was left out."""

    file: str
    name: str
    kind: str
    weight: float
    horse: int | None
    refused: str
    own_gap_mm: float = float("nan")


@dataclass(frozen=True)
class SizesJob:
    """What the papers need beside the answer. inputs: files by name and hash."""

    pattern: Saddle
    horses: Sequence[Horse]
    rows: Sequence[ScanRow]
    rules: SizeRules
    inputs: Mapping[str, object]
    print_units: str
    title: str


def write_sizes_files(sizes: Sizes, job: SizesJob, folder: Path) -> dict[str, object]:
    """sizes.json, sizes.csv and horses.csv; returns the document."""
    document = sizes_to_json(sizes, job)
    write_json(document, folder / "sizes.json")
    _write_csv(folder / "sizes.csv", _size_rows(sizes))
    _write_csv(folder / "horses.csv", _horse_rows(sizes, job))
    return document


def sizes_to_json(sizes: Sizes, job: SizesJob) -> dict[str, object]:
    """Everything but the horses one by one, which are rows of horses.csv."""
    weights = sizes.weights
    return {
        "schema": SCHEMA,
        "made_by": MADE_BY,
        "inputs": plain(job.inputs),
        "scans": len(job.rows),
        "measured": len(job.horses),
        "left_out": [{"file": row.file, "why": row.refused} for row in job.rows if row.horse is None],
        "served_share": plain(float(weights[sizes.served].sum() / weights.sum()), 4),
        "mean_gap_mm": plain(float(np.average(sizes.mean_gap_mm, weights=weights))),
        "arches": [
            {
                "name": size.name,
                "made": size.made,
                "included_deg": plain(size.saddle.arches[0].included_deg),
                "width_100mm_down_mm": plain(size.saddle.arches[0].width_mm),
                "included_sd_deg": plain(size.moves[0]),
                "width_sd_mm": plain(size.moves[1]),
                "share": plain(size.share, 4),
            }
            for size in sizes.arches
        ],
        "panels": [
            {
                "name": size.name,
                "made": size.made,
                **{name: plain(value) for name, value in zip(PANEL_NUMBERS, _panel(size.saddle), strict=True)},
                "sd": {name: plain(value) for name, value in zip(PANEL_NUMBERS, size.moves, strict=True)},
                "reference_arch": _reference(size.saddle),
                "share": plain(size.share, 4),
            }
            for size in sizes.panels
        ],
        "pattern": {
            "name": job.pattern.name,
            "length_mm": plain(job.pattern.length_mm),
            "panel_width_mm": plain(np.asarray(job.pattern.panel_width_mm)),
            "arch_length_mm": plain(job.pattern.arch_length_mm),
            "filling_mm": plain(job.pattern.filling.depth_mm) if job.pattern.filling else None,
        },
        "choice": {
            "compared_arches": sizes.compared[0],
            "compared_panels": sizes.compared[1],
            "exact": sizes.gap_share == 0.0,
            "gap_share": plain(sizes.gap_share, 4),
        },
        "numbers": [plain(vars(one), 4) for one in sizes.numbers],
        "bootstrap_draws": sizes.draws,
        "limits": plain(vars(job.rules)),
        "distribution": _distribution(sizes, job),
        "not_served": [
            {
                "name": job.horses[k].name,
                "group": job.horses[k].kind,
                "by_share": plain(by_how_much(sizes, job.rules, k)),
                "why": [text for _, text in why_not(sizes, job.rules, k)],
            }
            for k in worst_first(sizes, job.rules)
        ],
    }


def worst_first(sizes: Sizes, rules: SizeRules) -> list[int]:
    """Numbers of the horses that no size serves."""
    return sorted(np.flatnonzero(~sizes.served).tolist(), key=lambda k: (-round(by_how_much(sizes, rules, k), 6), k))


def _panel(saddle: Saddle) -> np.ndarray:
    return numbers_of(saddle)[2:]


def _reference(saddle: Saddle) -> dict[str, object]:
    arch = next((one for one in saddle.arches if one.name == saddle.reference_arch), saddle.arches[0])
    return {"included_deg": plain(arch.included_deg), "width_100mm_down_mm": plain(arch.width_mm)}


def _distribution(sizes: Sizes, job: SizesJob) -> list[dict[str, object]]:
    own = np.stack([horse.own for horse in job.horses])
    out: list[dict[str, object]] = []
    for kind, numbers in kinds_of(job.horses).items():
        weights = sizes.weights[numbers]
        if weights.sum() <= 0:
            continue
        out.append(
            {
                "group": kind,
                "horses": len(numbers),
                "weight": plain(float(weights.sum()), 4),
                "served_share": plain(float(weights[sizes.served[numbers]].sum() / weights.sum()), 4),
                "measures": {
                    name: dict(
                        zip(
                            [f"{100 * share:.0f} %" for share in SHARES],
                            [plain(float(value)) for value in quantiles(own[numbers, column], weights)],
                            strict=True,
                        )
                    )
                    for name, _, column, _ in MEASURES
                },
            }
        )
    return out


def _size_rows(sizes: Sizes) -> list[list[object]]:
    rows: list[list[object]] = [["size", "made", "share_percent", *OWN_NUMBERS, *(f"{n}_sd" for n in OWN_NUMBERS)]]
    for size in sizes.arches:
        arch = size.saddle.arches[0]
        numbers = [arch.included_deg, arch.width_mm, *[None] * 9, *size.moves, *[None] * 9]
        rows.append([size.name, "yes" if size.made else "no", plain(100 * size.share, 1), *map(plain, numbers)])
    for size in sizes.panels:
        numbers = [None, None, *_panel(size.saddle), None, None, *size.moves]
        rows.append([size.name, "yes" if size.made else "no", plain(100 * size.share, 1), *map(plain, numbers)])
    return rows


def _horse_rows(sizes: Sizes, job: SizesJob) -> list[list[object]]:
    head = ["file", "name", "group", "weight", "served", "arch", "panel", "mean_gap_mm", "arch_off_deg"]
    head += ["clearance_mm", "pitch_deg", "why", *(f"own_{name}" for name in OWN_NUMBERS), "own_mean_gap_mm"]
    rows: list[list[object]] = [list(head)]
    for row in job.rows:
        told: list[object] = [row.file, row.name, row.kind, plain(row.weight, 4)]
        k = row.horse
        if k is None:
            rows.append([*told, "left out", *[None] * 6, row.refused, *[None] * (len(head) - 12)])
            continue
        arch, panel = (group[n].name for group, n in zip((sizes.arches, sizes.panels), sizes.taken[k], strict=True))
        figures = [sizes.mean_gap_mm[k], sizes.leg_off_deg[k], sizes.clearance_mm[k], sizes.pitch_deg[k]]
        why = "; ".join(text for _, text in why_not(sizes, job.rules, k))
        own = [*job.horses[k].own, row.own_gap_mm]
        served = "yes" if sizes.served[k] else "no"
        rows.append([*told, served, arch, panel, *map(plain, figures), why, *map(plain, own)])
    return rows


def _write_csv(path: Path, rows: Sequence[Sequence[object]]) -> None:
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerows([["" if v is None else v for v in row] for row in rows])
    path.write_text(text.getvalue(), encoding="utf-8", newline="\n")
