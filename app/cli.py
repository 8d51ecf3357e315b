"""The command line: it parses, calls one function and maps refusals to exit codes. Heavy libraries load when needed."""

import os
import sys
import warnings
from pathlib import Path

import click

from shimwright import __version__
from shimwright.last_resort import (
    TRACE,
    exit_code_of,
    let_go_of_full_streams,
    tidy_up_when_stopped,
    told,
    write_anything,
)
from shimwright.maker_commands import sizes
from shimwright.record.place import store_folder
from shimwright.record_commands import STORE, compare, due, log

EPILOG = (
    "Exit codes: 0 done · 1 done, but the answer is vet first, saddle first, another arch, padding will not mend "
    "this, or rescan · 2 wrong use · 3 input refused · 4 cannot write."
)
OUT = click.option("--out", type=click.Path(path_type=Path, file_okay=False), help="Folder for the results.")
JSON = click.option("--json", "as_json", is_flag=True, help="One JSON object per input on stdout.")


def main() -> None:
    """Entry point of the command `shimwright`."""
    tidy_up_when_stopped()
    code = run(sys.argv[1:])
    let_go_of_full_streams()
    sys.exit(code)


def run(arguments: list[str]) -> int:
    """The whole command; returns the exit code."""
    if not os.environ.get(TRACE):
        warnings.simplefilter("ignore")
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # our matrices are small: more threads only wait for one another
    write_anything()
    try:
        with commands.make_context("shimwright", arguments) as context:
            code = commands.invoke(context)
        sys.stdout.flush()
        return code if isinstance(code, int) else 0
    except click.exceptions.Exit as done:
        return done.exit_code
    except click.ClickException as error:
        usage = error.ctx.command_path if isinstance(error, click.UsageError) and error.ctx else "shimwright"
        told((f"{error.format_message()[:1].lower()}{error.format_message()[1:].rstrip('.')}; see {usage} --help",))
        return 2
    except BrokenPipeError:  # the reader of our output has gone, as with `| head`
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except BaseException as error:
        return exit_code_of(error)


@click.group(invoke_without_command=True, epilog=EPILOG, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="shimwright", message="%(prog)s %(version)s")
@click.pass_context
def commands(context: click.Context) -> None:
    """From a 3D scan of a horse's bare back to arch, insert, shims, cut list, templates and fit sheet.

    Begin with `shimwright demo`, then `shimwright new my-horse`, fill in its files and say
    `shimwright fit my-horse/case.toml`.
    """
    if context.invoked_subcommand is None:
        click.echo(context.get_help())


@commands.command()
@click.option(
    "--out",
    type=click.Path(path_type=Path, file_okay=False),
    default=Path("shimwright-demo"),
    show_default=True,
    help="Folder for the results.",
)
def demo(out: Path) -> int:
    """The whole job on the shipped, invented yard."""
    from shimwright.demo import demo as whole_job

    return whole_job(out)


@commands.command()
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path))
@click.option("--like", type=click.Path(path_type=Path), help="Use saddle and pad of this case, by reference.")
def new(folder: Path, like: Path | None) -> int:
    """Commented case, saddle and pad to fill in, marks.pdf to print; without a scanner traced.toml and tracing.pdf."""
    from shimwright.new import new as write_new

    for line in write_new(folder, like):
        click.echo(line)
    return 0


@commands.command()
@click.argument("scans", metavar="[SCAN]…", nargs=-1, type=click.Path(path_type=Path))
@click.option("--unit", metavar="mm|cm|m|in|MM", help="Unit of the scan, or millimetres per unit.")
@click.option("--up", metavar="AXIS", help="Which way is up: +x … -z, or x,y,z in scan coordinates.")
@click.option("--head", metavar="AXIS", help="Which way the horse looks, roughly: +x … -z, or x,y,z.")
@click.option(
    "--mark",
    "marks",
    metavar="PLACE=WHAT",
    multiple=True,
    help="A coloured dot (red, #d02030), a point x,y,z, or a distance behind the withers (120mm). Again for each.",
)
@click.option("--scale", metavar="A,B=MM", help="Two coloured dots and the distance between them.")
@click.option("--mirror", is_flag=True, help="The scan is a mirror image: turn it right.")
@click.option("--scanner", metavar="KIND", help="What made it: handheld, photos (or video), lidar (of a phone).")
@click.option("--repeat", is_flag=True, help="Several scans of one stance: the spread of each measure.")
@click.option("--traced", type=click.Path(path_type=Path), help="Hand-traced sections instead of a scan.")
@click.option("--print-units", type=click.Choice(["mm", "in"]), default="mm", help="What the sheet prints; in: Letter.")
@OUT
@JSON
def measure(
    scans: tuple[Path, ...],
    unit: str | None,
    up: str | None,
    head: str | None,
    marks: tuple[str, ...],
    scale: str | None,
    mirror: bool,
    scanner: str | None,
    repeat: bool,
    traced: Path | None,
    print_units: str,
    out: Path | None,
    as_json: bool,
) -> int:
    """Each SCAN of a bare back: the scan check, back.json, a sheet and full-size templates of the back."""
    from shimwright.measure import measure_all
    from shimwright.told_options import told_from_options

    directions = told_from_options(unit, up, head, marks, scale, mirror, scanner)
    return measure_all(scans, traced, directions, out, print_units, repeat=repeat, as_json=as_json)


