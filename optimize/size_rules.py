"""How sizes are judged and chosen: rules of sizes.toml."""

import tomllib
from dataclasses import dataclass
from functools import cache
from importlib.resources import files


@dataclass(frozen=True)
class SizeRules:
    """mean_gap_mm, arch_deg, clearance_mm, pitch_deg: a size serves a horse within all of these. clearance_target_mm,
    clearance_share, not_served_mm: what counts beside the gap. *_step: whole steps in which things are made. arches,
    panels: how many candidates. nodes: of the branch and bound. draws: of the bootstrap.
    """

    mean_gap_mm: float
    arch_deg: float
    clearance_mm: float
    pitch_deg: float
    clearance_target_mm: tuple[float, float]
    clearance_share: float
    not_served_mm: float
    arch_step_deg: float
    width_step_mm: float
    angle_step_deg: float
    length_step_mm: float
    channel_step_mm: float
    arches: int
    panels: int
    nodes: int
    draws: int


@cache
def size_rules() -> SizeRules:
    """The shipped rules."""
    data = tomllib.loads((files("shimwright.optimize") / "sizes.toml").read_text(encoding="utf-8"))
    serves, gap, found = data["serves"], data["gap"], data["candidates"]
    low, high = gap["clearance_target_mm"]
    return SizeRules(
        serves["mean_gap_mm"],
        serves["arch_deg"],
        serves["clearance_mm"],
        serves["pitch_deg"],
        (low, high),
        gap["clearance_share"],
        gap["not_served_mm"],
        found["arch_step_deg"],
        found["width_step_mm"],
        found["angle_step_deg"],
        found["length_step_mm"],
        found["channel_step_mm"],
        found["arches"],
        found["panels"],
        data["search"]["nodes"],
        data["bootstrap"]["draws"],
    )
