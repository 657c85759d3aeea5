"""From the printed sheet through a drawn camera to areas: print, layout and measurement agree."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

from fragarea.check.sheet import load_sheet, nominal_mm2
from fragarea.measure import measure_photo
from fragarea.measurement import MeasureSettings
from fragarea.photo import read_photo
from fragarea.reference.layout import load_reference
from fragarea.sheets.pdf import pdf_bytes
from fragarea.sites.records import SiteDescription, SiteKind
from tests.sheets.prints import drawn, pages_of

PIXELS = 2200


def _photograph(sheet: str, paper: str, file: Path, distance_mm: float) -> None:
    """The first page as a slightly tilted camera sees it on a brown bench: blurred and mixed in linear light."""
    page, mm_per_px = drawn(pdf_bytes(pages_of(sheet, paper), sheet), 0)
    light = (0.02 + 0.8 * (np.arange(256) / 255.0) ** 2.2).astype(np.float32)[page]
    turn, _ = cv2.Rodrigues(np.array([0.08, -0.05, 0.1]))
    middle_mm = np.array([page.shape[1], page.shape[0]]) * mm_per_px / 2
    shift = np.array([0.0, 0.0, distance_mm]) - turn @ np.array([*middle_mm, 0.0])
    camera = np.array([[1.2 * PIXELS, 0, PIXELS / 2], [0, 1.2 * PIXELS, PIXELS / 2], [0, 0, 1]])
    (x_mm, y_mm) = mm_per_px
    to_plane = np.array([[x_mm, 0, 0.5 * x_mm], [0, y_mm, 0.5 * y_mm], [0, 0, 1]])
    to_photo = camera @ np.column_stack([turn[:, 0], turn[:, 1], shift]) @ to_plane
    blurred = cv2.GaussianBlur(light, (0, 0), 1.2)
    seen = cv2.warpPerspective(blurred, to_photo, (PIXELS, PIXELS), borderValue=(0.2, 0.18, 0.15))
    values = np.where(seen <= 0.0031308, 12.92 * seen, 1.055 * np.maximum(seen, 1e-6) ** (1 / 2.4) - 0.055)
    cv2.imwrite(str(file), np.clip(255 * values[:, :, ::-1], 0, 255).round().astype(np.uint8))


@pytest.mark.parametrize(
    ("sheet", "paper", "distance_mm"), [("known-areas-small", "letter", 350.0), ("known-areas", "a3", 520.0)]
)
def test_shapes_of_a_photographed_print_have_their_nominal_areas(
    tmp_path: Path, sheet: str, paper: str, distance_mm: float
) -> None:
    _photograph(sheet, paper, tmp_path / "sheet.png", distance_mm)
    known = load_sheet(sheet)
    site = SiteDescription(kind=SiteKind.SHAPES, reference=known.reference)
    layout = load_reference(known.reference)
    measured = measure_photo(read_photo(tmp_path / "sheet.png"), site, MeasureSettings(), layout=layout)
    areas = {fragment.label: fragment.live.area_mm2 for fragment in measured.fragments}
    assert len(areas) == 19
    for shape in known.shapes:
        # The bar for known areas: 0.5 % or 0.3 mm2, whichever is larger.
        assert areas[shape.shape_id] == pytest.approx(nominal_mm2(shape), rel=0.005, abs=0.3)
