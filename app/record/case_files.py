"""A case with every file it needs, into the record and out again, so that a fit can be run from the record."""

import os
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path, PurePosixPath

from shimwright.record.kept_files import keep_bytes, kept_bytes
from shimwright.record.visits import KeptFile, Visit
from shimwright.scan.refusal import InputRefused, WrongUse

MOST_UP = 8  # folders above the case that its files may lie in


def case_files(case: Path) -> list[tuple[str, Path]]:
    """(role, path) of the case file and of all that it refers to, directly or through saddle, pad, tracing, mesh."""
    told = tomllib.loads(case.read_text(encoding="utf-8-sig"))
    found = [("case", case)]
    named = [(role, told.get(role)) for role in ("scan", "traced", "saddle", "pad")]
    named += [("beside", told.get("stock"))]
    named += [("beside", stance.get("scan")) for stance in told.get("stance", [])]
    for role, name in named:
        if isinstance(name, str) and (path := case.parent / name).is_file():
            found += [(role, path), *(("beside", other) for other in _referred(path))]
    return list(dict.fromkeys(found))


def keep_case(folder: Path, case: Path) -> list[KeptFile]:
    """The files' content into the record's folder. Raises WrongUse where one lies on another drive or too far up."""
    return [keep_file(folder, role, _relative(path, case.parent), path.read_bytes()) for role, path in case_files(case)]


def keep_file(folder: Path, role: str, name: str, content: bytes) -> KeptFile:
    return KeptFile(role, name, keep_bytes(folder, content), len(content))


def put_back(folder: Path, visit: Visit, goal: Path) -> Path:
    """The case of a visit with all its files below the folder `goal`, as they lay; the path of the case file."""
    wanted = [one for one in visit.files if one.role not in ("back", "fit")]
    case = next((one for one in wanted if one.role == "case"), None)
    if case is None:
        raise WrongUse(f"{visit.horse}, {visit.day}: only measured, no case was kept; log its case first")
    up = max(_ups(one.path) for one in wanted)
    if up > MOST_UP:
        raise InputRefused(
            f"{visit.horse}, {visit.day}: its files lie {up} folders up, more than {MOST_UP}; not put back"
        )
    named = re.sub(r"[^\w -]", "_", visit.horse).strip() or "horse"  # what the fit calls the case by
    home = goal.joinpath(*(f"up-{k}" for k in range(up, 1, -1)), named)
    for one in wanted:
        place = Path(os.path.normpath(home / one.path))
        if not place.is_relative_to(goal):
            raise InputRefused(f"{one.path}: would lie outside the folder it is put into; not put back")
        place.parent.mkdir(parents=True, exist_ok=True)
        place.write_bytes(kept_bytes(folder, one.sha256))
    return home / case.path


def _relative(path: Path, home: Path) -> str:
    try:
        name = PurePosixPath(Path(os.path.relpath(path.absolute(), home.absolute())).as_posix()).as_posix()
    except ValueError:  # another drive
        name = ""
    if not name or _ups(name) > MOST_UP:
        raise WrongUse(f"{path}: too far from its case to be kept with it; put it nearer to {home}")
    return name


def _ups(name: str) -> int:
    return sum(part == ".." for part in PurePosixPath(name).parts)


def _referred(path: Path) -> Iterator[Path]:
    """Files that a TOML file or a mesh refers to: curves of materials, photos of sections, textures, buffers."""
    kind = path.suffix.lower()
    if kind == ".toml":
        told = tomllib.loads(path.read_text(encoding="utf-8-sig"))
        rows = [*told.get("material", []), *told.get("section", [])]
        names = [row.get(key) for row in rows if isinstance(row, dict) for key in ("table", "photo")]
    elif kind in (".obj", ".mtl"):
        names = re.findall(r"^\s*(?:mtllib|map_\w+)\s+(?:-\S+ +\S+ +)*(.+?)\s*$", _head(path), re.MULTILINE)
    elif kind == ".gltf":
        names = re.findall(r'"uri"\s*:\s*"([^":]+)"', path.read_text(encoding="utf-8", errors="replace"))
    else:
        names = []
    for name in names:
        if isinstance(name, str) and (other := path.parent / name).is_file():
            yield other
            yield from _referred(other) if kind == ".obj" and other.suffix.lower() == ".mtl" else ()


def _head(path: Path) -> str:
    """Where a mesh names its materials: the beginning."""
    with path.open("rb") as file:
        return file.read(65536).decode("utf-8", errors="replace")
