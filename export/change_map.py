"""The signed map of change, the back laid flat, and figures over time with their error bars."""

from collections.abc import Callable, Sequence
from datetime import date
from itertools import pairwise
from typing import Any

import numpy as np
from contourpy import FillType, LineType, contour_generator

from shimwright.export import words
from shimwright.export.change_words import LEAST, measure_name
from shimwright.export.palette import signed_colour
from shimwright.export.picture import Label, Picture, Stroke, circle, line, path
from shimwright.scan.back import Back
from shimwright.scan.change import ARC_MM, SIDES, THIRDS_MM, Change, Measure
from shimwright.scan.raw import FloatArray

Paper = Callable[[FloatArray], FloatArray]  # (n, 2) of (arc, x) → paper
REAR_MM, FRONT_MM = -640.0, 40.0
STEP_MM = 5.0
LEFT_MM, TOP_MM = 15.0, 7.0  # of paper, beside and above the map
STEPS = (1.0, 2.0, 2.5, 5.0, 10.0, 20.0)
PART_ASIDE_MM, PART_PLACES = 200.0, 9
BANDS = 4  # to each side of zero, at most


def levels_of(changes: Sequence[Change]) -> FloatArray:
    """One symmetric scale for all maps of a sheet: (2 k + 2,) edges of the bands, white in the middle, mm."""
    top = max(float(np.nanpercentile(np.abs(_flat(one)[2]), 99.0)) for one in changes)
    step = next((step for step in STEPS if top / step <= BANDS + 0.5), STEPS[-1])
    edges = step * (np.arange(max(1, int(np.ceil(top / step - 0.5))) + 1) + 0.5)
    return np.concatenate([-edges[::-1], edges])


def change_map(change: Change, back: Back, levels: FloatArray, width_mm: float) -> Picture:
    """Blue: less horse, brown: more; a thick line round what is beyond error; head up, left on the left."""
    arc, x, flat, beyond = _flat(change)
    scale = (width_mm - LEFT_MM - 2.0) / (2 * ARC_MM)
    height = TOP_MM + scale * (FRONT_MM - REAR_MM) + 6.0

    def paper(points: FloatArray) -> FloatArray:
        """(n, 2) of (arc, x), left of the horse on the left."""
        return np.column_stack([LEFT_MM + scale * (ARC_MM - points[:, 0]), TOP_MM + scale * (FRONT_MM - points[:, 1])])

    strokes = [Stroke(_box(paper), "blank")]
    clipped = np.clip(np.nan_to_num(flat, nan=0.0), levels[0] + 1e-6, levels[-1] - 1e-6)
    clipped = np.ma.array(clipped, mask=~np.isfinite(flat))
    generator = contour_generator(arc, x, clipped, fill_type=FillType.OuterOffset)
    for low, high in pairwise(levels):
        colour = signed_colour((low + high) / 2 / levels[-1] * 0.9)
        strokes.append(Stroke(_filled(generator.filled(low, high), paper), "cell", colour))
    lines = contour_generator(arc, x, clipped, line_type=LineType.Separate)
    contours = "".join(path(paper(np.asarray(part))) for level in levels for part in lines.lines(level))
    strokes.append(Stroke(contours, "hair"))
    sure = contour_generator(arc, x, np.nan_to_num(beyond), line_type=LineType.Separate).lines(0.5)
    strokes.append(Stroke("".join(path(paper(np.asarray(part))) for part in sure), "accent line"))
    strokes += _frame(back, paper)
    return Picture(
        width_mm,
        height,
        "Change of the back from above, laid flat, head up",
        tuple(stroke for stroke in strokes if stroke.d),
        (*_ticks(paper, width_mm, height), *_zone_labels(change, paper)),
    )


def change_legend(levels: FloatArray, width_mm: float) -> Picture:
    """The bar of the map, mm at each edge."""
    edges = np.linspace(18.0, width_mm - 18.0, levels.size)
    strokes = [
        Stroke(
            path(np.array([[a, 1.0], [b, 1.0], [b, 5.0], [a, 5.0]]), closed=True),
            "cell",
            signed_colour((low + high) / 2 / levels[-1] * 0.9),
        )
        for (a, b), (low, high) in zip(pairwise(edges), pairwise(levels), strict=True)
    ]
    strokes.append(
        Stroke(path(np.array([[edges[0], 1], [edges[-1], 1], [edges[-1], 5], [edges[0], 5]]), closed=True), "frame")
    )
    labels = [Label(edges[0] - 1.5, 3.0, "fell away", 8, "right"), Label(edges[-1] + 1.5, 3.0, "filled", 8, "left")]
    inner = zip(edges[1:-1], levels[1:-1], strict=True)
    labels += [Label(float(at), 7.6, f"{level:+g}".replace("-", "−"), 8) for at, level in inner]
    return Picture(width_mm, 9.5, "Scale of the map, mm", tuple(strokes), tuple(labels))


