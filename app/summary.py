"""What the terminal says of a back and of a fit: a few lines for a person."""

from shimwright.export import words
from shimwright.export.back_words import figure_of
from shimwright.export.owners_words import look_again
from shimwright.optimize.answer import Fit
from shimwright.scan.back import Back, Build, BuildWord


def back_words(name: str, back: Back) -> tuple[str, ...]:
    """The scan check, the build, and what was not known."""
    quality, build = back.quality, back.build
    count = f"{quality.points:,}".replace(",", " ")
    lines = [f"{name}: {quality.verdict} — {count} points, noise {quality.noise_mm:.1f} mm"]
    lines += [f"  {message.text}" for message in quality.messages]
    if build.words:
        lines.append("  build: " + ", ".join(_build_word(word, build) for word in build.words))
    withers = back.landmark("withers")
    if withers:
        found = "marked" if withers.source == "marked" else f"{withers.source}, {withers.kind}"
        lines.append(f"  withers {found}, ± {withers.sd_mm:.0f} mm along the back")
    return tuple(lines)


def fit_words(name: str, fit: Fit) -> tuple[str, ...]:
    """Verdict (its sentence says how sure), set-up, when to look again."""
    lines = [f"{name}: {fit.verdict}", f"  {fit.sentence}"]
    if fit.setup:
        lines.append("  " + words.setup(fit.setup, fit.pad, fit.case.print_units))
    when, _ = look_again(fit)
    lines.append(f"  look again {'on ' if when == words.day(fit.recheck_on) else ''}{when}")
    return tuple(lines)


def _build_word(word: BuildWord, build: Build) -> str:
    """The word with its figure, and what was measured for it."""
    name, value, _ = figure_of(word, build)
    return f"{word.word} ({name} {value})"
