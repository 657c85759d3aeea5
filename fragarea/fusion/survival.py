"""Time to contact and to fusion of pairs, between two visits each: curves, medians and comparisons."""

from __future__ import annotations

import math
import warnings
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from typing import TYPE_CHECKING, Literal

import numpy as np
import numpy.typing as npt
from scipy import stats

from fragarea.fusion.records import PadHistory, PadVisit, PairVisit

if TYPE_CHECKING:
    from lifelines import KaplanMeierFitter

Array = npt.NDArray[np.float64]

DRAWS = 200
"""Of pads, for bands."""

PERMUTATIONS = 4999
LEAST_PADS = 3
"""Fewer pads carry no band: their pairs are not independent, and pads are what is drawn."""

LEAST_UNITS, LEAST_EVENTS = 2, 3
"""A group of fewer pads or events is not compared."""

MOST_CLASSES = 4
_OPEN = 1e-3  # days: moves a left bound into or out of its interval
_TOLERANCE, _SCORE_TOLERANCE = 1e-7, 1e-10  # of the log-likelihood
_DRAWN_TOLERANCE, _MOST_STEPS = 1e-6, 5000  # of the masses of a draw
_NOTHING = 1e-9


class Event(StrEnum):
    """What is waited for."""

    CONTACT = "contact"
    FUSION = "fusion"


class Grouping(StrEnum):
    """What pairs are compared by."""

    GENOTYPE = "genotype"
    SPACING = "spacing"
    SIZE = "size"


@dataclass(frozen=True)
class EventTime:
    """A pair and when its event came, as far as visits tell.

    Attributes
    ----------
    pad : str
    pair : str
    group : str
        Empty where it belongs to none, and then it is not compared.
    lower_days, upper_days : float
        Since the fragments stood on the pad: the event came after `lower_days` and at `upper_days` at the latest,
        which is infinite where it had not come when the pair was last seen. The two are equal for a time known
        exactly.
    """

    pad: str
    pair: str
    group: str
    lower_days: float
    upper_days: float

    @property
    def happened(self) -> bool:
        """Whether the event was seen to have come."""
        return math.isfinite(self.upper_days)


@dataclass(frozen=True, eq=False)
class EventCurve:
    """Share of pairs still waiting for their event.

    Attributes
    ----------
    group : str
    pairs, events, pads : int
    method : str
        ``"Kaplan-Meier"`` or ``"Turnbull"``.
    days : ndarray of float64, shape (n,)
    waiting : ndarray of float64, shape (n,)
        Share at those days, from then on.
    low, high : ndarray of float64, shape (n,)
        95 % band; nan where there are too few pads.
    median_days, median_low_days, median_high_days : float
        Day by which half have had their event; infinite where fewer have, nan where a bound cannot be told.
    """

    group: str
    pairs: int
    events: int
    pads: int
    method: str
    days: Array
    waiting: Array
    low: Array
    high: Array
    median_days: float
    median_low_days: float
    median_high_days: float


@dataclass(frozen=True)
class Comparison:
    """Whether groups differ in time to their event.

    Attributes
    ----------
    groups : tuple of str
        Compared.
    method : str
    statistic, p_value : float
        nan where there is no test.
    why_not : str
        Why there is no test; empty where there is one.
    """

    groups: tuple[str, ...]
    method: str
    statistic: float
    p_value: float
    why_not: str = ""


@dataclass(frozen=True, eq=False)
class EventTimes:
    """Times to one event by groups.

    Attributes
    ----------
    event : Event
    grouping : Grouping
    times : tuple of EventTime
    curves : tuple of EventCurve
        In order of group.
    comparison : Comparison
    left_out : mapping of str to int
        Why how many pairs are in no curve.
    """

    event: Event
    grouping: Grouping
    times: tuple[EventTime, ...]
    curves: tuple[EventCurve, ...]
    comparison: Comparison
    left_out: Mapping[str, int]


