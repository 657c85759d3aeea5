"""From the logbook to the nursery's reports folder: overlays, contact sheets and one page.

Everything here can be deleted and made again: it is drawn from the logbook and the original photos.
"""

from __future__ import annotations

import math
import multiprocessing
from collections import deque
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from datetime import date, datetime
from itertools import count
from pathlib import Path

import cv2

from fragarea import __version__
from fragarea.batch.processes import ctrl_c_noted, leave_ctrl_c_to_parent, starting_processes
from fragarea.errors import FragareaError
from fragarea.logbook import StoredMeasurement, StoredRefusal
from fragarea.photo import read_photo
from fragarea.report import (
    PagePhoto,
    RefusedPhoto,
    ReportPage,
    ReportRow,
    SheetItem,
    cut_item,
    draw_contact_sheet,
    draw_overlay,
    file_stem,
    fragment_name,
    save_picture,
    thumbnail,
    write_page,
)
from fragarea.sites.records import SiteKind

REPORTS = "reports"
PAGE = "report.html"
OVERLAYS, SHEETS = "overlays", "sheets"


@dataclass(frozen=True)
class Published:
    """What was written.

    Attributes
    ----------
    page : Path
    overlays, sheets : tuple of Path
    not_drawn : tuple of str
        Photos that could not be drawn, with the reason; their numbers are on the page all the same.
    """

    page: Path
    overlays: tuple[Path, ...]
    sheets: tuple[Path, ...]
    not_drawn: tuple[str, ...]


@dataclass(frozen=True)
class _VisitTask:
    folder: Path
    site: str
    on: date | None
    stored: tuple[StoredMeasurement, ...]
    photos_on_page: int


@dataclass(frozen=True)
class _VisitDrawn:
    photos: tuple[PagePhoto, ...]
    overlays: tuple[Path, ...]
    sheets: tuple[Path, ...]
    not_drawn: tuple[str, ...]


def publish(
    folder: Path,
    nursery_name: str,
    stored: Sequence[StoredMeasurement],
    rows: Sequence[ReportRow],
    refused: Sequence[RefusedPhoto],
    *,
    last_check: str,
    made_at: datetime,
    workers: int = 1,
    on_progress: Callable[[int, int], None] | None = None,
) -> Published:
    """Draw measurements and write the page.

    Parameters
    ----------
    folder : Path
        The nursery folder; photos are read from it, pictures and page go to its ``reports/``.
    nursery_name : str
    stored : sequence of StoredMeasurement
    rows : sequence of ReportRow
        Of these measurements.
    refused : sequence of RefusedPhoto
    last_check : str
        Sentence on the last known-area check of all.
    made_at : datetime
    workers : int
        Processes that draw.
    on_progress : callable, optional
        Called with visits done and visits in all.

    Returns
    -------
    Published
    """
    tasks = _visit_tasks(folder, stored)
    drawn = _draw_all(tasks, workers, on_progress)
    photos = tuple(photo for visit in drawn for photo in visit.photos)
    target = folder / REPORTS / PAGE
    page = ReportPage(
        nursery=nursery_name,
        made_at=made_at,
        software_version=__version__,
        rows=tuple(rows),
        photos=photos,
        refused=tuple(refused),
        sheets=tuple(
            (task.site, task.on, sheet.relative_to(folder / REPORTS).as_posix())
            for task, visit in zip(tasks, drawn, strict=True)
            for sheet in visit.sheets
        ),
        last_check=last_check,
    )
    write_page(page, target)
    return Published(
        page=target,
        overlays=tuple(path for visit in drawn for path in visit.overlays),
        sheets=tuple(path for visit in drawn for path in visit.sheets),
        not_drawn=tuple(text for visit in drawn for text in visit.not_drawn),
    )


def unpublished(folder: Path, stored: Iterable[StoredMeasurement], refused: Iterable[StoredRefusal]) -> list[str]:
    """Paths of photos that were measured or refused after the page was written, or of which there is no overlay.

    Measured photos that are gone are left out, since they can be drawn no more.
    """
    page = _written_at(folder / REPORTS / PAGE)
    measured = [
        one.path
        for one in stored
        if min(page, _written_at(_overlay_file(folder, one))) < one.recorded_at.timestamp()
        and (folder / one.path).is_file()
    ]
    return measured + [one.path for one in refused if page < one.recorded_at.timestamp()]


def _written_at(file: Path) -> float:
    """Time of a file's last change, in seconds; one that is not there is older than all others."""
    try:
        return file.stat().st_mtime
    except OSError:
        return -math.inf


def count_visits(stored: Sequence[StoredMeasurement]) -> int:
    """How many visits, one a site and day, measurements belong to."""
    return len({_visit_of(one) for one in stored})


def _visit_of(one: StoredMeasurement) -> tuple[str, date | None]:
    taken = one.measurement.taken_at
    return one.measurement.site.name, taken.date() if taken else None


