"""case.toml → one horse, one saddle, one pad, one day: what was told, and the files it refers to."""

import datetime
import difflib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from types import MappingProxyType
from typing import Annotated, Any, Literal, NamedTuple

from pydantic import AfterValidator, BeforeValidator, Field

from shimwright.optimize.case import ZONES, Aim, Case, Horse, PartialSetup, Rider, Today
from shimwright.optimize.pad import Pad
from shimwright.optimize.saddle import Saddle
from shimwright.optimize.setup import Layer, Stack
from shimwright.pad_file import NO_PAD, pockets_off_panel, read_pad
from shimwright.quantity import HorseHeight, HorseWeight, Lean, RiderWeight, Size, length_mm, within
from shimwright.saddle_file import read_saddle
from shimwright.scan.told import Mark, ScalePair, Told
from shimwright.stock_file import read_stock
from shimwright.told_options import direction, mark, placed, scale_pair, scanner_kind, unit
from shimwright.toml_file import Table, Words, read_toml, wrong

MOST_STANCES, MOST_TRIES = 12, 24  # each is solved; more would not be read on a sheet either [J]
YEARS = 2000, 2100
NONE = "none"  # pad = "none": the saddle goes straight on the horse


class LayerTold(NamedTuple):
    """shim None: the first one of the pad."""

    shim: str | None
    thickness_mm: float


_thickness = within(length_mm, 0.0, 60.0, "mm", "a layer's thickness")


def _stack(told: object) -> tuple[LayerTold, ...]:
    """A bare thickness, or layers = [{ shim, thickness_mm }] from the horse outward."""
    layers = told.get("layers") if isinstance(told, dict) and set(told) == {"layers"} else told
    if isinstance(layers, list):
        return tuple(_layer(one) for one in layers)
    if isinstance(layers, dict):
        raise ValueError(
            f"{{ {', '.join(layers)} }} is not a stack; say 6, or {{ layers = [{{ shim, thickness_mm }}] }}"
        )
    thickness = _thickness(layers)
    return (LayerTold(None, thickness),) if thickness > 0 else ()


def _layer(told: object) -> LayerTold:
    if not (isinstance(told, dict) and set(told) == {"shim", "thickness_mm"} and isinstance(told["shim"], str)):
        raise ValueError('each layer is { shim = "…", thickness_mm = … }, no other key')
    thickness = _thickness(told["thickness_mm"])
    if thickness == 0:
        raise ValueError("a layer of 0 mm is no layer; leave it out")
    return LayerTold(told["shim"], thickness)


def _date(told: object) -> str:
    if type(told) is datetime.date:
        day = told
    elif isinstance(told, str):
        try:
            day = datetime.date.fromisoformat(told)
        except ValueError:
            raise ValueError(f'"{told}" is not a date; write it as 2026-03-21') from None
    else:
        raise ValueError(f'"{told}" is not a date; write it as 2026-03-21')
    if not YEARS[0] <= day.year <= YEARS[1]:
        raise ValueError(f"{day} is no day of a fitting: the years {YEARS[0]} to {YEARS[1]} are expected")
    return day.isoformat()


def _marks(told: dict[str, Mark]) -> dict[str, Mark]:
    return dict(placed(told.items()))


def _sore_place(told: str) -> str:
    names = (*ZONES, "withers")
    if told not in names:
        near = difflib.get_close_matches(told, names, 1)
        raise ValueError(
            f'"{told}" is not a place; ' + (f'did you mean "{near[0]}"?' if near else "use " + ", ".join(names))
        )
    return told


StackTold = Annotated[tuple[LayerTold, ...], BeforeValidator(_stack)]
DateTold = Annotated[str, BeforeValidator(_date)]
UnitTold = Annotated[float, BeforeValidator(unit)]
DirectionTold = Annotated[tuple[float, float, float], BeforeValidator(direction)]
ScannerTold = Annotated[str, BeforeValidator(scanner_kind)]
MarkTold = Annotated[Any, AfterValidator(mark)]
Room = Annotated[float, BeforeValidator(within(length_mm, 0.0, 5.0, "mm", "room in the middle"))]


class ScaleTable(Table):
    between: Annotated[list[str], Field(min_length=2, max_length=2)]
    mm: Size


class FrameTable(Table):
    unit: UnitTold | None = None
    up: DirectionTold | None = None
    head: DirectionTold | None = None
    mirror: bool = False
    scale: ScaleTable | None = None
    scanner: ScannerTold | None = None


class HorseTable(Table):
    name: Words | None = None
    height: HorseHeight | None = None
    weight: HorseWeight | None = None
    age: Annotated[float, Field(ge=0, le=60)] | None = None
    work: Literal["young", "growing", "rehab", "fit", "settled"] | None = None


