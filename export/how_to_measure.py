"""Drawings that show how to take each number of saddle.toml and pad.toml with tape, straight-edge and protractor."""

import numpy as np

from shimwright.export.picture import Label, Picture, Stroke, line, path
from shimwright.scan.raw import FloatArray

Drawn = tuple[str, str, Picture]
WIDE_MM, HIGH_MM = 84.0, 50.0


def saddle_drawings() -> tuple[Drawn, ...]:
    """(key or keys, how to, drawing) for the tape measurements of a saddle."""
    return (
        (
            "length_mm · panel_width_mm · channel_mm",
            "Saddle upside down. Length of a panel; width of a panel and of the channel at the front, in the middle, "
            "at the rear.",
            _panels_from_below(),
        ),
        (
            "rocker_mm",
            "Straight-edge along the panel, touching at its middle, held level to both ends: the gap at the ends, mean "
            "of both.",
            _rocker(),
        ),
        (
            "angle_deg",
            "Protractor or phone across the panel, saddle level: angle below horizontal at the front, in the middle, "
            "at the rear.",
            _panel_angle(),
        ),
        (
            "panel_curve_mm",
            "Short straight-edge across the panel: how far the panel's middle stands proud of its two edges.",
            _panel_curve(),
        ),
        (
            "arches: included_deg · width_mm",
            "The angle between the legs, and the inside width from leg to leg 100 mm below the arch's top. "
            "A soft arch that follows the horse: soft = true.",
            _arch(),
        ),
        (
            "seat_x_mm · straps_x_mm · arch_length_mm · rise_mm",
            "From the arch's front edge backwards: the seat's lowest point (a marble finds it), each girth strap, "
            "how far the arch's legs bear. Rise: panel's front end over its rear end when the seat is as level as its "
            "maker meant.",
            _from_the_side(),
        ),
    )


def pad_drawing() -> tuple[Drawn, ...]:
    """(keys, how to, drawing) for the pockets of a pad."""
    return (
        (
            "pockets: from_front_mm · length_mm · from_middle_mm · width_mm",
            "Pad flat on the table. Each pocket by four numbers: from the arch's front edge back to the pocket, its "
            "length, from the middle line out to the pocket, its width. Left and right are those of the horse.",
            _pad(),
        ),
        (
            "shims: thicknesses_mm",
            "Measure each sheet as it is, with a caliper closed until it just holds. Felt and foam age: measure again "
            "at each re-check.",
            _caliper(),
        ),
    )


def tree_drawing() -> tuple[Drawn, ...]:
    """(key, how to, drawing) of the bench test for those who have no word for the tree."""
    return (
        (
            "bench_test: load_n · span_mm · deflection_mm",
            "If no word fits the tree: lay it on two battens 400 mm apart, put a weight over both sides in the middle, "
            "and read how far the tree goes down there.",
            _bench_test(),
        ),
    )


def _bench_test() -> Picture:
    x = np.linspace(8.0, 76.0, 40)
    bow = 22.0 + 2.5 * np.cos((x - 42.0) / 68.0 * np.pi)
    tree = np.vstack([np.column_stack([x, bow]), np.column_stack([x, bow + 3.0])[::-1]])
    strokes = [
        Stroke(path(tree, closed=True), "panel"),
        Stroke(path(np.array([[13.0, 26.5], [17.0, 26.5], [17.0, 36.0], [13.0, 36.0]]), closed=True), "pad"),
        Stroke(path(np.array([[67.0, 26.5], [71.0, 26.5], [71.0, 36.0], [67.0, 36.0]]), closed=True), "pad"),
        Stroke(path(np.array([[34.0, 12.0], [50.0, 12.0], [50.0, 24.0], [34.0, 24.0]]), closed=True), "pocket filled"),
        *_dimension((15.0, 41.0), (69.0, 41.0)),
        Stroke(line((15.0, 36.0), (15.0, 43.0)) + line((69.0, 36.0), (69.0, 43.0)), "hair"),
        *_dimension((58.0, 22.0), (58.0, 27.0)),
    ]
    labels = [
        Label(42.0, 18.0, "weight", 8),
        Label(42.0, 41.0, "span 400", 8, plate=True),
        Label(58.0, 31.0, "goes down", 8, plate=True),
    ]
    return _picture("Bench test of a tree", strokes, labels)


def _panels_from_below() -> Picture:
    strokes: list[Stroke] = []
    labels: list[Label] = []
    for side in (1, -1):
        strokes.append(Stroke(path(_panel_shape(side), closed=True), "panel"))
    for x, name in ((14.0, "front"), (40.0, "middle"), (66.0, "rear")):
        inner, outer = _panel_edges(x)
        strokes += _dimension((x, 25 + inner), (x, 25 + outer))
        strokes += _dimension((x, 25 - inner), (x, 25 + inner))
        labels.append(Label(x, 2.2, name, 8, ink="soft"))
    strokes += _dimension((7.0, 47.0), (74.0, 47.0))
    labels += [
        Label(40.5, 47.0, "length", 8, plate=True),
        Label(40.0, 25.0, "channel", 8, plate=True),
        Label(41.0, 25 + 13.0, "width", 8, plate=True),
    ]
    return _picture("Panels from below", strokes, labels)


