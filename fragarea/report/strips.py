"""The strips of text above and below a picture."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from PIL import Image as PillowImage
from PIL import ImageDraw

from fragarea.report.fonts import LINE, font, printable, width_of, wrapped
from fragarea.report.strokes import DOUBT_RING, Image, LineStyle, Points, draw_lines

PAPER = (16, 22, 28)
INK = (244, 244, 240)
ALARM_INK = (20, 16, 0)
ALARM = DOUBT_RING.colour


@dataclass(frozen=True)
class StripLine:
    """One paragraph of a strip.

    Attributes
    ----------
    text : str
    bold : bool
    mark : str
        ``"!"`` for a warning mark before it, ``"-"`` for a dot, empty for none.
    """

    text: str
    bold: bool = False
    mark: str = ""


def text_strip(lines: Sequence[StripLine], width_px: int, size_px: int) -> Image:
    """A strip of wrapped paragraphs.

    Parameters
    ----------
    lines : sequence of StripLine
    width_px : int
    size_px : int
        Font size.

    Returns
    -------
    ndarray of uint8, shape (rows, width_px, 3)
    """
    pad, step = size_px // 2, round(size_px * LINE)
    laid: list[tuple[StripLine, str, bool]] = []
    for line in lines:
        room = width_px - 2 * pad - (mark_width(size_px) if line.mark else 0)
        rows = wrapped(printable(line.text), font(size_px, line.bold), room)
        laid += [(line, row, i == 0) for i, row in enumerate(rows)]
    strip = PillowImage.new("RGB", (width_px, len(laid) * step + 2 * pad if laid else 0), PAPER)
    draw = ImageDraw.Draw(strip)
    for i, (line, row, first) in enumerate(laid):
        x, y = pad, pad + i * step
        if line.mark and first:
            draw_mark(draw, (x, y), size_px, alarm=line.mark == "!")
        if line.mark:
            x += mark_width(size_px)
        draw.text((x, y), row, INK, font=font(size_px, line.bold))
    return np.array(strip)


def mark_width(size_px: int) -> int:
    """Room that a warning mark takes beside text of a size."""
    return round(1.25 * size_px)


def draw_mark(draw: ImageDraw.ImageDraw, corner_px: tuple[float, float], size_px: int, *, alarm: bool) -> None:
    """Draw a warning mark, a triangle with ``!``, or a dot, as high as a line of text."""
    x, y = corner_px
    if not alarm:
        middle, radius = (x + 0.55 * size_px, y + 0.62 * size_px), 0.13 * size_px
        draw.ellipse([middle[0] - radius, middle[1] - radius, middle[0] + radius, middle[1] + radius], fill=INK)
        return
    high, wide = size_px * 1.0, size_px * 1.1
    y += size_px * 0.08
    draw.polygon([(x, y + high), (x + wide, y + high), (x + wide / 2, y)], fill=ALARM, outline=(0, 0, 0))
    face = font(max(6, round(size_px * 0.72)), bold=True)
    draw.text((x + wide / 2, y + high * 0.93), "!", ALARM_INK, font=face, anchor="ms")


def key_strip(styles: Sequence[LineStyle], note: str, width_px: int, size_px: int, *, stroke_px: int) -> Image:
    """A strip that shows what each line style means, with a note after or below them."""
    pad, step, sample = size_px // 2, round(size_px * 1.5), round(size_px * 2.6)
    face = font(size_px)
    spots: list[tuple[float, int]] = []
    x, row = float(pad), 0
    for style in styles:
        room = sample + pad + width_of(style.name, face)
        if x > pad and x + room > width_px - pad:
            x, row = float(pad), row + 1
        spots.append((x, row))
        x += room + 2 * pad
    note_lines = wrapped(printable(note), face, width_px - 2 * pad)
    beside = len(note_lines) == 1 and x + width_of(note, face) <= width_px - pad
    rows = row + 1 + (0 if beside else len(note_lines))
    strip = np.empty((rows * step + pad, width_px, 3), np.uint8)
    strip[:] = PAPER
    for style, (left, line) in zip(styles, spots, strict=True):
        middle = pad / 2 + (line + 0.5) * step
        draw_lines(strip, [_sample_line(left, middle, sample)], style, width_px=stroke_px)
    picture = PillowImage.fromarray(strip)
    draw = ImageDraw.Draw(picture)
    for style, (left, line) in zip(styles, spots, strict=True):
        draw.text((left + sample + pad / 2, pad / 2 + (line + 0.5) * step), style.name, INK, font=face, anchor="lm")
    for i, text in enumerate(note_lines):
        at = (x, pad / 2 + (row + 0.5) * step) if beside else (float(pad), pad / 2 + (row + 1.5 + i) * step)
        draw.text(at, text, INK, font=face, anchor="lm")
    return np.array(picture)


def _sample_line(left: float, middle: float, length: float) -> Points:
    # a lens shape rather than a line: closed rings are what the styles are made for
    turn = np.linspace(0.0, 2 * np.pi, 72, endpoint=False)
    high = length * 0.16
    return np.column_stack([left + length * (0.5 + 0.5 * np.cos(turn)), middle + high * np.sin(turn)])
