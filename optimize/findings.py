"""What was seen, each with its figure, error and what helps: first what decides, then what explains (PRACTICE §5)."""

from collections.abc import Iterator, Sequence

import numpy as np

from shimwright.optimize.answer import ArchJudgement, CaseResult, Contact, Finding, Held
from shimwright.optimize.case import ZONES, Case
from shimwright.optimize.limits import limits
from shimwright.optimize.saddle import Saddle
from shimwright.scan.back import Back
from shimwright.scan.build import word_sd

ARCH_SD_DEG = 1.5  # of a leg against a scanned back [J]
PRESSURE_SD = 0.2  # share: springs against finite elements, reference.md §5
UNITS = {"degrees": "°", "cm²": "cm²", "mm": "mm"}  # as the figures of the build name them
SIDES = ("left", "right")
HELP_BUILD = {
    "dipped": "height in the middle",
    "flat": "a wider arch; nothing in front",
    "arched": "height in front and rear, a flatter panel",
    "uneven": "fill the hollow side, and have the horse looked at",
    "hollow behind the shoulder": "height in front, on the hollow side",
    "downhill": "height in front",
    "croup-high": "height in front, no more than the back bears",
    "uphill": "height in the rear, if it tips back",
    "high-withered": "an arch with room above and beside the withers",
    "low-withered": "a wide arch; check that it stays in the middle",
    "short-backed": "a panel no longer than the back behind the shoulder",
}


def findings(
    back: Back, saddle: Saddle, case: Case, found: Contact, better: Contact | None, arch: ArchJudgement
) -> tuple[Finding, ...]:
    """As found first: day, saddle, arch, contact; then the build of the back."""
    rows: list[Finding] = []
    rows += _day(case)
    rows += _underside(saddle)
    rows += _arch(arch, case.aim.aim)
    mounted = found.cases["mounted"]
    rows += sorted(_contact(back, found, mounted), key=lambda f: -abs(f.value) / _scale(f))
    if better is not None:
        rows += _clearance(back, saddle, better.cases["mounted"])
    rows += build_findings(back)
    rows += _length(back, saddle)
    return tuple(rows)


def stance_findings(stances: Sequence[Held]) -> tuple[Finding, ...]:
    """Where the choice breaks a limit with the horse held otherwise; square it keeps them all."""
    none = float("nan")
    return tuple(
        Finding(
            "stance",
            held.name,
            "none",
            none,
            "",
            none,
            f"with the horse {held.name}, this set-up is beyond a limit: {', '.join(held.with_setup.refused_by)}",
            "watch for it in work",
        )
        for held in stances
        if held.with_setup is not None and held.with_setup.refused_by
    )


def _scale(finding: Finding) -> float:
    """What counts as one unit of bad, to order findings of different units."""
    return {"mm": 3.0, "°": 1.0, "kPa": 15.0, "%": 20.0}.get(finding.unit, 1.0)


def _day(case: Case) -> Iterator[Finding]:
    none = float("nan")
    for place in case.today.sore:
        side = "left" if "left" in place else "right" if "right" in place else "both"
        words = f"told sore: {place.replace('_', ' ')}"
        yield Finding("sore", place, side, none, "", none, words, "the vet looks first")
    if case.today.hot_or_open_skin:
        yield Finding("skin", "back", "both", none, "", none, "told: hot or open skin", "the vet looks first")
    if case.today.lame:
        yield Finding("lame", "horse", "none", none, "", none, "told: lame", "the vet looks first")
    if case.today.saddle_moves in ("left", "right"):
        side = case.today.saddle_moves
        yield Finding(
            "slips", "saddle", side, none, "", none, f"slips to the {side}", "the vet looks at the hind legs first"
        )


def _underside(saddle: Saddle) -> Iterator[Finding]:
    value, line = saddle.side_difference_mm, limits().verdict.side_difference_mm
    if abs(value) > line:
        side = "left" if value > 0 else "right"
        words = f"the {side} panel stands {abs(value):.0f} mm prouder than the other"
        yield Finding("panels uneven", "saddle", side, value, "mm", 1.0, words, "mend the saddle first")


def _arch(arch: ArchJudgement, aim: str) -> Iterator[Finding]:
    value = arch.at_larger_deg
    if arch.words not in ("too narrow", "too wide") or not np.isfinite(value):
        return
    helps = "a wider arch; never pad a narrow one" if arch.words == "too narrow" else "a narrower arch"
    if aim == "room to grow" and arch.words == "too wide" and abs(value) <= limits().arch.hard_deg:
        helps = "room to grow into: fill the hollow in front, take the layers out as the muscle comes"
    words = f"the arch is {arch.words} by {abs(value):.0f}° at the larger shoulder"
    yield Finding("arch " + arch.words, "arch", arch.larger or "both", value, "°", ARCH_SD_DEG, words, helps)


def tilt_words(tilt_deg: float, sd_deg: float) -> str:
    """Without a sign, no finer than its error.

    >>> tilt_words(-2.5, 0.5), tilt_words(2.6, 2.1)
    ('2.5°', '3°')
    """
    return f"{abs(tilt_deg):.{0 if sd_deg >= 1 else 1}f}°"


