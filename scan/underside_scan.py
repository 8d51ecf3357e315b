"""A scan of the saddle upside down → the numbers a tape would give: panels, channel, rocker, angles, and how far
the two sides differ. Saddle frame: x forward, y to the horse's left, z up as the saddle is worn; mm.

The panels are what lies lowest (nearest the horse) on both sides of a channel. Each is followed from the middle of its
length, section by section, while it goes on smoothly; what lies behind it, flaps, tree, stand, is higher and left out.
Roll is taken out by equal mean angles of both sides and pitch by level ends: a scan does not know how the saddle lay.
"""

from dataclasses import dataclass

import numpy as np
from scipy.interpolate import PchipInterpolator
from scipy.optimize import least_squares

from shimwright.scan.raw import FloatArray, RawScan
from shimwright.scan.refusal import InputRefused

STATION_MM = 8.0  # thickness of a section
CELL_MM = 3.0
ON_PANEL_MM = 3.0  # nearer than this to the section's own curve is panel
CENTRINGS = 3  # the panels' edges set the middle line better than mirrored heights
SMOOTH_MM = 8.0  # from one section to the next a panel moves less
START_MM = (45.0, 100.0)  # beside the middle line, where every panel has stuff [J]
NARROWEST_MM = 40.0
LENGTH_MM = (200.0, 800.0)
SIDES_ALIKE = 0.6  # of the other side's length, or it is half a saddle
SHALLOW_DEG = 3.0  # panels fall outward by more, or it is no underside
UNITS_MM = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": 25.4}
EXTENT_MM = (300.0, 1300.0)  # of a scan that shows a whole saddle, its longest way
ANGLE_ERROR_DEG, ROCKER_ERROR_MM = 1.0, 2.0  # stated errors, held by a test


@dataclass(frozen=True)
class UndersideTold:
    """unit_mm: told, or None. up: out of the upturned underside, towards the one who scans; front: towards the arch."""

    unit_mm: float | None
    up: tuple[float, float, float] | None
    front: tuple[float, float, float] | None


@dataclass(frozen=True)
class UndersideFound:
    """What was seen. Triples are front, middle, rear of the panel; sides (2,) left, right.

    difference_mm (3,): left panel proud of the right one, by thirds, after middle and roll were taken out.
    """

    length_mm: float
    panel_width_mm: FloatArray
    channel_mm: FloatArray
    angle_deg: FloatArray
    sides_angle_deg: FloatArray
    rocker_mm: float
    sides_rocker_mm: FloatArray
    panel_curve_mm: float
    difference_mm: FloatArray
    points: int
    noise_mm: float
    unit_source: str

    @property
    def width_error_mm(self) -> float:
        """Of widths, channel and length: edges blur with the scanner's noise."""
        return 3.0 + 3.3 * self.noise_mm

    @property
    def difference_error_mm(self) -> float:
        """Of the difference of the two sides, each third."""
        return 1.0 + 0.8 * self.noise_mm

    @property
    def worst_difference_mm(self) -> float:
        """The largest of the thirds, with its sign."""
        return float(self.difference_mm[np.argmax(np.abs(self.difference_mm))])


@dataclass(frozen=True)
class _Section:
    """Across one panel: edges |y|, and the curve z = c0 + c1 u + c2 u², u from the middle of the edges."""

    x: float
    inner: float
    outer: float
    curve: FloatArray
    rest: float

    @property
    def angle_deg(self) -> float:
        return float(np.degrees(np.arctan(-self.curve[1])))


def underside_of(scan: RawScan, told: UndersideTold) -> UndersideFound:
    """Raises InputRefused where unit, up or front are not known, or what was scanned is no whole underside."""
    points, source = _saddle_frame(scan, told)
    points = _straightened(points)
    for _ in range(CENTRINGS):
        sides = [_panel(points * np.array([1.0, sign, 1.0])) for sign in (1.0, -1.0)]
        _check(sides, len(points), scan)
        points = _centred(points, sides)
    return _numbers(sides, len(points), source)


