"""`--repeat`: several scans of one stance give the spread of each measure, the best error figure there is."""

import math
from collections.abc import Iterator, Sequence

import numpy as np

from shimwright.scan.back import DEPTHS_MM, Back

SCHEMA = "shimwright/repeat/1"


def spread(backs: Sequence[Back]) -> dict[str, object]:
    """Mean and standard deviation (n − 1) of each measure that every scan shows; null elsewhere."""
    rows = [dict(_measures(back)) for back in backs]
    return {
        "schema": SCHEMA,
        "scans": [back.source.file for back in backs],
        "measures": {name: _mean_sd([row[name] for row in rows]) for name in rows[0]},
    }


def spread_words(backs: Sequence[Back]) -> list[str]:
    """The spread by kind of measure, root mean square over the sections."""
    kinds: dict[str, list[float]] = {}
    rows = [dict(_measures(back)) for back in backs]
    for name in rows[0]:
        sd = _mean_sd([row[name] for row in rows])["sd"]
        if sd is not None:
            kinds.setdefault(name.split(" at ")[0], []).append(sd)
    lines = [f"spread over {len(backs)} scans (standard deviation):"]
    return lines + [f"  {kind}: {math.sqrt(sum(s * s for s in sds) / len(sds)):.2f}" for kind, sds in kinds.items()]


def _measures(back: Back) -> Iterator[tuple[str, float]]:
    stations, build = back.stations, back.build
    for row, x in enumerate(stations.x_mm):
        for side, name in enumerate(("left", "right")):
            yield f"angle below horizontal {name}, ° at {abs(x):.0f} mm", float(stations.slope_deg[row, side])
            for column, depth in enumerate(DEPTHS_MM):
                half = float(stations.half_width_mm[row, column, side])
                yield f"half width {name} {depth:.0f} mm down, mm at {abs(x):.0f} mm", half
        yield f"left falls away more, cm² at {abs(x):.0f} mm", float(stations.area_difference_cm2[row])
    yield "withers over croup, °", build.uphill_deg
    yield "dip below the line withers–croup, mm", build.dip_mm
    for what, unit, pair in (
        ("bearing line", "°", build.bearing_deg),
        ("hollow behind the shoulder", "mm", build.hollow_mm),
        ("usable length", "mm", build.usable_mm),
    ):
        for hand, value in zip(("left", "right"), pair, strict=True):
            yield f"{what} {hand}, {unit}", value


def _mean_sd(values: list[float]) -> dict[str, float | None]:
    if not np.isfinite(values).all():
        return {"mean": None, "sd": None}
    return {"mean": float(np.mean(values)), "sd": float(np.std(values, ddof=1))}
