"""Progress of a pad over time with its intervals, for print and for pages."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.dates import AutoDateLocator, ConciseDateFormatter, date2num
from matplotlib.figure import Figure

from fragarea.fusion import Figure as Told
from fragarea.fusion import PadHistory, Progress
from fragarea.report.fonts import printable
from fragarea.report.pad_strip import pad_title
from fragarea.report.plots import INK, drawn_alike

_BAND = "#b4c0c4"
_GRID = "#d9dcdd"
_ROOM = 0.04  # of the time shown, left and right of the first and last visit
_PAST_ENDS = (-4.0, 104.0)  # markers at 0 and 100 % are drawn whole


@dataclass(frozen=True)
class _Curve:
    title: str
    of: Callable[[Progress], Told]
    marker: str
    dashes: tuple[float, ...]


_CURVES = (
    _Curve("neighbour pairs fused", lambda far: far.fused_share, "o", ()),
    _Curve("live tissue in the largest patch", lambda far: far.largest_share, "s", (5, 1.5)),
    _Curve("bare ground between the plugs", lambda far: far.bare_share, "^", (1, 1.2)),
)


def progress_figure(pad: PadHistory, *, width_in: float = 5.0, panel_in: float = 1.35) -> Figure:
    """Shares of pairs fused, of tissue in the largest patch and of bare ground over the visits of a pad.

    Parameters
    ----------
    pad : PadHistory
        With at least one visit.
    width_in, panel_in : float
        Width of the figure and height of each of its three panels.

    Returns
    -------
    Figure
        All in % from 0 to 100, with 95 % intervals as bands and bars. Days on which a figure went backwards have a
        cross at the foot of the first panel.
    """
    days = np.array([float(date2num(visit.day)) for visit in pad.visits])
    backwards = [float(date2num(visit.day)) for visit in pad.visits if visit.setbacks]
    with drawn_alike():
        figure = Figure(figsize=(width_in, 0.9 + len(_CURVES) * (panel_in + 0.3)), layout="constrained")
        note = f"in %; grey: 95 % interval; figures in words are of {pad.visits[-1].day}" + (
            "; x: went backwards" if backwards else ""
        )
        figure.suptitle(f"{printable(pad_title(pad.site))}\n{note}", fontsize=9, x=0.015, ha="left", parse_math=False)
        places = figure.subplots(len(_CURVES), 1, sharex=True)
        for place, curve in zip(places, _CURVES, strict=True):
            _draw(place, days, curve, pad)
        if backwards:
            places[0].plot(backwards, np.zeros(len(backwards)), color=INK, linestyle="none", marker="x", markersize=5)
        room = _ROOM * (days[-1] - days[0]) or 15.0
        places[-1].set_xlim(days[0] - room, days[-1] + room)
        locator = AutoDateLocator(minticks=2, maxticks=6)
        places[-1].xaxis.set_major_locator(locator)
        places[-1].xaxis.set_major_formatter(ConciseDateFormatter(locator))
    return figure


def _draw(place: Axes, days: np.ndarray, curve: _Curve, pad: PadHistory) -> None:
    told = [curve.of(visit.progress) for visit in pad.visits]
    value, low, high = (100 * np.array([getattr(one, name) for one in told]) for name in ("value", "low", "high"))
    place.fill_between(days, low, high, color=_BAND, linewidth=0)
    # bars too: a band is no wider than a line between visits, and none at all at a single one
    place.vlines(days, low, high, color=INK, linewidth=0.8)
    (line,) = place.plot(
        days, value, color=INK, linewidth=1.0, marker=curve.marker, markersize=4, markerfacecolor="#ffffff"
    )
    if curve.dashes:
        line.set_dashes(curve.dashes)
    place.set_title(f"{curve.title}: {_words(told[-1])}", fontsize=8)
    place.set_ylim(*_PAST_ENDS)
    place.set_yticks([0, 25, 50, 75, 100])
    place.grid(axis="y", color=_GRID, linewidth=0.5)


def _words(told: Told) -> str:
    """A share in % with its 95 % interval, where that is wider than what is written."""
    if not np.isfinite(told.value):
        return "none"
    digits = 0 if told.high - told.low >= 0.04 else 1
    value, low, high = (f"{100 * one:.{digits}f}" for one in (told.value, told.low, told.high))
    return f"{value} %" if low == high else f"{value} % ({low} to {high})"
