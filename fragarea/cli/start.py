"""Start a nursery folder."""

from __future__ import annotations

from pathlib import Path

import click

from fragarea.nursery import start_nursery


@click.command()
@click.argument("folder", type=click.Path(path_type=Path))
@click.option("--name", default="", help="Name of the nursery. Default: the folder's name.")
def start(folder: Path, name: str) -> None:
    """Make a nursery FOLDER: nursery.toml with notes, empty tables and a place for photos.

    Nothing that exists is overwritten.

    \b
    Example:
      fragarea start my-nursery --name "Lagoon nursery"
    """
    made = start_nursery(folder, name)
    for path in made:
        click.echo(f"made {path}")
    click.echo(
        f"\nNext: describe your trays in {folder / 'nursery.toml'}, fill in the two tables,\n"
        f"print a reference (fragarea sheets --to {folder / 'print'}), copy photos to {folder / 'photos'}/SITE/,\n"
        f"then: fragarea measure {folder}"
    )