def compare_times(
    pads: Sequence[PadHistory],
    event: Event,
    grouping: Grouping,
    *,
    stood_since: Mapping[str, date],
    draws: int = DRAWS,
    seed: int = 1,
) -> EventTimes:
    """Time to contact or fusion on pads, by groups.

    Parameters
    ----------
    pads : sequence of PadHistory
        From their first visit on.
    event : Event
    grouping : Grouping
        Spacing is the pad's median distance of neighbouring plugs; size is the mean live area of a pair's two
        fragments at its first visit.
    stood_since : mapping of site to date
        First day of the fragments on the pad, where it is known: what times count from, else from the first visit.
    draws : int
        Of pads, for bands.
    seed : int

    Returns
    -------
    EventTimes
    """
    times, left_out = event_times(pads, event, grouping, stood_since=stood_since)
    names = sorted({one.group for one in times}, key=_natural)
    curves = tuple(
        event_curve([one for one in times if one.group == name], group=name, draws=draws, seed=seed) for name in names
    )
    return EventTimes(event, grouping, times, curves, compare_groups(times, seed=seed), left_out)


def event_times(
    pads: Sequence[PadHistory], event: Event, grouping: Grouping, *, stood_since: Mapping[str, date]
) -> tuple[tuple[EventTime, ...], dict[str, int]]:
    """When the pairs of pads met or fused, as far as visits tell; parameters as for :func:`compare_times`.

    Returns
    -------
    times : tuple of EventTime
    left_out : dict of str to int
        Pairs without a time, by reason.

    Notes
    -----
    The event is the first visit at which it is seen; a pair that comes apart again stays one that met. A pair is
    watched until a fragment of it is last seen alive. Pairs of two genotypes never fuse and are not waited for; pairs
    of one genotype with a lasting border have not fused, for as long as they are watched.
    """
    rows: list[tuple[PairVisit, PadVisit, float, float, float]] = []
    left_out: dict[str, int] = {}
    for pad in pads:
        for visits in pad.pairs.values():
            first = visits[0]
            start = stood_since.get(pad.site, pad.visits[0].day)
            start = min(start, pad.visits[0].day)
            told = _interval(visits, event, start)
            if isinstance(told, str):
                left_out[told] = left_out.get(told, 0) + 1
                continue
            opening = next(visit for visit in pad.visits if visit.day == first.day)
            sizes = [one.live_mm2 for one in opening.fragments if one.fragment in first.names]
            rows.append((first, opening, sum(sizes) / max(1, len(sizes)), *told))
    groups = _groups(rows, grouping)
    times = []
    for (first, _, _, lower, upper), group in zip(rows, groups, strict=True):
        if not group:
            why = "of two genotypes or none: in no group" if grouping is Grouping.GENOTYPE else "in no group"
            left_out[why] = left_out.get(why, 0) + 1
            continue
        times.append(EventTime(first.site, f"{first.fragment_a}–{first.fragment_b}", group, lower, upper))
    return tuple(times), left_out


def _interval(visits: Sequence[PairVisit], event: Event, start: date) -> tuple[float, float] | str:
    """Bounds of the event in days from a start, or why there are none."""
    if event is Event.FUSION and not visits[0].one_genotype:
        return "of two genotypes: they do not fuse"
    happened = [pair.touching if event is Event.CONTACT else pair.fused for pair in visits]
    alive = [math.isfinite(pair.gap_mm) for pair in visits]
    if not any(alive):
        return "without live tissue at any visit"
    came = happened.index(True) if any(happened) else len(visits)
    before = [(pair.day - start).days for pair, there in zip(visits[:came], alive[:came], strict=True) if there]
    lower = float(before[-1]) if before else 0.0
    if came == len(visits):
        return (lower, math.inf) if lower > 0 else "seen on one day only"
    upper = float((visits[came].day - start).days)
    return (lower, upper) if upper > lower else "there at the first visit, and no earlier day is known"


def _groups(rows: Sequence[tuple[PairVisit, PadVisit, float, float, float]], grouping: Grouping) -> list[str]:
    if grouping is Grouping.GENOTYPE:
        return [first.genotype_a if first.one_genotype else "" for first, *_ in rows]
    if grouping is Grouping.SPACING:
        spacings = [round(opening.spacing_mm) for _, opening, *_ in rows]
        if len(set(spacings)) <= MOST_CLASSES:
            return [f"{spacing} mm" for spacing in spacings]
        return _halves([float(one) for one in spacings], "mm", 0)
    return _halves([area / 100 for _, _, area, *_ in rows], "cm²", 2)


