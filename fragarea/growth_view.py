"""What commands show of growth: curves, rates, genotypes, comparisons, losses and mix-ups of a nursery."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from datetime import date
from functools import cached_property

import numpy as np

from fragarea.growth import (
    KEPT,
    REASONS,
    Concern,
    Contrast,
    GenotypesGrowth,
    GrowthCurve,
    GrowthRates,
    HealingLag,
    LeftOut,
    MixUp,
    NurseryRecord,
    contrasts,
    curve_by_reasons,
    estimate_lag,
    growth_of_columns,
    look_first,
    open_exchanges,
    rates_over,
    read_record,
    reasons_of,
)
from fragarea.growth.columns import Bools, day_of
from fragarea.growth.curve import USUAL_RULES, Codes
from fragarea.growth.health import VISITS_OF_A_TREND
from fragarea.logbook import Logbook
from fragarea.nursery import Tables


@dataclass(frozen=True, eq=False)
class GrowthView:
    """Growth over a choice of visits.

    Attributes
    ----------
    record : NurseryRecord
        The areas that it rests on.
    reasons : ndarray of int8
        Why each of them is no growth, as :func:`fragarea.growth.reasons_of` gives it.
    genotypes : GenotypesGrowth
    contrasts : tuple of Contrast
    left_out : dict of LeftOut to int
    lags : dict of genotype to HealingLag
        Where they were estimated.
    concerns : tuple of Concern
    mixups : tuple of MixUp
    """

    record: NurseryRecord
    reasons: Codes
    genotypes: GenotypesGrowth
    contrasts: tuple[Contrast, ...]
    left_out: dict[LeftOut, int]
    lags: dict[str, HealingLag]
    concerns: tuple[Concern, ...]
    mixups: tuple[MixUp, ...]

    @cached_property
    def fragments(self) -> tuple[tuple[GrowthCurve, GrowthRates | None], ...]:
        """Curve and rates of every fragment, in order of name; no rates where fewer than two measurements count."""
        columns = self.record.columns
        bounds = np.searchsorted(columns.fragment, np.arange(len(columns.heads) + 1))
        found = []
        for number, history in enumerate(self.record.histories()):
            curve = curve_by_reasons(history, self.reasons[bounds[number] : bounds[number + 1]].tolist())
            found.append((curve, rates_over(curve.points)))
        return tuple(found)


def view_growth(
    logbook: Logbook,
    tables: Tables,
    *,
    site: str | None = None,
    since: date | None = None,
    until: date | None = None,
    lag_days: float | None = 0.0,
) -> GrowthView:
    """Compute growth from a logbook.

    Parameters
    ----------
    logbook : Logbook
    tables : Tables
    site : str, optional
    since, until : date, optional
        First and last day, both included.
    lag_days : float or None
        Healing lag after cutting; None estimates one for each genotype.
    """
    whole = read_record(logbook, tables)
    mixups = tuple(
        one
        for one in open_exchanges(logbook, whole)
        if (site is None or one.site == site) and (until is None or one.taken_at.date() <= until)
    )
    record = whole.limited(site=site, since=since, until=until)
    columns = record.columns
    lags = _lags(record) if lag_days is None else {}
    lag = np.array(
        [lags[one.genotype].lag_days if one.genotype in lags else lag_days or 0.0 for one in columns.heads]
    )
    exchanged: dict[str, float] = {}
    for mixup in mixups:
        for name in mixup.fragments:
            exchanged.setdefault(name, day_of(mixup.taken_at))
    days = np.array([exchanged.get(one.fragment, np.nan) for one in columns.heads])
    reasons = reasons_of(columns, USUAL_RULES, lag_days=lag, exchanged_day=days)
    genotypes = growth_of_columns(columns.rows(reasons == KEPT))
    return GrowthView(
        record=record,
        reasons=reasons,
        genotypes=genotypes,
        contrasts=contrasts(genotypes),
        left_out=_left_out(record, reasons),
        lags=lags,
        concerns=look_first(record.histories(_looked_at(record))),
        mixups=mixups,
    )


def _lags(record: NurseryRecord) -> dict[str, HealingLag]:
    by_genotype = defaultdict(list)
    for history in record.histories():
        by_genotype[history.genotype].append(history)
    found = {name: estimate_lag(members) for name, members in by_genotype.items()}
    return {name: lag for name, lag in found.items() if lag is not None}


def _left_out(record: NurseryRecord, reasons: Codes) -> dict[LeftOut, int]:
    counts = {reason: int((reasons == code).sum()) for code, reason in enumerate(REASONS)}
    counts[LeftOut.NO_DATE] += sum(head.undated for head in record.columns.heads)
    return {reason: count for reason, count in counts.items() if count}


def _looked_at(record: NurseryRecord) -> Bools:
    """The points that losses are judged by: the last two of each fragment, and the last few on which it was there."""
    columns = record.columns
    chosen = np.zeros(len(columns), dtype=bool)
    for rows, count in (
        (np.arange(len(columns)), 2),
        (np.flatnonzero(~columns.missing), VISITS_OF_A_TREND),
    ):
        ends = np.searchsorted(columns.fragment[rows], columns.fragment[rows], side="right")
        chosen[rows[ends - np.arange(len(rows)) <= count]] = True
    return chosen