def _rocker() -> Picture:
    x = np.linspace(8.0, 76.0, 40)
    sag = 8.0 * ((x - 42.0) / 34.0) ** 2
    under = np.column_stack([x, 24.0 + 0.0 * x + sag])
    above = np.column_stack([x[::-1], np.full(40, 40.0)])
    strokes = [
        Stroke(path(np.vstack([under, above]), closed=True), "panel"),
        Stroke(path(np.array([[4.0, 21.0], [80.0, 21.0], [80.0, 24.0], [4.0, 24.0]]), closed=True), "pad"),
        *_dimension((8.0, 24.0), (8.0, 32.0)),
        *_dimension((76.0, 24.0), (76.0, 32.0)),
    ]
    labels = [
        Label(42.0, 17.5, "straight-edge", 8, ink="soft"),
        Label(9.5, 27.2, "gap", 8, "left"),
        Label(74.5, 27.2, "gap", 8, "right"),
        Label(42.0, 34.0, "panel, upside down", 8, ink="soft"),
    ]
    return _picture("Rocker under a straight-edge", strokes, labels)


def _panel_angle() -> Picture:
    panel = np.array([[46.0, 16.0], [74.0, 32.0], [71.5, 38.0], [43.0, 21.5]])
    other = np.column_stack([84.0 - panel[:, 0], panel[:, 1]])
    arc = np.radians(np.linspace(0.0, 29.7, 20))
    sweep = np.column_stack([43.0 + 24.0 * np.cos(arc), 21.5 + 24.0 * np.sin(arc)])
    strokes = [
        Stroke(path(panel, closed=True), "panel"),
        Stroke(path(other, closed=True), "panel"),
        Stroke(line((43.0, 21.5), (80.0, 21.5)), "hair"),
        Stroke(line((43.0, 21.5), (77.0, 41.2)), "accent dashed"),
        Stroke(path(sweep), "accent line"),
        Stroke(line((42.0, 8.0), (42.0, 44.0)), "spine"),
    ]
    labels = [Label(72.0, 26.5, "angle", 8, "left", plate=True), Label(62.0, 18.0, "horizontal", 8, "left", ink="soft")]
    return _picture("Angle of the panel below horizontal", strokes, labels)


def _panel_curve() -> Picture:
    x = np.linspace(16.0, 68.0, 30)
    crown = np.column_stack([x, 30.0 + 7.0 * ((x - 42.0) / 26.0) ** 2])
    body = np.array([[68.0, 45.0], [16.0, 45.0]])
    strokes = [
        Stroke(path(np.vstack([crown, body]), closed=True), "panel"),
        Stroke(line((10.0, 37.0), (74.0, 37.0)), "accent dashed"),
        *_dimension((42.0, 30.0), (42.0, 37.0)),
    ]
    labels = [Label(45.0, 33.5, "proud by", 8, "left"), Label(42.0, 24.0, "across the panel", 8, ink="soft")]
    return _picture("Curve across the panel", strokes, labels)


def _arch() -> Picture:
    legs = np.array([[18.0, 44.0], [38.5, 9.5], [42.0, 7.5], [45.5, 9.5], [66.0, 44.0]])
    arc = np.radians(np.linspace(59.3, 120.7, 20))
    sweep = np.column_stack([42.0 + 14.0 * np.cos(arc), 5.0 + 14.0 * np.sin(arc)])
    strokes = [
        Stroke(path(legs), "arch"),
        Stroke(path(sweep), "accent line"),
        Stroke(line((42.0, 4.0), (42.0, 42.0)), "spine"),
        *_dimension((23.0, 36.0), (61.0, 36.0)),
        *_dimension((73.0, 7.5), (73.0, 36.0)),
        Stroke(line((43.0, 7.5), (75.0, 7.5)), "hair"),
    ]
    labels = [
        Label(42.0, 23.0, "included angle", 8, plate=True),
        Label(42.0, 36.0, "width", 8, plate=True),
        Label(74.5, 21.5, "100", 8, "left", plate=True),
    ]
    return _picture("Arch from the front", strokes, labels)


