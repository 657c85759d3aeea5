"""Where labels go on a picture, so that none covers another and as little of an edge as can be."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from PIL import ImageFont

from fragarea.report.fonts import LINE, font, width_of

SMALLEST_PX = 8
EDGE_POINTS_OVER = 5  # so many points of edges may lie under a label in the middle of a plug

Floats = npt.NDArray[np.float64]
Box = tuple[float, float, float, float]
"""Left, top, right, bottom in pixels."""


@dataclass(frozen=True)
class Label:
    """What is to be written beside one fragment.

    Attributes
    ----------
    lines_by_form : tuple of tuple of str
        The same two short lines in forms of falling length; all labels of a picture use the same form.
    centre_px : (float, float)
        Middle of the plug.
    radius_px : float
        Of the plug.
    alarmed : bool
        Whether the fragment is to be looked at.
    """

    lines_by_form: tuple[tuple[str, ...], ...]
    centre_px: tuple[float, float]
    radius_px: float
    alarmed: bool


@dataclass(frozen=True)
class Plate:
    """A label with its place.

    Attributes
    ----------
    lines : tuple of str
    box : Box
    """

    lines: tuple[str, ...]
    box: Box


@dataclass(frozen=True)
class Lettering:
    """A font size that all labels of a picture share."""

    size_px: int

    @property
    def plain(self) -> ImageFont.FreeTypeFont:
        """Typeface of areas."""
        return font(self.size_px)

    @property
    def strong(self) -> ImageFont.FreeTypeFont:
        """Typeface of names."""
        return font(self.size_px, bold=True)

    @property
    def pad_px(self) -> int:
        """Space between text and the edge of its plate."""
        return max(2, self.size_px // 6)

    @property
    def step_px(self) -> int:
        """Distance between lines."""
        return round(self.size_px * LINE)

    def plate_px(self, lines: Sequence[str]) -> tuple[float, float]:
        """Width and height of a plate for these lines, the first of them strong."""
        widths = [width_of(line, self.strong if i == 0 else self.plain) for i, line in enumerate(lines)]
        return max(widths) + 2 * self.pad_px, len(lines) * self.step_px + 2 * self.pad_px


def place_labels(
    labels: Sequence[Label], edges_px: Floats, canvas_px: tuple[int, int], sizes_px: Sequence[int]
) -> tuple[Lettering, list[Plate]]:
    """Find the longest form and largest size at which every label has a place of its own.

    Labels stand under their plugs (or in the middle of tissue that is large enough), so that one glance tells which
    belongs to which; only where that leaves no room, they go above and beside.

    Parameters
    ----------
    labels : sequence of Label
    edges_px : ndarray, shape (n, 2)
        Evenly spaced points of all outlines, to be covered as little as can be.
    canvas_px : (width, height)
    sizes_px : sequence of int
        Font sizes to try, from large to small. Where not even the smallest leaves room, smaller ones are tried in
        the shortest form; labels that still collide at 8 pixels are drawn over each other.

    Returns
    -------
    (Lettering, list of Plate)
        Plates in the order of `labels`.
    """
    attempts = list(_attempts(labels, sizes_px))
    for attempt in attempts:
        plates = _arrange(labels, attempt, edges_px, canvas_px, strict=attempt is not attempts[-1])
        if plates is not None:
            return Lettering(attempt.size_px), plates
    return Lettering(sizes_px[-1]), []


@dataclass(frozen=True)
class _Attempt:
    anywhere: bool
    form: int
    size_px: int


def _attempts(labels: Sequence[Label], sizes_px: Sequence[int]) -> Iterator[_Attempt]:
    forms = max((len(label.lines_by_form) for label in labels), default=0)
    for form in range(forms):
        yield from (_Attempt(False, form, size) for size in sizes_px)
    if forms:
        # small labels in their places are easier to follow than larger ones scattered about
        smaller = range(sizes_px[-1] - 1, SMALLEST_PX - 1, -1)
        yield from (_Attempt(False, forms - 1, size) for size in smaller)
        yield from (_Attempt(True, forms - 1, size) for size in (*sizes_px, *smaller))


def _arrange(
    labels: Sequence[Label], attempt: _Attempt, edges_px: Floats, canvas_px: tuple[int, int], *, strict: bool
) -> list[Plate] | None:
    """Place labels one after the other, each at its best spot; if `strict`, None when one has no spot."""
    lettering = Lettering(attempt.size_px)
    taken = np.empty((len(labels), 4))
    plates: list[Plate] = []
    for i, label in enumerate(labels):
        lines = label.lines_by_form[min(attempt.form, len(label.lines_by_form) - 1)]
        boxes = _spots(label, lettering.plate_px(lines), canvas_px, anywhere=attempt.anywhere)
        struck = _overlaps(boxes, taken[:i])
        covered = _covered(boxes, edges_px)
        # the middle is the best spot while hardly any edge runs there, and no spot else
        refused = (struck > 0) | ((np.arange(len(boxes)) == 0) & (covered > EDGE_POINTS_OVER))
        if strict and refused.all():
            return None
        best = int(np.argmin(np.where(refused, 1e9 + struck, 0.0) + covered + 2.0 * np.arange(len(boxes))))
        taken[i] = boxes[best]
        left, top, right, bottom = (float(v) for v in boxes[best])
        plates.append(Plate(lines, (left, top, right, bottom)))
    return plates


def _spots(label: Label, plate_px: tuple[float, float], canvas_px: tuple[int, int], *, anywhere: bool) -> Floats:
    """Boxes in the middle of a plug and below it, and if need be above and beside it, pushed into the picture."""
    width, height = plate_px
    x, y = label.centre_px
    over = np.array([0.45, 0.3, 0.6, 0.15])  # share of the plate that lies over the rim
    middles = [(x, top) for top in (y - height / 2, *(y + label.radius_px - over * height))]
    if anywhere:
        aside = label.radius_px + width / 2
        middles += [(x, top) for top in y - label.radius_px - (1 - over) * height]
        middles += [(x + aside, y - height / 2), (x - aside, y - height / 2)]
    left = np.array([min(max(m[0] - width / 2, 0.0), max(0.0, canvas_px[0] - width)) for m in middles])
    top = np.array([min(max(m[1], 0.0), max(0.0, canvas_px[1] - height)) for m in middles])
    return np.column_stack([left, top, left + width, top + height])


def _covered(boxes: Floats, points: Floats) -> Floats:
    """How many of the points each box covers."""
    x, y = points[:, 0], points[:, 1]
    inside = (x > boxes[:, :1]) & (x < boxes[:, 2:3]) & (y > boxes[:, 1:2]) & (y < boxes[:, 3:4])
    return inside.sum(axis=1).astype(float)


def _overlaps(boxes: Floats, others: Floats) -> Floats:
    """Area that each box shares with the others."""
    mine, theirs = boxes[:, None, :], others[None, :, :]
    wide = np.minimum(mine[..., 2], theirs[..., 2]) - np.maximum(mine[..., 0], theirs[..., 0])
    high = np.minimum(mine[..., 3], theirs[..., 3]) - np.maximum(mine[..., 1], theirs[..., 1])
    return np.asarray((np.maximum(wide, 0.0) * np.maximum(high, 0.0)).sum(axis=1), dtype=float)
