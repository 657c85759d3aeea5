"""Known-area shapes of the rendered scenes: the error of every shape, their mean, and the worst.

Run ``python -m benchmarks.shapes``. The bar: every shape within 0.5 % or 0.3 mm2 of nominal, mean bias within 0.2 %.
``dev`` may be tuned on; ``val`` is reported only.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from benchmarks.truth import ABSENT, TruePhoto, overlap, true_photos
from fragarea.check import KnownAreaSheet, ShapeOutline, load_sheet, measure_shapes, nominal_mm2
from fragarea.photo import read_photo
from fragarea.reference import find_scale
from fragarea.reference.layout import ReferenceLayout, load_reference
from fragarea.reference.plane import PlaneMap

REL_BAR, MM2_BAR, BIAS_BAR = 0.005, 0.3, 0.002


@dataclass(frozen=True)
class ShapeError:
    """One shape of one photo against its nominal area and true outline."""

    shape_id: str
    nominal_mm2: float
    error_mm2: float
    overlap: float

    @property
    def error_rel(self) -> float:
        """Error over nominal area."""
        return self.error_mm2 / self.nominal_mm2

    @property
    def within(self) -> bool:
        """Whether the shape meets its bar."""
        return abs(self.error_rel) <= REL_BAR or abs(self.error_mm2) <= MM2_BAR


def photo_errors(
    photo: TruePhoto, plane: PlaneMap, layout: ReferenceLayout, sheet: KnownAreaSheet
) -> tuple[ShapeError, ...]:
    """Errors of the shapes found in one scene with the given scale."""
    pixels = read_photo(photo.path).pixels
    found = measure_shapes(pixels, plane, layout, sheet, height_mm=photo.reference_offset_mm)
    return tuple(_error(outline, photo, sheet) for outline in found)


def _error(outline: ShapeOutline, photo: TruePhoto, sheet: KnownAreaSheet) -> ShapeError:
    shape = sheet.shape(outline.shape_id)
    assert shape is not None
    truth = next(fragment for fragment in photo.fragments if fragment.label == outline.shape_id)
    nominal = nominal_mm2(shape)
    return ShapeError(outline.shape_id, nominal, outline.area_mm2 - nominal, overlap(outline.outline, truth.live))


def scene_errors(split: str, solve: bool) -> Iterator[tuple[TruePhoto, tuple[ShapeError, ...]]]:
    """Errors of every known-area scene, with the true camera or with the one solved from the photo."""
    sheet = load_sheet()
    for photo in true_photos(split):
        if photo.series == "shapes":
            layout = load_reference(photo.reference)
            plane = solved_plane(photo, layout) if solve else photo.pose
            yield photo, photo_errors(photo, plane, layout, sheet)


def solved_plane(photo: TruePhoto, layout: ReferenceLayout) -> PlaneMap:
    """The scale that the program itself finds in the photo."""
    read = read_photo(photo.path)
    return find_scale(read.pixels, layout, read.camera, photo_name=read.name).plane


def report(split: str, solve: bool) -> None:
    """Print the errors of one split."""
    camera = "solved camera" if solve else "true camera"
    everything: list[ShapeError] = []
    for photo, errors in scene_errors(split, solve):
        everything += errors
        print(
            f"\n{split} {photo.path.name} ({photo.light}), {camera}: {len(errors)} of {len(photo.fragments)} shapes"
        )
        for e in errors:
            print(
                f"  {e.shape_id:<12}{e.nominal_mm2:9.2f} mm2 {e.error_mm2:+8.3f} mm2 {100 * e.error_rel:+7.3f} %"
                f"  IoU {e.overlap:.4f}{'' if e.within else '  OUTSIDE'}"
            )
        _summary(errors)
    if everything:
        print(f"\n{split}, {camera}, all photos:")
        _summary(everything)


def _summary(errors: tuple[ShapeError, ...] | list[ShapeError]) -> None:
    if not errors:
        return
    bias = float(np.mean([e.error_rel for e in errors]))
    worst = max(errors, key=lambda e: abs(e.error_rel))
    outside = sum(not e.within for e in errors)
    print(
        f"  mean bias {100 * bias:+.3f} % (bar {100 * BIAS_BAR:.1f} %{'' if abs(bias) <= BIAS_BAR else ', MISSED'}), "
        f"largest {100 * worst.error_rel:+.3f} % ({worst.shape_id}), {outside} outside the bar"
    )


def main() -> None:
    """Print the errors on both splits, with the true and with the solved camera."""
    if not any(True for _ in true_photos("dev")):
        print(ABSENT)
        return
    for split in ("dev", "val"):
        for solve in (False, True):
            report(split, solve)


if __name__ == "__main__":
    main()
