"""`panel`: one case or several → the numbers of a panel, profile card, section curves and solids for a maker."""

from __future__ import annotations

from collections.abc import Sequence
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING

from shimwright.case_file import CaseFile, read_case
from shimwright.fit import back_of
from shimwright.outputs import folders
from shimwright.progress import Say, progress
from shimwright.scan.refusal import InputRefused, WrongUse
from shimwright.told_inputs import told_inputs
from shimwright.told_results import write_line

if TYPE_CHECKING:
    from shimwright.optimize.panel_fit import PanelFit, Ridden
    from shimwright.optimize.thickness_map import MapSolution


def panel(cases: Sequence[Path], out: Path | None, *, uneven: bool, as_json: bool) -> int:
    """One panel for all the cases together. Length, widths and filling are those of the first case's saddle."""
    from shimwright.export.results import whole_results

    read = [read_case(path) for path in dict.fromkeys(cases)]
    saddle = read[0].saddle
    for one in read[1:]:
        if one.saddle.length_mm != saddle.length_mm:
            raise WrongUse(
                f"{one.path}: its saddle's panel is {one.saddle.length_mm:g} mm long, the first case's "
                f"{saddle.length_mm:g} mm: one panel is fitted to all, so name cases of one length"
            )
    _check_scans(read)
    with progress("panel") as say:
        backs, notes = ridden_of(read, say)
        say("fitting the panel")
        from shimwright.optimize.panel_fit import fit_panel

        found = fit_panel(saddle, backs, uneven)
        chart = thickness_of(found)
        folder = out or folders([read[0].path], None)[0]
        say("writing")
        with whole_results(folder) as results:
            document = _written(found, backs, chart, read, notes, results)
    if as_json:
        write_line(document)
    else:
        from shimwright.optimize.trade_words import said

        style = found.saddle.style
        print(*(said(line, style) for line in panel_words(found)), *(f"  {note}" for note in notes), sep="\n")
        print(f"  written to {folder}")
    return 0


def _check_scans(cases: Sequence[CaseFile]) -> None:
    """Raises WrongUse where one scan would count twice."""
    first: dict[str, Path] = {}
    for case in cases:
        scan = case.scan or case.traced
        if scan is None:
            continue
        other = first.setdefault(sha256(scan.read_bytes()).hexdigest(), case.path)
        if other != case.path:
            raise WrongUse(f"{case.path}: the same scan as {other}, and the panel would lean to it twice; name it once")


def ridden_of(cases: Sequence[CaseFile], say: Say) -> tuple[list[Ridden], tuple[str, ...]]:
    """Every back as it stood, and as it is when it moves; what could not be made, in words."""
    from shimwright.optimize.limits import limits
    from shimwright.optimize.panel_fit import Ridden
    from shimwright.optimize.panel_pad import pad_as_ridden_mm
    from shimwright.optimize.panel_rules import panel_rules
    from shimwright.optimize.verdict import gate
    from shimwright.scan.stance import flatter

    backs, notes = [], []
    stances, square = limits().stances, panel_rules().square
    for case in cases:
        back = back_of(case, say)
        name = case.case.horse.name or case.path.absolute().parent.name
        pad = pad_as_ridden_mm(case.saddle, case.pad, case.case)
        room = case.case.aim.middle_room_mm
        backs.append(Ridden(name, back, pad, room, square))
        first = gate(case.case, case.saddle)
        if first.verdict == "vet first":
            notes.append(
                f"{name}: {first.why} Its back is counted as it stood; ask the vet before a panel is built to it."
            )
        try:
            moving = flatter(back, stances.flatter_share)
        except InputRefused:
            notes.append(f"{name}: the croup was not seen, so the moving, flatter back was left out.")
            continue
        backs.append(Ridden(f"{name}, moving", moving, pad, room, stances.weight, standing=False))
    return backs, tuple(notes)


def thickness_of(found: PanelFit) -> MapSolution:
    """What closes the remaining gap of all backs, by their weight."""
    import numpy as np

    from shimwright.optimize.panel_rules import panel_rules
    from shimwright.optimize.thickness_map import MapProgram, solve_map

    rules = panel_rules()
    gaps = np.stack([rest.gap_mm for rest in found.remaining])
    weights = np.array([rest.weight for rest in found.remaining])
    seen = np.isfinite(gaps) * weights[:, None, None, None]
    with np.errstate(invalid="ignore"):
        mean = np.nansum(gaps * weights[:, None, None, None], axis=0) / np.where(
            seen.sum(axis=0) > 0, seen.sum(axis=0), np.nan
        )
    steps = (
        float(np.diff(found.along)[0] * found.saddle.length_mm),
        float(np.diff(found.across)[0] * np.mean(found.saddle.panel_width_mm)),
    )
    none = np.zeros((*mean.shape, 0))
    return solve_map(MapProgram(mean, steps, none, *rules.map_mm, rules.map_bend_per_mm))


def panel_words(found: PanelFit) -> tuple[str, ...]:
    """What the terminal says."""
    shape = found.shape
    angles = " · ".join(
        "/".join(f"{value:.0f}" for value in (shape.angle_deg[:, k] if found.uneven else shape.angle_deg[:1, k]))
        for k in range(3)
    )
    worst = max(found.remaining, key=lambda rest: rest.mean_mm)
    return (
        f"panel: arch {found.arch.included_deg:.0f}°, {found.arch.width_mm:.0f} mm wide 100 mm down; panel "
        f"{angles}° below horizontal; rocker {shape.rocker_mm.mean():.0f} mm; channel "
        + " · ".join(f"{value:.0f}" for value in shape.channel_mm)
        + " mm",
        f"  what remains: {worst.mean_mm:.1f} mm in the mean on {worst.name}, less on any other",
    )


def _written(
    found: PanelFit,
    backs: Sequence[Ridden],
    chart: MapSolution,
    cases: Sequence[CaseFile],
    notes: tuple[str, ...],
    folder: Path,
) -> dict[str, object]:
    from shimwright.export import words
    from shimwright.export.panel_curves import write_panel_curves
    from shimwright.export.panel_solids import write_panel_solids
    from shimwright.export.profile_card import PanelJob, write_profile_card

    names = [one.name for one in backs if one.standing]
    who = (
        names[0] if len(names) == 1 else f"{names[0]} and {len(names) - 1} more" if len(names) > 3 else ", ".join(names)
    )
    first = cases[0].case
    inputs = {case.path.absolute().parent.name: told_inputs(case) for case in cases}
    job = PanelJob(who, found.saddle.name, first.today.date, first.print_units, notes, inputs)
    write_panel_curves(found, backs[0].back, folder, who, words.day(first.today.date))
    write_panel_solids(found, backs[0].back, folder)
    return write_profile_card(found, backs, chart, job, folder)
