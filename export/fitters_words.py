"""Every table of the fitter's pages, once, for paper and screen: figures with their errors, lines with their worth."""

import math
import tomllib
from functools import cache
from importlib.resources import files
from typing import Any

from shimwright.export import words
from shimwright.export.before_after import changed
from shimwright.export.owners_words import made
from shimwright.optimize.answer import CaseResult, Contact, Finding, Fit, SecondOpinion, Zone
from shimwright.optimize.case import ZONES, Horse
from shimwright.optimize.limits import limits
from shimwright.optimize.saddle import Saddle
from shimwright.optimize.setup import Setup
from shimwright.optimize.trade_words import said
from shimwright.scan.back import Back

Row = list[str]
CASES = ("saddle_only", "girthed", "mounted", "walk", "trot", "canter")


@cache
def published_lines() -> dict[str, Any]:
    """published_lines.toml as it stands."""
    return tomllib.loads((files("shimwright.export") / "published_lines.toml").read_text(encoding="utf-8"))


def setups_table(fit: Fit) -> list[Row]:
    """Which · arch · insert · pockets · tilt · side · bridged · mean · peak, mounted; as found first, rivals last."""
    named: list[tuple[str, Setup, Contact | None]] = [
        ("as found" if fit.case.today.worn is not None else "as found, assumed", fit.as_found.setup, fit.as_found)
    ]
    if fit.setup is not None:
        named.append(("chosen", fit.setup, fit.with_setup))
        named += [(f"the same, {held.name}", fit.setup, held.with_setup) for held in fit.stances]
    if fit.level_setup is not None:
        named.append(("most level", fit.level_setup, fit.level_contact or _contact_of(fit, fit.level_setup)))
    for k, rival in enumerate(fit.tries, start=1):
        named.append((f"your idea {k}" if len(fit.tries) > 1 else "your idea", rival.setup, rival.contact))
    named += [(f"rival: {rival.why}", rival.setup, rival.contact) for rival in fit.runners_up]
    return [_setup_row(name, setup, contact, fit.case.print_units) for name, setup, contact in named]


def zones_table(fit: Fit, case: str) -> list[Row]:
    """Zone · mean and peak before → after · line · mean gap before → after."""
    before, after = fit.as_found.cases.get(case), _case(changed(fit), case)
    if before is None:
        return []
    rows = []
    for zone in ZONES:
        a, b = before.zones.get(zone), after.zones.get(zone) if after else None
        rows.append(
            [
                words.place(zone),
                _arrow(_kpa(a, "mean_kpa"), _kpa(b, "mean_kpa"), after is not None),
                _line(case, "mean_kpa", zone),
                _arrow(_kpa(a, "peak_kpa"), _kpa(b, "peak_kpa"), after is not None),
                _line(case, "peak_kpa", zone),
                _gaps(a, b if after is not None else None, fit.case.print_units),
            ]
        )
    return rows


def cases_table(fit: Fit) -> list[Row]:
    """Case · load N · tilt ° · side ° · left % · bridged % · contact cm² · mean · peak kPa, before → after."""
    rows = []
    for name in CASES:
        before, after = fit.as_found.cases.get(name), _case(changed(fit), name)
        if before is None:
            continue
        pair = [before] if after is None else [before, after]
        columns = zip(*([_bare(text) for text in _case_figures(result)] for result in pair), strict=True)
        load, *rest = [" → ".join(figures) for figures in columns]
        rows.append([said(words.place(name), fit.saddle.style), load.split(" → ")[-1], *rest])
    return rows


def clearance_table(fit: Fit) -> list[Row]:
    """Place · before → after, mm, mounted, pad in."""
    before, after = fit.as_found.cases["mounted"], _case(changed(fit), "mounted")
    rows = []
    for key, name in (
        ("withers_above", "above the withers"),
        ("withers_left", "left of the withers"),
        ("withers_right", "right of the withers"),
        ("channel", "channel beside the spine"),
    ):
        a = before.clearance_mm.get(key, math.nan)
        b = after.clearance_mm.get(key, math.nan) if after else None
        rows.append([name, words.pair(a, b, fit.case.print_units)])
    return rows


