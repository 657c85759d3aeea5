"""TIFF with 8 or 16 bits per channel.

References
----------
TIFF Revision 6.0 (1992); tag and compression numbers as registered there. DNGVersion: DNG specification 1.7.
"""

from __future__ import annotations

import zlib
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
from fragarea.photo.ifd import Directory, TagBlock, open_block
from fragarea.photo.limits import MAX_PIXELS, check_claimed_size

_SUBFILE, _WIDTH, _HEIGHT, _BITS, _COMPRESSION, _COLOURS = 254, 256, 257, 258, 259, 262
_STRIP_OFFSETS, _STRIP_BYTES, _TILE_OFFSETS, _TILE_BYTES = 273, 279, 324, 325
_ORIENTATION, _SAMPLES, _PLANAR, _SAMPLE_FORMAT, _TILE_WIDTH, _TILE_HEIGHT, _DNG = 274, 277, 284, 339, 322, 323, 50706
_TAGS = frozenset(
    {
        *(_SUBFILE, _WIDTH, _HEIGHT, _BITS, _COMPRESSION, _COLOURS, _STRIP_OFFSETS, _STRIP_BYTES, _TILE_OFFSETS),
        *(_TILE_BYTES, _ORIENTATION, _SAMPLES, _PLANAR, _SAMPLE_FORMAT, _TILE_WIDTH, _TILE_HEIGHT, _DNG),
    }
)
_GREY_KINDS = frozenset({0, 1})
_RGB, _PALETTE, _INKS, _YCBCR = 2, 3, 5, 6
_RAW_KINDS = frozenset({32803, 34892})
_NO_COMPRESSION = 1
_DEFLATE = frozenset({8, 32946})
_COMPRESSIONS = _DEFLATE | {_NO_COMPRESSION, 5, 7, 32773}  # LZW, JPEG, PackBits
_INFLATE_STEP_BYTES = 1 << 22
_MAX_PAGES = 64
_EXPORT = "Export it as an 8-bit RGB TIFF or as JPEG"


@dataclass(frozen=True)
class _Page:
    """One picture of a TIFF file, as its tags describe it."""

    tags: Directory

    @property
    def width_px(self) -> int:
        return self.tags.whole(_WIDTH, 0)

    @property
    def height_px(self) -> int:
        return self.tags.whole(_HEIGHT, 0)

    @property
    def bits(self) -> tuple[int, ...]:
        return self.tags.wholes(_BITS) or (1,)

    @property
    def samples(self) -> int:
        return self.tags.whole(_SAMPLES, 1)

    @property
    def kind(self) -> int:
        return self.tags.whole(_COLOURS, -1)

    @property
    def reduced(self) -> bool:
        """Whether the page says that it is a smaller copy or a mask of another one."""
        return bool(self.tags.whole(_SUBFILE, 0) & 0b101)


def decode_tiff(name: str, data: bytes, *, allow_grey: bool) -> Decoded:
    """Decode a TIFF file with one picture; smaller copies of it beside it (thumbnails) are left alone.

    Raises
    ------
    UnreadablePhoto
        If the file is cut off or damaged, holds several pictures, is grey (unless allowed), in printing inks, raw
        sensor data or another kind that is not a photo in camera colours, has neither 8 nor 16 bits, is partly
        transparent, too large or not what its header claims.
    """
    block = open_block(data)
    pages = _pages(block) if block else []
    if not block or not pages:
        raise UnreadablePhoto(name, "its TIFF header is damaged or cut off", COPY_AGAIN)
    page = pages[0]
    _check_pages(name, pages)
    _check_kind(name, page, allow_grey=allow_grey)
    per_pixel = page.bits[0] // 8 * min(page.samples, 4)
    check_claimed_size(name, page.width_px, page.height_px, file_bytes=len(data), bytes_per_pixel=per_pixel)
    _check_pieces(name, page, data)
    with decoder_messages() as messages:
        pixels = decode_with_opencv(_unturned(block, page), cv2.IMREAD_UNCHANGED)
    if pixels is None or pixels.shape[:2] != (page.height_px, page.width_px) or "rror" in messages.text:
        raise damaged(name)
    return Decoded(to_rgb8(name, pixels), data)


def _pages(block: TagBlock) -> list[_Page]:
    pages: list[_Page] = []
    offset, seen = block.first_offset, set[int]()
    while offset and offset not in seen and len(pages) < _MAX_PAGES:
        seen.add(offset)
        directory = block.directory(offset, _TAGS)
        if directory is None:
            break
        pages.append(_Page(directory))
        offset = directory.next_offset
    return pages


def _check_pages(name: str, pages: list[_Page]) -> None:
    half = pages[0].width_px / 2
    full_size = 1 + sum(not page.reduced and page.width_px > half for page in pages[1:])
    if full_size > 1:
        raise UnreadablePhoto(name, f"the file holds {full_size} pictures, not one", "Save each as its own file")


