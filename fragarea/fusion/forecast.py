"""When neighbours will meet and fuse, and pads close: draws of the future, and what became of earlier ones."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from enum import StrEnum

import numpy as np
import numpy.typing as npt
from scipy import stats

from fragarea.fusion.records import FusionRules, PadHistory, PairState, PairVisit
from fragarea.fusion.speeds import WINDOW_DAYS, GapLine, PadSpeeds, RateSource, fragment_speed, gap_line
from fragarea.growth.records import DAYS_PER_MONTH

Array = npt.NDArray[np.float64]

DRAWS = 2000
HORIZON_DAYS = 3652.5
"""A date further away than ten years is not told."""

USUAL_PLUGS = (8, 12)
USUAL_YEARS = (2.0, 3.0)
"""A pad of about ten plugs of massive coral closes in so many years (common practice, no source)."""

FAR = 2.0
"""A forecast that is out of these years by more than this factor gets a doubt."""

PACE_MONTHS = 12 / math.pi
"""So many months of a yearly swing add up, at most, to what lies off its mean."""

_LEVELS = (0.5, 0.1, 0.9, 0.025, 0.975)
_SHARES = (0.5, 1.0)

GOALS = ("half_contact", "all_contact", "half_fused", "all_fused")
"""What a pad's forecast gives dates for, by the names of its fields."""


@dataclass(frozen=True)
class Dates:
    """Dates of an event to come.

    Attributes
    ----------
    median : date
    low_80, high_80, low_95, high_95 : date or None
        Bounds of the 80 and 95 % intervals; None where that is more than ten years away, or never.
    """

    median: date
    low_80: date
    high_80: date | None
    low_95: date
    high_95: date | None


@dataclass(frozen=True)
class PairForecast:
    """When two neighbours will meet and fuse.

    Attributes
    ----------
    last : PairVisit
        What is known of them at the visit that the forecast is made at.
    source : RateSource
        Where the rates of the two come from; where they differ, the weaker one.
    closing_mm_per_month, closing_u_mm_per_month : float
        How fast the gap closes, and its standard uncertainty; nan where no rate is known.
    contact, fused : Dates or None
        None where there is nothing to forecast, or no date to tell.
    contact_why, fused_why : str
        Why there is no date; empty where there is one.
    """

    last: PairVisit
    source: RateSource
    closing_mm_per_month: float
    closing_u_mm_per_month: float
    contact: Dates | None
    fused: Dates | None
    contact_why: str = ""
    fused_why: str = ""


@dataclass(frozen=True)
class PadForecast:
    """When the pairs of a pad will meet and fuse.

    Attributes
    ----------
    site : str
    made_on : date
        Day of the visit that it is made at.
    pairs : tuple of PairForecast
    half_contact, all_contact : Dates or None
        When half, and all, of its neighbour pairs are in contact.
    half_fused, all_fused : Dates or None
        When half, and all, of its pairs of one genotype are fused.
    reached : frozenset of str
        Names of those of these four that are reached already.
    why : mapping of str to str
        Why one of the four has no date.
    doubt : str
        Empty, or why the forecast is hard to believe.
    """

    site: str
    made_on: date
    pairs: tuple[PairForecast, ...]
    half_contact: Dates | None
    all_contact: Dates | None
    half_fused: Dates | None
    all_fused: Dates | None
    reached: frozenset[str]
    why: Mapping[str, str]
    doubt: str = ""


