"""Reading printed pages back with other libraries: pypdfium2 draws them, OpenCV finds the tags."""

from __future__ import annotations

from datetime import date

import cv2
import numpy as np
import numpy.typing as npt
import pypdfium2

from fragarea.check.sheet import load_sheet
from fragarea.reference.layout import ReferenceLayout, load_reference
from fragarea.sheets.drawing import Page
from fragarea.sheets.pages import known_area_pages, reference_pages
from fragarea.sheets.paper import PAPERS

MADE_ON = date(2025, 3, 1)
DPI = 300


def pages_of(name: str, paper: str) -> tuple[Page, ...]:
    """Pages of a reference, or of a known-area sheet where the name is one."""
    if name.startswith("known-areas"):
        sheet = load_sheet(name)
        return known_area_pages(sheet, load_reference(sheet.reference), PAPERS[paper], MADE_ON)
    return reference_pages(load_reference(name), PAPERS[paper], MADE_ON)


def drawn(pdf: bytes, number: int) -> tuple[npt.NDArray[np.uint8], npt.NDArray[np.float64]]:
    """One page in RGB, and the mm that a pixel covers in x and y.

    The bitmap has a whole number of pixels and the page is stretched to fill it, so the scale comes from both sizes.
    """
    with pypdfium2.PdfDocument(pdf) as document:
        page = document[number]
        image = page.render(scale=DPI / 72, rev_byteorder=True).to_numpy()[:, :, :3].copy()
        size_mm = np.array(page.get_size()) * 25.4 / 72
    return image, size_mm / np.array([image.shape[1], image.shape[0]])


def found_tags(image: npt.NDArray[np.uint8], mm_per_px: npt.NDArray[np.float64]) -> list[tuple[int, npt.NDArray]]:
    """Tags of a page: id and corners in mm from the top left of the page, in the order of `TagLayout.corners_mm`."""
    settings = cv2.aruco.DetectorParameters()
    # On drawings without blur this refinement is within 0.2 pixel; the one that fits lines is coarser.
    settings.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    settings.cornerRefinementMaxIterations, settings.cornerRefinementMinAccuracy = 100, 0.001
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    corners, ids, _ = cv2.aruco.ArucoDetector(family, settings).detectMarkers(cv2.cvtColor(image, cv2.COLOR_RGB2GRAY))
    numbers = [] if ids is None else ids.ravel().tolist()
    return [(int(n), c.reshape(4, 2) * mm_per_px) for n, c in zip(numbers, corners, strict=True)]


def copies_of(tags: list[tuple[int, npt.NDArray]], layout: ReferenceLayout) -> list[dict[int, npt.NDArray]]:
    """Tags sorted into copies of a layout, each tag with the copy whose place explains it."""
    copies: list[tuple[npt.NDArray, dict[int, npt.NDArray]]] = []
    for number, corners in tags:
        tag = layout.tag(number)
        assert tag is not None, f"tag {number} is not part of {layout.name}"
        place = corners.mean(axis=0) - tag.centre_mm
        near = next((copy for at, copy in copies if np.hypot(*(at - place)) < 1.0), None)
        if near is None:
            copies.append((place, {number: corners}))
        else:
            near[number] = corners
    return [copy for _, copy in copies]
