"""HEIC, as phones write it."""

from __future__ import annotations

import io

import numpy as np

from fragarea.errors import UnreadablePhoto
from fragarea.photo.decoding import AS_WRITTEN, COPY_AGAIN, Decoded, damaged, decoder_messages, grey_refusal
from fragarea.photo.limits import check_claimed_size

_BRANDS = frozenset({b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx"})

# Coded pictures hold no such run of zeros, and the decoder paints over what is missing without a word.
_BLANK_END_BYTES = 1024


def is_heic(data: bytes) -> bool:
    """Whether the file-type box names a brand of still pictures coded with HEVC (ISO/IEC 23008-12, annex B)."""
    if data[4:8] != b"ftyp":
        return False
    box = data[8 : min(int.from_bytes(data[:4], "big"), 256)]
    return any(box[at : at + 4] in _BRANDS for at in range(0, len(box), 4))


def decode_heic(name: str, data: bytes, *, allow_grey: bool) -> Decoded:
    """Decode the primary picture of a HEIC file; 10 bits become 8.

    The decoder turns the picture as the file's own rotation box says, which for HEIC overrules EXIF. It says nothing
    of damage in the middle of the coded picture; only cut-off files are found out.

    Raises
    ------
    UnreadablePhoto
        If the file is cut off or damaged, grey (unless allowed), partly transparent, too large or not what its
        header claims.
    """
    import pillow_heif  # slow to load, and most photos are JPEG

    if not data[-_BLANK_END_BYTES:].strip(b"\0"):
        raise UnreadablePhoto(name, "the end of the file is blank, as after an interrupted copy", COPY_AGAIN)
    with decoder_messages():
        try:
            picture = pillow_heif.open_heif(io.BytesIO(data))
            width, height = picture.size
            check_claimed_size(name, width, height, file_bytes=len(data), bytes_per_pixel=len(picture.mode))
            pixels = np.asarray(picture)
            exif = picture.info.get("exif")
        except UnreadablePhoto:
            raise
        except Exception as error:  # the decoder meets damaged bytes with almost any exception
            raise damaged(name) from error
    if picture.mode not in ("RGB", "RGBA", "L"):
        raise UnreadablePhoto(name, f"its pixels are of the rare kind {picture.mode}", AS_WRITTEN)
    if pixels.dtype != np.uint8 or pixels.shape[:2] != (height, width):
        raise damaged(name)
    if picture.mode == "L":
        if not allow_grey:
            raise grey_refusal(name)
        pixels = np.repeat(pixels.reshape(height, width, 1), 3, axis=2)
    if picture.mode == "RGBA" and pixels[..., 3].min() < 255:
        raise UnreadablePhoto(name, "parts of the photo are transparent", AS_WRITTEN)
    return Decoded(np.ascontiguousarray(pixels[..., :3]), bytes(exif) if exif else None, upright=True)
