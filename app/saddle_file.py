"""saddle.toml → Saddle: ten tape measurements and a word. Distances run backwards from the arch's front edge in the
file and forwards in the program; the sign is turned here, once.
"""

import difflib
import math
from collections import Counter
from pathlib import Path
from typing import Annotated, Literal

import numpy as np
from pydantic import Field

from shimwright.material_file import MaterialTable, not_known, own_materials
from shimwright.optimize.materials import Material
from shimwright.optimize.saddle import TREE_EI_NM2, Arch, Filling, Saddle
from shimwright.quantity import Angle, Distance, Force, IncludedAngle, Length, SaddleWeight, Size, Thickness
from shimwright.toml_file import Name, Table, read_toml, wrong

DEFAULT_ARCH_LENGTH_MM = 90.0  # [J] how far back the legs of a common arch bear
DEFAULT_STRAPS_MM = 150.0  # [T] girth straps behind the arch's front edge
BENCH_SPAN_MM = 400.0  # DESIGN §6


class ArchTable(Table):
    name: Name
    included_deg: IncludedAngle
    width_mm: Size
    soft: bool = False


class FillingTable(Table):
    material: str
    depth_mm: Thickness


class BenchTable(Table):
    """Tree on two battens, loaded over both sides at mid-span, deflection read on the tree."""

    load_n: Force
    span_mm: Size = BENCH_SPAN_MM
    deflection_mm: Size


class SaddleTable(Table):
    """Every key of saddle.toml."""

    name: Name
    style: Literal["english", "western", "treeless"]
    tree: Literal["rigid", "spring", "flexible", "half-tree", "jointed", "treeless"]
    weight_kg: SaddleWeight
    length_mm: Size
    panel_width_mm: Annotated[list[Size], Field(min_length=3, max_length=3)]
    channel_mm: Annotated[list[Size], Field(min_length=3, max_length=3)]
    angle_deg: Annotated[list[Angle], Field(min_length=3, max_length=3)]
    rocker_mm: Length
    rise_mm: Length = 0.0
    panel_curve_mm: Length = 0.0
    arch_length_mm: Distance = DEFAULT_ARCH_LENGTH_MM
    reference_arch: str | None = None
    seat_x_mm: Distance | None = None
    straps_x_mm: list[Distance] = Field(default_factory=lambda: [DEFAULT_STRAPS_MM])
    stirrup_bar_x_mm: Distance | None = None
    side_difference_mm: Length = 0.0
    stiffness_nm2: float | None = None
    bench_test: BenchTable | None = None
    filling: FillingTable | None = None
    arch: list[ArchTable] = Field(default_factory=list)
    material: list[MaterialTable] = Field(default_factory=list)


def read_saddle(path: Path) -> Saddle:
    """The saddle. Raises WrongUse for wrong keys and values, all at once."""
    told = read_toml(path, SaddleTable)
    own = own_materials(told.material, path)
    lines = [*_wrong_shape(told), *_wrong_arches(told), *_wrong_stiffness(told)]
    if told.filling and (words := not_known(told.filling.material, own)):
        lines.append(f"filling.material: {words}")
    if lines:
        raise wrong(path, lines)
    return _saddle(told, own)


def bench_stiffness_nm2(load_n: float, span_mm: float, deflection_mm: float) -> float:
    """EI per side of a tree on two battens: F L³ / (96 d), simply supported beam, load shared by two sides (DESIGN §6).

    >>> round(bench_stiffness_nm2(200.0, 400.0, 1.0), 2)
    133.33
    """
    return load_n * span_mm**3 / (96.0 * deflection_mm) * 1e-6