def _halves(values: Sequence[float], unit: str, digits: int) -> list[str]:
    if not values:
        return []
    middle = round(float(np.median(values)), digits)
    return [f"{'up to' if value <= middle else 'above'} {middle:.{digits}f} {unit}" for value in values]


def _natural(group: str) -> tuple[float, str]:
    """Spacings by number, ``up to`` before ``above``, names by themselves."""
    first = group.split(" ")[0]
    if group.startswith(("up to ", "above ")):
        return (0.0 if group.startswith("up to ") else 1.0), group
    return (float(first), group) if first.isdecimal() else (0.0, group)


def event_curve(times: Sequence[EventTime], *, group: str = "", draws: int = DRAWS, seed: int = 1) -> EventCurve:
    """Share of pairs still waiting over time, with its band and median.

    Parameters
    ----------
    times : sequence of EventTime
        One at least.
    group : str
    draws, seed : int
        Of pads, for the band.

    Returns
    -------
    EventCurve

    Notes
    -----
    Where all times are exact or open: Kaplan-Meier with the library's band, and the median's interval where that
    band crosses one half [1]_. Else the non-parametric maximum-likelihood estimate for interval-censored times
    (Turnbull) [2]_, by lifelines, whose mass is taken to fall at the right end of each of its intervals: the latest
    that the visits allow. The library gives no band for it; it is drawn by resampling whole pads with their pairs,
    which are not independent, and taking the middle 95 % of the draws at each day. The draws are fitted by Turnbull's
    own iteration, which takes a hundredth of the library's time.

    References
    ----------
    .. [1] Brookmeyer & Crowley 1982, Biometrics 38:29-41.
    .. [2] Turnbull 1976, J. R. Statist. Soc. B 38:290-295.
    """
    if not times:
        raise ValueError("a curve needs at least one time")
    pads = sorted({one.pad for one in times})
    counts = len(times), sum(one.happened for one in times), len(pads)
    lower, upper = _bounds(times)
    if _exact(times):
        return _kaplan_meier(group, counts, lower, upper)
    days, waiting = _turnbull(lower, upper, np.ones(len(times)))
    low = high = np.full(len(days), np.nan)
    median_low = median_high = math.nan
    if len(pads) >= LEAST_PADS:
        rng = np.random.default_rng(seed)
        of = np.searchsorted(pads, [one.pad for one in times])
        drawn, medians = np.empty((draws, len(days))), np.empty(draws)
        for number in range(draws):
            weights = np.bincount(rng.integers(len(pads), size=len(pads)), minlength=len(pads))[of].astype(float)
            at, share = _self_consistent(lower, upper, weights)
            drawn[number] = share[np.searchsorted(at, days, side="right") - 1]
            medians[number] = _median(at, share)
        low, high = np.quantile(drawn, [0.025, 0.975], axis=0)
        median_low, median_high = np.quantile(medians, [0.025, 0.975], method="inverted_cdf")
    return EventCurve(
        *(group, *counts, "Turnbull", days, waiting, low, high),
        *(_median(days, waiting), float(median_low), float(median_high)),
    )


def _bounds(times: Sequence[EventTime]) -> tuple[Array, Array]:
    return np.array([one.lower_days for one in times]), np.array([one.upper_days for one in times])


def _exact(times: Sequence[EventTime]) -> bool:
    seen = [one for one in times if one.happened]
    return bool(seen) and all(one.lower_days == one.upper_days for one in seen)


def _fitter() -> KaplanMeierFitter:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # from the library itself, about a coming version of another
        from lifelines import KaplanMeierFitter
    return KaplanMeierFitter()


def _kaplan_meier(group: str, counts: tuple[int, int, int], lower: Array, upper: Array) -> EventCurve:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        fitted = _fitter().fit(lower, np.isfinite(upper))
    days = np.asarray(fitted.survival_function_.index, dtype=float)
    waiting = fitted.survival_function_.to_numpy()[:, 0]
    low, high = fitted.confidence_interval_.to_numpy().T
    bounds = _median(days, low), _median(days, high)
    return EventCurve(group, *counts, "Kaplan-Meier", days, waiting, low, high, _median(days, waiting), *bounds)


