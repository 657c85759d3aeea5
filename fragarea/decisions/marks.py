"""Measurements that a person marks wrong, or takes the mark back from."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date

from fragarea.batch import compare_histories
from fragarea.errors import SettingsProblem
from fragarea.growth import doubt_exchanges
from fragarea.logbook import Logbook, current_measurements, history_of, mark_wrong
from fragarea.measurement import FragmentMeasurement
from fragarea.nursery import Tables
from fragarea.nursery.words import did_you_mean, tidy
from fragarea.report.words import fragment_name, marked_wrong


@dataclass(frozen=True)
class Marked:
    """One fragment on one photo that was marked, or is marked no more.

    Attributes
    ----------
    fragment_id : int
    name : str
        As pictures and tables show it: its place where no name is recorded.
    site, photo : str
    measured : FragmentMeasurement
        With the doubts that it had before.
    """

    fragment_id: int
    name: str
    site: str
    photo: str
    measured: FragmentMeasurement


def mark_visits(
    logbook: Logbook,
    tables: Tables,
    fragment: str,
    on: date,
    *,
    by: str,
    because: str,
    site: str | None = None,
    photo: str | None = None,
    wrong: bool = True,
) -> tuple[Marked, ...]:
    """Mark a fragment's measurements of one day wrong.

    Parameters
    ----------
    logbook : Logbook
    tables : Tables
    fragment : str
        Its name, or its place where none is recorded, as pictures and tables show it.
    on : date
    by, because : str
    site : str, optional
        Where it stands; needed where several sites have such a place.
    photo : str, optional
        File name of one photo of that day; all of them otherwise.
    wrong : bool
        False takes marks back.

    Returns
    -------
    tuple of Marked

    Raises
    ------
    SettingsProblem
        If there is no such fragment, visit or photo, or nothing to mark.
    LogbookProblem
    """
    name = tidy(fragment)
    seen = list(_seen(logbook, on, site))
    of_name = [one for one in seen if one.name == name]
    if not of_name:
        raise SettingsProblem(_not_found(logbook, tables, name, on, seen))
    if len(sites := sorted({one.site for one in of_name})) > 1:
        raise SettingsProblem(f"{name} is at several sites on {on}: {', '.join(sites)}. Say which: --site NAME.")
    chosen = [one for one in of_name if photo is None or one.photo == photo]
    if not chosen:
        photos = ", ".join(one.photo for one in of_name)
        raise SettingsProblem(f"--photo {photo}: {name} is on no such photo of {on}. It is on: {photos}.")
    chosen = [one for one in chosen if marked_wrong(one.measured.doubts) is not wrong]
    if not chosen:
        state = (
            "marked wrong already; --undo takes it back" if wrong else "not marked wrong, so nothing is taken back"
        )
        raise SettingsProblem(f"{name} on {on} is {state}.")
    mark_wrong(logbook, [one.fragment_id for one in chosen], marked_by=by, reason=because, wrong=wrong)
    compare_histories(logbook)
    doubt_exchanges(logbook, tables)
    return tuple(chosen)


def _seen(logbook: Logbook, on: date, site: str | None) -> Iterator[Marked]:
    """Everything measured on a day."""
    for one in current_measurements(logbook, site=site, since=on, until=on, with_outlines=False):
        for number, part in zip(one.fragment_ids, one.measurement.fragments, strict=True):
            name = fragment_name(part, one.names)
            yield Marked(number, name, one.measurement.site.name, one.measurement.photo, part)


def _not_found(logbook: Logbook, tables: Tables, name: str, on: date, seen: list[Marked]) -> str:
    """Why nothing of this name was measured on a day, and what to do."""
    visits = history_of(logbook, name)
    days = {visit.taken_at.date() for visit in visits if visit.taken_at}
    if days:
        near = sorted(sorted(days, key=lambda day: abs(day - on))[:3])
        return f"{name} was not measured on {on}. The nearest visits: {', '.join(map(str, near))}."
    known = sorted({one.fragment for one in tables.fragments} | {one.name for one in seen})
    if name in known:
        return f"{name} has not been measured with a date yet."
    return f"{name!r}: nothing of this name was measured on {on}. {did_you_mean(name, known)}"