def second_opinion_rows(fit: Fit) -> list[Row]:
    """Springs beside coupled layers, and what the difference forbids."""
    opinion = fit.second_opinion
    if opinion is None:
        return [["not made", ""]]
    low, high = sorted((opinion.peak_kpa, opinion.peak_nu030_kpa))
    rows = [
        ["Peak, springs (the answer)", words.plain(opinion.peak_springs_kpa, "kPa")],
        [
            "Peak, coupled elastic layers",
            f"{words.plain(opinion.peak_kpa, 'kPa')} ({low:.0f}–{high:.0f} over the tissue's range)",
        ],
        ["Mean, coupled elastic layers", words.plain(opinion.mean_kpa, "kPa")],
        ["They differ by", _differ(opinion)],
    ]
    for name, kpa in opinion.rivals.items():
        beside = opinion.rivals_springs.get(name, math.nan)
        springs = f" (springs {words.plain(beside, 'kPa')})" if math.isfinite(beside) else ""
        rows.append([f"Peak, coupled: {words.place(name)}", words.plain(kpa, "kPa") + springs])
    if opinion.unsure:
        rows.append(["Ordered otherwise than by springs", ", ".join(map(words.place, opinion.unsure))])
    return rows


def _differ(opinion: SecondOpinion) -> str:
    share = words.plain(100 * abs(opinion.difference), "% of the peak")
    return f"{share}, layers {'higher' if opinion.peak_kpa >= opinion.peak_springs_kpa else 'lower'}"


def search_rows(fit: Fit) -> list[Row]:
    """How many set-ups the stock allows and what each limit cut."""
    report = fit.search
    if report is None:
        return [["not made", ""]]
    within = "Solved, within all limits" if report.excluded else "Within all limits"
    rows = [["Set-ups the stock allows", _count(report.setups)], [within, _count(report.feasible)]]
    rows += [[f"Cut by {words.limit(name)}", _count(count)] for name, count in report.refused_by.items()]
    if report.excluded:
        rows += [["Too dear or past a limit, without solving each", _count(report.excluded)]]
    return rows if report.exact else [*rows, ["Not all of them solved", "a better one is not ruled out"]]


def limits_rows(fit: Fit) -> list[Row]:
    """Hard limits that the chosen set-up and the one as found break."""
    pairs = [("as found", fit.as_found)] + ([("chosen", fit.with_setup)] if fit.with_setup else [])
    return [
        [name, ", ".join(words.limit(limit) for limit in contact.refused_by) or "all limits met"]
        for name, contact in pairs
    ]


def arch_rows(fit: Fit) -> list[Row]:
    """The arch against the back, girthed."""
    judged = fit.arch
    left, right = judged.difference_deg
    wide = judged.width_difference_mm
    return [
        ["Arch", judged.arch or "as built, not changeable"],
        ["Judgement", judged.words],
        ["Legs against the back, left / right", " / ".join(_way(-v, "°", "wide", "narrow") for v in (left, right))],
        ["100 mm down, left / right", " / ".join(_wide(v, fit.case.print_units) for v in wide)],
    ]


def _way(value: float, unit: str, more: str, less: str) -> str:
    """`3° wide`: the sign in words.

    >>> _way(3.2, "°", "wide", "narrow"), _way(-4.0, "mm", "wide", "narrow"), _way(0.2, "°", "wide", "narrow")
    ('3° wide', '4 mm narrow', '0°')
    """
    figure = words.plain(abs(value), unit)
    return figure if not math.isfinite(value) or round(abs(value)) == 0 else f"{figure} {more if value > 0 else less}"


