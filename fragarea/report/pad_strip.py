"""A pad over time: its visits side by side at one scale, patches told apart by colour, line style and number."""

from __future__ import annotations

import math
from collections.abc import Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np
from PIL import Image as PillowImage
from PIL import ImageDraw

from fragarea.fusion import Figure, PadHistory, PadVisit, Patch
from fragarea.report.fonts import LINE, font, shortened, width_of, wrapped
from fragarea.report.pad_shots import PadShot, PadView, ShotOf, frame_of
from fragarea.report.strips import INK, PAPER, StripLine, text_strip
from fragarea.report.strokes import Image, LineStyle, draw_lines
from fragarea.report.words import natural_key

_Key = TypeVar("_Key", bound=Hashable)

MOST_VISITS = 12
"""Visits on one strip; more would be too small to see, and are left out evenly."""

STYLES = (
    LineStyle("solid", (0, 0, 0)),
    LineStyle("dashed", (0, 0, 0), dash=4.5, gap=3.5),
    LineStyle("dotted", (0, 0, 0), dash=0.4, gap=2.6),
    LineStyle("dash and dot", (0, 0, 0), dash=6.0, gap=5.5, dot=0.4),
)
"""Line styles of patches: two patches beside each other never share one, as long as four are enough."""

COLOURS = (
    (70, 225, 255),
    (255, 221, 51),
    (255, 160, 225),
    (130, 240, 120),
    (255, 165, 60),
    (245, 245, 245),
    (190, 170, 255),
    (255, 120, 100),
)

_GAP = 0.02  # between panels, of a panel's width
_TEXT = 0.062
_NOTE = "Each patch of live tissue has its own line, colour and number; 1 is the largest of its day."
_BAR_MM = (5.0, 10.0, 20.0, 50.0, 100.0)


def draw_pad_strip(pad: PadHistory, shot_of: ShotOf, *, panel_px: int = 560, most_visits: int = MOST_VISITS) -> Image:
    """Draw the visits of a pad side by side.

    Parameters
    ----------
    pad : PadHistory
        With outlines, and at least one visit.
    shot_of : callable
        Gives the photo of a visit.
    panel_px : int
        Longer side of the picture of one visit.
    most_visits : int
        Visits shown; of more, the first and the last and others evenly between.

    Returns
    -------
    ndarray of uint8, shape (rows, columns, 3)
        Up to four visits in a row. All are turned and shifted onto the plugs of the first, and have one scale.
        Outlines of a visit without a photo are drawn on grey.
    """
    frame = frame_of(pad)
    visits = [pad.visits[i] for i in _evenly(len(pad.visits), most_visits)]
    scale = frame.px_per_mm(panel_px)
    across = columns_of(len(visits))
    looks = looks_of(pad)
    gap = max(2, round(_GAP * panel_px))
    panels = [
        _panel(PadView(frame, visit, scale), shot_of(visit), looks, first=i == 0) for i, visit in enumerate(visits)
    ]
    high, wide = max(one.shape[0] for one in panels), panels[0].shape[1]
    rows = math.ceil(len(panels) / across)
    width = across * wide + (across + 1) * gap
    body = np.empty((rows * (high + gap) + gap, width, 3), np.uint8)
    body[:] = PAPER
    for i, panel in enumerate(panels):
        row, column = divmod(i, across)
        top, left = gap + row * (high + gap), gap + column * (wide + gap)
        body[top : top + panel.shape[0], left : left + wide] = panel
    size = _text_px(wide)
    return np.vstack([_head(pad, visits, width, size), body, text_strip([StripLine(_NOTE)], width, size)])


def columns_of(count: int) -> int:
    """Pictures in a row: at most four, and rows as even as can be."""
    return math.ceil(count / math.ceil(count / 4))


@dataclass(frozen=True)
class Looks:
    """How patches of a pad look by their first fragment.

    Attributes
    ----------
    ranks : mapping of fragment to int
        In order of name; tells the colour.
    styles : mapping of fragment to int
        Index into `STYLES`; neighbours differ.
    """

    ranks: Mapping[str, int]
    styles: Mapping[str, int]


def looks_of(pad: PadHistory) -> Looks:
    """Colours and line styles for the fragments of a pad, the same for all its visits."""
    names = sorted({one.fragment for visit in pad.visits for one in visit.fragments}, key=natural_key)
    pairs = {pair.names for visit in pad.visits for pair in visit.pairs}
    styles = _told_apart(names, pairs, dict.fromkeys(names, 0))
    return Looks({name: rank for rank, name in enumerate(names)}, styles)


def patch_looks(visit: PadVisit, looks: Looks) -> dict[int, LineStyle]:
    """Colour and line style of each patch of a visit.

    Parameters
    ----------
    visit : PadVisit
    looks : Looks
        Of the pad.

    Returns
    -------
    dict of patch number to LineStyle
        A patch looks as its first fragment does from visit to visit, unless a larger patch beside it has the same
        line style: it then takes another.
    """
    patch_of = {one.fragment: one.patch for one in visit.fragments}
    pairs = {(patch_of[pair.fragment_a], patch_of[pair.fragment_b]) for pair in visit.pairs}
    leads = {patch.number: _lead(patch) for patch in visit.patches}
    wished = {number: looks.styles.get(lead, 0) for number, lead in leads.items()}
    styles = _told_apart(sorted(leads), pairs, wished)
    return {
        number: replace(STYLES[styles[number]], colour=COLOURS[looks.ranks.get(lead, 0) % len(COLOURS)])
        for number, lead in leads.items()
    }


