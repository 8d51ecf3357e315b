"""Which end of the back is the head's: told, from marks, from the neck, or from the width below the ridge."""

import numpy as np

from shimwright.scan.marks import AFT, FORE, MarksSeen
from shimwright.scan.raw import FloatArray
from shimwright.scan.refusal import InputRefused
from shimwright.scan.ridge import Ridge

LEAST_RATIO = 1.15
LEAST_APART = 0.12  # of the trunk's length, between marks fore and aft [J]
LEAST_TOLD_COS = 0.5


def width_ratio(line: Ridge) -> float:
    """Width 40 mm below the ridge, high-x third over low-x third of the seen ridge; NaN where not measurable."""
    if line.x.size < 9:
        return np.nan
    place = (line.x - line.x[0]) / (line.x[-1] - line.x[0])
    thirds = [line.width[(place >= a) & (place <= b)] for a, b in ((0.0, 1 / 3), (2 / 3, 1.0))]
    rear, front = (third[np.isfinite(third)] for third in thirds)
    if min(rear.size, front.size) < 3:
        return np.nan
    return float(np.median(front) / np.median(rear))


def told_end(along: FloatArray, head: FloatArray, up: FloatArray | None) -> int:
    """+1 where the told head lies along `along`, −1 where against it. Refuses a head told square to the back."""
    flat = head - (0.0 if up is None else (head @ up)) * (np.zeros(3) if up is None else up)
    cos = float(flat @ along / max(float(np.linalg.norm(flat)), 1e-12))
    if abs(cos) < LEAST_TOLD_COS:
        raise InputRefused(
            f"the told head points {np.degrees(np.arccos(abs(cos))):.0f}° aside of the back's long direction: "
            "give --head as the direction from tail to head"
        )
    return 1 if cos > 0 else -1


def marked_end(along: FloatArray, marks: MarksSeen, length: float) -> int:
    """+1 or −1 where marks of the fore and of the rear tell the head's end; 0 where they do not."""
    fore, aft = marks.points(FORE), marks.points(AFT)
    if not len(fore) or not len(aft):
        return 0
    apart = float((fore.mean(axis=0) - aft.mean(axis=0)) @ along)
    return 0 if abs(apart) < LEAST_APART * length else (1 if apart > 0 else -1)


def shaped_end(line: Ridge, neck: int) -> int:
    """+1 or −1 from the shape: the neck that rises, and the width. Refuses where neither says or they disagree."""
    ratio = width_ratio(line)
    wide = 0 if np.isnan(ratio) or 1 / LEAST_RATIO < ratio < LEAST_RATIO else (-1 if ratio > 1 else 1)
    if wide and neck and wide != neck:
        raise InputRefused(
            f"head or tail? One end rises like a neck, the other is the narrower ({max(ratio, 1 / ratio):.2f} : 1); "
            "say --head"
        )
    if not wide and not neck:
        how = (
            "cannot be measured" if np.isnan(ratio) else f"differ {max(ratio, 1 / ratio):.2f} : 1, under {LEAST_RATIO}"
        )
        raise InputRefused(f"head or tail? The widths of the two ends below the ridge {how}: say --head")
    return wide or neck


def contradiction(end: int, line: Ridge) -> str | None:
    """What to say where a told head is against the widths."""
    ratio = width_ratio(line)
    if np.isnan(ratio) or (ratio if end > 0 else 1 / ratio) < LEAST_RATIO:
        return None
    return f"the told head is at the wider end ({max(ratio, 1 / ratio):.2f} : 1); taken as told"