def _wide(value_mm: float, units: str) -> str:
    """As `_way`, in the sheet's own units."""
    metric = _way(value_mm, "mm", "wide", "narrow")
    if units != "in" or not math.isfinite(value_mm) or round(abs(value_mm)) == 0:
        return metric
    return metric.replace(words.plain(abs(value_mm), "mm"), words.length(abs(value_mm), units))


def findings_rows(fit: Fit) -> list[Row]:
    """Letter · what · figure · what helps."""
    units, letters = fit.case.print_units, "ABC" + " " * max(0, len(fit.findings) - 3)
    return [
        [
            letter.strip(),
            words.in_units(finding.words, units),
            _figure(finding, units),
            words.in_units(finding.helps, units),
        ]
        for letter, finding in zip(letters, fit.findings, strict=False)
    ]


def flocking_rows(fit: Fit) -> list[Row]:
    """Zone · mm of wool to add (or take), for a wool-filled panel."""
    units = fit.case.print_units
    return [[words.place(zone), _signed(mm, units)] for zone, mm in fit.flocking_mm.items()]


def _signed(mm: float, units: str) -> str:
    sign = "" if round(mm) == 0 or not math.isfinite(mm) else "+" if mm > 0 else "−"
    return sign + words.length(abs(mm), units)


def sure_rows(fit: Fit) -> list[Row]:
    """How often the choice stood when the inputs were varied."""
    if fit.confidence is None:
        return [["Re-runs", "none"]]
    c = fit.confidence
    share = f"{c.share * c.draws:.0f} of {c.draws}" if math.isfinite(c.share) else "not known"
    told = "told apart from the next best" if c.told_apart else "not told apart from the next best"
    return [
        ["Best or level with the best", f"{share} re-runs: {told}"],
        ["Most sensitive to", c.sensitive_to or "nothing in particular"],
    ]


def inputs_rows(fit: Fit) -> list[Row]:
    """What went in, and where each came from."""
    case, back, rider = fit.case, fit.back, fit.case.rider
    units = case.print_units
    frame, date = back.frame, words.day(back.source.date) or "date not told"
    sits = f"arch's front edge {words.behind_withers(fit.placement.front_x_mm)} ± {fit.placement.sd_mm:.0f} mm"
    return [
        [made(back), f"{back.source.file}, sha256 {back.source.sha256[:12]}…, {date}"],
        ["Unit, up, head", f"{frame.unit_source}, {frame.up_source}, {frame.head_source}"],
        [f"{made(back)} check", f"{back.quality.verdict}; noise {back.quality.noise_mm:.1f} mm; {_seen(back)}"],
        ["Horse", _horse(case.horse, units)],
        ["Rider", f"{words.weight(rider.weight_kg, units)} ({_told(rider.weight_told)}), leans {rider.lean}"],
        ["Aim", f"{case.aim.aim}, room in the middle {words.length(case.aim.middle_room_mm, units)}"],
        ["Saddle", _saddle(fit.saddle, case.print_units)],
        [
            "Pad",
            f"{fit.pad.name}: shell {words.thickness(fit.pad.shell_mm, units, 16)}, {len(fit.pad.pockets)} pockets",
        ],
        ["Sits", f"{sits} ({fit.placement.source})"],
        ["Back's give", "5 kPa per mm, 2–20 in the re-runs: no published figure for the horse, low confidence"],
    ]


def _told(told: bool) -> str:
    return "told" if told else "assumed"


def _horse(horse: Horse, units: str) -> str:
    height = words.length(horse.height_mm, units) if horse.height_mm else words.NOT_TOLD
    weight = words.weight(horse.weight_kg, units) if horse.weight_kg else words.NOT_TOLD
    return f"height {height}, weight {weight}, age {words.told(horse.age_years)}, work {words.told(horse.work)}"