def _visit_tasks(folder: Path, stored: Sequence[StoredMeasurement]) -> list[_VisitTask]:
    groups: dict[tuple[str, date | None], list[StoredMeasurement]] = {}
    for one in stored:
        groups.setdefault(_visit_of(one), []).append(one)
    return [_VisitTask(folder, site, on, tuple(group), len(stored)) for (site, on), group in groups.items()]


def _draw_all(
    tasks: list[_VisitTask], workers: int, on_progress: Callable[[int, int], None] | None
) -> list[_VisitDrawn]:
    results: dict[int, _VisitDrawn] = {}

    def keep(index: int, drawn: _VisitDrawn) -> None:
        results[index] = drawn
        if on_progress:
            on_progress(len(results), len(tasks))

    if workers <= 1 or len(tasks) <= 1:
        for index, task in enumerate(tasks):
            keep(index, _draw_visit(task))
    else:
        try:
            _draw_together(tasks, min(workers, len(tasks)), keep)
        except BrokenProcessPool as error:
            raise FragareaError(
                "A process that draws was stopped by the system, perhaps for want of memory. "
                "Draw with fewer: fragarea report --workers 1. The measurements are kept."
            ) from error
    return [results[index] for index in range(len(tasks))]


def _draw_together(tasks: list[_VisitTask], workers: int, keep: Callable[[int, _VisitDrawn], None]) -> None:
    """Draw visits in several processes; after Ctrl-C those in hand are finished and no more are begun."""
    spawn = multiprocessing.get_context("spawn")
    waiting, in_hand = deque(enumerate(tasks)), dict[Future[_VisitDrawn], int]()
    with ctrl_c_noted() as stopping, ProcessPoolExecutor(workers, spawn, _start_drawing) as pool:
        while in_hand or (waiting and not stopping()):
            while waiting and len(in_hand) < workers and not stopping():
                index, task = waiting.popleft()
                with starting_processes():
                    in_hand[pool.submit(_draw_visit, task)] = index
            for future in wait(in_hand, return_when=FIRST_COMPLETED).done:
                keep(in_hand.pop(future), future.result())
    if waiting:
        raise KeyboardInterrupt


def _start_drawing() -> None:
    """One thread a process, and Ctrl-C left to the parent."""
    leave_ctrl_c_to_parent()
    cv2.setNumThreads(1)


def _draw_visit(task: _VisitTask) -> _VisitDrawn:
    photos: list[PagePhoto] = []
    overlays: list[Path] = []
    not_drawn: list[str] = []
    items: list[SheetItem] = []
    for one in task.stored:
        measured = one.measurement
        try:
            overlay, thumb, cut = _draw_photo(task, one)
        except (FragareaError, OSError) as problem:
            not_drawn.append(str(problem))
            photos.append(PagePhoto(measured.photo, task.site, task.on, measured.taken_at, measured.doubts))
            continue
        overlays.append(overlay)
        items += cut
        link = overlay.relative_to(task.folder / REPORTS).as_posix()
        photos.append(PagePhoto(measured.photo, task.site, task.on, measured.taken_at, measured.doubts, link, thumb))
    return _VisitDrawn(tuple(photos), tuple(overlays), _write_sheets(task, items), tuple(not_drawn))


def _draw_photo(task: _VisitTask, one: StoredMeasurement) -> tuple[Path, bytes, list[SheetItem]]:
    measured = one.measurement
    photo = read_photo(task.folder / one.path, allow_grey=measured.site.kind is SiteKind.SHAPES)
    if photo.sha256 != measured.sha256:
        raise FragareaError(f"{one.path}: the file has changed since it was measured. Measure it again.")
    picture = draw_overlay(photo.pixels, measured, names=one.names)
    target = _overlay_file(task.folder, one)
    save_picture(picture, target)
    items = [cut_item(photo.pixels, measured, f, fragment_name(f, one.names)) for f in measured.fragments]
    return target, thumbnail(picture, task.photos_on_page), items


def _overlay_file(folder: Path, one: StoredMeasurement) -> Path:
    # names alone may repeat in another folder; a few digits of the hash keep them apart
    stem = file_stem(Path(one.path).stem, one.measurement.sha256[:6])
    return folder / REPORTS / OVERLAYS / file_stem(one.measurement.site.name or "no-site") / f"{stem}.jpg"


def _write_sheets(task: _VisitTask, items: list[SheetItem]) -> tuple[Path, ...]:
    if not items:
        return ()
    day = task.on.isoformat() if task.on else "no-date"

    def target(number: int) -> Path:
        return task.folder / REPORTS / SHEETS / f"{file_stem(task.site or 'no-site', day, str(number))}.jpg"

    pages = draw_contact_sheet(items, title=f"{task.site or 'no site'} · {day}")
    for number, page in enumerate(pages, start=1):
        save_picture(page, target(number))
    # pages that an earlier, longer sheet of this visit left behind would show old outlines
    for number in count(len(pages) + 1):
        if not target(number).is_file():
            break
        target(number).unlink()
    return tuple(target(number) for number in range(1, len(pages) + 1))