def _told_apart(
    order: Sequence[_Key], pairs: Iterable[tuple[_Key, _Key]], wished: Mapping[_Key, int]
) -> dict[_Key, int]:
    """A line style for each, the first in order choosing first; pairs differ, as far as there are enough styles."""
    beside: dict[_Key, set[_Key]] = {key: set() for key in order}
    for one, other in pairs:
        if one != other and one in beside and other in beside:
            beside[one].add(other)
            beside[other].add(one)
    styles: dict[_Key, int] = {}
    for key in order:
        taken = {styles[other] for other in beside[key] if other in styles}
        choice = ((wished[key] + step) % len(STYLES) for step in range(len(STYLES)))
        styles[key] = next((style for style in choice if style not in taken), wished[key])
    return styles


def _lead(patch: Patch) -> str:
    return min(patch.fragments, key=natural_key, default="")


def pad_title(site: str) -> str:
    """The name of a pad as a title, told to be a pad where the name does not say it."""
    return site if site.casefold().startswith("pad") else f"Pad {site}"


def progress_words(visit: PadVisit) -> tuple[str, ...]:
    """Progress in a few words: fused pairs, patches, bare ground."""
    far = visit.progress
    patches = round(far.patches.value)
    count = "no live tissue" if patches == 0 else "one patch" if patches == 1 else f"{patches} patches"
    fused = f"{far.fused_pairs.value:.0f} of {far.pairs} pairs fused" if far.pairs else "no pair that can fuse"
    border = f"{far.border_pairs} at a border" if far.border_pairs else ""
    bare = f"bare {percent(far.bare_share)}" if far.hull_mm2 > 0 else ""
    return tuple(part for part in (fused, ", ".join(part for part in (border, count) if part), bare) if part)


def percent(figure: Figure) -> str:
    """A share with its expanded uncertainty, in %."""
    value, expanded = 100 * figure.value, 196 * figure.u
    if expanded < 0.05:
        return f"{value:.1f} %"
    digits = 0 if expanded >= 2 else 1
    return f"{value:.{digits}f} ± {expanded:.{digits}f} %"


def _text_px(panel_width_px: int) -> int:
    return max(9, round(_TEXT * panel_width_px))


def _panel(view: PadView, shot: PadShot, looks: Looks, *, first: bool) -> Image:
    picture = view.picture(shot)
    size = _text_px(picture.shape[1])
    stroke = stroke_px(picture.shape[1])
    styles = patch_looks(view.visit, looks)
    for patch in reversed(view.visit.patches):  # the largest on top
        draw_lines(picture, view.rings_px(patch.outline), styles[patch.number], width_px=stroke)
    canvas = PillowImage.fromarray(picture)
    draw = ImageDraw.Draw(canvas)
    for patch in view.visit.patches:
        _number(draw, view, patch, size)
    if first:
        draw_scale_bar(draw, view.px_per_mm, (picture.shape[1], picture.shape[0]), size)
    return np.vstack([np.array(canvas), _caption(view.visit, shot.why_not, picture.shape[1], size)])


def stroke_px(width_px: int) -> int:
    """Width of a bright stroke on a picture of a width."""
    return max(1, round(width_px / 190))


def _number(draw: ImageDraw.ImageDraw, view: PadView, patch: Patch, size: int) -> None:
    """The patch's number at the plug of its first fragment that lies in it; patches on no plug have none."""
    if not patch.fragments:
        return
    at = view.plugs_px()[_lead(patch)]
    radius = 0.55 * size
    draw.ellipse([at[0] - radius, at[1] - radius, at[0] + radius, at[1] + radius], fill=PAPER)
    draw.text((float(at[0]), float(at[1])), str(patch.number), INK, font=font(round(0.75 * size), True), anchor="mm")


def draw_scale_bar(draw: ImageDraw.ImageDraw, px_per_mm: float, size_px: tuple[int, int], size: int) -> None:
    """A bar of a round length, white on black with its length, at the lower left."""
    width, height = size_px
    length_mm = max((mm for mm in _BAR_MM if mm * px_per_mm <= width / 4), default=_BAR_MM[0])
    long, pad = length_mm * px_per_mm, size // 3
    top = height - round(1.9 * size)
    text, face = f"{length_mm:g} mm", font(round(0.85 * size))
    draw.rectangle([0, top, max(long, width_of(text, face)) + 2 * pad, height], fill=PAPER)
    draw.text((pad, top + pad // 2), text, INK, font=face)
    draw.rectangle([pad, height - 2 * pad, pad + long, height - pad], fill=INK)


def _caption(visit: PadVisit, note: str, width: int, size: int) -> Image:
    """Date, progress and what is to say of the photo, below a picture."""
    step = round(size * LINE)
    lines = (*progress_words(visit), *wrapped(note, font(size), width - size / 2))
    strip = PillowImage.new("RGB", (width, (1 + len(lines)) * step + size // 2), PAPER)
    draw = ImageDraw.Draw(strip)
    draw.text((size // 4, size // 4), f"{visit.day}", INK, font=font(size, True))
    for i, words in enumerate(lines, start=1):
        draw.text(
            (size // 4, size // 4 + i * step), shortened(words, font(size), width - size / 2), INK, font=font(size)
        )
    return np.array(strip)


def _head(pad: PadHistory, visits: Sequence[PadVisit], width: int, size: int) -> Image:
    shown = f"{len(visits)} visits" if len(visits) > 1 else "1 visit"
    if len(visits) < len(pad.visits):
        shown = f"{len(visits)} of {len(pad.visits)} visits"
    lines = [StripLine(pad_title(pad.site), bold=True)]
    lines.append(StripLine(f"{shown}, {visits[0].day} to {visits[-1].day}" if len(visits) > 1 else f"{shown}"))
    return text_strip(lines, width, size)


def _evenly(count: int, most: int) -> list[int]:
    return np.unique(np.linspace(0, count - 1, min(count, most)).round().astype(int)).tolist()