def overlap_for_neck(distance_mm: float, share: float, neck_mm: float) -> float:
    """How far two discs must grow past touching for their common chord to be so long.

    Parameters
    ----------
    distance_mm : float
        Between the centres.
    share : float
        Of the sum of the radii that is one disc's; it stays as they grow.
    neck_mm : float
        Length of the common chord.

    Returns
    -------
    float
        Sum of the radii less the distance, in mm; infinite where the smaller disc is too small for such a chord.

    Notes
    -----
    Plane geometry of the common chord: with radii p and q at distance D, its length w follows from
    16 (area of the triangle p, q, D)^2 = ((p + q)^2 - D^2) (D^2 - (p - q)^2) = (2 D w / 2)^2 . With u = (p + q)^2 and
    k = (2 share - 1)^2 this is (u - D^2) (D^2 - k u) = D^2 w^2, a quadratic for u. Two equal discs: u = D^2 + w^2.

    Examples
    --------
    >>> round(overlap_for_neck(30.0, 0.5, 1.0), 6)
    0.016662
    """
    d2, k = distance_mm**2, (2 * share - 1) ** 2
    inside = ((1 + k) * d2) ** 2 - 4 * k * d2 * (d2 + neck_mm**2)
    if inside < 0:
        return math.inf
    u = 2 * d2 * (d2 + neck_mm**2) / ((1 + k) * d2 + math.sqrt(inside))
    return math.sqrt(u) - distance_mm


def forecast_pad(
    pad: PadHistory,
    speeds: PadSpeeds,
    rules: FusionRules,
    *,
    stood_since: date | None = None,
    draws: int = DRAWS,
    seed: int = 1,
) -> PadForecast:
    """Forecast contact and fusion of a pad from its last visit on.

    Parameters
    ----------
    pad : PadHistory
    speeds : PadSpeeds
        Of what was known at its last visit.
    rules : FusionRules
        Contact is a gap of `contact_mm` and less, fusion a neck of `neck_mm` and more.
    stood_since : date, optional
        First day of the fragments on the pad; else its first visit.
    draws : int
    seed : int
        The same seed gives the same forecast.

    Returns
    -------
    PadForecast

    Notes
    -----
    A gap g closes at c = v_a + v_b + e: both edges advance towards each other, at the radial extension of their
    fragments, and e is what makes a gap close otherwise than areas tell. v_i is drawn about its genotype's rate,
    which all fragments of the genotype share, so that pairs of a pad are early or late together; where the fragment
    or the gap itself was measured at several visits, that weighs in by its variance (a normal model, conditioned on
    what was seen). The date of contact is that of g - c t = `contact_mm`. A neck of `neck_mm` follows from there as
    the common chord of two discs (:func:`overlap_for_neck`). A pad's pairs may quicken and slow together by as much
    as they did so far (`pace`); when in the year is not known. Losses of tissue and shading are not in it. A pair at
    a border counts as in contact and never fuses.
    """
    visit = pad.visits[-1]
    histories = pad.pairs
    live = {one.fragment: one.live_mm2 for one in visit.fragments}
    pairs = [pair for pair in visit.pairs if pair.state is not PairState.BORDER and math.isfinite(pair.gap_mm)]
    known = [p for p in pairs if p.genotype_a in speeds.growth and p.genotype_b in speeds.growth]
    to_meet = {pair.names: math.inf * np.ones(draws) for pair in visit.pairs}
    to_fuse = {names: days.copy() for names, days in to_meet.items()}
    closing: dict[tuple[str, str], tuple[float, float]] = {}
    open_pairs = [pair for pair in known if not pair.fused]
    if open_pairs:
        rng = np.random.default_rng([seed, sum(visit.site.encode()), visit.day.toordinal()])
        lines = []
        for pair in open_pairs:
            radii = [math.sqrt(max(live[name], 1e-9)) for name in pair.names]
            share = radii[0] / sum(radii)
            overlap = overlap_for_neck(pair.distance_mm, share, pair.neck_mm) if pair.touching else 0.0
            past = 0.0 if math.isinf(overlap) else overlap
            line = gap_line(histories[pair.names], overlap_mm=past, scatter=speeds.gap_scatter)
            lines.append((share, line))
        rates = _draw_closing(open_pairs, [line for _, line in lines], speeds, draws, rng)
        rates = _with_pace(rates, [line.gap_mm for _, line in lines], _watched_months(pad), speeds.pace, rng)
        for number, (pair, (share, line)) in enumerate(zip(open_pairs, lines, strict=True)):
            rate = rates[:, number]
            closing[pair.names] = float(rate.mean()), float(rate.std())
            gap = line.gap_mm + line.gap_u_mm * rng.standard_normal(draws)
            more = overlap_for_neck(pair.distance_mm, share, rules.neck_mm)
            to_meet[pair.names] = _days(gap - rules.contact_mm, rate, line)
            if pair.one_genotype:
                to_fuse[pair.names] = np.maximum(_days(gap + more, rate, line), to_meet[pair.names])
    for pair in visit.pairs:
        if pair.touching:
            to_meet[pair.names] = np.zeros(draws)
        if pair.fused:
            to_fuse[pair.names] = np.zeros(draws)
    made = tuple(
        _pair_forecast(pair, speeds, closing.get(pair.names), to_meet[pair.names], to_fuse[pair.names])
        for pair in visit.pairs
    )
    return _pad_forecast(pad, made, to_meet, to_fuse, stood_since or pad.visits[0].day)


