"""traced.toml → Tracing: hand-traced sections and the profile of the spine, for those without a scanner."""

import hashlib
from pathlib import Path
from typing import Annotated

import numpy as np
from pydantic import Field

from shimwright.quantity import Length
from shimwright.scan.photo import section_from_photo
from shimwright.scan.refusal import InputRefused, WrongUse
from shimwright.scan.traced import TRACING_SD_MM, TracedSection, Tracing
from shimwright.toml_file import Table, read_toml

Pair = Annotated[list[Length], Field(min_length=2, max_length=2)]


class SectionTable(Table):
    """points_mm: [left of the spine, above the spine], right and below negative; or a photo of the grid sheet."""

    behind_withers_mm: Length
    points_mm: Annotated[list[Pair], Field(min_length=7)] | None = None
    photo: str | None = None


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
    sections = tuple(_section(one, path) for one in told.section)
    tracing = Tracing(profile - [0.0, height], sections, told.level, distances)
    return tracing, hashlib.sha256(path.read_bytes()).hexdigest()


def _section(told: SectionTable, file: Path) -> TracedSection:
    x = -told.behind_withers_mm
    if (told.points_mm is None) == (told.photo is None):
        raise WrongUse(
            f"{file}: the section {told.behind_withers_mm:g} mm behind the withers needs points_mm or a photo, one"
        )
    if told.photo is None:
        return TracedSection(x, np.array(told.points_mm, float))
    if not (file.parent / told.photo).is_file():
        raise WrongUse(f'{file}: no photo "{told.photo}" beside it; correct the name')
    seen = section_from_photo(file.parent / told.photo)
    spine = np.interp(0.0, *seen.points_mm[np.argsort(seen.points_mm[:, 0])].T)
    return TracedSection(x, seen.points_mm - [0.0, spine], float(np.hypot(TRACING_SD_MM, seen.sd_mm)))
