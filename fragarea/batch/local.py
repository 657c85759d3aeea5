"""Worker processes of this machine.

Each worker has a pipe of its own and at most two photos in hand, so that it never waits for the logbook. The parent
therefore knows which photo a worker was at when it died or took too long: that photo is refused, the other one goes
back, and a new worker takes over.
"""

from __future__ import annotations

import multiprocessing
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from contextlib import suppress
from multiprocessing.connection import Connection, wait
from typing import Any

from fragarea.batch.outcomes import outcome_of, too_slow
from fragarea.batch.processes import leave_ctrl_c_to_parent, starting_processes
from fragarea.batch.records import Job, Measure, Outcome, PhotoTask
from fragarea.errors import FragareaError
from fragarea.measurement import Refusal
from fragarea.photo.files import shown_name

IN_HAND = 2
LOOK_UP_S = 0.2
FAILED_STARTS = 3
_READY = "ready"

Finished = tuple[PhotoTask, Outcome]


class LocalCrew:
    """Processes that measure photos for this one.

    Parameters
    ----------
    job : Job
    measure : callable
        Importable by name.
    workers : int
    photo_timeout_s : float
        Longest time for one photo.
    """

    def __init__(self, job: Job, measure: Measure, workers: int, photo_timeout_s: float) -> None:
        self._job, self._measure = job, measure
        self._size, self._timeout_s = max(1, workers), photo_timeout_s
        self._workers: list[_Worker] = []
        self._failed_starts = 0

    def results(self, tasks: Iterable[PhotoTask], stopping: Callable[[], bool]) -> Iterator[Finished]:
        """Each task with its outcome as they are finished; soon ends once `stopping` says so.

        Raises
        ------
        FragareaError
            If no worker can be started.
        """
        waiting = deque(tasks)
        while not stopping() and (waiting or any(worker.tasks for worker in self._workers)):
            self._hand_out(waiting)
            for worker in self._heard_of():
                yield from self._collect(worker, waiting)
            for worker in [one for one in self._workers if one.is_late(self._timeout_s)]:
                slow = worker.tasks.popleft()
                self._replace(worker, waiting)
                yield slow, too_slow(slow, self._timeout_s)
        for worker in self._workers:
            yield from worker.finished()

    def dismiss(self) -> None:
        """End all workers at once."""
        for worker in self._workers:
            worker.process.kill()
        for worker in self._workers:
            worker.end()
        self._workers.clear()

    def _hand_out(self, waiting: deque[PhotoTask]) -> None:
        while len(self._workers) < min(self._size, len(waiting) + len(self._workers)):
            self._workers.append(_Worker(self._job, self._measure))
        for worker in self._workers:
            if waiting and not worker.tasks:
                worker.hand(waiting.popleft())
        for worker in self._workers:
            # towards the end nobody gets a second photo while another may soon be idle
            while len(worker.tasks) < IN_HAND and len(waiting) > self._size:
                worker.hand(waiting.popleft())

    def _heard_of(self) -> list[_Worker]:
        """Workers that sent something or died, after a short wait at most."""
        by_handle: dict[Any, _Worker] = {worker.pipe: worker for worker in self._workers}
        by_handle |= {worker.process.sentinel: worker for worker in self._workers}
        heard = wait(list(by_handle), timeout=LOOK_UP_S)
        return list(dict.fromkeys(by_handle[handle] for handle in heard))

    def _collect(self, worker: _Worker, waiting: deque[PhotoTask]) -> Iterator[Finished]:
        alive = worker.process.is_alive()  # asked first: what a dead worker sent before is still in the pipe
        yield from worker.finished()
        if worker.ready:
            self._failed_starts = 0
        if alive:
            return
        fatal = worker.tasks.popleft() if worker.ready and worker.tasks else None
        if not worker.ready:
            self._count_failed_start(worker)
        self._replace(worker, waiting)
        if fatal:
            yield fatal, _stopped(fatal)

    def _count_failed_start(self, worker: _Worker) -> None:
        self._failed_starts += 1
        if self._failed_starts >= FAILED_STARTS:
            raise FragareaError(
                f"Worker processes end as soon as they are started (exit code {worker.process.exitcode}). "
                "Look for messages above; is there enough memory? What was measured is kept."
            )

    def _replace(self, worker: _Worker, waiting: deque[PhotoTask]) -> None:
        waiting.extendleft(reversed(worker.tasks))
        worker.end()
        self._workers.remove(worker)


class _Worker:
    """One process, its pipe, and the photos it has in hand, the one it is at first."""

    def __init__(self, job: Job, measure: Measure) -> None:
        # a fresh interpreter: forking a process that has run threads can hang
        context = multiprocessing.get_context("spawn")
        self.pipe, theirs = context.Pipe()
        self.process = context.Process(target=_serve, args=(theirs, measure, job), daemon=True)
        self.tasks: deque[PhotoTask] = deque()
        self.ready = False
        self._at: PhotoTask | None = None
        self._began = 0.0
        with starting_processes():
            self.process.start()
        theirs.close()

    def hand(self, task: PhotoTask) -> None:
        # where it died just now, whoever collects finds out, and the task goes to another
        with suppress(OSError):
            self.pipe.send(task)
        self.tasks.append(task)
        self._look()

    def finished(self) -> Iterator[Finished]:
        """What it has sent by now."""
        try:
            while self.pipe.poll():
                message = self.pipe.recv()
                if isinstance(message, str):
                    self.ready = True
                    self._began = time.monotonic()
                    continue
                task = self.tasks.popleft()
                self._look()
                yield task, message
        except (EOFError, OSError):
            return  # it died, perhaps while sending

    def is_late(self, timeout_s: float) -> bool:
        return self.ready and bool(self.tasks) and time.monotonic() - self._began > timeout_s

    def end(self) -> None:
        self.process.kill()
        self.process.join()
        self.process.close()
        self.pipe.close()

    def _look(self) -> None:
        now = self.tasks[0] if self.tasks else None
        if now is not self._at:
            self._at, self._began = now, time.monotonic()


def _serve(pipe: Connection, measure: Measure, job: Job) -> None:
    """Life of a worker: measure what comes until nobody is at the other end."""
    leave_ctrl_c_to_parent()
    try:
        pipe.send(_READY)
        while True:
            task = pipe.recv()
            pipe.send(outcome_of(measure, task, job))
    except (EOFError, OSError):
        return  # the parent is gone; what it recorded is safe


def _stopped(task: PhotoTask) -> Refusal:
    return Refusal(
        shown_name(task.file),
        "the program that measures it was stopped by the system, perhaps for want of memory",
        "Try again with fewer workers; if it happens again, reduce the photo",
        "stopped",
        try_again=True,
    )
