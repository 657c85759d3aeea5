"""The placements table: which fragment stood where, from when to when."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable, Hashable, Iterable, Iterator
from datetime import date
from pathlib import Path

from fragarea.errors import TableProblem
from fragarea.nursery.cells import Line
from fragarea.nursery.fragments import in_line_order, read_fragments
from fragarea.nursery.records import Fragment, Nursery, Placement, Site, Tables
from fragarea.nursery.table_file import Row, find_table, read_rows
from fragarea.nursery.words import did_you_mean
from fragarea.sites.records import SiteKind

NEEDED = ("fragment", "site", "from")
COLUMNS = ("fragment", "site", "row", "column", "x_mm", "y_mm", "place", "from", "to")

SAME_PLACE_MM = 2.0
"""Fragments on a pad nearer than this cannot both stand there; far below any plug's diameter."""

_FAULTS_WITH_ADVICE = 20

Numbered = tuple[int, Placement]


def load_tables(nursery: Nursery) -> Tables:
    """Read the fragments and placements tables of a nursery, CSV or XLSX; a table that is not there is empty.

    Raises
    ------
    TableProblem
        With all faults of the first table that has any.
    """
    fragments_file = find_table(nursery.folder, "fragments")
    placements_file = find_table(nursery.folder, "placements")
    different = nursery.different_genotypes
    fragments = read_fragments(fragments_file, different_genotypes=different) if fragments_file else ()
    return Tables(fragments, read_placements(placements_file, fragments, nursery) if placements_file else ())


def read_placements(path: Path, fragments: Iterable[Fragment], nursery: Nursery) -> tuple[Placement, ...]:
    """Read placements.csv or placements.xlsx.

    A tray wants `row` and `column`; a pad `x_mm` and `y_mm`, or `place` where nursery.toml describes its places; a
    single plug nothing.

    Raises
    ------
    TableProblem
        With all faults of the table, line by line: unknown fragment or site, position missing or outside the site,
        `to` not after `from`, bad numbers and dates, two fragments in one position and a fragment in two places on
        overlapping dates.
    """
    return tuple(placement for _, placement in numbered_placements(path, fragments, nursery))


def numbered_placements(path: Path, fragments: Iterable[Fragment], nursery: Nursery) -> tuple[Numbered, ...]:
    """Placements with the line on which each stands, as :func:`read_placements` reads them; the same errors."""
    faults: list[str] = []
    names = {fragment.fragment for fragment in fragments}
    read = [_placement(row, names, nursery, faults) for row in read_rows(path, needed=NEEDED, known=COLUMNS)]
    sound = [numbered for numbered in read if numbered]
    faults += _fragments_in_two_places(sound)
    faults += _positions_taken_twice(sound)
    if faults:
        raise TableProblem(path.name, in_line_order(faults))
    return tuple(sound)


def _placement(row: Row, fragments: set[str], nursery: Nursery, faults: list[str]) -> Numbered | None:
    line = Line(row, faults)
    fragment, site_name = line.name("fragment"), line.name("site")
    since, until = line.day("from", needed=True), line.day("to")
    if fragment and fragment not in fragments:
        # looking for likely names takes time, and a table full of unknown ones has another cause than typing
        advice = did_you_mean(fragment, sorted(fragments)) if len(faults) < _FAULTS_WITH_ADVICE else ""
        line.fault(f"fragment {fragment!r} is not in the fragments table. {advice}".rstrip())
    site = nursery.site(site_name)
    if site_name and site is None:
        known = [one.name for one in nursery.sites]
        line.fault(f"site {site_name!r} is not described in nursery.toml. {did_you_mean(site_name, known)}")
    if since and until and until <= since:
        line.fault(f"'to' {until} is not after 'from' {since}; 'to' is the first day no longer there")
    placement = Placement(
        fragment=fragment,
        site=site_name,
        since=since or date.min,
        until=until,
        row=line.whole("row"),
        column=line.whole("column"),
        x_mm=line.number_in("x_mm", low=-10_000, high=10_000),
        y_mm=line.number_in("y_mm", low=-10_000, high=10_000),
        place=line.name("place", needed=False),
    )
    if site and line.sound:
        _check_position(line, placement, site)
    return (line.number, placement) if line.sound else None


def _check_position(line: Line, placement: Placement, site: Site) -> None:
    grid = (placement.row, placement.column)
    point = (placement.x_mm, placement.y_mm)
    if site.kind is SiteKind.TRAY:
        if None in grid or point != (None, None) or placement.place:
            line.fault(f"{site.name!r} is a tray: give row and column, and leave x_mm, y_mm and place blank")
        elif site.rows and site.columns and not (grid[0] <= site.rows and grid[1] <= site.columns):  # type: ignore[operator]
            where = f"row {placement.row}, column {placement.column}"
            line.fault(f"{where} is outside {site.name!r}, which has {site.rows} rows and {site.columns} columns")
    elif grid != (None, None):
        line.fault(f"{site.name!r} is a {site.kind}, which has no rows and columns; leave them blank")
    elif site.kind is SiteKind.PAD:
        _check_place(line, placement, site)
    elif point != (None, None) or placement.place:
        line.fault(f"{site.name!r} is a single plug; leave x_mm, y_mm and place blank")


