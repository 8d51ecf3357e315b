"""compare.json: what changed between visits as data. Keys are stable: add, do not rename."""

from collections.abc import Sequence

import numpy as np

from shimwright.export.plain_json import MADE_BY, number, plain
from shimwright.export.setup_json import setup_to_json
from shimwright.optimize.answer import Contact
from shimwright.optimize.still_serves import Serves
from shimwright.scan.back import Back
from shimwright.scan.change import Change, Changed, Measure

SCHEMA = "shimwright/compare/1"


def change_to_json(
    backs: Sequence[Back],
    changes: Sequence[tuple[int, int, Change]],
    rows: Sequence[Sequence[Measure]],
    serves: Serves | None,
    cautions: Sequence[str],
) -> dict[str, object]:
    """backs: in order. changes: (earlier, later, change), numbers of backs. rows: measures of each back."""
    return {
        "schema": SCHEMA,
        "made_by": MADE_BY,
        "visits": [_visit(back) for back in backs],
        "changes": [{"from": a, "to": b, **_change(change)} for a, b, change in changes],
        "measures": [_over_time([row[k] for row in rows]) for k in range(len(rows[0]))],
        "set_up": _serves(serves),
        "cautions": list(cautions),
    }


def _visit(back: Back) -> dict[str, object]:
    source = back.source
    return {"file": source.file, "sha256": source.sha256, "date": source.date, "horse": source.horse,
            "quality": back.quality.verdict}  # fmt: skip


def _change(change: Change) -> dict[str, object]:
    pose, seen = change.pose, np.isfinite(change.change_mm)
    return {
        "nothing_beyond_error": change.none,
        "laid_over": {
            "shift_mm": plain(pose.shift_mm),
            "shift_sd_mm": plain(pose.sd[:3]),
            "turn_deg": plain(pose.turn_deg, 3),
            "turn_sd_deg": plain(np.degrees(pose.sd[3:6]), 3),
            "scale": number(pose.scale, 5),
            "scale_sd": number(pose.sd[6], 5),
            "muscle_mm": number(pose.muscle_mm),
        },
        "places": [_changed(one) for one in change.places],
        "map": {
            "positive": "more horse",
            "limit_sd": number(change.limit),
            "beyond_share": number(float(change.beyond.sum() / max(seen.sum(), 1)), 4),
            "x_mm": plain(change.x_mm),
            "phi_deg": plain(np.degrees(change.phi), 2),
            "change_mm": plain(change.change_mm),
            "sd_mm": plain(change.sd_mm),
        },
    }


def _changed(one: Changed) -> dict[str, object]:
    return {"name": one.name, "unit": one.unit, "x_mm": number(one.x_mm), "side": one.side,
            "change": number(one.change), "sd": number(one.sd), "beyond_error": one.beyond}  # fmt: skip


def _over_time(row: Sequence[Measure]) -> dict[str, object]:
    first = row[0]
    return {"name": first.name, "unit": first.unit, "x_mm": number(first.x_mm), "side": first.side,
            "values": [number(one.value) for one in row], "sds": [number(one.sd) for one in row]}  # fmt: skip


def _serves(serves: Serves | None) -> dict[str, object] | None:
    if serves is None:
        return None
    change = serves.change
    return {
        "verdict": serves.verdict,
        "sentence": serves.sentence,
        "change": None if change is None else {"pockets": list(change.pockets), "words": change.words()},
        "setup": setup_to_json(serves.setup),
        "present": _mounted(serves.present),
        "after": _mounted(serves.better),
        "take_out": [{"weeks": step.weeks, "what": step.what} for step in serves.take_out],
        "recheck_on": serves.recheck_on,
        "recheck_weeks": serves.recheck_weeks,
    }


def _mounted(contact: Contact | None) -> dict[str, object] | None:
    if contact is None:
        return None
    case = contact.cases["mounted"]
    return {"bridged_share": number(case.bridged_share, 4), "peak_kpa": number(case.peak_kpa),
            "mean_kpa": number(case.mean_kpa), "unevenness": number(case.unevenness, 4),
            "beyond": list(contact.refused_by)}  # fmt: skip
