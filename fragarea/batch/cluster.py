"""Workers of a Dask cluster, named by its scheduler's address.

Photos are opened by the workers under the same paths as here, so the nursery folder must lie on a disk that all
machines share. Only this process writes to the logbook.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from typing import Any

from fragarea.batch.outcomes import outcome_of, too_slow
from fragarea.batch.records import Job, Measure, Outcome, PhotoTask
from fragarea.errors import SettingsProblem
from fragarea.measurement import Refusal
from fragarea.photo.files import shown_name

CONNECT_S = 10.0
LOOK_UP_S = 0.5
IN_HAND = 2


class ClusterCrew:
    """Dask workers that measure photos for this process.

    Parameters
    ----------
    job : Job
    measure : callable
        Importable by name on the workers.
    scheduler : str
        Address, for example ``tcp://10.0.0.5:8786``.
    photo_timeout_s : float
        Longest time for one photo. How long one waits behind another is not known here, so a photo is given up when
        as many as a worker has in hand would be late; the worker itself cannot be stopped in the middle of it.

    Raises
    ------
    SettingsProblem
        If Dask is not installed or no scheduler answers.
    """

    def __init__(self, job: Job, measure: Measure, scheduler: str, photo_timeout_s: float) -> None:
        try:
            import distributed
        except ImportError as error:
            raise SettingsProblem(
                "A cluster needs the package 'distributed', which is not installed. "
                "Install it with: pip install 'fragarea[cluster]'"
            ) from error
        try:
            self._client: Any = distributed.Client(scheduler, timeout=CONNECT_S, set_as_default=False)
        except (OSError, ValueError, TimeoutError) as error:
            raise SettingsProblem(
                f"No Dask scheduler answers at {scheduler} ({error}). Check the address and that it runs."
            ) from error
        self._wait = distributed.wait
        self._measure = measure
        self._job = self._client.scatter(job, hash=False, broadcast=True)
        self._timeout_s = photo_timeout_s
        self._futures: dict[Any, tuple[PhotoTask, float]] = {}

    def results(
        self, tasks: Iterable[PhotoTask], stopping: Callable[[], bool]
    ) -> Iterator[tuple[PhotoTask, Outcome]]:
        """Each task with its outcome as they are finished; soon ends once `stopping` says so."""
        waiting = deque(tasks)
        while not stopping() and (waiting or self._futures):
            # asked each time: workers come and go
            room = IN_HAND * max(1, sum(self._client.nthreads().values()))
            while waiting and len(self._futures) < room:
                task = waiting.popleft()
                future = self._client.submit(_on_worker, self._measure, task, self._job, pure=False, retries=0)
                self._futures[future] = task, time.monotonic()
            for future in self._finished():
                task, _ = self._futures.pop(future)
                yield task, _outcome(future, task)
            for future in self._late():
                task, _ = self._futures.pop(future)
                self._client.cancel([future], force=True)
                yield task, too_slow(task, self._timeout_s)

    def dismiss(self) -> None:
        """Cancel what is in hand and let go of the cluster."""
        self._client.cancel(list(self._futures), force=True)
        self._futures.clear()
        self._client.close()

    def _finished(self) -> list[Any]:
        try:
            with self._client.as_current():
                return list(self._wait(list(self._futures), LOOK_UP_S, "FIRST_COMPLETED").done)
        except TimeoutError:
            return []

    def _late(self) -> list[Any]:
        patience = time.monotonic() - IN_HAND * self._timeout_s
        return [future for future, (_, began) in self._futures.items() if began < patience]


def _on_worker(measure: Measure, task: PhotoTask, job: Job) -> Outcome:
    import cv2

    cv2.setNumThreads(1)
    return outcome_of(measure, task, job)


def _outcome(future: Any, task: PhotoTask) -> Outcome:
    error = future.exception()
    if error is None:
        outcome: Outcome = future.result()
        return outcome
    return Refusal(
        shown_name(task.file),
        f"the cluster did not finish it ({type(error).__name__})",
        "Run the batch again; if it happens again, measure the photo on this machine",
        "stopped",
        try_again=True,
    )
