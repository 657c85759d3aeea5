"""Scale of the scenes against their exact cameras: ``python -m benchmarks.scale [dev|val]``.

First with corners given by exact projection, then with tags found in the photos. One line a scene: tags found, error
of their corners (root mean square of one coordinate; with the growth common to all tags taken out), errors of focal
length, camera height, tilt, and of the area of 20 mm squares over the window (beside a card, of the plug's place) on
the reference plane: mean and worst, and the standard uncertainty that the scale claims for areas. Last, the time of
finding tags and of the pose over that of ``cv2.imdecode`` for the same file, single thread. ``val`` is only reported.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np

from benchmarks.truth import ABSENT, SHARED_PHOTOS, TruePhoto, true_photos
from fragarea.photo import read_photo
from fragarea.photo.records import CameraInfo
from fragarea.reference import (
    CameraPose,
    PhotoScale,
    ReferenceLayout,
    TagSighting,
    find_tags,
    load_reference,
    solve_pose,
)
from fragarea.reference.plane import FloatArray

SQUARE_MM = 20.0
ROUNDS = 7
BAR_EXACT = 1e-4


@dataclass(frozen=True, eq=False)
class ScaleScore:
    """How one scene came out; relative errors."""

    photo: TruePhoto
    scale: PhotoScale
    area_errors: FloatArray
    corner_rms_px: float = float("nan")
    grown_rms_px: float = float("nan")
    find_ratio: float = float("nan")
    solve_ratio: float = float("nan")

    @property
    def focal_error(self) -> float:
        """Relative error of the focal length."""
        true = self.photo.pose.camera_matrix[0, 0]
        plane = self.scale.plane
        return float(plane.camera_matrix[0, 0] / true - 1) if isinstance(plane, CameraPose) else float("nan")

    @property
    def height_error(self) -> float:
        """Relative error of the camera's height."""
        return (self.scale.plane.camera_height_mm or float("nan")) / self.photo.pose.camera_height_mm - 1

    @property
    def tilt_error_deg(self) -> float:
        """Error of the tilt."""
        return (self.scale.plane.tilt_deg or 0.0) - self.photo.pose.tilt_deg


def exif_camera(photo: TruePhoto) -> CameraInfo:
    """What EXIF would say of the scene's camera."""
    return CameraInfo(focal_equiv_mm=float(photo.raw["camera"]["focal_equiv_mm"]))


def square_middles_mm(photo: TruePhoto, layout: ReferenceLayout) -> FloatArray:
    """Middles of squares that tile the window, or of the plug beside a card."""
    if layout.window_mm is None:
        return np.array([f.plug_centre_mm for f in photo.fragments if f.plug_centre_mm])
    low, high = np.min(layout.window_mm, axis=0), np.max(layout.window_mm, axis=0)
    axes = [
        np.linspace(a + SQUARE_MM / 2, b - SQUARE_MM / 2, int((b - a) / SQUARE_MM))
        for a, b in zip(low, high, strict=True)
    ]
    x, y = np.meshgrid(*axes)
    return np.column_stack([x.ravel(), y.ravel()])


def area_errors(true: CameraPose, scale: PhotoScale, middles_mm: FloatArray) -> FloatArray:
    """Relative errors of squares, seen by the true camera and measured by the solved one."""
    half = SQUARE_MM / 2
    corners = middles_mm[:, None] + np.array([(-half, -half), (half, -half), (half, half), (-half, half)])
    found = scale.plane.to_plane(true.project(corners.reshape(-1, 2), 0.0), 0.0).reshape(-1, 4, 2)
    x, y = found[..., 0], found[..., 1]
    areas = 0.5 * np.abs((x * np.roll(y, -1, axis=1) - y * np.roll(x, -1, axis=1)).sum(axis=1))
    return np.asarray(areas / SQUARE_MM**2 - 1)


def exact_sightings(photo: TruePhoto, layout: ReferenceLayout) -> list[TagSighting]:
    """Every tag of the layout, projected by the true camera."""
    return [TagSighting(tag.tag_id, photo.pose.project(tag.corners_mm(), 0.0)) for tag in layout.tags]


def score_exact(photo: TruePhoto) -> ScaleScore:
    """The scale from exact corners."""
    layout = load_reference(photo.reference)
    size = (int(photo.pose.camera_matrix[0, 2] * 2 + 1.5), int(photo.pose.camera_matrix[1, 2] * 2 + 1.5))
    scale = solve_pose(exact_sightings(photo, layout), layout, size, exif_camera(photo), photo_name=photo.path.name)
    return ScaleScore(photo, scale, area_errors(photo.pose, scale, square_middles_mm(photo, layout)))


