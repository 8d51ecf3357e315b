"""The cost that orders set-ups and the hard limits that refuse them (DESIGN §8, §13; figures in limits.toml)."""

from collections.abc import Mapping, Sequence
from itertools import pairwise

from shimwright.optimize.answer import CaseResult
from shimwright.optimize.limits import limits
from shimwright.optimize.pad import Pad
from shimwright.optimize.saddle import Saddle
from shimwright.optimize.setup import Setup, height_mm


def pieces(setup: Setup) -> int:
    """Number of layers to cut."""
    return sum(len(stack) for stack in setup.stacks.values())


def left_right_mm(setup: Setup, pad: Pad) -> float:
    """Sum over pocket pairs of the difference in height; a pocket without partner counts its own height."""
    total = 0.0
    for pocket in pad.pockets:
        partner = pad.partner(pocket.name)
        here = height_mm(setup.stacks.get(pocket.name, ()))
        if partner is None:
            total += here
        elif pocket.side == "left":
            total += abs(here - height_mm(setup.stacks.get(partner, ())))
    return total


def thickness_mm(setup: Setup, pad: Pad) -> float:
    """All layers plus the insert: what the tie order calls thin."""
    insert = next((item.thickness_mm for item in pad.inserts if item.name == setup.insert), 0.0)
    return insert + sum(height_mm(stack) for stack in setup.stacks.values())


def fixed_cost(setup: Setup, pad: Pad) -> float:
    """The part of the cost that needs no mechanics."""
    weight = limits().cost
    return weight.left_right_per_mm * left_right_mm(setup, pad) + weight.piece * pieces(setup)


def wanted_arch_deg(aim: str) -> float:
    """Leg less back that is aimed at: parallel; one step wider where wasted muscle has room to grow (PRACTICE §5)."""
    return -limits().arch.step_deg if aim == "room to grow" else 0.0


def arch_cost(difference_deg: float | None, wanted_deg: float = 0.0) -> float:
    """What an arch off the larger shoulder costs, whatever lies in the pockets; None (soft, not known): nothing.

    Added to DESIGN §8's table: without it the search padded an arch that was 5° too narrow.
    """
    if difference_deg is None:
        return 0.0
    return limits().cost.arch_per_deg * max(0.0, abs(difference_deg - wanted_deg) - limits().arch.good_deg)


def overrun(value_kpa: float, line_kpa: float) -> float:
    return max(0.0, value_kpa / line_kpa - 1.0)


def contact_cost(mounted: CaseResult) -> float:
    """The part of the cost that comes from contact."""
    weight, line = limits().cost, limits().pressure
    return (
        weight.unevenness * mounted.unevenness
        + weight.bridged * mounted.bridged_share
        + weight.mean_overrun * overrun(mounted.mean_kpa, line.mean_kpa)
        + weight.peak_overrun * overrun(mounted.peak_kpa, line.peak_kpa)
        + weight.pitch_per_deg2 * mounted.pitch_deg**2
        + weight.roll_per_deg2 * mounted.roll_deg**2
    )


def cost(mounted: CaseResult, as_found: CaseResult | None, setup: Setup, pad: Pad) -> float:
    """Cost of DESIGN §8, lower is better. `as_found` is not part of the cost; it belongs to the hard limits."""
    del as_found
    return contact_cost(mounted) + fixed_cost(setup, pad)


def neighbours(pad: Pad) -> tuple[tuple[str, str], ...]:
    """Pairs of pockets that follow one another from front to rear on the same side."""
    pairs: list[tuple[str, str]] = []
    for side in ("left", "right"):
        row = sorted((p for p in pad.pockets if p.side == side), key=lambda p: -float(p.outline[:, 0].mean()))
        pairs += [(a.name, b.name) for a, b in pairwise(row)]
    return tuple(pairs)


