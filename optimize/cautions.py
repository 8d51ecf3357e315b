"""Cautions: what every sheet carries, and what this horse, rider and set-up add (texts in cautions.toml)."""

import tomllib
from collections.abc import Mapping
from functools import cache
from importlib.resources import files

import numpy as np

from shimwright.optimize.case import Case
from shimwright.optimize.cost import left_right_mm, pieces
from shimwright.optimize.limits import limits
from shimwright.optimize.pad import Pad
from shimwright.optimize.saddle import Saddle
from shimwright.optimize.setup import Setup, height_mm
from shimwright.scan.back import Back


@cache
def _table() -> Mapping[str, object]:
    return tomllib.loads(files("shimwright.optimize").joinpath("cautions.toml").read_text(encoding="utf-8"))


def standing_cautions() -> tuple[str, ...]:
    """What every sheet carries."""
    rows = _table()["standing"]
    assert isinstance(rows, list)
    return tuple(row["text"] for row in rows)


def caution(name: str, **values: object) -> str:
    """One of the texts for a case, with its figures."""
    texts = _table()["when"]
    assert isinstance(texts, dict)
    return str(texts[name]).format(**values)


def horse_load(case: Case, saddle: Saddle) -> Mapping[str, float]:
    """Rider, and rider with saddle, as a share of the horse's weight; NaN if not told. A pad is not weighed."""
    weight = case.horse.weight_kg if case.horse.weight_kg else float("nan")
    rider = case.rider.weight_kg
    return {"rider_share": rider / weight, "rider_and_tack_share": (rider + saddle.mass_kg) / weight}


def cautions(
    back: Back, saddle: Saddle, pad: Pad, case: Case, setup: Setup | None, found: Setup, exact: bool
) -> tuple[str, ...]:
    """What concerns this horse first, then what every sheet carries."""
    special = [
        *_about_the_day(case, back),
        *_about_the_rider(case, saddle),
        *_about_the_animal(case, back),
        *(_about_the_setup(setup, found, pad, saddle, exact) if setup is not None else ()),
    ]
    return (*special, *standing_cautions())


def _about_the_day(case: Case, back: Back) -> list[str]:
    said = []
    moves = case.today.saddle_moves
    if moves in ("left", "right"):
        said.append(caution("sideways", side=moves))
    if moves == "forward":
        said.append(caution("forward"))
    if moves == "back":
        said.append(caution("backward"))
    if case.today.stood_square is False:
        said.append(caution("not_square"))
    if case.today.stood_square is None:
        said.append(caution("square_not_told"))
    if not back.frame.gravity:
        said.append(caution("no_gravity"))
    return said


def _about_the_rider(case: Case, saddle: Saddle) -> list[str]:
    line, shares, said = limits().rider, horse_load(case, saddle), []
    for share, name, least in (
        (shares["rider_share"], "rider", line.rider_caution),
        (shares["rider_and_tack_share"], "tack", line.tack_caution),
    ):
        if share > line.strong:
            said.append(caution(f"{name}_strong", share=100 * share, limit=100 * line.strong))
        elif share > least:
            said.append(caution(name, share=100 * share, limit=100 * least))
    return said


def _about_the_animal(case: Case, back: Back) -> list[str]:
    line, said = limits().animal, []
    if case.horse.height_mm is not None and case.horse.height_mm < line.pony_below_mm:
        said.append(caution("pony", height=case.horse.height_mm))
    if case.horse.weight_kg is not None and case.horse.weight_kg > line.heavy_above_kg:
        said.append(caution("heavy", weight=case.horse.weight_kg))
    withers, croup = back.landmark("withers"), back.landmark("croup")
    if withers is not None and croup is not None:
        length = float(withers.position_mm[0] - croup.position_mm[0])
        low, high = line.withers_croup_mm
        if np.isfinite(length) and not low <= length <= high:
            said.append(caution("other_size", length=length, low=low, high=high))
    return said


def _about_the_setup(setup: Setup, found: Setup, pad: Pad, saddle: Saddle, exact: bool) -> list[str]:
    line, said = limits().stack, []
    high = [name.replace("_", " ") for name, s in setup.stacks.items() if height_mm(s) > line.two_steps_above_mm]
    if high:
        said.append(caution("high_stack", limit=line.two_steps_above_mm, places=", ".join(high)))
    apart = left_right_mm(setup, pad)
    if apart > line.left_right_vet_mm:
        said.append(caution("left_right", value=apart))
    if setup.arch != found.arch:
        said.append(caution("new_arch"))
    if saddle.style == "treeless":
        said.append(caution("treeless"))
    if pieces(setup):
        said.append(caution("shims"))
    if not exact:
        said.append(caution("not_exact"))
    return said