def _masses(bounds: Array, weights: Array, tolerance: float) -> tuple[Array, Array]:
    """Right ends of the intervals in which the estimate falls, and how much it falls in each."""
    lower, upper = bounds.T
    # the library takes bounds as closed, and exact times as falling right after themselves
    lower = np.where(lower < upper, lower + _OPEN, lower - _OPEN)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        fitted = _fitter().fit_interval_censoring(lower, upper, weights=weights, tol=tolerance)
    table = fitted.survival_function_
    days, waiting = np.asarray(table.index, dtype=float), table.to_numpy()[:, -1]
    falls = -np.diff(waiting, prepend=1.0)
    kept = falls > _NOTHING
    return days[kept], falls[kept]


def _self_consistent(lower: Array, upper: Array, weights: Array) -> tuple[Array, Array]:
    """As :func:`_turnbull` gives it, by the self-consistency iteration on arrays."""
    rows, place = np.unique(np.column_stack([lower, upper])[weights > 0], axis=0, return_inverse=True)
    weight = np.bincount(place, weights[weights > 0]) / weights.sum()
    ends = np.unique(rows[:, 1])
    # mass can only fall between a left bound and the first right bound after it
    first = np.unique(np.searchsorted(ends, rows[:, 0], side="right"))
    ends = ends[first[first < len(ends)]]
    inside = ((rows[:, :1] < ends) & (ends <= rows[:, 1:])).astype(float)
    mass = np.full(len(ends), 1 / len(ends))
    for _ in range(_MOST_STEPS):
        new = mass * ((weight / (inside @ mass)) @ inside)
        moved = float(np.abs(new - mass).max())
        mass = new
        if moved < _DRAWN_TOLERANCE:
            break
    kept = np.isfinite(ends)
    return np.r_[0.0, ends[kept]], np.r_[1.0, 1 - np.cumsum(mass[kept])]


def _turnbull(lower: Array, upper: Array, weights: Array) -> tuple[Array, Array]:
    """Days on which the estimate falls, from day 0 on, and its value from then on."""
    rows, place = np.unique(np.column_stack([lower, upper])[weights > 0], axis=0, return_inverse=True)
    weight = np.asarray(np.bincount(place, weights[weights > 0]), dtype=float)
    if not np.isfinite(rows[:, 1]).any():
        return np.array([0.0]), np.array([1.0])
    days, falls = _masses(rows, weight, _TOLERANCE)
    kept = np.isfinite(days)
    return np.r_[0.0, days[kept]], np.r_[1.0, 1 - np.cumsum(falls[kept])]


def _median(days: Array, waiting: Array) -> float:
    below = np.flatnonzero(waiting <= 0.5 + 1e-9)
    return float(days[below[0]]) if len(below) else math.inf


def log_rank_scores(times: Sequence[EventTime]) -> Array:
    """What each pair adds to the log-rank statistic for interval-censored times.

    Parameters
    ----------
    times : sequence of EventTime
        Of all groups together.

    Returns
    -------
    ndarray of float64, shape (n,)
        They sum to zero; above zero where the event came early. For times that are exact or open, sums over a group
        are the events seen less those expected of the ordinary log-rank test.

    Notes
    -----
    With S the estimate for all groups together, d_j its fall at its j-th step, H the sum of d_j / S_(j-1) up to a
    time: (S(R) H(R) - S(L) H(L)) / (S(L) - S(R)) for an event in (L, R], with its sign turned.

    References
    ----------
    Sun 1996, Statistics in Medicine 15:1387-1395; in this form Fay & Shaw 2010, Journal of Statistical Software
    36(2), doi 10.18637/jss.v036.i02 (from memory).
    """
    lower, upper = _bounds(times)
    rows, place = np.unique(np.column_stack([lower, upper]), axis=0, return_inverse=True)
    weight = np.bincount(place).astype(float)
    days, falls = _masses(rows, weight, _SCORE_TOLERANCE)
    before = 1 - np.r_[0.0, np.cumsum(falls)[:-1]]
    hazard = np.cumsum(falls / before)
    survive = np.r_[1.0, np.maximum(1 - np.cumsum(falls), 0.0)]
    hazard = np.r_[0.0, hazard]

    def at(moments: Array, side: Literal["left", "right"]) -> tuple[Array, Array]:
        step = np.searchsorted(days, moments, side=side)
        return survive[step], hazard[step]

    exact = rows[:, 0] == rows[:, 1]
    s_left, h_left = at(rows[:, 0], "right")
    s_just, h_just = at(rows[:, 0], "left")
    s_left, h_left = np.where(exact, s_just, s_left), np.where(exact, h_just, h_left)
    s_right, h_right = at(rows[:, 1], "right")
    gone = np.isinf(rows[:, 1]) | (s_right < _NOTHING)
    later = np.where(gone, 0.0, s_right * h_right)
    left = np.where(gone, 0.0, s_right)
    return np.asarray(((later - s_left * h_left) / (s_left - left))[place])