def score_found(photo: TruePhoto) -> ScaleScore:
    """The scale from tags found in the photo, timed."""
    layout = load_reference(photo.reference)
    pixels, name = read_photo(photo.path).pixels, photo.path.name
    data = np.fromfile(photo.path, np.uint8)
    size = (pixels.shape[1], pixels.shape[0])
    _, decode_s = quickest(lambda: cv2.imdecode(data, cv2.IMREAD_COLOR))
    tags, find_s = quickest(lambda: find_tags(pixels, layout))
    scale, solve_s = quickest(lambda: solve_pose(tags, layout, size, exif_camera(photo), photo_name=name))
    raw, grown = corner_errors_px(photo, layout, tags)
    errors = area_errors(photo.pose, scale, square_middles_mm(photo, layout))
    return ScaleScore(photo, scale, errors, raw, grown, find_s / decode_s, solve_s / decode_s)


def corner_errors_px(photo: TruePhoto, layout: ReferenceLayout, tags: Sequence[TagSighting]) -> tuple[float, float]:
    """Root mean square error of a corner's coordinate, as found and with the common growth of the tags taken out."""
    known = [(tag, place) for tag in tags if (place := layout.tag(tag.tag_id))]
    true = np.array([photo.pose.project(place.corners_mm(), 0.0) for _, place in known])
    error = np.array([tag.corners_px for tag, _ in known]) - true
    outwards = true - true.mean(axis=1, keepdims=True)
    growth = (error * outwards).sum() / (outwards**2).sum()
    return float(np.sqrt(np.mean(error**2))), float(np.sqrt(np.mean((error - growth * outwards) ** 2)))


def quickest(work: Callable[[], Any]) -> tuple[Any, float]:
    """What the work returns and the shortest of several times, s."""
    best, result = float("inf"), None
    for _ in range(ROUNDS):
        start = time.perf_counter()
        result = work()
        best = min(best, time.perf_counter() - start)
    return result, best


def line(score: ScaleScore) -> str:
    """One line of the table."""
    scale, errors = score.scale, 100 * score.area_errors
    u = 200 * float(np.hypot(scale.scale_u_rel, scale.lens_u_rel))
    doubts = " ".join(doubt.key for doubt in scale.doubts)
    return (
        f"{score.photo.series:8}{score.photo.path.stem:16}{len(scale.tags_used):3}/{len(scale.tags_seen):2}"
        f"{score.corner_rms_px:8.3f}{score.grown_rms_px:7.3f}{100 * score.focal_error:+8.2f}"
        f"{100 * score.height_error:+9.2f}{score.tilt_error_deg:+7.2f}"
        f"{errors.mean():+9.4f}{np.abs(errors).max():8.4f}"
        f"{u:7.3f}{scale.blur_px:6.2f}{score.find_ratio:7.2f}{score.solve_ratio:6.2f}  {doubts}"
    )


HEADER = (
    f"{'scene':24}{'tags':>6}{'rms px':>8}{'-grow':>7}{'focal %':>8}{'height %':>9}{'tilt':>7}"
    f"{'area %':>9}{'worst':>8}{'u':>7}{'blur':>6}{'find':>7}{'pose':>6}"
)


def report(split: str) -> None:
    """Print both tables of a split."""
    photos = list(true_photos(split))
    exact = [score_exact(photo) for photo in photos]
    worst = max(float(np.abs(score.area_errors).max()) for score in exact)
    print(f"\n== {split}: corners by exact projection, {len(exact)} cameras ==")
    print(f"worst area error {100 * worst:.4f} % (bar: {100 * BAR_EXACT:g} %)")
    print(f"\n== {split}: tags found in the photos ==\n{HEADER}")
    found = [score_found(photo) for photo in photos]
    for score in found:
        print(line(score))
    for name, chosen in (
        ("frames", [s for s in found if len(s.scale.tags_seen) > 4]),
        ("cards", [s for s in found if len(s.scale.tags_seen) <= 4]),
    ):
        _print_summary(name, chosen)
    trays = [s for s in found if s.photo.kind == "tray"]
    print(
        f"trays: finding tags takes {np.median([s.find_ratio for s in trays]):.2f}, the pose "
        f"{np.median([s.solve_ratio for s in trays]):.2f} of the time of imdecode (medians)"
    )


def _print_summary(name: str, scores: list[ScaleScore]) -> None:
    if not scores:
        return
    errors = np.concatenate([s.area_errors for s in scores])
    rms = np.sqrt(np.mean([s.grown_rms_px**2 for s in scores]))
    claimed = [2 * np.hypot(s.scale.scale_u_rel, s.scale.lens_u_rel) for s in scores]
    inside = [abs(e) <= 1.96 * u for s, u in zip(scores, claimed, strict=True) for e in s.area_errors]
    print(
        f"{name}: corners {rms:.3f} px rms after growth; areas {100 * errors.mean():+.4f} % in the mean, "
        f"worst {100 * np.abs(errors).max():.4f} %; 95 % interval holds {100 * np.mean(inside):.0f} % of squares"
    )


def main() -> None:
    """Print the figures of one split or both."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("split", nargs="?", choices=("dev", "val"))
    options = parser.parse_args()
    if not SHARED_PHOTOS.is_dir():
        print(f"skipped: {ABSENT}")
        return
    cv2.setNumThreads(1)
    for split in [options.split] if options.split else ["dev", "val"]:
        report(split)


if __name__ == "__main__":
    main()
