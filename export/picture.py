"""A picture as data: strokes and labels in mm of paper, y down. Sheets print it, pages show it, neither draws again.

Strokes name a role, and the inks of paper or screen give the role its colour. Words stay apart from the lines: on
paper the typesetter sets them in the sheet's own font, on a page they are SVG text.
"""

import re
from dataclasses import dataclass
from html import escape

import numpy as np

from shimwright.export.palette import ON_DARK, ON_PAPER, Inks
from shimwright.scan.raw import FloatArray

MM_PER_POINT = 25.4 / 72


@dataclass(frozen=True)
class Look:
    """fill, stroke: names of inks or None. width and dash in mm."""

    fill: str | None
    stroke: str | None
    width_mm: float = 0.25
    dash: str | None = None


ROLES = {
    "horse": Look("ground", "ink", 0.35),
    "ground": Look("ground", None),
    "strip": Look("ground", "line", 0.12),
    "horse line": Look(None, "ink", 0.45),
    "spine": Look(None, "soft", 0.2, "3 0.8 0.5 0.8"),
    "landmark": Look(None, "ink", 0.3, "1.6 0.8"),
    "swing": Look(None, "line", 0.18),
    "panel": Look("paper", "ink", 0.3),
    "panel edge": Look(None, "ink", 0.3),
    "arch": Look(None, "ink", 0.9),
    "pocket": Look("paper", "accent", 0.3),
    "pocket filled": Look("tint", "accent", 0.6),
    "shim": Look("accent", None),
    "pad": Look("felt", "line", 0.15),
    "accent line": Look(None, "accent", 0.6),
    "accent dashed": Look(None, "accent", 0.4, "1.2 0.8"),
    "accent dimension": Look(None, "accent", 0.35),
    "ring": Look(None, "accent", 0.7),
    "letter": Look("accent", None),
    "depth": Look(None, "line", 0.12),
    "hair": Look(None, "line", 0.15),
    "grid": Look(None, "line", 0.08),
    "solid": Look("ink", None),
    "contour": Look(None, "ink", 0.15),
    "daylight": Look(None, "soft", 0.18),
    "cell": Look(None, None),
    "blank": Look("paper", None),
    "frame": Look(None, "line", 0.2),
    "hair ring": Look(None, "accent", 0.2),
}


@dataclass(frozen=True)
class Stroke:
    """One path. d: SVG path data, mm. fill: `#rrggbb` of a map, overrides the role."""

    d: str
    role: str
    fill: str | None = None


@dataclass(frozen=True)
class Label:
    """Words at a point. anchor: left | middle | right. plate: on a patch of paper. ink: name of an ink."""

    x_mm: float
    y_mm: float
    text: str
    size_pt: float = 8.0
    anchor: str = "middle"
    strong: bool = False
    ink: str = "ink"
    plate: bool = False


@dataclass(frozen=True)
class Picture:
    """title: what the picture shows, for those who cannot see it."""

    width_mm: float
    height_mm: float
    title: str
    strokes: tuple[Stroke, ...]
    labels: tuple[Label, ...]


@dataclass(frozen=True)
class View:
    """From model mm to paper mm: paper = origin + scale · (±a, ±b), with up as −y on paper."""

    origin_mm: tuple[float, float]
    scale: float
    flip_a: bool = False

    def __call__(self, a: FloatArray | float, b: FloatArray | float) -> FloatArray:
        """Model a to the right (to the left when flipped), b up → (…, 2) on paper."""
        sign = -1.0 if self.flip_a else 1.0
        a, b = np.broadcast_arrays(np.asarray(a, float), np.asarray(b, float))
        return np.stack([self.origin_mm[0] + sign * self.scale * a, self.origin_mm[1] - self.scale * b], axis=-1)


def path(points: FloatArray, closed: bool = False) -> str:
    """SVG path data of (n, 2) points; NaN rows break the line."""
    points = np.asarray(points, float).reshape(-1, 2)
    seen = np.asarray(np.isfinite(points).all(axis=1), bool)
    begins = np.flatnonzero(seen & ~np.append(False, seen[:-1]))  # where the pen is put down
    ends = np.flatnonzero(seen & ~np.append(seen[1:], False)) + 1
    return "".join(_stretch(points[a:b]) for a, b in zip(begins, ends, strict=True)) + (
        "Z" if closed and begins.size else ""
    )


def _stretch(points: FloatArray) -> str:
    """Path data of points (n, 2) that are all there, written at once: a sheet has a hundred thousand of them."""
    written = "M" + "L".join(["%.3f %.3f"] * len(points)) % tuple(points.ravel().tolist())
    return _MINUS_ZERO.sub("0", _TRAILING_ZEROS.sub("", written))


_TRAILING_ZEROS = re.compile(r"\.?0+(?=[ L]|$)")  # of numbers that all have three decimals
_MINUS_ZERO = re.compile(r"-0(?=[ L]|$)")


