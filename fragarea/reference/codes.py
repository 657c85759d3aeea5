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
WORD_BITS = 12
# How many bits of a tag may be misread.
SLACK_BITS = 3

BitArray = npt.NDArray[np.bool_]


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
def turned_codes() -> BitArray:
    """All codes in all four turns, white True.

    Returns
    -------
    ndarray of bool, shape (4, tags, 36)
        ``[k]`` is what a square shows whose corner ``k`` is the tag's top left corner.
    """
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    packed = family.bytesList
    bits = [cv2.aruco.Dictionary.getBitsFromByteList(packed[i : i + 1], BITS_ACROSS) for i in range(len(packed))]
    upright = np.array(bits, dtype=bool)
    # Corners run clockwise; a tag turned by one quarter clockwise has its top left corner at corner 1.
    codes = np.stack([np.rot90(upright, -k, axes=(1, 2)).reshape(len(bits), BIT_COUNT) for k in range(4)])
    codes.setflags(write=False)
    return codes


def match_codes(bits: BitArray) -> CodeMatches:
    """Find the code nearest to each pattern of bits.

    Parameters
    ----------
    bits : ndarray of bool, shape (n, 36)
        True where the square is white, row by row from corner 0.

    Returns
    -------
    CodeMatches
    """
    codes, ones = _code_words()
    tags = turned_codes().shape[1]
    # Tables of bits, not a matrix product: its threads wait for each other on a busy machine, a hundred times longer.
    wrong = ones[_words(bits)[:, None] ^ codes].sum(axis=2, dtype=np.uint8)
    best = wrong.argmin(axis=1)
    return CodeMatches(
        tag_ids=best % tags, turns=best // tags, wrong_bits=wrong[np.arange(len(bits)), best].astype(np.intp)
    )


def may_be_codes(bits: BitArray) -> npt.NDArray[np.bool_]:
    """Whether patterns ``(n, 36)`` have about as many white bits as the family's codes; most false squares do not."""
    white = turned_codes()[0].sum(axis=1)
    count = bits.sum(axis=1)
    return np.asarray((count >= white.min() - SLACK_BITS) & (count <= white.max() + SLACK_BITS))


def _words(bits: BitArray) -> npt.NDArray[np.intp]:
    return bits.reshape(-1, BIT_COUNT // WORD_BITS, WORD_BITS) @ (1 << np.arange(WORD_BITS))


@lru_cache(maxsize=1)
def _code_words() -> tuple[npt.NDArray[np.intp], npt.NDArray[np.uint8]]:
    """Codes as words ``(4 * tags, 3)`` and how many bits each word has."""
    words = np.arange(1 << WORD_BITS)
    ones = sum(((words >> k) & 1 for k in range(WORD_BITS)), np.zeros_like(words))
    return _words(turned_codes().reshape(-1, BIT_COUNT)), ones.astype(np.uint8)


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
