"""A compression curve as a laboratory or a maker sends it (ISO 3386-1): a table of stress and compression, CSV.

The standard loads a sample four times and reads the fourth. So of a file with several cycles the last way in counts,
and the way out never does. Headings name the unit, in any order and with any further columns; decimal commas where
columns are parted by semicolons or tabs.
"""

import csv
import re
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from shimwright.scan.raw import FloatArray
from shimwright.scan.refusal import InputRefused

MOST_ROWS = 200_000
BACK_SHARE = 0.2  # of the deepest compression: coming back by more ends a way in; less is noise [J]
KPA = {"kpa": 1.0, "n/cm2": 10.0, "n/cm²": 10.0, "mpa": 1e3, "n/mm2": 1e3, "n/mm²": 1e3, "psi": 6.894757, "pa": 1e-3}
PRESSES = ("stress", "pressure", "spannung", "druckspannung", "contrainte")
GIVES = ("compression", "strain", "deflection", "stauchung", "déformation")
EXPECTED = "columns headed pressure_kpa,strain or stress_kPa,compression_% are needed"


def read_curve(path: Path) -> tuple[FloatArray, FloatArray]:
    """(pressure kPa, strain as a share), each (k,), rows in the file's order, of the last way in.

    Raises InputRefused for a file that cannot be read, without the two columns, or with words for numbers.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        why = error.strerror if isinstance(error, OSError) else "not a text file"
        raise InputRefused(f"{path}: the measured table cannot be read ({why})") from None
    mark = next((one for one in ("\t", ";") if one in text), ",")
    rows = [row for row in csv.reader(text.splitlines(), delimiter=mark) if any(cell.strip() for cell in row)]
    start, press, give = _headings(path, rows)
    body = rows[start + 1 :]
    if len(body) > MOST_ROWS:
        raise InputRefused(f"{path}: {len(body)} rows; a curve needs a few hundred at most, thin it out")
    pressure = np.array([_number(path, start + 2 + n, row, press[0], mark) for n, row in enumerate(body)]) * press[1]
    strain = np.array([_number(path, start + 2 + n, row, give[0], mark) for n, row in enumerate(body)]) * give[1]
    last = last_way_in(strain)
    return pressure[last], strain[last]


def last_way_in(strain: FloatArray) -> slice:
    """Rows of the last time that the sample is pressed, up to its deepest.

    >>> last_way_in(np.array([0.0, 0.3, 0.7, 0.3, 0.0, 0.4, 0.7, 0.1]))
    slice(4, 7, None)
    """
    slack = BACK_SHARE * float(np.max(strain, initial=0.0))
    begin, low, high, ways = 0, 0, 0, []
    falling = False
    for n, value in enumerate(strain):
        if not falling:
            high = n if value >= strain[high] else high
            if value < strain[high] - slack:
                ways.append(slice(begin, high + 1))
                falling, low = True, n
        else:
            low = n if value <= strain[low] else low
            if value > strain[low] + slack:
                falling, begin, high = False, low, n
    if not falling and strain.size:
        ways.append(slice(begin, int(begin + np.argmax(strain[begin:])) + 1))
    return ways[-1] if ways else slice(0, 0)


def _headings(path: Path, rows: Sequence[Sequence[str]]) -> tuple[int, tuple[int, float], tuple[int, float]]:
    """Row of the headings, and column with factor of pressure and of strain; titles above them are passed over."""
    for at, row in enumerate(rows[:40]):
        names = [cell.strip().lower() for cell in row]
        press = next((n for n, name in enumerate(names) if name.startswith(PRESSES) or "stress" in name), None)
        give = next((n for n, name in enumerate(names) if name.startswith(GIVES) and n != press), None)
        if press is not None and give is not None:
            return at, (press, _kpa(path, names[press])), (give, _share(names[give]))
    raise InputRefused(f"{path}: {EXPECTED}, with the unit in the heading")


def _kpa(path: Path, name: str) -> float:
    found = [unit for unit in KPA if re.search(rf"(?<![a-z]){re.escape(unit)}(?![a-z])", name)]
    if not found:
        raise InputRefused(f'{path}: the heading "{name}" names no unit of pressure ({", ".join(KPA)}); {EXPECTED}')
    return KPA[found[0]]


def _share(name: str) -> float:
    return 0.01 if "%" in name or "percent" in name or "pct" in name else 1.0


def _number(path: Path, line: int, row: Sequence[str], column: int, mark: str) -> float:
    cell = row[column].strip() if column < len(row) else ""
    try:
        return float(cell if mark == "," else cell.replace(",", "."))
    except ValueError:
        raise InputRefused(f'{path}: row {line}: "{cell[:20]}" is no number; {EXPECTED}, and numbers below') from None
