"""Draw overlays, contact sheets and the page again."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import click

from fragarea.cli.options import day_options, nursery_argument, open_view, usual_workers


@click.command()
@nursery_argument
@day_options
@click.option("--workers", type=click.IntRange(1, 64), default=usual_workers, help="Processes. Default: one a core.")
def report(nursery: Path, site: str | None, since: datetime | None, until: datetime | None, workers: int) -> None:
    """Draw the overlays, contact sheets and page of a NURSERY folder again, from its logbook and photos.

    Pictures go to reports/overlays and reports/sheets, the page to reports/report.html. All of it can be deleted and
    made again.

    \b
    Example:
      fragarea report my-nursery --since 2026-03-01
    """
    from fragarea.cli.publishing import publish_view

    view = open_view(nursery, site, since, until)
    publish_view(nursery, view, workers)
