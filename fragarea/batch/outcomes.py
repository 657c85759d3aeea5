"""What measuring one photo comes to: a measurement, or a refusal with its reason."""

from __future__ import annotations

from fragarea.batch.records import Job, Measure, Outcome, PhotoTask
from fragarea.errors import FragareaError, PhotoProblem
from fragarea.measurement import Refusal
from fragarea.photo import photo_hash
from fragarea.photo.files import shown_name


def outcome_of(measure: Measure, task: PhotoTask, job: Job) -> Outcome:
    """What `measure` makes of a photo; whatever goes wrong becomes a refusal, so that the batch goes on."""
    name = shown_name(task.file)
    try:
        return measure(task, job)
    except PhotoProblem as problem:
        kind = type(problem).__name__
        again = not _still_there(task)
        return Refusal(problem.photo, problem.cause, problem.remedy, kind, again, problem.taken_at)
    except FragareaError as problem:
        cause = str(problem).rstrip(".")
        return Refusal(name, cause, "Mend the setting and run the batch again", type(problem).__name__)
    except MemoryError:
        return Refusal(name, "there was not enough memory for it", "Run again with fewer workers", "failed", True)
    except Exception as error:
        cause = f"the program failed on it ({type(error).__name__}: {error})"
        remedy = "Send the photo to the people who maintain the program; the others were measured"
        return Refusal(name, cause, remedy, "failed", try_again=True)


def too_slow(task: PhotoTask, timeout_s: float) -> Refusal:
    """The refusal of a photo that took longer than `timeout_s`."""
    return Refusal(
        shown_name(task.file),
        f"measuring took longer than {timeout_s:.0f} seconds",
        "Try the photo by itself; reduce it if it is very large",
        "too slow",
        try_again=True,
    )


def _still_there(task: PhotoTask) -> bool:
    """Whether the refused file is the one that was planned; one that vanished or changed says nothing about it."""
    try:
        return photo_hash(task.file) == task.sha256
    except PhotoProblem:
        return False
