"""Material laws: strain under pressure, as monotone tables (DESIGN §7, figures and sources in materials.toml)."""

import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from types import MappingProxyType

import numpy as np
from scipy.optimize import isotonic_regression

from shimwright.scan.raw import FloatArray
from shimwright.scan.refusal import InputRefused

ATMOSPHERE_KPA = 101.325
FALL_ALLOWED = 0.02  # strain that a measured curve may fall back by noise before it is refused [J]
CALLIPER_SD_MM = 0.1  # of one reading of soft sheet with a calliper, jaws just touching [J]
GRAVITY_M_S2 = 9.80665


@dataclass(frozen=True)
class Material:
    """ε(p), piecewise linear, continuous, ε(0) = 0, non-decreasing, extrapolated linearly past its range.

    pressure_kpa, strain: (k,) ascending, first entry 0; the last pressure is the end of the range that the law was
    measured or stated for. working_strain: warn above. kind: felt | closed-cell foam | open-cell foam | spacer mesh |
    table | linear. poisson: for coupled layers only (DESIGN §7, second opinion). strain_sd: of a strain read off the
    law, from how it was measured; NaN where not known.
    """

    name: str
    kind: str
    pressure_kpa: FloatArray
    strain: FloatArray
    working_strain: float
    density_kg_m3: float | None
    source: str
    notes: tuple[str, ...] = ()
    poisson: float = 0.0
    strain_sd: float = float("nan")
    levelled: float = 0.0  # strain by which a measured curve fell and was made monotone

    def __post_init__(self) -> None:
        p, e = self.pressure_kpa, self.strain
        if p.shape != e.shape or p.ndim != 1 or p.size < 2 or not (np.isfinite(p).all() and np.isfinite(e).all()):
            raise ValueError(f"{self.name}: pressure and strain must be two equal rows of finite numbers")
        if p[0] != 0 or e[0] != 0 or (np.diff(p) <= 0).any() or (np.diff(e) < 0).any():
            raise ValueError(f"{self.name}: the law must start at 0 and never decrease")

    @property
    def range_kpa(self) -> float:
        return float(self.pressure_kpa[-1])

    def strain_at(self, pressure_kpa: FloatArray | float) -> FloatArray:
        """ε at any pressure ≥ 0, straight on past the range."""
        return interpolate_on(np.asarray(pressure_kpa, float), self.pressure_kpa, self.strain)


def interpolate_on(x: FloatArray, knots: FloatArray, values: FloatArray) -> FloatArray:
    """Piecewise linear through (knots, values), the first and last piece continued."""
    k = np.clip(np.searchsorted(knots, x, side="right") - 1, 0, knots.size - 2)
    slope = (values[k + 1] - values[k]) / (knots[k + 1] - knots[k])
    return values[k] + slope * (x - knots[k])


def felt_pressure_kpa(strain: FloatArray, c_kpa: float, n: float = 3.0) -> FloatArray:
    """van Wyk 1946, J Text Inst 37:T285 (form): p = C[(1 − ε)⁻ⁿ − 1], 0 ≤ ε < 1."""
    return c_kpa * ((1 - strain) ** -n - 1)


def felt_strain(pressure_kpa: FloatArray, c_kpa: float, n: float = 3.0) -> FloatArray:
    """The inverse of `felt_pressure_kpa`: ε = 1 − (1 + p/C)^(−1/n)."""
    return 1 - (1 + pressure_kpa / c_kpa) ** (-1 / n)


def closed_cell_strain(
    pressure_kpa: FloatArray, relative_density: float, p_c_kpa: float, strain_yield: float
) -> FloatArray:
    """Gibson, Ashby, Cellular Solids, made continuous at 0 (reference.md §4):
    ε = ε_y·min(p/p_c, 1) + (1 − R − ε_y)·s/(s + p_atm), s = max(p − p_c, 0).
    """
    s = np.maximum(pressure_kpa - p_c_kpa, 0.0)
    gas = (1 - relative_density - strain_yield) * s / (s + ATMOSPHERE_KPA)
    return strain_yield * np.minimum(pressure_kpa / p_c_kpa, 1.0) + gas


def saturating_strain(pressure_kpa: FloatArray, strain_max: float, p_half_kpa: float) -> FloatArray:
    """Open-cell foam and spacer mesh (reference.md §4): ε = ε_m p/(p + p_h)."""
    return strain_max * pressure_kpa / (pressure_kpa + p_half_kpa)


def knots_kpa(range_kpa: float, extra: tuple[float, ...] = ()) -> FloatArray:
    """Pressures at which a law is tabulated, 0 to range, steps 8 % of (p + 2 kPa): chords within 0.05 % of strain."""
    count = int(np.ceil(np.log1p(range_kpa / 2.0) / 0.08)) + 1
    knots = 2.0 * np.expm1(0.08 * np.arange(count))
    return np.unique(np.concatenate([knots[knots < range_kpa], [range_kpa], [x for x in extra if x < range_kpa]]))


