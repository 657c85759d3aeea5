"""A batch of a nursery on the terminal: plan, progress, summary, report."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from pathlib import Path

import click
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn, TimeRemainingColumn

from fragarea.batch import BatchSummary, Job, find_photos, plan_batch, run_batch
from fragarea.cli.options import find_lens
from fragarea.errors import SettingsProblem
from fragarea.logbook import Logbook, open_logbook, print_correction
from fragarea.measurement import MeasureSettings
from fragarea.nursery import Nursery, find_nursery, load_nursery, load_tables
from fragarea.nursery_view import logbook_path, view_nursery

PLAIN_EVERY = 10


def measure_nursery(
    places: tuple[Path, ...],
    *,
    again: bool,
    workers: int,
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
            MeasureSettings(lens_profile=lens.name if lens else ""),
            prints=_prints(logbook, nursery),
            lens=lens,
            site=site,
            taken_at=taken_at,
        )
        files = find_photos(_photo_folders(places, nursery))
        plan = plan_batch(files, logbook, job, again=again)
        click.echo(f"{len(files)} photos: {len(plan.tasks)} to measure, {plan.unchanged} measured before", err=True)
        with _progress(len(plan.tasks)) as tell:
            summary = run_batch(plan, logbook, job, workers=workers, on_progress=tell)
        _say(summary)
        if with_report and not summary.interrupted and (summary.measured or summary.refused):
            from fragarea.cli.publishing import publish_view

            touched = {*summary.measured, *summary.refused_paths}
            view = view_nursery(logbook, tables, touched_by=touched)
            publish_view(nursery.folder, view, workers)
    return summary.exit_code


def _nursery_of(places: tuple[Path, ...]) -> Nursery:
    for place in places:
        if not place.exists():
            raise SettingsProblem(f"{place}: there is no such file or folder. Check its name.")
    folders = {find_nursery(place if place.is_dir() else place.parent) for place in places}
    if len(folders) > 1:
        raise SettingsProblem("the photos belong to several nurseries: " + ", ".join(map(str, sorted(folders))))
    return load_nursery(folders.pop())


def _photo_folders(places: tuple[Path, ...], nursery: Nursery) -> list[Path]:
    """A nursery folder stands for its photos/; its reports are pictures too, but not photos."""
    return [place / "photos" if place.resolve() == nursery.folder else place for place in places]


def _prints(logbook: Logbook, nursery: Nursery) -> tuple[tuple[str, float, float, bool], ...]:
    references = sorted({site.reference for site in nursery.sites if site.reference})
    return tuple((reference, *print_correction(logbook, reference)) for reference in references)


class _progress:
    """A bar with time left on a terminal, now and then a plain line elsewhere."""

    def __init__(self, total: int) -> None:
        self._total = total
        self._console = Console(stderr=True)
        self._bar: Progress | None = None

    def __enter__(self) -> Callable[[int, int], None]:
        if not self._console.is_terminal or not self._total:
            return self._plain
        self._bar = Progress(
            TextColumn("measuring"),
            BarColumn(),
            MofNCompleteColumn(),
            TimeElapsedColumn(),
            TextColumn("left"),
            TimeRemainingColumn(),
            console=self._console,
        )
        self._bar.start()
        task = self._bar.add_task("measuring", total=self._total)

        def tell(done: int, _total: int) -> None:
            if self._bar:
                self._bar.update(task, completed=done)

        return tell

    def __exit__(self, *_: object) -> None:
        if self._bar:
            self._bar.stop()

    def _plain(self, done: int, total: int) -> None:
        if done % PLAIN_EVERY == 0 or done == total:
            click.echo(f"measured {done} of {total}", err=True)


def _say(summary: BatchSummary) -> None:
    click.echo(
        f"measured {len(summary.measured)}, of these {len(summary.doubtful)} to look at; "
        f"refused {len(summary.refused)}; measured before {summary.unchanged}; duplicates {summary.duplicates}"
    )
    for refusal in summary.refused:
        click.echo(f"refused: {refusal}")
    if summary.interrupted:
        click.echo(f"Stopped with {summary.left} photos left; the same command goes on.")