def _saddle_frame(scan: RawScan, told: UndersideTold) -> tuple[FloatArray, str]:
    up = told.up if told.up is not None else scan.up
    if up is None:
        raise InputRefused(
            f"{scan.file}: which way is up? A saddle lies upside down; say --up (out of the underside, +x … -z)"
        )
    if told.front is None:
        raise InputRefused(f"{scan.file}: where is the saddle's front? Say --front (towards the arch, +x … -z)")
    out = np.asarray(up, float) / np.linalg.norm(up)
    front = np.asarray(told.front, float)
    front = front - (front @ out) * out
    if np.linalg.norm(front) < 0.3 * np.linalg.norm(told.front):
        raise InputRefused(f"{scan.file}: --front and --up are nearly the same direction; one of them is wrong")
    front = front / np.linalg.norm(front)
    unit, source = _unit(scan, told)
    axes = np.stack([front, np.cross(-out, front), -out])
    return unit * (scan.points - np.median(scan.points, axis=0)) @ axes.T, source


def _unit(scan: RawScan, told: UndersideTold) -> tuple[float, str]:
    if told.unit_mm is not None:
        return told.unit_mm, "told"
    if scan.unit_mm is not None:
        return scan.unit_mm, "declared"
    extent = float(np.ptp(np.percentile(scan.points, [1, 99], axis=0), axis=0).max())
    fits = {name: mm for name, mm in UNITS_MM.items() if EXTENT_MM[0] <= extent * mm <= EXTENT_MM[1]}
    if len(fits) != 1:
        raise InputRefused(
            f"{scan.file}: {extent:.3g} units long, which is a saddle in "
            f"{' and '.join(fits) or 'no unit'}: say --unit mm, cm, m or in"
        )
    return next(iter(fits.values())), "shape"


