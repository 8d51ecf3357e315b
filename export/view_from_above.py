"""The recurring picture: this horse's back from above, head up, with saddle, landmarks and pockets in their places."""

import numpy as np

from shimwright.export.picture import Label, Picture, Stroke, View, circle, lettered, line, path
from shimwright.export.plan_of_saddle import panel_outline, pocket_outline
from shimwright.export.words import inches
from shimwright.optimize.answer import Contact, Finding, Fit
from shimwright.optimize.setup import Setup, height_mm
from shimwright.scan.back import Back
from shimwright.scan.raw import FloatArray

FRONT_MM, REAR_MM, HALF_MM = 130.0, -660.0, 330.0
SWING_MM = (25.0, 50.0)  # the blade's rear edge swings back this far (PRACTICE §5)
WHOLE_REAR_MM = -1050.0
MARGIN_MM = 5.0
CAPITAL_MM = 0.26  # height of a capital, per point of its size
SMALL_MM = 3.4  # a line of 8 pt with the air above it
DISC_MM = 4.8  # of paper: a letter's disc and a little air
PLATE_MM = 18.0  # of paper: the longest word beside the horse, and half a disc


def view_from_above(fit: Fit, width_mm: float, height_mm: float, letters: bool = True) -> Picture:
    """Back, saddle, shoulder edge, last rib, pockets with their mm. letters: where the first findings point."""
    back, contact = fit.back, fit.with_setup or fit.as_found
    view = _view(width_mm, height_mm)
    strokes = [*back_strokes(back, view), *_saddle_strokes(contact, view, _has_arch(fit))]
    labels = [*back_labels(back, view, width_mm, height_mm)]
    for pocket in fit.pad.pockets:
        outline = view_xy(view, pocket_outline(contact, pocket))
        stack = fit.setup.stacks.get(pocket.name, ()) if fit.setup else ()
        strokes.append(Stroke(path(outline, closed=True), "pocket filled" if stack else "pocket"))
        if fit.setup:
            labels += _pocket_labels(outline, fit.setup, pocket.name, fit.case.print_units)
    if fit.setup is not None:
        labels.append(Label(width_mm / 2, height_mm - 2.0, shim_unit(fit), 8, ink="soft"))
    if letters:
        places = finding_places(fit.findings[:3], contact, max(34.0, DISC_MM / view.scale))
        for letter, (x, y) in places.items():
            spot = _beside_words(view(y, x), [label for label in labels if label.plate or label.text in "ABC"])
            stroke, label = lettered(float(spot[0]), float(spot[1]), letter)
            strokes.append(stroke)
            labels.append(label)
    return Picture(
        width_mm, height_mm, "The back from above, head up, with saddle and pockets", tuple(strokes), tuple(labels)
    )


def saddle_from_above(fit: Fit, width_mm: float, height_mm: float) -> Picture:
    """Saddle and pockets alone, as large as the paper allows, for the tack card."""
    contact = fit.with_setup or fit.as_found
    outlines = {pocket.name: pocket_outline(contact, pocket) for pocket in fit.pad.pockets}
    xy = np.vstack([contact.nodes_mm[:, :2], *outlines.values()])
    reach = float(np.abs(xy[:, 1]).max())
    scale = min((width_mm - 4) / (2 * reach), (height_mm - 12) / float(np.ptp(xy[:, 0]) + 12))
    view = View((width_mm / 2, 7.0 + scale * float(xy[:, 0].max() + 8)), scale, flip_a=True)
    strokes = _saddle_strokes(contact, view, _has_arch(fit))
    side = scale * reach + 2
    labels = [
        Label(width_mm / 2, 2.0, "head", 8, ink="soft"),
        Label(width_mm / 2 - side, height_mm - 2.0, "left (near)", 8, "right", ink="soft"),
        Label(width_mm / 2 + side, height_mm - 2.0, "right (off)", 8, "left", ink="soft"),
    ]
    if fit.setup is not None:
        labels.append(Label(width_mm / 2, height_mm - 2.0, shim_unit(fit), 8, ink="soft"))
    for name, flat in outlines.items():
        outline = view_xy(view, flat)
        stack = fit.setup.stacks.get(name, ()) if fit.setup else ()
        strokes.append(Stroke(path(outline, closed=True), "pocket filled" if stack else "pocket"))
        if fit.setup:
            labels += _pocket_labels(outline, fit.setup, name, fit.case.print_units)
    return Picture(width_mm, height_mm, "Saddle and pockets from above, head up", tuple(strokes), tuple(labels))


