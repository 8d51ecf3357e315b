"""Arch × insert as the search takes them: beds of about 600 nodes with the stacks left open."""

from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace

import numpy as np

from shimwright.optimize import screen
from shimwright.optimize.answer import Placement
from shimwright.optimize.bench import Bench, bed, common_layers, pad_height_mm, prepare, shim_materials
from shimwright.optimize.case import ZONES, Rider
from shimwright.optimize.clearance import withers_clearances_mm
from shimwright.optimize.confidence import Shaken
from shimwright.optimize.contact import compression, solve
from shimwright.optimize.limits import limits
from shimwright.optimize.loads import Load, load_case, load_cases
from shimwright.optimize.materials import Material, tissue
from shimwright.optimize.pad import Pad
from shimwright.optimize.saddle import Saddle
from shimwright.optimize.screen import IntArray, OptionBed
from shimwright.optimize.setup import Setup, Stack
from shimwright.optimize.stacks import layer_thickness
from shimwright.optimize.tally import Option
from shimwright.optimize.underside import Underside, spacing_for_mm
from shimwright.optimize.windows import windows
from shimwright.scan.back import Back
from shimwright.scan.raw import FloatArray
from shimwright.scan.refusal import InputRefused


@dataclass(frozen=True)
class ArchBench:
    """One arch on the back, gaps taken anew where the saddle rests mounted. first: as at first touch."""

    arch: str | None
    first: Bench
    bench: Bench
    load: Load


def arch_bench(
    back: Back,
    saddle: Saddle,
    pad: Pad,
    placement: Placement,
    arch: str | None,
    rider: Rider,
    laws: Mapping[str, Material],
) -> ArchBench:
    """Bench of about 600 nodes for one arch, re-linearised once where it rests with the thinnest insert."""
    first = prepare(back, saddle, pad, placement, arch, spacing_for_mm(saddle, limits().search.nodes))
    load = load_cases(saddle, first.underside, rider, ("mounted",))["mounted"]
    thin = min(pad.inserts, key=lambda insert: insert.thickness_mm).name if pad.inserts else None
    bare = Setup(first.arch, thin, {pocket.name: () for pocket in pad.pockets})
    found = solve(bed(first, pad, bare, laws), first.force(load))
    bench = first
    with suppress(InputRefused):  # tips too far without shims: the search keeps the gaps of first touch
        bench = first.at(found.q)
    return ArchBench(first.arch, first, bench, load)


def thickness_table(bench: Bench, pad: Pad, stacks: Sequence[Stack]) -> FloatArray:
    """(stacks, nodes, shim materials): thickness of every stack at each node, in that node's own pocket."""
    materials = list(dict.fromkeys(shim.material for shim in pad.shims))
    column = {shim.name: materials.index(shim.material) for shim in pad.shims}
    table = np.zeros((len(stacks), len(bench.pocket), len(materials)))
    for index, pocket in enumerate(pad.pockets):
        nodes = np.flatnonzero(bench.pocket == index)
        for s, stack in enumerate(stacks):
            rows = layer_thickness(pad, pocket, stack, bench.underside.flat_mm[nodes])
            for layer, row in zip(stack, rows, strict=True):
                table[s, nodes, column[layer.shim]] += row
    return table


def padded_windows(panels: Underside) -> tuple[IntArray, FloatArray]:
    """(w, v) nodes of every 25 × 25 mm window and their shares, rows padded with share 0."""
    means = windows(panels).means.tocsr()
    counts = np.diff(means.indptr)
    nodes = np.zeros((len(counts), int(counts.max(initial=1))), np.int64)
    shares = np.zeros(nodes.shape)
    inside = np.arange(nodes.shape[1]) < counts[:, None]
    nodes[inside], shares[inside] = means.indices, means.data
    return nodes, shares


def zone_of(panels: Underside) -> IntArray:
    """(n,) index into `ZONES`: thirds of the panel's length by side."""
    third = np.minimum((3 * panels.along).astype(int), 2)
    return np.asarray(2 * third + (panels.side < 0))


def place_shares(bench: Bench, places: Sequence[str]) -> FloatArray:
    """(z, n) share of a place's area that each node holds: zones, and "withers" = nodes under the arch's legs."""
    zone = zone_of(bench.underside)
    rows = []
    for place in places:
        inside = bench.underside.on_arch if place == "withers" else zone == ZONES.index(place)
        area = np.where(inside, bench.area_mm2, 0.0)
        rows.append(area / max(area.sum(), 1e-9))
    return np.array(rows).reshape(len(rows), bench.area_mm2.size)


def tilt_rows(bench: Bench) -> tuple[FloatArray, FloatArray]:
    """Degrees of pitch and roll per unit of q, (d,) each."""
    count = bench.ways.shape[1]
    rows = [bench.tilt_deg(unit) for unit in np.eye(count)]
    return np.array([row[0] for row in rows]), np.array([row[1] for row in rows])


JUMP_MM = 3.0  # of a clearance that bends more than this within 1 mm or 0.3° [J]
WITHERS = ("withers_above", "withers_left", "withers_right")


