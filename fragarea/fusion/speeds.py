"""How fast the edges of a pad's fragments advance: measured on the pads, or as their genotypes do on trays."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from fragarea.fusion.records import PadHistory, PairState, PairVisit
from fragarea.growth.columns import columns_of
from fragarea.growth.curve import KEPT, USUAL_RULES, reasons_of
from fragarea.growth.genotypes import GenotypeGrowth, GenotypesGrowth, Method, growth_of_columns
from fragarea.growth.records import DAYS_PER_MONTH, AreaPoint, ErrorPart, FragmentHistory, days_between

Array = npt.NDArray[np.float64]

USUAL_SPREAD = 0.2
"""Standard deviation of fragments' extension over their genotype's mean, where too few tell it (common practice, no
source)."""

USUAL_PAIR_SPREAD, USUAL_PAIR_WEIGHT = 0.1, 5.0
"""How far the closing of a gap differs from what the areas of its two fragments tell, as a share of it, before any
data, and how many pairs that belief weighs (common practice, no source)."""

USUAL_PACE = 0.1
"""Of the closing of all gaps of a pad from season to season, where too few visits tell it (common practice, no
source)."""

LEAST_STEPS = 3
"""Fewer steps between visits tell no pace."""

WINDOW_DAYS = 365.0
"""Gaps older than this tell nothing of how fast a pair closes today."""

_LEAST_U_MM = 0.02  # of a gap: what a photo resolves at best
_SHARED = "scale and height"


class RateSource(StrEnum):
    """Where a rate comes from; the text stands in reports."""

    PADS = "measured on pads"
    TRAYS = "the genotype's rate on trays"
    NONE = "no rate known"


@dataclass(frozen=True, eq=False)
class PadSpeeds:
    """Radial extension of the fragments on pads.

    Attributes
    ----------
    growth : mapping of genotype to GenotypeGrowth
        Where one is known.
    source : mapping of genotype to RateSource
    covariance : mapping of (genotype, genotype) to float
        Of their extensions, in (mm/month)2.
    own : mapping of fragment to (float, float)
        Extension that was measured on the fragment itself and its standard uncertainty, scatter about its line
        included, mm/month.
    pair_spread : float
        Standard deviation of how fast a gap closes about what its fragments' areas tell, as a share of it.
    gap_scatter : float
        How far gaps lie off their lines, in standard uncertainties, over all pairs; 1 at least.
    pace : float
        Standard deviation of how fast all pairs of a pad close together from one time to another, by seasons mostly,
        as a share of its mean.
    """

    growth: Mapping[str, GenotypeGrowth]
    source: Mapping[str, RateSource]
    covariance: Mapping[tuple[str, str], float]
    own: Mapping[str, tuple[float, float]]
    pair_spread: float = USUAL_PAIR_SPREAD
    gap_scatter: float = 1.0
    pace: float = 0.0

    def source_of(self, genotype: str) -> RateSource:
        """Where the rate of a genotype comes from."""
        return self.source.get(genotype, RateSource.NONE)

    def spread_mm_per_month(self, genotype: str) -> float:
        """Standard deviation between fragments of a genotype."""
        one = self.growth[genotype]
        if math.isfinite(one.spread_mm_per_month):
            return one.spread_mm_per_month
        return USUAL_SPREAD * abs(one.extension_mm_per_month)


@dataclass(frozen=True)
class GapLine:
    """The straight line through the gaps of a pair, while it was apart.

    Attributes
    ----------
    months : float
        Of the gaps' weighted middle, before the last visit: 0 where that visit alone tells the gap.
    gap_mm, gap_u_mm : float
        At that time; below zero where tissue overlaps by so much more than contact.
    closing_mm_per_month, closing_u_mm_per_month : float
        nan and infinite where only one visit tells the gap.
    """

    months: float
    gap_mm: float
    gap_u_mm: float
    closing_mm_per_month: float = math.nan
    closing_u_mm_per_month: float = math.inf


def free_histories(pads: Iterable[PadHistory]) -> tuple[FragmentHistory, ...]:
    """Areas of fragments on pads over time, while they touched no neighbour.

    Parameters
    ----------
    pads : iterable of PadHistory

    Returns
    -------
    tuple of FragmentHistory
        In order of name. Once two fragments touch, one holds the other back, so later areas tell no free growth.
    """
    found: dict[tuple[str, str], list[AreaPoint]] = {}
    for pad in pads:
        for visit in pad.visits:
            touching = {name for pair in visit.pairs if pair.touching for name in pair.names}
            for one in visit.fragments:
                if one.shared or one.live_mm2 <= 0 or one.fragment in touching:
                    continue
                edge = min(2 * math.sqrt(math.pi * one.live_mm2) * one.edge_u_mm, one.live_u_mm2)
                rest = math.sqrt(one.live_u_mm2**2 - edge**2)
                point = AreaPoint(
                    visit.taken_at,
                    one.live_mm2,
                    (ErrorPart(edge), ErrorPart(rest, _SHARED)),
                    status=one.status,
                    dead_mm2=one.dead_mm2,
                )
                found.setdefault((one.fragment, one.genotype), []).append(point)
    return tuple(
        FragmentHistory(name, genotype, tuple(sorted(points, key=lambda point: point.taken_at)))
        for (name, genotype), points in sorted(found.items())
    )


def speeds_of(pads: Sequence[PadHistory], trays: GenotypesGrowth | None = None) -> PadSpeeds:
    """Speeds of all fragments on pads.

    Parameters
    ----------
    pads : sequence of PadHistory
    trays : GenotypesGrowth, optional
        Extension of the genotypes on trays, for those of which pads tell too little.

    Returns
    -------
    PadSpeeds

    Notes
    -----
    A genotype's rate is that of its fragments on the pads (:func:`fragarea.growth.growth_of_columns`) where these
    carry a mixed model, three fragments with three visits at least; else that on trays; else the mean of the few
    fragments' own rates on the pads.
    """
    histories = free_histories(pads)
    columns = columns_of(histories)
    nothing = np.full(len(columns.heads), np.nan)
    kept = reasons_of(columns, USUAL_RULES, lag_days=np.zeros(len(nothing)), exchanged_day=nothing) == KEPT
    on_pads = growth_of_columns(columns.rows(kept))
    strong = {one.genotype for one in on_pads.genotypes if one.known and one.method is not Method.MEANS}
    growth: dict[str, GenotypeGrowth] = {}
    source: dict[str, RateSource] = {}
    covariance: dict[tuple[str, str], float] = {}
    for table, where, chosen in (
        (on_pads, RateSource.PADS, strong),
        (trays, RateSource.TRAYS, None),
        (on_pads, RateSource.PADS, None),
    ):
        if table is None:
            continue
        rows = [
            (number, one)
            for number, one in enumerate(table.genotypes)
            if one.known and one.genotype not in growth and (chosen is None or one.genotype in chosen)
        ]
        growth |= {one.genotype: one for _, one in rows}
        source |= {one.genotype: where for _, one in rows}
        covariance |= {(a.genotype, b.genotype): float(table.covariance[i, j]) for i, a in rows for j, b in rows}
    # estimates from pads and from trays rest on different photos
    covariance = {(a, b): covariance.get((a, b), 0.0) for a in growth for b in growth}
    rows_of = np.split(kept, np.searchsorted(columns.fragment, np.arange(1, len(histories))))
    own = {}
    for history, of_it in zip(histories, rows_of, strict=True):
        points = [point for point, keep in zip(history.points, of_it, strict=True) if keep]
        if history.genotype in growth and (told := _own(points, growth[history.genotype])):
            own[history.fragment] = told
    speeds = PadSpeeds(growth, source, covariance, own, gap_scatter=_gap_scatter(pads), pace=_pace(pads))
    return replace(speeds, pair_spread=_pair_spread(pads, speeds))


def _own(points: Sequence[AreaPoint], growth: GenotypeGrowth) -> tuple[float, float] | None:
    """Extension of one fragment by a line through its own points, and how sure it is; None with fewer than two."""
    if len(points) < 2:
        return None
    months = np.array([days_between(points[0].taken_at, one.taken_at) for one in points]) / DAYS_PER_MONTH
    per_month = (months - months.mean()) / float(((months - months.mean()) ** 2).sum())
    edges = np.array([one.parts[0].u_mm2 * one.radius_per_area for one in points])
    scatter = growth.residual_mm if math.isfinite(growth.residual_mm) else 0.0
    radii = np.array([one.radius_mm for one in points])
    return float(per_month @ radii), math.sqrt(float(per_month**2 @ (edges**2 + scatter**2)))


def fragment_speed(speeds: PadSpeeds, fragment: str, genotype: str) -> tuple[float, float, float]:
    """Extension of a fragment given its genotype's.

    Parameters
    ----------
    speeds : PadSpeeds
    fragment, genotype : str
        The genotype's rate must be known.

    Returns
    -------
    base, weight, u : float
        The fragment's extension is `base` + `weight` times its genotype's, with standard deviation `u`, mm/month.

    Notes
    -----
    Fragments vary about their genotype normally; a fragment's own measurement is one more value with its own
    uncertainty, and the two are weighed by their variances.
    """
    spread = speeds.spread_mm_per_month(genotype)
    if fragment not in speeds.own:
        return 0.0, 1.0, spread
    value, u = speeds.own[fragment]
    if spread == 0 and u == 0:
        return value, 0.0, 0.0
    own = spread**2 / (spread**2 + u**2)
    return own * value, 1 - own, spread * math.sqrt(1 - own)


def gap_line(pairs: Sequence[PairVisit], *, overlap_mm: float = 0.0, scatter: float = 1.0) -> GapLine:
    """The line through the gaps of a pair's visits.

    Parameters
    ----------
    pairs : sequence of PairVisit
        Of one pair, in order of time; at the last both have live tissue, and they are apart or in contact.
    overlap_mm : float
        Of the tissue of a pair that has a neck already: counted as a gap below zero.
    scatter : float
        What uncertainties are multiplied by: gaps lie so much further off their lines than they explain.

    Returns
    -------
    GapLine

    Notes
    -----
    Only the visits since the pair was last touching count, of at most `WINDOW_DAYS`. Weighted least squares.
    """
    last = pairs[-1]
    apart = _apart(pairs)
    u_mm = scatter * np.maximum([one.gap_u_mm for one in apart], _LEAST_U_MM)
    now = GapLine(0.0, last.gap_mm - overlap_mm, scatter * max(last.gap_u_mm, _LEAST_U_MM))
    if len(apart) < 2:
        return now
    months = np.array([-days_between(one.taken_at, last.taken_at) / DAYS_PER_MONTH for one in apart])
    gaps = np.array([one.gap_mm for one in apart])
    weights = 1 / u_mm**2
    middle = float(weights @ months / weights.sum())
    level = float(weights @ gaps / weights.sum())
    bend = float(weights @ (months - middle) ** 2)
    closing = -float(weights @ ((months - middle) * gaps)) / bend
    closing_u = math.sqrt(1 / bend)
    if last.state is not PairState.APART:
        return GapLine(0.0, now.gap_mm, now.gap_u_mm, closing, closing_u)
    return GapLine(-middle, level, math.sqrt(1 / float(weights.sum())), closing, closing_u)


def _apart(pairs: Sequence[PairVisit]) -> list[PairVisit]:
    """The visits of a pair, latest first, that tell how fast it closes."""
    last = pairs[-1]
    found: list[PairVisit] = []
    for pair in reversed(pairs if last.state is PairState.APART else pairs[:-1]):
        old = days_between(pair.taken_at, last.taken_at) > WINDOW_DAYS
        if old or pair.state is not PairState.APART or not math.isfinite(pair.gap_mm):
            break
        found.append(pair)
    return found


def _gap_scatter(pads: Sequence[PadHistory]) -> float:
    """How far gaps lie off their lines over what their uncertainties explain: Birge's ratio, over all pairs."""
    squares, freedom = 0.0, 0
    for pad in pads:
        for visits in pad.pairs.values():
            apart = _apart(visits)
            if len(apart) < 3:
                continue
            line = gap_line(visits if visits[-1].state is PairState.APART else visits[:-1])
            for one in apart:
                months = line.months - days_between(one.taken_at, apart[0].taken_at) / DAYS_PER_MONTH
                off = one.gap_mm - line.gap_mm + line.closing_mm_per_month * months
                squares += (off / max(one.gap_u_mm, _LEAST_U_MM)) ** 2
            freedom += len(apart) - 2
    return math.sqrt(max(1.0, squares / freedom)) if freedom else 1.0


