"""Measure the photos of a plan in worker processes; every finished photo is in the logbook at once."""

from __future__ import annotations

import multiprocessing
import time
from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass, field

from fragarea.batch.describe import names_on
from fragarea.batch.history import compare_histories
from fragarea.batch.planning import expected_hash
from fragarea.batch.records import BatchSummary, Job, PhotoTask, Plan
from fragarea.batch.worker import measure_in_worker, start_worker
from fragarea.doubts import Doubt
from fragarea.errors import FragareaError, PhotoProblem
from fragarea.logbook import Logbook, Refusal, record, record_refusal
from fragarea.measurement import PhotoMeasurement

PHOTO_TIMEOUT_S = 300.0
LOOK_WEIGHT = 2

Progress = Callable[[int, int], None]
Measure = Callable[[PhotoTask], PhotoMeasurement]
Outcome = PhotoMeasurement | Refusal


@dataclass
class _Tally:
    measured: list[str] = field(default_factory=list)
    doubtful: list[str] = field(default_factory=list)
    refused: list[Refusal] = field(default_factory=list)
    refused_paths: list[str] = field(default_factory=list)

    @property
    def done(self) -> int:
        return len(self.measured) + len(self.refused)


def run_batch(
    plan: Plan,
    logbook: Logbook,
    job: Job,
    *,
    workers: int = 1,
    on_progress: Progress | None = None,
    measure: Measure = measure_in_worker,
    photo_timeout_s: float = PHOTO_TIMEOUT_S,
) -> BatchSummary:
    """Measure every photo of a plan and record it.

    Only this process writes to the logbook, one transaction a photo, so that stopping or killing the program at any
    moment loses no finished photo. A photo that kills its worker or takes too long is refused, and the rest goes on.

    Parameters
    ----------
    plan : Plan
    logbook : Logbook
    job : Job
    workers : int
    on_progress : callable, optional
        Called with photos done and photos in all.
    measure : callable
        Picklable; what a worker does with a task.
    photo_timeout_s : float
        Longest time for one photo.

    Returns
    -------
    BatchSummary
        With ``interrupted`` set after Ctrl-C; what was finished is kept.
    """
    tally = _Tally()
    for path, refusal in plan.unreadable:
        record_refusal(logbook, refusal, path=path)
        tally.refused.append(refusal)
        tally.refused_paths.append(path)
    crew = _Crew(job, workers, measure, photo_timeout_s)
    interrupted = False
    try:
        for task, outcome in crew.results(plan.tasks):
            _keep(logbook, job, task, outcome, tally)
            if on_progress:
                on_progress(tally.done - len(plan.unreadable), len(plan.tasks))
    except KeyboardInterrupt:
        interrupted = True
    finally:
        crew.dismiss()
    compare_histories(logbook)
    return BatchSummary(
        measured=tuple(tally.measured),
        doubtful=tuple(tally.doubtful),
        refused=tuple(tally.refused),
        refused_paths=tuple(tally.refused_paths),
        unchanged=plan.unchanged,
        duplicates=plan.duplicates,
        left=len(plan.tasks) + len(plan.unreadable) - tally.done,
        interrupted=interrupted,
    )


def _keep(logbook: Logbook, job: Job, task: PhotoTask, outcome: Outcome, tally: _Tally) -> None:
    if isinstance(outcome, Refusal):
        record_refusal(
            logbook,
            outcome,
            path=task.path,
            sha256=task.sha256,
            settings_hash=_hash_or_none(task, job),
            also_at=task.also_at,
        )
        tally.refused.append(outcome)
        tally.refused_paths.append(task.path)
        return
    day = outcome.taken_at.date() if outcome.taken_at else None
    labels = [fragment.label for fragment in outcome.fragments if fragment.label]
    names = names_on(job.tables, outcome.site.name, day, labels)
    record(logbook, outcome, path=task.path, names=names, also_at=task.also_at, again=True)
    tally.measured.append(task.path)
    if needs_look(outcome):
        tally.doubtful.append(task.path)


def needs_look(measurement: PhotoMeasurement) -> bool:
    """Whether a doubt about the photo or one of its fragments asks for a look."""
    doubts: list[Doubt] = [*measurement.doubts, *(d for f in measurement.fragments for d in f.doubts)]
    return any(doubt.kind.weight >= LOOK_WEIGHT for doubt in doubts)


