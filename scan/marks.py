"""Marks on the horse: coloured dots, points and told distances, resolved to places; the scale pair (DESIGN §9)."""

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from scipy.spatial import cKDTree

from shimwright.scan.back import Frame, Landmark
from shimwright.scan.dots import Patch, patches
from shimwright.scan.raw import FloatArray, Paint
from shimwright.scan.refusal import InputRefused, WrongUse
from shimwright.scan.told import BehindWithers, Dot, ScalePair, ScanPoint, Told

ALIKE = 0.5  # samples of the second patch over the first: two alike [J]
DOT_SD_MM = 2.0
POINT_SD_MM = 3.0
TOLD_SD_MM = 10.0  # a tape along the back [J]
OFF_BODY_CELLS = 5.0
PAIR_SD_MM = 1.53  # 0.45 % at 340 mm (DESIGN §9)
WRONG_SCALE = 0.10
WRONG_SIDE_MM = 15.0
FORE = ("withers", "shoulder", "saddle_front")
AFT = ("croup", "last_rib", "saddle_rear")
FRONT_TO_REAR = (
    *((f"shoulder_{side}", f"last_rib_{side}") for side in ("left", "right")),
    *((f"saddle_front_{side}", "saddle_rear") for side in ("left", "right")),
    *((f"last_rib_{side}", "croup") for side in ("left", "right")),
    ("withers", "low"),
    ("low", "croup"),
    ("withers", "croup"),
)


@dataclass(frozen=True)
class MarksSeen:
    """Marks found on the scan, scan coordinates. single: place → (3,). pairs: place without side → (2, 3)."""

    single: Mapping[str, FloatArray]
    pairs: Mapping[str, FloatArray]

    def points(self, stems: tuple[str, ...]) -> FloatArray:
        """(m, 3): every mark whose place begins with one of the stems."""
        found = [p[None] for place, p in self.single.items() if place.startswith(stems)]
        found += [p for place, p in self.pairs.items() if place.startswith(stems)]
        return np.concatenate([np.zeros((0, 3)), *found])


NO_MARKS = MarksSeen(MappingProxyType({}), MappingProxyType({}))


def seen_marks(told: Told, paint: Paint | None, cells: FloatArray, cell: float) -> MarksSeen:
    """Dots and points told, found on the body (cells (k, 3), edge `cell`). Refuses what is not there or not clear."""
    single: dict[str, FloatArray] = {}
    pairs: dict[str, FloatArray] = {}
    for colour, places in _by_colour(told).items():
        found = patches(paint, colour, cells, cell)
        if len(places) == 1:
            single[places[0]] = _one(found, colour, places[0]).centre
        else:
            stem = places[0].removesuffix("_left").removesuffix("_right")
            pairs[stem] = np.stack([patch.centre for patch in _two(found, colour, f"{stem}_left and {stem}_right")])
    for place, mark in told.marks.items():
        if isinstance(mark, ScanPoint):
            single[place] = _on_body(np.array(mark.xyz, float), place, cells, cell)
    return MarksSeen(single, pairs)


def _by_colour(told: Told) -> dict[str, list[str]]:
    """Colour → the places it marks: one, or the left and right of one."""
    places: dict[str, list[str]] = {}
    for place, mark in sorted(told.marks.items()):
        if isinstance(mark, Dot):
            places.setdefault(mark.colour.lower(), []).append(place)
    for colour, both in places.items():
        stems = {place.removesuffix("_left").removesuffix("_right") for place in both}
        if len(both) > 2 or (len(both) == 2 and (len(stems) > 1 or not both[0].endswith("_left"))):
            raise WrongUse(f"{colour} marks {', '.join(both)}: one colour can mark one place, or its left and right")
    return places


def _one(found: tuple[Patch, ...], colour: str, place: str) -> Patch:
    if not found:
        raise InputRefused(f"no {colour} dot on the horse for {place}: check the colour, or give a point x,y,z instead")
    if len(found) > 1 and found[1].samples >= ALIKE * found[0].samples:
        raise InputRefused(
            f"{len(found)} {colour} patches on the horse, the two largest alike ({found[0].samples} and "
            f"{found[1].samples} points): which is {place}? Use another colour or give a point x,y,z"
        )
    return found[0]


def _two(found: tuple[Patch, ...], colour: str, places: str) -> tuple[Patch, Patch]:
    if len(found) < 2 or (len(found) > 2 and found[2].samples >= ALIKE * found[1].samples):
        raise InputRefused(
            f"{len(found)} {colour} dots on the horse where {places} need two: check the colours, or give points x,y,z"
        )
    return found[0], found[1]


def _on_body(point: FloatArray, place: str, cells: FloatArray, cell: float) -> FloatArray:
    off = float(cKDTree(cells).query(point)[0])
    if not off <= OFF_BODY_CELLS * cell:
        at = ",".join(f"{v:g}" for v in point)
        raise InputRefused(
            f"the point {at} for {place} lies {off:.4g} scan units off the horse's surface: "
            "give it in the scan's own coordinates"
        )
    return point


