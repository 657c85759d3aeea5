"""Which photos are new or changed."""

from __future__ import annotations

import time
from collections.abc import Iterable
from dataclasses import replace
from datetime import date, datetime
from pathlib import Path

from fragarea import __version__
from fragarea.batch.describe import describe, job_hash, site_of_path
from fragarea.batch.files import logbook_path_of
from fragarea.batch.records import Job, PhotoTask, Plan
from fragarea.errors import FragareaError, PhotoProblem
from fragarea.logbook import (
    FileHash,
    KnownPhoto,
    Logbook,
    Refusal,
    known_hashes,
    known_photos,
    record_names,
    remember_hashes,
)
from fragarea.photo import photo_hash
from fragarea.photo.files import shown_name
from fragarea.photo.names import date_in_name

REMEMBER_EVERY = 500
# A file may change again within the clock tick of its last change; only later is its time of change to be trusted.
SETTLED_NS = 2_000_000_000
_DATE_NOT_IN_PHOTO = ("file name", "unknown")

Copy = tuple[Path, str]


def plan_batch(files: Iterable[Path], logbook: Logbook, job: Job, *, again: bool = False) -> Plan:
    """Find what is new or changed, by content.

    Parameters
    ----------
    files : iterable of Path
    logbook : Logbook
        Hashes found here are remembered in it, so that unchanged files are not read again.
    job : Job
    again : bool
        True: measure everything anew.

    Returns
    -------
    Plan

    Raises
    ------
    LogbookProblem
    """
    known = known_photos(logbook)
    copies, unreadable = _by_content(files, logbook, job)
    whole = [_task(sha256, group, known.get(sha256)) for sha256, group in copies.items()]
    expected = ExpectedHashes(job)
    strays = [(path, _stray(path, task)) for task in whole for path in expected.at_other_sites(task)]
    astray = {path for path, _ in strays}
    tasks = [replace(task, also_at=tuple(path for path in task.also_at if path not in astray)) for task in whole]
    _record_new_names(logbook, tasks, known)
    due, refused_before = [], []
    for task in sorted(tasks, key=lambda task: task.path):
        before = known.get(task.sha256)
        if again or before is None or _is_due(task, before, expected):
            due.append(task)
        elif before.refusal:
            refused_before.append((task.path, before.refusal))
    return Plan(
        tasks=tuple(due),
        unchanged=len(tasks) - len(due) - len(refused_before),
        duplicates=tuple((path, task.path) for task in tasks for path in task.also_at),
        refused=(*unreadable, *strays),
        refused_before=tuple(refused_before),
        again=again,
    )


def _by_content(
    files: Iterable[Path], logbook: Logbook, job: Job
) -> tuple[dict[str, list[Copy]], list[tuple[str, Refusal]]]:
    """Files grouped by content hash, and those that cannot be read."""
    hashes = known_hashes(logbook)
    copies: dict[str, list[Copy]] = {}
    fresh: list[FileHash] = []
    unreadable = []
    for file in files:
        path = logbook_path_of(file, job.nursery.folder)
        before = hashes.get(path)
        try:
            one = _hashed(file, path, before)
        except (PhotoProblem, OSError) as problem:
            unreadable.append((path, _unreadable(file, problem)))
            continue
        copies.setdefault(one.sha256, []).append((file, path))
        if one is not before and time.time_ns() - one.modified_ns > SETTLED_NS:
            fresh.append(one)
        if len(fresh) >= REMEMBER_EVERY:
            remember_hashes(logbook, fresh)
            fresh.clear()
    remember_hashes(logbook, fresh)
    return copies, unreadable


def _hashed(file: Path, path: str, before: FileHash | None) -> FileHash:
    facts = file.stat()
    if before and (before.size_bytes, before.modified_ns) == (facts.st_size, facts.st_mtime_ns):
        return before
    return FileHash(path, facts.st_size, facts.st_mtime_ns, photo_hash(file))


def _unreadable(file: Path, problem: Exception) -> Refusal:
    name = shown_name(file)
    if file.is_dir():
        cause, remedy = "this folder may not be opened by this user", "Change its permissions, or move its photos"
        return Refusal(name, cause, remedy, "UnreadableFolder", try_again=True)
    if not isinstance(problem, PhotoProblem):
        try:
            photo_hash(file)  # for its words on what is wrong with the file
        except PhotoProblem as known:
            problem = known
    if isinstance(problem, PhotoProblem):
        return Refusal(name, problem.cause, problem.remedy, type(problem).__name__, try_again=True)
    return Refusal(name, "the file could not be read just now", "Run the batch again", "UnreadablePhoto", True)


