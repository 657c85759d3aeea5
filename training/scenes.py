"""Learning windows from the rendered scenes: ``python -m training.scenes --to FOLDER`` (``dev`` only)."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt
from shapely import MultiPolygon

from benchmarks.truth import TrueFragment, TruePhoto, true_photos
from training.dataset import LearningWindow, write_window

MM_PER_PX = 0.2
SIDE_PX = 208  # 42 mm: a 32 mm plug with some surroundings, and room to turn and shrink it


def cut(
    scene: TruePhoto, image: npt.NDArray[np.uint8], centre_mm: npt.ArrayLike, height_mm: float
) -> npt.NDArray[np.uint8]:
    """Rectified ``(SIDE_PX, SIDE_PX, 3)`` window of a scene around a point of its reference plane."""
    steps = (np.arange(SIDE_PX) - (SIDE_PX - 1) / 2) * MM_PER_PX
    x, y = np.meshgrid(steps, steps)
    points = np.column_stack([x.ravel(), y.ravel()]) + np.asarray(centre_mm, dtype=float)
    pixels = scene.pose.project(points, height_mm).astype(np.float32).reshape(SIDE_PX, SIDE_PX, 2)
    return cv2.remap(image, pixels[..., 0], pixels[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)


def rasterise(fragments: tuple[TrueFragment, ...], centre_mm: npt.ArrayLike) -> npt.NDArray[np.uint8]:
    """Labels of a window: dead first, live over it, bleached over that."""
    labels = np.zeros((SIDE_PX, SIDE_PX), np.uint8)
    for name, value in (("dead", 3), ("live", 1), ("bleached", 2)):
        for fragment in fragments:
            _fill(labels, getattr(fragment, name), value, np.asarray(centre_mm, dtype=float))
    return labels


def _fill(labels: npt.NDArray[np.uint8], shape: MultiPolygon, value: int, centre_mm: npt.NDArray[np.float64]) -> None:
    shift = 4  # fixed-point bits: sub-pixel vertices
    for polygon in shape.geoms:
        rings = [
            np.round(((np.array(ring.coords) - centre_mm) / MM_PER_PX + (SIDE_PX - 1) / 2) * 2**shift).astype(
                np.int32
            )
            for ring in (polygon.exterior, *polygon.interiors)
        ]
        cv2.fillPoly(labels, rings, value, lineType=cv2.LINE_8, shift=shift)


def scene_windows(*, seed: int = 0) -> Iterator[LearningWindow]:
    """Windows of every scene: one a plug on trays and singles, a grid of them over pads, some of bare ground."""
    rng = np.random.default_rng(seed)
    for scene in true_photos("dev"):
        if scene.kind == "shapes":
            continue
        image = cv2.imread(str(scene.path), cv2.IMREAD_COLOR_RGB)
        for index, (centre, rim_mm) in enumerate(_places(scene, rng)):
            height = scene.reference_offset_mm + 0.35
            rim = None
            if rim_mm is not None:
                offset = (np.asarray(rim_mm[:2]) - centre) / MM_PER_PX + (SIDE_PX - 1) / 2
                rim = (float(offset[0]), float(offset[1]), rim_mm[2] / MM_PER_PX)
            yield LearningWindow(
                name=f"{scene.series}-{scene.path.stem}-{index:03d}",
                pixels=cut(scene, image, centre, height),
                labels=rasterise(scene.fragments, centre),
                mm_per_px=MM_PER_PX,
                rim=rim,
                series=scene.series,
                source=f"{scene.path.stem}/{scene.light}",
            )


def _places(
    scene: TruePhoto, rng: np.random.Generator
) -> Iterator[tuple[npt.NDArray[np.float64], tuple[float, float, float] | None]]:
    if scene.kind == "pad":
        for plug in scene.plugs:
            for _ in range(3):
                centre = np.asarray(plug["plug_centre_mm"], dtype=float) + rng.uniform(-12, 12, 2)
                yield centre, None
        return
    for fragment in scene.fragments:
        if fragment.plug_centre_mm is None or fragment.plug_mm is None:
            continue
        x, y = fragment.plug_centre_mm
        yield np.array([x, y]) + rng.uniform(-1.5, 1.5, 2), (x, y, fragment.plug_mm / 2)


def main() -> None:
    """Write the data set."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--to", type=Path, required=True)
    options = parser.parse_args()
    options.to.mkdir(parents=True, exist_ok=True)
    count = 0
    for window in scene_windows():
        write_window(options.to, window)
        count += 1
    print(f"{count} windows written to {options.to}")


if __name__ == "__main__":
    main()
