"""The commands over many visits: `log` with its own commands, `due`, `compare`."""

from pathlib import Path

import click

from shimwright.record.place import store_folder

STORE = click.option(
    "--store", type=click.Path(path_type=Path, file_okay=False), help="Folder of the record; else SHIMWRIGHT_STORE."
)
DATE = click.option("--date", "day", metavar="YYYY-MM-DD", help="The day; without it today.")
JSON = click.option("--json", "as_json", is_flag=True, help="One JSON object per line on stdout.")
FILE = click.Path(path_type=Path, dir_okay=False)


@click.group()
def log() -> None:
    """The record of horses, visits, set-ups and what the hand said. It stays on this computer."""


@log.command()
@click.argument("cases", metavar="CASE…", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--fit", "results", type=click.Path(path_type=Path), help="Folder where `fit` wrote this case's results.")
@STORE
def add(cases: tuple[Path, ...], results: Path | None, store: Path | None) -> int:
    """Each CASE into the record, with its scan, saddle and pad."""
    from shimwright import log as work

    return work.add(store_folder(store), cases, results)


@log.command()
@click.argument("horse", required=False)
@STORE
@JSON
def show(horse: str | None, store: Path | None, as_json: bool) -> int:
    """Every horse in a line, or all visits of one HORSE."""
    from shimwright import log as work

    return work.show(store_folder(store), horse, as_json=as_json)


@log.command()
@click.argument("horse")
@click.argument("text")
@DATE
@STORE
def note(horse: str, text: str, day: str | None, store: Path | None) -> int:
    """A line to remember about a HORSE."""
    from shimwright import log as work

    return work.note(store_folder(store), horse, text, work.today(day))


@log.command()
@click.argument("horse")
@click.option(
    "--right", default="", metavar="LINES", help="Lines felt as predicted: 1,3-5, or all (but the wrong ones)."
)
@click.option(
    "--wrong", multiple=True, metavar="LINES[=FEEL]", help="Lines felt otherwise: 2, or 2=light. Again for each."
)
@click.option("--visit", metavar="YYYY-MM-DD", help="Of that visit; without it the last.")
@DATE
@STORE
def hands(
    horse: str, right: str, wrong: tuple[str, ...], visit: str | None, day: str | None, store: Path | None
) -> int:
    """The numbered hand checks of a HORSE; --right and --wrong tick them."""
    from shimwright import log as work

    return work.hand_table(store_folder(store), horse, visit, (right, wrong), work.today(day))


@log.command()
@STORE
@JSON
def score(store: Path | None, as_json: bool) -> int:
    """How often the hand found what was predicted, with its 95 % interval."""
    from shimwright import log as work

    return work.score(store_folder(store), as_json=as_json)


@log.command()
@click.argument("horse")
@DATE
@STORE
def done(horse: str, day: str | None, store: Path | None) -> int:
    """Tick off what was due of a HORSE."""
    from shimwright import log as work

    return work.tick_off(store_folder(store), horse, work.today(day))


@log.command()
@click.argument("horse")
@click.option("--scan", type=FILE, help="A new scan, with --date: a new visit, wearing what was chosen last.")
@click.option("--date", "day", metavar="YYYY-MM-DD", help="Day of the new scan.")
@click.option("--out", type=click.Path(path_type=Path, file_okay=False), help="Folder for the results.")
@click.option("--for", "workshop", type=click.Choice(["van", "laser", "maker"]), default="van", show_default=True)
@STORE
def fit(horse: str, scan: Path | None, day: str | None, out: Path | None, workshop: str, store: Path | None) -> int:
    """Fit a recorded HORSE again, from the record and into it."""
    from shimwright import log as work

    return work.fit_again(store_folder(store), horse, scan, day, out, workshop)


@log.command()
@click.argument("file", type=FILE)
@STORE
def export(file: Path, store: Path | None) -> int:
    """Everything into one FILE: .json, or .zip with the scans."""
    from shimwright import log as work

    return work.export(store_folder(store), file)


@log.command(name="import")
@click.argument("file", type=FILE)
@STORE
def import_(file: Path, store: Path | None) -> int:
    """What FILE has and the record has not."""
    from shimwright import log as work

    return work.bring_in(store_folder(store), file)


@log.command()
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path))
@STORE
def backup(folder: Path, store: Path | None) -> int:
    """A copy of the whole record in DIR, usable with --store."""
    from shimwright import log as work

    return work.back_up(store_folder(store), folder)


@log.command()
@click.argument("copy", required=False, type=FILE)
@STORE
def restore(copy: Path | None, store: Path | None) -> int:
    """Back to the last copy, or to COPY; the damaged file is kept aside."""
    from shimwright import log as work

    return work.restore(store_folder(store), copy)


@click.command()
@DATE
@click.option("--ahead", type=click.IntRange(0, 520), default=0, metavar="WEEKS", help="What comes in these weeks too.")
@STORE
@JSON
def due(day: str | None, ahead: int, store: Path | None, as_json: bool) -> int:
    """What is to be looked at, by today or by a day."""
    from shimwright import log as work

    return work.tell_due(store_folder(store), work.today(day), ahead, as_json=as_json)


@click.command()
@click.argument("visits", metavar="VISIT…", nargs=-1, required=True)
@click.option("--out", type=click.Path(path_type=Path, file_okay=False), help="Folder for the results.")
@click.option("--print-units", type=click.Choice(["mm", "in"]), default="mm", help="What the sheet prints; in: Letter.")
@STORE
@JSON
def compare(visits: tuple[str, ...], out: Path | None, print_units: str, store: Path | None, as_json: bool) -> int:
    """What changed between visits: each a back.json, a case, a scan, or a horse of the record (HORSE, HORSE@DATE)."""
    from shimwright.compare import compare as work

    return work(visits, out, store_folder(store), print_units, as_json=as_json)
