"""Runs batches in processes that a test may kill: ``python -m tests.batch.runner``.

Reads lines ``FOLDER<tab>WORKERS`` and forks for each, so that the libraries are loaded once. Writes ``start PID``,
then ``done N`` for every recorded photo, and ``end STATUS`` (exit code, or minus the number of the signal).
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

from fragarea.batch import BatchSummary, find_photos, plan_batch, run_batch
from fragarea.logbook import open_logbook
from tests.batch.fakes import job_for, measure_text


def run(folder: Path, workers: int) -> BatchSummary:
    """One batch, as the command runs it."""
    with open_logbook(folder / "logbook.sqlite") as logbook:
        job = job_for(folder)
        plan = plan_batch(find_photos([folder / "photos"]), logbook, job)
        return run_batch(plan, logbook, job, workers=workers, measure=measure_text, on_progress=_tell)


def _tell(done: int, _total: int) -> None:
    print(f"done {done}", flush=True)


def _serve() -> None:
    for line in sys.stdin:
        folder, workers = line.rstrip("\n").split("\t")
        child = os.fork()
        if child == 0:
            os._exit(run(Path(folder), int(workers)).exit_code)
        print(f"start {child}", flush=True)
        _, status = os.waitpid(child, 0)
        print(f"end {os.waitstatus_to_exitcode(status)}", flush=True)


if __name__ == "__main__":
    _serve()