def measured(
    name: str,
    pressure_kpa: FloatArray,
    strain: FloatArray,
    working_strain: float = 0.40,
    density_kg_m3: float | None = None,
    source: str = "measured",
    fall_allowed: float = FALL_ALLOWED,
) -> Material:
    """Material from a measured curve (ISO 3386-1 gives one), any order of rows, made monotone and saying so: by least
    squares (pools of adjacent violators), so that noise neither stiffens nor softens it on the whole.

    Raises InputRefused for too few points, negative values, strain of 1 and more, or a curve that falls.
    """
    rows = np.column_stack([np.asarray(pressure_kpa, float), np.asarray(strain, float)])
    _check_rows(name, rows)
    rows = rows[np.lexsort((rows[:, 1], rows[:, 0]))]
    pressure, first = np.unique(rows[:, 0], return_index=True)
    mean = np.array([part.mean() for part in np.split(rows[:, 1], first[1:])])
    if pressure[0] > 0:
        pressure, mean = np.append(0.0, pressure), np.append(0.0, mean)
    mean = mean - mean[0]
    fall = float((np.maximum.accumulate(mean) - mean).max())
    if fall > fall_allowed:
        raise InputRefused(
            f"material {name}: strain falls by {100 * fall:.1f} % while pressure rises, so it is no compression curve: "
            "measure again or sort out the columns (pressure in kPa, strain as a share)"
        )
    notes = (f"{name}: measured curve made monotone (fell by {100 * fall:.1f} %)",) if fall > 0 else ()
    anchored = np.append(1e9, np.ones(mean.size - 1))  # nothing gives at no pressure
    monotone = np.asarray(isotonic_regression(np.maximum(mean, 0.0), weights=anchored).x)
    monotone = np.maximum.accumulate(monotone - monotone[0])
    return Material(name, "table", pressure, monotone, working_strain, density_kg_m3, source, notes, levelled=fall)


def _check_rows(name: str, rows: FloatArray) -> None:
    if len(rows) < 2 or not np.isfinite(rows).all():
        raise InputRefused(f"material {name}: {len(rows)} usable rows, a law needs at least 2: add measured points")
    if (rows < 0).any() or (rows[:, 1] >= 1).any():
        raise InputRefused(
            f"material {name}: pressure from {rows[:, 0].min():g} kPa, strain {rows[:, 1].min():g} to "
            f"{rows[:, 1].max():g}: pressure must not be negative and strain must lie between 0 and 1"
        )
    if np.ptp(rows[:, 1]) == 0:
        raise InputRefused(f"material {name}: strain never changes, so it has no stiffness: check the columns")


def plate_test(
    name: str,
    thickness_mm: float,
    plate_mm2: float,
    readings: Iterable[tuple[float, float]],
    calliper_sd_mm: float = CALLIPER_SD_MM,
    working_strain: float = 0.40,
) -> Material:
    """A fitter's own test: known weights on a plate, thickness read by calliper → a measured law with its error.

    readings: pairs (weight with the plate in kg, thickness under it in mm). plate_mm2: what the weight rests on. The
    law ends at the heaviest weight. ε = 1 − t/t₀, both read: its sd is at most √2 of the calliper's over t₀, as stated.
    Raises InputRefused for a sheet that grows thicker under more weight by more than the calliper can be off.
    """
    pairs = np.array(list(readings), float).reshape(-1, 2)
    if not (thickness_mm > 0 and plate_mm2 > 0 and calliper_sd_mm > 0):
        raise InputRefused(
            f"material {name}: thickness {thickness_mm:g} mm on {plate_mm2:g} mm², calliper good to {calliper_sd_mm:g} "
            "mm: all three must be above 0; correct the plate_test"
        )
    sd = float(np.sqrt(2) * calliper_sd_mm / thickness_mm)
    _check_readings(name, thickness_mm, pairs, 3 * np.sqrt(2) * calliper_sd_mm)
    pressure = pairs[:, 0] * GRAVITY_M_S2 / plate_mm2 * 1000
    strain = np.maximum(1 - pairs[:, 1] / thickness_mm, 0.0)
    law = measured(
        name,
        np.append(0.0, pressure),
        np.append(0.0, strain),
        working_strain,
        source="plate, weight and calliper",
        fall_allowed=1.0,  # judged in millimetres already
    )
    return replace(law, strain_sd=sd)