def circle(x: float, y: float, radius: float) -> str:
    """SVG path data of a circle."""
    r, start = _number(radius), f"M{_number(x - radius)} {_number(y)}"
    return f"{start}a{r} {r} 0 1 0 {_number(2 * radius)} 0a{r} {r} 0 1 0 {_number(-2 * radius)} 0Z"


def line(*points: tuple[float, float]) -> str:
    return path(np.array(points))


def lettered(x: float, y: float, letter: str) -> tuple[Stroke, Label]:
    """A letter in a filled disc, as findings point into the picture."""
    return Stroke(circle(x, y, 2.2), "letter"), Label(x, y, letter, 8.5, strong=True, ink="paper")


def paper_svg(picture: Picture) -> str:
    """SVG with paths only, inks of paper, one user unit = 1 mm: what the typesetter places."""
    body = "".join(_stroke_svg(stroke, ON_PAPER) for stroke in picture.strokes)
    return f"{_opening(picture)}>{body}</svg>"


def page_svg(picture: Picture) -> str:
    """SVG with text, coloured by the page's style sheet, for the one-file page."""
    body = "".join(
        f'<path class="{_class(stroke.role)}" d="{stroke.d}"{_fill(stroke.fill)}/>' for stroke in picture.strokes
    )
    words = "".join(_label_svg(label) for label in picture.labels)
    title = escape(picture.title)
    return f'{_opening(picture)} role="img" aria-label="{title}"><title>{title}</title>{body}{words}</svg>'


def page_style() -> str:
    """CSS of every role, for light and dark screens."""
    rules = "".join(_rule(role, look) for role, look in ROLES.items())
    light, dark = _variables(ON_PAPER), _variables(ON_DARK)
    return (
        f":root{{{light}}}@media(prefers-color-scheme:dark){{:root{{{dark}}}}}@media print{{:root{{{light}}}}}{rules}"
    )


def for_paper(picture: Picture) -> dict[str, object]:
    """The picture as the typesetter's templates read it."""
    return {
        "width": picture.width_mm,
        "height": picture.height_mm,
        "title": picture.title,
        "svg": paper_svg(picture),
        "labels": [
            {
                "x": round(label.x_mm, 3),
                "y": round(label.y_mm, 3),
                "text": label.text,
                "size": label.size_pt,
                "anchor": label.anchor,
                "strong": label.strong,
                "ink": getattr(ON_PAPER, label.ink),
                "plate": label.plate,
            }
            for label in picture.labels
        ],
    }


def _opening(picture: Picture) -> str:
    w, h = _number(picture.width_mm), _number(picture.height_mm)
    return f'<svg xmlns="http://www.w3.org/2000/svg" width="{w}mm" height="{h}mm" viewBox="0 0 {w} {h}"'


def _stroke_svg(stroke: Stroke, inks: Inks) -> str:
    look = ROLES[stroke.role]
    fill = stroke.fill or (getattr(inks, look.fill) if look.fill else "none")
    pen = ""
    if look.stroke:
        pen = f' stroke="{getattr(inks, look.stroke)}" stroke-width="{look.width_mm}" stroke-linejoin="round"'
        pen += f' stroke-dasharray="{look.dash}"' if look.dash else ""
    return f'<path d="{stroke.d}" fill="{fill}" fill-rule="evenodd"{pen}/>'


def _label_svg(label: Label) -> str:
    anchor = {"left": "start", "middle": "middle", "right": "end"}[label.anchor]
    size = label.size_pt * MM_PER_POINT
    weight = ' font-weight="600"' if label.strong else ""
    plate = ' class="plate"' if label.plate else ""
    return (
        f'<text x="{_number(label.x_mm)}" y="{_number(label.y_mm + 0.36 * size)}" font-size="{_number(size)}"'
        f' text-anchor="{anchor}"{weight}{plate} fill="var(--{label.ink})">{escape(label.text)}</text>'
    )


def _rule(role: str, look: Look) -> str:
    fill = f"var(--{look.fill})" if look.fill else "none"
    stroke = f"var(--{look.stroke})" if look.stroke else "none"
    dash = f";stroke-dasharray:{look.dash}" if look.dash else ""
    return (
        f".{_class(role)}{{fill:{fill};fill-rule:evenodd;stroke:{stroke};"
        f"stroke-width:{look.width_mm};stroke-linejoin:round{dash}}}"
    )


def _variables(inks: Inks) -> str:
    return "".join(f"--{name}:{value};" for name, value in vars(inks).items())


def _class(role: str) -> str:
    return "p-" + role.replace(" ", "-")


def _fill(colour: str | None) -> str:
    return f' style="fill:{colour}"' if colour else ""


def _number(value: float) -> str:
    text = f"{value:.3f}".rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text
