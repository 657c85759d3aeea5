"""Small photos with known pixels, made when a test needs them."""

from __future__ import annotations

import io
import struct
from typing import Any

import numpy as np
import numpy.typing as npt
import tifffile
from PIL import Image, ImageFile

ImageFile.MAXBLOCK = 1 << 22  # Pillow writes a progressive JPEG in one block

Pixels = npt.NDArray[np.uint8]


def scene(rows: int = 48, columns: int = 64) -> Pixels:
    """A smooth coloured picture without any symmetry, so that every turn of it looks different."""
    y, x = np.mgrid[0:rows, 0:columns]
    red, green, blue = 60 + 150 * x / columns, 40 + 160 * y / rows, 200 - 90 * x / columns - 60 * y / rows
    return np.dstack([red, green, blue]).astype(np.uint8)


def noise(rows: int = 240, columns: int = 320, seed: int = 5) -> Pixels:
    """Coloured noise: a picture that compresses badly, so that files have many bytes to damage."""
    return np.random.default_rng(seed).integers(0, 256, (rows, columns, 3), dtype=np.uint8)


def exif_block(
    *, main: dict[int, Any] | None = None, detail: dict[int, Any] | None = None, orientation: int | None = None
) -> bytes:
    """An EXIF block written by Pillow."""
    exif = Image.Exif()
    for tag, value in (main or {}).items():
        exif[tag] = value
    if orientation is not None:
        exif[0x0112] = orientation
    if detail:
        exif.get_ifd(0x8769).update(detail)
        exif[0x8769] = exif.get_ifd(0x8769)
    return exif.tobytes()


def saved(pixels: npt.NDArray[Any] | Image.Image, kind: str, **options: Any) -> bytes:
    """A file of the given Pillow format."""
    picture = pixels if isinstance(pixels, Image.Image) else Image.fromarray(pixels)
    store = io.BytesIO()
    picture.save(store, kind, **options)
    return store.getvalue()


def jpeg(pixels: Pixels | None = None, **options: Any) -> bytes:
    """A JPEG without chroma subsampling, near its pixels to a few grey levels."""
    return saved(scene() if pixels is None else pixels, "JPEG", **{"quality": 95, "subsampling": 0} | options)


def tiff(pixels: npt.NDArray[Any], **options: Any) -> bytes:
    """A TIFF written by tifffile."""
    store = io.BytesIO()
    tifffile.imwrite(store, pixels, **{"photometric": "rgb"} | options)
    return store.getvalue()


def heic(pixels: Pixels | None = None, **options: Any) -> bytes:
    """A HEIC file."""
    import pillow_heif

    store = io.BytesIO()
    pillow_heif.from_pillow(Image.fromarray(scene() if pixels is None else pixels)).save(store, **options)
    return store.getvalue()


def with_jpeg_size(data: bytes, width_px: int, height_px: int) -> bytes:
    """The same JPEG with another size in its header."""
    at = next(at for at in range(2, len(data)) if data[at] == 0xFF and data[at + 1] in (0xC0, 0xC2))
    return data[: at + 5] + struct.pack(">HH", height_px, width_px) + data[at + 9 :]


def with_png_size(data: bytes, width_px: int, height_px: int) -> bytes:
    """The same PNG with another size in its header, and the header's checksum made to fit."""
    import zlib

    body = b"IHDR" + struct.pack(">II", width_px, height_px) + data[24:29]
    return data[:12] + body + struct.pack(">I", zlib.crc32(body)) + data[33:]
