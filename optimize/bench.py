"""One saddle with one arch on one back: everything that no insert and no shim changes, ready for many solves.

How a search uses it:
    bench = prepare(back, saddle, pad, placement, arch_name, spacing_mm)      # ~600 nodes for searching
    bench = bench.at(q)                                                       # optional: gaps exact at that pose
    program = bed(bench, pad, setup)                                          # arrays for one set-up
    found = solve(program, bench.force(load))                                 # Equilibrium
All arrays are per node (n,). `bench.lift_mm` is the approach of the bare underside at q = 0, `bench.ways` what each
unit of q adds; a set-up adds its height: lift = bench.lift_mm + shell + insert + Σ layers' thickness at the node
(`stacks.layer_thickness` at `bench.underside.flat_mm`). `bench.pocket` tells which pocket (index in pad.pockets, −1
none).
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from shimwright.optimize.answer import Placement
from shimwright.optimize.contact import Bed, compression
from shimwright.optimize.flexible import Modes, tree_modes
from shimwright.optimize.loads import Load
from shimwright.optimize.materials import Material, load_materials, tissue
from shimwright.optimize.pad import Insert, Pad
from shimwright.optimize.place import UNSEEN_ALLOWED, arch_angles_deg, lowered
from shimwright.optimize.saddle import Arch, Saddle
from shimwright.optimize.setup import Setup
from shimwright.optimize.stacks import check_pockets, layer_thickness, node_pockets
from shimwright.optimize.underside import Underside, underside
from shimwright.scan.back import Back
from shimwright.scan.raw import FloatArray
from shimwright.scan.refusal import InputRefused, WrongUse

TILT_SAID_DEG = 5.0  # beyond it the reckoning, for small rotations, is said to be rough
TILT_ALLOWED_DEG = 10.0  # beyond it, refused [J]


@dataclass(frozen=True)
class Bench:
    """underside: nodes, saddle frame. origin_mm, centre_mm (3,): saddle origin and R in the back frame, reference pose.

    area_mm2 (n,): 0 where the scan saw nothing. lift_mm (n,), ways (n, m): approach of the bare underside is
    lift + ways·q, q = (heave mm > 0 down, pitch rad > 0 front high, roll rad > 0 left high, modes mm). stiffness (m,
    m), N/mm. pocket (n,). share (n,): +1 on the left beam, −1 on the right. modes: None for a rigid tree.
    """

    back: Back
    arch: str | None
    underside: Underside
    origin_mm: FloatArray
    centre_mm: FloatArray
    area_mm2: FloatArray
    lift_mm: FloatArray
    ways: FloatArray
    stiffness: FloatArray
    pocket: NDArray[np.int64]
    modes: Modes | None
    unseen_share: float

    @property
    def points_mm(self) -> FloatArray:
        """(n, 3) nodes in the back frame at the reference pose."""
        return self.underside.points + self.origin_mm

    def at(self, q: FloatArray) -> "Bench":
        """The same bench with gaps and ways taken anew at pose q: exact there, still in terms of the reference pose.

        Raises InputRefused for a tilt over 10°.
        """
        check_tilt(q)
        points, normals = moved(self, self.underside.points, self.underside.normals, q)
        gap = self.back.gap(points, normals)
        seen = np.isfinite(gap)
        ways = ways_of(self, points, normals, q)
        lift = np.where(seen, -gap, 0.0) - ways @ q
        return replace(self, area_mm2=np.where(seen, self.underside.area_mm2, 0.0), lift_mm=lift, ways=ways)

    def force(self, load: Load) -> FloatArray:
        """Generalised force (m,): N, N·mm about pitch and roll, N on each mode."""
        x, y = load.x_mm + self.origin_mm[0] - self.centre_mm[0], load.y_mm
        force = [load.total_n, -float(load.force_n @ x), -float(load.force_n @ y)]
        if self.modes is None:
            return np.array(force)
        beam = np.abs(np.interp(-load.x_mm, *self._beam))
        return np.append(force, load.force_n @ self.modes.at(load.x_mm, np.clip(y / beam, -1.0, 1.0)))

    @property
    def _beam(self) -> tuple[FloatArray, FloatArray]:
        """(distance behind the front edge, |y|) of the left panel's middle line."""
        rows = self.underside.points.reshape(2, *self.underside.grid, 3)[0]
        return -rows[:, 0, 0], rows[:, :, 1].mean(axis=1)

    def tilt_deg(self, q: FloatArray) -> tuple[float, float]:
        """(pitch, roll): turn from the maker's level; of a tree that bends, the line arch–cantle and the mean of
        the sides.
        """
        if self.modes is None:
            return float(np.degrees(q[1])), float(np.degrees(q[2]))
        ends = np.array([0.0, -self.underside.panels.saddle.length_mm])
        down = [self.modes.at(ends, np.full(2, share)) @ q[3:] for share in (1.0, -1.0)]
        bent = np.mean([d[1] - d[0] for d in down]) / -ends[1]
        sides = self.modes.at(self.underside.points[:, 0], self.underside.side) @ q[3:]
        lateral = self.underside.points[:, 1]
        twist = -float(np.average(sides * lateral, weights=self.underside.area_mm2)) / float(
            np.average(lateral**2, weights=self.underside.area_mm2)
        )
        return float(np.degrees(q[1] + bent)), float(np.degrees(q[2] + twist))


