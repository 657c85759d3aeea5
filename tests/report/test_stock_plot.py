"""The step plot of numbers ready by date."""

from __future__ import annotations

from datetime import date, timedelta

from fragarea.nursery import Outplanting
from fragarea.outplant import StockLine
from fragarea.report.stock_plot import stock_figure

DAY = date(2026, 3, 1)


def lines_of(genotypes: int) -> list[StockLine]:
    """A nursery and so many genotypes, the last of which has no stock."""
    names = [("nursery", ""), *(("genotype", f"G{number}") for number in range(genotypes))]
    return [
        StockLine(DAY + timedelta(days=7 * week), "", name, whole, count, count, count, count, count, "")
        for whole, name in names
        for week in range(20)
        for count in [0 if name == f"G{genotypes - 1}" else 5]
    ]


def test_titles_stay_within_the_figure_and_every_column_names_its_days() -> None:
    figure = stock_figure(lines_of(5), Outplanting(), title="A nursery with a very long name (invented) " * 4)
    figure.canvas.draw()
    box = figure._suptitle.get_window_extent()
    assert box.x0 >= 0
    assert box.x1 <= figure.bbox.width
    assert "Genotypes with less stock left out: 1." in figure._suptitle.get_text().replace("\n", " ")
    shown = [place for place in figure.axes if place.get_visible()]
    assert len(shown) == 5
    labelled = [any(label.get_text() for label in place.get_xticklabels()) for place in shown]
    assert labelled == [False, False, True, True, True]
