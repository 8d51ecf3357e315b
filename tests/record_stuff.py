"""Small invented visits for the tests of the record: no scan was measured for them."""

import json
from hashlib import sha256
from pathlib import Path

from shimwright.record.kept_files import keep_bytes
from shimwright.record.visits import Hand, KeptFile, Look, Tool, Tried, Visit

SETUP = {
    "arch": "medium",
    "insert": "mesh 7",
    "pockets": {
        "front_left": {"layers": [{"shim": "felt", "thickness_mm": 3.0}], "layers_mm": [3.0], "height_mm": 3.0},
        "front_right": {"layers": [], "layers_mm": [], "height_mm": 0.0},
    },
}
FEELS = ("firm", "even", "light", "daylight")


def invented(horse: str, day: str, files: tuple[KeptFile, ...] = (), saddle: str = "Yard saddle") -> Visit:
    """A fitted visit with 27 hand checks and two days to look."""
    hands = tuple(
        Hand(state, place, side, FEELS[(i + j) % 4], 1.5, 1.0)
        for i, state in enumerate(("saddle only", "with set-up", "mounted"))
        for j, (place, side) in enumerate(
            (p, s) for p in ("front", "middle", "rear") for s in ("left", "right", "none")
        )
    )
    looks = (Look(f"{day[:8]}25", "feel all places again"), Look(f"{int(day[:4]) + 1}{day[4:]}", "look again"))
    tool = Tool(saddle, sha256(saddle.encode()).hexdigest())
    return Visit(
        horse, day, tool, Tool("Four pockets", "b" * 64), "good contact with this set-up", "Good contact.", SETUP, 0.8,
        "shimwright 0", files, (Tried(SETUP, "your idea"),), looks, hands,
    )  # fmt: skip


def with_file(folder: Path, horse: str, day: str, content: bytes) -> Visit:
    """The same with a scan of that content kept."""
    return invented(horse, day, (KeptFile("scan", "scan.ply", keep_bytes(folder, content), len(content)),))


def plain(visit: Visit) -> str:
    return json.dumps(visit, default=vars, sort_keys=True)