def compare_groups(times: Sequence[EventTime], *, permutations: int = PERMUTATIONS, seed: int = 1) -> Comparison:
    """Whether groups differ in time to their event.

    Parameters
    ----------
    times : sequence of EventTime
        Those of no group are passed over.
    permutations : int
        All of them where they are fewer.
    seed : int

    Returns
    -------
    Comparison

    Notes
    -----
    Exact or open times of pads with one pair each: the log-rank test, by lifelines. Else a permutation test [1]_, by
    SciPy, of the sum over groups of (sum of scores)^2 / pairs, with the scores of :func:`log_rank_scores`. Not pairs
    but pads change groups, with all their pairs, because pairs of a pad are not independent; where one pad holds
    pairs of several groups, its pairs of each group change together.

    References
    ----------
    .. [1] Fay & Shih 1998, J. Am. Statist. Assoc. 93:387-396 (from memory).
    """
    grouped = [one for one in times if one.group]
    names = tuple(sorted({one.group for one in grouped}, key=_natural))
    units = sorted({(one.group, one.pad) for one in grouped})
    if why := _why_no_test(names, units, grouped):
        return Comparison(names, "none", math.nan, math.nan, why)
    if _exact(grouped) and len({one.pad for one in grouped}) == len(grouped):
        return _log_rank(names, grouped)
    number = {unit: place for place, unit in enumerate(units)}
    of = np.array([number[one.group, one.pad] for one in grouped])
    sums = np.bincount(of, log_rank_scores(grouped))
    sizes = np.bincount(of).astype(float)
    samples = [np.array([number[unit] for unit in units if unit[0] == name]) for name in names]

    def spread(*groups: npt.NDArray[np.int64], axis: int = -1) -> Array:
        parts = [sums[one].sum(axis=axis) ** 2 / sizes[one].sum(axis=axis) for one in groups]
        return np.asarray(np.sum(parts, axis=0))

    found = stats.permutation_test(
        samples,
        spread,
        permutation_type="independent",
        vectorized=True,
        n_resamples=permutations,
        alternative="greater",
        random_state=np.random.default_rng(seed),
    )
    method = "log-rank for times between visits, pads permuted"
    return Comparison(names, method, float(found.statistic), float(found.pvalue))


def _why_no_test(names: tuple[str, ...], units: Sequence[tuple[str, str]], times: Sequence[EventTime]) -> str:
    if len(names) < 2:
        return "there is only one group" if names else "no pair has a time"
    few = [name for name in names if sum(unit[0] == name for unit in units) < LEAST_UNITS]
    if few:
        return f"too few pads in {', '.join(few)}: {LEAST_UNITS} of each group are needed"
    events = sum(one.happened for one in times)
    if events < LEAST_EVENTS:
        return f"only {events} of {len(times)} pairs have come so far: {LEAST_EVENTS} are needed"
    return ""


def _log_rank(names: tuple[str, ...], times: Sequence[EventTime]) -> Comparison:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from lifelines.statistics import multivariate_logrank_test

        lower, upper = _bounds(times)
        found = multivariate_logrank_test(lower, [one.group for one in times], np.isfinite(upper))
    return Comparison(names, "log-rank", float(found.test_statistic), float(found.p_value))
