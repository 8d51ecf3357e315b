"""A case from a checked scan: the starter file with the saddle and pad of another horse, and what was told."""

from __future__ import annotations

from pathlib import Path

import tomlkit

from shimwright.new import starters
from shimwright.scan.refusal import CannotWrite, WrongUse
from shimwright.scan.told import Told
from shimwright.told_options import told_words

LONGEST = 60


def case_from_scan(scan: Path, horse: str, told: Told, like: Path) -> Path:
    """Write case.toml beside the scan. Raises CannotWrite where one is there already, WrongUse for a name too long."""
    if len(horse) > LONGEST or not horse.isprintable():
        raise WrongUse(f"a name of {len(horse)} letters does not fit the sheets: take a shorter one, {LONGEST} at most")
    path = scan.parent / "case.toml"
    if path.exists():
        raise CannotWrite(f"{path.name}: there already, and would be lost: open it, or move it away")
    document = tomlkit.parse(starters(scan.parent, like)["case.toml"])
    document["scan"] = scan.name
    document["horse"].pop("name")
    _fill(document, "horse", {"name": horse} if horse else {})
    words = told_words(told)
    marks, scale = words.pop("marks", None), words.pop("scale", None)
    frame = {("unit" if key == "unit_mm" else key): value for key, value in words.items()}
    if "unit" in frame:
        frame["unit"] = f"{told.unit_mm:.9g}"
    if scale is not None:
        frame["scale"] = scale
    _fill(document, "frame", frame)
    _fill(document, "marks", marks if isinstance(marks, dict) else {})
    coming = path.with_name(f".{path.name}.coming")
    try:
        coming.write_text(tomlkit.dumps(document), encoding="utf-8")
        coming.replace(path)
    except OSError as error:
        raise CannotWrite(f"{path.name}: cannot be written ({error.strerror}); make room or free the folder") from error
    return path


def _fill(document: tomlkit.TOMLDocument, name: str, values: dict[str, object]) -> None:
    if not values:
        return
    if name not in document:
        document[name] = tomlkit.table()
    for key, value in values.items():
        document[name][key] = value
