"""Two workers against one on 40 photos, and a worker's peak memory: ``python -m benchmarks.batch``.

The whole batch is timed, from planning to the last row in the logbook, start of the workers included; reports are not
in it. Rounds with one and two workers take turns, and the medians are compared, so that other work on the machine
weighs on both. Memory is the highest resident size of each worker process (``VmHWM``), against the decoded photo
(three bytes a pixel): in all, and above what the worker held when it was ready for its first photo.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from benchmarks.truth import ROOT
from fragarea.batch import Job, PhotoTask, find_photos, measure_file, plan_batch, run_batch
from fragarea.logbook import StoredMeasurement, current_measurements, open_logbook
from fragarea.measurement import MeasureSettings, PhotoMeasurement
from fragarea.nursery import load_nursery, load_tables

SAMPLE = ROOT / "sample_images" / "nursery"
PHOTOS = 40
NOTES = "BATCH_BENCHMARK_NOTES"
_ready_bytes = 0


def measure_and_note(task: PhotoTask, job: Job) -> PhotoMeasurement:
    """Measure a photo and write down this process's memory."""
    global _ready_bytes
    _ready_bytes = _ready_bytes or resident_bytes("VmRSS")
    measurement = measure_file(task, job)
    note = {
        "ready": _ready_bytes,
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
    """The sample nursery with forty tray photos of different content."""
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


def run(folder: Path, workers: int) -> tuple[float, list[StoredMeasurement]]:
    """Seconds that a batch takes with a new logbook, and what it recorded."""
    nursery = load_nursery(folder)
    job = Job(nursery, load_tables(nursery), MeasureSettings())
    file = folder / "logbook.sqlite"
    with open_logbook(file) as logbook:
        began = time.perf_counter()
        plan = plan_batch(find_photos([folder / "photos"]), logbook, job)
        summary = run_batch(plan, logbook, job, workers=workers, measure=measure_and_note)
        seconds = time.perf_counter() - began
        stored = current_measurements(logbook)
    if len(summary.measured) != PHOTOS:
        sys.exit(f"only {len(summary.measured)} of {PHOTOS} measured: {[str(one) for one in summary.refused]}")
    for part in folder.glob("logbook.sqlite*"):
        part.unlink()
    return seconds, stored


def numbers(stored: list[StoredMeasurement]) -> list[tuple[object, ...]]:
    """Every area and its uncertainty, to the last digit."""
    return [
        (one.path, part.position, part.live.area_mm2, part.live.area_u_mm2, part.outline_live.wkb)
        for one in stored
        for part in one.measurement.fragments
    ]


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
        one, two, same = [], [], True
        for _ in range(options.rounds):
            seconds, alone = run(folder, 1)
            one.append(seconds)
            seconds, together = run(folder, 2)
            two.append(seconds)
            same &= numbers(alone) == numbers(together)
            print(f"{PHOTOS} photos: 1 worker {one[-1]:.2f} s, 2 workers {two[-1]:.2f} s, {one[-1] / two[-1]:.2f}x")
        ratio = float(np.median(one) / np.median(two))
        print(f"2 workers are {ratio:.2f} times as fast as 1 (bar: 1.7); same numbers: {'yes' if same else 'NO'}")
        peaks = [(note["peak"], note["peak"] - note["ready"], note["decoded"]) for note in notes(memory)]
        peak, above, decoded = max(peaks)
        print(
            f"peak memory of a worker {peak / 1e6:.0f} MB, {peak / decoded:.1f} times the decoded photo of "
            f"{decoded / 1e6:.0f} MB (bar: 6); {above / 1e6:.0f} MB of it, {above / decoded:.1f} times, for photos"
        )


if __name__ == "__main__":
    main()