def _draw_closing(
    pairs: Sequence[PairVisit], lines: Sequence[GapLine], speeds: PadSpeeds, draws: int, rng: np.random.Generator
) -> Array:
    """Draws of how fast each pair closes, mm/month; shape (draws, pairs)."""
    members = sorted({one for p in pairs for one in ((p.fragment_a, p.genotype_a), (p.fragment_b, p.genotype_b))})
    genotypes = sorted({genotype for _, genotype in members})
    mean_g = np.array([speeds.growth[name].extension_mm_per_month for name in genotypes])
    # few fragments tell a rate by Student's t; a normal distribution as wide as its 95 % interval stands for it
    wide = np.array([float(stats.t.ppf(0.975, speeds.growth[name].freedom)) / 1.959964 for name in genotypes])
    cov_g = np.array([[speeds.covariance[a, b] for b in genotypes] for a in genotypes]) * np.outer(wide, wide)
    base, weight, u = (np.array(x) for x in zip(*(fragment_speed(speeds, *one) for one in members), strict=True))
    share = np.zeros((len(members), len(genotypes)))
    for row, (_, genotype) in enumerate(members):
        share[row, genotypes.index(genotype)] = weight[row]
    joins = np.zeros((len(pairs), len(members)))
    place = {name: number for number, (name, _) in enumerate(members)}
    for row, pair in enumerate(pairs):
        joins[row, place[pair.fragment_a]] = joins[row, place[pair.fragment_b]] = 1.0
    mean = joins @ (base + share @ mean_g)
    cov = joins @ (share @ cov_g @ share.T + np.diag(u**2)) @ joins.T
    cov += np.diag((speeds.pair_spread * mean) ** 2)
    seen = [number for number, line in enumerate(lines) if math.isfinite(line.closing_u_mm_per_month)]
    if seen:
        told = np.array([lines[n].closing_mm_per_month for n in seen])
        noise = np.diag([lines[n].closing_u_mm_per_month ** 2 for n in seen])
        gain = np.linalg.solve(cov[np.ix_(seen, seen)] + noise, cov[seen]).T
        mean = mean + gain @ (told - mean[seen])
        cov = cov - gain @ cov[seen]
    values, vectors = np.linalg.eigh((cov + cov.T) / 2)
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    return np.asarray(mean + rng.standard_normal((draws, len(pairs))) @ root.T)


def _watched_months(pad: PadHistory) -> float:
    days = min((pad.visits[-1].day - pad.visits[0].day).days, WINDOW_DAYS)
    return float(days) / DAYS_PER_MONTH


def _with_pace(
    rates: Array, gaps_mm: Sequence[float], watched_months: float, pace: float, rng: np.random.Generator
) -> Array:
    """Rates as they may be from now on, where all pairs of a pad quicken and slow together.

    The mean of a yearly swing over M months is off by up to 12 / (pi M) of the swing (its integral over half a year):
    so are the mean over the months watched, and that over the months to come.
    """
    ahead = np.array([max(gap, 0.0) for gap in gaps_mm]) / np.maximum(rates.mean(axis=0), 1e-6)
    seen = min(1.0, PACE_MONTHS / max(watched_months, 1e-6))
    to_come = np.minimum(1.0, PACE_MONTHS / np.maximum(ahead, 1e-6))
    both = rng.standard_normal((len(rates), 2))
    off = pace * (seen * both[:, :1] + to_come * both[:, 1:])
    return np.asarray(rates * np.maximum(1 + off, 0.0))


