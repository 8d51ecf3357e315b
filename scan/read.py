"""From a file on disk to a `RawScan`: one door, a reader behind it for each format.

A reader never guesses: what it cannot read it refuses by name, with the counts that it found.
"""

import hashlib
from collections.abc import Callable
from dataclasses import replace
from importlib import import_module
from pathlib import Path

import numpy as np

from shimwright.scan.raw import RawScan
from shimwright.scan.refusal import InputRefused, WrongUse

LARGEST_COORDINATE = 1e9  # any unit: a survey grid in millimetres stays below
FEWEST_POINTS = 200  # fewer than this cannot show a back
Reader = Callable[[Path], RawScan]

# suffix → (module, function, first bytes that a file of this kind must show; b"" = any)
READERS: dict[str, tuple[str, str, bytes]] = {
    ".ply": ("read_mesh", "read_ply", b"ply"),
    ".obj": ("read_mesh", "read_obj", b""),
    ".stl": ("read_mesh", "read_stl", b""),
    ".off": ("read_mesh", "read_off", b""),
    ".glb": ("read_mesh", "read_gltf", b"glTF"),
    ".gltf": ("read_mesh", "read_gltf", b""),
    ".3mf": ("read_mesh", "read_3mf", b"PK"),
    ".xyz": ("read_text", "read_text", b""),
    ".txt": ("read_text", "read_text", b""),
    ".csv": ("read_text", "read_text", b""),
    ".asc": ("read_text", "read_text", b""),
    ".pts": ("read_text", "read_text", b""),
    ".pcd": ("read_pcd", "read_pcd", b""),
    ".las": ("read_survey", "read_las", b"LASF"),
    ".laz": ("read_survey", "read_las", b"LASF"),
    ".e57": ("read_survey", "read_e57", b"ASTM-E57"),
    ".usdz": ("read_usd", "read_usd", b"PK"),
    ".usd": ("read_usd", "read_usd", b""),
    ".usda": ("read_usd", "read_usd", b"#usda"),
    ".usdc": ("read_usd", "read_usd", b"PXR-USDC"),
    ".zip": ("read_archive", "read_zip", b"PK"),
    ".bz2": ("read_archive", "read_bz2", b"BZh"),
    ".gz": ("read_archive", "read_gz", b"\x1f\x8b"),
}


def read(path: Path) -> RawScan:
    """Read a scan. Raises WrongUse (no such file, no right to read it) or InputRefused (content)."""
    try:
        _check_file(path)
        digest = sha256(path)
    except OSError as error:
        raise WrongUse(f"{path}: cannot be read ({error.strerror}); check the name and the rights") from None
    scan = checked(read_as(path, path.suffix.lower()))
    return replace(scan, file=path.name.encode("utf-8", "replace").decode("utf-8"), sha256=digest)


def _check_file(path: Path) -> None:
    if not path.exists():
        raise WrongUse(f"{path}: no such file; check the name, or drag the file into the terminal")
    if path.is_dir():
        raise WrongUse(f"{path}: a folder, not a scan; name the file in it")
    if not path.is_file():
        raise WrongUse(f"{path}: a pipe or a device, not a file; save the scan as a file first")
    if path.stat().st_size == 0:
        raise InputRefused(f"{path.name}: the file is empty (0 bytes); export the scan again")


def read_as(path: Path, suffix: str) -> RawScan:
    """Read by the reader for `suffix`; whatever a library throws becomes a refusal."""
    if suffix not in READERS:
        known = " ".join(sorted(READERS))
        raise InputRefused(f"{path.name}: format '{suffix or 'none'}' is not known; export as one of {known}")
    module, function, magic = READERS[suffix]
    with path.open("rb") as stream:
        start = stream.read(16)
    if not start.lstrip(b"\xef\xbb\xbf").startswith(magic):
        found = start[:8].decode("latin-1").encode("unicode_escape").decode("ascii")
        raise InputRefused(
            f"{path.name}: not a {suffix[1:].upper()} file, it begins with '{found}'; "
            f"the name and the content differ, export the scan again"
        )
    reader: Reader = getattr(import_module(f"shimwright.scan.{module}"), function)
    try:
        return reader(path)
    except (InputRefused, KeyboardInterrupt):
        raise
    except ImportError as error:
        missing = error.name or str(error)
        raise InputRefused(
            f"{path.name}: reading {suffix[1:].upper()} needs '{missing}'; install the extra: "
            f"pip install 'shimwright[formats]', or export the scan as PLY or GLB"
        ) from error
    except MemoryError as error:
        raise InputRefused(
            f"{path.name}: needs more memory than there is; export the scan with fewer points (5 million are plenty)"
        ) from error
    except Exception as error:
        raise InputRefused(
            f"{path.name}: damaged or cut off, its {path.stat().st_size} bytes cannot be read as "
            f"{suffix[1:].upper()}{_said(error)}; export it again"
        ) from error


def _said(error: Exception) -> str:
    """What a reader behind said about the file, in brackets; what Python itself says is for programmers."""
    words = str(error).strip().splitlines()
    if type(error).__module__ == "builtins" or not words or " " not in words[0]:
        return ""
    return f" ({words[0] if len(words[0]) <= 80 else words[0][:79] + '…'})"


def checked(scan: RawScan) -> RawScan:
    """The scan itself if its numbers can be a scan, else InputRefused."""
    if scan.points.ndim != 2 or scan.points.shape[1] != 3:
        raise InputRefused(f"{scan.file}: points without x, y and z: the file is damaged; export it again")
    n = len(scan.points)
    faces = "no faces" if scan.faces is None else f"{len(scan.faces)} faces"
    if n < FEWEST_POINTS:
        raise InputRefused(
            f"{scan.file}: read as {scan.format}, {n} points and {faces}: too few to show a back "
            f"(at least {FEWEST_POINTS}); export the whole scan"
        )
    largest = max(-float(scan.points.min()), float(scan.points.max()))  # NaN where any is NaN
    if not np.isfinite(largest):
        lost = int((~np.isfinite(scan.points)).any(axis=1).sum())
        raise InputRefused(
            f"{scan.file}: {lost} of {n} points have no number (NaN or infinite): the file is damaged; export it again"
        )
    if largest > LARGEST_COORDINATE:
        raise InputRefused(
            f"{scan.file}: a coordinate of {largest:.3g} is no measure of a horse in any unit: "
            f"the file is damaged; export it again"
        )
    if not (scan.points[:FEWEST_POINTS] != scan.points[0]).any() and not np.ptp(scan.points, axis=0).any():
        raise InputRefused(f"{scan.file}: all {n} points lie at one place; export the scan again")
    if scan.faces is not None and scan.faces.size and (scan.faces.min() < 0 or scan.faces.max() >= n):
        raise InputRefused(
            f"{scan.file}: a face names point {scan.faces.max()} of {n}: the file is damaged; export it again"
        )
    return scan


def sha256(path: Path) -> str:
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()
