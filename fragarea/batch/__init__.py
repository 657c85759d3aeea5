"""Many photos: what is new, workers, progress, resume.

``records``   what a batch is given and tells
``describe``  site, settings and names of one photo
``planning``  which photos are new or changed
``worker``    one photo, measured in a worker process
``running``   workers, the logbook, refusals, stops
``history``   areas against earlier visits
"""

from fragarea.batch.history import area_jump, compare_histories
from fragarea.batch.planning import find_photos, plan_batch
from fragarea.batch.records import BatchSummary, Job, PhotoTask, Plan
from fragarea.batch.running import run_batch
from fragarea.batch.worker import measure_file

__all__ = [
    "BatchSummary",
    "Job",
    "PhotoTask",
    "Plan",
    "area_jump",
    "compare_histories",
    "find_photos",
    "measure_file",
    "plan_batch",
    "run_batch",
]
