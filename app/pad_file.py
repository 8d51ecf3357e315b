"""pad.toml → Pad: shell, inserts, pockets (four numbers or an outline), stock of shims, limits of the stacks.

In the file x runs backwards from the arch's front edge and y outwards from the middle line, over the pad; in the
program x runs forwards and y to the left. The signs are turned here, once.
"""

import re
from collections import Counter
from itertools import combinations
from pathlib import Path
from typing import Annotated, Literal

import numpy as np
from pydantic import Field
from shapely import LinearRing, Polygon

from shimwright.material_file import MaterialTable, not_known, own_materials
from shimwright.optimize.materials import Material
from shimwright.optimize.pad import Insert, Pad, Pocket, Shim, StackLimits
from shimwright.optimize.saddle import Saddle
from shimwright.quantity import Distance, Length, ShimThickness, Size, Thickness, ThicknessOrNone
from shimwright.scan.raw import FloatArray
from shimwright.toml_file import Name, Table, read_toml, wrong

MOST_THICKNESSES = 16  # of one shim: more differ by less than felt does [J]
MOST_CORNERS = 500  # of a pocket's outline: one every 2 mm round the largest
LEAST_POCKET_MM = 20.0  # [J] a smaller shim is bevel alone
LEAST_SHARE_ON_PANEL = 0.5  # [J] a pocket with less of its area under the panel lifts nothing

NO_PAD = Pad("no pad", 0.0, None, (), (), (), StackLimits())


Corner = Annotated[list[Length], Field(min_length=2, max_length=2)]


class InsertTable(Table):
    name: Name
    material: str
    thickness_mm: Thickness


class ShimTable(Table):
    name: Name
    material: str
    thicknesses_mm: Annotated[list[ShimThickness], Field(min_length=1, max_length=MOST_THICKNESSES)]
    sheet_mm: Annotated[list[Size], Field(min_length=2, max_length=2)]
    has_face: bool = False
    grain: bool = False


class PocketTable(Table):
    """Four numbers or an outline; both sides unless the name or `side` says one."""

    name: Name
    side: Literal["both", "left", "right"] | None = None
    from_front_mm: Distance | None = None
    length_mm: Size | None = None
    from_middle_mm: Distance | None = None
    width_mm: Size | None = None
    outline_mm: Annotated[list[Corner], Field(max_length=MOST_CORNERS)] | None = None


class LimitsTable(Table):
    height_mm: ThicknessOrNone | None = None
    layers: Annotated[int, Field(ge=0, le=6)] | None = None
    neighbour_step_mm: ThicknessOrNone | None = None
    left_right_mm: ThicknessOrNone | None = None
    total_mm: Thickness | None = None
    off: list[Literal["height_mm", "layers", "neighbour_step_mm", "left_right_mm"]] = Field(default_factory=list)


class PadTable(Table):
    """Every key of pad.toml."""

    name: Name
    shell_mm: ThicknessOrNone = 0.0
    shell_material: str | None = None
    insert: list[InsertTable] = Field(default_factory=list)
    pocket: list[PocketTable] = Field(default_factory=list)
    shim: list[ShimTable] = Field(default_factory=list)
    limits: LimitsTable = LimitsTable()
    material: list[MaterialTable] = Field(default_factory=list)


def read_pad(path: Path) -> Pad:
    """The pad. Raises WrongUse for wrong keys, values and contradictions, all at once."""
    told = read_toml(path, PadTable)
    own = own_materials(told.material, path)
    pockets, lines = _pockets(told)
    lines += [*_wrong_names(told, pockets), *_wrong_materials(told, own), *_overlaps(pockets)]
    lines += _contradictions(told, pockets)
    if lines:
        raise wrong(path, lines)
    return Pad(
        name=told.name,
        shell_mm=told.shell_mm,
        shell_material=told.shell_material,
        inserts=tuple(Insert(one.name, one.material, one.thickness_mm) for one in told.insert),
        pockets=tuple(pockets),
        shims=tuple(_shim(one) for one in told.shim),
        limits=_limits(told.limits),
        own_materials=own,
    )


