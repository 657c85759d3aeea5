"""What the decoders for single formats hand over, and what they share."""

from __future__ import annotations

import os
import re
import tempfile
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from fragarea.errors import UnreadablePhoto

COPY_AGAIN = "Copy it again from the camera or its card"
AS_WRITTEN = "Give the photo as the camera wrote it, in colour, as JPEG, PNG, TIFF or HEIC"

_DECODER_LINE = re.compile(
    rb"^(Corrupt JPEG|Premature end|Warning: unknown JFIF|Inconsistent progression|Invalid|Unsupported|Application"
    rb"|libpng|TIFF|\[ ?(WARN|ERROR):)|^\s*$"
)
_stderr_lock = threading.Lock()


@dataclass(frozen=True, eq=False)
class Decoded:
    """Pixels as stored.

    Attributes
    ----------
    pixels : ndarray of uint8, shape (rows, columns, 3)
        R, G, B; contiguous.
    exif : bytes or None
        The EXIF block.
    upright : bool
        Whether the decoder has already turned the photo upright.
    """

    pixels: npt.NDArray[np.uint8]
    exif: bytes | None
    upright: bool = False


@dataclass
class DecoderMessages:
    """What a decoder complained about; filled when the `with` block ends."""

    text: str = ""


@contextmanager
def decoder_messages() -> Iterator[DecoderMessages]:
    """Collect what image decoders write to standard error while the block runs.

    The JPEG decoder reports damage inside the picture in no other way: it paints what it could not read grey and
    calls that success. Lines that are not a decoder's (another thread's, say) are passed on afterwards.
    """
    messages = DecoderMessages()
    with _stderr_lock:
        try:
            kept = os.dup(2)
        except OSError:  # started without a standard error: nothing to listen to
            yield messages
            return
        store = os.memfd_create("messages") if hasattr(os, "memfd_create") else _temporary()
        try:
            os.dup2(store, 2)
            try:
                yield messages
            finally:
                os.dup2(kept, 2)
                messages.text = _stored(store)
        finally:
            os.close(store)
            os.close(kept)


def _temporary() -> int:
    handle, path = tempfile.mkstemp()
    with suppress(OSError):  # not on systems that keep open files
        Path(path).unlink()
    return handle


def _stored(store: int) -> str:
    size = os.fstat(store).st_size
    if not size:
        return ""
    os.lseek(store, 0, os.SEEK_SET)
    lines = os.read(store, size).splitlines()
    foreign = [line for line in lines if not _DECODER_LINE.search(line)]
    if foreign:
        os.write(2, b"\n".join(foreign) + b"\n")
    return b"\n".join(line for line in lines if _DECODER_LINE.search(line)).decode("utf-8", "replace")


def decode_with_opencv(data: bytes, flags: int) -> npt.NDArray[Any] | None:
    """`cv2.imdecode` with its exceptions turned into None."""
    try:
        pixels: npt.NDArray[Any] | None = cv2.imdecode(np.frombuffer(data, np.uint8), flags)
    except cv2.error:
        return None
    return pixels


def damaged(name: str) -> UnreadablePhoto:
    """The error for picture data that end early or make no sense."""
    return UnreadablePhoto(name, "the picture inside the file is cut off or damaged", COPY_AGAIN)


def grey_refusal(name: str) -> UnreadablePhoto:
    """The error for a photo without colour."""
    cause = "the photo is grey, and tissue is told from its surroundings by colour"
    return UnreadablePhoto(name, cause, "Retake it in colour, with the camera's black-and-white mode off")


def to_rgb8(name: str, pixels: npt.NDArray[Any]) -> npt.NDArray[np.uint8]:
    """Bring what `cv2.imdecode` returned unchanged to 8-bit R, G, B.

    Parameters
    ----------
    pixels : ndarray of uint8 or uint16, shape (rows, columns) or (rows, columns, 1, 3 or 4)
        Grey, or B, G, R and opacity. 16-bit values are divided by 257 and rounded, so that white stays white.

    Raises
    ------
    UnreadablePhoto
        If parts are transparent, or a 16-bit file uses only the lowest 12 bits.
    """
    if pixels.ndim == 3 and pixels.shape[2] == 4 and pixels[..., 3].min() < np.iinfo(pixels.dtype).max:
        cause = "parts of the photo are transparent, so it was edited after it was taken"
        raise UnreadablePhoto(name, cause, "Give the photo as the camera wrote it")
    small = _to_8_bit(name, pixels) if pixels.dtype == np.uint16 else pixels.astype(np.uint8, copy=False)
    if small.ndim == 2 or small.shape[2] == 1:
        return np.asarray(cv2.cvtColor(small, cv2.COLOR_GRAY2RGB))
    if small.shape[2] == 4:
        return np.asarray(cv2.cvtColor(small, cv2.COLOR_BGRA2RGB))
    return np.asarray(cv2.cvtColor(small, cv2.COLOR_BGR2RGB, dst=small))


def _to_8_bit(name: str, pixels: npt.NDArray[Any]) -> npt.NDArray[np.uint8]:
    if 0 < int(pixels[..., :3].max() if pixels.ndim == 3 else pixels.max()) < 4096:
        cause = "the file has 16 bits per channel but uses at most 12 of them, so its brightness scale is unknown"
        raise UnreadablePhoto(name, cause, "Export it again as 8-bit or full-range 16-bit sRGB")
    # 257 is odd, so no quotient lies half way between two whole numbers and float rounding is exact.
    return np.asarray(cv2.convertScaleAbs(pixels, alpha=1 / 257))
