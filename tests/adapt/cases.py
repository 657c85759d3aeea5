"""Windows with outlines as people might draw them."""

from __future__ import annotations

from functools import cache

import numpy as np

from fragarea.adapt import Correction
from fragarea.tissue import segment_windows
from fragarea.tissue.painting import paint_map
from tests.tissue.scenes import BROWN, OLIVE, drawn_window


@cache
def corrections(outwards_mm: float, count: int = 10) -> tuple[Correction, ...]:
    """Two windows of each photo, drawn `outwards_mm` outside the outlines that are found."""
    made = []
    for seed in range(count):
        colour = (BROWN, OLIVE)[seed % 2]
        window, _ = drawn_window(colour, radius_mm=4.5 + 0.4 * seed, seed=seed, mm_per_px=0.25)
        (found,) = segment_windows([window])
        wanted = found.live.buffer(outwards_mm)
        labels = paint_map(_with_live(found, wanted), window).labels
        made.append(Correction(f"w{seed}", _at_origin(window), np.ascontiguousarray(labels), f"photo {seed // 2}"))
    return tuple(made)


def _with_live(outlines, live):
    from dataclasses import replace

    from shapely import MultiPolygon, get_parts

    return replace(outlines, live=MultiPolygon(list(get_parts(live))))


def _at_origin(window):
    from dataclasses import replace

    from fragarea.sites.records import PlugRim

    shift = window.origin_mm
    middle = (window.rim.centre_mm[0] - shift[0], window.rim.centre_mm[1] - shift[1])
    return replace(window, origin_mm=(0.0, 0.0), rim=PlugRim(middle, window.rim.radius_mm))
