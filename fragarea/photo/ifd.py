"""Reader for tag directories, the structure that EXIF blocks and TIFF files share.

Written for bytes that nobody vouches for: every offset and count is checked, and a tag that does not fit is absent.

References
----------
TIFF Revision 6.0 (1992), section 2; CIPA DC-008 (Exif 2.32), 4.6.2. BigTIFF layout from the tifffile and libtiff
documentation.
"""

from __future__ import annotations

import math
import struct
from dataclasses import dataclass

# type code -> (struct letter, bytes); rationals are two numbers
_TYPES = {
    1: ("B", 1),
    2: ("s", 1),
    3: ("H", 2),
    4: ("I", 4),
    5: ("II", 8),
    6: ("b", 1),
    7: ("s", 1),
    8: ("h", 2),
    9: ("i", 4),
    10: ("ii", 8),
    13: ("I", 4),
    16: ("Q", 8),
    18: ("Q", 8),
}
_MAX_VALUES = 1 << 20
_MAX_ENTRIES = 4096


@dataclass(frozen=True)
class Field:
    """One tag: its numbers, or its text; `at` is where the value's bytes begin."""

    numbers: tuple[float, ...]
    text: str
    at: int


@dataclass(frozen=True)
class Directory:
    """Tags of one directory, and the offset of the next one (0: none)."""

    fields: dict[int, Field]
    next_offset: int

    def number(self, tag: int) -> float | None:
        """First number of a tag, or None."""
        field = self.fields.get(tag)
        return field.numbers[0] if field and field.numbers else None

    def whole(self, tag: int, default: int) -> int:
        """First number of a tag as a whole number."""
        value = self.number(tag)
        return default if value is None or not math.isfinite(value) else int(value)

    def wholes(self, tag: int) -> tuple[int, ...]:
        """All numbers of a tag; empty when it is absent or holds ratios."""
        field = self.fields.get(tag)
        return tuple(value for value in field.numbers if isinstance(value, int)) if field else ()

    def text(self, tag: int) -> str:
        """Text of a tag; empty when absent."""
        field = self.fields.get(tag)
        return field.text if field else ""


@dataclass(frozen=True)
class TagBlock:
    """A block of bytes that begins like a TIFF file."""

    data: bytes
    order: str
    big: bool
    first_offset: int

    def directory(self, offset: int, wanted: frozenset[int]) -> Directory | None:
        """Read the wanted tags of the directory at `offset`; None when no directory can be there."""
        count_letter, entry_bytes, link_letter = ("Q", 20, "Q") if self.big else ("H", 12, "I")
        count = self._one(count_letter, offset)
        if count is None or not 0 < count <= _MAX_ENTRIES:
            return None
        start = offset + struct.calcsize(count_letter)
        fields = {}
        for at in range(start, start + count * entry_bytes, entry_bytes):
            tag = self._one("H", at)
            if tag in wanted and tag not in fields and (field := self._field(at)):
                fields[tag] = field
        return Directory(fields, self._one(link_letter, start + count * entry_bytes) or 0)

    def _field(self, at: int) -> Field | None:
        kind, count = self._one("H", at + 2), self._one("Q" if self.big else "I", at + 4)
        if kind not in _TYPES or not count or count > _MAX_VALUES:
            return None
        letter, size = _TYPES[kind]
        inline, inline_bytes = (at + 12, 8) if self.big else (at + 8, 4)
        place = inline if count * size <= inline_bytes else self._one("Q" if self.big else "I", inline)
        if place is None or place + count * size > len(self.data):
            return None
        raw = self.data[place : place + count * size]
        if letter == "s":
            return Field((), _text(raw), place)
        numbers = struct.unpack(f"{self.order}{count * len(letter)}{letter[0]}", raw)
        return Field(_ratios(numbers) if len(letter) == 2 else numbers, "", place)

    def _one(self, letter: str, at: int) -> int | None:
        if at < 0 or at + struct.calcsize(letter) > len(self.data):
            return None
        return int(struct.unpack_from(self.order + letter, self.data, at)[0])


def open_block(data: bytes) -> TagBlock | None:
    """Recognise a TIFF or BigTIFF header; None for anything else."""
    order = {b"II": "<", b"MM": ">"}.get(data[:2])
    if order is None or len(data) < 16:
        return None
    magic = struct.unpack_from(order + "H", data, 2)[0]
    if magic == 42:
        return TagBlock(data, order, False, struct.unpack_from(order + "I", data, 4)[0])
    if magic == 43 and struct.unpack_from(order + "H", data, 4)[0] == 8:
        return TagBlock(data, order, True, struct.unpack_from(order + "Q", data, 8)[0])
    return None


def _ratios(numbers: tuple[int, ...]) -> tuple[float, ...]:
    return tuple(
        top / bottom if bottom else math.nan for top, bottom in zip(numbers[::2], numbers[1::2], strict=True)
    )


def _text(raw: bytes) -> str:
    kept = raw[:4096].split(b"\0", 1)[0]
    try:
        return kept.decode("utf-8")
    except UnicodeDecodeError:
        return kept.decode("latin-1")