@commands.command()
@click.argument("cases", metavar="CASE…", nargs=-1, required=True, type=click.Path(path_type=Path))
@OUT
@click.option(
    "--for",
    "workshop",
    type=click.Choice(["van", "laser", "maker"]),
    default="van",
    show_default=True,
    help="Templates for scissors (PDF), a cutter (DXF, SVG as well), or a saddle maker.",
)
@click.option("--anyway", is_flag=True, help="A set-up although the vet or the saddle comes first, headed so.")
@click.option("--log", is_flag=True, help="Into the record too (see `log`).")
@STORE
@JSON
def fit(
    cases: tuple[Path, ...],
    out: Path | None,
    workshop: str,
    anyway: bool,
    log: bool,
    store: Path | None,
    as_json: bool,
) -> int:
    """Each CASE: arch, insert and shims, with fit.json, cutlist.csv, fit sheets, tack card and templates."""
    from shimwright.fit import fit_all

    record = store_folder(store) if log else None
    return fit_all(cases, out, workshop, anyway=anyway, as_json=as_json, log=record)


@commands.command()
@click.argument("cases", metavar="CASE…", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--uneven", is_flag=True, help="Each side by itself, where the back is; else both alike.")
@OUT
@JSON
def panel(cases: tuple[Path, ...], uneven: bool, out: Path | None, as_json: bool) -> int:
    """One panel for all CASEs: profile card, full-size section curves, solids of panel and back, for a maker."""
    from shimwright.panel import panel as fit_panel

    return fit_panel(cases, out, uneven=uneven, as_json=as_json)


@commands.command()
@click.argument("cases", metavar="CASE…", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--pieces", type=click.IntRange(1), metavar="N", help="The best kit of up to N pieces, not the smallest.")
@OUT
@JSON
def kit(cases: tuple[Path, ...], pieces: int | None, out: Path | None, as_json: bool) -> int:
    """Several CASEs of one saddle and pad: the fewest arches, inserts and shims that serve every horse."""
    from shimwright.kit import kit as for_the_yard

    return for_the_yard(cases, out, pieces, as_json=as_json)


@commands.command()
@click.argument("scan", type=click.Path(path_type=Path))
@click.option("--unit", metavar="mm|cm|m|in|MM", help="Unit of the scan, or millimetres per unit.")
@click.option("--up", metavar="AXIS", help="Out of the upturned underside: +x … -z, or x,y,z in scan coordinates.")
@click.option("--front", metavar="AXIS", help="Towards the arch, roughly: +x … -z, or x,y,z.")
@click.option("--name", help="Name of the saddle.")
@click.option("--style", type=click.Choice(["english", "western", "treeless"]), help="No scan shows it.")
@click.option(
    "--tree",
    type=click.Choice(["rigid", "spring", "flexible", "half-tree", "jointed", "treeless"]),
    help="No scan shows it.",
)
@click.option("--weight", type=click.FloatRange(1, 40), metavar="KG", help="With stirrups and girth.")
@click.option("--out", type=click.Path(path_type=Path, dir_okay=False), help="The file to write.")
@JSON
def saddle(
    scan: Path,
    unit: str | None,
    up: str | None,
    front: str | None,
    name: str | None,
    style: str | None,
    tree: str | None,
    weight: float | None,
    out: Path | None,
    as_json: bool,
) -> int:
    """A SCAN of the saddle upside down: its numbers and its own left–right difference, as saddle.toml."""
    from shimwright.saddle import SaddleWords, ScanLies
    from shimwright.saddle import saddle as from_scan

    lies, told = ScanLies(unit, up, front), SaddleWords(name, style, tree, weight)
    return from_scan(scan, lies, out, told, as_json=as_json)


@commands.command(name="open")
@click.argument("cases", metavar="[CASE]…", nargs=-1, type=click.Path(path_type=Path))
@click.option("--folder", type=click.Path(path_type=Path, file_okay=False), help="Where scans sent by a phone go.")
@click.option("--port", type=click.IntRange(0, 65535), help="Port of the page; without it the next free one from 8642.")
@click.option("--lan", is_flag=True, help="For phones in this network too, each by a link that works once.")
@click.option("--browser/--no-browser", default=True, help="Open the page in the browser, or only print its address.")
@click.option(
    "--store", type=click.Path(path_type=Path, file_okay=False), help="Folder of the record; else SHIMWRIGHT_STORE."
)
def open_(
    cases: tuple[Path, ...], folder: Path | None, port: int | None, lan: bool, browser: bool, store: Path | None
) -> int:
    """The fitting page: the back in 3D, set-ups by hand, the search, the scan check at the horse."""
    from shimwright.page.serve import Asked, open_page

    return open_page(Asked(cases, folder, port, lan, browser, store_folder(store)))


commands.add_command(log)
commands.add_command(due)
commands.add_command(compare)
commands.add_command(sizes)
