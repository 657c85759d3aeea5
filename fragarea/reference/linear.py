"""From sRGB values to linear light, in which an edge lies half way."""

from __future__ import annotations

from functools import lru_cache

import cv2
import numpy as np
import numpy.typing as npt

LightArray = npt.NDArray[np.float32]

# Weights of R, G and B in luminance (IEC 61966-2-1, ITU-R BT.709).
LUMINANCE = (0.2126, 0.7152, 0.0722)


@lru_cache(maxsize=1)
def srgb_to_linear() -> LightArray:
    """Linear light, 0 to 1, of the 256 sRGB values.

    Returns
    -------
    ndarray of float32, shape (256,)

    References
    ----------
    IEC 61966-2-1:1999, the sRGB transfer function.
    """
    value = np.arange(256) / 255.0
    light = np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4).astype(np.float32)
    light.setflags(write=False)
    return light


def linear_luminance(pixels: npt.NDArray[np.uint8]) -> LightArray:
    """Linear luminance of sRGB pixels, 0 to 1.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (rows, columns, 3) or (rows, columns)
        R, G, B, or grey.

    Returns
    -------
    ndarray of float32, shape (rows, columns)
    """
    light = cv2.LUT(pixels, srgb_to_linear())
    if pixels.ndim == 3:
        light = cv2.transform(light, np.array([LUMINANCE], np.float32))
    return np.asarray(light, dtype=np.float32)