def _pace(pads: Sequence[PadHistory]) -> float:
    """How the closing of all pairs of a pad quickens and slows together, from visit to visit."""
    squares, by_chance, freedom = 0.0, 0.0, 0
    for pad in pads:
        told: dict[tuple[float, float], list[float]] = {}
        for visits in pad.pairs.values():
            apart = _apart(visits)[::-1]
            if len(apart) <= LEAST_STEPS:
                continue
            mean = (apart[0].gap_mm - apart[-1].gap_mm) / days_between(apart[0].taken_at, apart[-1].taken_at)
            if mean <= 0:
                continue
            for one, other in pairwise(apart):
                days = days_between(one.taken_at, other.taken_at)
                key = (days_between(one.taken_at, apart[-1].taken_at), days)
                told.setdefault(key, []).append((one.gap_mm - other.gap_mm) / (mean * days))
        steps = [ratios for ratios in told.values() if len(ratios) >= max(2, len(pad.pairs) / 2)]
        if len(steps) < LEAST_STEPS:
            continue
        paces = np.array([np.mean(ratios) for ratios in steps])
        # an edge that is off moves the gaps to all its neighbours, so no more than half the fragments tell each alone
        alone = max(1.0, len(pad.visits[-1].fragments) / 2)
        noise = float(np.mean([np.var(ratios, ddof=1) for ratios in steps])) / alone
        freedom += len(steps) - 1
        squares += float(((paces - paces.mean()) ** 2).sum())
        by_chance += noise * (len(steps) - 1)
    if not freedom:
        return USUAL_PACE
    # a swing that errors of measurement could make is taken for none: two standard deviations of chi-squared, half as
    # wide again because neighbouring steps share a visit
    if squares < by_chance * (1 + 3 * math.sqrt(2 / freedom)):
        return 0.0
    return math.sqrt((squares - by_chance) / freedom)


