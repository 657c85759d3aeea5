"""Two workers against one on 40 photos, and a worker's peak memory: ``python -m benchmarks.batch``.

The whole batch is timed, from planning to the last row in the logbook, start of the workers included; reports are not
in it. Rounds with one and two workers take turns, and the quickest of each are compared, because other work on the
machine only ever adds. Processor time stands beside: where it is far below the time times the workers, other work had
the cores. Memory is the highest resident size of each worker process (``VmHWM``), against the decoded photo (three
bytes a pixel): in all, above what the worker held before its first photo, and above what it holds between photos.

Workers import this module too, so what only the parent needs is imported where it is used: they start as those of the
command do.

The forty photos are the five tray photos of the sample nursery, each eight times with another comment in its JPEG
file: forty contents to the program, which knows photos by the hash of their bytes, but no more variety than five.
"""

from __future__ import annotations

import argparse
import gc
import json
import os
import resource
import shutil
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from benchmarks.truth import ROOT
from fragarea.batch.records import Job, PhotoTask
from fragarea.batch.worker import measure_file
from fragarea.measurement import MeasureSettings, PhotoMeasurement
from fragarea.nursery import load_nursery, load_tables

if TYPE_CHECKING:
    from fragarea.logbook import StoredMeasurement

SAMPLE = ROOT / "sample_images" / "nursery"
PHOTOS = 40
NOTES = "BATCH_BENCHMARK_NOTES"
_ready_bytes = 0
_between_bytes = 0


def measure_and_note(task: PhotoTask, job: Job) -> PhotoMeasurement:
    """Measure a photo and write down this process's memory."""
    global _ready_bytes, _between_bytes
    _ready_bytes = _ready_bytes or resident_bytes("VmRSS")
    measurement = measure_file(task, job)
    if not _between_bytes:
        gc.collect()
        _between_bytes = resident_bytes("VmRSS")
    note = {
        "ready": _ready_bytes,
        "between": _between_bytes,
        "peak": resident_bytes("VmHWM"),
        "decoded": 3 * measurement.width_px * measurement.height_px,
    }
    Path(os.environ[NOTES], f"{os.getpid()}.json").write_text(json.dumps(note))
    return measurement


def resident_bytes(field: str) -> int:
    """A field of this process's memory; unlike getrusage, it starts anew with the program."""
    lines = Path("/proc/self/status").read_text().splitlines()
    return 1024 * int(next(line.split()[1] for line in lines if line.startswith(field)))


def make_nursery(folder: Path) -> None:
    """The sample nursery with forty tray photos: its five, told apart by a comment in the file."""
    for name in ("nursery.toml", "fragments.csv", "placements.csv"):
        shutil.copy(SAMPLE / name, folder / name)
    tray = folder / "photos" / "TRAY-1"
    tray.mkdir(parents=True)
    sources = sorted((SAMPLE / "photos" / "TRAY-1").glob("*tray 1.jpg"))
    for number in range(PHOTOS):
        source = sources[number % len(sources)]
        data = source.read_bytes()
        remark = f"copy {number}".encode()
        segment = b"\xff\xfe" + (len(remark) + 2).to_bytes(2, "big") + remark  # a comment after the start marker
        (tray / f"{source.stem} {number:02d}.jpg").write_bytes(data[:2] + segment + data[2:])


@dataclass(frozen=True)
class Run:
    """One batch: its time, its processor time with all workers, and what it recorded."""

    seconds: float
    processor_s: float
    stored: list[StoredMeasurement]


def run(folder: Path, workers: int) -> Run:
    """Measure the nursery into a new logbook."""
    from fragarea.batch import find_photos, plan_batch, run_batch
    from fragarea.logbook import current_measurements, open_logbook

    nursery = load_nursery(folder)
    job = Job(nursery, load_tables(nursery), MeasureSettings())
    with open_logbook(folder / "logbook.sqlite") as logbook:
        began, used = time.perf_counter(), processor_s()
        plan = plan_batch(find_photos([folder / "photos"]), logbook, job)
        summary = run_batch(plan, logbook, job, workers=workers, measure=measure_and_note)
        took = (time.perf_counter() - began, processor_s() - used)
        stored = current_measurements(logbook)
    if len(summary.measured) != PHOTOS:
        sys.exit(f"only {len(summary.measured)} of {PHOTOS} measured: {[str(one) for one in summary.refused]}")
    for part in folder.glob("logbook.sqlite*"):
        part.unlink()
    return Run(*took, stored)


def processor_s() -> float:
    """Processor time of this process and of its workers that have ended."""
    both = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    return sum(one.ru_utime + one.ru_stime for one in both)


def largest_difference(alone: list[StoredMeasurement], together: list[StoredMeasurement]) -> float:
    """Largest relative difference of any area or uncertainty; infinite where fragments or states differ."""
    pairs = [(numbers(one), numbers(other)) for one, other in zip(alone, together, strict=True)]
    if any(list(one) != list(other) for one, other in pairs):
        return float("inf")
    first, second = (np.array([each[side][key] for each in pairs for key in each[0]]) for side in (0, 1))
    return float((np.abs(first - second) / np.maximum(np.abs(first), 1e-9)).max())


def numbers(stored: StoredMeasurement) -> dict[object, list[float]]:
    """Area, its uncertainty, bleached and dead by place and state."""
    return {
        (stored.path, part.position, part.status): [
            part.live.area_mm2,
            part.live.area_u_mm2,
            part.bleached_mm2,
            part.dead_mm2,
        ]
        for part in stored.measurement.fragments
    }


def notes(folder: Path) -> Iterator[dict[str, int]]:
    """What the workers wrote down."""
    for file in folder.glob("*.json"):
        yield json.loads(file.read_text())


def main() -> None:
    """Print both figures."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--rounds", type=int, default=3, help="of each (default 3)")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as place:
        folder, memory = Path(place, "nursery"), Path(place, "memory")
        folder.mkdir()
        memory.mkdir()
        os.environ[NOTES] = str(memory)
        make_nursery(folder)
        one, two = [], []
        for _ in range(options.rounds):
            one.append(run(folder, 1))
            two.append(run(folder, 2))
            print(
                f"{PHOTOS} photos: 1 worker {one[-1].seconds:.2f} s (processor {one[-1].processor_s:.2f}), "
                f"2 workers {two[-1].seconds:.2f} s (processor {two[-1].processor_s:.2f})"
            )
        ratio = min(each.seconds for each in one) / min(each.seconds for each in two)
        difference = max(largest_difference(one[0].stored, each.stored) for each in two)
        print(f"2 workers are {ratio:.2f} times as fast as 1 (bar: 1.7)")
        print(f"largest relative difference of any area or uncertainty: {difference:.1g}")
        worst = max(notes(memory), key=lambda note: note["peak"] / note["decoded"])
        peak, decoded = worst["peak"], worst["decoded"]
        print(
            f"peak memory of a worker {peak / 1e6:.0f} MB, {peak / decoded:.1f} times the decoded photo of "
            f"{decoded / 1e6:.0f} MB (bar: 6); above its start {(peak - worst['ready']) / decoded:.1f} times, "
            f"above what it holds between photos {(peak - worst['between']) / decoded:.1f} times"
        )


if __name__ == "__main__":
    main()