def _check_kind(name: str, page: _Page, *, allow_grey: bool) -> None:
    if _DNG in page.tags.fields or page.kind in _RAW_KINDS or page.reduced:
        raise UnreadablePhoto(name, "the file holds raw sensor data, not a finished photo", _EXPORT)
    if page.kind == _INKS:
        raise UnreadablePhoto(name, "the photo is stored in printing inks (CMYK), not in camera colours", AS_WRITTEN)
    if page.kind in _GREY_KINDS and not allow_grey:
        raise grey_refusal(name)
    whole = all(code == 1 for code in page.tags.wholes(_SAMPLE_FORMAT))
    if len(set(page.bits)) != 1 or page.bits[0] not in (8, 16) or not whole:
        bits = "/".join(str(bits) for bits in page.bits[:4])
        numbers = "whole numbers" if whole else "signed or real numbers"
        raise UnreadablePhoto(name, f"its channels hold {numbers} of {bits} bits, not 8 or 16", _EXPORT)
    samples = {_RGB: (3, 4), _YCBCR: (3,), _PALETTE: (1,), 0: (1,), 1: (1,)}.get(page.kind, ())
    if page.samples not in samples or (page.kind in (_PALETTE, _YCBCR) and page.bits[0] != 8):
        cause = f"its {page.samples} channel(s) of colour kind {page.kind} are not red, green and blue"
        raise UnreadablePhoto(name, cause, _EXPORT)
    # OpenCV misreads 16-bit channels that are stored one after the other
    if page.tags.whole(_PLANAR, 1) != 1 and page.bits[0] == 16:
        raise UnreadablePhoto(name, "its 16-bit channels are stored in separate planes", _EXPORT)


def _check_pieces(name: str, page: _Page, data: bytes) -> None:
    """Every strip or tile must lie inside the file; plain and deflated ones must hold the pixels claimed.

    Deflated pieces carry a checksum that decoders do not look at. LZW, PackBits and JPEG pieces carry none.
    """
    compression = page.tags.whole(_COMPRESSION, _NO_COMPRESSION)
    if compression not in _COMPRESSIONS:
        raise UnreadablePhoto(name, f"its compression (number {compression}) is not one read here", _EXPORT)
    offsets = page.tags.wholes(_STRIP_OFFSETS) or page.tags.wholes(_TILE_OFFSETS)
    counts = page.tags.wholes(_STRIP_BYTES) or page.tags.wholes(_TILE_BYTES)
    if not offsets or len(offsets) != len(counts) or min(counts) <= 0:
        raise damaged(name)
    if max(at + count for at, count in zip(offsets, counts, strict=True)) > len(data):
        raise UnreadablePhoto(name, "the file is cut off: the end of the picture is missing", COPY_AGAIN)
    if page.tags.whole(_TILE_WIDTH, 1) * page.tags.whole(_TILE_HEIGHT, 1) > MAX_PIXELS // 4:
        raise damaged(name)
    sizes = counts
    if compression in _DEFLATE:
        sizes = tuple(_inflated_bytes(data[at : at + count]) for at, count in zip(offsets, counts, strict=True))
    if compression in _DEFLATE or compression == _NO_COMPRESSION:
        _check_amount(name, page, sizes)


def _check_amount(name: str, page: _Page, sizes: tuple[int, ...]) -> None:
    """The strips or tiles must hold the pixels that the header claims, no fewer and not many more."""
    needed = page.width_px * page.height_px * page.samples * page.bits[0] // 8
    padded = _TILE_OFFSETS in page.tags.fields
    # half a percent for writers that round strips up to whole blocks
    if min(sizes) <= 0 or sum(sizes) < needed or (not padded and sum(sizes) > 1.005 * needed + 4096):
        raise damaged(name)


def _inflated_bytes(deflated: bytes) -> int:
    """Length of a deflated piece once inflated; -1 where its checksum or its end is missing."""
    unpacker = zlib.decompressobj()
    total, rest = 0, deflated
    try:
        while rest:
            total += len(unpacker.decompress(rest, _INFLATE_STEP_BYTES))
            rest = unpacker.unconsumed_tail
    except zlib.error:
        return -1
    return total if unpacker.eof else -1


def _unturned(block: TagBlock, page: _Page) -> bytes:
    """The file with its orientation set to 1: OpenCV turns some kinds of TIFF and not others, so we turn all."""
    field = page.tags.fields.get(_ORIENTATION)
    if field is None or field.numbers == (1,):
        return block.data
    patched = bytearray(block.data)
    patched[field.at : field.at + 2] = (1).to_bytes(2, "little" if block.order == "<" else "big")
    return bytes(patched)
