"""What commands show of growth: curves, rates, genotypes, comparisons, losses and mix-ups of a nursery."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from datetime import date, datetime

from fragarea.growth import (
    Concern,
    Contrast,
    CurveRules,
    GenotypesGrowth,
    GrowthCurve,
    GrowthRates,
    HealingLag,
    LeftOut,
    MixUp,
    contrasts,
    count_left_out,
    estimate_lag,
    genotype_growth,
    growth_curve,
    histories_of_record,
    look_first,
    mixups_of_record,
    rates_over,
)
from fragarea.logbook import Logbook, current_measurements
from fragarea.nursery import Tables


@dataclass(frozen=True, eq=False)
class GrowthView:
    """Growth over a choice of visits.

    Attributes
    ----------
    fragments : tuple of (GrowthCurve, GrowthRates or None)
        In order of name; None where fewer than two measurements count.
    genotypes : GenotypesGrowth
    contrasts : tuple of Contrast
    left_out : dict of LeftOut to int
    lags : dict of genotype to HealingLag
        Where they were estimated.
    concerns : tuple of Concern
    mixups : tuple of MixUp
    """

    fragments: tuple[tuple[GrowthCurve, GrowthRates | None], ...]
    genotypes: GenotypesGrowth
    contrasts: tuple[Contrast, ...]
    left_out: dict[LeftOut, int]
    lags: dict[str, HealingLag]
    concerns: tuple[Concern, ...]
    mixups: tuple[MixUp, ...]


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
    stored = current_measurements(logbook, site=site, since=since, until=until)
    histories = histories_of_record(stored, tables)
    by_genotype = defaultdict(list)
    for history in histories:
        by_genotype[history.genotype].append(history)
    lags: dict[str, HealingLag] = {}
    if lag_days is None:
        found = {name: estimate_lag(members) for name, members in by_genotype.items()}
        lags = {name: lag for name, lag in found.items() if lag is not None}
    rules = {
        name: CurveRules(lag_days=lags[name].lag_days if name in lags else lag_days or 0.0) for name in by_genotype
    }
    mixups = mixups_of_record(stored, tables)
    exchanged: dict[str, datetime] = {}
    for mixup in mixups:
        for name in mixup.fragments:
            exchanged.setdefault(name, mixup.taken_at)
    curves = [
        growth_curve(history, rules[history.genotype], exchanged_at=exchanged.get(history.fragment))
        for history in histories
    ]
    genotypes = genotype_growth(curves)
    return GrowthView(
        fragments=tuple((curve, rates_over(curve.points)) for curve in curves),
        genotypes=genotypes,
        contrasts=contrasts(genotypes),
        left_out=count_left_out(curves),
        lags=lags,
        concerns=look_first(histories),
        mixups=mixups,
    )