def prepare(
    back: Back, saddle: Saddle, pad: Pad, placement: Placement, arch: str | None = None, spacing_mm: float = 5.0
) -> Bench:
    """Bench for one arch (None: the reference arch, or none), lowered to first touch at the placement's x.

    Raises InputRefused when the panels lie over what the scan did not see, WrongUse for an unknown arch or a pocket
    that overlaps another or lies off the panels.
    """
    chosen = arch_named(saddle, arch)
    angles = arch_angles_deg(back, saddle, chosen, placement.front_x_mm)
    panels = underside(saddle, chosen, spacing_mm, angles)
    check_pockets(pad, panels)
    origin = lowered(back, panels, placement.front_x_mm)
    bench = bench_of(back, panels, pad, origin)
    if not bench.unseen_share <= UNSEEN_ALLOWED:
        raise InputRefused(
            f"{100 * bench.unseen_share:.0f} % of the panels lie over what the scan did not see: scan again"
        )
    return bench


def bench_of(back: Back, panels: Underside, pad: Pad, origin_mm: FloatArray) -> Bench:
    """Bench of these nodes with the saddle's origin at origin_mm (3,), back frame."""
    gap = back.gap(panels.points + origin_mm, panels.normals)
    seen = np.isfinite(gap)
    modes = tree_modes(panels.panels.saddle)
    count = 3 + (modes.count if modes else 0)
    stiffness = np.zeros((count, count))
    if modes:
        stiffness[range(3, count), range(3, count)] = modes.stiffness_n_mm
    arch = panels.panels.arch
    bench = Bench(
        back=back,
        arch=arch.name if arch else None,
        underside=panels,
        origin_mm=origin_mm,
        centre_mm=origin_mm + panels.centroid,
        area_mm2=np.where(seen, panels.area_mm2, 0.0),
        lift_mm=np.where(seen, -gap, 0.0),
        ways=np.zeros((len(gap), count)),
        stiffness=stiffness,
        pocket=node_pockets(pad, panels.flat_mm),
        modes=modes,
        unseen_share=1 - float(panels.area_mm2[seen].sum() / panels.area_mm2.sum()),
    )
    return replace(bench, ways=ways_of(bench, bench.points_mm, panels.normals, np.zeros(count)))


def arch_named(saddle: Saddle, name: str | None) -> Arch | None:
    if name is None:
        return next((a for a in saddle.arches if a.name == saddle.reference_arch), None)
    found = next((a for a in saddle.arches if a.name == name), None)
    if found is None:
        raise WrongUse(
            f"arch {name!r} is not one of this saddle's: {', '.join(a.name for a in saddle.arches) or 'it has none'}"
        )
    return found


def turn(q: FloatArray) -> FloatArray:
    """(3, 3) rotation of pitch and roll together, about the vector (roll, −pitch, 0)."""
    vector = np.array([q[2], -q[1], 0.0])
    angle = float(np.linalg.norm(vector))
    if angle < 1e-12:
        return np.eye(3)
    x, y, z = vector / angle
    cross = np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]])
    return np.asarray(np.eye(3) + np.sin(angle) * cross + (1 - np.cos(angle)) * cross @ cross)


