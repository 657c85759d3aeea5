"""Text on pictures, in a typeface that a dependency brings along, so that every machine draws the same."""

from __future__ import annotations

import importlib.util
import unicodedata
from functools import lru_cache
from pathlib import Path

from PIL import ImageFont

# Line height over font size of the typeface (Bitstream Vera, shipped with reportlab).
LINE = 1.22


@lru_cache(maxsize=64)
def font(size_px: int, bold: bool = False) -> ImageFont.FreeTypeFont:
    """The typeface at a size in pixels."""
    spec = importlib.util.find_spec("reportlab")
    assert spec is not None
    assert spec.submodule_search_locations
    folder = Path(spec.submodule_search_locations[0]) / "fonts"
    return ImageFont.truetype(str(folder / ("VeraBd.ttf" if bold else "Vera.ttf")), size_px)


def printable(text: str) -> str:
    """Text with only characters that the typeface can draw.

    Control and direction marks go, other letters lose an accent that is not in the typeface or become ``?``.
    """
    return "".join(_drawn(c) for c in unicodedata.normalize("NFC", text))


@lru_cache(maxsize=4096)
def _drawn(character: str) -> str:
    if character.isspace():
        return " "
    if unicodedata.category(character).startswith("C"):
        return ""
    if _has(character):
        return character
    base = unicodedata.normalize("NFKD", character)[0]
    return base if base != character and _has(base) else "?"


@lru_cache(maxsize=4096)
def _has(character: str) -> bool:
    if " " <= character <= "~":
        return True
    face = font(32)
    return bytes(face.getmask(character)) != bytes(face.getmask("\uffff"))


def width_of(text: str, face: ImageFont.FreeTypeFont) -> float:
    """Length of one line of printable text in pixels."""
    return float(face.getlength(text))


def shortened(text: str, face: ImageFont.FreeTypeFont, width_px: float) -> str:
    """The text, cut and ended with an ellipsis where it is longer than the width."""
    if width_of(text, face) <= width_px:
        return text
    low, high = 0, len(text)
    while low < high:
        middle = (low + high + 1) // 2
        if width_of(text[:middle].rstrip() + "…", face) <= width_px:
            low = middle
        else:
            high = middle - 1
    return text[:low].rstrip() + "…"


def wrapped(text: str, face: ImageFont.FreeTypeFont, width_px: float) -> list[str]:
    """Lines of at most the width; a single word that is longer is cut."""
    lines: list[str] = []
    for word in text.split():
        longer = f"{lines[-1]} {word}" if lines else word
        if lines and width_of(longer, face) <= width_px:
            lines[-1] = longer
        else:
            lines.append(shortened(word, face, width_px))
    return lines
