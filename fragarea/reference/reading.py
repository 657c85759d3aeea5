"""Squares read as tags: which of many quadrilaterals carry a code of the family."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from fragarea.reference.codes import BIT_COUNT, CELLS_ACROSS, match_codes, may_be_codes, square_maps
from fragarea.reference.plane import FloatArray
from fragarea.reference.squares import ReducedImage

# Cells of a square and of the paper around it, one cell wide.
_ACROSS = CELLS_ACROSS + 2
# Grey values of 255 by which paper must outshine ink.
LEAST_CONTRAST = 12.0
# Of 28 border cells and 32 cells of paper around, how many may look wrong (a drop, a hair, a highlight).
BORDER_CELLS_WRONG = 5
PAPER_CELLS_WRONG = 8

BoolArray = npt.NDArray[np.bool_]
CellArray = npt.NDArray[np.float32]
# remap() takes x and y in one array; OpenCV's stubs want something for the other.
NO_MAP: Any = None


@dataclass(frozen=True, eq=False)
class SquareReadings:
    """Those of many squares in which a black border stands on brighter paper, and their nearest codes.

    Attributes
    ----------
    index : ndarray of int, shape (n,)
        Which of the squares.
    tag_ids : ndarray of int, shape (n,)
    turns : ndarray of int, shape (n,)
        Corner ``turns`` of the square as given is the top left corner of the tag.
    wrong_bits : ndarray of int, shape (n,)
    """

    index: npt.NDArray[np.intp]
    tag_ids: npt.NDArray[np.intp]
    turns: npt.NDArray[np.intp]
    wrong_bits: npt.NDArray[np.intp]


def read_squares(image: ReducedImage, quads: FloatArray) -> SquareReadings:
    """Read the bits of squares.

    Parameters
    ----------
    image : ReducedImage
        A bit should be at least 3 pixels wide in it.
    quads : ndarray, shape (n, 4, 2)
        Corners of the black squares in photo pixels, clockwise.

    Returns
    -------
    SquareReadings
        Light and shade may run across a square: each bit is compared with the paper and the ink on all four sides.
    """
    cells = _cells(image, quads)
    index = np.flatnonzero(_has_contrast(cells))
    cells = cells[index]
    white = cells > _half_levels(cells)
    framed = ((white & _border()).sum(axis=(1, 2)) <= BORDER_CELLS_WRONG) & (
        (~white & _surround()).sum(axis=(1, 2)) <= PAPER_CELLS_WRONG
    )
    index, bits = index[framed], white[framed][:, 2:-2, 2:-2].reshape(-1, BIT_COUNT)
    likely = may_be_codes(bits)
    matches = match_codes(bits[likely])
    return SquareReadings(index[likely], matches.tag_ids, matches.turns, matches.wrong_bits)


@lru_cache(maxsize=1)
def _cell_centres() -> CellArray:
    """Centres ``(3, 100)`` of the 10 x 10 cells in homogeneous coordinates, the tag being the unit square."""
    steps = (np.arange(_ACROSS) - 0.5) / CELLS_ACROSS
    x, y = np.meshgrid(steps, steps)
    return np.stack([x.ravel(), y.ravel(), np.ones(_ACROSS**2)]).astype(np.float32)


@lru_cache(maxsize=1)
def _surround() -> BoolArray:
    ring = np.zeros((_ACROSS, _ACROSS), dtype=bool)
    ring[[0, -1], 1:-1] = True
    ring[1:-1, [0, -1]] = True
    return ring


@lru_cache(maxsize=1)
def _border() -> BoolArray:
    ring = np.zeros((_ACROSS, _ACROSS), dtype=bool)
    ring[1:-1, 1:-1] = True
    ring[2:-2, 2:-2] = False
    return ring


def _cells(image: ReducedImage, quads: FloatArray) -> CellArray:
    maps = square_maps(image.from_photo(quads)).astype(np.float32)
    images = maps @ _cell_centres()
    places = np.stack([images[:, 0] / images[:, 2], images[:, 1] / images[:, 2]], axis=-1)
    # A photo's edge may cut the paper around a tag: the last pixels go on.
    values = cv2.remap(image.grey, places, NO_MAP, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return values.astype(np.float32).reshape(-1, _ACROSS, _ACROSS)


def _has_contrast(cells: CellArray) -> BoolArray:
    """A quick look that spares most squares of a grating the rest: dark border, bright paper, bright bits inside."""
    flat = cells.reshape(len(cells), -1)
    paper = flat[:, _surround().ravel()].mean(axis=1)
    ink = flat[:, _border().ravel()].mean(axis=1)
    brightest = cells[:, 2:-2, 2:-2].max(axis=(1, 2), initial=0.0)
    return np.asarray((paper - ink >= LEAST_CONTRAST) & (brightest > (paper + 3 * ink) / 4))


def _half_levels(cells: CellArray) -> CellArray:
    """Level between paper and ink at every cell, by the paper and the border on all four sides.

    The geometric mean, for shade divides both.
    """
    above_zero = cells + 1
    sides = [np.sqrt(above_zero[:, a] * above_zero[:, b]) for a, b in ((0, 1), (-1, -2))]
    sides += [np.sqrt(above_zero[:, :, a] * above_zero[:, :, b]) for a, b in ((0, 1), (-1, -2))]
    for side in sides:
        # Beyond the corners of the tag a side has no pair of paper and ink: its nearest pair stands in.
        side[:, [0, -1]] = side[:, [1, -2]]
    top, bottom, left, right = sides
    near = 1.0 / (np.arange(_ACROSS, dtype=np.float32) + 1.0)
    far = near[::-1]
    down = top[:, None] * near[:, None] + bottom[:, None] * far[:, None]
    across = left[:, :, None] * near + right[:, :, None] * far
    return np.asarray((down + across) / (near[:, None] + far[:, None] + near + far), dtype=np.float32)