def _setup_row(name: str, setup: Setup, contact: Contact | None, units: str) -> Row:
    filled = [
        f"{words.place(key)} {_unnamed(words.stack(stack, units), units)}"
        for key, stack in setup.stacks.items()
        if stack
    ]
    result = _case(contact, "mounted")
    figures = (
        ["–"] * 5
        if result is None
        else _case_figures(result)[1:3] + _case_figures(result)[4:5] + _case_figures(result)[6:]
    )
    return [name, setup.arch or "as built", setup.insert or "none", ", ".join(filled) or "none", *figures]


def _case_figures(r: CaseResult) -> Row:
    return [
        words.plain(r.vertical_n, "N"),
        words.plain(r.pitch_deg, "°", 0.1),
        words.plain(r.roll_deg, "°", 0.1),
        words.plain(100 * r.left_share, "%"),
        words.plain(100 * r.bridged_share, "%"),
        words.plain(r.contact_area_cm2, "cm²", 10.0),
        words.plain(r.mean_kpa, "kPa", 0.1 if r.mean_kpa < 10 else 1.0),
        words.plain(r.peak_kpa, "kPa"),
    ]


def _bare(figure: str) -> str:
    """A figure without its unit, for tables whose head names it."""
    return figure.removesuffix("°").rsplit(" ", 1)[0] if figure != "not known" else "–"


def _contact_of(fit: Fit, setup: Setup) -> Contact | None:
    return next((rival.contact for rival in (*fit.tries, *fit.runners_up) if rival.setup == setup), None)


def _case(contact: Contact | None, name: str) -> CaseResult | None:
    return None if contact is None else contact.cases.get(name)


def _arrow(before: str, after: str, both: bool) -> str:
    return f"{before} → {after}" if both else before


def _kpa(zone: Zone | None, key: str) -> str:
    value = math.nan if zone is None else float(getattr(zone, key))
    return f"{value:.0f}" if math.isfinite(value) else "not known"


def _gaps(before: Zone | None, after: Zone | None, units: str) -> str:
    """Mean gap, before → after; without the unit where the head of the table names it."""
    a = math.nan if before is None else before.mean_gap_mm
    b = None if after is None else after.mean_gap_mm
    if not math.isfinite(a) or (b is not None and not math.isfinite(b)):
        now, then = ("not known" if v is None or not math.isfinite(v) else f"{v:.0f}" for v in (a, b))
        return _arrow(now, then, b is not None)
    return _unnamed(words.pair(a, b, units), units)


def _unnamed(figure: str, units: str) -> str:
    """Without mm, where the head of the table names it."""
    return figure if units == "in" else figure.replace(" mm", "")


def _line(case: str, key: str, zone: str) -> str:
    if case == "mounted":
        return f"{getattr(limits().pressure, key):g}"
    line = published_lines().get(case, {}).get(key, {}).get(zone.split("_")[0])
    return "–" if line is None else f"{line:g}"


def _figure(finding: Finding, units: str) -> str:
    if not math.isfinite(finding.value):
        return ""
    if finding.unit == "mm":
        return words.length_with_error(finding.value, finding.sd, units)
    return words.with_error(finding.value, finding.sd, finding.unit, 0.1 if finding.unit == "°" else 1.0)


def _count(value: int) -> str:
    return f"{value:,}".replace(",", " ")


def _seen(back: Back) -> str:
    share = back.quality.seen_under_saddle
    return f"{100 * share:.0f} % seen under the saddle" if math.isfinite(share) else "share seen not known"


def _saddle(saddle: Saddle, units: str) -> str:
    filling = (
        f"{saddle.filling.material} {words.thickness(saddle.filling.depth_mm, units, 16)}"
        if saddle.filling
        else "no filling"
    )
    seat = "told" if saddle.seat_x_mm is not None else said("assumed at the panels' middle", saddle.style)
    size = f"{said('panels', saddle.style)} {words.length(saddle.length_mm, units)}, {filling}, {saddle.mass_kg:g} kg"
    return f"{saddle.name}: {saddle.style}, {saddle.tree} tree, {size}; seat's lowest point {seat}"
