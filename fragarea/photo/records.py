"""What a photo file becomes."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import numpy as np
import numpy.typing as npt


@dataclass(frozen=True)
class CameraInfo:
    """What the file says about the camera; every field may be unknown.

    Attributes
    ----------
    make, model : str
        As written in the file, cleaned of control characters; empty when unknown.
    focal_equiv_mm : float or None
        35-mm equivalent focal length (EXIF tag 41989), None when absent or 0.
    focal_mm : float or None
        Focal length (EXIF tag 37386).
    """

    make: str = ""
    model: str = ""
    focal_equiv_mm: float | None = None
    focal_mm: float | None = None


@dataclass(frozen=True, eq=False)
class Photo:
    """One decoded photo.

    Attributes
    ----------
    name : str
        File name without its folder.
    sha256 : str
        Hash of the file's bytes; the photo's identity.
    pixels : ndarray of uint8, shape (rows, columns, 3)
        sRGB, upright (EXIF orientation applied), read-only.
    taken_at : datetime or None
        Aware when the file holds an offset or a zone was given; naive local time otherwise.
    taken_at_source : str
        ``"exif"``, ``"file name"``, ``"option"`` or ``"unknown"``.
    camera : CameraInfo
    """

    name: str
    sha256: str
    pixels: npt.NDArray[np.uint8]
    taken_at: datetime | None
    taken_at_source: str
    camera: CameraInfo
