"""What `log` and `due` say: plain lines for a person."""

from collections.abc import Sequence
from datetime import date

from shimwright.export.words import with_error
from shimwright.record.due import Due
from shimwright.record.hands import Score
from shimwright.record.visits import Hand, Note, Setup, Visit

MONTHS = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September", "October", "November",
    "December",
)  # fmt: skip


def day(iso: str) -> str:
    """
    >>> day("2026-03-04")
    '4 March 2026'
    """
    at = date.fromisoformat(iso)
    return f"{at.day} {MONTHS[at.month - 1]} {at.year}"


def setup_words(setup: Setup | None) -> str:
    """Arch, insert and what lies in each pocket."""
    if setup is None:
        return "no set-up"
    parts = [f"arch {setup['arch']}"] if setup["arch"] else []
    parts += [f"insert {setup['insert']}"] if setup["insert"] else []
    pockets = setup["pockets"]
    assert isinstance(pockets, dict)
    filled = [f"{name.replace('_', ' ')} {one['height_mm']:g} mm" for name, one in pockets.items() if one["height_mm"]]
    return ", ".join([*parts, *(filled or ["no shims"])])


def kept_line(visit: Visit) -> str:
    return f"kept in the record: {visit.horse}, {day(visit.day)}, {visit.verdict or 'measured only'}"


def visit_lines(visit: Visit) -> list[str]:
    """One visit: a few lines."""
    saddle = f", {visit.saddle.name}" if visit.saddle else ""
    lines = [f"  {day(visit.day)}{saddle}: {visit.verdict or 'measured only'}"]
    if visit.verdict:
        lines.append(f"    {setup_words(visit.setup)}")
    ticked = [one for one in visit.hands if one.was_right is not None]
    if ticked:
        right = sum(bool(one.was_right) for one in ticked)
        lines.append(f"    hand: {right} of {len(ticked)} as predicted")
    lines += [f"    tried: {setup_words(one.setup)} ({one.why})" for one in visit.tried]
    return lines


def horse_lines(name: str, visits: Sequence[Visit], notes: Sequence[Note]) -> list[str]:
    """One horse: its visits and notes by day."""
    dated = [(one.day, visit_lines(one)) for one in visits] + [
        (one.day, [f"  {day(one.day)}: {one.text}"]) for one in notes
    ]
    return [name, *(line for _, lines in sorted(dated, key=lambda pair: pair[0]) for line in lines)]


def due_line(row: Due) -> str:
    if row.days > 0:
        when = f"{row.days} day{'s' * (row.days != 1)} ago"
    else:
        when = f"in {-row.days} day{'s' * (row.days != -1)}" if row.days else "today"
    saddle = f", {row.saddle}" if row.saddle else ""
    return f"{row.horse}{saddle}: {day(row.day)} ({when}): {row.what}"


def hand_lines(hands: Sequence[Hand]) -> list[str]:
    """The numbered table to tick."""
    lines, state = [], ""
    for k, one in enumerate(hands, 1):
        if one.state != state:
            state = one.state
            lines.append(state[:1].upper() + state[1:])
        side = "" if one.side == "none" else f" {one.side}"
        gap = (
            f", {with_error(one.gap_mm, one.sd_mm, 'mm')}"
            if one.feel == "daylight" and one.gap_mm and one.sd_mm
            else ""
        )
        said = {None: "", True: "   right", False: "   wrong"}[one.was_right] + (
            f", felt {one.felt}" if one.felt else ""
        )
        lines.append(f"  {k:2d}  {one.place}{side}: {one.feel}{gap}{said}")
    return lines


def score_lines(rows: Sequence[Score]) -> list[str]:
    """How often it was right, with the interval that so few ticks leave."""
    if not rows:
        return [
            "nothing was ticked yet: feel the places of a visit, then `shimwright log hands HORSE --right … --wrong …`"
        ]
    heads = {
        "all": "what the hand found as predicted",
        "state": "by state",
        "said": "by what was said",
        "place": "by place",
    }
    lines, kind = [], ""
    for row in rows:
        if row.kind != kind:
            kind = row.kind
            lines.append(heads[kind])
        name = "" if row.kind == "all" else row.name
        share = f"{row.right} of {row.felt}"
        lines.append(f"  {name:18s} {share:>10s}   {100 * row.low:3.0f} to {100 * row.high:.0f} %")
    return [*lines, "intervals: 95 %, Wilson 1927"]
