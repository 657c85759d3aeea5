"""How good forecasts would have been: made at past visits, and held against the visits that followed."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from fragarea.growth import DAYS_PER_MONTH, KEPT, HealingLag, reasons_of
from fragarea.growth.columns import AreaColumns, Bools
from fragarea.growth.curve import USUAL_RULES, Codes
from fragarea.outplant.forecast import Stand, draw_lines, site_shifts
from fragarea.outplant.knowledge import learn
from fragarea.outplant.lines import Array, Ints, radii_of

HORIZONS = ((0.0, 1.5), (1.5, 4.5), (4.5, math.inf))
"""In months: forecasts for about a month, a quarter, half a year and more."""

HORIZON_WORDS = ("up to 6 weeks", "6 weeks to 4.5 months", "over 4.5 months")

BORROWED = "any, borrowed from the species"

_MOST_ORIGINS, _MOST_FRAGMENTS = 6, 1_500


@dataclass(frozen=True, eq=False)
class Past:
    """Forecasts of sizes that were measured later, a row each.

    Attributes
    ----------
    fragment, genotype : ndarray of int64, shape (n,)
    origin_day, day : ndarray of float64, shape (n,)
        When the forecast was made, and when the fragment was measured; days since 1970.
    place : ndarray of float64, shape (n,)
        Part of the draws that lay below what was measured: from 0.1 to 0.9 it was inside the 80 % range.
    error_days : ndarray of float64, shape (n,)
        By how much later than the middle of the forecast it was so large; negative where it grew faster.
    borrowed : ndarray of bool, shape (n,)
        Whether its genotype had shown no growth of its own by then, so that the species stood for it.
    """

    fragment: Ints
    genotype: Ints
    origin_day: Array
    day: Array
    place: Array
    error_days: Array
    borrowed: Bools

    def __len__(self) -> int:
        return len(self.fragment)

    @classmethod
    def none(cls) -> Past:
        """No forecasts at all."""
        none, nothing = np.empty(0, dtype=np.int64), np.empty(0)
        return cls(none, none, nothing, nothing, nothing, nothing, np.empty(0, dtype=bool))


@dataclass(frozen=True)
class PastLine:
    """How good forecasts of a genotype, over a range of horizons, would have been.

    Attributes
    ----------
    genotype : str
        Empty for all.
    horizon : str
        One of `HORIZON_WORDS`, or `BORROWED`; empty for all but the latter.
    forecasts : int
    inside_80, inside_95 : float
        Part of the dates inside these ranges.
    error_days : float
        Median of the size of the errors.
    bias_days : float
        Median error; positive where fragments grew slower than forecast.
    """

    genotype: str
    horizon: str
    forecasts: int
    inside_80: float
    inside_95: float
    error_days: float
    bias_days: float


def back_test(
    columns: AreaColumns,
    reasons: Codes,
    *,
    lag_days: Array,
    exchanged_day: Array,
    genotype: Ints,
    names: Sequence[tuple[str, str]],
    site: Ints,
    sites: int,
    lags: Mapping[str, HealingLag],
    since_day: float = -math.inf,
    draws: int = 400,
    rng: np.random.Generator,
) -> Past:
    """Make forecasts at past visits, from what was known then, and hold them against later measurements.

    Parameters
    ----------
    columns : AreaColumns
    reasons : ndarray of int8
        Of all rows, as known today: only measurements that count as growth are held against a forecast.
    lag_days, exchanged_day : ndarray of float64, shape (fragments,)
        As for :func:`fragarea.growth.reasons_of`.
    genotype, names, site, sites, lags
        As for :func:`fragarea.outplant.knowledge.learn`.
    since_day : float
        First day on which a forecast is made.
    draws : int
    rng : numpy.random.Generator

    Notes
    -----
    Few fragments pass a rule's size between two visits, so each measured size stands for a rule: the forecast names
    the dates on which a fragment will be that large, and the day on which it was is inside their range just when the
    size is inside the range of sizes forecast for that day. In a large nursery some origins and fragments are drawn
    by lot.
    """
    chosen = _some_fragments(len(columns.heads), rng)
    mine = chosen[columns.fragment] & (columns.area_mm2 > 0)
    all_mine = columns.rows(chosen[columns.fragment])
    all_reasons = reasons[chosen[columns.fragment]]
    days = np.unique(np.floor(columns.day[mine & (reasons == KEPT)]))
    # the first visit tells no growth, and nothing follows the last
    origins = days[1:-1]
    origins = origins[origins >= since_day]
    if len(origins) > _MOST_ORIGINS:
        origins = origins[np.unique(np.linspace(0, len(origins) - 1, _MOST_ORIGINS).round().astype(int))]
    found = []
    for origin in origins:
        then = all_mine.rows(all_mine.day < origin + 1)
        known_then = np.where(exchanged_day < origin + 1, exchanged_day, np.nan)
        reasons_then = reasons_of(then, USUAL_RULES, lag_days=lag_days, exchanged_day=known_then)
        later = all_mine.rows((all_mine.day >= origin + 1) & (all_reasons == KEPT) & (all_mine.area_mm2 > 0))
        past = _made_at(float(origin), then, reasons_then, later, genotype, names, site, sites, lags, draws, rng)
        if past is not None:
            found.append(past)
    if not found:
        return Past.none()
    return Past(*(np.concatenate([getattr(one, name) for one in found]) for name in Past.__dataclass_fields__))


def _some_fragments(count: int, rng: np.random.Generator) -> Bools:
    chosen = np.zeros(count, dtype=bool)
    chosen[rng.permutation(count)[:_MOST_FRAGMENTS]] = True
    return chosen


def _made_at(
    origin: float,
    then: AreaColumns,
    reasons: Codes,
    later: AreaColumns,
    genotype: Ints,
    names: Sequence[tuple[str, str]],
    site: Ints,
    sites: int,
    lags: Mapping[str, HealingLag],
    draws: int,
    rng: np.random.Generator,
) -> Past | None:
    """Forecasts of one day; None where nothing was known then, or nothing was measured since."""
    kept = reasons == KEPT
    if not len(later) or not kept.any():
        return None
    knowledge = learn(
        then, reasons, genotype=genotype, names=names, site=site, sites=sites, lags=lags, draws=draws, rng=rng
    )
    if not np.isfinite(knowledge.speeds.lines.slope_variance).any():
        return None
    lines = knowledge.speeds.lines
    # only what grew at its last visit before: a fragment that was lost or at the rim is not forecast from its line
    last = np.full(len(then.heads), -1)
    last[then.fragment] = np.arange(len(then))
    growing = kept[last[lines.fragment]]
    line = np.searchsorted(lines.fragment, later.fragment)
    line = np.minimum(line, len(lines.fragment) - 1)
    good = (lines.fragment[line] == later.fragment) & growing[line]
    good &= np.isfinite(knowledge.speeds.speed[0, genotype[later.fragment]])
    later, line = later.rows(good), line[good]
    if not len(later):
        return None
    n, of = len(later), genotype[later.fragment]
    radius = radii_of(later).radius_mm
    stand = Stand(
        genotype=of,
        site=site[later.fragment],
        months=lines.months[line],
        level_mm=lines.level_mm[line],
        level_variance=lines.level_variance[line],
        slope=lines.slope[line],
        slope_variance=lines.slope_variance[line],
        target_mm=radius,
        target_noise_mm=radius / 2,
        bound_days=np.zeros(n),
        cut_months=np.full(n, -math.inf),
        ready=np.zeros(n, dtype=bool),
        pieces=np.ones(n, dtype=np.int64),
    )
    shifts = site_shifts(knowledge, draws, rng)
    level, slope, start = draw_lines(stand, knowledge, shifts, rng)
    forecast = level + slope * (knowledge.pace.even_at(later.day / DAYS_PER_MONTH) - start)
    own = np.hypot(knowledge.speeds.scatter_mm.T[of], (knowledge.outline_rel * stand.target_noise_mm)[:, None])
    forecast += own * rng.standard_normal(forecast.shape)
    forecast += shifts[2][:, stand.site].T * (knowledge.photo_rel * stand.target_noise_mm)[:, None]
    below = (forecast < radius[:, None]).sum(axis=1)
    middle, speed = np.median(forecast, axis=1), np.median(slope, axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        error = np.where(speed > 0, (middle - radius) / speed * DAYS_PER_MONTH, np.nan)
    place = (below + rng.random(n)) / (draws + 1)
    borrowed = np.array([one.fragments == 0 for one in knowledge.speeds.genotypes])[of]
    return Past(later.fragment, of, np.full(n, origin), later.day, place, error, borrowed)


def past_lines(past: Past, names: Sequence[tuple[str, str]]) -> tuple[PastLine, ...]:
    """Back-test in all, by horizon, and by genotype and horizon; what was never forecast is not named.

    Forecasts of genotypes that had shown no growth of their own stand in a line apart, `BORROWED`, and in no other.
    """
    months = (past.day - past.origin_day) / DAYS_PER_MONTH
    choices = [("", "", ~past.borrowed)]
    in_horizon = [
        (words, (months > low) & (months <= high) & ~past.borrowed)
        for words, (low, high) in zip(HORIZON_WORDS, HORIZONS, strict=True)
    ]
    choices += [("", words, rows) for words, rows in in_horizon]
    choices.append(("", BORROWED, past.borrowed))
    for number, (genotype, _) in enumerate(names):
        choices += [(genotype, words, rows & (past.genotype == number)) for words, rows in in_horizon]
    return tuple(_line(genotype, horizon, past, rows) for genotype, horizon, rows in choices if rows.any())


def _line(genotype: str, horizon: str, past: Past, rows: Bools) -> PastLine:
    off = np.abs(past.place[rows] - 0.5)
    error = past.error_days[rows]
    error = error[np.isfinite(error)]
    return PastLine(
        genotype,
        horizon,
        int(rows.sum()),
        float((off <= 0.4).mean()),
        float((off <= 0.475).mean()),
        float(np.median(np.abs(error))) if len(error) else math.nan,
        float(np.median(error)) if len(error) else math.nan,
    )