def total_limit_mm(saddle: Saddle, pad: Pad) -> float:
    """Pad and shims together: the pad's own limit, else by style."""
    if pad.limits.total_mm is not None:
        return pad.limits.total_mm
    return limits().stack.total_mm[saddle.style]


def stack_limits_broken(setup: Setup, pad: Pad, saddle: Saddle) -> tuple[str, ...]:
    """Which limits the heights alone break: height, layers, step, left-right, total."""
    rule = pad.limits
    heights = {name: height_mm(stack) for name, stack in setup.stacks.items()}
    insert = next((item.thickness_mm for item in pad.inserts if item.name == setup.insert), 0.0)
    slack = 1e-9
    broken = []
    if rule.height_mm is not None and max(heights.values(), default=0.0) > rule.height_mm + slack:
        broken.append("stack height")
    if rule.layers is not None and max((len(s) for s in setup.stacks.values()), default=0) > rule.layers:
        broken.append("layers")
    step = max((abs(heights.get(a, 0.0) - heights.get(b, 0.0)) for a, b in neighbours(pad)), default=0.0)
    if rule.neighbour_step_mm is not None and step > rule.neighbour_step_mm + slack:
        broken.append("step to the neighbour")
    if rule.left_right_mm is not None and left_right_mm(setup, pad) > rule.left_right_mm + slack:
        broken.append("left-right difference")
    if pad.shell_mm + insert + max(heights.values(), default=0.0) > total_limit_mm(saddle, pad) + slack:
        broken.append("total thickness")
    return tuple(broken)


def worse_at_sore_place(here: CaseResult, as_found: CaseResult, sore: Sequence[str]) -> bool:
    """More mean pressure than as found in a zone told sore; "withers" are the nodes under the arch's legs."""
    line = limits().pressure
    for place in sore:
        now, before = (c.arch_edge if place == "withers" else c.zones.get(place) for c in (here, as_found))
        if now is None or before is None:
            continue
        if now.mean_kpa > line.sore_over_as_found * before.mean_kpa + line.sore_tolerance_kpa:
            return True
    return False


def hard_limits(
    mounted: CaseResult,
    as_found: CaseResult | None,
    setup: Setup,
    pad: Pad,
    saddle: Saddle,
    *,
    arch_difference_deg: float | None = None,
    sore: Sequence[str] = (),
    edge_at_sore: bool = False,
) -> tuple[str, ...]:
    """Names of the hard limits that are broken, judged in `mounted`.

    edge_at_sore: a shim's edge lies at a place told sore, by `shim_edges.sore_edges`.
    arch_difference_deg: leg less back at the larger shoulder, girthed; None: soft or not known, never a limit.
    """
    table = limits()
    broken = list(stack_limits_broken(setup, pad, saddle))
    if abs(mounted.pitch_deg) > table.pose.pitch_hard_deg:
        broken.append("pitch")
    if abs(mounted.roll_deg) > table.pose.roll_hard_deg:
        broken.append("roll")
    if withers_clearance_mm(mounted.clearance_mm) < table.clearance.hard_mm[saddle.style]:
        broken.append("withers clearance")
    if arch_difference_deg is not None and abs(arch_difference_deg) > table.arch.hard_deg:
        broken.append("arch")
    found_peak = as_found.peak_kpa if as_found is not None else 0.0
    if mounted.peak_kpa > max(table.pressure.peak_kpa, table.pressure.peak_over_as_found * found_peak):
        broken.append("peak pressure")
    if as_found is not None and worse_at_sore_place(mounted, as_found, sore):
        broken.append("sore place")
    if edge_at_sore:
        broken.append("shim edge at a sore place")
    return tuple(broken)


def withers_clearance_mm(clearance_mm: Mapping[str, float]) -> float:
    """Least of above, left and right; +inf where nothing was measured."""
    values = [clearance_mm.get(key, float("nan")) for key in ("withers_above", "withers_left", "withers_right")]
    return min((value for value in values if value == value), default=float("inf"))
