"""Where shims end (PRACTICE §5 [T]): never at a sore place, and told under the stirrup bar, at a panel's end and in
front of the line that the shoulder blade swings to. Lengths and places worked out by hand on plain panels."""

from dataclasses import replace

import numpy as np
import pytest
import tack
from plain_backs import back_of

from shimwright.optimize.pad import Pad, Pocket
from shimwright.optimize.place import place
from shimwright.optimize.setup import Layer, Setup, Stack
from shimwright.optimize.shim_edges import awkward_edges, edge_findings, edges_at_sore, left_empty, sore_edges
from shimwright.optimize.underside import Panels

SADDLE = tack.saddle(30.0, arches=1)  # panels 400 × 100 mm from 35 mm beside the middle line
PANELS = Panels(SADDLE, SADDLE.arches[0])
SHIM: Stack = (Layer("felt", 6.0),)


def pocket(from_mm: float, to_mm: float, inner: float = 43.0, outer: float = 127.0, name: str = "one_left") -> Pocket:
    """x backwards from the front edge, as in the files."""
    corners = [[-from_mm, inner], [-from_mm, outer], [-to_mm, outer], [-to_mm, inner]]
    return Pocket(name, "left", np.array(corners))


def pad_of(*pockets: Pocket) -> Pad:
    return replace(tack.pad(3), pockets=pockets)


def setup_of(pad: Pad, *filled: str) -> Setup:
    return Setup("arch 1", "insert 10", {one.name: SHIM if one.name in filled else () for one in pad.pockets})


@pytest.mark.parametrize(
    ("from_mm", "to_mm", "sore", "lies"),
    [
        (140, 260, "middle_left", True),  # in the middle third, 133 to 267 mm
        (20, 125, "middle_left", False),  # ends in front of it
        (20, 145, "middle_left", False),  # reaches 12 mm into it: a third told by hand is unsure by 15
        (20, 155, "middle_left", True),  # 22 mm
        (20, 125, "middle_right", False),  # the other side
        (20, 125, "front_left", True),
    ],
)
def test_edge_at_a_sore_third(from_mm: float, to_mm: float, sore: str, lies: bool) -> None:
    one = pocket(from_mm, to_mm)
    assert edges_at_sore(PANELS, pad_of(one), one, SHIM, [sore]) is lies


def test_a_sheet_that_reaches_past_the_sore_place_has_no_edge_there() -> None:
    """It covers the whole middle third and its rim; a second layer, stepped in by 30 mm, ends inside it."""
    wide = pocket(100, 300, inner=30.0, outer=140.0)
    pad = pad_of(wide)
    assert not edges_at_sore(PANELS, pad, wide, SHIM, ["middle_left"])
    assert edges_at_sore(PANELS, pad, wide, (*SHIM, *SHIM), ["middle_left"])
    assert left_empty(PANELS, pad, [(), SHIM], ["middle_left"]) == ()


def test_sore_withers_are_under_the_legs() -> None:
    """The arch's legs bear on the first 60 mm, on both sides."""
    front, behind = pocket(15, 120), pocket(130, 250, name="two_left")
    pad = pad_of(front, behind)
    assert left_empty(PANELS, pad, [(), SHIM], ["withers"]) == ("one_left",)
    assert left_empty(PANELS, pad, [(), SHIM], []) == ()
    assert sore_edges(PANELS, pad, setup_of(pad, "one_left"), ["withers"])
    assert not sore_edges(PANELS, pad, setup_of(pad, "two_left"), ["withers"])


def test_edge_under_the_stirrup_bar() -> None:
    """The bar, 50 mm long about 80 mm, over the middle half of the panel: 60 to 110 mm beside the middle line. An edge
    across at 90 mm has 50 mm under it; one at 110 mm none; nothing is said of an empty pocket or an unknown bar."""
    bar = Panels(replace(SADDLE, stirrup_bar_x_mm=-80.0), SADDLE.arches[0])
    crossing, clear = pocket(90, 200), pocket(110, 200, name="two_left")
    pad = pad_of(crossing, clear)
    found = list(awkward_edges(bar, pad, setup_of(pad, "one_left", "two_left")))
    assert [(one.kind, one.pocket.name) for one in found] == [("stirrup bar", "one_left")]
    assert found[0].by_mm == pytest.approx(50.0, abs=0.5)
    assert not list(awkward_edges(bar, pad, setup_of(pad, "two_left")))
    assert not list(awkward_edges(PANELS, pad, setup_of(pad, "one_left")))


@pytest.mark.parametrize(
    ("from_mm", "to_mm", "words"),
    [
        (20, 150, None),
        (4, 150, "ends 4 mm before the panel's end"),
        (300, 395, "ends 5 mm before the panel's end"),
        (300, 420, "reaches 20 mm past the panel's end"),
    ],
)
def test_edge_at_a_panels_end(from_mm: float, to_mm: float, words: str | None) -> None:
    pad = pad_of(pocket(from_mm, to_mm))
    back = back_of(lambda x, y: -(y**2) / 600 + 0 * x)
    found = edge_findings(back, PANELS, pad, setup_of(pad, "one_left"), place(back, SADDLE))
    assert [words in one.words for one in found if words] == ([True] if words else [])
    assert bool(found) == (words is not None)


def test_edge_in_front_of_where_the_blade_swings_to() -> None:
    """Shoulder edge at −40 mm, the blade always swings 25 mm back: to −65 mm. Set 15 mm behind the edge as a Western
    saddle is, with the pocket 15 mm behind the front edge: −70 mm, clear; with the pocket at −5 mm: 25 mm in front."""
    back = back_of(lambda x, y: -(y**2) / 600 + 0 * x)
    where = replace(place(back, SADDLE), front_x_mm=-55.0, sd_mm=4.0)
    clear, ahead = (pad_of(pocket(from_mm, 150)) for from_mm in (15, -15))
    assert not edge_findings(back, PANELS, clear, setup_of(clear, "one_left"), where)
    found = edge_findings(back, PANELS, ahead, setup_of(ahead, "one_left"), where)
    blade = next(one for one in found if one.code == "edge before the blade")
    assert blade.value == pytest.approx(25.0)
    assert blade.sd == pytest.approx(5.0)
    assert "25 mm in front of where the blade swings to" in blade.words
