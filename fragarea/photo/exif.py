"""What a photo says about itself: orientation, capture date, camera."""

from __future__ import annotations

import math
import re
import unicodedata
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta, timezone

from fragarea.photo.ifd import Directory, TagBlock, open_block
from fragarea.photo.records import CameraInfo

FIRST_YEAR = 1995
"""EXIF is of 1995; an earlier date is a camera whose clock was never set."""

LAST_YEAR = 2099

_MAKE, _MODEL, _ORIENTATION, _DATE, _EXIF = 0x010F, 0x0110, 0x0112, 0x0132, 0x8769
_ORIGINAL, _DIGITIZED = 0x9003, 0x9004
_OFFSET, _OFFSET_ORIGINAL, _OFFSET_DIGITIZED = 0x9010, 0x9011, 0x9012
_FOCAL, _FOCAL_35 = 0x920A, 0xA405
_MAIN_TAGS = frozenset({_MAKE, _MODEL, _ORIENTATION, _DATE, _EXIF})
# some writers put the dates into the first directory
_DATE_TAGS = frozenset({_ORIGINAL, _DIGITIZED, _OFFSET, _OFFSET_ORIGINAL, _OFFSET_DIGITIZED, _FOCAL, _FOCAL_35})

_MOMENT = re.compile(
    r"\s*(\d{4})[:\-/.](\d{2})[:\-/.](\d{2})[ T]+(\d{2}):(\d{2}):(\d{2})(?:[.,]\d*)?\s*(Z|[+-]\d{2}:?\d{2})?\s*\Z"
)
_OFFSET_TEXT = re.compile(r"\s*(?:(Z)|([+-])(\d{2}):?(\d{2}))\s*\Z")


@dataclass(frozen=True)
class ExifFacts:
    """The few tags that matter here.

    Attributes
    ----------
    orientation : int
        1 to 8; 1 when absent or nonsense.
    taken_at : datetime or None
        Aware when the file gives the offset from UTC.
    camera : CameraInfo
    """

    orientation: int = 1
    taken_at: datetime | None = None
    camera: CameraInfo = field(default_factory=CameraInfo)


def read_exif(block: bytes | None) -> ExifFacts:
    """Read an EXIF block (or a whole TIFF file); whatever is damaged counts as absent.

    Parameters
    ----------
    block : bytes or None
        From the byte-order mark on; a leading ``Exif\\0\\0`` is skipped.
    """
    tags = open_block((block or b"").removeprefix(b"Exif\0\0"))
    main = tags.directory(tags.first_offset, _MAIN_TAGS | _DATE_TAGS) if tags else None
    if tags is None or main is None:
        return ExifFacts()
    detail = _detail(tags, main)
    orientation = main.whole(_ORIENTATION, 1)
    return ExifFacts(orientation if 1 <= orientation <= 8 else 1, _taken_at(main, detail), _camera(main, detail))


def _detail(tags: TagBlock, main: Directory) -> Directory:
    """The main directory overlaid with the EXIF directory that it points to."""
    inner = tags.directory(main.whole(_EXIF, 0), _DATE_TAGS) if _EXIF in main.fields else None
    return Directory(main.fields | (inner.fields if inner else {}), 0)


def _taken_at(main: Directory, detail: Directory) -> datetime | None:
    pairs = (
        (detail.text(_ORIGINAL), detail.text(_OFFSET_ORIGINAL)),
        (detail.text(_DIGITIZED), detail.text(_OFFSET_DIGITIZED)),
        (main.text(_DATE), detail.text(_OFFSET)),
    )
    moments = (parse_moment(date, offset) for date, offset in pairs)
    return next((moment for moment in moments if moment), None)


def parse_moment(date: str, offset: str = "") -> datetime | None:
    """Return the moment that an EXIF date and its offset string name; None for blanks and nonsense.

    Fractions of a second are dropped. ``0000:00:00 00:00:00`` and dates before 1995 are cameras whose clock was never
    set. An unreadable offset leaves the moment naive.
    """
    match = _MOMENT.match(date)
    if not match or not FIRST_YEAR <= int(match[1]) <= LAST_YEAR:
        return None
    try:
        moment = datetime(*(int(match[i]) for i in range(1, 7)))  # type: ignore[arg-type]  # six numbers
    except ValueError:
        return None
    return moment.replace(tzinfo=_parse_offset(match[7] or offset))


def _parse_offset(text: str) -> timezone | None:
    match = _OFFSET_TEXT.match(text)
    if not match:
        return None
    if match[1]:
        return UTC
    hours, minutes = int(match[3]), int(match[4])
    # real offsets run from -12:00 to +14:00
    if hours > 14 or minutes > 59:
        return None
    return timezone((1 if match[2] == "+" else -1) * timedelta(hours=hours, minutes=minutes))


def _camera(main: Directory, detail: Directory) -> CameraInfo:
    return CameraInfo(
        make=clean_words(main.text(_MAKE)),
        model=clean_words(main.text(_MODEL)),
        focal_equiv_mm=_focal(detail.number(_FOCAL_35)),
        focal_mm=_focal(detail.number(_FOCAL)),
    )


def _focal(value: float | None) -> float | None:
    # 0 and 65535 stand for unknown; no lens is longer than 10 m
    usable = value is not None and math.isfinite(value) and 0 < value < 10_000
    return float(value) if usable and value is not None else None


def clean_words(text: str) -> str:
    """Text of a foreign file fit to print and store: letters, signs and single spaces, 64 at most."""
    spaced = "".join(
        letter if unicodedata.category(letter)[0] != "C" else "" if unicodedata.category(letter) == "Cf" else " "
        for letter in text[:1024]
    )
    return " ".join(spaced.split())[:64].strip()
