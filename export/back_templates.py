"""The back as full-size paper templates: spine profile and named sections, each as positive and negative.

Positive: the shape of the back. Negative: what lies on the horse. Both meet in one cut line. Sections are seen from
behind (left is left), the profile from the left (head to the left).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from shapely.geometry import LineString, Polygon

from shimwright.export import words
from shimwright.export.drawing import CUT, LETTER_MM, MARK, Drawing, Line, Text, scale_bars, text_width_mm, together
from shimwright.export.paper import PAPERS, Heading, lay_out
from shimwright.export.write_pdf import write_pdf
from shimwright.export.write_svg import write_svg
from shimwright.scan.back import Back
from shimwright.scan.raw import FloatArray

ARCH_SECTION_MM = -100.0  # where the trade takes the arch's width [T]
SECOND_SECTION_MM = -200.0
SAME_PLACE_MM = 15.0  # two named sections nearer than this are one
HALF_SECTION_MM = 168.0  # to each side: two tiles of either paper hold the whole width
BAND_MM = 32.0  # stuff left above and below the line, to hold it by
PHI_STEP = np.radians(0.25)
SMOOTH_MM = 0.02  # points that change the line by less are left out
LONGEST_BRIDGE_MM = 60.0  # a longer stretch that was not seen ends the template
BETWEEN_MM = 12.0
MARK_MM = 11.0
LEADING_MM = 4.2


@dataclass(frozen=True)
class Curve:
    """A line of the back on paper.

    points (k, 2): mm, seen or bridged. unseen: bridged stretches, (2, 2) each. marks: (name, x on paper). ends: words
    for the left and right end. level: what y = 0 means. sd_mm: of the surface along the line; NaN if not known.
    """

    name: str
    points: FloatArray
    unseen: tuple[FloatArray, ...]
    marks: tuple[tuple[str, float], ...]
    ends: tuple[str, str]
    level: str
    sd_mm: float


def write_back_templates(back: Back, folder: Path, for_whom: str = "van") -> None:
    """back-templates-a4.pdf, back-templates-letter.pdf; for a cutter back-templates.dxf and .svg (maker: R12 too)."""
    curves = back_curves(back)
    horse = back.source.horse or Path(back.source.file).stem  # as on the sheet: two nameless horses stay apart
    date = f"scan of {words.day(back.source.date)}" if back.source.date else "date of the scan not told"
    title = f"Back templates, {horse}"
    who = f"{horse}, {date}"
    for paper in PAPERS:
        pieces = [together(curve.name, template(curve, who)) for curve in curves]
        pages = lay_out(pieces, paper, Heading(title, date))
        write_pdf(pages, folder / f"back-templates-{paper.name.lower()}.pdf", title)
    if for_whom != "van":
        drawing = _apart([piece for curve in curves for piece in template(curve, who)], title)
        write_svg(drawing, folder / "back-templates.svg")
        from shimwright.export.write_dxf import write_dxf  # a quarter of a second to load, and scissors need none

        write_dxf(drawing, folder / "back-templates.dxf")
        if for_whom == "maker":
            write_dxf(drawing, folder / "back-templates-r12.dxf", "R12")


def back_curves(back: Back) -> tuple[Curve, ...]:
    """Spine profile first, then the named sections from front to rear; what was not seen is left out."""
    found = [_profile(back), *(_section(back, name, x) for name, x in named_sections(back))]
    return tuple(curve for curve in found if curve is not None)


def named_sections(back: Back) -> tuple[tuple[str, float], ...]:
    """(name, x) from front to rear. Sections at nearly the same place are drawn once, under both names."""
    places = [("arch section", ARCH_SECTION_MM), ("second section", SECOND_SECTION_MM)]
    low = back.landmark("low")
    ribs = [mark for mark in (back.landmark("last_rib_left"), back.landmark("last_rib_right")) if mark is not None]
    if low is not None:
        places.append(("lowest point", float(low.position_mm[0])))
    if ribs:
        places.append(("last rib", float(np.mean([rib.position_mm[0] for rib in ribs]))))
    kept: list[tuple[str, float]] = []
    for name, x in sorted((place for place in places if np.isfinite(place[1])), key=lambda place: -place[1]):
        if kept and abs(kept[-1][1] - x) < SAME_PLACE_MM:
            kept[-1] = (f"{kept[-1][0]} and {name}", kept[-1][1])
        else:
            kept.append((name, x))
    return tuple(kept)


def _section(back: Back, name: str, x: float) -> Curve | None:
    phi = np.arange(back.surface.phi[0], back.surface.phi[-1] + PHI_STEP / 2, PHI_STEP)
    points = back.point(np.full(phi.size, x), phi)
    y0, z0 = (float(value) for value in back.midline.at(x))
    if not np.isfinite([y0, z0]).all():
        return None
    # from left to right on paper, the midline point at the origin
    paper = np.column_stack([y0 - points[:, 1], points[:, 2] - z0])[::-1]
    run = _seen_run(np.where(np.abs(paper[:, :1]) <= HALF_SECTION_MM, paper, np.nan), 0.0)
    if run is None:
        return None
    sd = back.surface.sd(points[np.isfinite(points).all(axis=1)])
    title = f"{name}, {words.behind_withers(x)}"
    level = "level" if back.frame.gravity else "square to the mirror plane"
    return Curve(title, *run, (("middle line", 0.0),), ("left (near)", "right (off)"), level, _median(sd))


def _profile(back: Back) -> Curve | None:
    """Along the spine from a hand in front of the withers to the croup, or as far as was seen."""
    midline, croup = back.midline, back.landmark("croup")
    rear = float(croup.position_mm[0]) - 20.0 if croup is not None else -np.inf
    x = np.arange(max(rear, float(midline.x_mm[0])), min(80.0, float(midline.x_mm[-1])), 2.0)[::-1]
    run = _seen_run(np.column_stack([-x, np.interp(x, midline.x_mm, midline.z_mm)]), 0.0)
    if run is None:
        return None
    low, high = float(run[0][:, 0].min()), float(run[0][:, 0].max())
    places = (("withers", 0.0), *((name, x) for name, x in named_sections(back)))
    ends = [(mark.name, mark.position_mm[0]) for mark in (croup,) if mark is not None]
    marks = tuple((_mark_words(name, x), -float(x)) for name, x in (*places, *ends) if low <= -x <= high)
    level = "level through the withers" if back.frame.gravity else "line withers–croup, gravity not known"
    return Curve("spine profile", *run, marks, ("head this way", "tail"), level, _median(midline.sd_z_mm))


def _mark_words(name: str, x: float) -> str:
    return name if round(x) == 0 else f"{name}, {-x:.0f} mm"


def _seen_run(points: FloatArray, through: float) -> tuple[FloatArray, tuple[FloatArray, ...]] | None:
    """The stretch about `through` whose gaps are short: its points, and the gaps bridged straight."""
    seen = np.flatnonzero(np.isfinite(points).all(axis=1))
    if seen.size < 2:
        return None
    gaps = np.linalg.norm(np.diff(points[seen], axis=0), axis=1)
    start = int(np.argmin(np.abs(points[seen, 0] - through)))
    breaks = np.flatnonzero(gaps > LONGEST_BRIDGE_MM)
    first = int(breaks[breaks < start].max(initial=-1)) + 1
    last = int(breaks[breaks >= start].min(initial=seen.size - 1))
    kept = points[seen[first : last + 1]]
    if len(kept) < 2:
        return None
    bridged = [i for i in range(first, last) if seen[i + 1] - seen[i] > 1]
    simple = np.asarray(LineString(kept).simplify(SMOOTH_MM).coords)
    return simple, tuple(points[[seen[i], seen[i + 1]]] for i in bridged)


def _median(values: FloatArray) -> float:
    known = values[np.isfinite(values)]
    return float(np.median(known)) if known.size else float("nan")


def template(curve: Curve, who: str) -> tuple[Drawing, Drawing]:
    """(positive, negative) in the same coordinates; their outlines share the curve and nothing else."""
    points = curve.points
    left, right = float(points[0, 0]), float(points[-1, 0])
    base, top = float(points[:, 1].min()) - BAND_MM, float(points[:, 1].max()) + BAND_MM
    below = np.vstack([points, [[right, base], [left, base]]])
    above = np.vstack([points[::-1], [[left, top], [right, top]]])
    marks, mark_words = _marks(curve)
    unseen, unseen_words = _unseen(curve)
    level, level_words = _level(curve, above)
    positive = Drawing(
        f"{curve.name}, positive",
        (Line(below, CUT, closed=True), *marks),
        (*mark_words, *_words(curve, who, "POSITIVE: the shape of the back, keep this side", base + 4.0, 1)),
    )
    negative = Drawing(
        f"{curve.name}, negative",
        (Line(above, CUT, closed=True), *unseen, *level),
        (
            *unseen_words,
            *level_words,
            *_words(curve, who, "NEGATIVE: lies on the horse, keep this side", top - 6.5, -1),
        ),
    )
    return positive, negative


def _marks(curve: Curve) -> tuple[tuple[Line, ...], tuple[Text, ...]]:
    lines, texts = [], []
    for name, x in curve.marks:
        y = float(np.interp(x, curve.points[:, 0], curve.points[:, 1]))
        lines.append(Line(np.array([[x, y], [x, y - MARK_MM]]), MARK))
        texts.append(Text(name, (x - 1.5, y - MARK_MM), anchor="end", layer=MARK))
    return tuple(lines), tuple(texts)


def _unseen(curve: Curve) -> tuple[tuple[Line, ...], tuple[Text, ...]]:
    """A dashed line beside every stretch that is only a straight guess."""
    lines = tuple(Line(gap + np.array([0.0, 2.0]), MARK, dashed=True) for gap in curve.unseen)
    texts = []
    for x, y in (gap.mean(axis=0) for gap in curve.unseen):
        outward = -1.0 if x < 0 else 1.0  # the back falls away there
        anchor = "end" if x < 0 else "start"
        texts.append(Text("not seen", (float(x) + 3.0 * outward, float(y) + 5.0), anchor=anchor, layer=MARK))
    return lines, tuple(texts)


def _level(curve: Curve, above: FloatArray) -> tuple[tuple[Line, ...], tuple[Text, ...]]:
    """The level through the withers or the middle line, with a tick every 50 mm, where it lies on the negative."""
    left, right = curve.points[0, 0], curve.points[-1, 0]
    inside = Polygon(above).buffer(-1.0).intersection(LineString([(left, 0.0), (right, 0.0)]))
    runs = [np.asarray(run.coords) for run in getattr(inside, "geoms", (inside,)) if run.geom_type == "LineString"]
    runs = [run for run in runs if len(run) and np.ptp(run[:, 0]) > 20.0]
    ticks = [
        np.array([[x, 0.0], [x, 3.0]])
        for run in runs
        for x in np.arange(np.ceil(run[:, 0].min() / 50.0) * 50.0, run[:, 0].max(), 50.0)
    ]
    room = 1.3 * text_width_mm(curve.level, LETTER_MM) + 8.0
    roomy = next((run for run in runs if np.ptp(run[:, 0]) > room), None)
    words = () if roomy is None else (_level_words(curve.level, roomy),)
    return tuple(Line(points, MARK) for points in (*runs, *ticks)), words


def _level_words(level: str, run: FloatArray) -> Text:
    """At the end of the line that lies farther out."""
    if run[:, 0].mean() < 0:
        return Text(level, (float(run[:, 0].min()) + 4.0, 1.2), layer=MARK)
    return Text(level, (float(run[:, 0].max()) - 4.0, 1.2), anchor="end", layer=MARK)


def _words(curve: Curve, who: str, kind: str, y: float, way: int) -> tuple[Text, ...]:
    """A block in the left half (on the first tile), read from the top; way: 1 grows up from y, -1 down."""
    left, right = float(curve.points[0, 0]), float(curve.points[-1, 0])
    sd = f", ± {max(curve.sd_mm, 0.1):.1f} mm" if np.isfinite(curve.sd_mm) else ""
    lines = (kind, curve.name, f"{who}{sd}")
    x = left + min(84.0, (right - left) / 2)
    at = [y - LEADING_MM * i if way < 0 else y + LEADING_MM * (len(lines) - 1 - i) for i in range(len(lines))]
    block = [Text(line, (x, at[i]), bold=i == 0, anchor="middle") for i, line in enumerate(lines)]
    ends = (
        Text(curve.ends[0], (left + 3.0, y)),
        Text(curve.ends[1], (right - 3.0, y), anchor="end"),
    )
    return (*block, *ends)


def _apart(pieces: Sequence[Drawing], name: str) -> Drawing:
    """One under the other with room between them, bars at the foot."""
    y, moved = 0.0, []
    for piece in pieces:
        left, bottom, _, top = piece.bounds_mm
        y -= top - bottom + BETWEEN_MM
        moved.append(piece.moved(-left, y - bottom))
    return together(name, (*moved, scale_bars(-20.0, y - 20.0)))
