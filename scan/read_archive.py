"""ZIP, BZ2 and GZ of one scan: unpacked under a limit, into a folder of its own, names kept inside it."""

import bz2
import gzip
import shutil
import tempfile
import zipfile
from collections.abc import Callable
from pathlib import Path, PurePosixPath

from shimwright.scan.raw import RawScan
from shimwright.scan.refusal import InputRefused

LARGEST_BYTES = 2 << 30
LARGEST_RATIO = 200  # a scan packs to a tenth at best; a thousandfold is a trap
ENCRYPTED = 1  # flag bit 0, ZIP specification 4.4.4
SMALLEST_TRAP = 50 << 20
MOST_FILES = 2000
COMPANIONS = {".mtl", ".png", ".jpg", ".jpeg", ".bin", ".md", ".html"}


def check_zip(path: Path) -> zipfile.ZipFile:
    """The opened archive, or InputRefused: too large, too tightly packed, or names that leave the folder."""
    archive = zipfile.ZipFile(path)
    entries = archive.infolist()
    size, packed = sum(entry.file_size for entry in entries), path.stat().st_size
    if size > LARGEST_BYTES or (size > SMALLEST_TRAP and size > LARGEST_RATIO * packed) or len(entries) > MOST_FILES:
        raise InputRefused(
            f"{path.name}: {packed} bytes unpack to {size} in {len(entries)} files, more than a scan needs "
            f"({LARGEST_BYTES} bytes, {LARGEST_RATIO} times, {MOST_FILES} files); send the scan itself"
        )
    if any(entry.flag_bits & ENCRYPTED for entry in entries):
        raise InputRefused(f"{path.name}: locked with a password; unpack it and name the scan itself")
    for entry in entries:
        name = PurePosixPath(entry.filename.replace("\\", "/"))
        if name.is_absolute() or ".." in name.parts or ":" in entry.filename:
            raise InputRefused(
                f"{path.name}: holds '{entry.filename[:60]}', a path that leaves the archive; pack it anew"
            )
    return archive


def read_zip(path: Path) -> RawScan:
    """The one scan in the archive; companions (textures, buffers) lie beside it."""
    from shimwright.scan.read import READERS, read_as

    with check_zip(path) as archive, tempfile.TemporaryDirectory() as folder:
        scans = [
            entry
            for entry in archive.infolist()
            if not entry.is_dir()
            and PurePosixPath(entry.filename).suffix.lower() in READERS
            and PurePosixPath(entry.filename).suffix.lower() not in (".zip", ".bz2", ".gz")
            and not PurePosixPath(entry.filename).name.startswith((".", "__"))
            and "__MACOSX" not in entry.filename
        ]
        if len(scans) > 1:
            scans = [entry for entry in scans if not entry.filename.lower().endswith((".txt", ".csv"))] or scans
        if len(scans) != 1:
            held = scans or [entry for entry in archive.infolist() if not entry.is_dir()]
            names = ", ".join(entry.filename[-40:] for entry in held[:4]) or "nothing"
            raise InputRefused(
                f"{path.name}: holds {len(scans)} scans ({names}); pack one scan, or name the file itself"
            )
        try:
            archive.extractall(folder)
        except OSError as error:
            raise InputRefused(
                f"{path.name}: cannot be unpacked ({error.strerror}); unpack it and name the scan itself"
            ) from error
        return read_as(Path(folder) / scans[0].filename, PurePosixPath(scans[0].filename).suffix.lower())


def read_bz2(path: Path) -> RawScan:
    return _unpacked(path, bz2.BZ2File)


def read_gz(path: Path) -> RawScan:
    return _unpacked(path, gzip.GzipFile)


def _unpacked(path: Path, opener: Callable[[Path], bz2.BZ2File | gzip.GzipFile]) -> RawScan:
    from shimwright.scan.read import read_as

    inner = Path(path.stem)
    if inner.suffix.lower() in (".zip", ".bz2", ".gz"):
        raise InputRefused(f"{path.name}: packed more than once; unpack it first")
    with tempfile.TemporaryDirectory() as folder:
        target = Path(folder) / inner.name
        with opener(path) as source, target.open("wb") as sink:
            limit = min(LARGEST_BYTES, max(SMALLEST_TRAP, LARGEST_RATIO * path.stat().st_size))
            written = 0
            while block := source.read(1 << 20):
                written += len(block)
                if written > limit:
                    raise InputRefused(
                        f"{path.name}: {path.stat().st_size} bytes unpack to more than {limit}: "
                        f"no scan packs so tightly; send the scan itself"
                    )
                sink.write(block)
        shutil.copystat(path, target)
        return read_as(target, inner.suffix.lower())
