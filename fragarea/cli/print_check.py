"""Enter a length measured on a print."""

from __future__ import annotations

from datetime import date, datetime
from pathlib import Path

import click

from fragarea.cli.options import nursery_option
from fragarea.errors import FragareaError, SettingsProblem

# As in fragarea.sheets.print_check, which is not loaded for help alone; a test compares them.
RULER_STEP_MM, RULER_LIMIT_MM = 0.5, 0.5


class _Reading(click.ParamType):
    name = "mm"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> float:
        from fragarea.sheets.print_check import reading_in_mm

        try:
            return value if isinstance(value, float) else reading_in_mm(str(value))
        except FragareaError as error:
            self.fail(str(error), param, ctx)


@click.command("print-check")
@click.argument("reference")
@click.argument("readings_mm", metavar="READING_MM...", nargs=-1, type=_Reading())
@click.option(
    "--line",
    is_flag=True,
    help="The readings are of the line C-D at the edge of the page, 180 mm; for a print not glued from pieces.",
)
@click.option(
    "--ruler-step-mm",
    type=float,
    default=RULER_STEP_MM,
    show_default=True,
    help="Step to which each end was read, mm. A caliper: 0.05.",
)
@click.option(
    "--ruler-limit-mm",
    type=float,
    default=RULER_LIMIT_MM,
    show_default=True,
    help="Largest error of the ruler, mm. Class II rule: 0.5; class I rule: 0.2; caliper: 0.05.",
)
@nursery_option
@click.option("--by", "checked_by", default="", metavar="NAME", help="Who measured. Default: nobody is named.")
@click.option(
    "--on", "checked_on", type=click.DateTime(["%Y-%m-%d"]), metavar="DATE", help="Day of measuring. Default: today."
)
@click.option("--undo", is_flag=True, help="Take back what was entered last for this print; needs --nursery.")
def print_check(
    reference: str,
    readings_mm: tuple[float, ...],
    line: bool,
    ruler_step_mm: float,
    ruler_limit_mm: float,
    nursery: Path | None,
    checked_by: str,
    checked_on: datetime | None,
    undo: bool,
) -> None:
    """Turn lengths measured on the print of REFERENCE into the correction that goes with it.

    READING_MM is the length between the marks A and B of the print in mm, read with a ruler; three readings are
    better than one. REFERENCE is its name or JSON file. With --nursery the correction goes to the logbook and is
    applied to measurements; --undo takes a wrong one back.

    \b
    Examples:
      fragarea print-check frame-280x220 250.5 250.0 250.5 --nursery my-nursery
      fragarea print-check card-80x50 --line 180,5 180,0 180,5 --nursery my-nursery --by Ana --on 2026-03-01
      fragarea print-check frame-280x220 --undo --nursery my-nursery
    """
    from fragarea.reference.layout import load_reference
    from fragarea.sheets import LINE_MM, print_correction, ruler_u_mm

    layout = load_reference(reference)
    if undo:
        _undo(nursery, layout.name, bool(readings_mm))
        return
    if not readings_mm:
        raise click.UsageError("give the length between the marks A and B of the print, in mm.")
    nominal_mm = LINE_MM if line else layout.print_check_mm
    found = print_correction(nominal_mm, readings_mm, reading_u_mm=ruler_u_mm(ruler_step_mm, ruler_limit_mm))
    day = checked_on.date() if checked_on else date.today()
    if day > date.today():
        raise SettingsProblem(f"--on {day}: this day is still to come.")
    click.echo(_in_words(layout.name, nominal_mm, found.mean_mm, found.factor, found.u_rel, found.differs))
    if nursery is None:
        click.echo("Nothing was kept. Add --nursery FOLDER to have it applied to measurements.")
        return
    _keep(nursery, layout.name, nominal_mm, readings_mm, found.factor, found.u_rel, day, checked_by)


def _in_words(name: str, nominal_mm: float, mean_mm: float, factor: float, u_rel: float, differs: bool) -> str:
    verdict = (
        f"the print is {100 * abs(factor - 1):.2f} % {'larger' if factor > 1 else 'smaller'} than nominal; "
        "measurements are corrected for it"
        if differs
        else "no difference from nominal can be told; the correction is applied with its uncertainty"
    )
    return (
        f"{name}: {mean_mm:.2f} mm measured, {nominal_mm:.2f} mm nominal\n"
        f"lengths x {factor:.5f}, standard uncertainty {100 * u_rel:.2f} % of length, {200 * u_rel:.2f} % of area\n"
        f"{verdict}"
    )


def _keep(
    nursery: Path,
    reference: str,
    nominal_mm: float,
    readings_mm: tuple[float, ...],
    factor: float,
    u_rel: float,
    day: date,
    by: str,
) -> None:
    from fragarea.logbook import PrintCheck, add_print_check, open_logbook

    check = PrintCheck(reference, nominal_mm, readings_mm, factor, u_rel, day, by)
    with open_logbook(nursery / "logbook.sqlite") as logbook:
        add_print_check(logbook, check)
    click.echo(f"kept in {nursery / 'logbook.sqlite'}; to take it back, the same command with --undo and no lengths")


def _undo(nursery: Path | None, reference: str, with_readings: bool) -> None:
    from fragarea.logbook import open_logbook, withdraw_print_check

    if nursery is None or with_readings:
        raise click.UsageError("--undo goes with --nursery, and without lengths.")
    with open_logbook(nursery / "logbook.sqlite", create=False) as logbook:
        taken_back = withdraw_print_check(logbook, reference)
    if taken_back is None:
        raise SettingsProblem(f"{reference}: no print check is kept in {nursery / 'logbook.sqlite'}.")
    lengths = ", ".join(f"{one:.2f}" for one in taken_back.measured_mm)
    click.echo(
        f"taken back: {reference}, {lengths} mm, of {taken_back.checked_on}. "
        "The next fragarea measure corrects the photos that it was applied to."
    )