def _days(way_mm: Array, rate: Array, line: GapLine) -> Array:
    """Days from the last visit until a gap has closed by so much; it has not by that visit, or it would be seen."""
    with np.errstate(divide="ignore", invalid="ignore"):
        months = np.where(rate > 0, way_mm / rate - line.months, np.inf)
    return np.maximum(months, 0.0) * DAYS_PER_MONTH


def dates_of(days: Array, start: date) -> Dates | None:
    """Median and intervals of draws of days from a date; None where half of them lie beyond ten years."""
    told = np.quantile(days, _LEVELS, method="inverted_cdf")
    median, *bounds = [start + timedelta(days=round(day)) if day <= HORIZON_DAYS else None for day in told]
    low_80, high_80, low_95, high_95 = bounds
    if median is None or low_80 is None or low_95 is None:
        return None
    return Dates(median, low_80, high_80, low_95, high_95)


def _pair_forecast(
    pair: PairVisit, speeds: PadSpeeds, closing: tuple[float, float] | None, meet: Array, fuse: Array
) -> PairForecast:
    sources = [speeds.source_of(one) for one in (pair.genotype_a, pair.genotype_b)]
    order = list(RateSource)
    source = max(sources, key=order.index)
    mean, u = closing or (math.nan, math.nan)
    contact = None if pair.touching else dates_of(meet, pair.day)
    fused = None if pair.fused or not pair.one_genotype else dates_of(fuse, pair.day)
    reason = _why_not(pair, source, mean)
    contact_why = "in contact already" if pair.touching else "" if contact else reason
    if pair.fused:
        fused_why = "fused already"
    elif not pair.one_genotype:
        fused_why = "two genotypes do not fuse"
    elif pair.state is PairState.BORDER:
        fused_why = "a lasting border lies between them"
    else:
        fused_why = "" if fused else reason
    return PairForecast(pair, source, mean, u, contact, fused, contact_why, fused_why)


def _why_not(pair: PairVisit, source: RateSource, closing: float) -> str:
    if math.isnan(pair.gap_mm):
        return "one of the two has no live tissue"
    if source is RateSource.NONE:
        return "no growth rate is known of their genotype: two fragments with two visits each are needed"
    if not closing > 0:
        return f"the gap does not close (it widens by {-closing:.2f} mm a month)"
    return f"at {closing:.2f} mm a month the gap does not close within ten years"


def _pad_forecast(
    pad: PadHistory,
    pairs: tuple[PairForecast, ...],
    to_meet: Mapping[tuple[str, str], Array],
    to_fuse: Mapping[tuple[str, str], Array],
    stood_since: date,
) -> PadForecast:
    made_on = pad.visits[-1].day
    can_fuse = [one for one in pairs if one.last.one_genotype]
    told: dict[str, Dates | None] = {}
    reached: set[str] = set()
    why: dict[str, str] = {}
    for word, days, chosen in (("contact", to_meet, pairs), ("fused", to_fuse, can_fuse)):
        for name, share in zip((f"half_{word}", f"all_{word}"), _SHARES, strict=True):
            told[name] = None
            if not chosen:
                why[name] = "no two neighbours of one genotype" if word == "fused" else "no neighbours"
                continue
            every = np.sort(np.stack([days[one.last.names] for one in chosen]), axis=0)
            needed = math.ceil(share * len(chosen))
            when = every[needed - 1]
            if sum(one.last.touching if word == "contact" else one.last.fused for one in chosen) >= needed:
                reached.add(name)
            elif (dates := dates_of(when, made_on)) is None:
                why[name] = _holding_back(chosen, word)
            else:
                told[name] = dates
    half_contact, all_contact, half_fused, all_fused = (told[name] for name in GOALS)
    forecast = PadForecast(
        *(pad.site, made_on, pairs, half_contact, all_contact, half_fused, all_fused, frozenset(reached), why)
    )
    return replace(forecast, doubt=_doubt(pad, forecast, stood_since))


