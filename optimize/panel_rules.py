"""How a panel is fitted: weights and rules of panel.toml."""

import tomllib
from dataclasses import dataclass
from functools import cache
from importlib.resources import files


@dataclass(frozen=True)
class PanelRules:
    """pressing_over_daylight: what 1 mm too deep counts against 1 mm of daylight. leave_mm, channel_clear_mm: where the
    spine's crest begins, and how far from it the panel stays. arch_clear_mm: above the withers. edge_mm, end_mm: rims
    at which the fit does not look. map_mm: what a thickness map may take and add; map_bend_per_mm: its curvature.
    """

    square: float
    pressing_over_daylight: float
    leave_mm: float
    channel_clear_mm: float
    channel_range_mm: tuple[float, float]
    arch_clear_mm: float
    edge_mm: float
    end_mm: float
    map_mm: tuple[float, float]
    map_bend_per_mm: float


@cache
def panel_rules() -> PanelRules:
    """The shipped rules."""
    data = tomllib.loads((files("shimwright.optimize") / "panel.toml").read_text(encoding="utf-8"))
    channel = data["channel"]
    low, high = channel["range_mm"]
    return PanelRules(
        data["weights"]["square"],
        data["weights"]["pressing_over_daylight"],
        channel["leave_mm"],
        channel["clear_mm"],
        (low, high),
        data["arch"]["clear_mm"],
        data["edges"]["edge_mm"],
        data["edges"]["end_mm"],
        (data["map"]["low_mm"], data["map"]["high_mm"]),
        data["map"]["bend_per_mm"],
    )
