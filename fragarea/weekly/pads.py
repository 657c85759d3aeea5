"""The section on pads: how far those that were photographed have fused."""

from __future__ import annotations

from typing import TYPE_CHECKING

from fragarea.fusion import PadHistory
from fragarea.fusion_tables import summary_lines
from fragarea.report.pad_plot import progress_figure
from fragarea.report.pad_shots import ShotOf
from fragarea.report.pad_strip import MOST_VISITS, columns_of, draw_pad_strip
from fragarea.report.pictures import jpeg_bytes, reduced
from fragarea.report.strokes import Image
from fragarea.weekly.page import inline_svg
from fragarea.weekly.records import PadPictures, Pads, Section

if TYPE_CHECKING:
    from fragarea.fusion_view import FusionView
    from fragarea.weekly.album import Album
    from fragarea.weekly.sections import Week

SHOWN = 4
"""Pads with pictures."""
STRIP_BYTES = 250_000
"""Of the picture of one pad: with the other pictures of the page, mail still takes it."""
STRIP_PX, LARGEST_PANEL_PX = 900, 600
QUALITIES = (80, 70, 60, 45)


def pads(week: Week, album: Album) -> Section | None:
    """Progress of every pad of these days, with pictures of some; no section where none was photographed."""
    if week.pads is None or not week.pads.pads:
        return None
    left_out = len(week.pads.pads) - len(week.pad_pictures)
    return Section("pads", "Fusion of pads", Pads(tuple(summary_lines(week.pads)), week.pad_pictures, left_out))


def shown_first(view: FusionView) -> list[str]:
    """The pads of which pictures are shown: those that went backwards first, then in order of site."""
    return [pad.site for pad in sorted(view.pads, key=lambda pad: not any(one.setbacks for one in pad.visits))][
        :SHOWN
    ]


def pictures_of(pad: PadHistory, shot_of: ShotOf, number: int) -> PadPictures:
    """Strip and curves of a pad for the page.

    Parameters
    ----------
    pad : PadHistory
        With outlines, over all visits up to the last day.
    shot_of : callable
        Gives the photo of a visit.
    number : int
        Of the pad on the page, from 1.
    """
    about = "Pairs fused, tissue in the largest patch and bare ground, in %, with 95 % intervals; see the sentences"
    across = columns_of(min(len(pad.visits), MOST_VISITS))
    return PadPictures(
        site=pad.site,
        strip=_small_jpeg(draw_pad_strip(pad, shot_of, panel_px=min(LARGEST_PANEL_PX, STRIP_PX // across))),
        progress=inline_svg(progress_figure(pad, width_in=4.2, panel_in=1.0), name=f"pad{number}", about=about),
    )


def _small_jpeg(image: Image) -> bytes:
    """The best of some qualities that has room; the smallest where none has."""
    for quality in QUALITIES:
        jpeg = jpeg_bytes(image, quality=quality)
        if len(jpeg) <= STRIP_BYTES:
            return jpeg
    half = reduced(image, max(image.shape[:2]) // 2)
    return jpeg_bytes(half, quality=QUALITIES[-1])
