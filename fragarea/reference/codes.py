"""The bits of the tag family 36h11 and how a square is read against them."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
import numpy.typing as npt

from fragarea.reference.plane import FloatArray

# A tag of this family: 6 x 6 bits inside a black border one bit wide.
BITS_ACROSS = 6
CELLS_ACROSS = BITS_ACROSS + 2
BIT_COUNT = BITS_ACROSS**2


@dataclass(frozen=True, eq=False)
class CodeMatches:
    """The nearest code of each square read.

    Attributes
    ----------
    tag_ids : ndarray of int, shape (n,)
    turns : ndarray of int, shape (n,)
        Quarter turns: corner ``turns`` of the square as given is the top left corner of the tag.
    wrong_bits : ndarray of int, shape (n,)
    """

    tag_ids: npt.NDArray[np.intp]
    turns: npt.NDArray[np.intp]
    wrong_bits: npt.NDArray[np.intp]


@lru_cache(maxsize=1)
def turned_codes() -> npt.NDArray[np.float32]:
    """All codes in all four turns, white +1, black -1.

    Returns
    -------
    ndarray of float32, shape (4, tags, 36)
        ``[k]`` is what a square shows whose corner ``k`` is the tag's top left corner.
    """
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    packed = family.bytesList
    bits = [cv2.aruco.Dictionary.getBitsFromByteList(packed[i : i + 1], BITS_ACROSS) for i in range(len(packed))]
    upright = np.array(bits, dtype=np.float32) * 2 - 1
    # Corners run clockwise; a tag turned by one quarter clockwise has its top left corner at corner 1.
    turns = [np.rot90(upright, -k, axes=(1, 2)).reshape(len(bits), BIT_COUNT) for k in range(4)]
    codes = np.ascontiguousarray(np.stack(turns), dtype=np.float32)
    codes.setflags(write=False)
    return codes


def match_codes(signs: npt.NDArray[np.float32]) -> CodeMatches:
    """Find the code nearest to each pattern of bits.

    Parameters
    ----------
    signs : ndarray of float32, shape (n, 36)
        +1 where the square is white, -1 where black, row by row from corner 0.

    Returns
    -------
    CodeMatches
    """
    codes = turned_codes()
    tags = codes.shape[1]
    likeness = signs @ codes.reshape(-1, BIT_COUNT).T
    best = likeness.argmax(axis=1)
    agreement = likeness[np.arange(len(signs)), best]
    wrong = np.rint((BIT_COUNT - agreement) / 2).astype(np.intp)
    return CodeMatches(tag_ids=best % tags, turns=best // tags, wrong_bits=wrong)


def square_maps(quads: FloatArray) -> FloatArray:
    """Homographies from the unit square to quadrilaterals.

    Parameters
    ----------
    quads : ndarray, shape (n, 4, 2)
        Images of (0, 0), (1, 0), (1, 1), (0, 1).

    Returns
    -------
    ndarray, shape (n, 3, 3)

    References
    ----------
    Heckbert, P. (1989), Fundamentals of texture mapping and image warping, section 2.2.3.
    """
    a, b, c, d = (quads[:, k] for k in range(4))
    total = a - b + c - d
    right, down = b - c, d - c
    det = right[:, 0] * down[:, 1] - right[:, 1] * down[:, 0]
    det = np.where(np.abs(det) < 1e-9, 1e-9, det)
    g = (total[:, 0] * down[:, 1] - total[:, 1] * down[:, 0]) / det
    h = (right[:, 0] * total[:, 1] - right[:, 1] * total[:, 0]) / det
    maps = np.empty((len(quads), 3, 3))
    maps[:, :2, 0] = b - a + g[:, None] * b
    maps[:, :2, 1] = d - a + h[:, None] * d
    maps[:, :2, 2] = a
    maps[:, 2] = np.column_stack([g, h, np.ones(len(quads))])
    return maps


def map_points(maps: FloatArray, points: FloatArray) -> FloatArray:
    """Images ``(n, m, 2)`` of points ``(m, 2)`` under homographies ``(n, 3, 3)``."""
    space = np.column_stack([points, np.ones(len(points))])
    images = np.einsum("nij,mj->nmi", maps, space)
    return np.asarray(images[..., :2] / images[..., 2:], dtype=float)
