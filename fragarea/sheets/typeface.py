"""The typeface of the sheets, embedded in every file: Bitstream Vera, which reportlab brings along."""

from __future__ import annotations

from functools import lru_cache

from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont

PT_MM = 25.4 / 72
# Line height over font size.
LEADING = 1.32


@lru_cache(maxsize=2)
def face(bold: bool = False) -> str:
    """Name of the typeface in reportlab, registered on first use."""
    name = "VeraBd" if bold else "Vera"
    pdfmetrics.registerFont(TTFont(name, f"{name}.ttf"))
    return name


def width_mm(words: str, size_pt: float, bold: bool = False) -> float:
    """Length of one line of text."""
    return float(pdfmetrics.stringWidth(words, face(bold), size_pt)) * PT_MM


def wrapped(words: str, size_pt: float, room_mm: float, bold: bool = False) -> list[str]:
    """Lines that are no longer than the room; a longer single word stands alone."""
    lines: list[str] = []
    for word in words.split():
        longer = f"{lines[-1]} {word}" if lines else word
        if lines and width_mm(longer, size_pt, bold) <= room_mm:
            lines[-1] = longer
        else:
            lines.append(word)
    return lines
