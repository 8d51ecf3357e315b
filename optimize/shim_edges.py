"""Where the edges of shims lie: never at a sore place (a limit); told where they lie under the stirrup bar, at a
panel's end or in front of the line to which the shoulder blade swings (PRACTICE §5). All in the pad's flat coordinates.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from shapely import LinearRing, Polygon

from shimwright.optimize.answer import Finding, Placement
from shimwright.optimize.case import ZONES
from shimwright.optimize.limits import limits
from shimwright.optimize.pad import Pad, Pocket
from shimwright.optimize.setup import Setup, Stack
from shimwright.optimize.stacks import layer_outlines
from shimwright.optimize.underside import Panels
from shimwright.scan.back import Back
from shimwright.scan.raw import FloatArray

SORE_LIMIT = "shim edge at a sore place"
ALONG = 25  # points along a panel's edge
POCKET_SD_MM = 3.0  # of a pocket's place by tape, and of where the pad lies [J]


def panel_part(panels: Panels, side: int, front: float, rear: float, inner: float = 0.0, outer: float = 1.0) -> Polygon:
    """The part of one panel between shares of its length and of its width."""
    s = np.linspace(front, rear, ALONG)
    edge, width = panels.inner_edge_mm(s, side), panels.width_mm(s)
    x = -panels.saddle.length_mm * s
    rows = [np.column_stack([x, side * (edge + t * width)]) for t in (inner, outer)]
    return Polygon(np.concatenate([rows[0], rows[1][::-1]]))


def sore_parts(panels: Panels, places: Sequence[str]) -> list[tuple[int, Polygon]]:
    """(side, part) of every place told sore: thirds of a panel, or both panels under the arch's legs ("withers")."""
    found = []
    for place in places:
        if place == "withers":
            under = panels.saddle.arch_length_mm / panels.saddle.length_mm
            found += [(side, panel_part(panels, side, 0.0, under)) for side in (1, -1)]
        else:
            third, side = ZONES.index(place) // 2, 1 if place.endswith("left") else -1
            found.append((side, panel_part(panels, side, third / 3, (third + 1) / 3)))
    return found


def edge_within_mm(outline: FloatArray, part: Polygon) -> float:
    """Length of an outline inside a part."""
    return float(LinearRing(outline).intersection(part).length)


def edges_at_sore(panels: Panels, pad: Pad, pocket: Pocket, stack: Stack, sore: Sequence[str]) -> bool:
    """True where some layer's edge lies at a sore place. A layer that covers it and ends past it on all sides has none;
    nor has one that reaches into it by no more than a third told by hand is unsure by.
    """
    side = 1 if pocket.side == "left" else -1
    parts = [part for where, part in sore_parts(panels, sore) if where == side]
    outlines = layer_outlines(pad, pocket, stack)
    return any(_ends_in(outline, part) for part in parts for outline in outlines)


def _ends_in(outline: FloatArray, part: Polygon) -> bool:
    shared = Polygon(outline).intersection(part)
    if shared.is_empty or shared.bounds[2] - shared.bounds[0] <= limits().edges.sore_margin_mm:
        return False
    return edge_within_mm(outline, part) > limits().edges.told_mm


def sore_edges(panels: Panels, pad: Pad, setup: Setup, sore: Sequence[str]) -> bool:
    """True where the set-up breaks the limit."""
    filled = [pocket for pocket in pad.pockets if setup.stacks.get(pocket.name)]
    return any(edges_at_sore(panels, pad, pocket, setup.stacks[pocket.name], sore) for pocket in filled)


def left_empty(panels: Panels, pad: Pad, stacks: Sequence[Stack], sore: Sequence[str]) -> tuple[str, ...]:
    """Pockets in which no stack of the stock keeps its edges off the sore places."""
    filled = [stack for stack in stacks if stack]
    return tuple(
        pocket.name
        for pocket in pad.pockets
        if sore and filled and all(edges_at_sore(panels, pad, pocket, stack, sore) for stack in filled)
    )