def _from_the_side() -> Picture:
    x = np.linspace(10.0, 74.0, 50)
    seat = 10.0 + 6.0 * np.cos((x - 38.0) / 64.0 * 2 * np.pi) - 2.0
    under = np.column_stack(
        [x[::-1], 22.0 + 4.0 * (x[::-1] - 10.0) / 64.0 + 3.0 * np.cos((x[::-1] - 42.0) / 64.0 * np.pi)]
    )
    strokes = [
        Stroke(path(np.vstack([np.column_stack([x, seat]), under]), closed=True), "panel"),
        Stroke(line((10.0, 4.0), (10.0, 49.0)), "hair"),
        Stroke(line((24.0, 26.0), (24.0, 36.0)) + line((33.0, 27.0), (33.0, 36.0)), "landmark"),
        *_dimension((10.0, 36.0), (24.0, 36.0)),
        *_dimension((10.0, 34.0), (33.0, 34.0)),
        *_dimension((10.0, 41.0), (38.0, 41.0)),
        Stroke(line((38.0, 14.0), (38.0, 42.5)), "hair"),
        *_dimension((10.0, 46.5), (20.0, 46.5)),
        Stroke(line((10.0, 22.0), (82.0, 22.0)), "hair"),
        *_dimension((79.0, 22.0), (79.0, 26.0)),
    ]
    labels = [
        Label(36.0, 35.0, "girth straps", 8, "left", plate=True),
        Label(40.0, 41.0, "seat's lowest point", 8, "left"),
        Label(22.0, 46.5, "arch's legs bear", 8, "left"),
        Label(8.5, 12.0, "front", 8, "right", ink="soft"),
        Label(79.0, 29.5, "rise", 8),
    ]
    return _picture("The saddle from its left side", strokes, labels)


def _pad() -> Picture:
    strokes = [
        Stroke(path(np.array([[6.0, 6.0], [78.0, 4.0], [78.0, 46.0], [6.0, 44.0]]), closed=True), "ground"),
        Stroke(path(np.array([[6.0, 6.0], [78.0, 4.0], [78.0, 46.0], [6.0, 44.0]]), closed=True), "panel edge"),
        Stroke(line((4.0, 25.0), (80.0, 25.0)), "spine"),
        Stroke(line((12.0, 3.0), (12.0, 47.0)), "hair"),
        Stroke(path(np.array([[34.0, 31.0], [58.0, 31.0], [58.0, 42.0], [34.0, 42.0]]), closed=True), "pocket filled"),
        Stroke(path(np.array([[34.0, 19.0], [58.0, 19.0], [58.0, 8.0], [34.0, 8.0]]), closed=True), "pocket"),
        *_dimension((12.0, 36.5), (34.0, 36.5)),
        *_dimension((34.0, 44.5), (58.0, 44.5)),
        *_dimension((64.0, 25.0), (64.0, 31.0)),
        *_dimension((71.0, 31.0), (71.0, 42.0)),
        Stroke(line((58.0, 31.0), (73.0, 31.0)), "hair"),
        Stroke(line((58.0, 42.0), (73.0, 42.0)), "hair"),
    ]
    labels = [
        Label(23.0, 36.5, "from front", 8, plate=True),
        Label(46.0, 44.8, "length", 8, plate=True),
        Label(63.0, 28.0, "from middle", 8, "right", plate=True),
        Label(72.5, 36.5, "width", 8, "left", plate=True),
        Label(13.0, 4.0, "arch's front edge", 8, "left", ink="soft", plate=True),
    ]
    return _picture("The pad flat, front to the left", strokes, labels)


def _caliper() -> Picture:
    strokes = [
        Stroke(path(np.array([[20.0, 22.0], [64.0, 22.0], [64.0, 28.0], [20.0, 28.0]]), closed=True), "pocket filled"),
        *_dimension((52.0, 22.0), (52.0, 28.0)),
        Stroke(line((40.0, 10.0), (60.0, 10.0), (60.0, 22.0), (48.0, 22.0)), "horse line"),
        Stroke(line((40.0, 40.0), (60.0, 40.0), (60.0, 28.0), (48.0, 28.0)), "horse line"),
    ]
    labels = [Label(66.0, 25.0, "as measured", 8, "left")]
    return _picture("A shim in a caliper", strokes, labels)


def _panel_edges(x: float) -> tuple[float, float]:
    """Inner and outer distance from the middle line at a place along the drawn panel."""
    share = (x - 7.0) / 67.0
    return 5.0 + 1.0 * share, 15.0 + 4.0 * share


def _panel_shape(side: int) -> FloatArray:
    x = np.linspace(7.0, 74.0, 20)
    inner, outer = (np.array([_panel_edges(at)[k] for at in x]) for k in (0, 1))
    ring = np.vstack([np.column_stack([x, inner]), np.column_stack([x, outer])[::-1]])
    return np.asarray(ring * np.array([1.0, side]) + np.array([0.0, 25.0]))


def _dimension(a: tuple[float, float], b: tuple[float, float]) -> list[Stroke]:
    """A measured distance: a line with a short stroke across each end."""
    start, end = np.array(a), np.array(b)
    along = (end - start) / np.hypot(*(end - start))
    across = np.array([-along[1], along[0]]) * 1.2
    ends = path(np.array([start - across, start + across])) + path(np.array([end - across, end + across]))
    return [Stroke(path(np.array([start, end])) + ends, "accent dimension")]


def _picture(title: str, strokes: list[Stroke], labels: list[Label]) -> Picture:
    return Picture(WIDE_MM, HIGH_MM, title, tuple(strokes), tuple(labels))
