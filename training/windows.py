"""Windows to learn from, with soft labels: ``python -m training.windows FILE.npz [--corrections FOLDER]``.

Of rendered scenes those of ``dev`` only; and windows that people have put right, in the form of ``fragarea.adapt``.

Labels are shares of each pixel's area, from polygons filled at eight times the window's resolution: a label image
filled at the window's own resolution would be half a pixel too large all round, 3 % of a small fragment's area.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterator
from functools import partial
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
from shapely import MultiPolygon

from benchmarks.truth import ROOT, TruePhoto, true_photos
from fragarea.adapt import read_corrections
from fragarea.tissue.records import Surface
from training import WINDOW_MM_PER_PX as MM_PER_PX

SIDE_PX = 208
CORRECTED_WEIGHT = 4  # real tissue is shown more often than rendered
FINE = 8


def grey_gains(scene: TruePhoto, image: npt.NDArray[np.uint8]) -> npt.NDArray[np.float64]:
    """Factors for R, G, B in linear light that bring the reference's grey patches to their reflectance."""
    layout = json.loads((ROOT / "calibration" / f"{scene.reference}.json").read_text(encoding="utf-8"))
    factors = []
    for patch in layout["grey_patches"]:
        reach = np.linspace(-0.3, 0.3, 9) * patch["side_mm"]
        x, y = np.meshgrid(reach, reach)
        places = np.column_stack([x.ravel(), y.ravel()]) + patch["centre_mm"]
        px = np.round(scene.pose.project(places, 0.0)).astype(int)
        inside = (px >= 0).all(1) & (px[:, 0] < image.shape[1]) & (px[:, 1] < image.shape[0])
        if inside.sum() < 20:
            continue
        seen = np.median(linear(image[px[inside, 1], px[inside, 0]]), axis=0)
        if seen.max() < 0.95:
            factors.append(patch["reflectance"] / np.maximum(seen, 1e-3))
    return np.median(factors, axis=0) if factors else np.ones(3)


def linear(srgb: npt.NDArray[np.uint8]) -> npt.NDArray[np.float64]:
    """SRGB bytes to linear light (IEC 61966-2-1)."""
    x = srgb / 255.0
    return np.where(x <= 0.04045, x / 12.92, ((x + 0.055) / 1.055) ** 2.4)


