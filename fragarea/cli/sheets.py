"""Write references and known-area sheets for printing."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import click

NEXT = """
Next:
  1. Print the PDF at 100 % ("actual size"), never "fit to page", on matt waterproof paper.
  2. Follow the steps printed on the sheet: measure, cut, glue, measure again.
  3. Tell the program what you measured:  fragarea print-check frame-280x220 250.0 250.5 250.0 --nursery my-nursery"""


@click.command()
@click.option(
    "--to", "folder", required=True, type=click.Path(path_type=Path, file_okay=False), help="Folder to write to."
)
@click.option(
    "--paper",
    type=click.Choice(["a4", "letter", "a3", "tabloid"], case_sensitive=False),
    default="a4",
    show_default=True,
    help="Paper of the PDF pages. What is larger is split into pieces of exact size.",
)
@click.option(
    "--format",
    "file_format",
    type=click.Choice(["pdf", "svg", "both"], case_sensitive=False),
    default="both",
    show_default=True,
    help="PDF pages, SVG drawings in mm (for a print shop), or both.",
)
@click.option(
    "--reference",
    "references",
    multiple=True,
    metavar="NAME|FILE",
    help="Reference by name or JSON file; may be repeated. Default: all that come with the program.",
)
@click.option("--known-areas", is_flag=True, help="With --reference: add the sheets of known-area shapes.")
@click.option("--replace", is_flag=True, help="Write over files that are already there.")
def sheets(
    folder: Path, paper: str, file_format: str, references: tuple[str, ...], known_areas: bool, replace: bool
) -> None:
    """Write references and known-area sheets as PDF and SVG files, to print at exact size.

    Without --reference and --known-areas everything that comes with the program is written. --known-areas alone
    writes only the sheets of known-area shapes (20 to 600 mm2). All lengths on the sheets are mm.

    \b
    Examples:
      fragarea sheets --to my-nursery/print
      fragarea sheets --paper letter --format pdf --reference frame-280x220 --to my-nursery/print
      fragarea sheets --reference our-frame.json --known-areas --to print
    """
    from fragarea.sheets import print_files, write_files

    everything = not references and not known_areas
    files = print_files(
        references=None if everything else references,
        known_areas=known_areas or everything,
        paper=paper.lower(),
        file_format=file_format.lower(),
        made_on=date.today(),
    )
    written = write_files(files, folder, replace=replace)
    for path, file in zip(written, files, strict=True):
        click.echo(f"wrote {path}  ({file.what})")
    click.echo(NEXT)