def shim_unit(fit: Fit) -> str:
    """What the numbers in the pockets are."""
    if not fit.pad.pockets:
        return "no pockets"
    return "inches, mm below" if fit.case.print_units == "in" else "shims in mm"


def back_from_above(back: Back, width_mm: float, height_mm: float) -> Picture:
    """The bare back for the scan check: outline, landmarks, and a ring where a message points."""
    rear = max(float(back.surface.x_mm[0]), WHOLE_REAR_MM)
    view = _view(width_mm, height_mm, rear)
    strokes = [*back_strokes(back, view, rear), *unseen_strokes(back, view, rear)]
    labels = [*back_labels(back, view, width_mm, height_mm)]
    for number, message in enumerate((m for m in back.quality.messages if m.place_mm is not None), start=1):
        assert message.place_mm is not None
        x, y, _ = message.place_mm
        at = np.clip(view(y, x), [9.0, 9.0], [width_mm - 9.0, height_mm - 9.0])
        strokes.append(Stroke(circle(float(at[0]), float(at[1]), 8.0), "ring"))
        labels.append(Label(at[0] + 6.5, at[1] - 6.5, str(number), 10, strong=True, ink="accent", plate=True))
    return Picture(width_mm, height_mm, "The scanned back from above, head up", tuple(strokes), tuple(labels))


def view_xy(view: View, xy: FloatArray) -> FloatArray:
    """(n, 2) back frame (x forward, y left) → paper, head up."""
    return view(xy[:, 1], xy[:, 0])


def back_strokes(back: Back, view: View, rear_mm: float = REAR_MM) -> list[Stroke]:
    """Outline, spine line, shoulder edge with the blade's swing, last rib."""
    x, right, left = silhouette(back, rear_mm)
    flanks = [np.column_stack([x, left]), np.column_stack([x, right])]
    strokes = [Stroke(path(view_xy(view, np.vstack([flanks[0], flanks[1][::-1]])), closed=True), "ground")]
    strokes += [Stroke(path(view_xy(view, flank)), "horse line") for flank in flanks]
    strokes += _depth_lines(back, view)
    mid = np.column_stack([back.midline.x_mm, back.midline.y_mm])
    mid = mid[(mid[:, 0] < FRONT_MM) & (mid[:, 0] > rear_mm)]
    strokes.append(Stroke(path(view_xy(view, mid)), "spine"))
    for name, sign in (("left", 1), ("right", -1)):
        edge = _edge_line(back, f"shoulder_{name}", sign)
        if edge is not None:
            strokes += [
                Stroke(path(view_xy(view, edge - np.array([shift, 0.0]))), "swing")
                for shift in np.arange(SWING_MM[0], SWING_MM[1] + 1, 5.0)
            ]
            strokes.append(Stroke(path(view_xy(view, edge)), "landmark"))
        rib = _edge_line(back, f"last_rib_{name}", sign)
        if rib is not None:
            strokes.append(Stroke(path(view_xy(view, rib)), "landmark"))
    return strokes


def back_labels(back: Back, view: View, width_mm: float, height_mm: float) -> list[Label]:
    """Head, sides, and the names of the lines at their ends."""
    labels = [
        Label(width_mm / 2, 2.0, "head", 8, ink="soft"),
        Label(1.0, height_mm - 2.0, "left (near)", 8, "left", ink="soft"),
        Label(width_mm - 1.0, height_mm - 2.0, "right (off)", 8, "right", ink="soft"),
    ]
    for name, words in (("shoulder", "shoulder edge"), ("last_rib", "last rib")):
        for side, sign, anchor in (("left", 1, "left"), ("right", -1, "right")):
            mark = back.landmark(f"{name}_{side}")
            edge = _edge_line(back, f"{name}_{side}", sign)
            if mark is None or edge is None:
                continue
            _, y = view_xy(view, edge[-1:])[0]
            at = 1.0 if side == "left" else width_mm - 1.0
            labels.append(Label(at, y - 2.2, words, 8, anchor, plate=True))
            labels.append(Label(at, y + 1.2, mark.source, 8, anchor, ink="soft", plate=True))
    return labels


