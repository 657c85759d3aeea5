"""Which photos are new or changed."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable
from pathlib import Path

from fragarea.batch.describe import describe
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
from fragarea.nursery import site_for_photo
from fragarea.photo import looks_like_photo, photo_hash


def find_photos(places: Iterable[Path]) -> list[Path]:
    """Photos among files and, at any depth, folders; hidden ones left out, each once, in order of path.

    Links to folders are not followed, so that a loop of links cannot trap the search.
    """
    found: set[Path] = set()
    for place in places:
        if place.is_dir():
            for folder, inner, names in os.walk(place):
                inner[:] = sorted(name for name in inner if not name.startswith("."))
                found.update(Path(folder, name) for name in names if looks_like_photo(name))
        else:
            found.add(place)
    return sorted(found)


def logbook_path_of(file: Path, folder: Path) -> str:
    """How the logbook names a file: relative to the nursery folder, with ``/``, where it lies inside."""
    whole = file.resolve()
    return whole.relative_to(folder).as_posix() if whole.is_relative_to(folder) else str(whole)


def plan_batch(
    files: Iterable[Path],
    logbook: Logbook,
    job: Job,
    *,
    again: bool = False,
    on_file: Callable[[int], None] | None = None,
) -> Plan:
    """Find what is new or changed, by content.

    Parameters
    ----------
    files : iterable of Path
    logbook : Logbook
        Hashes found here are remembered in it, so that unchanged files are not read again.
    job : Job
    again : bool
        True: measure everything anew.
    on_file : callable, optional
        Called with the number of files looked at.

    Returns
    -------
    Plan
    """
    hashes, known = known_hashes(logbook), known_photos(logbook)
    groups: dict[str, list[tuple[Path, str]]] = {}
    fresh: list[FileHash] = []
    unreadable: list[tuple[str, Refusal]] = []
    for count, file in enumerate(files, start=1):
        path = logbook_path_of(file, job.nursery.folder)
        try:
            one = _hashed(file, path, hashes.get(path))
        except (PhotoProblem, OSError) as problem:
            unreadable.append((path, _unreadable(path, problem)))
            continue
        if one is not hashes.get(path):
            fresh.append(one)
        groups.setdefault(one.sha256, []).append((file, path))
        if on_file:
            on_file(count)
    remember_hashes(logbook, fresh)
    tasks = [_task(sha256, copies, known.get(sha256)) for sha256, copies in groups.items()]
    chosen = [task for task in tasks if again or _is_due(task, known.get(task.sha256), job)]
    names = {task.sha256: [task.path, *task.also_at] for task in tasks if task.sha256 in known}
    record_names(logbook, {s: p for s, p in names.items() if not set(p) <= known[s].paths})
    return Plan(
        tasks=tuple(sorted(chosen, key=lambda task: task.path)),
        unchanged=len(tasks) - len(chosen),
        duplicates=sum(len(copies) - 1 for copies in groups.values()),
        unreadable=tuple(unreadable),
    )


def _hashed(file: Path, path: str, before: FileHash | None) -> FileHash:
    facts = file.stat()
    if before and (before.size_bytes, before.modified_ns) == (facts.st_size, facts.st_mtime_ns):
        return before
    return FileHash(path, facts.st_size, facts.st_mtime_ns, photo_hash(file))


def _unreadable(path: str, problem: Exception) -> Refusal:
    name = Path(path).name
    if isinstance(problem, PhotoProblem):
        return Refusal(name, problem.cause, problem.remedy, type(problem).__name__, try_again=True)
    reason = getattr(problem, "strerror", None) or str(problem)
    return Refusal(name, f"cannot be read ({reason})", "Check the file and its permissions", "OSError", True)


def _task(sha256: str, copies: list[tuple[Path, str]], known: KnownPhoto | None) -> PhotoTask:
    """The copy that the logbook names stays the one that is measured."""
    first = next((c for c in copies if known and c[1] == known.path), copies[0])
    return PhotoTask(first[0], first[1], sha256, tuple(path for _, path in copies if path != first[1]))


def _is_due(task: PhotoTask, known: KnownPhoto | None, job: Job) -> bool:
    """Whether a content is new, to be tried again, or was measured with other settings."""
    if known is None or (known.refusal and known.refusal.try_again):
        return True
    try:
        return known.settings_hash != expected_hash(task, known, job)
    except FragareaError:
        return known.refusal is None  # refused for the same reason as before: nothing new


def expected_hash(task: PhotoTask, known: KnownPhoto | None, job: Job) -> str:
    """Settings hash that measuring this photo now would give; for a refused photo, that of its site without a day."""
    tag_site = known.site if known else ""
    try:
        site = site_for_photo(job.nursery, task.file, option=job.site)
    except FragareaError:
        if not tag_site:
            raise
        site = tag_site  # named by a tag in view when it was measured
    taken = job.taken_at or (known.taken_at if known and not known.refusal else None)
    return describe(job, site, taken.date() if taken else None).hash
