"""The sheet of sizes for a maker: what to make, how the horses are spread, how many sizes do what, whom none serves."""

from collections import Counter
from pathlib import Path

import numpy as np

from shimwright.export import words
from shimwright.export.picture import Picture, for_paper
from shimwright.export.size_pictures import crowd_picture, spread_picture
from shimwright.export.sizes_files import SizesJob, worst_first
from shimwright.export.sizes_words import MEASURES, kinds_of, quantiles, served_sentence, why_not, with_move
from shimwright.export.typesetting import PAPERS, set_pdf
from shimwright.optimize.panel_rules import panel_rules
from shimwright.optimize.saddle import Saddle
from shimwright.optimize.size_candidates import numbers_of
from shimwright.optimize.sizes import Numbers, Sizes

MOST_ROWS = 24  # of a list; the whole of it is in horses.csv
PANEL_LETTERS = "ABCD"


def write_sizes_sheet(sizes: Sizes, job: SizesJob, folder: Path) -> None:
    """sizes.pdf."""
    (folder / "sizes.pdf").write_bytes(sizes_pdf(sizes, job))


def sizes_pdf(sizes: Sizes, job: SizesJob) -> bytes:
    """Two pages or three."""
    units = job.print_units
    left_out = [row for row in job.rows if row.horse is None]
    worst = worst_first(sizes, job.rules)
    data = {
        "title": f"Sizes, {job.title}",
        "paper": PAPERS[units],
        "who": f"Sizes for {len(job.horses)} horses",
        "line": f"{job.title} · panels {words.length(job.pattern.length_mm, units)} long, as {job.pattern.name}",
        "sentence": served_sentence(sizes) + ".",
        "proof": _proof(sizes),
        "arches": arch_rows(sizes, units),
        "moves": f"± how far a size moves with other horses of the same kinds (drawn again {sizes.draws} times); "
        "without ±: the same size every time.",
        "panels": panel_rows(sizes, units),
        "crowd": for_paper(_crowd(sizes, job)),
        "spreads": [for_paper(picture) for picture in _spreads(sizes, job)],
        "numbers_head": _numbers_head(sizes),
        "numbers": numbers_rows(sizes),
        "groups": group_rows(sizes, job),
        "reasons": _reasons(sizes, job),
        "not_served": _not_served(sizes, job, worst[:MOST_ROWS]),
        "more_not_served": max(len(worst) - MOST_ROWS, 0),
        "left_out": [[row.file, row.refused] for row in left_out[:MOST_ROWS]],
        "more_left_out": max(len(left_out) - MOST_ROWS, 0),
        "judged": judged(sizes, job),
    }
    return set_pdf("sizes.typ", data, None)


def arch_rows(sizes: Sizes, units: str) -> list[list[str]]:
    rows = []
    for number, size in enumerate(sizes.arches, 1):
        arch = size.saddle.arches[0]
        name = f"{size.name}, made" if size.made else ""
        angle = with_move(arch.included_deg, float(size.moves[0]), "°")
        width = with_move(arch.width_mm, float(size.moves[1]), "mm", units)
        rows.append([str(number), angle, width, _share(size.share), name])
    return rows


def panel_rows(sizes: Sizes, units: str) -> list[list[str]]:
    rows = []
    for letter, size in zip(PANEL_LETTERS, sizes.panels, strict=False):
        own, sd = numbers_of(size.saddle)[2:], size.moves
        angles = " · ".join(with_move(own[k], float(sd[k]), "°") for k in range(3))
        channel = " · ".join(words.length(own[k], units).removesuffix(" mm") for k in (6, 7, 8))
        rocker = with_move(own[3], float(sd[3]), "mm", units)
        rise, crown = (with_move(own[k], float(sd[k]), "mm") for k in (5, 4))
        name = f"{letter} ({size.name}, made)" if size.made else letter
        rows.append(
            [name, angles, rocker, f"{channel}{'' if units == 'in' else ' mm'}", rise, crown, _share(size.share)]
        )
    return rows


def numbers_rows(sizes: Sizes) -> list[list[str]]:
    """One row for every number of panels: share served, mean gap."""
    table = {(one.panels, one.arches): one for one in sizes.numbers}
    chosen = len(sizes.panels), len(sizes.arches)
    return [
        [f"{panels} panel{'' if panels == 1 else 's'}"]
        + [_number(table.get((panels, arches)), (panels, arches) == chosen) for arches in _arch_numbers(sizes)]
        for panels in sorted({one.panels for one in sizes.numbers})
    ]


def _numbers_head(sizes: Sizes) -> list[str]:
    return ["", *(f"{n} arch{'' if n == 1 else 'es'}" for n in _arch_numbers(sizes))]


def _arch_numbers(sizes: Sizes) -> list[int]:
    return sorted({one.arches for one in sizes.numbers})


def _number(one: Numbers | None, chosen: bool) -> str:
    if one is None:
        return ""
    return f"{100 * one.served:.0f} · {one.mean_gap_mm:.1f} mm" + (" *" if chosen else "")


