"""The known-area check."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import click

from fragarea.cli.options import FiniteRange, find_lens, nursery_option

REFUSED_EXIT, FAILED_EXIT = 3, 4


@click.command()
@click.argument("photos", nargs=-1, required=True, type=click.Path(path_type=Path))
@nursery_option
@click.option("--reference", default="frame-280x220", show_default=True, help="Printed reference around the shapes.")
@click.option(
    "--tolerance",
    "tolerance_percent",
    type=FiniteRange(0, 50, min_open=True),
    metavar="PERCENT",
    default=2.0,
    show_default=True,
    help="Largest bias, in percent.",
)
@click.option("--lens", "lens_name", default="", help="Lens profile: a name in the nursery's lenses/, or a file.")
def check(
    photos: tuple[Path, ...], nursery: Path | None, reference: str, tolerance_percent: float, lens_name: str
) -> None:
    """Compare PHOTOS of the printed known-area sheet with its nominal areas, and say whether the camera passes.

    Reports bias, repeatability and reproducibility (ISO 5725), 95 % agreement limits and a verdict that allows for
    the uncertainty: passes, fails or cannot tell. With --nursery the result goes to the logbook and is shown beside
    later measurements. Photos of one day and camera count as one group. Exit code 0 passes or cannot tell, 3 some
    photos were refused, 4 fails.

    \b
    Example:
      fragarea check photos-of-the-sheet/*.jpg --nursery my-nursery
    """
    from fragarea.check import Verdict, check_lines, summary_sentence
    from fragarea.checking import check_photos
    from fragarea.logbook import CheckRecord, add_check, open_logbook, print_correction
    from fragarea.measurement import MeasureSettings
    from fragarea.reference.layout import load_reference

    name = load_reference(reference).name
    settings = MeasureSettings()
    if nursery is not None:
        with open_logbook(nursery / "logbook.sqlite") as logbook:
            correction = print_correction(logbook, name)
        settings = MeasureSettings(
            print_factor=correction.factor, print_u_rel=correction.u_rel, print_checked=correction.checked
        )
    lens = find_lens(lens_name, nursery)
    checked = check_photos(
        photos, reference=reference, settings=settings, tolerance_rel=tolerance_percent / 100, lens=lens
    )
    for problem in checked.refused:
        click.echo(str(problem), err=True)
    for line in check_lines(checked.result):
        click.echo(line)
    taken_on = checked.taken_on or date.today()
    click.echo(summary_sentence(checked.result, taken_on))
    if nursery is not None:
        with open_logbook(nursery / "logbook.sqlite") as logbook:
            add_check(
                logbook,
                CheckRecord(
                    taken_on=taken_on,
                    reference=name,
                    site="",
                    verdict=str(checked.result.verdict),
                    bias_percent=100 * checked.result.bias_rel,
                    bias_u_percent=100 * checked.result.bias_u_rel,
                    result=checked.result.to_dict(),
                ),
            )
        click.echo(f"kept in {nursery / 'logbook.sqlite'}")
    if checked.result.verdict is Verdict.FAILS:
        raise SystemExit(FAILED_EXIT)
    if checked.refused:
        raise SystemExit(REFUSED_EXIT)
