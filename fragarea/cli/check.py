"""The known-area check."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from pathlib import Path

import click

from fragarea.cli.options import DAY, FiniteRange, find_lens, nursery_option
from fragarea.errors import SettingsProblem

REFUSED_EXIT, FAILED_EXIT = 3, 4
ONE_DAY = timedelta(days=1)
"""East of here it may be tomorrow already."""


@click.command()
@click.argument("photos", nargs=-1, type=click.Path(path_type=Path))
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
@click.option("--on", "given_on", type=DAY, metavar="DATE", help="Day of the photos. Default: as in the photos.")
@click.option("--undo", is_flag=True, help="Take back the check entered last for this reference; needs --nursery.")
def check(
    photos: tuple[Path, ...],
    nursery: Path | None,
    reference: str,
    tolerance_percent: float,
    lens_name: str,
    given_on: datetime | None,
    undo: bool,
) -> None:
    """Compare PHOTOS of the printed known-area sheet with its nominal areas, and say whether the camera passes.

    Reports bias, repeatability and reproducibility (ISO 5725), 95 % agreement limits and a verdict that allows for
    the uncertainty: passes, fails or cannot tell. With --nursery the result goes to the logbook and is shown beside
    later measurements. Photos of one day and camera count as one group. Exit code 0 passes or cannot tell, 3 some
    photos were refused, 4 fails.

    \b
    Examples:
      fragarea check photos-of-the-sheet/*.jpg --nursery my-nursery
      fragarea check --undo --nursery my-nursery
    """
    from fragarea.check import Verdict, check_lines, summary_sentence
    from fragarea.checking import check_photos
    from fragarea.logbook import CheckRecord, add_check, open_logbook, print_correction
    from fragarea.measurement import MeasureSettings
    from fragarea.reference.layout import load_reference

    name = load_reference(reference).name
    if undo:
        _undo(nursery, name, bool(photos))
        return
    if not photos:
        raise click.UsageError("give photos of the printed known-area sheet.")
    if given_on and given_on.date() > date.today():
        raise SettingsProblem(f"--on {given_on.date()}: this day is still to come.")
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
    taken_on = given_on.date() if given_on else checked.taken_on or date.today()
    click.echo(summary_sentence(checked.result, taken_on))
    if nursery is not None:
        if taken_on > date.today() + ONE_DAY:
            raise SettingsProblem(
                f"the photos say that they were taken on {taken_on}, which is still to come; nothing was kept. "
                "Set the camera's clock, and name the day: --on DATE."
            )
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
        click.echo(f"kept in {nursery / 'logbook.sqlite'}; to take it back: fragarea check --undo")
    if checked.result.verdict is Verdict.FAILS:
        raise SystemExit(FAILED_EXIT)
    if checked.refused:
        raise SystemExit(REFUSED_EXIT)


def _undo(nursery: Path | None, reference: str, with_photos: bool) -> None:
    from fragarea.logbook import open_logbook, withdraw_check

    if nursery is None or with_photos:
        raise click.UsageError("--undo goes with --nursery, and without photos.")
    with open_logbook(nursery / "logbook.sqlite", create=False) as logbook:
        taken_back = withdraw_check(logbook, reference)
    if taken_back is None:
        raise SettingsProblem(f"{reference}: no known-area check is kept in {nursery / 'logbook.sqlite'}.")
    click.echo(f"taken back: the check of {taken_back.taken_on} with {reference}, which {taken_back.verdict}")
