"""Measure the photos of a plan; every finished photo is in the logbook at once."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from fragarea.batch.describe import job_hash, names_on, site_of_path
from fragarea.batch.history import compare_histories
from fragarea.batch.local import LocalCrew
from fragarea.batch.processes import ctrl_c_noted
from fragarea.batch.records import BatchSummary, Crew, Job, Measure, PhotoTask, Plan
from fragarea.batch.worker import measure_file
from fragarea.logbook import Logbook, Refusal, record, record_refusal
from fragarea.measurement import PhotoMeasurement

if TYPE_CHECKING:
    from fragarea.growth import MixUp

PHOTO_TIMEOUT_S = 300.0
LOOK_WEIGHT = 2

Progress = Callable[[int, int], None]


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
    scheduler: str | None = None,
    on_progress: Progress | None = None,
    measure: Measure = measure_file,
    photo_timeout_s: float = PHOTO_TIMEOUT_S,
) -> BatchSummary:
    """Measure every photo of a plan and record it.

    Only this process writes to the logbook, one transaction a photo, so that stopping or killing the program at any
    moment loses no finished photo. A photo that kills its worker or takes too long is refused, and the rest goes on.
    The numbers do not depend on how many workers there are.

    Parameters
    ----------
    plan : Plan
    logbook : Logbook
    job : Job
    workers : int
        Processes of this machine.
    scheduler : str, optional
        Address of a Dask cluster's scheduler, whose workers measure instead.
    on_progress : callable, optional
        Called with photos done and photos in all.
    measure : callable
        What a worker does with a task.
    photo_timeout_s : float
        Longest time for one photo.

    Returns
    -------
    BatchSummary
        With ``interrupted`` set after Ctrl-C; what was finished is kept.

    Raises
    ------
    LogbookProblem
        If the logbook cannot be written any more.
    SettingsProblem
        If no cluster answers.
    FragareaError
        If no worker can be started.
    """
    tally = _Tally()
    for path, refusal in plan.refused:
        record_refusal(logbook, refusal, path=path, site=site_of_path(job, path))
        _count_refusal(tally, path, refusal)
    interrupted = False
    if plan.tasks:
        interrupted = _measure_all(
            plan, logbook, job, _crew(job, measure, workers, scheduler, photo_timeout_s), tally, on_progress
        )
    exchanges = () if interrupted else _compare_visits(logbook, job)
    return BatchSummary(
        measured=tuple(tally.measured),
        doubtful=tuple(tally.doubtful),
        refused=tuple(tally.refused),
        refused_paths=tuple(tally.refused_paths),
        unchanged=plan.unchanged,
        duplicates=plan.duplicates,
        left=len(plan.tasks) + len(plan.refused) - tally.done,
        interrupted=interrupted,
        refused_before=plan.refused_before,
        exchanges=exchanges,
    )


def _compare_visits(logbook: Logbook, job: Job) -> tuple[MixUp, ...]:
    """Keep the doubts that come of comparing what was measured with other visits; gives the likely exchanges."""
    from fragarea.growth.exchanges import doubt_exchanges  # loads much that no worker needs

    return doubt_exchanges(logbook, job.tables) if compare_histories(logbook) else ()


def needs_look(measurement: PhotoMeasurement) -> bool:
    """Whether a doubt about the photo or one of its fragments asks for a look."""
    doubts = [*measurement.doubts, *(doubt for part in measurement.fragments for doubt in part.doubts)]
    return any(doubt.kind.weight >= LOOK_WEIGHT for doubt in doubts)


def _crew(job: Job, measure: Measure, workers: int, scheduler: str | None, photo_timeout_s: float) -> Crew:
    if scheduler is None:
        return LocalCrew(job, measure, workers, photo_timeout_s)
    from fragarea.batch.cluster import ClusterCrew

    return ClusterCrew(job, measure, scheduler, photo_timeout_s)


def _measure_all(
    plan: Plan, logbook: Logbook, job: Job, crew: Crew, tally: _Tally, on_progress: Progress | None
) -> bool:
    """Record outcomes as they come; returns whether the run was stopped by Ctrl-C with photos left."""
    refused_under = job_hash(job)
    done = 0
    try:
        with ctrl_c_noted() as stopping:
            for task, outcome in crew.results(plan.tasks, stopping):
                if isinstance(outcome, Refusal):
                    _keep_refusal(logbook, job, task, outcome, refused_under)
                    _count_refusal(tally, task.path, outcome)
                else:
                    _keep_measurement(logbook, job, task, outcome, again=plan.again)
                    tally.measured.append(task.path)
                    tally.doubtful += [task.path] if needs_look(outcome) else []
                done += 1
                if on_progress:
                    on_progress(done, len(plan.tasks))
            return stopping() and done < len(plan.tasks)
    finally:
        crew.dismiss()


def _keep_measurement(
    logbook: Logbook, job: Job, task: PhotoTask, measurement: PhotoMeasurement, *, again: bool
) -> None:
    day = measurement.taken_at.date() if measurement.taken_at else None
    labels = [fragment.label for fragment in measurement.fragments if fragment.label]
    names = names_on(job.tables, measurement.site.name, day, labels)
    record(logbook, measurement, path=task.path, names=names, also_at=task.also_at, again=again)


def _keep_refusal(logbook: Logbook, job: Job, task: PhotoTask, refusal: Refusal, refused_under: str) -> None:
    record_refusal(
        logbook,
        refusal,
        path=task.path,
        sha256=task.sha256,
        site=site_of_path(job, task.path),
        settings_hash=refused_under,
        also_at=task.also_at,
    )


def _count_refusal(tally: _Tally, path: str, refusal: Refusal) -> None:
    tally.refused.append(refusal)
    tally.refused_paths.append(path)