def _contact(back: Back, contact: Contact, mounted: CaseResult) -> Iterator[Finding]:
    sd = float(np.hypot(np.nanmean(back.surface.sd(contact.nodes_mm)), limits().hands.hand_sd_mm))
    yield from _bridging(mounted, sd)
    pitch_sd = float(np.hypot(limits().pose.error_deg, back.frame.pitch_sd_deg))
    roll_sd = float(np.hypot(limits().pose.error_deg, back.frame.roll_sd_deg))
    if abs(mounted.pitch_deg) > max(limits().pose.target_deg, pitch_sd):
        way, helps = ("back", "height in the rear") if mounted.pitch_deg > 0 else ("forward", "height in front")
        words = f"tips {way} by {tilt_words(mounted.pitch_deg, pitch_sd)}"
        yield Finding(f"tips {way}", "saddle", "none", mounted.pitch_deg, "°", pitch_sd, words, helps)
    if back.frame.gravity and abs(mounted.roll_deg) > max(0.5 * limits().pose.target_deg, roll_sd):
        side = "right" if mounted.roll_deg > 0 else "left"
        words = f"sits to the {side} by {tilt_words(mounted.roll_deg, roll_sd)}"
        yield Finding("sits aside", "saddle", side, mounted.roll_deg, "°", roll_sd, words, f"height on the {side}")
    line = limits().pressure
    if mounted.peak_kpa > line.peak_kpa:
        zone = max(ZONES, key=lambda name: np.nan_to_num(mounted.zones[name].peak_kpa))
        place, side = zone.rsplit("_", 1)
        sd_kpa = PRESSURE_SD * mounted.peak_kpa
        mate = mounted.zones[f"{place}_{'left' if side == 'right' else 'right'}"].peak_kpa
        side = "both" if mounted.peak_kpa - np.nan_to_num(mate) < sd_kpa else side  # no side finer than the error
        at = "at one place on each side" if side == "both" else "at one place"
        words = f"{mounted.peak_kpa:.0f} kPa {at}, above the {line.peak_kpa:.0f} kPa line"
        yield Finding("peak", place, side, mounted.peak_kpa, "kPa", sd_kpa, words, "fill beside it, not on it")
    sd_kpa = PRESSURE_SD * mounted.mean_kpa
    if mounted.mean_kpa - line.mean_kpa > sd_kpa:  # nothing finer than its error
        words = f"{mounted.mean_kpa:.0f} kPa on average where it bears, above the {line.mean_kpa:.0f} kPa line"
        yield Finding("mean", "panel", "both", mounted.mean_kpa, "kPa", sd_kpa, words, "more panel in contact")


def _bridging(mounted: CaseResult, sd: float) -> Iterator[Finding]:
    """Daylight by thirds: in the middle the saddle bridges, at the ends it rocks, on one side that side is hollow."""
    line = limits().hands.daylight_mm
    for third in ("middle", "front", "rear"):
        left, right = (mounted.zones[f"{third}_{side}"].mean_gap_mm for side in ("left", "right"))
        apart = abs(left - right) > 2 * sd
        side = ("left" if left > right else "right") if apart else "both"
        value = max(left, right) if apart else (left + right) / 2
        if not value > max(line, sd):
            continue
        code = {"middle": "bridging", "front": "light in front", "rear": "light in the rear"}[third]
        where = f"{third} {side}" if apart else third
        words = f"{value:.0f} mm of daylight under the {where} of the panel"
        yield Finding(code, third, side, value, "mm", sd, words, f"height in the {where}")


def _clearance(back: Back, saddle: Saddle, mounted: CaseResult) -> Iterator[Finding]:
    low, _ = limits().clearance.target_mm
    withers = back.landmark("withers")
    sd = max(2.0, withers.sd_mm if withers is not None and np.isfinite(withers.sd_mm) else 2.0)
    for key, words in (("withers_above", "above"), ("withers_left", "left of"), ("withers_right", "right of")):
        clear = mounted.clearance_mm.get(key, float("nan"))
        if clear < low:
            side = "left" if "left" in key else "right" if "right" in key else "none"
            text = f"{clear:.0f} mm clear {words} the withers mounted, less than the {low:.0f} mm one would like"
            helps = (
                "check with the hand, mounted"
                if saddle.style == "treeless"
                else "a higher or wider arch; check mounted"
            )
            yield Finding("clearance", "withers", side, clear, "mm", min(sd, 5.0), text, helps)


def build_findings(back: Back) -> Iterator[Finding]:
    """What stands out in the back's build."""
    for word in back.build.words:
        if word.word == "level":
            continue
        unit = next((unit for told, unit in UNITS.items() if f", {told}" in word.figure), "")
        side = next((side for side in SIDES if f" {side} " in word.word), "none")
        sd = word_sd(back.build, word)
        place = "front" if "shoulder" in word.word else "back"
        helps = HELP_BUILD.get(word.word.replace(f" {side} ", " "), "feel both sides")
        yield Finding(word.word, place, side, word.value, unit, sd, f"the back is {word.word}", helps)


def _length(back: Back, saddle: Saddle) -> Iterator[Finding]:
    """Usable length against the panel: a check for the hand, never a limit, as the last rib is mostly estimated."""
    usable = min((value for value in back.build.usable_mm if np.isfinite(value)), default=float("nan"))
    ribs = [mark for mark in (back.landmark("last_rib_left"), back.landmark("last_rib_right")) if mark is not None]
    sd = max((mark.sd_mm for mark in ribs), default=30.0)
    if saddle.length_mm > usable + sd:
        words = f"the panel is {saddle.length_mm:.0f} mm long, the back bears {usable:.0f} mm"
        yield Finding("long panel", "loin", "both", saddle.length_mm - usable, "mm", sd, words, "feel for the last rib")