def _check_readings(name: str, thickness_mm: float, pairs: FloatArray, slack_mm: float) -> None:
    """Readings in the order of their weights, said in millimetres as they were read."""
    if not np.isfinite(pairs).all() or (pairs <= 0).any():
        raise InputRefused(
            f"material {name}: a reading is weight in kg and thickness in mm, both above 0; correct them"
        )
    rows = np.vstack([[0.0, thickness_mm], pairs[np.argsort(pairs[:, 0], kind="stable")]])
    rise = rows[1:, 1] - np.minimum.accumulate(rows[:, 1])[:-1]
    worst = int(rise.argmax())
    if rise[worst] > slack_mm:
        kg, mm = rows[worst + 1]
        least = int(rows[: worst + 1, 1].argmin())
        under = f"under {rows[least, 0]:g} kg" if least else "without weight"
        raise InputRefused(
            f"material {name}: {mm:g} mm thick under {kg:g} kg but {rows[least, 1]:g} mm {under}; a sheet does not "
            "grow under a load, so read it again"
        )


def linear(name: str, modulus_kpa: float, range_kpa: float = 100.0, working_strain: float = 0.30) -> Material:
    """ε = p/E. Raises InputRefused for a modulus of 0 or less."""
    if not modulus_kpa > 0 or not np.isfinite(modulus_kpa):
        raise InputRefused(
            f"material {name}: stiffness {modulus_kpa:g} kPa, a layer without stiffness carries nothing; give "
            "modulus_kpa above 0"
        )
    pressure = np.array([0.0, range_kpa])
    return Material(name, "linear", pressure, pressure / modulus_kpa, working_strain, None, "told")


@cache
def load_materials() -> Mapping[str, Material]:
    """The shipped laws of materials.toml by name."""
    data = _shipped()
    return MappingProxyType(
        {name: law_from(name, row, data["working_strain"]) for name, row in data["materials"].items()}
    )


@dataclass(frozen=True)
class Tissue:
    """Back tissue as springs and as a layer. Low confidence: always show the sensitivity."""

    stiffness_kpa_per_mm: float
    range_kpa_per_mm: tuple[float, float]
    thickness_mm: float
    source: str


@cache
def tissue() -> Tissue:
    row = _shipped()["tissue"]
    low, high = row["range_kpa_per_mm"]
    return Tissue(row["stiffness_kpa_per_mm"], (low, high), row["thickness_mm"], row["source"])


@cache
def _shipped() -> dict:  # type: ignore[type-arg]
    return tomllib.loads(Path(__file__).with_name("materials.toml").read_text(encoding="utf-8"))


def law_from(name: str, row: Mapping[str, object], working: Mapping[str, float]) -> Material:
    """Material from one table of TOML: kind and its parameters as materials.toml names them.

    Raises InputRefused for an unknown kind or a parameter that is missing, zero or negative.
    """
    kind = str(row.get("of", row.get("kind")))
    density = None if row.get("density_kg_m3") is None else _positive(name, row, "density_kg_m3")
    source = str(row.get("source", "told"))
    if row.get("kind") == "table":
        columns = [np.asarray(row.get(key, ()), float) for key in ("pressure_kpa", "strain")]
        strain = _positive(name, row, "working_strain") if "working_strain" in row else working["table"]
        return measured(name, columns[0], columns[1], strain, density, source)
    end = _positive(name, row, "range_kpa")
    pressure = knots_kpa(end, (_positive(name, row, "p_c_kpa"),) if "p_c_kpa" in row else ())
    if row.get("kind") == "linear":
        pressure = np.array([0.0, end])
    strain_of = _formula(name, row, pressure)
    limit = _positive(name, row, "working_strain") if "working_strain" in row else working[kind]
    poisson = float(str(row.get("poisson", 0.0)))
    return Material(name, kind, pressure, strain_of, limit, density, source, poisson=poisson)


def _formula(name: str, row: Mapping[str, object], pressure: FloatArray) -> FloatArray:
    def told(key: str) -> float:
        return _positive(name, row, key)

    match row.get("kind"):
        case "felt":
            return felt_strain(pressure, told("c_kpa"), told("n"))
        case "closed-cell foam":
            return closed_cell_strain(pressure, told("relative_density"), told("p_c_kpa"), told("strain_yield"))
        case "saturating":
            return saturating_strain(pressure, told("strain_max"), told("p_half_kpa"))
        case "linear":
            return pressure / told("modulus_kpa")
        case other:
            raise InputRefused(
                f"material {name}: kind {other!r} is not known: felt, closed-cell foam, saturating, linear or table"
            )


def _positive(name: str, row: Mapping[str, object], key: str) -> float:
    value = row.get(key)
    if not isinstance(value, int | float) or not np.isfinite(value) or value <= 0:
        raise InputRefused(f"material {name}: {key} is {value!r}, a law needs a number above 0 there")
    return float(value)