class SetupTable(Table):
    arch: str | None = None
    insert: str | None = None
    pockets: dict[str, StackTold] = Field(default_factory=dict)


class TodayTable(Table):
    date: DateTold | None = None
    stood_square: bool | None = None
    sore: list[Annotated[str, AfterValidator(_sore_place)]] = Field(default_factory=list)
    lame: bool | None = None
    hot_or_open_skin: bool | None = None
    saddle_moves: Literal["no", "forward", "back", "left", "right", "not known"] | None = None
    setup: SetupTable | None = None


class RiderTable(Table):
    weight: RiderWeight | None = None
    leans: Literal["no", "left", "right"] = "no"
    lean_mm: Lean = 20.0
    in_stirrups: Annotated[float, Field(ge=0, le=1)] = 0.0


class AimTable(Table):
    aim: Literal["today", "room to grow"] = "today"
    middle_room_mm: Room = 0.0


class StanceTable(Table):
    """The horse held otherwise: another scan of it, or made from this one."""

    name: str | None = None
    scan: str | None = None
    made: Literal["flatter", "lifted", "hollowed"] | None = None
    weight: Annotated[float, Field(gt=0, le=10)] | None = None


class CaseTable(Table):
    """Every key of case.toml."""

    scan: str | None = None
    traced: str | None = None
    saddle: str
    pad: str = NONE
    stock: str | None = None
    print_units: Literal["mm", "in"] = "mm"
    prepared_by: Words | None = None
    place: Words | None = None
    frame: FrameTable = FrameTable()
    horse: HorseTable = HorseTable()
    today: TodayTable = TodayTable()
    marks: Annotated[dict[str, MarkTold], AfterValidator(_marks)] = Field(default_factory=dict)
    rider: RiderTable = RiderTable()
    aim: AimTable = AimTable()
    stance: list[StanceTable] = Field(default=[], max_length=MOST_STANCES)
    try_: list[SetupTable] = Field(default=[], alias="try", max_length=MOST_TRIES)


@dataclass(frozen=True)
class StanceFile:
    """One [[stance]]: exactly one of scan and made. weight None: the shipped one."""

    name: str
    scan: Path | None
    made: str | None
    weight: float | None


@dataclass(frozen=True)
class CaseFile:
    """A case file with everything it refers to. Exactly one of scan and traced is a path."""

    path: Path
    scan: Path | None
    traced: Path | None
    told: Told
    saddle: Saddle
    pad: Pad
    case: Case
    stances: tuple[StanceFile, ...] = ()
    stock: Path | None = None


def read_case(path: Path, *, anyway: bool = False) -> CaseFile:
    """The case. Raises WrongUse for wrong keys, missing files and names that the saddle or the pad does not have."""
    told = read_toml(path, CaseTable)
    lines = _wrong_files(told, path.parent)
    if lines:
        raise wrong(path, lines)
    saddle = read_saddle(path.parent / told.saddle)
    pad = NO_PAD if told.pad == NONE else read_pad(path.parent / told.pad)
    lines = [*_wrong_setups(told, saddle, pad), *_wrong_scale(told)]
    if told.rider.in_stirrups > 0 and saddle.stirrup_bar_x_mm is None:
        lines.append(
            "rider.in_stirrups: where the stirrup bars lie is not told, so nobody knows where that weight hangs; add "
            "stirrup_bar_x_mm to the saddle"
        )
    if lines:
        raise wrong(path, lines)
    if off := pockets_off_panel(pad, saddle):
        raise wrong(path.parent / told.pad, off)
    scan = path.parent / told.scan if told.scan else None
    traced = path.parent / told.traced if told.traced else None
    stock = path.parent / told.stock if told.stock else None
    case = replace(_case(told, pad), anyway=anyway, stock=read_stock(stock) if stock else None)
    return CaseFile(path, scan, traced, _told(told), saddle, pad, case, _stances(told, path.parent), stock)


def _stances(told: CaseTable, folder: Path) -> tuple[StanceFile, ...]:
    return tuple(
        StanceFile(
            one.name or one.made or Path(one.scan or "").stem,
            folder / one.scan if one.scan else None,
            one.made,
            one.weight,
        )
        for one in told.stance
    )


def shared_tools(path: Path) -> tuple[Path, Path | None]:
    """Files of saddle and pad that a case refers to; pad None where it has none."""
    told = read_toml(path, CaseTable)
    return path.parent / told.saddle, None if told.pad == NONE else path.parent / told.pad


def stock_named(path: Path) -> Path | None:
    """The file of the stock that a case refers to, if it does."""
    told = read_toml(path, CaseTable)
    return path.parent / told.stock if told.stock else None


