"""Tables for a terminal of 80 columns: one a site and visit."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from rich.box import SIMPLE_HEAD
from rich.table import Table
from rich.text import Text

from fragarea.measurement import FragmentStatus
from fragarea.report.rounding import round_area
from fragarea.report.rows import ReportRow, Visit, counted_together, sum_area, visits_of
from fragarea.report.spreadsheet import clean_text
from fragarea.report.words import by_weight, place_words

WIDTH = 80


def visit_tables(rows: Iterable[ReportRow]) -> list[Table]:
    """One table a site and visit, in order of site and day.

    Parameters
    ----------
    rows : iterable of ReportRow

    Returns
    -------
    list of rich.table.Table
        Print them on a ``rich.console.Console`` at least 80 columns wide. Fragments that need a look are marked
        with ``!``; the last line is the sum of live tissue, its uncertainty with what the fragments share.
    """
    return [_table(visit) for visit in visits_of(rows)]


def _table(visit: Visit) -> Table:
    rows = visit.rows
    table = Table(
        title=Text(_title(visit), style="bold"),
        title_justify="left",
        caption=_caption(visit),
        caption_justify="left",
        show_footer=True,
        width=WIDTH,
        box=SIMPLE_HEAD,
        pad_edge=False,
    )
    total = " ± ".join(round_area(*sum_area(rows)))
    numbers: dict[str, Any] = {"justify": "right", "no_wrap": True}
    # a ratio here would take the width below the heading's own; long names fold
    table.add_column("fragment", "sum", min_width=8, max_width=14, overflow="fold")
    if any(_place(row) for row in rows):
        table.add_column("place", max_width=8, overflow="fold")
    if any(row.genotype for row in rows):
        table.add_column("genotype", min_width=8, max_width=12, overflow="fold")
    table.add_column("live\ncm²", Text(total), **numbers)
    table.add_column("bleached\ncm²", Text(_plain(_sum_of(rows, "bleached_mm2"))), **numbers)
    table.add_column("dead\ncm²", Text(_plain(_sum_of(rows, "dead_mm2"))), **numbers)
    table.add_column("doubts", ratio=1, min_width=12, overflow="fold")
    shown = [str(column.header).replace("\ncm²", "") for column in table.columns]
    for row in rows:
        cells = _cells(row)
        table.add_row(*(Text(clean_text(cells[name])) for name in shown), style="bold" if row.needs_look else None)
    return table


def _title(visit: Visit) -> str:
    measured = sum(row.status is not FragmentStatus.MISSING for row in visit.rows)
    look, wrong = sum(row.needs_look for row in visit.rows), sum(row.marked_wrong for row in visit.rows)
    parts = [visit.title, f"{measured} measured"]
    parts += [f"{look} to look at (!)"] if look else []
    parts += [f"{wrong} marked wrong, not in the sum"] if wrong else []
    return clean_text(" · ".join(parts))


def _place(row: ReportRow) -> str:
    words = place_words(row.place)
    return words if words != row.name else ""


def _sum_of(rows: Sequence[ReportRow], field: str) -> float:
    """Sum of one area field in mm2, a fragment on several photos with its mean."""
    return sum(sum(getattr(row, field) for row in members) / len(members) for members in counted_together(rows))


def _cells(row: ReportRow) -> dict[str, str]:
    gone = row.status in (FragmentStatus.MISSING, FragmentStatus.DEAD)
    return {
        "fragment": f"! {row.name}" if row.needs_look else row.name,
        "place": _place(row),
        "genotype": row.genotype,
        "live": row.status.value if gone else " ± ".join(round_area(row.live_mm2, row.live_expanded_mm2)),
        "bleached": _plain(row.bleached_mm2),
        "dead": _plain(row.dead_mm2),
        "doubts": ", ".join(doubt.kind.title for doubt in by_weight(row.doubts)),
    }


def _plain(area_mm2: float) -> str:
    """Hundredths of a cm2, nothing for less than half of one."""
    return f"{area_mm2 / 100:.2f}" if area_mm2 >= 0.5 else ""


def _caption(visit: Visit) -> Text:
    titles = ", ".join(doubt.kind.title for doubt in by_weight(visit.photo_doubts))
    lines = [f"Whole photo: {titles}"] if titles else []
    lines += sorted({row.last_check for row in visit.rows} - {""})
    return Text(clean_text(" · ".join(lines)))
