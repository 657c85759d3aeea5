"""PNG.

References
----------
PNG Specification (Third Edition), W3C 2025: chunks 5.3, IHDR 11.2.1, acTL 11.3.6.1, eXIf 11.3.4.7.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2

from fragarea.errors import UnreadablePhoto
from fragarea.photo.decoding import (
    AS_WRITTEN,
    COPY_AGAIN,
    Decoded,
    damaged,
    decode_with_opencv,
    decoder_messages,
    grey_refusal,
    to_rgb8,
)
from fragarea.photo.limits import check_claimed_size

SIGNATURE = b"\x89PNG\r\n\x1a\n"
_MAX_CHUNKS = 200_000
_GREY_TYPES = frozenset({0, 4})
# colour type -> channels after decoding (a palette becomes colours, perhaps transparent)
_CHANNELS = {0: 1, 2: 3, 3: 4, 4: 2, 6: 4}


@dataclass(frozen=True)
class PngHeader:
    """What the chunks say."""

    width_px: int
    height_px: int
    bits: int
    colour_type: int
    frames: int
    exif: bytes | None


def decode_png(name: str, data: bytes, *, allow_grey: bool) -> Decoded:
    """Decode a PNG file with one picture.

    Raises
    ------
    UnreadablePhoto
        If the file is cut off or damaged (every chunk has a checksum), animated, grey (unless allowed), partly
        transparent, too large or not what its header claims.
    """
    header = read_header(name, data)
    if header.frames > 1:
        raise UnreadablePhoto(name, f"the file is an animation of {header.frames} pictures", AS_WRITTEN)
    if header.colour_type in _GREY_TYPES and not allow_grey:
        raise grey_refusal(name)
    per_pixel = _CHANNELS[header.colour_type] * (2 if header.bits == 16 else 1)
    check_claimed_size(name, header.width_px, header.height_px, file_bytes=len(data), bytes_per_pixel=per_pixel)
    with decoder_messages() as messages:
        pixels = decode_with_opencv(data, cv2.IMREAD_UNCHANGED)
    # "Too much image data": the header claims fewer rows than the file holds
    wrong_amount = "image data" in messages.text
    if pixels is None or wrong_amount or pixels.shape[:2] != (header.height_px, header.width_px):
        raise damaged(name)
    return Decoded(to_rgb8(name, pixels), header.exif)


def read_header(name: str, data: bytes) -> PngHeader:
    """Walk the chunks without looking into the picture.

    Raises
    ------
    UnreadablePhoto
        If the chunks end early or the first one makes no sense.
    """
    first = data[16:29]
    if data[12:16] != b"IHDR" or len(first) < 13 or first[9] not in _CHANNELS:
        raise UnreadablePhoto(name, "its PNG header is damaged", COPY_AGAIN)
    frames, exif, at = 1, None, len(SIGNATURE)
    for _ in range(_MAX_CHUNKS):
        length, kind = int.from_bytes(data[at : at + 4], "big"), data[at + 4 : at + 8]
        if at + 12 + length > len(data):
            raise UnreadablePhoto(name, "the file is cut off: the end of the picture is missing", COPY_AGAIN)
        if kind == b"IEND":
            width, height = int.from_bytes(first[:4], "big"), int.from_bytes(first[4:8], "big")
            return PngHeader(width, height, first[8], first[9], frames, exif)
        if kind == b"acTL":
            frames = int.from_bytes(data[at + 8 : at + 12], "big")
        elif kind == b"eXIf":
            exif = data[at + 8 : at + 8 + length]
        at += 12 + length
    raise damaged(name)
