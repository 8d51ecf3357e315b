"""Stacks: the outlines that are cut, rasterised again, are the heights that the contact saw (DESIGN §13)."""

import numpy as np
import pytest
from plain_tack import pad, saddle
from shapely import LinearRing, Polygon

from shimwright.optimize.pad import Pad, Pocket, StackLimits
from shimwright.optimize.setup import Layer
from shimwright.optimize.stacks import check_pockets, inward_mm, layer_outlines, layer_thickness, node_pockets
from shimwright.optimize.underside import underside
from shimwright.scan.refusal import WrongUse

CLOTH = pad()
POCKET = CLOTH.pocket("middle_left")
STACK = (Layer("felt", 6.0), Layer("felt", 3.0))
NODES = underside(saddle(), saddle().arches[2], 5.0)


def test_one_layer_is_bevelled_over_five_times_its_thickness() -> None:
    """A rectangle: distance to its edge by hand."""
    x, y = np.asarray(POCKET.outline).T
    flat = np.column_stack([np.linspace(x.min(), x.max(), 41), np.full(41, (y.min() + y.max()) / 2)])
    edge = np.minimum(flat[:, 0] - x.min(), x.max() - flat[:, 0])
    edge = np.minimum(edge, np.ptp(y) / 2)
    found = layer_thickness(CLOTH, POCKET, STACK[:1], flat)
    assert found[0] == pytest.approx(6.0 * np.minimum(1.0, edge / 30.0), abs=1e-9)


def test_upper_layers_are_stepped_in() -> None:
    lower, upper = layer_outlines(CLOTH, POCKET, STACK)
    assert Polygon(lower).equals(Polygon(POCKET.outline))
    width = np.ptp(np.asarray(POCKET.outline)[:, 1])
    assert np.ptp(upper[:, 1]) == pytest.approx(width - 2 * min(5 * 6.0, width / 4))
    assert LinearRing(upper).is_ccw


def test_never_stepped_in_over_a_quarter_of_the_width() -> None:
    thick = (Layer("felt", 12.0), Layer("felt", 12.0), Layer("felt", 12.0))
    outlines = layer_outlines(CLOTH, POCKET, thick)
    width = np.ptp(np.asarray(POCKET.outline)[:, 1])
    assert np.ptp(outlines[2][:, 1]) == pytest.approx(width / 2)


def test_outlines_rasterised_give_the_models_shape() -> None:
    flat = NODES.flat_mm
    from_outlines = sum(
        np.minimum(layer.thickness_mm, inward_mm(outline, flat) / 5)
        for layer, outline in zip(STACK, layer_outlines(CLOTH, POCKET, STACK), strict=True)
    )
    assert layer_thickness(CLOTH, POCKET, STACK, flat).sum(axis=0) == pytest.approx(from_outlines)


def test_a_pocket_of_any_shape() -> None:
    bent = Pocket(
        "bent_left", "left", np.array([[-50, 45], [-150, 45], [-150, 130], [-110, 130], [-110, 80], [-50, 80]])[::-1]
    )
    outlines = layer_outlines(CLOTH, bent, STACK)
    assert all(Polygon(outline).within(Polygon(bent.outline).buffer(1e-6)) for outline in outlines)


def test_every_node_in_at_most_one_pocket_and_on_its_side() -> None:
    found = node_pockets(CLOTH, NODES.flat_mm)
    for index, pocket in enumerate(CLOTH.pockets):
        sides = NODES.side[found == index]
        assert sides.size > 50
        assert (sides == (1.0 if pocket.side == "left" else -1.0)).all()


def with_pocket(name: str, side: str, outline: list[list[float]]) -> Pad:
    extra = Pocket(name, side, np.array(outline, float))
    return Pad("p", 0.0, None, (), (*CLOTH.pockets, extra), CLOTH.shims, StackLimits())


@pytest.mark.parametrize(
    ("outline", "side", "says"),
    [
        ([[-60, 60], [-60, 90], [-160, 90], [-160, 60]], "left", "overlap"),
        ([[-600, 60], [-600, 90], [-700, 90], [-700, 60]], "left", "outside the panels"),
        ([[-60, -60], [-60, 20], [-160, 20], [-160, -60]], "right", "middle line"),
        ([[-60, 160], [-160, 190], [-60, 190], [-160, 160]], "left", "crosses itself"),
    ],
)
def test_pockets_that_cannot_be(outline: list[list[float]], side: str, says: str) -> None:
    with pytest.raises(WrongUse, match=says):
        check_pockets(with_pocket(f"extra_{side}", side, outline), NODES)


def test_the_pads_own_pockets_pass() -> None:
    for rows in (2, 3, 4):
        check_pockets(pad(rows=rows), NODES)
