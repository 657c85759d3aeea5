"""`fragarea measure --json`: photos in, one JSON object a line out, outside any nursery folder, storing nothing."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from pathlib import Path

import click

from fragarea.errors import PhotoProblem
from fragarea.measure import measure_photo
from fragarea.measurement import MeasureSettings
from fragarea.photo import read_photo
from fragarea.photo.files import shown_name
from fragarea.reference.layout import ReferenceLayout, load_reference
from fragarea.reference.lens import LensProfile
from fragarea.report import json_line, measurement_to_json, refusal_to_json
from fragarea.sites.records import SiteDescription, SiteKind

REFUSED_EXIT = 3


def measure_to_lines(
    photos: Iterable[Path],
    site: SiteDescription,
    settings: MeasureSettings,
    *,
    lens: LensProfile | None,
    taken_at: datetime | None,
    budget: bool,
) -> int:
    """Write a line a photo to standard output; returns the exit code."""
    layout = load_reference(site.reference) if site.reference else None
    refused = 0
    for path in photos:
        try:
            item = _measured(path, site, settings, layout, lens, taken_at, budget)
        except PhotoProblem as problem:
            refused += 1
            click.echo(str(problem), err=True)
            reason = f"{problem.cause}. {problem.remedy}."
            name = layout.name if layout else ""
            item = json_line(refusal_to_json(shown_name(path), reason, taken_at=problem.taken_at, reference=name))
        click.echo(item)
    return REFUSED_EXIT if refused else 0


def _measured(
    path: Path,
    site: SiteDescription,
    settings: MeasureSettings,
    layout: ReferenceLayout | None,
    lens: LensProfile | None,
    taken_at: datetime | None,
    budget: bool,
) -> str:
    photo = read_photo(path, taken_at=taken_at, allow_grey=site.kind is SiteKind.SHAPES)
    try:
        measured = measure_photo(photo, site, settings, layout=layout, lens=lens)
    except PhotoProblem as problem:
        problem.taken_at = photo.taken_at
        raise
    return json_line(measurement_to_json(measured, budget=budget))
