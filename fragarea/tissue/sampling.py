"""Values between the pixels of an image at many places in one call."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

# OpenCV takes at most 32767 places a row.
ROW = 4096


def sample(field: npt.NDArray[Any], points: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """Bilinear values of an image at points.

    Parameters
    ----------
    field : ndarray of float32 or uint8, shape (rows, columns) or (rows, columns, channels)
    points : ndarray of float32, shape (n, 2)
        ``(x, y)`` in pixels; outside the image the nearest pixel counts.

    Returns
    -------
    ndarray of the field's type, shape (n, channels)
    """
    channels = 1 if field.ndim == 2 else field.shape[2]
    if len(points) == 0:
        return np.empty((0, channels), field.dtype)
    row = min(len(points), ROW)
    rows = -(-len(points) // row)
    places = np.zeros((2, rows * row), np.float32)
    places[:, : len(points)] = points.T
    x, y = places.reshape(2, rows, row)
    values = cv2.remap(field, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(values).reshape(rows * row, channels)[: len(points)]
