"""JPEG, the format nearly every photo comes in: one pass over the header, one over the picture.

References
----------
ITU-T T.81 (1992), annex B: markers and segments. CIPA DC-007: several pictures in one file, the first being the
photo itself.
"""

from __future__ import annotations

import re
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
)
from fragarea.photo.limits import check_claimed_size

_MAX_SEGMENTS = 4096
_START_OF_SCAN, _END_OF_IMAGE, _APP1 = 0xDA, 0xD9, 0xE1
_FRAMES = frozenset(range(0xC0, 0xD0)) - {0xC4, 0xC8, 0xCC}
_READABLE_FRAMES = frozenset({0xC0, 0xC1, 0xC2})
_PROGRESSIVE = 0xC2
_WITHOUT_LENGTH = frozenset({0x01, *range(0xD0, 0xD8)})

# Each scan of a progressive file visits the whole picture; usual files have about ten. A tiny file with thousands of
# empty scans would keep the decoder busy for hours.
_MAX_SCAN_PIXELS = 2_000_000_000

_DAMAGE = re.compile(
    r"premature end|bad Huffman|bad arithmetic|instead of RST|(?P<count>\d+) extraneous bytes before"
)
# Some cameras pad the end of the picture with a few stray bytes; decoders skip them and nothing is lost.
_HARMLESS_BYTES = re.compile(r"\b(\d{1,2}) extraneous bytes before marker 0xd9")


@dataclass(frozen=True)
class JpegHeader:
    """What stands before the picture data.

    Attributes
    ----------
    width_px, height_px : int
    components : int
        1 grey, 3 colour, 4 printing inks.
    bits : int
        Per channel.
    frame : int
        The frame marker's second byte: how the picture is coded.
    picture_at : int
        Offset of the first scan.
    exif : bytes or None
    """

    width_px: int
    height_px: int
    components: int
    bits: int
    frame: int
    picture_at: int
    exif: bytes | None


def decode_jpeg(name: str, data: bytes, *, allow_grey: bool) -> Decoded:
    """Decode the photo of a JPEG file, the first one where it holds several.

    Raises
    ------
    UnreadablePhoto
        If the file is cut off or damaged, grey (unless allowed), in printing inks, of a rare kind, too large or not
        what its header claims.
    """
    header = read_header(name, data)
    _check_kind(name, header, allow_grey=allow_grey)
    progressive = header.frame == _PROGRESSIVE
    check_claimed_size(name, header.width_px, header.height_px, file_bytes=len(data), progressive=progressive)
    if progressive:
        _check_scans(name, header, data)
    with decoder_messages() as messages:
        pixels = decode_with_opencv(data, cv2.IMREAD_COLOR_RGB | cv2.IMREAD_IGNORE_ORIENTATION)
    if pixels is None and data.find(b"\xff\xd9", header.picture_at) < 0:
        raise UnreadablePhoto(name, "the file is cut off: the end of the picture is missing", COPY_AGAIN)
    if pixels is None or pixels.shape != (header.height_px, header.width_px, 3) or tells_damage(messages.text):
        raise damaged(name)
    return Decoded(pixels, header.exif)


def tells_damage(messages: str) -> bool:
    """Whether a JPEG decoder's messages mean that part of the picture is lost.

    >>> tells_damage("Corrupt JPEG data: premature end of data segment")
    True
    >>> tells_damage("Corrupt JPEG data: 2 extraneous bytes before marker 0xd9")
    False
    """
    return any(_DAMAGE.search(line) and not _HARMLESS_BYTES.search(line) for line in messages.splitlines())


def read_header(name: str, data: bytes) -> JpegHeader:
    """Walk the segments up to the first scan.

    Raises
    ------
    UnreadablePhoto
        If the header ends early or makes no sense.
    """
    exif, frame = None, None
    at = 2
    for _ in range(_MAX_SEGMENTS):
        marker, at = _next_marker(name, data, at)
        if marker in _WITHOUT_LENGTH:
            continue
        if marker == _END_OF_IMAGE:
            break
        body = data[at + 2 : at + int.from_bytes(data[at : at + 2], "big")]
        if marker in _FRAMES and frame is None:
            frame = _frame(name, marker, body)
        elif marker == _APP1 and exif is None and body.startswith(b"Exif\0"):
            exif = body[6:]
        elif marker == _START_OF_SCAN and frame:
            return JpegHeader(*frame, picture_at=at, exif=exif)
        at += max(2, int.from_bytes(data[at : at + 2], "big"))
    raise damaged(name)


def _next_marker(name: str, data: bytes, at: int) -> tuple[int, int]:
    """Marker at `at`, and where its segment begins; fill bytes are skipped."""
    end = at
    while data[end : end + 1] == b"\xff":
        end += 1
    if end == at or end + 1 > len(data):
        cut_off = end >= len(data)
        cause = "the file is cut off inside its header" if cut_off else "its JPEG header is damaged"
        raise UnreadablePhoto(name, cause, COPY_AGAIN)
    return data[end], end + 1


def _frame(name: str, marker: int, body: bytes) -> tuple[int, int, int, int, int]:
    if len(body) < 6:
        raise damaged(name)
    height, width = int.from_bytes(body[1:3], "big"), int.from_bytes(body[3:5], "big")
    return width, height, body[5], body[0], marker


def _check_kind(name: str, header: JpegHeader, *, allow_grey: bool) -> None:
    if header.components == 4:
        raise UnreadablePhoto(name, "the photo is stored in printing inks (CMYK), not in camera colours", AS_WRITTEN)
    if header.components == 1 and not allow_grey:
        raise grey_refusal(name)
    if header.components not in (1, 3) or header.bits != 8 or header.frame not in _READABLE_FRAMES:
        cause = f"the photo uses a rare kind of JPEG ({header.bits} bits, {header.components} channels, coding "
        raise UnreadablePhoto(name, f"{cause}{header.frame - 0xC0})", "Save it as an ordinary 8-bit JPEG")


def _check_scans(name: str, header: JpegHeader, data: bytes) -> None:
    scans = 1 + data.count(b"\xff\xda", header.picture_at)
    if scans * header.width_px * header.height_px > _MAX_SCAN_PIXELS:
        raise UnreadablePhoto(name, f"the picture is split into {scans} scans", "Save it as an ordinary 8-bit JPEG")
