"""One photo file in, one record out."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable
from datetime import datetime
from zoneinfo import ZoneInfo

import cv2
import numpy as np
import numpy.typing as npt

from fragarea.errors import UnreadablePhoto
from fragarea.photo.decoding import AS_WRITTEN, Decoded, grey_refusal
from fragarea.photo.exif import read_exif
from fragarea.photo.files import read_bytes, shown_name
from fragarea.photo.heic import decode_heic, is_heic
from fragarea.photo.jpeg import decode_jpeg
from fragarea.photo.names import date_in_name
from fragarea.photo.png import SIGNATURE, decode_png
from fragarea.photo.records import Photo
from fragarea.photo.tiff import decode_tiff

_OTHER_KINDS = (
    (b"GIF8", "a GIF picture"),
    (b"BM", "a BMP picture"),
    (b"RIFF", "a WebP picture or a film"),
    (b"%PDF", "a PDF document"),
    (b"PK\x03\x04", "a ZIP archive or an office document"),
    (b"8BPS", "a layered picture of an image editor"),
    (b"<", "a web page or another text file"),
)


def read_photo(
    path: str | os.PathLike[str],
    *,
    taken_at: datetime | None = None,
    zone: ZoneInfo | None = None,
    allow_grey: bool = False,
) -> Photo:
    """Read one photo: pixels, capture date, camera and identity.

    The file is opened for reading only and read once. What it is, its first bytes decide, not its name. A JPEG that
    holds several pictures (as some phones write) gives the first, a HEIC file its primary one; an animation or a
    TIFF with several pages of full size is refused, because nothing says which one is meant. Colour profiles are not
    applied: the numbers are taken as sRGB, as nearly all cameras write them.

    Parameters
    ----------
    path : str or path
    taken_at : datetime, optional
        Overrules the dates in the file and in its name.
    zone : ZoneInfo, optional
        Time zone of dates that carry none; those in the file with an offset keep it.
    allow_grey : bool
        True where colour tells nothing: known-area sheets and boards for lens profiles.

    Returns
    -------
    Photo
        Pixels upright, contiguous and read-only. A date found in the file name without a time is noon of that day.

    Raises
    ------
    UnreadablePhoto
        If the file cannot be read, is no photo, is cut off, damaged, animated, transparent, in printing inks, without
        colour (unless `allow_grey`), larger than 250 megapixels, or claims what it does not hold.
    """
    # Some of IPP's results depend on where in memory an image happens to lie: the last digits of a rim, and through
    # them a pixel at a threshold, would differ from run to run. The setting is the thread's own, so it is made here,
    # where every photo comes by; it costs no time.
    cv2.ipp.setUseIPP(False)
    name = shown_name(path)
    data = read_bytes(path)
    decoded = _decoder(name, data)(name, data, allow_grey=allow_grey)
    exif = read_exif(decoded.exif)
    pixels = decoded.pixels if decoded.upright else turn_upright(decoded.pixels, exif.orientation)
    if not allow_grey and _is_colourless(pixels):
        raise grey_refusal(name)
    pixels.flags.writeable = False
    moment, source = _when(name, exif.taken_at, taken_at)
    if moment and moment.tzinfo is None and zone:
        moment = moment.replace(tzinfo=zone)
    return Photo(name, hashlib.sha256(data).hexdigest(), pixels, moment, source, exif.camera)


def _decoder(name: str, data: bytes) -> Callable[..., Decoded]:
    if data.startswith(b"\xff\xd8\xff"):
        return decode_jpeg
    if data.startswith(SIGNATURE):
        return decode_png
    if data[:4] in (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"):
        return decode_tiff
    if is_heic(data):
        return decode_heic
    kind = next((kind for start, kind in _OTHER_KINDS if data.lstrip().startswith(start)), None)
    raise UnreadablePhoto(name, f"the file is {kind}" if kind else "the file is not a photo", AS_WRITTEN)


def turn_upright(pixels: npt.NDArray[np.uint8], orientation: int) -> npt.NDArray[np.uint8]:
    """Apply an EXIF orientation.

    Parameters
    ----------
    pixels : ndarray of uint8, shape (rows, columns, 3)
        As stored; may be changed in place.
    orientation : int
        1 to 8: where row 0 and column 0 of the stored picture lie (CIPA DC-008, tag 274).
    """
    if orientation == 2:
        return np.asarray(cv2.flip(pixels, 1, dst=pixels))
    if orientation == 3:
        return np.asarray(cv2.flip(pixels, -1, dst=pixels))
    if orientation == 4:
        return np.asarray(cv2.flip(pixels, 0, dst=pixels))
    if orientation == 5:
        return np.asarray(cv2.transpose(pixels))
    if orientation == 6:
        return np.asarray(cv2.rotate(pixels, cv2.ROTATE_90_CLOCKWISE))
    if orientation == 7:
        return np.asarray(cv2.flip(cv2.transpose(pixels), -1))
    if orientation == 8:
        return np.asarray(cv2.rotate(pixels, cv2.ROTATE_90_COUNTERCLOCKWISE))
    return pixels


def _is_colourless(pixels: npt.NDArray[np.uint8]) -> bool:
    """Whether red, green and blue are equal everywhere, as in a camera's black-and-white mode.

    A coarse grid of pixels decides first, so that a coloured photo costs nothing.
    """
    step = max(1, min(pixels.shape[:2]) // 32)
    return _all_equal(pixels[::step, ::step]) and all(_all_equal(row) for row in pixels)


def _all_equal(pixels: npt.NDArray[np.uint8]) -> bool:
    red = pixels[..., 0]
    return bool(np.array_equal(red, pixels[..., 1]) and np.array_equal(red, pixels[..., 2]))


def _when(name: str, in_file: datetime | None, given: datetime | None) -> tuple[datetime | None, str]:
    for moment, source in ((given, "option"), (in_file, "exif"), (date_in_name(name), "file name")):
        if moment:
            return moment, source
    return None, "unknown"