def cut(
    scene: TruePhoto, image: npt.NDArray[np.uint8], centre_mm: npt.ArrayLike, height_mm: float
) -> npt.NDArray[np.uint8]:
    """Rectified ``(SIDE_PX, SIDE_PX, 3)`` window around a point."""
    steps = (np.arange(SIDE_PX) - (SIDE_PX - 1) / 2) * MM_PER_PX
    x, y = np.meshgrid(steps, steps)
    points = np.column_stack([x.ravel(), y.ravel()]) + np.asarray(centre_mm, dtype=float)
    px = scene.pose.project(points, height_mm).astype(np.float32).reshape(SIDE_PX, SIDE_PX, 2)
    return cv2.remap(image, px[..., 0], px[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)


def shares(scene: TruePhoto, centre_mm: npt.ArrayLike) -> npt.NDArray[np.uint8]:
    """Shares of live, bleached and dead, ``(3, SIDE_PX, SIDE_PX)``, 255 for a whole pixel."""
    layers = np.zeros((3, SIDE_PX * FINE, SIDE_PX * FINE), np.uint8)
    centre = np.asarray(centre_mm, dtype=float)
    for fragment in scene.fragments:
        for index, shape in ((2, fragment.dead), (0, fragment.live), (1, fragment.bleached)):
            fresh = np.zeros_like(layers[0])
            if _fill(fresh, shape, centre):
                layers[:, fresh > 0] = 0
                layers[index][fresh > 0] = 255
    return np.stack([cv2.resize(layer, (SIDE_PX, SIDE_PX), interpolation=cv2.INTER_AREA) for layer in layers])


def _fill(layer: npt.NDArray[np.uint8], shape: MultiPolygon, centre: npt.NDArray[np.float64]) -> bool:
    side_mm = SIDE_PX * MM_PER_PX
    any_inside = False
    for polygon in shape.geoms:
        # The layer's pixels fill from half a fine pixel further out; 0.5 fine pixel is 0.0125 mm, shrunk away here.
        for part in getattr(
            polygon.buffer(-0.5 * MM_PER_PX / FINE), "geoms", [polygon.buffer(-0.5 * MM_PER_PX / FINE)]
        ):
            rings = [np.array(ring.coords)[:, :2] - centre for ring in (part.exterior, *part.interiors)]
            if not len(rings[0]) or np.abs(rings[0]).min(axis=0).max() > side_mm:
                continue
            fixed = [
                np.round(((ring / MM_PER_PX + SIDE_PX / 2) * FINE - 0.5) * 16).astype(np.int32) for ring in rings
            ]
            cv2.fillPoly(layer, fixed, 255, lineType=cv2.LINE_8, shift=4)
            any_inside = True
    return any_inside


def places(scene: TruePhoto, rng: np.random.Generator) -> Iterator[tuple[npt.NDArray[np.float64], float, str]]:
    """Middles of windows, the radius of the plug there (0: none), and the genotype or species in the middle."""
    if scene.kind != "pad":
        for fragment in scene.fragments:
            if fragment.plug_centre_mm is not None and fragment.plug_mm is not None:
                yield np.asarray(fragment.plug_centre_mm, dtype=float), fragment.plug_mm / 2, fragment.genotype
        return
    kind = "+".join(sorted({fragment.genotype for fragment in scene.fragments}))
    for plug in scene.plugs:
        for _ in range(2):
            yield np.asarray(plug["plug_centre_mm"], dtype=float) + rng.uniform(-14, 14, 2), 0.0, kind
    low, high = np.array([30.0, 30.0]), np.array([220.0, 160.0])
    for _ in range(4):
        yield rng.uniform(low, high), 0.0, kind


def corrected(
    folder: Path,
) -> Iterator[tuple[npt.NDArray[Any], npt.NDArray[Any], tuple[float, float, float], Any, str]]:
    """Picture, shares, rim, gains and name of each window that people have put right (:mod:`fragarea.adapt`)."""
    for one in read_corrections(folder):
        window, step = one.window, MM_PER_PX / one.window.mm_per_px
        rows, columns = one.labels.shape
        middle = np.array([(columns - 1) / 2, (rows - 1) / 2])
        radius = 0.0
        if window.rim is not None:
            middle, radius = window.to_px([window.rim.centre_mm])[0], window.rim.radius_mm / MM_PER_PX
        corner = middle - step * (SIDE_PX - 1) / 2
        matrix = np.array([[step, 0, corner[0]], [0, step, corner[1]]])
        moved = partial(
            cv2.warpAffine, M=matrix, dsize=(SIDE_PX, SIDE_PX), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        )
        parts = [
            np.where(one.labels == surface, 255, 0).astype(np.uint8)
            for surface in (Surface.LIVE, Surface.BLEACHED, Surface.DEAD)
        ]
        light = np.asarray(one.light.gains) * one.light.exposure if one.light else np.ones(3)
        rim = (SIDE_PX / 2 - 0.5, SIDE_PX / 2 - 0.5, radius)
        yield (
            moved(window.pixels, borderMode=cv2.BORDER_REPLICATE),
            np.stack([moved(part) for part in parts]),
            rim,
            light,
            f"corrections/{one.photo}",
        )


def collect(corrections: Path | None = None) -> dict[str, npt.NDArray[Any]]:
    """All windows of ``dev``, and corrected ones, as arrays: images, shares, rims, gains, names, weights."""
    rng = np.random.default_rng(3)
    images, labels, rims, gains, names, weights = [], [], [], [], [], []
    for scene in true_photos("dev"):
        if scene.kind == "shapes":
            continue
        image = cv2.imread(str(scene.path), cv2.IMREAD_COLOR_RGB)
        factor = grey_gains(scene, image)
        # Rare kinds are shown more often: a single counts like five plugs of a tray.
        copies = 5 if scene.kind == "single" else 1
        for centre, radius, kind in places(scene, rng):
            picture = cut(scene, image, centre, scene.reference_offset_mm + 0.35)
            label = shares(scene, centre)
            middle = label[:, SIDE_PX // 4 : -SIDE_PX // 4, SIDE_PX // 4 : -SIDE_PX // 4]
            empty = radius > 0 and middle.sum() < 255 * 50
            rare = 4 if scene.kind == "tray" and (empty or middle[1:].sum() > 255 * 50) else 1
            images.append(picture)
            labels.append(label)
            rims.append((SIDE_PX / 2 - 0.5, SIDE_PX / 2 - 0.5, radius / MM_PER_PX))
            gains.append(factor)
            names.append(f"{scene.series}/{scene.path.stem}/{kind}")
            weights.append(copies * rare)
    for picture, label, rim, gain, name in corrected(corrections) if corrections else ():
        images.append(picture)
        labels.append(label)
        rims.append(rim)
        gains.append(gain)
        names.append(name)
        weights.append(CORRECTED_WEIGHT)
    return {
        "images": np.stack(images),
        "shares": np.stack(labels),
        "rims": np.array(rims, np.float32),
        "gains": np.array(gains, np.float32),
        "names": np.array(names),
        "weights": np.array(weights, np.float32),
    }


def main() -> None:
    """Write the windows to one file."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("file", type=Path)
    parser.add_argument("--corrections", type=Path, metavar="FOLDER", help="windows that people have put right, too")
    options = parser.parse_args()
    windows = collect(options.corrections)
    np.savez_compressed(options.file, **windows)
    print(f"{len(windows['images'])} windows, {options.file.stat().st_size / 1e6:.1f} MB")


if __name__ == "__main__":
    main()
