"""Numbers ready by date as step plots for print: the whole nursery first, then each genotype."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import date, timedelta
from pathlib import Path
from textwrap import wrap

import numpy as np
from matplotlib.axes import Axes
from matplotlib.dates import AutoDateLocator, ConciseDateFormatter, date2num
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from fragarea.nursery import Outplanting
from fragarea.outplant import StockLine
from fragarea.report.fonts import printable
from fragarea.report.pictures import write_whole
from fragarea.report.plots import INK, PALE, drawn_alike, png_bytes, svg_bytes

MOST_PANELS = 12
"""The nursery and its genotypes of the largest stock; more could not be read on one page."""

_COLUMNS, _WIDTH_IN, _HEIGHT_IN = 3, 8.0, 1.9
_TITLE_CHARACTERS = 100  # that fit on a line
_FILL_95, _FILL_80 = "#dfe4e6", "#b4c0c4"


def stock_figure(lines: Sequence[StockLine], settings: Outplanting, *, title: str) -> Figure:
    """Expected numbers as steps, with 80 and 95 % ranges as dark and pale bands.

    Parameters
    ----------
    lines : sequence of StockLine
    settings : Outplanting
        Days on which outplanting is not wanted are hatched.
    title : str
    """
    series: dict[tuple[str, str], list[StockLine]] = {}
    for line in lines:
        if line.whole in ("nursery", "genotype"):
            series.setdefault((line.whole, line.genotype), []).append(line)
    whole = [key for key in series if key[0] == "nursery"]
    rest = sorted((key for key in series if key[0] == "genotype"), key=lambda key: (-series[key][-1].expected, key))
    shown = [key for key in rest if max(line.high_95 for line in series[key]) > 0]
    keys = [*whole, *shown[: MOST_PANELS - 1]]
    left_out = len(rest) - len(keys) + 1
    rows = math.ceil(len(keys) / _COLUMNS)
    with drawn_alike():
        legend = "Expected number ready; 80 % range dark, 95 % range pale; hatched: outplanting not wanted."
        note = f" Genotypes with less stock left out: {left_out}." if left_out > 0 else ""
        head = [*wrap(printable(title), _TITLE_CHARACTERS), *wrap(f"{legend}{note}", _TITLE_CHARACTERS)]
        height_in = 0.45 + 0.15 * len(head) + _HEIGHT_IN * rows
        figure = Figure(figsize=(_WIDTH_IN, height_in), layout="constrained")
        figure.suptitle("\n".join(head), fontsize=9)
        places = figure.subplots(rows, _COLUMNS, squeeze=False, sharex=True).ravel()
        for place, key in zip(places, keys, strict=False):
            _draw(place, series[key], settings, "all" if key[0] == "nursery" else key[1] or "no genotype")
        for place in places[len(keys) :]:
            place.set_visible(False)
        # the lowest of each column names the days, also above a place that stays empty
        for place in places[max(0, len(keys) - _COLUMNS) : len(keys)]:
            place.tick_params(labelbottom=True)
    return figure


def write_stock_figure(figure: Figure, path: Path) -> None:
    """Write it as PNG or SVG by the ending of the name; raises SettingsProblem when it cannot be written."""
    write_whole(path, svg_bytes(figure) if path.suffix.lower() == ".svg" else png_bytes(figure))


def _draw(place: Axes, lines: Sequence[StockLine], settings: Outplanting, name: str) -> None:
    days = np.array([float(date2num(line.day)) for line in lines])
    for low, high, fill in (("low_95", "high_95", _FILL_95), ("low_80", "high_80", _FILL_80)):
        lowest, highest = ([getattr(line, bound) for line in lines] for bound in (low, high))
        place.fill_between(days, lowest, highest, step="post", color=fill, linewidth=0)
    place.step(days, [line.expected for line in lines], where="post", color=INK, linewidth=1.2)
    for first, last in _closed(lines[0].day, lines[-1].day, settings):
        place.axvspan(date2num(first), date2num(last), facecolor="none", edgecolor=PALE, hatch="////", linewidth=0)
    place.set_title(printable(name))
    place.set_ylim(0, max(1.0, 1.08 * max(line.high_95 for line in lines)))
    place.set_xlim(days[0], max(days[-1], days[0] + 1))
    place.yaxis.set_major_locator(MaxNLocator(nbins=4, integer=True))
    locator = AutoDateLocator(maxticks=4)
    place.xaxis.set_major_locator(locator)
    place.xaxis.set_major_formatter(ConciseDateFormatter(locator))


def _closed(first: date, last: date, settings: Outplanting) -> list[tuple[date, date]]:
    """Runs of days on which outplanting is not wanted; the second of each is the first open day after it."""
    runs: list[tuple[date, date]] = []
    for number in range((last - first).days + 1):
        day = first + timedelta(days=number)
        if settings.closed_on(day):
            begin = runs.pop()[0] if runs and runs[-1][1] == day else day
            runs.append((begin, day + timedelta(days=1)))
    return runs
