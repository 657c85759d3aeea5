"""One photo of a job, measured; what worker processes run."""

from __future__ import annotations

from dataclasses import replace

from fragarea.batch.describe import describe, expected_positions
from fragarea.batch.records import Job, PhotoTask
from fragarea.errors import PhotoProblem, SettingsProblem, SiteNotFound, UnreadablePhoto
from fragarea.measure import measure_photo
from fragarea.measurement import PhotoMeasurement
from fragarea.nursery import site_for_photo
from fragarea.photo import Photo, read_photo
from fragarea.reference import find_tags


def measure_file(task: PhotoTask, job: Job) -> PhotoMeasurement:
    """Measure one photo of a job.

    Raises
    ------
    PhotoProblem
        If the photo cannot be measured.
    """
    photo = read_photo(task.file, taken_at=job.taken_at)
    if photo.sha256 != task.sha256:
        raise UnreadablePhoto(photo.name, "the file changed while the batch was running", "Run the batch again")
    try:
        return _measure(photo, task, job)
    except PhotoProblem as problem:
        problem.taken_at = photo.taken_at
        raise


def _measure(photo: Photo, task: PhotoTask, job: Job) -> PhotoMeasurement:
    zone = job.nursery.zone if photo.taken_at and photo.taken_at.tzinfo is None else None
    if photo.taken_at and zone:
        photo = replace(photo, taken_at=photo.taken_at.replace(tzinfo=zone))
    day = photo.taken_at.date() if photo.taken_at else None
    site = _site(task, job, photo)
    try:
        described = describe(job, site, day, zone=zone.key if zone else "")
    except SettingsProblem as problem:
        raise SiteNotFound(
            photo.name, str(problem).rstrip("."), "Mend nursery.toml and run the batch again"
        ) from problem
    return measure_photo(
        photo,
        described.site,
        described.settings,
        layout=described.layout,
        lens=job.lens,
        expected=expected_positions(job.tables, site, day),
    )


def _site(task: PhotoTask, job: Job, photo: Photo) -> str:
    """By option or folder; only where neither names it, by a tag in view, which costs a search."""
    try:
        return site_for_photo(job.nursery, task.file, option=job.site)
    except SiteNotFound:
        if job.site is not None or all(site.tag_id is None for site in job.nursery.sites):
            raise
        return site_for_photo(job.nursery, task.file, tag_ids=[tag.tag_id for tag in find_tags(photo.pixels)])