def unseen_strokes(back: Back, view: View, rear_mm: float) -> list[Stroke]:
    """Short slanted strokes where the scan did not show the back: places guessed from the seen on either hand."""
    surface = back.surface
    phi = np.radians(np.arange(-80.0, 81.0, 5.0))
    marks = []
    for k in range(0, surface.x_mm.size, 4):
        x, radius = float(surface.x_mm[k]), surface.radius_mm[k]
        if not rear_mm + 5.0 < x < FRONT_MM or np.isfinite(radius).sum() < 5:
            continue
        known = np.interp(phi, surface.phi[np.isfinite(radius)], radius[np.isfinite(radius)])
        y = surface.axis_y_mm[k] + known * np.sin(phi)
        marks += [view(side, x) for side in y[~surface.is_seen(np.full(phi.size, x), phi)]]
    data = "".join(line((a - 0.7, b + 0.7), (a + 0.7, b - 0.7)) for a, b in marks)
    return [Stroke(data, "landmark")] if data else []


def _depth_lines(back: Back, view: View) -> list[Stroke]:
    """This back's own shape: where it lies 50, 100 and 150 mm below the spine, station by station."""
    stations = back.stations
    keep = (stations.x_mm > REAR_MM) & (stations.x_mm < FRONT_MM)
    x = stations.x_mm[keep]
    mid_y = back.midline.at(x)[0]
    return [
        Stroke(path(view(mid_y + sign * stations.half_width_mm[keep, depth, side], x)), "depth")
        for depth in (1, 2, 3)
        for side, sign in ((0, 1.0), (1, -1.0))
    ]


