"""What commands show of outplanting: what is ready, and when the rest will be, by a nursery's record and rules."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date

import numpy as np

from fragarea.fusion_view import view_fusion
from fragarea.growth import (
    DAYS_PER_MONTH,
    KEPT,
    HealingLag,
    MixUp,
    NurseryRecord,
    look_first,
    open_exchanges,
    read_record,
)
from fragarea.growth.columns import Bools, day_of
from fragarea.growth.health import VISITS_OF_A_TREND
from fragarea.growth_view import GrowthView, view_growth
from fragarea.logbook import Logbook
from fragarea.nursery import Nursery, Outplanting, Tables
from fragarea.outplant import (
    Deadline,
    Forecast,
    Knowledge,
    Past,
    PastLine,
    Standing,
    State,
    StockLine,
    Verdict,
    back_test,
    deadlines,
    forecast,
    judge_all,
    learn,
    past_lines,
    standing,
    stock_lines,
    units_on,
)
from fragarea.outplant.lines import Array, Ints

DRAWS, DRAWS_OF_MANY, MANY = 2000, 500, 10_000
"""Draws of a forecast, and of one of more than so many fragments."""

BACK_TEST_DAYS = 183
"""Forecasts of the last half year are held against what came."""

MOST_LAGS = 5_000
"""In a nursery of more fragments the healing lag is not estimated: it has to be given."""


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


@dataclass(frozen=True, eq=False)
class ForecastView:
    """A forecast with what it rests on.

    Attributes
    ----------
    readiness : ReadinessView
        Of today.
    settings : Outplanting
    knowledge : Knowledge
    standing : Standing
        What the forecast is made for, and what it is not made for.
    forecast : Forecast
    stock : tuple of StockLine
    deadlines : tuple of Deadline
    past : Past
        Forecasts that were made at past visits, and what came of them.
    past_lines : tuple of PastLine
    lags : dict of str to HealingLag
    watched_months : float
        From the first measurement that counts as growth to the last.
    """

    readiness: ReadinessView
    settings: Outplanting
    knowledge: Knowledge
    standing: Standing
    forecast: Forecast
    stock: tuple[StockLine, ...]
    deadlines: tuple[Deadline, ...]
    past: Past
    past_lines: tuple[PastLine, ...]
    lags: dict[str, HealingLag]
    watched_months: float

    @property
    def on(self) -> date:
        """Today."""
        return self.readiness.on


def view_readiness(
    logbook: Logbook, nursery: Nursery, tables: Tables, *, on: date, site: str | None = None
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
    """
    whole = read_record(logbook, tables)
    mixups = open_exchanges(logbook, whole)
    return _readiness(logbook, whole.limited(until=on), mixups, nursery, tables, on, site)


def view_forecast(
    logbook: Logbook,
    nursery: Nursery,
    tables: Tables,
    *,
    on: date,
    days: Array,
    site: str | None = None,
    lag_days: float | None = None,
    draws: int | None = None,
    seed: int = 1,
) -> ForecastView:
    """Forecast what will be ready, and hold past forecasts against what came.

    Parameters
    ----------
    logbook : Logbook
    nursery : Nursery
    tables : Tables
    on : date
        Today: photos taken later do not count.
    days : ndarray of float64
        Days from today for which to count, ascending.
    site : str, optional
        Only what stands there; growth is learned from all sites.
    lag_days : float or None
        Healing lag after cutting; None estimates one for each genotype.
    draws : int, optional
    seed : int
        The same seed gives the same forecast.
    """
    many = len(tables.fragments) > MOST_LAGS
    growth = view_growth(logbook, tables, until=on, lag_days=0.0 if lag_days is None and many else lag_days)
    readiness = _readiness(logbook, growth.record, growth.mixups, nursery, tables, on, site)
    columns = growth.record.columns
    number = _genotypes(growth, tables, readiness)
    sites = {name: i for i, name in enumerate(sorted({one.name for one in nursery.sites} | _sites_of(growth)))}
    entries = {entry.fragment: (entry.genotype, entry.species) for entry in tables.fragments}
    genotype = np.array([number[entries.get(head.fragment, ("", ""))] for head in columns.heads], dtype=np.int64)
    at_site = np.array([sites[head.site] for head in columns.heads], dtype=np.int64)
    lags = _all_lags(growth, lag_days)
    rng = np.random.default_rng(seed)
    if draws is None:
        draws = DRAWS if len(columns.heads) <= MANY else DRAWS_OF_MANY
    known = learn(
        columns,
        growth.reasons,
        genotype=genotype,
        names=list(number),
        site=at_site,
        sites=len(sites),
        lags=lags,
        draws=draws,
        rng=rng,
    )
    stand = standing(
        readiness.verdicts,
        nursery.outplanting,
        columns,
        growth.reasons,
        known,
        on=on,
        genotype=number,
        site=sites,
    )
    made = forecast(stand.stand, known, today_months=day_of(on) / DAYS_PER_MONTH, days=days, rng=rng)
    past = _past(growth, known, genotype, at_site, lags, on, rng)
    return ForecastView(
        readiness=readiness,
        settings=nursery.outplanting,
        knowledge=known,
        standing=stand,
        forecast=made,
        stock=stock_lines(made, known.names, nursery.outplanting, on),
        deadlines=deadlines(stand, made, nursery.outplanting, on),
        past=past,
        past_lines=past_lines(past, known.names),
        lags=lags,
        watched_months=_watched_months(growth),
    )