def group_rows(sizes: Sizes, job: SizesJob) -> list[list[str]]:
    """Group, horses, served, and the middle (from – to for nine in ten) of every measure that is drawn."""
    own = np.stack([horse.own for horse in job.horses])
    rows = []
    for kind, numbers in kinds_of(job.horses).items():
        weights = sizes.weights[numbers]
        if weights.sum() <= 0:
            continue
        row = [kind or "all", str(len(numbers)), _share(float(weights[sizes.served[numbers]].sum() / weights.sum()))]
        for _, unit, column, _ in MEASURES[:6]:
            low, _, middle, _, high = quantiles(own[numbers, column], weights)
            row.append(f"{middle:.0f}{'°' if unit == '°' else ''} ({low:.0f}–{high:.0f})".replace("-", "−"))
        rows.append(row)
    return rows


def judged(sizes: Sizes, job: SizesJob) -> list[str]:
    """How it was judged, in words."""
    rules = job.rules
    low, high = rules.clearance_target_mm
    legs = words.length(job.pattern.arch_length_mm, job.print_units)
    return [
        f"A size serves a horse when the gap is at most {rules.mean_gap_mm:g} mm in the mean over both panels, the "
        f"arch within {rules.arch_deg:g}° of the back beside the withers, and {rules.clearance_mm:g} mm or more are "
        f"free above the withers; it may tip by {rules.pitch_deg:g}° to lie down. Our judgement, to be confirmed.",
        f"Chosen so that the mean gap of all horses by their weight is least; clearance outside {low:g}–{high:g} mm "
        f"counts {rules.clearance_share:g} mm for each mm, a horse that is not served {rules.not_served_mm:g} mm "
        "more. Arches go with every panel.",
        f"Each horse's own arch: parallel to the back over {legs}, its top {panel_rules().arch_clear_mm:g} mm above "
        "the withers.",
        f"±: standard deviation of a size over {sizes.draws} crowds drawn again from these horses, each kind by "
        "itself. The error of a single scan, or of a saddle placed otherwise, is not in it.",
        "Both sides alike: an uneven horse is filled on its smaller side, whatever the size. Standing backs; they "
        "lift and widen in work.",
    ]


def _proof(sizes: Sizes) -> str:
    arches, panels = sizes.compared
    which = f"Of {arches} arches and {panels} panels compared, in whole steps of making"
    if sizes.gap_share == 0:
        return f"{which}, these are the best: proven."
    return f"{which}; no choice is more than {max(100 * sizes.gap_share, 0.1):.1f} % better: proven."


def _crowd(sizes: Sizes, job: SizesJob) -> Picture:
    own = np.stack([horse.own[:2] for horse in job.horses])
    points = np.array([[one.saddle.arches[0].included_deg, one.saddle.arches[0].width_mm] for one in sizes.arches])
    return crowd_picture(own, sizes.served, points, [str(k) for k in range(1, len(points) + 1)], 88.0, 70.0)


def _spreads(sizes: Sizes, job: SizesJob) -> list[Picture]:
    own = np.stack([horse.own for horse in job.horses])
    pictures = []
    for name, unit, column, step in MEASURES[:6]:
        of_arch = column < 2
        group, letters = (sizes.arches, "123456789abc") if of_arch else (sizes.panels, PANEL_LETTERS)
        values = [_value(one.saddle, column) for one in group]
        marks = [(value, letters[k]) for k, value in enumerate(values)]
        title = f"{name}, {unit}"
        pictures.append(spread_picture(own[:, column], sizes.weights, title, step, marks, 58.0, 30.0))
    return pictures


def _value(saddle: Saddle, column: int) -> float:
    arch = saddle.arches[0]
    return float((arch.included_deg, arch.width_mm)[column] if column < 2 else numbers_of(saddle)[column])


def _reasons(sizes: Sizes, job: SizesJob) -> str:
    """How many are not served for what, in one line."""
    counts: Counter[str] = Counter()
    for k in np.flatnonzero(~sizes.served):
        counts.update(kind for kind, _ in why_not(sizes, job.rules, int(k)))
    total = int((~sizes.served).sum())
    if not total:
        return "Every horse is served."
    parts = ", ".join(f"{kind} {count}" for kind, count in sorted(counts.items(), key=lambda one: (-one[1], one[0])))
    return f"{total} of {len(job.horses)} horses: {parts} (a horse may be counted in more than one)."


def _not_served(sizes: Sizes, job: SizesJob, worst: list[int]) -> list[list[str]]:
    rows = []
    for k in worst:
        arch, panel = sizes.taken[k]
        why = "; ".join(text for _, text in why_not(sizes, job.rules, k))
        own = job.horses[k].own
        itself = f"{own[0]:.0f}°, {words.length(float(own[1]), job.print_units)}, rocker {own[5]:.0f} mm"
        rows.append([job.horses[k].name, job.horses[k].kind, f"{arch + 1} {PANEL_LETTERS[panel]}", why, itself])
    return rows


def _share(share: float) -> str:
    return f"{100 * share:.0f} %"
