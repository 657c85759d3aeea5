"""Pictures on disk: JPEG files of our own, never in the place of a photo."""

from __future__ import annotations

import contextlib
import io
import os
import re
import unicodedata
from pathlib import Path

import cv2
import numpy as np
from PIL import Image as PillowImage
from PIL import UnidentifiedImageError

from fragarea.errors import SettingsProblem
from fragarea.report.strokes import Image

QUALITY = 88
MARK = b"fragarea report picture"
"""JPEG comment by which a picture of ours is known."""

_LONGEST_NAME = 80


def jpeg_bytes(image: Image, *, quality: int = QUALITY) -> bytes:
    """Encode a picture as JPEG, marked as one of ours.

    Parameters
    ----------
    image : ndarray of uint8, shape (rows, columns, 3)
        sRGB.
    quality : int
        1 to 95.
    """
    buffer = io.BytesIO()
    # colour at full resolution: thin coloured lines smear in the usual half of it
    PillowImage.fromarray(image).save(buffer, "JPEG", quality=quality, subsampling=0, comment=MARK)
    return buffer.getvalue()


def reduced(image: Image, max_side_px: int) -> Image:
    """The picture with its longer side at most `max_side_px`; never enlarged."""
    rows, columns = image.shape[:2]
    scale = max_side_px / max(rows, columns)
    if scale >= 1:
        return image
    size = (max(1, round(columns * scale)), max(1, round(rows * scale)))
    return np.asarray(cv2.resize(image, size, interpolation=cv2.INTER_AREA), dtype=np.uint8)


def save_picture(image: Image, path: Path, *, quality: int = QUALITY) -> None:
    """Write a picture as a JPEG file; all of it or nothing, whatever moment the program is ended at.

    Parameters
    ----------
    image : ndarray of uint8, shape (rows, columns, 3)
    path : Path
        Its folder is made if need be. A file there is replaced only when it is one of our pictures.
    quality : int

    Raises
    ------
    SettingsProblem
        If another file, such as a photo, lies at the path, or the folder cannot be written to.
    """
    if path.exists() and not is_our_picture(path):
        raise SettingsProblem(
            f"{path}: a file that is no report picture lies here. Choose another folder for reports."
        )
    write_whole(path, jpeg_bytes(image, quality=quality))


def is_our_picture(path: Path) -> bool:
    """Whether a file is a JPEG that :func:`save_picture` wrote."""
    try:
        with PillowImage.open(path) as picture:
            return picture.format == "JPEG" and picture.info.get("comment") == MARK
    except (OSError, UnidentifiedImageError, ValueError, PillowImage.DecompressionBombError):
        return False


def write_whole(path: Path, content: bytes) -> None:
    """Write a file under another name first, then put it in place in one step.

    Raises
    ------
    SettingsProblem
        If the folder cannot be made or written to.
    """
    partial = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        partial.write_bytes(content)
        partial.replace(path)
    except OSError as error:
        with contextlib.suppress(OSError):
            partial.unlink()
        raise SettingsProblem(f"{path}: cannot be written ({error.strerror}). Choose another folder.") from error


def file_stem(*parts: str) -> str:
    """A file name without ending from names that people gave, safe on every system.

    Letters, digits, dots, dashes and underscores stay, everything else becomes a dash.

    Examples
    --------
    >>> file_stem("TRAY 1", "../IMG 0412.jpg")
    'TRAY-1_IMG-0412.jpg'
    """
    cleaned = [re.sub(r"[^\w.-]+", "-", unicodedata.normalize("NFC", part)).strip("-.") for part in parts]
    return "_".join(part[:_LONGEST_NAME].rstrip("-.") for part in cleaned if part) or "picture"
