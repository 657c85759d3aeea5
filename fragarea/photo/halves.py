"""A photo at half size, made once: scale, plugs and windows all begin from it."""

from __future__ import annotations

import threading
import weakref

import cv2
import numpy as np
import numpy.typing as npt

Pixels = npt.NDArray[np.uint8]


class _Last(threading.local):
    """The last photo that this thread halved; gone with the photo."""

    whole: weakref.ref[Pixels] | None = None
    half: Pixels | None = None


_last = _Last()


def halved(pixels: Pixels) -> Pixels:
    """Mean of each block of 2 x 2 pixels.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (rows, columns, 3) or (rows, columns)
        At least 2 pixels a side.

    Returns
    -------
    ndarray of uint8, shape (rows // 2, columns // 2, 3) or (rows // 2, columns // 2)
        Read-only. Pixel ``k`` has its middle at pixel ``2 k + 0.5`` of the photo. Of a read-only photo it is kept
        until another is halved.
    """
    if _last.whole is not None and _last.whole() is pixels and _last.half is not None:
        return _last.half
    rows, columns = pixels.shape[0] // 2, pixels.shape[1] // 2
    # Halving has a fast path; other whole factors take several times longer.
    half = cv2.resize(pixels[: 2 * rows, : 2 * columns], (columns, rows), interpolation=cv2.INTER_AREA)
    half.flags.writeable = False
    if not pixels.flags.writeable:
        _last.whole, _last.half = weakref.ref(pixels, _forget), np.asarray(half, np.uint8)
    return np.asarray(half, np.uint8)


def _forget(whole: weakref.ref[Pixels]) -> None:
    if _last.whole is whole:
        _last.whole = _last.half = None