def moved(bench: Bench, points: FloatArray, normals: FloatArray, q: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Points and directions (k, 3) of the saddle frame, in the back frame at pose q: turned about R, lowered, bent."""
    rotation = turn(q)
    centroid = bench.underside.centroid
    arm = points - centroid
    if bench.modes is not None:
        share = np.sign(points[:, 1])
        down = bench.modes.at(points[:, 0], share) @ q[3:]
        tip = bench.modes.slope_at(points[:, 0], share) @ q[3:]
        arm = arm - down[:, None] * np.array([0.0, 0.0, 1.0])
        bend = np.stack([normals[:, 2] * tip, np.zeros(len(tip)), -normals[:, 0] * tip], axis=1)
        normals = normals + bend
        normals = normals / np.linalg.norm(normals, axis=1, keepdims=True)
    return bench.centre_mm + arm @ rotation.T - np.array([0.0, 0.0, q[0]]), normals @ rotation.T


def ways_of(bench: Bench, points: FloatArray, normals: FloatArray, q: FloatArray) -> FloatArray:
    """(n, m) approach per unit of heave, pitch, roll and each mode, of points in the back frame at pose q."""
    x, y, z = (points - bench.centre_mm + np.array([0.0, 0.0, q[0]])).T
    rigid = [-normals[:, 2], normals[:, 2] * x - normals[:, 0] * z, normals[:, 2] * y - normals[:, 1] * z]
    ways = np.stack(rigid, axis=1)
    if bench.modes is None:
        return ways
    return np.hstack([ways, -normals[:, 2:] * bench.modes.at(bench.underside.points[:, 0], bench.underside.side)])


def check_tilt(q: FloatArray) -> None:
    """Raises InputRefused when the saddle tips by more than 10° either way."""
    if np.abs(np.degrees(q[1:3])).max() > TILT_ALLOWED_DEG:
        raise InputRefused(
            f"the saddle tips {tilt_words(q)}, over the {TILT_ALLOWED_DEG:g}° that can be reckoned with: it does not "
            "fit this back; check panel angles, arch and placing"
        )


def tilt_words(q: FloatArray) -> str:
    pitch, roll = np.degrees(q[1:3])
    along, across = "back" if pitch > 0 else "forward", "right" if roll > 0 else "left"
    return f"{abs(pitch):.1f}° {along} and {abs(roll):.1f}° to the {across}"


def insert_named(pad: Pad, name: str | None) -> Insert | None:
    if name is None:
        return None
    found = next((insert for insert in pad.inserts if insert.name == name), None)
    if found is None:
        raise WrongUse(f"insert {name!r} is not one of this pad's: {', '.join(i.name for i in pad.inserts) or 'none'}")
    return found


def common_layers(
    saddle: Saddle, pad: Pad | None, insert: str | None, materials: Mapping[str, Material]
) -> list[tuple[Material, float]]:
    """Layers that are alike at all nodes: shell, insert, panel filling; pad None: the saddle alone."""
    layers: list[tuple[Material, float]] = []
    if pad is not None:
        if pad.shell_material is not None and pad.shell_mm > 0:
            layers.append((material_named(materials, pad.shell_material), pad.shell_mm))
        chosen = insert_named(pad, insert)
        if chosen is not None:
            layers.append((material_named(materials, chosen.material), chosen.thickness_mm))
    if saddle.filling is not None and saddle.filling.depth_mm > 0:
        layers.append((material_named(materials, saddle.filling.material), saddle.filling.depth_mm))
    return layers


def pad_height_mm(pad: Pad | None, insert: str | None) -> float:
    """Unpressed height of shell and insert."""
    chosen = insert_named(pad, insert) if pad is not None else None
    return (pad.shell_mm if pad is not None else 0.0) + (chosen.thickness_mm if chosen else 0.0)


def shim_materials(pad: Pad, materials: Mapping[str, Material]) -> list[Material]:
    """Materials of the shims in stock, each once, in order."""
    return [material_named(materials, name) for name in dict.fromkeys(shim.material for shim in pad.shims)]


def known_materials(saddle: Saddle, pad: Pad | None) -> Mapping[str, Material]:
    """The shipped laws and those told with the saddle and the pad, the pad's last."""
    own = (*saddle.own_materials, *(pad.own_materials if pad is not None else ()))
    return {**load_materials(), **{law.name: law for law in own}}


def material_named(materials: Mapping[str, Material], name: str) -> Material:
    if name not in materials:
        raise WrongUse(f"material {name!r} is not known: {', '.join(materials)}; or give its own law as a table")
    return materials[name]


def stack_heights_mm(bench: Bench, pad: Pad, setup: Setup) -> FloatArray:
    """(n, shim materials) thickness of the layers at each node, bevels included."""
    names = list(dict.fromkeys(shim.material for shim in pad.shims))
    of_shim = {shim.name: names.index(shim.material) for shim in pad.shims}
    heights = np.zeros((len(bench.pocket), len(names)))
    for index, pocket in enumerate(pad.pockets):
        stack = setup.stacks.get(pocket.name, ())
        nodes = np.flatnonzero(bench.pocket == index)
        rows = layer_thickness(pad, pocket, stack, bench.underside.flat_mm[nodes])
        for layer, row in zip(stack, rows, strict=True):
            if layer.shim not in of_shim:
                raise WrongUse(f"shim {layer.shim!r} in pocket {pocket.name} is not in stock: {', '.join(of_shim)}")
            heights[nodes, of_shim[layer.shim]] += row
    return heights


def bed(
    bench: Bench,
    pad: Pad | None,
    setup: Setup | None,
    materials: Mapping[str, Material] | None = None,
    tissue_kpa_per_mm: float | None = None,
) -> Bed:
    """The program of one set-up; pad or setup None: the saddle alone on the horse."""
    soft = tissue().stiffness_kpa_per_mm if tissue_kpa_per_mm is None else tissue_kpa_per_mm
    saddle = bench.underside.panels.saddle
    laws = known_materials(saddle, pad) if materials is None else materials
    if pad is None or setup is None:
        table = compression(common_layers(saddle, None, None, laws), [], soft)
        stack = np.zeros((len(bench.lift_mm), 0))
        return Bed(bench.area_mm2, bench.lift_mm, bench.ways, bench.stiffness, stack, table)
    table = compression(common_layers(saddle, pad, setup.insert, laws), shim_materials(pad, laws), soft)
    stack = stack_heights_mm(bench, pad, setup)
    lift = bench.lift_mm + pad_height_mm(pad, setup.insert) + stack.sum(axis=1)
    return Bed(bench.area_mm2, lift, bench.ways, bench.stiffness, stack, table)
