"""Numbers and names as people read them (PRACTICE §2): rounded to their error, inches with mm beside."""

import math
import re
from datetime import date
from fractions import Fraction

from shimwright.optimize.answer import Confidence
from shimwright.optimize.pad import Pad
from shimwright.optimize.setup import Setup, Stack, height_mm
from shimwright.optimize.verdict import limit_said

MM_PER_INCH = 25.4
NOT_TOLD = "not told"
NOT_SEEN = "not seen"
MONTHS = (
    "January", "February", "March", "April", "May", "June",
    "July", "August", "September", "October", "November", "December",
)  # fmt: skip


def rounded(value: float, sd: float, least: float = 1.0) -> str:
    """A number to the decade of its error, never finer than `least`; `not seen` for NaN.

    >>> rounded(123.4, 14.0), rounded(12.34, 0.7, least=0.1), rounded(12.34, 2.0)
    ('120', '12.3', '12')
    """
    if not math.isfinite(value):
        return NOT_SEEN
    return _stepped(value, _step(sd, least))


def with_error(value: float, sd: float, unit: str, least: float = 1.0) -> str:
    """`12 ± 2 mm`: the error to one figure, rounded up, the value to the same place.

    >>> with_error(12.34, 1.6, "mm"), with_error(1.26, 0.31, "°", 0.1), with_error(float("nan"), 1.0, "mm")
    ('12 ± 2 mm', '1.3 ± 0.4°', 'not seen')
    """
    if not math.isfinite(value):
        return NOT_SEEN
    gap = "" if unit == "°" else " "
    if not math.isfinite(sd) or sd <= 0:
        return f"{_stepped(value, least)}{gap}{unit}".rstrip()
    step = _step(sd, least)
    return f"{_stepped(value, step)} ± {_stepped(math.ceil(sd / step - 1e-9) * step, step)}{gap}{unit}".rstrip()


def plain(value: float, unit: str, least: float = 1.0) -> str:
    """A figure that carries no error of its own.

    >>> plain(11.26, "kPa"), plain(float("nan"), "kPa"), plain(-0.04, "°", 0.1)
    ('11 kPa', 'not known', '0.0°')
    """
    if not math.isfinite(value):
        return "not known"
    return f"{_stepped(value, least)}{'' if unit == '°' else ' '}{unit}".rstrip()


def mm(value: float) -> str:
    """Whole millimetres, or that they were not seen."""
    return plain(value, "mm") if math.isfinite(value) else NOT_SEEN


def in_units(text: str, units: str) -> str:
    """A sentence for the sheet: millimetres become inches with mm beside where the sheet prints inches.

    >>> in_units("7 mm of daylight", "mm"), in_units("7 mm of daylight", "in"), in_units("take out the 3 mm felt", "in")
    ('7 mm of daylight', '1/4 in (7 mm) of daylight', 'take out the 1/8 in (3 mm) felt')
    """
    if units != "in":
        return text
    return re.sub(r"(\d+(?:\.\d+)?) mm\b", lambda found: f"{inches(float(found[1]))} in ({found[0]})", text)


def inches(mm: float, parts: int = 16) -> str:
    """mm as inches in the given fraction, as a tape reads.

    >>> inches(120.0), inches(6.0, 8), inches(1.0, 8), inches(-25.4)
    ('4 3/4', '1/4', '0', '-1')
    """
    whole, rest = divmod(round(abs(mm) / MM_PER_INCH * parts), parts)
    words = " ".join(part for part in (str(whole) if whole else "", str(Fraction(rest, parts)) if rest else "") if part)
    return ("-" if mm < 0 and words else "") + (words or "0")


def length(mm: float, units: str, sd_mm: float = math.nan) -> str:
    """A length in the units of the sheet, no finer than its error: sixteenths of an inch with mm beside.

    >>> length(120.4, "mm"), length(120.4, "in"), length(239.0, "mm", 51.0), length(239.0, "in", 51.0)
    ('120 mm', '4 3/4 in (120 mm)', '240 mm', '9 in (240 mm)')
    """
    if not math.isfinite(mm):
        return NOT_SEEN
    metric = f"{_stepped(mm, _step(sd_mm, 0.1) if math.isfinite(sd_mm) else 1.0)} mm"
    return f"{inches(mm, _parts(sd_mm))} in ({metric})" if units == "in" else metric


def length_with_error(mm: float, sd_mm: float, units: str) -> str:
    """A length and its error, neither finer than the error.

    >>> length_with_error(424.0, 48.0, "mm"), length_with_error(424.0, 48.0, "in"), length_with_error(424.0, 2.0, "in")
    ('420 ± 50 mm', '17 in (420 ± 50 mm)', '16 11/16 in (424 ± 2 mm)')
    """
    metric = with_error(mm, sd_mm, "mm")
    if units != "in" or not math.isfinite(mm):
        return metric
    return f"{inches(mm, _parts(sd_mm))} in ({metric})"


def weight(kg: float, units: str) -> str:
    """Of horse or rider; pounds with kg beside, an exact pound by definition.

    >>> weight(70.0, "mm"), weight(70.0, "in")
    ('70 kg', '154 lb (70 kg)')
    """
    return f"{kg / 0.45359237:.0f} lb ({kg:.0f} kg)" if units == "in" else f"{kg:.0f} kg"


