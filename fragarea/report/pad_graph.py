"""The last photo of a pad with its contact graph: plugs, and between neighbours how they stand to each other."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from PIL import Image as PillowImage
from PIL import ImageDraw

from fragarea.fusion import PadHistory, PadVisit, PairState, PairVisit
from fragarea.report.fonts import font, printable, shortened, width_of
from fragarea.report.pad_shots import PadView, ShotOf, frame_of
from fragarea.report.pad_strip import draw_scale_bar, pad_title, progress_words
from fragarea.report.strips import INK, PAPER, StripLine, text_strip
from fragarea.report.strokes import CASING, Image, LineStyle, Points, draw_lines

SURE = 0.95
"""A pair whose state is less probable carries a question mark."""

_TEXT = 0.026  # of the picture's longer side
_LONGEST_NAME = 13
_TISSUE = LineStyle("edge of live tissue", (225, 225, 225))
_SHIFT = 4


@dataclass(frozen=True)
class EdgeLook:
    """How a state is drawn.

    Attributes
    ----------
    words : str
        In the legend.
    colour : (red, green, blue)
    width : float
        In strokes.
    dash, gap : float
        In widths of the line; 0 for an unbroken one.
    zigzag : float
        Height of the zigzag in strokes; 0 for a straight line.
    """

    words: str
    colour: tuple[int, int, int]
    width: float
    dash: float = 0.0
    gap: float = 0.0
    zigzag: float = 0.0


EDGE_LOOKS = {
    PairState.APART: EdgeLook("apart, gap in mm", (245, 245, 245), 0.8, dash=0.1, gap=3.6),
    PairState.CONTACT: EdgeLook("contact", (255, 221, 51), 1.2, dash=3.5, gap=3.0),
    PairState.FUSED: EdgeLook("fused", (70, 225, 255), 2.2),
    PairState.BORDER: EdgeLook("border", (255, 160, 225), 1.2, zigzag=3.0),
}


def draw_pad_graph(pad: PadHistory, shot_of: ShotOf, *, longest_px: int = 1400, sure: float = SURE) -> Image:
    """Draw the contact graph of the last visit over its photo.

    Parameters
    ----------
    pad : PadHistory
        With outlines, and at least one visit.
    shot_of : callable
        Gives the photo of a visit.
    longest_px : int
        Longer side of the photo's part.
    sure : float
        Pairs with a less probable state carry a question mark.

    Returns
    -------
    ndarray of uint8, shape (rows, columns, 3)
        Turned as the first visit of the pad, like its strip. Edges of each state have a line of their own, which does
        without colour: dots, dashes, a thick line, a zigzag.
    """
    visit, frame = pad.visits[-1], frame_of(pad)
    view = PadView(frame, visit, frame.px_per_mm(longest_px))
    shot = shot_of(visit)
    picture = view.picture(shot)
    width, size = picture.shape[1], max(10, round(_TEXT * longest_px))
    stroke = max(2.0, longest_px / 330)
    for patch in visit.patches:
        draw_lines(picture, view.rings_px(patch.outline), _TISSUE, width_px=max(1, round(stroke / 3)))
    plugs = view.plugs_px()
    for pair in visit.pairs:
        draw_edge(picture, _between(plugs, pair, 0.8 * size), EDGE_LOOKS[pair.state], stroke)
    canvas = PillowImage.fromarray(picture)
    draw = ImageDraw.Draw(canvas)
    for name, at in plugs.items():
        radius = 0.42 * size
        draw.ellipse([*(at - radius), *(at + radius)], fill=INK, outline=PAPER, width=max(2, size // 8))
        _plate(
            draw,
            _abridged(name, size, view.px_per_mm * _room_mm(visit)),
            at + np.array([0, 1.25 * size]),
            size,
        )
    for pair in visit.pairs:
        if words := _mark(pair, sure):
            _plate(draw, words, _between(plugs, pair, 0.0).mean(axis=0), round(0.9 * size))
    draw_scale_bar(draw, view.px_per_mm, (width, picture.shape[0]), size)
    lines = [StripLine(f"{pad_title(pad.site)}, {visit.day}", bold=True), StripLine("; ".join(progress_words(visit)))]
    if shot.why_not:
        lines.append(StripLine(shot.why_not, mark="-"))
    return np.vstack([text_strip(lines, width, size), np.array(canvas), _key(visit, width, size, stroke, sure)])


def draw_edge(image: Image, ends: Points, look: EdgeLook, stroke_px: float) -> None:
    """Draw a straight edge with the look of its state, in place.

    Parameters
    ----------
    image : ndarray of uint8, shape (rows, columns, 3)
    ends : ndarray, shape (2, 2)
        Pixels.
    look : EdgeLook
    stroke_px : float
    """
    wide = max(1, round(look.width * stroke_px))
    pieces = (
        _zigzag(ends, look.zigzag * stroke_px) if look.zigzag else _broken(ends, look.dash * wide, look.gap * wide)
    )
    for colour, width in ((CASING, wide + max(2, round(0.6 * stroke_px))), (look.colour, wide)):
        for piece in pieces:
            fixed = np.round(piece * (1 << _SHIFT)).astype(np.int32).reshape(-1, 1, 2)
            cv2.polylines(image, [fixed], False, colour, width, cv2.LINE_AA, _SHIFT)


def _broken(ends: Points, dash_px: float, gap_px: float) -> list[Points]:
    """A line as strokes that begin and end it; whole without gaps."""
    if not gap_px:
        return [ends]
    length = float(np.hypot(*(ends[1] - ends[0])))
    count = max(2, round((length + gap_px) / (dash_px + gap_px)))
    starts = np.linspace(0.0, max(0.0, length - dash_px), count)
    along = (ends[1] - ends[0]) / max(length, 1e-9)
    return [ends[0] + along * np.array([[start], [start + dash_px]]) for start in starts]


def _zigzag(ends: Points, height_px: float) -> list[Points]:
    length = float(np.hypot(*(ends[1] - ends[0])))
    along = (ends[1] - ends[0]) / max(length, 1e-9)
    across = np.array([-along[1], along[0]])
    count = max(4, 2 * round(length / (1.6 * height_px) / 2))
    side = np.where(np.arange(count + 1) % 2 == 0, -0.5, 0.5)
    side[[0, -1]] = 0.0
    return [ends[0] + np.linspace(0, length, count + 1)[:, None] * along + side[:, None] * height_px * across]


def _between(plugs: dict[str, Points], pair: PairVisit, inset_px: float) -> Points:
    """Ends of the line between two plugs, off their middles."""
    a, b = plugs[pair.fragment_a], plugs[pair.fragment_b]
    length = max(float(np.hypot(*(b - a))), 1e-9)
    off = (b - a) * min(inset_px / length, 0.4)
    return np.array([a + off, b - off])


def _mark(pair: PairVisit, sure: float) -> str:
    """What stands at an edge: the gap of pairs apart, and a question mark where the state is not sure."""
    doubt = "?" if pair.p_state < sure else ""
    if pair.state is not PairState.APART:
        return doubt
    return f"no tissue{doubt}" if math.isnan(pair.gap_mm) else f"{pair.gap_mm:.1f}{doubt}"


def _room_mm(visit: PadVisit) -> float:
    return 0.9 * visit.spacing_mm if math.isfinite(visit.spacing_mm) else 30.0


def _abridged(name: str, size: int, room_px: float) -> str:
    """A name, its middle left out where it has no room: names that share a beginning differ at the end."""
    text = printable(name)
    for kept in range(min(len(text), _LONGEST_NAME + 1), 2, -1):
        head = kept // 3
        short = text if kept == len(text) else f"{text[:head].rstrip()}…{text[head - kept :].lstrip()}"
        if width_of(short, font(size)) <= room_px:
            return short
    return shortened(text, font(size), room_px)


def _plate(draw: ImageDraw.ImageDraw, text: str, at: Points, size: int) -> None:
    """Text on a dark plate around a point."""
    face = font(size)
    half, high = width_of(text, face) / 2 + 0.25 * size, 0.62 * size
    draw.rectangle([at[0] - half, at[1] - high, at[0] + half, at[1] + high], fill=PAPER)
    draw.text((float(at[0]), float(at[1])), text, INK, font=face, anchor="mm")


def _key(visit: PadVisit, width: int, size: int, stroke: float, sure: float) -> Image:
    """What each line means and how many pairs have it."""
    counts = {state: sum(pair.state is state for pair in visit.pairs) for state in PairState}
    words = {state: f"{look.words}: {counts[state]}" for state, look in EDGE_LOOKS.items()}
    sample, pad, step = 4 * size, size // 2, round(1.6 * size)
    column = sample + 3 * pad + max(round(width_of(text, font(size))) for text in words.values())
    across = max(1, min(len(words), (width - pad) // column))
    across = across if across != 3 else 2
    rows = math.ceil(len(words) / across)
    strip = np.empty((rows * step + pad, width, 3), np.uint8)
    strip[:] = PAPER
    spots = [(pad + column * (i % across), pad / 2 + (i // across + 0.5) * step) for i in range(len(words))]
    ground = (96, 104, 88)  # the lines' dark casings must be seen
    for (x, y), look in zip(spots, EDGE_LOOKS.values(), strict=True):
        cv2.rectangle(strip, (x, round(y - 0.5 * size)), (x + sample, round(y + 0.5 * size)), ground, -1)
        draw_edge(strip, np.array([[x + pad, y], [x + sample - pad, y]]), look, stroke)
    canvas = PillowImage.fromarray(strip)
    draw = ImageDraw.Draw(canvas)
    for (x, y), text in zip(spots, words.values(), strict=True):
        draw.text((x + sample + pad, y), text, INK, font=font(size), anchor="lm")
    unsure = sum(pair.p_state < sure for pair in visit.pairs)
    if not unsure:
        return np.array(canvas)
    note = f"? : {unsure} could be in another state (less than {100 * sure:.0f} % sure)"
    return np.vstack([np.array(canvas), text_strip([StripLine(note)], width, size)])