def pockets_off_panel(pad: Pad, saddle: Saddle) -> list[str]:
    """One line for each pocket that lies beside the saddle's panels, where a shim lifts nothing."""
    lines = []
    x = -np.linspace(0.0, saddle.length_mm, 3)
    inner = saddle.channel_mm / 2
    for pocket in pad.pockets:
        sign = 1.0 if pocket.side == "left" else -1.0
        edge = np.concatenate([np.column_stack([x, inner]), np.column_stack([x, inner + saddle.panel_width_mm])[::-1]])
        panel, shape = Polygon(edge * [1.0, sign]), Polygon(pocket.outline)
        share = panel.intersection(shape).area / shape.area
        if share < LEAST_SHARE_ON_PANEL:
            lines.append(
                f'pocket "{pocket.name}": {100 * share:.0f} % of it lies under the panel of "{saddle.name}", so a shim '
                f"there lifts nothing; the panel runs 0 to {saddle.length_mm:g} mm from the front edge, measure again"
            )
    return _once(lines)


def _once(lines: list[str]) -> list[str]:
    """What is wrong with both pockets of a pair alike was told once in the file, and is said once.

    >>> _once(['pocket "rear_left": too far', 'pocket "rear_right": too far', 'pocket "one_left": gone'])
    ['pocket "rear": too far', 'pocket "one_left": gone']
    """
    whole = [re.sub(r'_(?:left|right)"', '"', line) for line in lines]
    shown = [both if whole.count(both) > 1 else line for line, both in zip(lines, whole, strict=True)]
    return list(dict.fromkeys(shown))


def _shim(told: ShimTable) -> Shim:
    sheet = (told.sheet_mm[0], told.sheet_mm[1])
    return Shim(told.name, told.material, tuple(sorted(told.thicknesses_mm)), sheet, told.has_face, told.grain)


def _limits(told: LimitsTable) -> StackLimits:
    usual = StackLimits()
    height, layers = told.height_mm, told.layers
    step, sides = told.neighbour_step_mm, told.left_right_mm
    return StackLimits(
        height_mm=None if "height_mm" in told.off else usual.height_mm if height is None else height,
        layers=None if "layers" in told.off else usual.layers if layers is None else layers,
        neighbour_step_mm=None
        if "neighbour_step_mm" in told.off
        else usual.neighbour_step_mm
        if step is None
        else step,
        left_right_mm=None if "left_right_mm" in told.off else usual.left_right_mm if sides is None else sides,
        total_mm=told.total_mm,
    )


def _pockets(told: PadTable) -> tuple[list[Pocket], list[str]]:
    pockets, lines = [], []
    for one in told.pocket:
        try:
            outline = _outline(one)
        except ValueError as error:
            lines.append(f'pocket "{one.name}": {error}')
            continue
        pockets += [_pocket(name, side, outline) for name, side in _named_sides(one)]
    return pockets, lines


def _pocket(name: str, side: str, outline: FloatArray) -> Pocket:
    """outline: (k, 2), x backwards and y outwards as told → counter-clockwise in x forwards, y left."""
    turned = outline * [-1.0, 1.0 if side == "left" else -1.0]
    clockwise = not LinearRing(turned).is_ccw
    return Pocket(name, side, turned[::-1].copy() if clockwise else turned)


def _named_sides(told: PocketTable) -> list[tuple[str, str]]:
    in_name = next((side for side in ("left", "right") if side in told.name), None)
    if in_name:
        return [(told.name, in_name)]
    sides = ("left", "right") if told.side in (None, "both") else (told.side,)
    return [(f"{told.name}_{side}", str(side)) for side in sides]