def clearance_rows(bench: Bench, q: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Withers clearances as value at q = 0 (c,) and slope (c, d), by differences about q.

    Left out are unknown ones, and those that jump near q (a leg passes the flat top of the withers): a slope across a
    jump means nothing, so these are judged on the true model alone. It happens where a leg clears the withers, far from
    the limit: 14 of 394 rows, none under 47 mm (tests/test_clearance_rows.py).
    """

    def clear(pose: FloatArray) -> FloatArray:
        found = withers_clearances_mm(bench, pose)
        return np.array([found[name] for name in WITHERS])

    here = clear(q)
    step = np.array([1.0, 0.005, 0.005, *np.ones(q.size - 3)])
    fore, aft = (np.stack([clear(q + way * h) for h in np.diag(step)], axis=1) - here[:, None] for way in (1.0, -1.0))
    slopes = fore / step
    known = np.isfinite(here) & (np.abs(fore + aft) <= JUMP_MM).all(axis=1)
    return (here - slopes @ q)[known], slopes[known]


def option_bed(
    arch: ArchBench,
    saddle: Saddle,
    pad: Pad,
    insert: str | None,
    thickness: FloatArray,
    laws: Mapping[str, Material],
    tissue_kpa_per_mm: float | None = None,
) -> OptionBed:
    """The bed of one arch with one insert, before anything is known of sore places and clearance."""
    bench = arch.bench
    soft = tissue().stiffness_kpa_per_mm if tissue_kpa_per_mm is None else tissue_kpa_per_mm
    table = compression(common_layers(saddle, pad, insert, laws), shim_materials(pad, laws), soft)
    pitch, roll = tilt_rows(bench)
    nodes, shares = padded_windows(bench.underside)
    d = bench.ways.shape[1]
    return OptionBed(
        area_mm2=bench.area_mm2,
        freedom=bench.ways,
        approach_mm=bench.lift_mm + pad_height_mm(pad, insert),
        pressure_kpa=table.pressure_kpa,
        series_mm=table.base_mm,
        strain=np.ascontiguousarray(table.strain.T),
        thickness_mm=thickness,
        pocket=bench.pocket,
        stiffness=bench.stiffness,
        load=bench.force(arch.load),
        pitch_row=pitch,
        roll_row=roll,
        windows=nodes,
        window_shares=shares,
        sore=np.zeros((0, bench.area_mm2.size)),
        sore_kpa=np.zeros(0),
        clear_mm=np.zeros(0),
        clear_row=np.zeros((0, d)),
    )


def with_sore(bed_: OptionBed, shares: FloatArray, limit_kpa: FloatArray) -> OptionBed:
    """The bed with a limit on the mean pressure at sore places."""
    return replace(bed_, sore=shares, sore_kpa=limit_kpa)


def with_clearance(bed_: OptionBed, bench: Bench) -> OptionBed:
    """The bed with its withers clearances, linear about its resting pose."""
    value, slope = clearance_rows(bench, screen.resting_pose(bed_))
    return replace(bed_, clear_mm=value, clear_row=slope)


def with_room(bed_: OptionBed, bench: Bench, room_mm: float) -> OptionBed:
    """The bed as if the middle of the back stood `room_mm` higher: what is even on it is light in the middle today."""
    return replace(bed_, approach_mm=bed_.approach_mm + middle_raised(bench, room_mm)) if room_mm else bed_


def middle_raised(bench: Bench, height_mm: float) -> FloatArray:
    """(n,) approach gained where the back rises as a parabola along the panel, height_mm in the middle."""
    u = 2 * bench.underside.along - 1
    return np.asarray(height_mm * (1 - u**2) * bench.ways[:, 0])


def option(arch: ArchBench, pad: Pad, insert: str | None, bed_: OptionBed, off_deg: float | None) -> Option:
    height = next((item.thickness_mm for item in pad.inserts if item.name == insert), 0.0)
    refused = "arch" if off_deg is not None and abs(off_deg) > limits().arch.hard_deg else None
    return Option(arch.arch, insert, height, bed_, refused)


def moved_lifts(back: Back, pad: Pad, placement: Placement, arch: ArchBench) -> FloatArray:
    """(3, n) approach of the bare underside with the saddle 10 mm back, where it is, and 10 mm forward."""
    saddle, here = arch.bench.underside.panels.saddle, arch.bench
    changes = [np.zeros(here.lift_mm.size) for _ in range(3)]
    for row, step in ((0, -1.0), (2, 1.0)):
        there = replace(placement, front_x_mm=placement.front_x_mm + step * limits().confidence.placement_mm)
        with suppress(InputRefused):  # the scan ends there: placing is then not varied that way
            bench = prepare(back, saddle, pad, there, arch.arch, here.underside.spacing_mm)
            both = (bench.area_mm2 > 0) & (arch.first.area_mm2 > 0)
            changes[row] = np.where(both, bench.lift_mm - arch.first.lift_mm, 0.0)
    return here.lift_mm + np.stack(changes)


def shaken(
    back: Back, pad: Pad, lifts_mm: FloatArray, arch: ArchBench, bed_: OptionBed, insert: str | None, rider: Rider
) -> Shaken:
    """The option with what its draws need: `moved_lifts`, sd of the back, bend, rest and rider apart."""
    here = arch.bench
    saddle, points = here.underside.panels.saddle, here.points_mm
    sd = back.surface.sd(points)
    depth = saddle.length_mm * np.radians(limits().confidence.bend_deg) / 8  # L θ / 8, reference.md §2
    rest = here.force(load_case(saddle, here.underside, replace(rider, weight_kg=0.0), "mounted"))
    return Shaken(
        bed_,
        np.column_stack([points[:, 0], here.underside.flat_mm[:, 1]]),
        np.where(np.isfinite(sd), sd, np.nanmean(sd) if np.isfinite(sd).any() else 1.0),
        lifts_mm + pad_height_mm(pad, insert),
        middle_raised(here, depth),
        rest,
        bed_.load - rest,
    )
