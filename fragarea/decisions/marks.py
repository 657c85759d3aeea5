"""Measurements that a person marks wrong, or takes the mark back from."""

from __future__ import annotations

from datetime import date

from fragarea.batch import compare_histories
from fragarea.errors import SettingsProblem
from fragarea.growth import doubt_exchanges
from fragarea.logbook import MARKED_WRONG, FragmentVisit, Logbook, history_of, mark_wrong
from fragarea.nursery import Tables
from fragarea.nursery.words import did_you_mean, tidy


def mark_visits(
    logbook: Logbook,
    tables: Tables,
    fragment: str,
    on: date,
    *,
    by: str,
    because: str,
    photo: str | None = None,
    wrong: bool = True,
) -> tuple[FragmentVisit, ...]:
    """Mark a fragment's measurements of one day wrong.

    Parameters
    ----------
    logbook : Logbook
    tables : Tables
    fragment : str
    on : date
    by, because : str
    photo : str, optional
        File name of one photo of that day; all of them otherwise.
    wrong : bool
        False takes marks back.

    Returns
    -------
    tuple of FragmentVisit
        What was marked, as it was before.

    Raises
    ------
    SettingsProblem
        If there is no such fragment, visit or photo, or nothing to mark.
    LogbookProblem
    """
    name = tidy(fragment)
    visits = history_of(logbook, name)
    if not visits:
        known = sorted(one.fragment for one in tables.fragments)
        advice = "It has not been measured yet." if name in known else did_you_mean(name, known)
        raise SettingsProblem(f"fragment {name!r}: the logbook has no measurement of it. {advice}")
    of_day = [visit for visit in visits if visit.taken_at and visit.taken_at.date() == on]
    if not of_day:
        raise SettingsProblem(f"{name} was not measured on {on}. {_nearest(visits, on)}")
    chosen = [visit for visit in of_day if photo is None or visit.photo == photo]
    if not chosen:
        photos = ", ".join(visit.photo for visit in of_day)
        raise SettingsProblem(f"--photo {photo}: {name} is on no such photo of {on}. It is on: {photos}.")
    chosen = [visit for visit in chosen if _marked(visit) is not wrong]
    if not chosen:
        state = (
            "marked wrong already; --undo takes it back" if wrong else "not marked wrong, so nothing is taken back"
        )
        raise SettingsProblem(f"{name} on {on} is {state}.")
    mark_wrong(logbook, [visit.fragment_id for visit in chosen], marked_by=by, reason=because, wrong=wrong)
    compare_histories(logbook)
    doubt_exchanges(logbook, tables)
    return tuple(chosen)


def _marked(visit: FragmentVisit) -> bool:
    return any(doubt.key == MARKED_WRONG for doubt in visit.doubts)


def _nearest(visits: list[FragmentVisit], on: date) -> str:
    days = {visit.taken_at.date() for visit in visits if visit.taken_at}
    near = sorted(sorted(days, key=lambda day: abs(day - on))[:3])
    return f"The nearest visits: {', '.join(map(str, near))}." if near else "Its photos have no date."
