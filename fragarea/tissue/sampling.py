"""Values between the pixels of an image at many places in one call."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

# OpenCV takes at most 32767 places a row and as many rows.
MOST = 32_000


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
    return sample_rows(field, points[:, :1], points[:, 1:])


def sample_rows(field: npt.NDArray[Any], x: npt.NDArray[Any], y: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """Bilinear values of an image at ``(n, k)`` places, ``(n, k x channels)``; k at most 32000."""
    parts = [
        cv2.remap(
            field,
            np.ascontiguousarray(x[start : start + MOST], np.float32),
            np.ascontiguousarray(y[start : start + MOST], np.float32),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        )
        for start in range(0, len(x), MOST)
    ]
    if not parts:
        return np.empty((0, x.shape[1] * (1 if field.ndim == 2 else field.shape[2])), field.dtype)
    whole = parts[0] if len(parts) == 1 else np.concatenate(parts)
    return np.asarray(whole).reshape(len(x), -1)
