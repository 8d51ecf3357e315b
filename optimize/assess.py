"""One set-up on one back under every load case: the true model and its measures (DESIGN §13)."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from shimwright.optimize.answer import CaseResult, Contact, Placement, Zone
from shimwright.optimize.arch import judge_arch
from shimwright.optimize.bench import (
    TILT_SAID_DEG,
    Bench,
    bed,
    check_tilt,
    common_layers,
    known_materials,
    moved,
    prepare,
    shim_materials,
    tilt_words,
)
from shimwright.optimize.case import ZONES, Case
from shimwright.optimize.clearance import clearances_mm
from shimwright.optimize.contact import Bed, Equilibrium, solve, strains
from shimwright.optimize.cost import cost, hard_limits
from shimwright.optimize.loads import CASES, Load, load_cases
from shimwright.optimize.materials import Material
from shimwright.optimize.pad import Pad
from shimwright.optimize.saddle import Saddle
from shimwright.optimize.setup import Setup
from shimwright.optimize.shim_edges import sore_edges
from shimwright.optimize.windows import Windows, windows
from shimwright.scan.back import Back
from shimwright.scan.raw import FloatArray

CONTACT_KPA = 0.1
BRIDGED_BELOW = 0.10  # of the whole-panel mean
TURNED_ENOUGH_DEG, MORE_TURNS = 0.25, 4
BOTTOMED_OUT = 8.0  # a law that has grown this much stiffer than at its start has bottomed out [J]


@dataclass(frozen=True)
class State:
    """A set-up at rest under one load: the bench re-linearised at the pose found, its program and equilibrium."""

    bench: Bench
    bed: Bed
    found: Equilibrium
    load: Load


def assess(
    back: Back,
    saddle: Saddle,
    pad: Pad,
    case: Case,
    placement: Placement,
    setup: Setup,
    cases: Iterable[str] = CASES,
    spacing_mm: float = 5.0,
    as_found: Contact | None = None,
) -> Contact:
    """The set-up on the true model. Refusals as `prepare`, `load_cases` and `solve` say."""
    bench = prepare(back, saddle, pad, placement, setup.arch, spacing_mm)
    return assess_on(bench, pad, case, setup, cases, as_found)


def assess_on(
    bench: Bench,
    pad: Pad,
    case: Case,
    setup: Setup,
    cases: Iterable[str] = CASES,
    as_found: Contact | None = None,
    materials: Mapping[str, Material] | None = None,
) -> Contact:
    """The same on a bench that is ready. as_found: what the hard limits compare with; None: nothing to compare."""
    panels = bench.underside
    saddle = panels.panels.saddle
    laws = known_materials(saddle, pad) if materials is None else materials
    loads = load_cases(saddle, panels, case.rider, cases)
    states = {name: settle(bench, None if name == "saddle_only" else pad, setup, load, laws)
              for name, load in loads.items()}  # fmt: skip
    cells = windows(panels)
    results = {name: measure(state, cells, pad, setup, laws) for name, state in states.items()}
    girthed = states.get("girthed")
    arch = judge_arch(girthed.bench, girthed.found.q) if girthed else None
    mounted = results.get("mounted")
    before = as_found.cases.get("mounted") if as_found is not None else None
    price, refused = float("nan"), tuple[str, ...]()
    if mounted is not None:
        angle = arch.at_larger_deg if arch is not None and arch.words not in ("soft", "not known") else None
        price = cost(mounted, before, setup, pad)
        sore = case.today.sore
        edge = bool(sore) and sore_edges(panels.panels, pad, setup, sore)
        refused = hard_limits(
            mounted, before, setup, pad, saddle, arch_difference_deg=angle, sore=sore, edge_at_sore=edge
        )
    return Contact(
        setup,
        results,
        bench.points_mm,
        panels.flat_mm,
        panels.side,
        panels.area_mm2,
        panels.along,
        price,
        refused,
        arch,
    )


def settle(
    bench: Bench,
    pad: Pad | None,
    setup: Setup,
    load: Load,
    materials: Mapping[str, Material] | None = None,
    tissue_kpa_per_mm: float | None = None,
) -> State:
    """Equilibrium with the gaps re-linearised once at the pose found, again while that turns it by more than ¼°.

    pad None: the saddle alone on the horse.
    """
    program = bed(bench, pad, setup, materials, tissue_kpa_per_mm)
    bare = program.lift_mm - bench.lift_mm
    force = bench.force(load)
    found, here = solve(program, force), bench
    for _ in range(MORE_TURNS):
        before = found.q
        here = bench.at(before)
        program = replace(program, area_mm2=here.area_mm2, lift_mm=bare + here.lift_mm, ways=here.ways)
        found = solve(program, force, before)
        if np.abs(np.degrees(found.q - before)[1:3]).max() < TURNED_ENOUGH_DEG:
            break
    check_tilt(found.q)
    return State(here, program, found, load)


def measure(state: State, cells: Windows, pad: Pad, setup: Setup, materials: Mapping[str, Material]) -> CaseResult:
    """All measures of one load case. Nodes that were not seen carry nothing and count nowhere; NaN in the fields."""
    bench, found = state.bench, state.found
    area, pressure = state.bed.area_mm2, found.pressure_kpa
    whole = float(np.average(pressure, weights=area))
    touching = np.where(pressure > CONTACT_KPA, area, 0.0)
    _, normals = moved(bench, bench.underside.points, bench.underside.normals, found.q)  # as the saddle lies
    down, lateral = 1e-3 * area * pressure * -normals[:, 2], 1e-3 * area * pressure * normals[:, 1]
    means = cells.means @ pressure if cells.along.size else np.array([])
    pitch, roll = bench.tilt_deg(found.q)
    known = found.determined
    alone = state.load.name == "saddle_only"
    layers = common_layers(bench.underside.panels.saddle, None if alone else pad, setup.insert, materials)
    shims = [] if alone else shim_materials(pad, materials)
    strain = strains(state.bed, pressure, layers, shims)
    seen = area > 0
    return CaseResult(
        pitch if known[1] else float("nan"),
        roll if known[2] else float("nan"),
        float(down.sum()),
        float(lateral.sum()),
        float(down[bench.underside.side > 0].sum() / down.sum()),
        float(area[pressure < BRIDGED_BELOW * whole].sum() / area.sum()),
        float(touching.sum() / 100),
        float(pressure @ touching / touching.sum()) if touching.any() else 0.0,
        float(means.max()) if means.size else float(pressure.max()),
        float(np.sqrt(np.average((pressure - whole) ** 2, weights=area)) / whole),
        zones(state, cells, means),
        clearances_mm(bench, found.q),
        strain,
        found.proof,
        np.where(seen, pressure, np.nan),
        np.where(seen, -found.approach_mm, np.nan),
        _zone(state, bench.underside.on_arch, means[cells.along <= _arch_share(bench)]),
        tilt_notes(found.q) + strain_notes(strain, pressure, materials),
        found.q,
    )


def zones(state: State, cells: Windows, means: FloatArray) -> Mapping[str, Zone]:
    """Thirds of each panel's length by side."""
    panels = state.bench.underside
    third = np.minimum((3 * panels.along).astype(int), 2)
    of_window = np.minimum((3 * cells.along).astype(int), 2)
    found = {}
    for i, name in enumerate(ZONES):
        place, side = i // 2, (1.0, -1.0)[i % 2]
        nodes = (third == place) & (panels.side == side)
        found[name] = _zone(state, nodes, means[(of_window == place) & (cells.side == side)])
    return found