def _past(
    growth: GrowthView,
    known: Knowledge,
    genotype: Ints,
    site: Ints,
    lags: dict[str, HealingLag],
    on: date,
    rng: np.random.Generator,
) -> Past:
    """Forecasts of the last half year held against what came; of the whole past where the half year tells nothing."""
    columns = growth.record.columns
    found = Past.none()
    for since_day in (day_of(on) - BACK_TEST_DAYS, -np.inf):
        if not len(found):
            found = back_test(
                columns,
                growth.reasons,
                lag_days=np.array([lags[h.genotype].lag_days if h.genotype in lags else 0.0 for h in columns.heads]),
                exchanged_day=_exchanged(growth),
                genotype=genotype,
                names=list(known.names),
                site=site,
                sites=known.site_moves.shape[1],
                lags=lags,
                since_day=since_day,
                rng=rng,
            )
    return found


def _watched_months(growth: GrowthView) -> float:
    """The longest time over which a fragment grew."""
    columns = growth.record.columns.rows(growth.reasons == KEPT)
    if not len(columns):
        return 0.0
    starts = np.flatnonzero(np.diff(columns.fragment, prepend=-1) > 0)
    ends = np.r_[starts[1:], len(columns)] - 1
    return float((columns.day[ends] - columns.day[starts]).max()) / DAYS_PER_MONTH


def _readiness(
    logbook: Logbook,
    record: NurseryRecord,
    mixups: Iterable[MixUp],
    nursery: Nursery,
    tables: Tables,
    on: date,
    site: str | None,
) -> ReadinessView:
    rules = nursery.outplanting.rules
    # a rule of their own may ask for any time since a loss
    own = any(rule.also is not None for rule in rules)
    longest = np.inf if own else max((rule.no_loss_days or 0.0 for rule in rules), default=0.0)
    units = units_on(
        record.histories(_needed(record, day_of(on) - longest)),
        tables,
        nursery,
        on,
        site_of={photo.sha256: photo.site for photo in record.rows.photos},
        fused=_fused(logbook, nursery, tables, on),
        notes=_notes(record, mixups, on),
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


def _fused(logbook: Logbook, nursery: Nursery, tables: Tables, on: date) -> dict[str, float]:
    """Fused part of each pad's neighbouring pairs, where a rule asks for it."""
    rules = nursery.outplanting.rules
    if not any(rule.min_fused is not None or (rule.also and "fused" in rule.also.names) for rule in rules):
        return {}
    pads = view_fusion(logbook, tables, until=on).pads
    shares = {pad.site: pad.visits[-1].progress.fused_share.value for pad in pads}
    # a pad without pairs that can fuse has none
    return {site: share for site, share in shares.items() if not np.isnan(share)}


def _notes(record: NurseryRecord, mixups: Iterable[MixUp], on: date) -> dict[str, str]:
    """What a person should look at before a fragment goes out: signs of trouble, and doubts about who it is."""
    notes: dict[str, list[str]] = defaultdict(list)
    for concern in look_first(record.histories(_needed(record, np.inf))):
        notes[concern.fragment] += [finding.words for finding in concern.findings]
    for mixup in mixups:
        if mixup.taken_at.date() <= on:
            for name in mixup.fragments:
                others = " or ".join(other for other in mixup.fragments if other != name)
                notes[name].append(f"may have changed places with {others}")
    return {name: "; ".join(dict.fromkeys(told)) for name, told in notes.items()}


def _genotypes(growth: GrowthView, tables: Tables, readiness: ReadinessView) -> dict[tuple[str, str], int]:
    """Genotypes with their species, numbered in order of species and name."""
    entries = {entry.fragment: (entry.genotype, entry.species) for entry in tables.fragments}
    found = {entries.get(head.fragment, ("", "")) for head in growth.record.columns.heads}
    found |= {(one.unit.genotype, one.unit.species) for one in readiness.verdicts}
    return {name: number for number, name in enumerate(sorted(found, key=lambda one: (one[1], one[0])))}


def _sites_of(growth: GrowthView) -> set[str]:
    return {head.site for head in growth.record.columns.heads}


def _all_lags(growth: GrowthView, lag_days: float | None) -> dict[str, HealingLag]:
    """Lags by genotype: those estimated, or the one that was given for all."""
    if not lag_days:
        return growth.lags
    names = sorted({head.genotype for head in growth.record.columns.heads})
    return {name: HealingLag(lag_days, lag_days, lag_days, 0.0, 0, 0) for name in names}


def _exchanged(growth: GrowthView) -> Array:
    """Day since which each fragment is doubted to be itself; nan for never."""
    first: dict[str, float] = {}
    for mixup in growth.mixups:
        for name in mixup.fragments:
            first.setdefault(name, day_of(mixup.taken_at))
    return np.array([first.get(head.fragment, np.nan) for head in growth.record.columns.heads])
