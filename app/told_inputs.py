"""What a fit was made from, for fit.json: every file by name and hash, and what was told of horse, day and rider."""

from dataclasses import asdict
from hashlib import sha256
from pathlib import Path

from shimwright.case_file import CaseFile, shared_tools


def told_inputs(case: CaseFile) -> dict[str, object]:
    """Files with their SHA-256, names alone (no folders); what was not told stays null."""
    saddle, pad = shared_tools(case.path)
    horse = case.case
    return {
        "case": _file(case.path),
        "scan": _file(case.scan),
        "traced": _file(case.traced),
        "saddle": _file(saddle),
        "pad": _file(pad),
        "stock": _file(case.stock),
        "stances": [{"name": one.name, "scan": _file(one.scan), "made": one.made} for one in case.stances],
        "horse": asdict(horse.horse),
        "today": {key: value for key, value in vars(horse.today).items() if key != "worn"},
        "rider": asdict(horse.rider),
        "aim": asdict(horse.aim),
    }


def _file(path: Path | None) -> dict[str, str] | None:
    return None if path is None else {"file": path.name, "sha256": sha256(path.read_bytes()).hexdigest()}