def _pair_spread(pads: Sequence[PadHistory], speeds: PadSpeeds) -> float:
    """How far gaps close otherwise than areas tell, over all pairs that tell it."""
    surplus = [USUAL_PAIR_WEIGHT * USUAL_PAIR_SPREAD**2]
    for pad in pads:
        for visits in pad.pairs.values():
            last = visits[-1]
            if last.state is not PairState.APART or not math.isfinite(last.gap_mm):
                continue
            if last.genotype_a not in speeds.growth or last.genotype_b not in speeds.growth:
                continue
            line = gap_line(visits, scatter=speeds.gap_scatter)
            mean, u = pair_speed(speeds, last)
            if math.isfinite(line.closing_u_mm_per_month) and mean > 0:
                known = u**2 + line.closing_u_mm_per_month**2
                surplus.append(((line.closing_mm_per_month - mean) ** 2 - known) / mean**2)
    return math.sqrt(max(sum(surplus), 0.0) / (USUAL_PAIR_WEIGHT + len(surplus) - 1))


def pair_speed(speeds: PadSpeeds, pair: PairVisit) -> tuple[float, float]:
    """How fast the areas of two fragments say that they close, and its standard uncertainty, mm/month."""
    genotypes = (pair.genotype_a, pair.genotype_b)
    parts = [fragment_speed(speeds, *one) for one in zip(pair.names, genotypes, strict=True)]
    mean = sum(
        base + weight * speeds.growth[genotype].extension_mm_per_month
        for (base, weight, _), genotype in zip(parts, genotypes, strict=True)
    )
    variance = sum(u**2 for _, _, u in parts)
    for (_, one, _), a in zip(parts, genotypes, strict=True):
        for (_, other, _), b in zip(parts, genotypes, strict=True):
            variance += one * other * speeds.covariance[a, b]
    return mean, math.sqrt(variance)
