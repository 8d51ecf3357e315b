"""The chosen set-up and its rivals once more on coupled elastic layers, beside the springs (DESIGN §7, §13)."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import binary_erosion, uniform_filter

from shimwright.optimize.answer import SecondOpinion
from shimwright.optimize.assess import State, settle
from shimwright.optimize.bench import Bench, bench_of, common_layers, known_materials, shim_materials
from shimwright.optimize.case import Case
from shimwright.optimize.layers import Layer, Plate, Settled, from_confined, settle_coupled
from shimwright.optimize.loads import load_case
from shimwright.optimize.materials import Material, tissue
from shimwright.optimize.pad import Pad
from shimwright.optimize.setup import Setup
from shimwright.optimize.underside import Panels, Underside
from shimwright.optimize.windows import WINDOW_MM
from shimwright.scan.raw import FloatArray

STEP_MM = 5.0  # divides the window
FINEST = 0.10  # no verdict finer than this on open-cell foam or mesh (DESIGN §7)
TURNS, SETTLED = 8, 5e-3  # of the secants of local layers
LEAST_KPA = 0.05  # below it a law is as stiff as here
REPORTED, RANGE = 0.45, 0.30  # Poisson's ratio of tissue


@dataclass(frozen=True)
class Coupled:
    """Peak (25 × 25 mm window) and contact mean, kPa, of one set-up: on coupled layers, and on springs on the same
    grid.
    """

    peak_kpa: float
    mean_kpa: float
    peak_springs_kpa: float


def second_opinion(
    bench: Bench, pad: Pad, setup: Setup, case: Case, rivals: Mapping[str, tuple[Bench, Setup]] | None = None
) -> SecondOpinion:
    """Mounted. rivals: name → (bench with its arch in, set-up): as found, the runners-up, the fitter's own ideas; their
    peak on both models, tissue ν 0.45.
    """
    state = _on_springs(bench, pad, setup, case)
    chosen, settled = _on_layers(state, pad, setup, REPORTED, None)
    softer, _ = _on_layers(state, pad, setup, RANGE, settled)
    others = {
        name: _on_layers(_on_springs(there, pad, their, case), pad, their, REPORTED, settled)[0]
        for name, (there, their) in (rivals or {}).items()
    }
    return SecondOpinion(
        chosen.peak_kpa,
        chosen.mean_kpa,
        softer.peak_kpa,
        chosen.peak_springs_kpa,
        chosen.peak_kpa / chosen.peak_springs_kpa - 1,
        {name: one.peak_kpa for name, one in others.items()},
        {name: one.peak_springs_kpa for name, one in others.items()},
        tuple(name for name, one in others.items() if ordered_otherwise(chosen, one)),
    )


def ordered_otherwise(chosen: Coupled, other: Coupled) -> bool:
    """True where one model puts the other's peak above the choice's by more than 10 %, and the other model below.

    >>> ordered_otherwise(Coupled(12.0, 9.0, 10.0), Coupled(10.0, 9.0, 12.0))
    True
    >>> ordered_otherwise(Coupled(10.5, 9.0, 10.0), Coupled(10.0, 9.0, 12.0))
    False
    """
    by_layers, by_springs = other.peak_kpa / chosen.peak_kpa, other.peak_springs_kpa / chosen.peak_springs_kpa
    low, high = sorted((by_layers, by_springs))
    return low < 1 - FINEST and high > 1 + FINEST


def coupled(
    bench: Bench, pad: Pad, setup: Setup, case: Case, poisson: float, name: str = "mounted", step_mm: float = STEP_MM
) -> Coupled:
    """One set-up on coupled layers of secant moduli at Σp²/Σp of the springs' answer, gaps as re-linearised there."""
    return _on_layers(_on_springs(bench, pad, setup, case, name, step_mm), pad, setup, poisson, None)[0]


def _on_springs(
    bench: Bench, pad: Pad, setup: Setup, case: Case, name: str = "mounted", step_mm: float = STEP_MM
) -> State:
    """The set-up at rest on springs, on panels laid flat."""
    there = bench_of(bench.back, laid_flat(bench.underside.panels, step_mm), pad, bench.origin_mm)
    load = load_case(bench.underside.panels.saddle, bench.underside, case.rider, name)
    return settle(there, pad, setup, load)


def _on_layers(state: State, pad: Pad, setup: Setup, poisson: float, start: Settled | None) -> tuple[Coupled, Settled]:
    """The same on coupled layers. start: of another set-up on the same grids, from where it is sooner found."""
    saddle, step_mm = state.bench.underside.panels.saddle, state.bench.underside.spacing_mm
    pressure, area = state.found.pressure_kpa, state.bed.area_mm2
    typical = float((area * pressure) @ pressure / (area @ pressure))
    laws = known_materials(saddle, pad)
    sheets = elastic_layers(pad, setup, laws, typical, poisson)
    found = _with_own_secants(state, pad, laws, sheets, start)
    fields = np.stack(found.pressure_kpa)
    carried = state.bed.area_mm2.reshape(fields.shape)
    touching = carried * (fields > 0.1)
    springs = pressure.reshape(fields.shape)
    peaks = Coupled(
        window_peak(fields, carried, step_mm),
        float((fields * touching).sum() / touching.sum()),
        window_peak(springs, carried, step_mm),
    )
    return peaks, found