def _lowest(x: FloatArray, y: FloatArray, z: FloatArray, cell: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """(x, y, z) of every cell's lowest points that are more than a stray or two."""
    i, j = np.floor(x / cell).astype(int), np.floor(y / cell).astype(int)
    order = np.lexsort((z, j, i))
    i, j, z = i[order], j[order], z[order]
    start = np.flatnonzero(np.append(True, (np.diff(i) != 0) | (np.diff(j) != 0)))
    count = np.diff(np.append(start, len(z)))
    some = count >= 3
    third = start[some] + np.maximum(count[some] // 5, 1)
    return (i[start[some]] + 0.5) * cell, (j[start[some]] + 0.5) * cell, z[third]


def _straightened(points: FloatArray) -> FloatArray:
    """Turned about z and moved sideways until both sides mirror one another best; roll is judged with it."""
    x, y, z = _lowest(points[:, 0], points[:, 1], points[:, 2], 8.0)
    best, found = np.inf, (0.0, 0.0)
    for yaw in np.radians(np.arange(-15.0, 15.1, 1.5)):
        across = -x * np.sin(yaw) + y * np.cos(yaw)
        along = x * np.cos(yaw) + y * np.sin(yaw)
        table = _table(along, across, z, 8.0)
        for middle in np.arange(-120.0, 120.1, 4.0):
            off = _unlike(table, middle)
            if off < best:
                best, found = off, (yaw, middle)
    yaw, middle = found
    cos, sin = np.cos(yaw), np.sin(yaw)
    turned = points @ np.array([[cos, -sin, 0.0], [sin, cos, 0.0], [0.0, 0.0, 1.0]])
    return np.asarray(turned - np.array([0.0, middle, 0.0]))


def _table(x: FloatArray, y: FloatArray, z: FloatArray, cell: float) -> tuple[FloatArray, float, float]:
    i, j = np.rint(x / cell).astype(int), np.rint(y / cell).astype(int)
    grid = np.full((np.ptp(i) + 1, np.ptp(j) + 1), np.nan)
    grid[i - i.min(), j - j.min()] = z
    return grid, j.min() * cell, cell


def _unlike(table: tuple[FloatArray, float, float], middle: float) -> float:
    """Median difference of mirrored heights, the roll (linear in the distance) taken out."""
    grid, low, cell = table
    twice = int(np.rint(2 * (middle - low) / cell))  # columns j and twice − j mirror one another
    j = np.arange(max(0, twice - grid.shape[1] + 1), (twice + 1) // 2)
    j = j[(twice - 2 * j) * cell <= 2 * 160.0]
    if j.size < 5:
        return np.inf
    apart = (grid[:, twice - j] - grid[:, j]).ravel()
    distance = np.tile((twice - 2 * j) * cell, grid.shape[0])
    seen = np.isfinite(apart)
    if seen.sum() < 200:
        return np.inf
    apart, distance = apart[seen], distance[seen]
    slope = float(np.median(apart / distance))
    return float(np.median(np.abs(apart - slope * distance)) / min(1.0, seen.sum() / 1000.0))


def _centred(points: FloatArray, sides: list[list[_Section]]) -> FloatArray:
    """Turned about z and moved so that the middle between the edges of both panels is y = 0."""
    x = np.linspace(max(side[-1].x for side in sides), min(side[0].x for side in sides), 61)
    middles = []
    for side in sides:
        at = np.array([one.x for one in side])[::-1]
        middles.append(np.interp(x, at, np.array([0.5 * (one.inner + one.outer) for one in side])[::-1]))
    slope, level = _line(x, 0.5 * (middles[0] - middles[1]))
    cos, sin = np.cos(np.arctan(slope)), np.sin(np.arctan(slope))
    moved = points - np.array([0.0, level, 0.0])
    return np.asarray(moved @ np.array([[cos, -sin, 0.0], [sin, cos, 0.0], [0.0, 0.0, 1.0]]))


def _panel(points: FloatArray) -> list[_Section]:
    """Sections of the panel at positive y, from front to rear."""
    beside = points[(points[:, 1] > 5.0) & (points[:, 1] < 260.0)]
    middle = START_MM[0] < beside[:, 1]
    if middle.sum() < 200:
        return []
    start = float(np.median(beside[middle, 0]))
    first = _section(beside, start, None)
    if first is None:
        return []
    found = [first]
    for way in (1.0, -1.0):
        previous: _Section | None = first
        while previous is not None and abs(previous.x - start) < LENGTH_MM[1]:
            previous = _section(beside, previous.x + way * STATION_MM, previous)
            found += [previous] if previous is not None else []
    return sorted(found, key=lambda section: -section.x)


def _section(beside: FloatArray, x: float, previous: _Section | None) -> _Section | None:
    here = beside[np.abs(beside[:, 0] - x) <= STATION_MM / 2]
    if len(here) < 30:
        return None
    y, z = here[:, 1], here[:, 2]
    if previous is None:
        _, cells, low = _lowest(np.zeros_like(y), y, z, CELL_MM)
        first = (cells > START_MM[0]) & (cells < START_MM[1])
        if first.sum() < 8:
            return None
        line = np.polyfit(cells[first] - 70.0, low[first], 1)
        curve, inner, outer, width = np.array([line[1], line[0], 0.0]), *START_MM, 4.0
        middle = 70.0
    else:
        inner, outer, curve, width = previous.inner, previous.outer, previous.curve, SMOOTH_MM
        middle = 0.5 * (inner + outer)
    for turn in range(6):
        square = float(1 / np.hypot(1.0, curve[1]))  # heights count square to the panel
        near = square * np.abs(z - _at(curve, y - middle)) < width
        run = _run(y, near, inner, outer)
        if run is None:
            return None
        inner, outer = run
        inside = near & (y > inner + 10.0) & (y < outer - 10.0)
        if inside.sum() < 20 or outer - inner < NARROWEST_MM:
            return None
        middle = 0.5 * (inner + outer)
        fitted = np.polyfit(y[inside] - middle, z[inside], 2)
        curve = fitted[::-1]
        rest = float(1.48 * square * np.median(np.abs(z[inside] - _at(curve, y[inside] - middle))))
        width = max(0.7 * width if turn else width, ON_PANEL_MM, 2.0 * rest)
    section = _Section(x, inner, outer, curve, rest)
    if previous is not None:
        shift = np.array([middle - 0.5 * (previous.inner + previous.outer)])
        moved = abs(float(curve[0]) - float(_at(previous.curve, shift)[0]))
        if moved > SMOOTH_MM or abs(section.angle_deg - previous.angle_deg) > 12.0:
            return None
        if outer - inner < 0.6 * (previous.outer - previous.inner):
            return None
    return section


def _at(curve: FloatArray, u: FloatArray) -> FloatArray:
    return np.asarray(curve[0] + curve[1] * u + curve[2] * u**2)


def _run(y: FloatArray, near: np.ndarray, inner: float, outer: float) -> tuple[float, float] | None:
    """The stretch about the last one that is filled, near the curve, as its middle is."""
    cells = np.arange(0.0, 262.0, CELL_MM)
    on = np.histogram(y[near], cells)[0]
    usual = float(np.median(on[int(inner / CELL_MM) + 1 : int(outer / CELL_MM)]))
    good = (on >= 2) & (on >= 0.3 * usual)  # a wall behind an edge fills a cell too, but not on the curve
    good = good | (np.append(good[1:], False) & np.append(False, good[:-1]))  # one empty cell is a hole, no edge
    start = int(0.5 * (inner + outer) / CELL_MM)
    if not good[start]:
        return None
    left = start - int(np.argmin(np.append(good[start::-1], False)))
    right = start + int(np.argmin(np.append(good[start:], False)))
    return float(cells[left + 1]), float(cells[right])


def _check(sides: list[list[_Section]], points: int, scan: RawScan) -> None:
    lengths = [len(side) * STATION_MM for side in sides]
    read = f"{scan.file}: {scan.format}, {points} points"
    if max(lengths) < LENGTH_MM[0]:
        raise InputRefused(
            f"{read}: no panels were found beside a channel (longest {max(lengths):.0f} mm): is it the underside of a "
            "saddle, upside down, with --up out of it? Scan it again or fill saddle.toml by tape"
        )
    if max(lengths) > LENGTH_MM[1]:
        raise InputRefused(
            f"{read}: a surface {max(lengths):.0f} mm long is no panel: a back, or the wrong --unit; for a back say "
            "shimwright measure"
        )
    if min(lengths) < SIDES_ALIKE * max(lengths):
        side = "left" if lengths[0] < lengths[1] else "right"
        raise InputRefused(
            f"{read}: the {side} panel was seen over {min(lengths):.0f} mm, the other over {max(lengths):.0f} mm: half "
            "a saddle cannot be compared side by side; scan both panels from front to rear"
        )
    angles = [float(np.median([section.angle_deg for section in side])) for side in sides]
    channel = float(np.median([section.inner for side in sides for section in side]))
    if min(angles) < SHALLOW_DEG or channel < 8.0:
        raise InputRefused(
            f"{read}: the surface falls {min(angles):.0f}° outward and is free {2 * channel:.0f} mm in the middle: no "
            "two panels with a channel. A back? Say shimwright measure. A saddle the right way up? Turn --up round"
        )


def _numbers(sides: list[list[_Section]], points: int, source: str) -> UndersideFound:
    front = max(side[0].x for side in sides) + STATION_MM / 2
    rear = min(side[-1].x for side in sides) - STATION_MM / 2
    length = front - rear
    s = [np.array([(front - one.x) / length for one in side]) for side in sides]
    raw = [np.array([one.angle_deg for one in side]) for side in sides]
    angles = np.stack([_triple(s[k], raw[k]) for k in range(2)])
    roll = np.radians(0.5 * float((angles[0] - angles[1]).mean()))  # left steeper: the whole leans to the left
    cosine = [np.cos(np.radians(_profile(angles[k], s[k]))) for k in range(2)]
    wide = [np.array([one.outer - one.inner for one in side]) / cosine[k] for k, side in enumerate(sides)]
    inner = [np.array([one.inner for one in side]) for side in sides]
    rockers, crowns = [], []
    for k, side in enumerate(sides):
        sign = 1.0 if k == 0 else -1.0
        y = np.array([0.5 * (one.inner + one.outer) for one in side])
        z = np.array([one.curve[0] for one in side]) + sign * roll * y
        inside = (s[k] > 0.07) & (s[k] < 0.93)  # the ends are flared
        bow = 4 * s[k] * (1 - s[k]) / cosine[k]
        ways = np.column_stack([np.ones_like(z), -s[k], -bow])
        fitted, *_ = np.linalg.lstsq(ways[inside], z[inside], rcond=None)
        rockers.append(float(fitted[2]))
        crowns.append(np.array([-one.curve[2] * (0.5 * (one.outer - one.inner)) ** 2 for one in side]) * -cosine[k])
    mean = angles.mean(axis=0)
    rest = float(np.median([one.rest for side in sides for one in side]))
    return UndersideFound(
        length,
        _triple(np.concatenate(s), np.concatenate(wide)),
        2 * _triple(np.concatenate(s), np.concatenate(inner)),
        mean,
        angles - np.degrees(roll) * np.array([[1.0], [-1.0]]),
        float(np.mean(rockers)),
        np.array(rockers),
        float(np.median(np.concatenate(crowns))),
        _difference(sides, s, roll, mean),
        points,
        rest,
        source,
    )


def _triple(s: FloatArray, values: FloatArray) -> FloatArray:
    """(3,): front, middle, rear of the smooth profile that meets the values best, a few strays no matter."""
    inside = (s > 0.04) & (s < 0.96)
    start = np.interp([0.0, 0.5, 1.0], np.sort(s[inside]), values[inside][np.argsort(s[inside])])
    found = least_squares(lambda three: _profile(three, s[inside]) - values[inside], start, loss="soft_l1", f_scale=1.0)
    return np.asarray(found.x)


def _profile(three: FloatArray, s: FloatArray) -> FloatArray:
    return np.asarray(PchipInterpolator([0.0, 0.5, 1.0], three)(np.clip(s, 0.0, 1.0)))


def _difference(sides: list[list[_Section]], s: list[FloatArray], roll: float, angle_deg: FloatArray) -> FloatArray:
    """(3,) left panel proud (lower) of the right one, by thirds, square to the panel: both read at the same distance
    from the middle line, a straight one halfway between the edges of all sections.
    """
    at = np.linspace(0.05, 0.95, 91)
    edges = np.stack([_along(s[k], np.array([[one.inner, one.outer] for one in sides[k]]), at) for k in range(2)])
    middle = 0.5 * (edges[0] - edges[1]).mean(axis=1)
    off = np.polyval(_line(at, middle), at)  # what is left of the turn about z, and sideways
    curves = [_along(s[k], np.array([one.curve for one in sides[k]]), at) for k in range(2)]
    level = []
    for k, sign in enumerate((1.0, -1.0)):
        lateral = edges.mean(axis=(0, 2)) + sign * off
        u = lateral - edges[k].mean(axis=1)
        level.append(curves[k][:, 0] + curves[k][:, 1] * u + curves[k][:, 2] * u**2 + sign * roll * lateral)
    lean = np.radians(_profile(angle_deg, at))
    # a panel proud along its normal takes its edges along, so the middle line above leans to it
    square = (level[1] - level[0]) * np.cos(lean) / (1 - np.sin(lean) * np.sin(lean).mean())
    return np.array([float(np.median(part)) for part in np.array_split(square, 3)])


def _line(at: FloatArray, values: FloatArray) -> FloatArray:
    """(2,) slope and level, a few strays no matter."""
    found = least_squares(lambda line: np.polyval(line, at) - values, np.polyfit(at, values, 1), loss="soft_l1")
    return np.asarray(found.x)


def _along(s: FloatArray, rows: FloatArray, at: FloatArray) -> FloatArray:
    """Rows (n, k) told at s, read at other places."""
    order = np.argsort(s)
    return np.stack([np.interp(at, s[order], column[order]) for column in rows.T], axis=1)