def silhouette(back: Back, rear_mm: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """(x, right y, left y) of the seen back's outline from above, every 10 mm."""
    first, last = max(back.surface.x_mm[0], rear_mm), min(back.surface.x_mm[-1], FRONT_MM)
    x = np.arange(last, first, -10.0)
    y = back.point(x[:, None], back.surface.phi[None, :])[..., 1]
    some = np.isfinite(y).sum(axis=1) > 5
    x, y = x[some], y[some]
    return x, np.nanmin(y, axis=1), np.nanmax(y, axis=1)


def _beside_words(spot: FloatArray, labels: list[Label]) -> FloatArray:
    """A letter's place on paper, moved back along the horse until no words and no other letter cover it."""
    for label in sorted(labels, key=lambda label: label.y_mm):
        sign, reach = {"left": (1.0, PLATE_MM), "right": (-1.0, PLATE_MM)}.get(label.anchor, (0.0, DISC_MM))
        across = (spot[0] - label.x_mm) * sign if sign else abs(spot[0] - label.x_mm)
        if across < reach and abs(spot[1] - label.y_mm) < DISC_MM - 0.1:
            spot = np.array([spot[0], label.y_mm + DISC_MM])
    return spot


def finding_places(
    findings: tuple[Finding, ...], contact: Contact, apart_mm: float = 34.0
) -> dict[str, tuple[float, float]]:
    """Letter → (x, y) in the back frame, beside the place that the finding names; none where it names none."""
    x, y = contact.nodes_mm[:, 0], np.abs(contact.nodes_mm[:, 1])
    front, rear, out = x.max(), x.min(), float(y.max())
    part = {"front": 0.12, "shoulder": 0.05, "middle": 0.5, "rear": 0.88, "loin": 0.95, "points": 0.05, "arch": 0.02}
    places: dict[str, tuple[float, float]] = {}
    for letter, finding in zip("ABC", findings, strict=False):
        where = f"{finding.place} {finding.code}".lower().replace("_", " ")
        share = next((share for word, share in part.items() if word in where), None)
        sign = {"left": 1.0, "right": -1.0}.get(finding.side, 0.0)
        if share is None and "wither" in where:
            places[letter] = (front + 40.0, sign * 40.0)
        else:
            along = front + (rear - front) * (0.5 if share is None else share)
            places[letter] = (along, sign * (out + 22.0))
    return _apart(places, apart_mm)


def _apart(places: dict[str, tuple[float, float]], apart_mm: float) -> dict[str, tuple[float, float]]:
    """Letters that would cover one another are moved back along the horse."""
    taken: dict[str, tuple[float, float]] = {}
    for letter, (x, y) in places.items():
        while any(abs(x - a) < apart_mm and abs(y - b) < apart_mm for a, b in taken.values()):
            x -= apart_mm
        taken[letter] = (x, y)
    return taken


def _view(width_mm: float, height_mm: float, rear_mm: float = REAR_MM) -> View:
    scale = min(width_mm / (2 * HALF_MM), (height_mm - 2 * MARGIN_MM) / (FRONT_MM - rear_mm))
    return View((width_mm / 2, MARGIN_MM + scale * FRONT_MM), scale, flip_a=True)


def _has_arch(fit: Fit) -> bool:
    return fit.saddle.tree != "treeless" or fit.as_found.setup.arch is not None


def _saddle_strokes(contact: Contact, view: View, arch: bool) -> list[Stroke]:
    strokes = []
    fronts = []
    for side in (1, -1):
        outline = panel_outline(contact, side)
        strokes.append(Stroke(path(view_xy(view, outline), closed=True), "panel"))
        fronts.append(outline[np.argmax(outline[:, 0])])
    if not arch:
        return strokes
    left, right = fronts
    crown = np.array([max(left[0], right[0]) + 6.0, (left[1] + right[1]) / 2])
    t = np.linspace(0.0, 1.0, 21)[:, None]
    bow = (1 - t) ** 2 * left + 2 * t * (1 - t) * (2 * crown - (left + right) / 2) + t**2 * right
    strokes.append(Stroke(path(view_xy(view, bow)), "arch"))
    return strokes


def _pocket_labels(outline: FloatArray, setup: Setup, name: str, units: str) -> list[Label]:
    stack = setup.stacks.get(name, ())
    x, y = _middle(outline)
    if not stack:
        return [Label(x, y, "–", 12, ink="accent")]
    total = height_mm(stack)
    room = min(float(np.ptp(outline[:, 0])), float(np.ptp(outline[:, 1])))
    size = float(np.clip(room / 0.75, 8.0, 24.0))
    metric = f"{total:.1f}".removesuffix(".0")
    big = inches(total, 8) if units == "in" else metric
    wide = max(1.0, len(big) / 2.6)  # of the pocket's width in digits
    size = float(np.clip(min(size, np.ptp(outline[:, 0]) / wide / 0.42), 8.0, 24.0))
    if units != "in":
        return [Label(x, y, big, size, strong=True, ink="accent")]
    size = float(np.clip(min(size, (np.ptp(outline[:, 1]) - 2.0 - SMALL_MM) / CAPITAL_MM), 8.0, 24.0))
    both = CAPITAL_MM * size + SMALL_MM
    return [
        Label(x, y - (both - CAPITAL_MM * size) / 2, big, size, strong=True, ink="accent"),
        Label(x, y + both / 2 - 1.05, f"{metric} mm", 8, ink="accent"),
    ]


def _middle(outline: FloatArray) -> tuple[float, float]:
    """Centroid of a polygon (n, 2)."""
    x, y = outline[:, 0], outline[:, 1]
    cross = x * np.roll(y, -1) - np.roll(x, -1) * y
    area = cross.sum() / 2
    return (
        float(((x + np.roll(x, -1)) * cross).sum() / (6 * area)),
        float(((y + np.roll(y, -1)) * cross).sum() / (6 * area)),
    )


def _edge_line(back: Back, name: str, sign: int) -> FloatArray | None:
    """(n, 2) the line across one side of the back at a landmark, from near the spine to the outline."""
    mark = back.landmark(name)
    if mark is None or not np.isfinite(mark.position_mm).all():
        return None
    x = float(mark.position_mm[0])
    y = back.section(x)[:, 0] * sign
    reach = np.nanmax(y) if np.isfinite(y).any() else np.nan
    if not np.isfinite(reach) or reach < 80:
        return None
    return np.array([[x, sign * 60.0], [x, sign * reach]])


def scale_bar(width_mm: float, y_mm: float, scale: float, length_mm: float = 100.0) -> tuple[Stroke, Label]:
    """A bar of the given length on the horse, at the right edge of the picture."""
    a = width_mm - 1.0 - length_mm * scale
    bar = line((a, y_mm - 1), (a, y_mm), (width_mm - 1.0, y_mm), (width_mm - 1.0, y_mm - 1))
    return Stroke(bar, "contour"), Label(a - 1.5, y_mm - 0.5, f"{length_mm:.0f} mm", 8, "right", ink="soft")
