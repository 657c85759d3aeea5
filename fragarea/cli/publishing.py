"""Publish a view and say what was written."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import click

from fragarea.cli.progress import progress
from fragarea.nursery import load_nursery
from fragarea.nursery_view import NurseryView
from fragarea.publish import count_visits, publish


def publish_view(nursery: Path, view: NurseryView, workers: int) -> Path:
    """Draw a view into the nursery's reports folder; returns the page."""
    settings = load_nursery(nursery)
    with progress("drawing visits", "visits drawn:", count_visits(view.stored)) as tell:
        published = publish(
            settings.folder,
            settings.name,
            view.stored,
            view.rows,
            view.refused,
            last_check=view.last_check,
            made_at=datetime.now(settings.zone or UTC),
            workers=workers,
            on_progress=tell,
        )
    for text in published.not_drawn:
        click.echo(f"not drawn: {text}", err=True)
    click.echo(f"{len(published.overlays)} overlays and {len(published.sheets)} contact sheets")
    click.echo(f"page: {published.page}")
    return published.page
