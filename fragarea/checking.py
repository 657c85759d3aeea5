"""The known-area check on photos: measure each, compare with the nominal areas, judge."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from fragarea.check import CheckResult, KnownAreaSheet, KnownMeasurement, judge, nominal_mm2, sheet_for
from fragarea.errors import PhotoProblem, SettingsProblem
from fragarea.measure import measure_photo
from fragarea.measurement import MeasureSettings, PhotoMeasurement
from fragarea.photo import read_photo
from fragarea.reference.layout import load_reference
from fragarea.reference.lens import LensProfile
from fragarea.sites.records import SiteDescription, SiteKind


@dataclass(frozen=True)
class PhotoCheck:
    """A known-area check of several photos.

    Attributes
    ----------
    result : CheckResult
    taken_on : date or None
        Day of the latest photo that carries a date.
    refused : tuple of PhotoProblem
    """

    result: CheckResult
    taken_on: date | None
    refused: tuple[PhotoProblem, ...]


def check_photos(
    paths: Sequence[Path],
    *,
    reference: str,
    settings: MeasureSettings,
    tolerance_rel: float,
    lens: LensProfile | None = None,
    on_photo: Callable[[Path], None] | None = None,
) -> PhotoCheck:
    """Measure photos of the known-area sheet and judge them.

    Photos of one day and camera form a group: what changes within it is repeatability, what changes between groups
    is reproducibility.

    Raises
    ------
    SettingsProblem
        If no photo could be measured; the text says why for each.
    """
    site = SiteDescription(kind=SiteKind.SHAPES, reference=reference)
    layout = load_reference(reference)
    measured: dict[str, PhotoMeasurement] = {}
    refused: list[PhotoProblem] = []
    for path in paths:
        if on_photo:
            on_photo(path)
        try:
            photo = read_photo(path, allow_grey=True)
            if photo.sha256 not in measured:
                measured[photo.sha256] = measure_photo(photo, site, settings, layout=layout, lens=lens)
        except PhotoProblem as problem:
            refused.append(problem)
    sheet = sheet_for(layout.name)
    values = [value for one in measured.values() for value in _values(one, sheet)]
    if not values:
        raise SettingsProblem(_nothing_found(paths, refused))
    days = [one.taken_at.date() for one in measured.values() if one.taken_at]
    expected = tuple(shape.shape_id for shape in sheet.shapes)
    result = judge(values, tolerance_rel=tolerance_rel, expected=expected)
    return PhotoCheck(result, max(days, default=None), tuple(refused))


def _nothing_found(paths: Sequence[Path], refused: Sequence[PhotoProblem]) -> str:
    """Each refused photo with its reason on a line of its own."""
    photos = paths[0].name if len(paths) == 1 else f"{len(paths)} photos"
    advice = "Photograph the printed known-area sheet inside its reference (fragarea sheets writes both)."
    return "\n".join([f"{photos}: no known-area shape was found. {advice}", *map(str, refused)])


def _values(measured: PhotoMeasurement, sheet: KnownAreaSheet) -> list[KnownMeasurement]:
    nominal = {shape.shape_id: nominal_mm2(shape) for shape in sheet.shapes}
    day = measured.taken_at.date().isoformat() if measured.taken_at else "no date"
    group = f"{day} {measured.camera.make} {measured.camera.model}".strip()
    return [
        KnownMeasurement(measured.sha256[:12], group, f.label, f.live.area_mm2, nominal[f.label], f.live.area_u_mm2)
        for f in measured.fragments
    ]