def pair(before_mm: float, after_mm: float | None, units: str) -> str:
    """`7 mm → 2 mm`; inches on both with the mm beside.

    >>> pair(7.0, 2.0, "mm"), pair(7.0, 2.0, "in"), pair(7.0, None, "in")
    ('7 mm → 2 mm', '1/4 → 1/16 in (7 → 2 mm)', '1/4 in (7 mm)')
    """
    if after_mm is None:
        return length(before_mm, units)
    if units != "in" or not math.isfinite(before_mm + after_mm):
        return f"{mm(before_mm)} → {mm(after_mm)}"
    return f"{inches(before_mm)} → {inches(after_mm)} in ({_stepped(before_mm, 1.0)} → {_stepped(after_mm, 1.0)} mm)"


def size(along_mm: float, across_mm: float, units: str) -> str:
    """A piece or a sheet, length by width.

    >>> size(400.0, 250.0, "mm"), size(400.0, 250.0, "in")
    ('400 × 250 mm', '15 3/4 × 9 13/16 in (400 × 250 mm)')
    """
    metric = f"{along_mm:.0f} × {across_mm:.0f} mm"
    return f"{inches(along_mm)} × {inches(across_mm)} in ({metric})" if units == "in" else metric


def thickness(mm: float, units: str, parts: int = 8) -> str:
    """A shim as measured: eighths of an inch with mm beside; an insert, which nobody steps, in sixteenths.

    >>> thickness(6.0, "mm"), thickness(6.5, "in"), thickness(5.0, "in", 16)
    ('6 mm', '1/4 in (6.5 mm)', '3/16 in (5 mm)')
    """
    metric = f"{mm:.1f}".removesuffix(".0") + " mm"
    return f"{inches(mm, parts)} in ({metric})" if units == "in" else metric


def behind_withers(x_mm: float) -> str:
    """The name of a section, always in both units.

    >>> behind_withers(-100.0), behind_withers(0.0), behind_withers(48.0)
    ('100 mm (4 in) behind the withers', 'at the withers', '48 mm (2 in) in front of the withers')
    """
    if round(x_mm) == 0:
        return "at the withers"
    where = "behind" if x_mm < 0 else "in front of"
    return f"{abs(x_mm):.0f} mm ({round(abs(x_mm) / MM_PER_INCH)} in) {where} the withers"


def place(name: str) -> str:
    """`front_left` → `front left`."""
    return name.replace("_", " ")


def mark(name: str) -> str:
    """A landmark as people call it: `last_rib_left` → `last rib left`; `low` is the lowest point of the back."""
    return "lowest point" if name == "low" else place(name)


def limit(name: str) -> str:
    """A limit as people call it: pitch and roll are words of the mathematics."""
    return limit_said(place(name))


def day(iso: str | None) -> str | None:
    """An ISO date as a person writes it.

    >>> day("2026-03-07")
    '7 March 2026'
    """
    if iso is None:
        return None
    when = date.fromisoformat(iso)
    return f"{when.day} {MONTHS[when.month - 1]} {when.year}"


def in_weeks(weeks: int) -> str:
    return "in 1 week" if weeks == 1 else f"in {weeks} weeks"


def how_sure(confidence: Confidence | None) -> str:
    """How often the choice came out best when scan, place, rider and tissue were varied."""
    if confidence is None or not math.isfinite(confidence.share):
        return "How sure: not known, it was not re-run."
    times = min(10, max(0, round(10 * confidence.share)))
    told = "" if confidence.told_apart else " It cannot be told apart from the next best."
    return f"How sure: {times} of 10 re-runs came to this.{told}"


def stack(layers: Stack, units: str) -> str:
    """Layers from the horse outward.

    >>> stack((), "mm")
    '–'
    """
    if not layers:
        return "–"
    total = thickness(height_mm(layers), units)
    if len(layers) == 1:
        return total
    return f"{total} = " + " + ".join(f"{layer.thickness_mm:g}" for layer in layers)


def setup(chosen: Setup, pad: Pad, units: str) -> str:
    """One line: arch, insert and the pockets that hold something."""
    filled = [f"{place(name)} {stack(layers, units)}" for name, layers in chosen.stacks.items() if layers]
    pockets = ", ".join(filled) if filled else no_shims(pad)
    if not pad.pockets and pockets == "no pad":
        return f"{arch(chosen.arch)}; {pockets}"
    return f"{arch(chosen.arch)}; {insert(chosen.insert)}; {pockets}"


def no_shims(pad: Pad) -> str:
    """Why there is none: nothing is needed, nothing to put it in, or no pad at all."""
    if pad.pockets:
        return "no shims"
    return "the pad has no pockets" if pad.shell_mm or pad.inserts else "no pad"


def arch(name: str | None) -> str:
    return "arch as built" if name is None else f"arch {name}"


def insert(name: str | None) -> str:
    return "no insert" if name is None else f"insert {name}"


def told(value: object, unit: str = "") -> str:
    """What a person told, or that nobody did."""
    if value is None or value == "" or value == ():
        return NOT_TOLD
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, tuple):
        return ", ".join(place(str(item)) for item in value)
    return f"{value:g} {unit}".strip() if isinstance(value, float) else f"{value} {unit}".strip()


def _step(sd: float, least: float) -> float:
    if not math.isfinite(sd) or sd <= 0:
        return least
    return max(least, 10.0 ** math.floor(math.log10(sd)))


def _parts(sd_mm: float) -> int:
    """Fractions of an inch that are about as fine as an error in mm; sixteenths where none is known."""
    return next((parts for parts, most in ((1, 16.0), (2, 8.0), (4, 4.0), (8, 2.0)) if sd_mm > most), 16)


def _stepped(value: float, step: float) -> str:
    places = max(0, -math.floor(math.log10(step) + 1e-9))
    text = f"{round(value / step) * step:.{places}f}"
    return text.removeprefix("-") if float(text) == 0 else text.replace("-", "−")
