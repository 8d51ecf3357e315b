"""traced.toml → Tracing: hand-traced sections and the profile of the spine, for those without a scanner."""

import hashlib
from pathlib import Path
from typing import Annotated

import numpy as np
from pydantic import Field

from shimwright.quantity import Length
from shimwright.scan.refusal import InputRefused
from shimwright.scan.traced import TracedSection, Tracing
from shimwright.toml_file import Table, read_toml

Pair = Annotated[list[Length], Field(min_length=2, max_length=2)]


class SectionTable(Table):
    """points_mm: [left of the spine, above the spine]; right and below are negative."""

    behind_withers_mm: Length
    points_mm: Annotated[list[Pair], Field(min_length=7)]


class TracedTable(Table):
    """Every key of traced.toml. profile_mm: [behind the withers, height against the withers] along the spine."""

    level: bool = True
    profile_mm: Annotated[list[Pair], Field(min_length=5)]
    section: Annotated[list[SectionTable], Field(min_length=3)]
    shoulder_left_mm: Length | None = None
    shoulder_right_mm: Length | None = None
    last_rib_left_mm: Length | None = None
    last_rib_right_mm: Length | None = None


def read_traced(path: Path) -> tuple[Tracing, str]:
    """The tracing and the file's sha256. Raises WrongUse for keys and values, InputRefused for what is no back."""
    told = read_toml(path, TracedTable)
    places = ("shoulder_left", "shoulder_right", "last_rib_left", "last_rib_right")
    distances = {place: value for place in places if (value := getattr(told, f"{place}_mm")) is not None}
    profile = np.array(told.profile_mm) * [-1.0, 1.0]
    if not profile[:, 0].min() < 0.0 <= profile[:, 0].max():
        raise InputRefused(f"{path}: profile_mm must begin at the withers, [0, 0], and run backwards; add that point")
    height = profile[np.argmin(np.abs(profile[:, 0])), 1]
    sections = tuple(TracedSection(-one.behind_withers_mm, np.array(one.points_mm, float)) for one in told.section)
    tracing = Tracing(profile - [0.0, height], sections, told.level, distances)
    return tracing, hashlib.sha256(path.read_bytes()).hexdigest()
