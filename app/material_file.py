"""Materials named in saddle and pad files: the shipped ones, and laws that the fitter measured."""

import csv
import difflib
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Annotated

import numpy as np
from pydantic import Field

from shimwright.optimize.materials import Material, linear, load_materials, measured, plate_test
from shimwright.quantity import Thickness
from shimwright.scan.refusal import InputRefused, WrongUse
from shimwright.toml_file import Name, Table

WORKING_STRAIN = 0.4  # [J] warn above, where the file does not say


class PlateTable(Table):
    """Known weights on a plate, thickness read by calliper."""

    thickness_mm: Thickness
    plate_mm2: Annotated[float, Field(gt=0)]
    readings: Annotated[list[Annotated[list[float], Field(min_length=2, max_length=2)]], Field(min_length=2)]


class MaterialTable(Table):
    """A law of one's own: a measured curve here or in a CSV file, a plate test, or one stiffness."""

    name: Name
    pressure_kpa: list[float] | None = None
    strain: list[float] | None = None
    table: str | None = None
    plate_test: PlateTable | None = None
    modulus_kpa: float | None = None
    working_strain: Annotated[float, Field(gt=0, lt=1)] = WORKING_STRAIN
    density_kg_m3: Annotated[float, Field(gt=0, le=3000)] | None = None
    source: str = "measured by the user"


def own_materials(told: Iterable[MaterialTable], file: Path) -> tuple[Material, ...]:
    """The file's own materials. Raises WrongUse saying which and why."""
    try:
        return tuple(_material(one, file.parent) for one in told)
    except InputRefused as refused:  # values of a TOML file: wrong use, not a wrong scan
        raise WrongUse(f"{file}: {refused.message}") from None


def not_known(name: str, own: Iterable[Material]) -> str | None:
    """None if the material is known, else the words that say so, with the nearest name."""
    names = [*load_materials(), *(one.name for one in own)]
    if name in names:
        return None
    near = difflib.get_close_matches(name.lower(), names, 1, 0.5)
    hint = f'did you mean "{near[0]}"? ' if near else ""
    return f'"{name}" is not a known material, so how it presses in is not known; {hint}known: ' + ", ".join(names)


def _material(told: MaterialTable, folder: Path) -> Material:
    ways = (told.pressure_kpa or told.strain, told.table, told.plate_test, told.modulus_kpa)
    if sum(way is not None for way in ways) != 1:
        raise InputRefused(
            f'material "{told.name}": say one of: pressure_kpa with strain, table = "file.csv", plate_test, modulus_kpa'
        )
    if told.modulus_kpa is not None:
        return linear(told.name, told.modulus_kpa, working_strain=told.working_strain)
    if told.plate_test:
        test = told.plate_test
        return plate_test(told.name, test.thickness_mm, test.plate_mm2, [(kg, mm) for kg, mm in test.readings])
    pressure, strain = _csv(folder / told.table) if told.table else (told.pressure_kpa or [], told.strain or [])
    if len(pressure) != len(strain):
        raise InputRefused(
            f'material "{told.name}": {len(pressure)} pressures and {len(strain)} strains, make them equal'
        )
    return measured(
        told.name, np.array(pressure), np.array(strain), told.working_strain, told.density_kg_m3, told.source
    )


def _csv(path: Path) -> tuple[list[float], list[float]]:
    try:
        with path.open(newline="", encoding="utf-8-sig") as file:
            rows: list[Mapping[str, str]] = list(csv.DictReader(file))
        return [float(row["pressure_kpa"]) for row in rows], [float(row["strain"]) for row in rows]
    except OSError as error:
        raise InputRefused(f"{path}: the measured table cannot be read ({error.strerror})") from None
    except (KeyError, TypeError, ValueError):
        raise InputRefused(f"{path}: two columns of numbers headed pressure_kpa,strain are needed") from None
