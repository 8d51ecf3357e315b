"""A scan that comes through the page: streamed to disk under limits of size and kind, named inside its folder."""

import asyncio
import re
import shutil
import unicodedata
from collections.abc import AsyncIterator
from pathlib import Path

from shimwright.scan.read import READERS
from shimwright.scan.refusal import CannotWrite, InputRefused, WrongUse

LARGEST_BYTES = 600 << 20  # a raw scan of 20 million points; a back needs a hundredth
SPARE_BYTES = 200 << 20  # left free on the disk
LONGEST_NAME = 80
COMING = ".coming"
SILENCE_S = 30.0


def safe_name(told: str) -> str:
    """The file's own name, fit for this folder. Raises WrongUse for a name that is a path, and for unknown kinds.

    >>> safe_name("Juniper März.PLY")
    'Juniper März.ply'
    """
    name = unicodedata.normalize("NFC", told).strip()
    if re.search(r"[/\\:\0]|^\.", name) or not name:
        raise WrongUse(f"'{_shown(name)}' is a path or hidden, not the name of a scan: rename it and send it again")
    stem, suffix = Path(name).stem, Path(name).suffix
    if suffix.lower() not in READERS:
        known = " ".join(sorted(READERS))
        raise InputRefused(f"'{_shown(name)}' is not a scan ({suffix or 'no ending'}): export it as one of {known}")
    clean = re.sub(r"[^\w .()+-]", "_", stem).strip(" .")[: LONGEST_NAME - len(suffix)]
    if not clean:
        raise WrongUse(f"'{_shown(name)}' has no name before its ending: rename it and send it again")
    return clean + suffix.lower()


def check_size(told: str | None, folder: Path) -> None:
    """Before the first byte. Raises InputRefused for too much, CannotWrite where the disk is too full."""
    size = int(told) if told is not None and told.isdecimal() else 0
    if size > LARGEST_BYTES:
        raise _too_large(size)
    if size + SPARE_BYTES > shutil.disk_usage(folder).free:
        raise CannotWrite(f"the disk has no room for {size / 1e6:.0f} MB more: make room and send it again")


async def stored(chunks: AsyncIterator[bytes], name: str, folder: Path) -> Path:
    """The file in a folder of its own below `folder`; nothing is left of what did not come whole."""
    place = _new_folder(folder, Path(name).stem)
    target, coming, size = place / name, place / (name + COMING), 0
    try:
        with coming.open("xb") as sink:
            while chunk := await _next(chunks, name):
                size += len(chunk)
                if size > LARGEST_BYTES:
                    raise _too_large(size)
                sink.write(chunk)
        if not size:
            raise InputRefused(f"{name}: the file is empty (0 bytes); export the scan again")
        coming.replace(target)
    except BaseException:
        shutil.rmtree(place, ignore_errors=True)
        raise
    return target


async def _next(chunks: AsyncIterator[bytes], name: str) -> bytes:
    """The next bytes, none at the end. Raises InputRefused when nothing comes for too long."""
    while True:
        try:
            chunk = await asyncio.wait_for(anext(chunks), SILENCE_S)
        except StopAsyncIteration:
            return b""
        except TimeoutError:
            raise InputRefused(
                f"{name}: nothing came for {SILENCE_S:.0f} s, so it was given up; send it again"
            ) from None
        if chunk:
            return chunk


def _new_folder(folder: Path, stem: str) -> Path:
    for number in range(1, 10_000):
        place = folder / (stem if number == 1 else f"{stem} {number}")
        try:
            place.mkdir(parents=True)
        except FileExistsError:
            continue
        except OSError as error:
            raise CannotWrite(f"{place.name}: its folder cannot be made ({error.strerror}); make room") from error
        return place
    raise CannotWrite(f"ten thousand scans are called {stem}; move some away")


def _too_large(size: int) -> InputRefused:
    return InputRefused(
        f"{size / 1e6:.0f} MB or more is over the {LARGEST_BYTES / 1e6:.0f} MB that a scan may have here: export it "
        "with fewer points (1 million do)"
    )


def _shown(name: str) -> str:
    return "".join(c if c.isprintable() else "?" for c in name[:60])