def _holding_back(pairs: Sequence[PairForecast], word: str) -> str:
    """Why the pairs of a pad do not get so far: the reasons with how many pairs each holds back."""
    reasons: dict[str, list[str]] = {}
    for one in pairs:
        dates, why = (one.contact, one.contact_why) if word == "contact" else (one.fused, one.fused_why)
        if dates is None and why and not why.endswith("already"):
            key = "the gap does not close within ten years" if "mm a month" in why else why
            reasons.setdefault(key, []).append(f"{one.last.fragment_a} and {one.last.fragment_b}")
    if not reasons:
        return "more likely than not one pair needs more than ten years"
    return "; ".join(f"{names[0]}{_more(names)}: {reason}" for reason, names in reasons.items())


def _more(names: Sequence[str]) -> str:
    return f" and {len(names) - 1} more" if len(names) > 1 else ""


def _doubt(pad: PadHistory, forecast: PadForecast, stood_since: date) -> str:
    plugs = len(pad.visits[-1].fragments)
    if forecast.all_contact is None or not USUAL_PLUGS[0] <= plugs <= USUAL_PLUGS[1]:
        return ""
    years = (forecast.all_contact.median - stood_since).days / 365.25
    if USUAL_YEARS[0] / FAR <= years <= USUAL_YEARS[1] * FAR:
        return ""
    return (
        f"its last gap would close {years:.1f} years after {stood_since}; pads of about ten plugs of massive coral "
        f"close in about {USUAL_YEARS[0]:g} to {USUAL_YEARS[1]:g} years (common practice, no source). Check the "
        "scale of its photos, the dates and the outlines before you plan by this."
    )


class Verdict(StrEnum):
    """What became of a forecast interval."""

    HELD = "held"
    EARLY = "came earlier"
    LATE = "came later"
    OPEN = "not decided yet"


@dataclass(frozen=True)
class PastForecast:
    """A forecast of contact that was made at an earlier visit, and what came.

    Attributes
    ----------
    forecast : PairForecast
    after : date
        Last visit at which the pair was seen apart.
    until : date or None
        First visit at which it touched; None while it does not.
    verdict_80, verdict_95 : Verdict
        Of the two intervals. What happened is known to lie between two visits only: an interval that has a day in
        common with that time held it.
    """

    forecast: PairForecast
    after: date
    until: date | None
    verdict_80: Verdict
    verdict_95: Verdict


def past_forecasts(pad: PadHistory, earlier: Sequence[PadForecast]) -> tuple[PastForecast, ...]:
    """Hold forecasts of contact that were made at earlier visits against what came.

    Parameters
    ----------
    pad : PadHistory
        All visits.
    earlier : sequence of PadForecast
        Made from earlier parts of it.

    Returns
    -------
    tuple of PastForecast
        For pairs with a date only.
    """
    histories = pad.pairs
    found = []
    for forecast in earlier:
        for one in forecast.pairs:
            later = [p for p in histories.get(one.last.names, ()) if p.day > forecast.made_on]
            if one.contact is None or not later:
                continue
            until = next((p.day for p in later if p.touching), None)
            seen = [p.day for p in later if math.isfinite(p.gap_mm) and (until is None or p.day < until)]
            after = max(seen, default=forecast.made_on)
            dates = one.contact
            found.append(
                PastForecast(
                    *(one, after, until),
                    _verdict(dates.low_80, dates.high_80, after, until),
                    _verdict(dates.low_95, dates.high_95, after, until),
                )
            )
    return tuple(found)


def _verdict(low: date, high: date | None, after: date, until: date | None) -> Verdict:
    if high is not None and after >= high:
        return Verdict.LATE
    if until is None:
        return Verdict.OPEN
    return Verdict.EARLY if until < low else Verdict.HELD