def _outline(told: PocketTable) -> FloatArray:
    four = (told.from_front_mm, told.length_mm, told.from_middle_mm, told.width_mm)
    in_name = next((side for side in ("left", "right") if side in told.name), None)
    if in_name and told.side not in (None, in_name):
        raise ValueError(f'its name says {in_name} and side = "{told.side}"; keep one')
    if told.outline_mm is not None:
        if any(number is not None for number in four):
            raise ValueError("four numbers and an outline are both told; keep one")
        return _simple(np.array(told.outline_mm, float))
    if told.from_front_mm is None or told.length_mm is None or told.from_middle_mm is None or told.width_mm is None:
        raise ValueError("give from_front_mm, length_mm, from_middle_mm and width_mm, or outline_mm = [[x, y], …]")
    if min(told.length_mm, told.width_mm) < LEAST_POCKET_MM:
        raise ValueError(
            f"{told.length_mm:g} × {told.width_mm:g} mm is too small for a shim with its bevel; "
            f"at least {LEAST_POCKET_MM:g} mm each way are expected"
        )
    x, y = told.from_front_mm, told.from_middle_mm
    far_x, far_y = x + told.length_mm, y + told.width_mm
    return np.array([[x, y], [far_x, y], [far_x, far_y], [x, far_y]])


def _simple(outline: FloatArray) -> FloatArray:
    if len(outline) > 1 and np.allclose(outline[0], outline[-1]):
        outline = outline[:-1]
    if len(outline) < 3 or not (shape := Polygon(outline)).is_valid or shape.area < 100.0:
        raise ValueError(
            "outline_mm must be at least three corners in order around more than 1 cm², not crossing itself"
        )
    if outline[:, 1].min() < 0:
        raise ValueError("outline_mm crosses the middle line; y counts outwards from it, so it is never negative")
    return outline


def _wrong_names(told: PadTable, pockets: list[Pocket]) -> list[str]:
    groups = {
        "insert": [one.name for one in told.insert],
        "shim": [one.name for one in told.shim],
        "pocket": [one.name for one in pockets],
    }
    return [
        f'{what}: "{name}" is there twice; each {what} needs its own name'
        for what, names in groups.items()
        for name, count in Counter(names).items()
        if count > 1
    ]


def _wrong_materials(told: PadTable, own: tuple[Material, ...]) -> list[str]:
    named = [(f'insert "{one.name}"', one.material) for one in told.insert]
    named += [(f'shim "{one.name}"', one.material) for one in told.shim]
    if told.shell_material is not None:
        named.append(("shell_material", told.shell_material))
    lines = [f"{where}: {words}" for where, material in named if (words := not_known(material, own))]
    if told.shell_mm > 0 and told.shell_material is None:
        lines.append(
            f"shell_material is missing: a shell of {told.shell_mm:g} mm presses in by what it is made of; add it"
        )
    return lines


def _overlaps(pockets: list[Pocket]) -> list[str]:
    lines = []
    for one, other in combinations(pockets, 2):
        area = Polygon(one.outline).intersection(Polygon(other.outline)).area
        if area > 1.0:
            lines.append(
                f'pockets "{one.name}" and "{other.name}" overlap by {area / 100:.1f} cm²; a place lies in one pocket, '
                "measure again"
            )
    return _once(lines)


def _contradictions(told: PadTable, pockets: list[Pocket]) -> list[str]:
    lines = []
    if pockets and not told.shim:
        lines.append(f"{len(pockets)} pockets and no [[shim]] to put in them; add the stock you have")
    limits = _limits(told.limits)
    thinnest = min((t for one in told.shim for t in one.thicknesses_mm), default=None)
    if thinnest is not None and limits.height_mm is not None and 0 < limits.height_mm < thinnest:
        lines.append(
            f"limits.height_mm: {limits.height_mm:g} mm is less than the thinnest shim, {thinnest:g} mm, so no pocket "
            "can be filled; raise the limit or add a thinner sheet"
        )
    if limits.height_mm and limits.layers == 0:
        lines.append(f"limits: layers = 0 and height_mm = {limits.height_mm:g} contradict each other; keep one")
    base = told.shell_mm + min((one.thickness_mm for one in told.insert), default=0.0)
    if limits.total_mm is not None and limits.total_mm < base:
        lines.append(
            f"limits.total_mm: {limits.total_mm:g} mm is less than shell and thinnest insert, {base:g} mm, so no "
            "set-up is allowed; raise it"
        )
    for key in told.limits.off:
        if getattr(told.limits, key) is not None:
            lines.append(f"limits: {key} has a value and is listed under off; keep one")
    return lines
