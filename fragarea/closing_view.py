"""What commands show of pads to come, and of times on pads: forecasts, past ones, and comparisons."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date
from functools import cache

import numpy as np

from fragarea.fusion import FusionRules, PadHistory
from fragarea.fusion.forecast import PadForecast, PastForecast, forecast_pad, past_forecasts
from fragarea.fusion.speeds import PadSpeeds, speeds_of
from fragarea.fusion.survival import Event, EventTimes, Grouping, compare_times
from fragarea.growth import KEPT, GenotypesGrowth, growth_of_columns
from fragarea.growth.columns import day_of
from fragarea.growth_view import view_growth
from fragarea.logbook import Logbook
from fragarea.nursery import Nursery, Tables
from fragarea.sites.records import SiteKind

PAST_DAYS = 8
"""Forecasts are made anew for so many earlier days of visits at most, spread over all of them."""

PAST_DRAWS = 500
MANY_PADS = 100
PAST_DAYS_OF_MANY = 3


@dataclass(frozen=True)
class ClosingView:
    """Forecasts of pads from their last visits on.

    Attributes
    ----------
    forecasts : tuple of PadForecast
        In order of site.
    past : tuple of PastForecast
        Made anew from what earlier visits had told, and held against what came.
    speeds : PadSpeeds
        What the forecasts rest on.
    rules : FusionRules
    """

    forecasts: tuple[PadForecast, ...]
    past: tuple[PastForecast, ...]
    speeds: PadSpeeds
    rules: FusionRules


@dataclass(frozen=True)
class TimesView:
    """Times to contact and to fusion by groups."""

    contact: EventTimes
    fusion: EventTimes


def view_closing(
    logbook: Logbook,
    nursery: Nursery,
    tables: Tables,
    pads: Sequence[PadHistory],
    rules: FusionRules,
    *,
    site: str | None = None,
    until: date | None = None,
) -> ClosingView:
    """Forecast pads, and hold what earlier visits had told against what came.

    Parameters
    ----------
    logbook : Logbook
    nursery : Nursery
    tables : Tables
    pads : sequence of PadHistory
        All pads of the nursery from their first visits on, so that all of them tell how fast genotypes grow.
    rules : FusionRules
    site : str, optional
        Only this pad.
    until : date, optional
        Later photos do not count.
    """
    trays = _on_trays(logbook, nursery, tables, until)
    stood = stood_since(tables, pads)
    chosen = [pad for pad in pads if site is None or pad.site == site]
    speeds = speeds_of(pads, trays(until))
    forecasts = tuple(forecast_pad(pad, speeds, rules, stood_since=stood.get(pad.site)) for pad in chosen)
    made: dict[str, list[PadForecast]] = {pad.site: [] for pad in chosen}
    for day in _past_days(chosen):
        then = [before for pad in pads if (before := _before(pad, day))]
        known = speeds_of(then, trays(day))
        for pad in then:
            if pad.site in made and pad.visits[-1].day == day:
                made[pad.site].append(
                    forecast_pad(pad, known, rules, stood_since=stood.get(pad.site), draws=PAST_DRAWS)
                )
    past = tuple(one for pad in chosen for one in past_forecasts(pad, made[pad.site]))
    return ClosingView(forecasts, past, speeds, rules)


def view_times(
    tables: Tables, pads: Sequence[PadHistory], grouping: Grouping, *, site: str | None = None
) -> TimesView:
    """Times to contact and fusion on pads by groups.

    Parameters
    ----------
    tables : Tables
    pads : sequence of PadHistory
        From their first visits on.
    grouping : Grouping
    site : str, optional
    """
    chosen = [pad for pad in pads if site is None or pad.site == site]
    stood = stood_since(tables, chosen)
    contact, fusion = (
        compare_times(chosen, event, grouping, stood_since=stood) for event in (Event.CONTACT, Event.FUSION)
    )
    return TimesView(contact, fusion)


def stood_since(tables: Tables, pads: Sequence[PadHistory]) -> dict[str, date]:
    """First day on which all fragments of a pad stood on it, by the placements; not after its first visit."""
    found: dict[str, date] = {}
    for pad in pads:
        names = {one.fragment for one in pad.visits[0].fragments}
        days = [one.since for one in tables.placements if one.site == pad.site and one.fragment in names]
        days = [day for day in days if day <= pad.visits[0].day]
        if days:
            found[pad.site] = max(days)
    return found


def _on_trays(
    logbook: Logbook, nursery: Nursery, tables: Tables, until: date | None
) -> Callable[[date | None], GenotypesGrowth]:
    """Growth away from pads by what was known on a day; the areas that it rests on are read once."""
    growth = view_growth(logbook, tables, until=until)
    on_pad = {one.name for one in nursery.sites if one.kind is SiteKind.PAD}
    rows = growth.record.rows
    elsewhere = np.array([photo.site not in on_pad for photo in rows.photos], dtype=bool)
    counts = (growth.reasons == KEPT) & elsewhere[rows.photo[growth.record.row]]
    columns = growth.record.columns

    @cache
    def until_day(day: date | None) -> GenotypesGrowth:
        chosen = counts if day is None else counts & (columns.day < day_of(day) + 1)
        return growth_of_columns(columns.rows(chosen))

    return until_day


def _past_days(pads: Sequence[PadHistory]) -> list[date]:
    """Days of visits that a later one followed, evenly chosen."""
    days = sorted({visit.day for pad in pads for visit in pad.visits[:-1]})
    most = PAST_DAYS_OF_MANY if len(pads) > MANY_PADS else PAST_DAYS
    if len(days) <= most:
        return days
    return [days[round(place)] for place in np.linspace(0, len(days) - 1, most)]


def _before(pad: PadHistory, day: date) -> PadHistory | None:
    """A pad as it was known at the end of a day."""
    visits = tuple(visit for visit in pad.visits if visit.day <= day)
    return PadHistory(pad.site, visits) if visits else None
