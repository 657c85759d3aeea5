"""What commands show of outplanting: what is ready, from the logbook, the tables and the nursery's rules."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

import numpy as np

from fragarea.growth import NurseryRecord, look_first, mixups_of, read_record
from fragarea.growth.columns import Bools, day_of
from fragarea.growth.health import VISITS_OF_A_TREND
from fragarea.logbook import Logbook
from fragarea.nursery import Nursery, Tables
from fragarea.outplant import State, Verdict, judge_all, units_on


@dataclass(frozen=True, eq=False)
class ReadinessView:
    """What stands in the nursery on a day, and whether it is ready.

    Attributes
    ----------
    on : date
    verdicts : tuple of Verdict
        In order of site and place.
    """

    on: date
    verdicts: tuple[Verdict, ...]

    def of(self, state: State) -> tuple[Verdict, ...]:
        """Those in one state."""
        return tuple(one for one in self.verdicts if one.state is state)


def view_readiness(
    logbook: Logbook,
    nursery: Nursery,
    tables: Tables,
    *,
    on: date,
    site: str | None = None,
    fused: Mapping[str, float] | None = None,
) -> ReadinessView:
    """Judge what stands in the nursery on a day by its rules.

    Parameters
    ----------
    logbook : Logbook
    nursery : Nursery
    tables : Tables
    on : date
        Photos taken later do not count.
    site : str, optional
    fused : mapping of str to float, optional
        Fused part of each pad's neighbouring pairs on that day, by site.
    """
    whole = read_record(logbook, tables)
    record = whole.limited(until=on)
    longest = max((rule.no_loss_days or 0.0 for rule in nursery.outplanting.rules), default=0.0)
    if any(rule.also is not None for rule in nursery.outplanting.rules):
        longest = np.inf  # a rule of their own may ask for any time since a loss
    units = units_on(
        record.histories(_needed(record, day_of(on) - longest)),
        tables,
        nursery,
        on,
        site_of={photo.sha256: photo.site for photo in record.rows.photos},
        fused=fused,
        notes=_notes(logbook, whole, record, on),
    )
    chosen = [unit for unit in units if site is None or unit.site == site]
    return ReadinessView(on, judge_all(chosen, nursery.outplanting, on))


def _needed(record: NurseryRecord, since_day: float) -> Bools:
    """The points from a day on, and the last few before: what readiness is judged by."""
    columns = record.columns
    recent = columns.day >= since_day
    ends = np.searchsorted(columns.fragment, columns.fragment, side="right")
    last = ends - np.arange(len(columns)) <= VISITS_OF_A_TREND
    before = np.r_[recent[1:] & (np.diff(columns.fragment) == 0), False] if len(columns) else recent
    return np.asarray(recent | last | before)


def _notes(logbook: Logbook, whole: NurseryRecord, record: NurseryRecord, on: date) -> dict[str, str]:
    """What a person should look at before a fragment goes out: signs of trouble, and doubts about who it is."""
    notes: dict[str, list[str]] = defaultdict(list)
    for concern in look_first(record.histories(_needed(record, np.inf))):
        notes[concern.fragment] += [finding.words for finding in concern.findings]
    for mixup in mixups_of(logbook, whole):
        if mixup.taken_at.date() <= on:
            for name in mixup.fragments:
                others = " or ".join(other for other in mixup.fragments if other != name)
                notes[name].append(f"may have changed places with {others}")
    return {name: "; ".join(dict.fromkeys(told)) for name, told in notes.items()}