def over_time(
    rows: Sequence[Sequence[Measure]],
    chosen: Sequence[int],
    dates: Sequence[str | None],
    width_mm: float,
    height_mm: float,
) -> Picture:
    """One figure (or a left and right pair) at every visit, with bars of two sd. chosen: its numbers in the rows."""
    x = _days(dates)
    series = [np.array([[row[k].value, row[k].sd] for row in rows], float) for k in chosen]
    low = min(float(np.nanmin(one[:, 0] - 2 * one[:, 1])) for one in series)
    high = max(float(np.nanmax(one[:, 0] + 2 * one[:, 1])) for one in series)
    low, high = low - 0.06 * (high - low + 1e-9), high + 0.06 * (high - low + 1e-9)
    left, right, top, bottom = 11.0, width_mm - 4.0, 7.0, height_mm - 6.0
    px = left + 3.0 + (right - left - 6.0) * x
    first = rows[0][chosen[0]]
    strokes = [Stroke(line((left, top), (left, bottom), (right, bottom)), "frame")]
    labels = [Label(0.0, 2.2, _title(first), 8, "left", strong=True)]

    def py(value: FloatArray | float) -> FloatArray:
        return bottom - (bottom - top) * (np.asarray(value) - low) / (high - low)

    for n, one in enumerate(series):
        role = "accent line" if n == 0 else "horse line"
        aside = 0.8 * (n - (len(series) - 1) / 2)
        known = np.isfinite(one[:, 0])
        strokes.append(
            Stroke(path(np.column_stack([px + aside, py(one[:, 0])])[known]), role if n == 0 else "landmark")
        )
        for at, (value, sd) in zip(px + aside, one, strict=True):
            if np.isfinite([value, sd]).all():
                a, b = float(py(value - 2 * sd)), float(py(value + 2 * sd))
                strokes.append(Stroke(line((at, a), (at, b)), "accent dimension" if n == 0 else "horse line"))
                strokes.append(Stroke(circle(float(at), float(py(value)), 0.8), "letter" if n == 0 else "solid"))
    least = LEAST.get(first.unit, 1.0)
    for value in (low + 0.1 * (high - low), high - 0.1 * (high - low)):
        shown = words.plain(value, first.unit, least)
        labels.append(
            Label(left - 1.0, float(py(value)), shown.removesuffix(first.unit).strip(), 8, "right", ink="soft")
        )
    begun, ended = words.day(dates[0]) or "first", words.day(dates[-1]) or "last"
    labels.append(Label(left, bottom + 2.8, begun, 8, "left", ink="soft"))
    labels.append(Label(right + 3.0, bottom + 2.8, ended, 8, "right", ink="soft"))
    return Picture(width_mm, height_mm, measure_name(first), tuple(strokes), tuple(labels))


def _title(first: Measure) -> str:
    at = f" at {-first.x_mm:.0f} mm" if np.isfinite(first.x_mm) else ""
    return f"{first.name[:1].upper()}{first.name[1:]}{at} ({first.unit})"


def _days(dates: Sequence[str | None]) -> FloatArray:
    """(n,) 0 … 1 by date, evenly where one is not told."""
    if any(day is None for day in dates):
        return np.linspace(0.0, 1.0, len(dates))
    days = np.array([date.fromisoformat(day).toordinal() for day in dates if day], float)
    span = float(np.ptp(days))
    return (days - days.min()) / span if span else np.linspace(0.0, 1.0, len(dates))