@dataclass(frozen=True)
class Edge:
    """kind: stirrup bar | panel end | blade. by_mm: how far past the line, or of edge under the bar."""

    kind: str
    pocket: Pocket
    by_mm: float


def awkward_edges(panels: Panels, pad: Pad, setup: Setup) -> Iterator[Edge]:
    """Edges under the stirrup bar or at a panel's end, of the filled pockets."""
    rule = limits().edges
    for pocket in pad.pockets:
        if not setup.stacks.get(pocket.name):
            continue
        side = 1 if pocket.side == "left" else -1
        bar = _bar(panels, side)
        under = 0.0 if bar is None else edge_within_mm(pocket.outline, bar)
        if under > rule.told_mm:
            yield Edge("stirrup bar", pocket, under)
        front, rear = float(pocket.outline[:, 0].max()), float(pocket.outline[:, 0].min())
        short = min(-front, rear + panels.saddle.length_mm)
        if short < rule.panel_end_mm:
            yield Edge("panel end", pocket, short)


def _bar(panels: Panels, side: int) -> Polygon | None:
    """The strip under the stirrup bar: the middle half of the panel's width about the bar's x."""
    saddle, half = panels.saddle, limits().edges.bar_length_mm / 2
    if saddle.stirrup_bar_x_mm is None:
        return None
    s = np.clip((-saddle.stirrup_bar_x_mm + np.array([-half, half])) / saddle.length_mm, 0.0, 1.0)
    return panel_part(panels, side, float(s[0]), float(s[1]), 0.25, 0.75)


def edge_findings(back: Back, panels: Panels, pad: Pad, setup: Setup, placement: Placement) -> tuple[Finding, ...]:
    """What to look at where a shim ends. The blade's line rests on a landmark: told with its sd, never a limit."""
    return (*_under_bar_and_at_ends(panels, pad, setup), *_before_the_blade(back, pad, setup, placement))


def _third(panels: Panels, pocket: Pocket) -> str:
    along = -float(pocket.outline[:, 0].mean()) / panels.saddle.length_mm
    return ("front", "middle", "rear")[min(max(int(3 * along), 0), 2)]


def _under_bar_and_at_ends(panels: Panels, pad: Pad, setup: Setup) -> Iterator[Finding]:
    for edge in awkward_edges(panels, pad, setup):
        name, side = edge.pocket.name.replace("_", " "), edge.pocket.side
        if edge.kind == "stirrup bar":
            words = f"{edge.by_mm:.0f} mm of the shim's edge in {name} lie under the stirrup bar"
            helps = "cut it back past the bar, or leave that pocket empty"
        else:
            words = (
                f"the shim in {name} ends {edge.by_mm:.0f} mm before the panel's end"
                if edge.by_mm >= 0
                else f"the shim in {name} reaches {-edge.by_mm:.0f} mm past the panel's end"
            )
            helps = f"cut it {limits().edges.panel_end_mm:.0f} mm short of the end, bevelled"
        yield Finding(
            f"edge at {edge.kind}", _third(panels, edge.pocket), side, edge.by_mm, "mm", POCKET_SD_MM, words, helps
        )


def _before_the_blade(back: Back, pad: Pad, setup: Setup, placement: Placement) -> Iterator[Finding]:
    for pocket in pad.pockets:
        mark = back.landmark(f"shoulder_{pocket.side}")
        if not setup.stacks.get(pocket.name) or mark is None or not np.isfinite(mark.position_mm[0]):
            continue
        line = float(mark.position_mm[0]) - limits().edges.swing_mm
        ahead = placement.front_x_mm + float(pocket.outline[:, 0].max()) - line
        sd = float(np.hypot(placement.sd_mm, POCKET_SD_MM))
        if ahead > sd:
            name = pocket.name.replace("_", " ")
            words = f"the shim in {name} begins {ahead:.0f} mm in front of where the blade swings to"
            helps = "set the saddle back, or cut the shim back; feel it with the leg drawn forward"
            yield Finding("edge before the blade", "front", pocket.side, ahead, "mm", sd, words, helps)