def _told(told: CaseTable) -> Told:
    frame = told.frame
    pair: ScalePair | None = None
    if frame.scale:
        pair = scale_pair(frame.scale.between[0], frame.scale.between[1], frame.scale.mm)
    found: Mapping[str, Mark] = MappingProxyType(told.marks)
    return Told(
        unit_mm=frame.unit,
        up=frame.up,
        head=frame.head,
        mirror=frame.mirror,
        marks=found,
        scale=pair,
        scanner=frame.scanner,
    )


def _case(told: CaseTable, pad: Pad) -> Case:
    horse, today, rider = told.horse, told.today, told.rider
    return Case(
        horse=Horse(horse.name, horse.height, horse.weight, horse.age, horse.work),
        today=Today(
            date=today.date,
            stood_square=today.stood_square,
            sore=tuple(today.sore),
            lame=today.lame,
            hot_or_open_skin=today.hot_or_open_skin,
            saddle_moves=today.saddle_moves,
            worn=_setup(today.setup, pad) if today.setup else None,
        ),
        rider=Rider(lean=rider.leans, lean_mm=rider.lean_mm, in_stirrups=rider.in_stirrups)
        if rider.weight is None
        else Rider(rider.weight, True, rider.leans, rider.lean_mm, rider.in_stirrups),
        aim=Aim(told.aim.aim, told.aim.middle_room_mm),
        tries=tuple(_setup(one, pad) for one in told.try_),
        print_units=told.print_units,
        prepared_by=told.prepared_by,
        place=told.place,
    )


def _setup(told: SetupTable, pad: Pad) -> PartialSetup:
    def stack(layers: tuple[LayerTold, ...]) -> Stack:
        return tuple(Layer(layer.shim or pad.shims[0].name, layer.thickness_mm) for layer in layers)

    stacks = {name: stack(layers) for name, layers in told.pockets.items()}
    return PartialSetup(told.arch, told.insert, MappingProxyType(stacks))


def _wrong_files(told: CaseTable, folder: Path) -> list[str]:
    lines = []
    if (told.scan is None) == (told.traced is None):
        both = "are both told; keep the one that was taken today" if told.scan else "are both missing; add one of them"
        lines.append(f"scan and traced {both}")
    for n, one in enumerate(told.stance):
        if (one.scan is None) == (one.made is None):
            both = "are both told; keep one" if one.scan else "are both missing; a stance is another scan, or made"
            lines.append(f"stance {n + 1}: scan and made {both}")
    files = {f"stance {n + 1}.scan": one.scan for n, one in enumerate(told.stance)}
    files |= {"scan": told.scan, "traced": told.traced, "saddle": told.saddle, "pad": told.pad, "stock": told.stock}
    for key, name in files.items():
        if name is not None and name != NONE and not _is_file(folder / name):
            lines.append(f'{key}: no file "{name}" beside the case; paths are relative to the case file, correct it')
    return lines


def _is_file(path: Path) -> bool:
    try:
        return path.is_file()
    except OSError:  # in a folder that is closed to us, or no name that a file can have
        return False


def _wrong_scale(told: CaseTable) -> list[str]:
    if not told.frame.scale:
        return []
    try:
        scale_pair(told.frame.scale.between[0], told.frame.scale.between[1], told.frame.scale.mm)
    except ValueError as error:
        return [f"frame.scale: {error}"]
    return []


def _wrong_setups(told: CaseTable, saddle: Saddle, pad: Pad) -> list[str]:
    setups = [("today.setup", told.today.setup)] + [(f"try {n + 1}", one) for n, one in enumerate(told.try_)]
    return [line for where, one in setups if one for line in _wrong_setup(where, one, saddle, pad)]


def _wrong_setup(where: str, told: SetupTable, saddle: Saddle, pad: Pad) -> list[str]:
    checks: list[tuple[str, Iterable[str], list[str], str]] = [
        ("arch", [told.arch] if told.arch else [], [one.name for one in saddle.arches], "saddle"),
        ("insert", [told.insert] if told.insert else [], [one.name for one in pad.inserts], "pad"),
        ("pockets", told.pockets, [one.name for one in pad.pockets], "pad"),
        (
            "pockets",
            {layer.shim for stack in told.pockets.values() for layer in stack if layer.shim},
            [one.name for one in pad.shims],
            "pad's stock",
        ),
    ]
    return [
        f'{where}.{key}: the {owner} has no "{name}"; {_hint(name, names)}'
        for key, told_names, names, owner in checks
        for name in sorted(told_names)
        if name not in names
    ]


def _hint(name: str, names: list[str]) -> str:
    near = difflib.get_close_matches(name, names, 1)
    return f'did you mean "{near[0]}"?' if near else "known: " + (", ".join(names) or "none")