def _flat(change: Change) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """(arc (m,), x (n,), change (n, m), beyond 0/1 (n, m)): every row of the map over its own arc from the spine."""
    arc = np.arange(-ARC_MM, ARC_MM + 1e-9, STEP_MM)
    rows = [k for k, x in enumerate(change.x_mm) if REAR_MM <= x <= FRONT_MM]
    flat, sure = np.full((2, len(rows), arc.size), np.nan)
    middle = int(np.argmin(np.abs(change.phi)))
    for n, k in enumerate(rows):
        points = change.points_mm[k]
        step = np.hypot(*np.diff(points[:, 1:], axis=0).T)
        along = np.concatenate([[0.0], np.nancumsum(step)])
        along = along - along[middle]
        known = np.isfinite(change.change_mm[k])
        if known.sum() > 3:
            flat[n] = np.interp(arc, along[known], change.change_mm[k][known], left=np.nan, right=np.nan)
            sure[n] = np.interp(arc, along[known], change.beyond[k][known].astype(float), left=0.0, right=0.0)
    return arc, change.x_mm[rows], flat, sure


def _box(paper: Paper) -> str:
    corners = np.array([[-ARC_MM, REAR_MM], [ARC_MM, REAR_MM], [ARC_MM, FRONT_MM], [-ARC_MM, FRONT_MM]])
    return path(paper(corners), closed=True)


def _filled(filled: Any, paper: Paper) -> str:
    parts = [points[a:b] for points, offsets in zip(*filled, strict=True) for a, b in pairwise(offsets)]
    return "".join(path(paper(part), closed=True) for part in parts)


def _frame(back: Back, paper: Paper) -> list[Stroke]:
    """Outline, spine, shoulder edges and last ribs as straight marks."""
    strokes = [Stroke(_box(paper), "frame"), Stroke(path(paper(np.array([[0.0, REAR_MM], [0.0, FRONT_MM]]))), "spine")]
    for side, sign in SIDES:
        for name in (f"shoulder_{side}", f"last_rib_{side}"):
            mark = back.landmark(name)
            if mark is not None and np.isfinite(mark.position_mm[0]) and mark.position_mm[0] > REAR_MM:
                x = float(mark.position_mm[0])
                strokes.append(Stroke(path(paper(np.array([[sign * 60.0, x], [sign * 230.0, x]]))), "landmark"))
    return strokes


def _ticks(paper: Paper, width_mm: float, height_mm: float) -> list[Label]:
    labels = [Label(0.0, 2.6, "mm behind the withers", 8, "left", ink="soft")]
    for x in np.arange(0.0, REAR_MM, -100.0):
        at = paper(np.array([[ARC_MM, x]]))[0]
        labels.append(Label(float(at[0]) - 1.5, float(at[1]), f"{abs(x):.0f}", 8, "right", ink="soft"))
    labels.append(Label(LEFT_MM + 1.0, height_mm - 2.4, "left (near)", 8, "left", ink="soft"))
    labels.append(Label(width_mm - 3.0, height_mm - 2.4, "right (off)", 8, "right", ink="soft"))
    return labels


def _zone_labels(change: Change, paper: Paper) -> list[Label]:
    """filled or fell away by how much, or as before, in every zone that was seen."""
    labels = []
    for third, front, rear in THIRDS_MM:
        for side, sign in SIDES:
            one = next((p for p in change.places if p.name == f"{third} filled" and p.side == side), None)
            if one is None or not np.isfinite(one.change):
                continue
            x, y = paper(np.array([[sign * 140.0, (front + rear) / 2]]))[0]
            if not one.beyond:
                word = "changed in part" if _in_part(change, (front, rear), sign) else "as before"
                labels.append(Label(float(x), float(y), word, 8, ink="soft", plate=True))
                continue
            figure = words.with_error(abs(one.change), one.sd, "mm")
            word = "filled" if one.change > 0 else "fell away"
            labels.append(Label(float(x), float(y) - 1.8, word, 8, strong=True, plate=True))
            labels.append(Label(float(x), float(y) + 1.8, figure, 8, strong=True, plate=True))
    return labels


def _in_part(change: Change, ends_mm: tuple[float, float], sign: float) -> bool:
    """A patch of the zone as drawn, some 3 cm across, is beyond error although its mean is not."""
    x, y = change.points_mm[..., 0], change.points_mm[..., 1] * sign
    with np.errstate(invalid="ignore"):
        here = (x <= ends_mm[0]) & (x > ends_mm[1]) & (y > 0) & (y < PART_ASIDE_MM)
    return int((change.beyond & here).sum()) >= PART_PLACES