def _zone(state: State, nodes: NDArray[np.bool_], window_means: FloatArray) -> Zone:
    area = np.where(nodes, state.bed.area_mm2, 0.0)
    if not area.any():
        return Zone(float("nan"), float("nan"), float("nan"))
    pressure = state.found.pressure_kpa
    gap = np.maximum(-state.found.approach_mm, 0.0)
    peak = float(window_means.max()) if window_means.size else float(pressure[nodes].max())
    return Zone(float(np.average(pressure, weights=area)), peak, float(np.average(gap, weights=area)))


def _arch_share(bench: Bench) -> float:
    saddle = bench.underside.panels.saddle
    return saddle.arch_length_mm / saddle.length_mm


def tilt_notes(q: FloatArray) -> tuple[str, ...]:
    """Said of a saddle that tips by more than 5°."""
    if np.abs(np.degrees(q[1:3])).max() <= TILT_SAID_DEG:
        return ()
    return (
        f"the saddle tips {tilt_words(q)}, more than the {TILT_SAID_DEG:g}° that this holds well for: take it as rough",
    )


def strain_notes(
    strain: Mapping[str, float], pressure_kpa: FloatArray, materials: Mapping[str, Material]
) -> tuple[str, ...]:
    """What must be said of each material: bottomed out, above its working strain, beyond the range of its law."""
    notes = []
    top = float(pressure_kpa.max())
    for name, value in strain.items():
        law = materials[name]
        if bottomed_out(law, value):
            notes.append(
                f"{name} has bottomed out ({100 * value:.0f} % pressed at the hardest place): it cushions no more"
            )
        elif overstrained(law, value):
            limit = 100 * law.working_strain
            notes.append(
                f"{name} is pressed {100 * value:.0f} % at the hardest place, more than the {limit:.0f} % it lasts with"
            )
        if top > law.range_kpa:
            notes.append(f"{name}: {top:.0f} kPa lies beyond its law ({law.range_kpa:.0f} kPa), continued straight")
    return tuple(notes)


def overstrained(law: Material, strain: float) -> bool:
    """True above the working strain by what is told, whole percents."""
    return strain - law.working_strain >= 0.005


def bottomed_out(law: Material, strain: float) -> bool:
    """True where the law's tangent has grown to 8 times its stiffness at the start and 40 % strain is passed."""
    slope = np.diff(law.strain) / np.diff(law.pressure_kpa)
    k = min(int(np.searchsorted(law.strain, strain)), slope.size) - 1
    return bool(strain > 0.4 and slope[0] > BOTTOMED_OUT * max(slope[max(k, 0)], 1e-12))
