"""Materials named in saddle and pad files: the shipped ones, and laws that the fitter measured."""

import difflib
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path
from typing import Annotated

import numpy as np
from pydantic import Field

from shimwright.compression_csv import read_curve
from shimwright.optimize.materials import CALLIPER_SD_MM, Material, linear, load_materials, measured, plate_test
from shimwright.quantity import Size, Thickness
from shimwright.scan.refusal import InputRefused, WrongUse
from shimwright.toml_file import Name, Table

WORKING_STRAIN = 0.4  # [J] warn above, where the file does not say


Reading = Annotated[list[float], Field(min_length=2, max_length=2)]  # weight with the plate, kg; thickness, mm


class PlateTable(Table):
    """Known weights on a plate, thickness read by calliper. The plate by its area or its two sides."""

    thickness_mm: Thickness
    plate_mm2: Annotated[float, Field(gt=0, le=1e6)] | None = None
    plate_mm: Annotated[list[Size], Field(min_length=2, max_length=2)] | None = None
    readings: Annotated[list[Reading], Field(min_length=2, max_length=100)]
    calliper_mm: Annotated[float, Field(gt=0, le=2)] = CALLIPER_SD_MM

    def area_mm2(self, name: str) -> float:
        if (self.plate_mm2 is None) == (self.plate_mm is None):
            raise InputRefused(f'material "{name}": plate_test needs plate_mm = [side, side] or plate_mm2, one of them')
        return self.plate_mm2 if self.plate_mm2 is not None else float(np.prod(self.plate_mm or [0.0]))


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
        test, readings = told.plate_test, [(kg, mm) for kg, mm in told.plate_test.readings]
        plate = test.area_mm2(told.name)
        law = plate_test(told.name, test.thickness_mm, plate, readings, test.calliper_mm, told.working_strain)
        return replace(law, density_kg_m3=told.density_kg_m3)
    if told.table:
        pressure, strain = read_curve(folder / told.table)
    else:
        pressure, strain = np.array(told.pressure_kpa or []), np.array(told.strain or [])
    if len(pressure) != len(strain):
        raise InputRefused(
            f'material "{told.name}": {len(pressure)} pressures and {len(strain)} strains, make them equal'
        )
    return measured(told.name, pressure, strain, told.working_strain, told.density_kg_m3, told.source)
