"""Commands for a saddle maker with many horses."""

from pathlib import Path

import click

FILE = click.Path(path_type=Path, dir_okay=False)


@click.command()
@click.argument("folder", metavar="FOLDER", type=click.Path(path_type=Path))
@click.option("--saddle", required=True, type=FILE, help="saddle.toml that gives length, widths and filling.")
@click.option("--arches", type=click.IntRange(1, 12), default=4, show_default=True, help="How many in all.")
@click.option("--panels", type=click.IntRange(1, 4), default=1, show_default=True, help="How many in all.")
@click.option("--made-arches", multiple=True, type=FILE, help="saddle.toml whose arches exist and stay.")
@click.option("--made-panel", multiple=True, type=FILE, help="saddle.toml whose panel exists and stays.")
@click.option("--list", "list_file", type=FILE, help="CSV with the columns file, group, weight, and more.")
@click.option("--unit", metavar="mm|cm|m|in|MM", help="Unit of all scans that the list tells nothing else of.")
@click.option("--up", metavar="AXIS", help="Which way is up in all of them.")
@click.option("--head", metavar="AXIS", help="Which way the horses look in all of them.")
@click.option("--scanner", metavar="KIND", help="What made all of them: handheld, photos, lidar.")
@click.option("--workers", type=click.IntRange(1, 256), help="Processes at once; without it one for each processor.")
@click.option("--cluster", metavar="ADDRESS", help="A dask cluster's scheduler, to measure there (extra: cluster).")
@click.option("--print-units", type=click.Choice(["mm", "in"]), default="mm", help="What the sheet prints; in: Letter.")
@click.option("--out", type=click.Path(path_type=Path, file_okay=False), help="Folder for the results.")
@click.option("--json", "as_json", is_flag=True, help="sizes.json on stdout, on one line.")
def sizes(
    folder: Path,
    saddle: Path,
    arches: int,
    panels: int,
    made_arches: tuple[Path, ...],
    made_panel: tuple[Path, ...],
    list_file: Path | None,
    unit: str | None,
    up: str | None,
    head: str | None,
    scanner: str | None,
    workers: int | None,
    cluster: str | None,
    print_units: str,
    out: Path | None,
    as_json: bool,
) -> int:
    """The arches and panels that serve all horses of FOLDER best, whom none serves, and how sure that is."""
    from shimwright.cluster import DaskCrew
    from shimwright.crew import Crew, LocalCrew
    from shimwright.sizes import SizesAsked
    from shimwright.sizes import sizes as choose_sizes
    from shimwright.told_options import told_from_options

    told = told_from_options(unit, up, head, (), None, False, scanner)
    asked = SizesAsked(folder, saddle, list_file, arches, panels, made_arches, made_panel, told, print_units)
    crew: Crew = DaskCrew(cluster) if cluster else LocalCrew(workers or 0)
    return choose_sizes(asked, crew, out, as_json=as_json)
