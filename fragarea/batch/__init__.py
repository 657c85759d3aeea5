"""Many photos: what is new, workers, progress, resume.

``records``   what a batch is given and tells
``files``     photo files under a folder
``describe``  site, settings and names of one photo
``planning``  which photos are new or changed
``worker``    one photo, measured
``outcomes``  a measurement, or a refusal whatever went wrong
``local``     worker processes of this machine
``processes`` how processes are started and stopped
``cluster``   workers of a Dask cluster
``running``   a plan carried out: measurements and refusals into the logbook, Ctrl-C
``history``   areas against earlier visits
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from fragarea.batch.files import find_photos
    from fragarea.batch.history import Plausible, area_jumps, compare_histories
    from fragarea.batch.planning import plan_batch
    from fragarea.batch.records import BatchSummary, Job, PhotoTask, Plan
    from fragarea.batch.running import run_batch
    from fragarea.batch.worker import measure_file

__all__ = [
    "BatchSummary",
    "Job",
    "PhotoTask",
    "Plan",
    "Plausible",
    "area_jumps",
    "compare_histories",
    "find_photos",
    "measure_file",
    "plan_batch",
    "run_batch",
]

# A worker process needs neither SQL nor the planning; loading them would add a third to its start.
_HOMES = {
    "files": ("find_photos",),
    "history": ("Plausible", "area_jumps", "compare_histories"),
    "planning": ("plan_batch",),
    "records": ("BatchSummary", "Job", "PhotoTask", "Plan"),
    "running": ("run_batch",),
    "worker": ("measure_file",),
}


def __getattr__(name: str) -> Any:
    for module, names in _HOMES.items():
        if name in names:
            return getattr(importlib.import_module(f"{__name__}.{module}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
