"""Time of the whole path for a 40-plug tray photo against the JPEG decode alone: ``python -m benchmarks.speed``.

One run, one thread, in processor time, so that other work on the machine counts little. The whole path is from the
file's bytes on disk to the finished measurement record (hash, EXIF, decode, tags, pose, plugs, windows, tissue,
outlines, areas and budgets); overlays and the logbook are not in it.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from typing import Any

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ[_name] = "1"  # read when NumPy is loaded

import cv2
import numpy as np

from benchmarks.truth import ROOT
from fragarea import measure as pipeline
from fragarea.measure import measure_photo
from fragarea.measurement import MeasureSettings
from fragarea.photo import read_photo
from fragarea.reference.layout import load_reference
from fragarea.sites.records import SiteDescription, SiteKind

STAGES = ("find_scale", "light_from_patches", "find_plugs", "cut_windows", "segment_windows")
ROUNDS = 9


class StageClock:
    """Adds up the time spent in named functions of the pipeline."""

    def __init__(self) -> None:
        self.seconds: dict[str, float] = {}

    def wrap(self, name: str, function: Callable[..., Any]) -> Callable[..., Any]:
        """The same function, timed under `name`."""

        def timed(*args: Any, **kwargs: Any) -> Any:
            began = time.process_time()
            try:
                return function(*args, **kwargs)
            finally:
                self.seconds[name] = self.seconds.get(name, 0.0) + time.process_time() - began

        return timed


def main() -> None:
    """Print the ratio for each tray photo of the sample nursery and the split by stage."""
    cv2.setNumThreads(1)
    site = SiteDescription(kind=SiteKind.TRAY, rows=5, columns=8, pitch_mm=27.0)
    layout = load_reference("frame-280x220")
    clock = StageClock()
    for name in STAGES:
        setattr(pipeline, name, clock.wrap(name, getattr(pipeline, name)))
    read = clock.wrap("read_photo", read_photo)
    ratios = []
    for path in sorted((ROOT / "sample_images" / "nursery" / "photos" / "TRAY-1").glob("*tray 1.jpg")):
        data = np.fromfile(path, np.uint8)
        decode, whole = [], []
        clock.seconds.clear()
        for _ in range(ROUNDS):
            began = time.process_time()
            cv2.imdecode(data, cv2.IMREAD_COLOR)
            decode.append(time.process_time() - began)
            began = time.process_time()
            measure_photo(read(path), site, MeasureSettings(), layout=layout)
            whole.append(time.process_time() - began)
        ratio = float(np.median(whole) / np.median(decode))
        ratios.append(ratio)
        print(
            f"{path.name}: decode {1e3 * np.median(decode):.1f} ms, whole path {1e3 * np.median(whole):.1f} ms, "
            f"ratio {ratio:.2f}"
        )
        spent = {name: 1e3 * value / ROUNDS for name, value in clock.seconds.items()}
        rest = 1e3 * float(np.mean(whole)) - sum(spent.values())
        print("   " + ", ".join(f"{name} {value:.1f} ms" for name, value in spent.items()) + f", rest {rest:.1f} ms")
    print(f"median ratio {np.median(ratios):.2f}, largest {max(ratios):.2f} (bar: at most 6)")


if __name__ == "__main__":
    main()