def _stray(path: str, task: PhotoTask) -> Refusal:
    """A photo shows one site only: which of two folders is wrong, nobody but the user can tell."""
    cause = f"the same photo lies in {task.path}, and counts for that site"
    remedy = "Delete it from the wrong folder and run the batch again"
    return Refusal(shown_name(path), cause, remedy, "SiteNotFound", try_again=True)


def _task(sha256: str, copies: list[Copy], known: KnownPhoto | None) -> PhotoTask:
    """The copy that the logbook names stays the one that is measured."""
    ordered = sorted(copies, key=lambda copy: copy[1])
    first = next((copy for copy in ordered if known and copy[1] == known.path), ordered[0])
    return PhotoTask(first[0], first[1], sha256, tuple(path for _, path in ordered if path != first[1]))


def _record_new_names(logbook: Logbook, tasks: list[PhotoTask], known: dict[str, KnownPhoto]) -> None:
    names = {task.sha256: [task.path, *task.also_at] for task in tasks if task.sha256 in known}
    record_names(logbook, {sha256: paths for sha256, paths in names.items() if not known[sha256].paths >= set(paths)})


def _is_due(task: PhotoTask, known: KnownPhoto, expected: ExpectedHashes) -> bool:
    """Whether a photo is to be tried again, or was measured with other settings."""
    if known.refusal:
        changed = (known.settings_hash, known.software_version) != (expected.of_refused, __version__)
        return known.refusal.try_again or changed
    try:
        return known.settings_hash not in expected.of_measured(task, known)
    except FragareaError:
        return True  # its site is described no longer: measuring says so


class ExpectedHashes:
    """Settings hashes that measuring now would give; each site and day is described once."""

    def __init__(self, job: Job) -> None:
        self._job = job
        self._sites: dict[str, str] = {}
        self._hashes: dict[tuple[str, date | None, str], str] = {}
        self.of_refused = job_hash(job)
        """Of whatever could mend a refusal."""

    def of_measured(self, task: PhotoTask, known: KnownPhoto) -> tuple[str, ...]:
        """Of a photo that was measured, from the site and date that it was measured with; any of them will do.

        Raises
        ------
        SettingsProblem
            If its site is not described.
        """
        site = self._site(task.path) or known.site  # named by a tag in view, if not by its folder
        stored = _wall_clock(known.taken_at)
        if _date_told(task, known, self._job.taken_at) not in (None, stored):
            return ()  # the date itself is no part of the hash
        day = stored.date() if stored else None
        zone = self._job.nursery.zone.key if self._job.nursery.zone else ""
        if known.taken_at is None:
            return (self._hash(site, day, ""),)
        # where the date is aware, the offset may be the photo's own
        own = () if known.taken_at.tzinfo is None else (self._hash(site, day, ""),)
        return (self._hash(site, day, zone), *own)

    def at_other_sites(self, task: PhotoTask) -> list[str]:
        """Paths of a photo's copies that lie in the folder of a site other than the photo's own."""
        own = self._site(task.path)
        return [path for path in task.also_at if own and (self._site(path) or own) != own]

    def _hash(self, site: str, day: date | None, zone: str) -> str:
        key = (site, day, zone)
        if key not in self._hashes:
            self._hashes[key] = describe(self._job, site, day, zone=zone).hash
        return self._hashes[key]

    def _site(self, path: str) -> str:
        """Only folder and option count here, so all photos of a folder share it."""
        folder = path.rpartition("/")[0]
        if folder not in self._sites:
            self._sites[folder] = site_of_path(self._job, path)
        return self._sites[folder]


def _date_told(task: PhotoTask, known: KnownPhoto, given: datetime | None) -> datetime | None:
    """The date from outside the photo: the user's, or one that its file was renamed to; None where neither tells."""
    if given is None and known.taken_at_source in _DATE_NOT_IN_PHOTO:
        return date_in_name(shown_name(task.file))
    return _wall_clock(given)


def _wall_clock(moment: datetime | None) -> datetime | None:
    return moment.replace(tzinfo=None) if moment else None
