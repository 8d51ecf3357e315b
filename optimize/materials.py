"""Material laws: strain under pressure, as monotone tables (DESIGN §7, reference figures in materials.toml)."""

from dataclasses import dataclass

from shimwright.scan.raw import FloatArray


@dataclass(frozen=True)
class Material:
    """ε(p), piecewise linear, continuous, ε(0) = 0, non-decreasing, extrapolated linearly past its range.

    pressure_kpa, strain: (k,) ascending, first entry 0. working_strain: warn above. range_kpa: last pressure that
    the law was measured or stated for. kind: felt | closed-cell foam | open-cell foam | spacer mesh | table | linear.
    """

    name: str
    kind: str
    pressure_kpa: FloatArray
    strain: FloatArray
    working_strain: float
    density_kg_m3: float | None
    source: str
    notes: tuple[str, ...] = ()