def _hash_or_none(task: PhotoTask, job: Job) -> str:
    try:
        return expected_hash(task, None, job)
    except FragareaError:
        return ""


class _Crew:
    """Worker processes that are replaced when one of them dies."""

    def __init__(self, job: Job, workers: int, measure: Measure, photo_timeout_s: float) -> None:
        self._job, self._workers, self._measure = job, max(1, workers), measure
        self._timeout_s = photo_timeout_s
        self._pool: ProcessPoolExecutor | None = None

    def results(self, tasks: tuple[PhotoTask, ...]) -> Iterator[tuple[PhotoTask, Outcome]]:
        """Pairs of task and outcome as they are finished."""
        waiting, alone = deque(tasks), deque[PhotoTask]()
        running: dict[Future[PhotoMeasurement], tuple[PhotoTask, float]] = {}
        while waiting or running or alone:
            # photos that were in hand when a worker died are tried one at a time, to find the one that kills
            limit = 1 if alone else self._workers
            source = alone or waiting
            while source and len(running) < limit:
                task = source.popleft()
                running[self._submit(task)] = (task, time.monotonic())
                source = alone or waiting
                if alone:
                    break
            finished, _ = wait(running, timeout=1.0, return_when=FIRST_COMPLETED)
            late = [f for f, (_, began) in running.items() if time.monotonic() - began > self._timeout_s]
            if late and not finished:
                yield from self._end_late(late, running, alone)
                continue
            for future in finished:
                task, _ = running.pop(future)
                try:
                    yield task, future.result()
                except PhotoProblem as problem:
                    yield task, Refusal(problem.photo, problem.cause, problem.remedy, type(problem).__name__)
                except BrokenProcessPool:
                    suspects = [task, *(other for other, _ in running.values())]
                    running.clear()
                    self.dismiss()
                    if len(suspects) == 1:
                        yield task, _stopped(task)
                    else:
                        alone.extend(suspects)
                    break
                except Exception as error:
                    yield task, _failed(task, error)

    def _end_late(
        self,
        late: list[Future[PhotoMeasurement]],
        running: dict[Future[PhotoMeasurement], tuple[PhotoTask, float]],
        alone: deque[PhotoTask],
    ) -> Iterator[tuple[PhotoTask, Outcome]]:
        """A worker cannot be stopped by itself: all are, and the photos in hand that were not late begin anew."""
        self.dismiss()
        slow = [running[future][0] for future in late]
        alone.extend(task for task, _ in running.values() if task not in slow)
        running.clear()
        for task in slow:
            yield (
                task,
                Refusal(
                    task.file.name,
                    f"measuring took longer than {self._timeout_s:.0f} seconds",
                    "Try the photo by itself; reduce it if it is very large",
                    "too slow",
                ),
            )

    def _submit(self, task: PhotoTask) -> Future[PhotoMeasurement]:
        if self._pool is None:
            self._pool = ProcessPoolExecutor(
                self._workers,
                # a fresh interpreter: forking a process that has run OpenCV threads can hang
                mp_context=multiprocessing.get_context("spawn"),
                initializer=start_worker,
                initargs=(self._job,),
            )
        return self._pool.submit(self._measure, task)

    def dismiss(self) -> None:
        """End all workers at once."""
        if self._pool is None:
            return
        processes = list((self._pool._processes or {}).values())
        self._pool.shutdown(wait=False, cancel_futures=True)
        for process in processes:
            process.kill()
        for process in processes:
            process.join()
        self._pool = None


def _stopped(task: PhotoTask) -> Refusal:
    return Refusal(
        task.file.name,
        "the program that measures it was stopped by the system, perhaps for want of memory",
        "Try again with fewer workers; if it happens again, reduce the photo",
        "stopped",
        try_again=True,
    )


def _failed(task: PhotoTask, error: Exception) -> Refusal:
    return Refusal(
        task.file.name,
        f"measuring failed ({type(error).__name__}: {error})",
        "Send the photo to the people who maintain the program; the others were measured",
        "failed",
        try_again=True,
    )