def _check_place(line: Line, placement: Placement, site: Site) -> None:
    labels = [label for label, _, _ in site.places_mm]
    point = (placement.x_mm, placement.y_mm)
    if placement.place and placement.place not in labels:
        line.fault(
            f"place {placement.place!r} is not described for {site.name!r}. {did_you_mean(placement.place, labels)}"
        )
    elif not placement.place and None in point:
        wanted = "place, or x_mm and y_mm" if labels else "x_mm and y_mm"
        line.fault(f"{site.name!r} is a pad: give {wanted}")
    elif placement.place and point != (None, None):
        line.fault("give either place or x_mm and y_mm, not both")


def _fragments_in_two_places(placements: list[Numbered]) -> Iterator[str]:
    for numbered in _grouped(placements, lambda one: one.fragment):
        for (earlier_line, earlier), (line, later) in _overlapping(numbered):
            cure = f"give line {earlier_line} a 'to' date" if earlier.until is None else "mend the dates"
            yield (
                f"line {line}: fragment {later.fragment!r} also stands at {_where(earlier)} by line {earlier_line} "
                f"on {_overlap(earlier, later)}; {cure}"
            )


def _positions_taken_twice(placements: list[Numbered]) -> Iterator[str]:
    for numbered in _grouped(placements, _position):
        for (earlier_line, earlier), (line, later) in _overlapping(numbered):
            if earlier.fragment != later.fragment:
                yield _taken(earlier_line, earlier, line, later)
    by_site = _grouped([one for one in placements if one[1].x_mm is not None], lambda one: one.site)
    for numbered in by_site:
        for (earlier_line, earlier), (line, later) in _close_by(numbered):
            yield _taken(earlier_line, earlier, line, later)


def _taken(earlier_line: int, earlier: Placement, line: int, later: Placement) -> str:
    return (
        f"line {line}: {_where(later)} is taken by {earlier.fragment!r} (line {earlier_line}) "
        f"on {_overlap(earlier, later)}; two fragments cannot stand in one position"
    )


def _position(placement: Placement) -> tuple[object, ...] | None:
    """What only one fragment at a time can have; None for points on a pad, which are compared by distance."""
    return None if placement.x_mm is not None else (placement.site, placement.row, placement.column, placement.place)


def _grouped(placements: list[Numbered], key: Callable[[Placement], Hashable | None]) -> list[list[Numbered]]:
    groups = defaultdict(list)
    for numbered in placements:
        name = key(numbered[1])
        if name is not None:
            groups[name].append(numbered)
    return list(groups.values())


def _overlapping(placements: list[Numbered]) -> Iterator[tuple[Numbered, Numbered]]:
    """Pairs with days in common: each placement with the one before it, by date, that lasts longest."""
    longest: Numbered | None = None
    for numbered in sorted(placements, key=lambda one: (one[1].since, one[0])):
        if longest and numbered[1].since < _end(longest[1]):
            yield (longest, numbered)
        if longest is None or _end(numbered[1]) > _end(longest[1]):
            longest = numbered


def _close_by(placements: list[Numbered]) -> Iterator[tuple[Numbered, Numbered]]:
    """Pairs of points with days in common that lie nearer than `SAME_PLACE_MM`; cells of that size keep it quick."""
    cells: dict[tuple[int, int], list[Numbered]] = defaultdict(list)
    for numbered in sorted(placements, key=lambda one: (one[1].since, one[0])):
        x, y = _point(numbered[1])
        column, row = math.floor(x / SAME_PLACE_MM), math.floor(y / SAME_PLACE_MM)
        around = (cells[i, j] for i in (column - 1, column, column + 1) for j in (row - 1, row, row + 1))
        for earlier in (one for cell in around for one in cell):
            near = math.dist(_point(earlier[1]), (x, y)) < SAME_PLACE_MM
            if near and earlier[1].fragment != numbered[1].fragment and numbered[1].since < _end(earlier[1]):
                yield (earlier, numbered)
                break
        cells[column, row].append(numbered)


def _point(placement: Placement) -> tuple[float, float]:
    return (placement.x_mm or 0.0, placement.y_mm or 0.0)


def _end(placement: Placement) -> date:
    return placement.until or date.max


def _overlap(earlier: Placement, later: Placement) -> str:
    end = min(_end(earlier), _end(later))
    return f"{later.since} and after" if end == date.max else f"{later.since} to {end}"


def _where(placement: Placement) -> str:
    if placement.row is not None:
        return f"{placement.site} row {placement.row} column {placement.column}"
    if placement.x_mm is not None:
        return f"{placement.site} x {placement.x_mm:g} y {placement.y_mm:g} mm"
    return f"{placement.site} place {placement.place}" if placement.place else placement.site