def _saddle(told: SaddleTable, own: tuple[Material, ...]) -> Saddle:
    arches = tuple(Arch(one.name, one.included_deg, one.width_mm, one.soft) for one in told.arch)
    return Saddle(
        name=told.name,
        style=told.style,
        tree=told.tree,
        ei_nm2=_stiffness(told),
        length_mm=told.length_mm,
        panel_width_mm=np.array(told.panel_width_mm),
        channel_mm=np.array(told.channel_mm),
        angle_deg=np.array(told.angle_deg),
        rocker_mm=told.rocker_mm,
        rise_mm=told.rise_mm,
        panel_curve_mm=told.panel_curve_mm,
        arches=arches,
        reference_arch=told.reference_arch or (arches[0].name if arches else None),
        arch_length_mm=told.arch_length_mm,
        filling=Filling(told.filling.material, told.filling.depth_mm) if told.filling else None,
        mass_kg=told.weight_kg,
        seat_x_mm=None if told.seat_x_mm is None else -told.seat_x_mm,
        straps_x_mm=tuple(-x for x in told.straps_x_mm),
        stirrup_bar_x_mm=None if told.stirrup_bar_x_mm is None else -told.stirrup_bar_x_mm,
        side_difference_mm=told.side_difference_mm,
        own_materials=own,
    )


def _stiffness(told: SaddleTable) -> float:
    if told.stiffness_nm2 is not None:
        return told.stiffness_nm2
    if told.bench_test:
        test = told.bench_test
        return bench_stiffness_nm2(test.load_n, test.span_mm, test.deflection_mm)
    return TREE_EI_NM2[told.tree]


def _wrong_shape(told: SaddleTable) -> list[str]:
    lines = []
    if not 150.0 <= told.length_mm <= 900.0:
        lines.append(f"length_mm: {told.length_mm:g} mm is no panel length; 150 to 900 mm along the panel is expected")
    limits = ((told.panel_width_mm, 20.0, 400.0, "panel_width_mm"), (told.channel_mm, 5.0, 250.0, "channel_mm"))
    for values, low, high, key in limits:
        if bad := [f"{value:g}" for value in values if not low <= value <= high]:
            lines.append(f"{key}: {', '.join(bad)} mm; {low:g} to {high:g} mm is expected")
    for key, value, most in (("rocker_mm", told.rocker_mm, 120.0), ("rise_mm", told.rise_mm, 150.0)):
        if abs(value) > most:
            lines.append(f"{key}: {value:g} mm is too much for a saddle; up to {most:g} mm is expected")
    for key, x in _along(told) if not lines else ():
        if x > told.length_mm:
            lines.append(
                f"{key}: {x:g} mm behind the arch's front edge lies outside the panels, which end at "
                f"{told.length_mm:g} mm; measure backwards from the front edge"
            )
    return lines


def _along(told: SaddleTable) -> list[tuple[str, float]]:
    places = [("seat_x_mm", told.seat_x_mm), ("stirrup_bar_x_mm", told.stirrup_bar_x_mm)]
    places += [("straps_x_mm", x) for x in told.straps_x_mm] + [("arch_length_mm", told.arch_length_mm)]
    return [(key, x) for key, x in places if x is not None]


def _wrong_arches(told: SaddleTable) -> list[str]:
    names = [one.name for one in told.arch]
    lines = [
        f'arch: "{name}" is there twice; each arch needs its own name' for name, n in Counter(names).items() if n > 1
    ]
    if told.reference_arch is not None and told.reference_arch not in names:
        near = difflib.get_close_matches(told.reference_arch, names, 1)
        hint = f'did you mean "{near[0]}"?' if near else "known: " + (", ".join(names) or "none")
        lines.append(f'reference_arch: "{told.reference_arch}" is not one of the arches; {hint}')
    return lines


def _wrong_stiffness(told: SaddleTable) -> list[str]:
    if told.stiffness_nm2 is not None and told.bench_test:
        return ["stiffness_nm2 and bench_test are both told and may disagree; keep one"]
    if told.stiffness_nm2 is not None and not told.stiffness_nm2 > 0:
        return [f"stiffness_nm2: {told.stiffness_nm2:g} N·m² cannot be; a tree has a stiffness above 0, inf is rigid"]
    if math.isnan(_stiffness(told)):
        return ["stiffness_nm2: not a number; leave it out or measure it by bench_test"]
    return []
