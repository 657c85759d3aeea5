"""A batch of a nursery on the terminal: plan, progress, summary, report."""

from __future__ import annotations

from dataclasses import astuple
from datetime import datetime
from pathlib import Path

import click

from fragarea.adapt.stored import load_calibration
from fragarea.batch import BatchSummary, Job, find_photos, plan_batch, run_batch
from fragarea.batch.describe import site_of_path
from fragarea.batch.records import PrintCheckOf
from fragarea.cli.options import existing, find_lens
from fragarea.cli.progress import progress
from fragarea.errors import SettingsProblem
from fragarea.logbook import Logbook, current_measurements, current_refusals, open_logbook, print_checks_of
from fragarea.measurement import MeasureSettings
from fragarea.nursery import Nursery, Tables, find_nursery, load_nursery, load_tables, reference_file
from fragarea.nursery_view import logbook_path, view_nursery
from fragarea.reference.layout import load_reference
from fragarea.sites.records import SiteKind

MOST_EXCHANGES = 5


def measure_nursery(
    places: tuple[Path, ...],
    *,
    again: bool,
    workers: int,
    scheduler: str | None,
    site: str | None,
    taken_at: datetime | None,
    lens_name: str,
    with_report: bool,
) -> int:
    """Measure what is new in the nursery that holds `places`; returns the exit code."""
    nursery = _nursery_of(places)
    tables = load_tables(nursery)
    if site is not None and nursery.site(site) is None:
        known = ", ".join(one.name for one in nursery.sites) or "none"
        raise SettingsProblem(f"--site {site}: not described in nursery.toml. Known: {known}.")
    lens = find_lens(lens_name, nursery.folder)
    with open_logbook(logbook_path(nursery)) as logbook:
        job = Job(
            nursery,
            tables,
            MeasureSettings(
                lens_profile=lens.name if lens else "",
                tissue_shift=astuple(load_calibration(nursery.folder)),
            ),
            prints=_prints(logbook, nursery),
            lens=lens,
            site=site,
            taken_at=taken_at,
        )
        files = find_photos(_photo_folders(places, nursery))
        if not files:
            click.echo(_nothing_to_measure(places, nursery), err=True)
        plan = plan_batch(files, logbook, job, again=again)
        click.echo(f"{_photos(len(files))}, {len(plan.tasks)} of them to measure", err=True)
        with progress("measuring", "measured", len(plan.tasks)) as tell:
            summary = run_batch(plan, logbook, job, workers=workers, scheduler=scheduler, on_progress=tell)
        _say(summary)
        if not summary.interrupted:
            _remember_pads(logbook, tables, job, summary.measured)
        if with_report and not summary.interrupted:
            _publish(logbook, nursery, tables, {*summary.measured, *summary.refused_paths}, workers)
    return summary.exit_code


def _publish(logbook: Logbook, nursery: Nursery, tables: Tables, touched: set[str], workers: int) -> None:
    """Draw what was just measured, and what an earlier run that was stopped, or told not to, left undrawn."""
    from fragarea.cli.publishing import publish_view
    from fragarea.publish import unpublished

    stored, refused = current_measurements(logbook, with_outlines=False), current_refusals(logbook)
    touched = touched | set(unpublished(nursery.folder, stored, refused))
    if touched:
        publish_view(nursery.folder, view_nursery(logbook, nursery, tables, touched_by=touched), workers)


def _remember_pads(logbook: Logbook, tables: Tables, job: Job, measured: tuple[str, ...]) -> None:
    """Derive fusion of new photos of pads now, when a moment more does not matter."""
    pads = {site.name for site in job.nursery.sites if site.kind is SiteKind.PAD}
    touched = sorted(pads & {site_of_path(job, path) for path in measured})
    if touched:
        from fragarea.fusion_view import view_fusion

        for site in touched:
            view_fusion(logbook, tables, site=site)


def _nursery_of(places: tuple[Path, ...]) -> Nursery:
    folders = {find_nursery(place if existing(place).is_dir() else place.parent) for place in places}
    if len(folders) > 1:
        several = ", ".join(map(str, sorted(folders)))
        raise SettingsProblem(f"the photos belong to several nurseries: {several}. Measure one nursery at a time.")
    return load_nursery(folders.pop())


def _photo_folders(places: tuple[Path, ...], nursery: Nursery) -> list[Path]:
    """A nursery folder stands for its photos/; its reports are pictures too, but not photos."""
    return [place / "photos" if place.resolve() == nursery.folder else place for place in places]


def _prints(logbook: Logbook, nursery: Nursery) -> tuple[PrintCheckOf, ...]:
    """Print checks are kept under the name that a reference calls itself, also where a file describes it."""
    used = {site.reference for site in nursery.sites if site.reference}
    names = sorted({load_reference(reference_file(nursery, reference)).name for reference in used})
    checks = [check for name in names for check in print_checks_of(logbook, name)]
    return tuple((one.reference, one.checked_on, one.factor, one.factor_u_rel) for one in checks)


def _photos(count: int) -> str:
    return "1 photo" if count == 1 else f"{count} photos"


def _nothing_to_measure(places: tuple[Path, ...], nursery: Nursery) -> str:
    where = ", ".join(map(str, _photo_folders(places, nursery)))
    return (
        f"{where}: there is no photo here. Copy photos (JPEG, PNG, TIFF or HEIC) "
        f"to {nursery.folder / 'photos'}/SITE/, one folder a site."
    )


def _say(summary: BatchSummary) -> None:
    click.echo(
        f"measured {len(summary.measured)}, of these {len(summary.doubtful)} to look at; "
        f"refused {len(summary.refused)}; measured before {summary.unchanged}; "
        f"refused before {len(summary.refused_before)}; duplicates {len(summary.duplicates)}"
    )
    for path, refusal in zip(summary.refused_paths, summary.refused, strict=True):
        click.echo(f"refused: {path}: {refusal.cause}. {refusal.remedy}.")
    for path, refusal in summary.refused_before:
        click.echo(f"refused before: {path}: {refusal.cause}. {refusal.remedy}.")
    for copy, original in summary.duplicates:
        click.echo(f"duplicate: {copy} is the same photo as {original}")
    for one in summary.exchanges[:MOST_EXCHANGES]:
        names = " and ".join(one.fragments)
        click.echo(f"may have changed places: {names} ({one.site}, {one.taken_at:%Y-%m-%d}, odds {one.odds_words})")
    if summary.exchanges:
        click.echo("fragarea exchange lists them and tells how to accept or set aside each")
    if summary.interrupted:
        click.echo(f"Stopped with {_photos(summary.left)} left; the same command goes on.")
