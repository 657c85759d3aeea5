"""A nursery of text files and a measuring function that reads areas out of them; workers import it by name."""

from __future__ import annotations

import hashlib
import os
import signal
import time
from collections.abc import Mapping
from dataclasses import replace
from datetime import datetime
from pathlib import Path

from fragarea.batch import Job, PhotoTask
from fragarea.batch.describe import describe
from fragarea.doubts import Doubt
from fragarea.errors import SettingsProblem, ViewUnusable
from fragarea.measurement import MeasureSettings, PhotoMeasurement
from fragarea.nursery import load_nursery, load_tables, site_for_photo
from fragarea.photo.names import date_in_name
from tests.logbook.samples import fragment, measured

NURSERY = """
name = "Invented"
[sites.TRAY-1]
kind = "tray"
rows = 5
columns = 8
pitch_mm = 27.0
[sites.TRAY-2]
kind = "tray"
"""

FRAGMENTS = "fragment,species,genotype\nF1,massive,G1\nF2,massive,G2\n"
PLACEMENTS = "fragment,site,row,column,from,to\nF1,TRAY-1,1,1,2026-01-01,\nF2,TRAY-1,1,2,2026-01-01,\n"


def make_nursery(folder: Path, photos: Mapping[str, str] | None = None) -> Path:
    """A nursery folder whose photos hold the given texts."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "nursery.toml").write_text(NURSERY, encoding="utf-8")
    (folder / "fragments.csv").write_text(FRAGMENTS, encoding="utf-8")
    (folder / "placements.csv").write_text(PLACEMENTS, encoding="utf-8")
    for name, text in (photos or {}).items():
        write_photo(folder, name, text)
    return folder


def write_photo(folder: Path, name: str, text: str) -> Path:
    """A photo that was copied there a while ago."""
    file = folder / "photos" / name
    file.parent.mkdir(parents=True, exist_ok=True)
    file.write_text(text, encoding="utf-8")
    earlier = time.time() - 3600
    os.utime(file, (earlier, earlier))
    return file


def job_for(folder: Path, **changes: object) -> Job:
    """What a batch of this nursery is given."""
    nursery = load_nursery(folder)
    return replace(Job(nursery, load_tables(nursery), MeasureSettings()), **changes)


def measure_text(task: PhotoTask, job: Job) -> PhotoMeasurement:
    """Do what the photo's text says: ``area 100``, ``wait 0.1``, ``refuse``, ``crash``, ``hang``, ``fault`` ..."""
    text = task.file.read_text(encoding="utf-8")
    area_mm2, doubts = 100.0, (Doubt("print_unchecked"),)
    for line in text.splitlines():
        word, _, value = line.partition(" ")
        if word == "area":
            area_mm2 = float(value)
        elif word == "wait":
            time.sleep(float(value))
        elif word == "doubt":
            doubts = (*doubts, Doubt(value))
        elif word in DEEDS:
            DEEDS[word](task)
    named = date_in_name(task.file.name)
    taken = job.taken_at or named
    described = describe(job, site_for_photo(job.nursery, task.file, option=job.site), _day(taken))
    return measured(
        photo=task.file.name,
        sha256=hashlib.sha256(text.encode()).hexdigest(),
        taken_at=taken,
        taken_at_source="option" if job.taken_at else "file name" if named else "unknown",
        site=described.site,
        settings=described.settings,
        fragments=(fragment((1, 1), area_mm2), fragment((1, 2), 80.0)),
        doubts=doubts,
    )


def _day(taken: datetime | None):
    return taken.date() if taken else None


def _refuse(task: PhotoTask) -> None:
    raise ViewUnusable(task.file.name, "the photo is blurred", "Hold still and retake")


def _crash(task: PhotoTask) -> None:
    os.kill(os.getpid(), signal.SIGKILL)


def _hang(task: PhotoTask) -> None:
    while True:
        time.sleep(1)


def _fault(task: PhotoTask) -> None:
    raise ZeroDivisionError("a mistake of the program")


def _starve(task: PhotoTask) -> None:
    raise MemoryError


def _misconfigure(task: PhotoTask) -> None:
    raise SettingsProblem("reference 'x' is not known.")


def _vanish(task: PhotoTask) -> None:
    task.file.unlink()
    raise ViewUnusable(task.file.name, "there is no such file", "Check its name")


def _interrupt(task: PhotoTask) -> None:
    os.kill(os.getpid(), signal.SIGINT)


DEEDS = {
    "refuse": _refuse,
    "crash": _crash,
    "hang": _hang,
    "fault": _fault,
    "starve": _starve,
    "misconfigure": _misconfigure,
    "vanish": _vanish,
    "interrupt": _interrupt,
}
