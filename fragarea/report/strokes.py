"""Thin outlines that stay visible on dark and on light, told apart by style and by colour.

Each line is drawn twice: a dark casing, then a bright stroke on it. Live tissue is a solid line, bleached tissue
dashed, dead skeleton dotted, so that the three differ without any colour vision.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

Image = npt.NDArray[np.uint8]
Points = npt.NDArray[np.float64]

_SHIFT = 4  # cv2 takes 1/16 pixel steps, so that lines run as smoothly as the outlines


@dataclass(frozen=True)
class LineStyle:
    """How one kind of outline looks.

    Attributes
    ----------
    name : str
        Its word in a legend.
    colour : (red, green, blue)
    dash : float
        Length of a stroke in line widths; 0 for an unbroken line.
    gap : float
        Length between strokes in line widths.
    dot : float
        Length of a dot in the middle of each gap, in line widths; 0 for none.
    """

    name: str
    colour: tuple[int, int, int]
    dash: float = 0.0
    gap: float = 0.0
    dot: float = 0.0


LIVE = LineStyle("live tissue", (70, 225, 255))
BLEACHED = LineStyle("bleached", (255, 160, 225), dash=5.0, gap=3.5)
DEAD = LineStyle("dead skeleton", (255, 176, 0), dash=0.6, gap=2.6)
PLACE = LineStyle("place of a plug", (225, 225, 225), dash=4.0, gap=6.0)
DOUBT_RING = LineStyle("look at this one", (255, 221, 51))
CASING = (0, 0, 0)


def draw_lines(image: Image, rings: Iterable[Points], style: LineStyle, *, width_px: int) -> None:
    """Draw closed lines onto an image, in place.

    Parameters
    ----------
    image : ndarray of uint8, shape (rows, columns, 3)
        sRGB, changed.
    rings : iterable of ndarray, shape (n, 2)
        Pixels, without the first point again at the end; rings with a coordinate that is not finite are left out.
    style : LineStyle
    width_px : int
        Of the bright stroke; the casing is two pixels wider.
    """
    closed = [_thinned(ring) for ring in rings if len(ring) >= 2 and np.isfinite(ring).all()]
    cv2.polylines(image, [_fixed(ring) for ring in closed], True, CASING, width_px + 2, cv2.LINE_AA, _SHIFT)
    if not style.dash:
        cv2.polylines(image, [_fixed(ring) for ring in closed], True, style.colour, width_px, cv2.LINE_AA, _SHIFT)
        return
    lengths = (style.dash * width_px, style.gap * width_px, style.dot * width_px)
    strokes = [stroke for ring in closed for stroke in dashes(ring, *lengths)]
    cv2.polylines(image, [_fixed(s) for s in strokes], False, style.colour, width_px, cv2.LINE_AA, _SHIFT)


def dashes(ring: Points, dash_px: float, gap_px: float, dot_px: float = 0.0) -> list[Points]:
    """Cut a closed line into strokes of equal length along its arc.

    Parameters
    ----------
    ring : ndarray, shape (n, 2)
    dash_px, gap_px : float
        Positive; both are stretched a little so that a whole number of strokes goes round.
    dot_px : float
        Length of a dot in the middle of each gap; 0 for none.

    Returns
    -------
    list of ndarray, shape (m, 2)
    """
    points = np.vstack([ring, ring[:1]])
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    count = max(1, round(along[-1] / (dash_px + gap_px)))
    step = along[-1] / count
    share = dash_px / (dash_px + gap_px)
    pieces = [(0.0, share)]
    if dot_px:
        middle, half = (1 + share) / 2, dot_px / (dash_px + gap_px) / 2
        pieces.append((middle - half, middle + half))
    strokes = []
    for i in range(count):
        for first, last in pieces:
            start, end = (i + first) * step, (i + last) * step
            inside = along[(along > start) & (along < end)]
            at = np.concatenate([[start], inside, [end]])
            strokes.append(np.column_stack([np.interp(at, along, points[:, 0]), np.interp(at, along, points[:, 1])]))
    return strokes


def circle(centre_px: Sequence[float], radius_px: float) -> Points:
    """A circle as a ring of 72 points."""
    turn = np.linspace(0.0, 2 * np.pi, 72, endpoint=False)
    return np.asarray(centre_px, dtype=float) + radius_px * np.column_stack([np.cos(turn), np.sin(turn)])


def _thinned(ring: Points) -> Points:
    """The ring with fewer points, nowhere moved by more than a quarter of a pixel."""
    # cv2 draws every short piece of a thick line with round ends of its own, which costs more than the thinning
    return np.asarray(cv2.approxPolyDP(ring.astype(np.float32), 0.25, True), dtype=float).reshape(-1, 2)


def _fixed(points: Points) -> npt.NDArray[np.int32]:
    # far outside the picture the drawing is clipped anyway; larger numbers would not fit cv2's fixed point
    near = np.clip(points, -30000.0, 30000.0)
    return np.round(near * (1 << _SHIFT)).astype(np.int32).reshape(-1, 1, 2)
