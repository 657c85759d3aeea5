"""Photo files on disk: which names are photos, their bytes and their hash. Files are only ever opened for reading."""

from __future__ import annotations

import hashlib
import os
import stat
import unicodedata
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO

from fragarea.errors import UnreadablePhoto

SUFFIXES = frozenset({".jpg", ".jpeg", ".jpe", ".mpo", ".png", ".tif", ".tiff", ".heic", ".heif", ".hif"})
"""Endings of photo files, lower case; what a file is, its first bytes decide."""

MAX_FILE_BYTES = 1 << 30
"""Above any photo within the pixel limit; keeps a mistaken film or disk image out of memory."""

_CHUNK_BYTES = 1 << 20


def looks_like_photo(path: str | os.PathLike[str]) -> bool:
    """Whether a file found while scanning a folder should be offered to `read_photo`.

    Only the name counts. Hidden files are left out: some systems keep a ``._name.jpg`` beside every photo, which is
    not one.
    """
    name = Path(path).name
    return not name.startswith(".") and Path(name).suffix.lower() in SUFFIXES


def shown_name(path: str | os.PathLike[str]) -> str:
    """File name without its folder, fit to print and to store: no control characters, no broken bytes."""
    name = os.fsencode(Path(path).name or str(path)).decode("utf-8", "replace")
    return "".join("\ufffd" if unicodedata.category(letter) in ("Cc", "Cs") else letter for letter in name)


def photo_hash(path: str | os.PathLike[str]) -> str:
    """Return the SHA-256 of a file's bytes, in hexadecimal: the photo's identity.

    Any regular file has one, also a file that `read_photo` refuses. It is read in pieces, so memory stays small.

    Raises
    ------
    UnreadablePhoto
        If the path is not a regular file or cannot be read.
    """
    digest = hashlib.sha256()
    with open_photo(path) as file:
        while piece := file.read(_CHUNK_BYTES):
            digest.update(piece)
    return digest.hexdigest()


def read_bytes(path: str | os.PathLike[str]) -> bytes:
    """Return all bytes of a photo file.

    Raises
    ------
    UnreadablePhoto
        If the path is not a regular file, cannot be read, is empty or larger than `MAX_FILE_BYTES`.
    """
    with open_photo(path) as file:
        size = os.fstat(file.fileno()).st_size
        if size > MAX_FILE_BYTES:
            cause = f"the file has {size / 1e9:.1f} GB, more than any photo read here"
            raise UnreadablePhoto(shown_name(path), cause, "Give the photo itself, not a film or an archive")
        data = file.read(size)
    if not data:
        raise UnreadablePhoto(shown_name(path), "the file is empty", "Copy it again from the camera")
    return data


@contextmanager
def open_photo(path: str | os.PathLike[str]) -> Iterator[BinaryIO]:
    """Open a regular file for reading, without buffer; anything else is refused at once.

    Raises
    ------
    UnreadablePhoto
        If there is no such file, it is a folder, a pipe or a device, or reading fails.
    """
    try:
        _check_regular(path, Path(path).stat().st_mode)
        # O_NONBLOCK: should a pipe take the file's place after the check, opening it still does not wait.
        flags = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0) | getattr(os, "O_CLOEXEC", 0)
        with os.fdopen(os.open(path, flags), "rb", buffering=0) as file:
            _check_regular(path, os.fstat(file.fileno()).st_mode)
            yield file
    except (OSError, ValueError) as error:
        raise UnreadablePhoto(shown_name(path), *_advice(path, error)) from error


def _check_regular(path: str | os.PathLike[str], mode: int) -> None:
    if stat.S_ISDIR(mode):
        raise UnreadablePhoto(shown_name(path), "this is a folder, not a photo", "Give the photos inside it")
    if not stat.S_ISREG(mode):
        raise UnreadablePhoto(
            shown_name(path), "this is a pipe, socket or device, not a file", "Give a photo stored as a file"
        )


def _advice(path: str | os.PathLike[str], error: OSError | ValueError) -> tuple[str, str]:
    if isinstance(error, PermissionError):
        return "the file may not be read by this user", "Change its permissions or copy it to a folder of yours"
    if isinstance(error, FileNotFoundError) and Path(path).is_symlink():
        return "this link leads to a file that is not there", "Copy the photo itself instead of a link"
    if isinstance(error, FileNotFoundError | ValueError):
        return "there is no such file", "Check its name and folder"
    reason = os.strerror(error.errno) if error.errno else "input or output error"
    return f"the file cannot be read ({reason})", "Check the disk or card, and copy the photo again"