def laid_flat(panels: Panels, step_mm: float) -> Underside:
    """Nodes on a square grid over each panel laid flat; area 0 beyond the panel's edges."""
    length = panels.saddle.length_mm
    n_s = max(round(length / step_mm), 4)
    n_t = int(np.ceil(np.max(panels.saddle.panel_width_mm) / step_mm))
    s, u = np.meshgrid((np.arange(n_s) + 0.5) / n_s, (np.arange(n_t) + 0.5 - n_t / 2) * step_mm, indexing="ij")
    t = (u / panels.width_mm(s) + 0.5).ravel()
    s = s.ravel()
    inside = (t >= 0) & (t <= 1)
    t = np.clip(t, 0.0, 1.0)
    halves = []
    for side in (1, -1):
        normals, size = panels.frame(s, t, side)
        lateral = side * (panels.inner_edge_mm(s, side) + t * panels.width_mm(s))
        points = panels.points(s, t, side)
        area = np.where(inside, size * step_mm / panels.width_mm(s) / n_s, 0.0)
        halves.append((points, normals, area, np.column_stack([points[:, 0], lateral])))
    points, normals, area, flat = (np.concatenate(part) for part in zip(*halves, strict=True))
    along = np.tile(s, 2)
    side_of = np.repeat([1.0, -1.0], s.size)
    on_arch = length * along <= panels.saddle.arch_length_mm
    return Underside(panels, points, normals, area, side_of, along, np.tile(t, 2), flat, on_arch, (n_s, n_t), step_mm)


def elastic_layers(
    pad: Pad, setup: Setup, laws: Mapping[str, Material], typical_kpa: float, poisson: float
) -> list[Layer]:
    """From the surface down: insert, shell, tissue; sheets by their secant modulus at typical_kpa."""
    bare = _without_filling(pad, setup, laws)
    sheets = [
        from_confined(h, typical_kpa / max(float(law.strain_at(typical_kpa)), 1e-9), law.poisson) for law, h in bare
    ]
    soft = tissue()
    depth = soft.thickness_mm
    return [*reversed(sheets), from_confined(depth, soft.stiffness_kpa_per_mm * depth, poisson)]


def _without_filling(pad: Pad, setup: Setup, laws: Mapping[str, Material]) -> list[tuple[Material, float]]:
    from_pad = []
    if pad.shell_material is not None and pad.shell_mm > 0:
        from_pad.append((laws[pad.shell_material], pad.shell_mm))
    insert = next((one for one in pad.inserts if one.name == setup.insert), None)
    if insert is not None:
        from_pad.append((laws[insert.material], insert.thickness_mm))
    return from_pad


def _with_own_secants(
    state: State, pad: Pad, laws: Mapping[str, Material], sheets: Sequence[Layer], start: Settled | None
) -> Settled:
    """Filling and shims are local, so each node may have its own secant: taken anew at the pressures found until the
    hardest node no longer moves. That makes them the laws themselves, not their tangent somewhere.
    """
    force, step_mm = state.bench.force(state.load), state.bench.underside.spacing_mm

    def settled(pressure_kpa: FloatArray, near: Settled | None) -> Settled:
        plates = _plates(state, _springs(state, pad, laws, pressure_kpa), step_mm)
        return settle_coupled(plates, sheets, state.bench.stiffness, force, near)

    before, found = state.found.pressure_kpa, settled(state.found.pressure_kpa, start)
    for _ in range(TURNS):
        here = np.concatenate([field.ravel() for field in found.pressure_kpa])
        if abs(here.max() - before.max()) < SETTLED * before.max():
            break
        before, found = here, settled(here, found)
    return found


def _springs(state: State, pad: Pad, laws: Mapping[str, Material], pressure_kpa: FloatArray) -> FloatArray:
    """(n,) mm/kPa of panel filling and shims at each node: what they give over the pressure there."""
    saddle = state.bench.underside.panels.saddle
    at = np.maximum(pressure_kpa, LEAST_KPA)
    given = sum((h * law.strain_at(at) for law, h in common_layers(saddle, None, None, laws)), np.zeros(at.size))
    for column, law in enumerate(shim_materials(pad, laws)):
        given = given + state.bed.stack_mm[:, column] * law.strain_at(at)
    return np.asarray(given / at)


def _plates(state: State, springs: FloatArray, step_mm: float) -> list[Plate]:
    n_s, n_t = state.bench.underside.grid
    shape, ways = (2, n_s, n_t), (2, n_s, n_t, state.bed.ways.shape[1])
    parts = zip(
        state.bed.area_mm2.reshape(shape),
        state.bed.lift_mm.reshape(shape),
        state.bed.ways.reshape(ways),
        springs.reshape(shape),
        strict=True,
    )
    return [Plate(step_mm, *part) for part in parts]


def window_peak(fields: FloatArray, area: FloatArray, step_mm: float) -> float:
    """Largest mean over a 25 × 25 mm window wholly on the panel, of fields (2, nx, ny)."""
    cells = max(round(WINDOW_MM / step_mm), 1)
    peak = 0.0
    for field, own in zip(fields, area, strict=True):
        whole = binary_erosion(own > 0, np.ones((cells, cells)))
        means = uniform_filter(field, cells, mode="constant")
        peak = max(peak, float(means[whole].max()) if whole.any() else float(field.max()))
    return peak