def resolve_marks(told: Told, seen: MarksSeen, frame: Frame) -> tuple[Landmark, ...]:
    """The marks in the back frame, mm. A told distance has x only (y and z NaN).

    Refuses sided marks that lie on the other side: the scan is a mirror image, or head and tail are changed.
    """
    marks = [_landmark(place, frame.to_back(point[None])[0], told) for place, point in sorted(seen.single.items())]
    for stem, points in sorted(seen.pairs.items()):
        both = frame.to_back(points)
        left, right = both[np.argsort(-both[:, 1])]
        marks += [_landmark(f"{stem}_left", left, told), _landmark(f"{stem}_right", right, told)]
    _refuse_other_side(marks, frame)
    distances = [(place, mark.mm) for place, mark in sorted(told.marks.items()) if isinstance(mark, BehindWithers)]
    nowhere = np.nan
    marks += [
        Landmark(place, np.array([-mm, nowhere, nowhere]), "told", "distance", TOLD_SD_MM) for place, mm in distances
    ]
    _refuse_other_order(marks)
    return tuple(marks)


def _landmark(place: str, position: FloatArray, told: Told) -> Landmark:
    dot = isinstance(told.marks.get(place), Dot)
    return Landmark(place, position, "marked", "dot" if dot else "point", DOT_SD_MM if dot else POINT_SD_MM)


def _refuse_other_order(marks: list[Landmark]) -> None:
    """A mark that lies behind another one which every horse has behind it, told or seen."""
    behind = {mark.name: -float(mark.position_mm[0]) for mark in marks}
    for front, rear in FRONT_TO_REAR:
        if front in behind and rear in behind and behind[front] >= behind[rear]:
            raise InputRefused(
                f"{front} is marked {behind[front]:.0f} mm behind the withers and {rear} {behind[rear]:.0f} mm: on a "
                f"horse {front} lies in front of {rear}; correct the marks, or --head if head and tail are changed"
            )


def _refuse_other_side(marks: list[Landmark], frame: Frame) -> None:
    sided = [(m, 1 if m.name.endswith("_left") else -1) for m in marks if m.name.endswith(("_left", "_right"))]
    wrong = [m for m, side in sided if side * m.position_mm[1] < -WRONG_SIDE_MM]
    if not wrong:
        return
    mark = wrong[0]
    other = "left" if mark.position_mm[1] > 0 else "right"
    cure = "leave out --mirror" if frame.mirrored else "say --mirror if the scan is a mirror image"
    head = "" if frame.head_source == "told" else ", or --head if head and tail are changed"
    raise InputRefused(
        f"the mark {mark.name} lies {abs(mark.position_mm[1]):.0f} mm to the {other} of the spine: "
        f"left and right would be changed; {cure}{head}, or correct the mark"
    )


@dataclass(frozen=True)
class PairFound:
    """The scale pair as seen: told distance mm, measured distance in scan units."""

    told_mm: float
    units: float

    @property
    def mm_per_unit(self) -> float:
        return self.told_mm / self.units

    @property
    def sd(self) -> float:
        """Relative sd of the scale from the pair."""
        return PAIR_SD_MM / self.told_mm


def scale_pair(pair: ScalePair | None, paint: Paint | None, cells: FloatArray, cell: float) -> PairFound | None:
    """The two dots of a scale pair. Refuses where they are not clear."""
    if pair is None:
        return None
    names = f"the scale pair {pair.first}, {pair.second}"
    if pair.first.lower() == pair.second.lower():
        one, two = _two(patches(paint, pair.first, cells, cell), pair.first, names)
    else:
        one = _one(patches(paint, pair.first, cells, cell), pair.first, names)
        two = _one(patches(paint, pair.second, cells, cell), pair.second, names)
    return PairFound(pair.mm, float(np.linalg.norm(one.centre - two.centre)))


def told_against_pair(unit_mm: float, pair: PairFound) -> tuple[float, str | None]:
    """(mm per unit, message) of a told unit checked by a scale pair.

    Nothing below twice the pair's sd, corrected and said above it, refused above 10 %.
    """
    off = unit_mm * pair.units / pair.told_mm - 1
    measured = unit_mm * pair.units
    if abs(off) > WRONG_SCALE:
        raise InputRefused(
            f"the scale pair measures {measured:.0f} mm and was told {pair.told_mm:.0f} mm ({100 * off:+.0f} %): "
            "the unit or the distance is wrong, correct --unit or --scale"
        )
    if abs(off) <= 2 * pair.sd:
        return unit_mm, None
    return (
        pair.mm_per_unit,
        f"scale corrected by {-100 * off:+.1f} %: the pair measured {measured:.1f} mm, told {pair.told_mm:.1f}",
    )
