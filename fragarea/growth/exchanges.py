"""Fragments that seem to have changed places, as long as nobody decided: another rim of this package."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date

import numpy as np

from fragarea.doubts import Doubt
from fragarea.growth.columns import day_of
from fragarea.growth.history import NurseryRecord, mixups_of, read_record
from fragarea.growth.mixups import MixUp
from fragarea.logbook import ExchangeDecision, Logbook, exchange_decisions_of, keep_exchange_doubts
from fragarea.nursery import Tables


def open_exchanges(logbook: Logbook, record: NurseryRecord) -> tuple[MixUp, ...]:
    """Exchanges that nobody decided about, and a doubt beside each measurement that they concern.

    Parameters
    ----------
    logbook : Logbook
        Doubts are kept in it, where it may be written: those that no longer hold, or were decided, go.
    record : NurseryRecord
        Of the whole logbook.

    Returns
    -------
    tuple of MixUp
        In order of time.

    Raises
    ------
    LogbookProblem
    """
    found = undecided(mixups_of(logbook, record), exchange_decisions_of(logbook))
    if not logbook.read_only:
        keep_exchange_doubts(logbook, _doubts(record, found))
    return found


def doubt_exchanges(logbook: Logbook, tables: Tables) -> tuple[MixUp, ...]:
    """:func:`open_exchanges` of a logbook as it stands."""
    return open_exchanges(logbook, read_record(logbook, tables))


def undecided(mixups: Iterable[MixUp], decisions: Iterable[ExchangeDecision]) -> tuple[MixUp, ...]:
    """Those on which no person's word stands, be it for the exchange or against it."""
    decided = {(one.site, one.on, frozenset(one.fragments)) for one in decisions}
    return tuple(one for one in mixups if identity(one) not in decided)


def identity(mixup: MixUp) -> tuple[str, date, frozenset[str]]:
    """Site, day and fragments: what a decision is about."""
    return mixup.site, mixup.taken_at.date(), frozenset(mixup.fragments)


def _doubts(record: NurseryRecord, mixups: Iterable[MixUp]) -> dict[int, Doubt]:
    """The doubt of each measurement of a doubted visit, by row in the logbook."""
    columns, rows = record.columns, record.rows
    number = {head.fragment: place for place, head in enumerate(columns.heads)}
    found: dict[int, Doubt] = {}
    for mixup in mixups:
        day = day_of(mixup.taken_at.date())
        for name in mixup.fragments:
            begin, end = np.searchsorted(columns.fragment, [number[name], number[name] + 1])
            of_day = begin + np.flatnonzero(np.floor(columns.day[begin:end]) == day)
            for row in record.row[of_day].tolist():
                if rows.photos[rows.photo[row]].site == mixup.site:
                    found[int(rows.fragment_id[row])] = mixup.doubt
    return found
