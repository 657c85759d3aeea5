"""Radial extension of every genotype: mixed models, and simpler estimates where there is little to go by."""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
from scipy import stats

from fragarea.area import effective_dof
from fragarea.growth.curve import GrowthCurve
from fragarea.growth.mixed import Array, Block, fit_mixed
from fragarea.growth.records import DAYS_PER_MONTH, AreaPoint, days_between

LEAST_FRAGMENTS = 3
"""Fewer fragments with three points do not carry a mixed model."""

OWN_SPREAD_FRAGMENTS = 6
"""From so many fragments on a genotype's spread is its own; below, one estimated from few would be borrowed less well
than the common one (by simulation, see benchmarks/growth.py)."""


LEAST_SPEED_SHARE = 0.2
"""Of the fastest genotype's extension: what a slower one is taken to vary by, at least, in a common fit."""


class Method(StrEnum):
    """How an extension was estimated; the text stands in reports."""

    OWN = "mixed model"
    POOLED = "mixed model, relative spread taken from all genotypes"
    MEANS = "mean of the fragments' own rates"
    TOO_FEW = "not enough: two fragments with two measurements each are needed"


@dataclass(frozen=True)
class GenotypeGrowth:
    """Radial extension of one genotype.

    Attributes
    ----------
    genotype : str
    fragments, points : int
        Fragments with at least two measurements that count, and those measurements.
    method : Method
    extension_mm_per_month, extension_u_mm_per_month : float
        nan where there is not enough.
    low_mm_per_month, high_mm_per_month : float
        95 % interval.
    freedom : float
        Effective degrees of freedom of the uncertainty.
    spread_mm_per_month : float
        Standard deviation of true extension between fragments; nan where it was not estimated.
    residual_mm : float
        Standard deviation of the radius about a fragment's line, beside measurement uncertainty; nan likewise.
    fell_back : bool
        True where a mixed model was tried and did not converge, so that a simpler estimate stands here.
    """

    genotype: str
    fragments: int
    points: int
    method: Method
    extension_mm_per_month: float = math.nan
    extension_u_mm_per_month: float = math.nan
    low_mm_per_month: float = math.nan
    high_mm_per_month: float = math.nan
    freedom: float = math.nan
    spread_mm_per_month: float = math.nan
    residual_mm: float = math.nan
    fell_back: bool = False

    @property
    def known(self) -> bool:
        """Whether there is an estimate."""
        return self.method is not Method.TOO_FEW


@dataclass(frozen=True, eq=False)
class GenotypesGrowth:
    """Extension of all genotypes.

    Attributes
    ----------
    genotypes : tuple of GenotypeGrowth
        In order of name.
    covariance : ndarray, shape (n, n)
        Of their extensions, in (mm/month)2; nan where there is no estimate.
    """

    genotypes: tuple[GenotypeGrowth, ...]
    covariance: Array


@dataclass(frozen=True)
class _Series:
    """The points of one fragment as numbers."""

    months: Array
    radii: Array
    noise: Array  # variance of what this fragment's points do not share
    shared: tuple[dict[str, float], ...]  # by point: source -> u of the radius
    in_noise: frozenset[str]  # sources that are part of `noise`


@dataclass(frozen=True, eq=False)
class _Estimate:
    """One genotype before shared errors: slope = sum of weights times radii."""

    growth: GenotypeGrowth
    variance: float
    weights: tuple[Array, ...]  # by fragment


def genotype_growth(curves: Iterable[GrowthCurve]) -> GenotypesGrowth:
    """Estimate the radial extension of every genotype.

    Parameters
    ----------
    curves : iterable of GrowthCurve
        Fragments with fewer than two points tell no rate and are passed over.

    Returns
    -------
    GenotypesGrowth

    Notes ----- r_ij = a_g + b_g t_ij + (a_i + b_i t_ij) + e_ij, with t in months since the fragment's first point,
    fixed effects a_g, b_g of its genotype, random intercept and slope a_i, b_i, and var e_ij = sigma^2 + d_ij,
    where d_ij is the known variance of what the points of a fragment do not share. Restricted maximum likelihood,
    see :func:`fragarea.growth.mixed.fit_mixed`. A genotype with at least `OWN_SPREAD_FRAGMENTS` fragments has
    variances of its own, because fast genotypes vary more; the others take those of a fit to all genotypes
    together, in which the spread of slopes is in proportion to the genotype's mean slope (an assumption, named in
    the result).

    The estimate is linear in the radii. So errors that fragments share (the scale of one photo, the print of all)
    enter it by the same weights, and their variance is added [1]_. A fragment's own constant error (the assumed
    height of its edge) makes its extension too large or small by a factor, so it is part of the spread between
    fragments.

    Intervals are b_g +- t u, with fragments less genotypes as degrees of freedom (those that carry the largest part,
    spread between fragments; Pinheiro & Bates 2000, section 2.4.2, from memory), and infinite ones for the shared
    part [2]_.

    With fewer than `LEAST_FRAGMENTS` fragments of three points, or where a fit does not converge, the estimate is the
    mean of the fragments' own rates with its standard error and one degree of freedom less than fragments.

    References
    ----------
    .. [1] JCGM 100:2008, F.1.2.3.
    .. [2] JCGM 100:2008, G.4.1, equation G.2b.
    """
    series: dict[str, list[_Series]] = defaultdict(list)
    for curve in sorted(curves, key=lambda one: (one.genotype, one.fragment)):
        made = _series(curve.points) if len(curve.points) >= 2 else None
        if made is not None:
            series[curve.genotype].append(made)
        else:
            series[curve.genotype] += []
    names = sorted(series)
    estimates = _estimates(series)
    covariance = _with_shared([series[name] for name in names], [estimates[name] for name in names])
    return GenotypesGrowth(
        tuple(_with_interval(estimates[name], covariance[i, i]) for i, name in enumerate(names)), covariance
    )


def _series(points: Sequence[AreaPoint]) -> _Series | None:
    """A fragment's points as numbers; None where all were taken at once."""
    if not points[0].taken_at < points[-1].taken_at:
        return None
    seen = Counter(source for point in points for source in {part.source for part in point.parts} if source)
    noise, shared = [], []
    for point in points:
        own = 0.0
        named: dict[str, float] = defaultdict(float)
        for part in point.parts:
            u = part.u_mm2 * point.radius_per_area
            if seen[part.source] <= 1:
                own += u * u
            if part.source:
                named[part.source] += u
        noise.append(own)
        shared.append(dict(named))
    return _Series(
        months=np.array([days_between(points[0].taken_at, one.taken_at) for one in points]) / DAYS_PER_MONTH,
        radii=np.array([one.radius_mm for one in points]),
        noise=np.array(noise),
        shared=tuple(shared),
        in_noise=frozenset(source for source, count in seen.items() if count == 1),
    )


def _estimates(series: dict[str, list[_Series]]) -> dict[str, _Estimate]:
    modelled = {name: found for name, found in series.items() if _carries_a_model(found)}
    own = {name for name in modelled if len(modelled[name]) >= OWN_SPREAD_FRAGMENTS or len(modelled) == 1}
    estimates: dict[str, _Estimate] = {}
    for name in own:
        estimates |= _from_fit(Method.OWN, {name: modelled[name]}, [name])
    if len(own) < len(modelled):
        estimates |= _from_fit(Method.POOLED, modelled, [name for name in modelled if name not in own])
    for name, found in series.items():
        if name not in estimates:
            simple = _from_means(name, found)
            estimates[name] = replace(simple, growth=replace(simple.growth, fell_back=name in modelled))
    return estimates


def _carries_a_model(found: Sequence[_Series]) -> bool:
    return sum(len(one.radii) >= 3 for one in found) >= LEAST_FRAGMENTS


def _from_fit(method: Method, groups: dict[str, list[_Series]], wanted: Collection[str]) -> dict[str, _Estimate]:
    """Estimates of one fit to all groups; none where it does not converge."""
    speeds = _pilot_speeds(groups)
    try:
        fit = fit_mixed([_block(found, speeds[name]) for name, found in groups.items()])
    except np.linalg.LinAlgError:
        return {}
    if not fit.converged:
        return {}
    freedom = sum(len(found) - 1 for found in groups.values())
    estimates = {}
    for position, (name, found) in enumerate(groups.items()):
        if name in wanted:
            growth = GenotypeGrowth(
                genotype=name,
                fragments=len(found),
                points=sum(len(one.radii) for one in found),
                method=method,
                extension_mm_per_month=float(fit.coefficients[position][1]),
                freedom=float(freedom),
                spread_mm_per_month=speeds[name] * math.sqrt(fit.random_covariance[1, 1]),
                residual_mm=math.sqrt(fit.residual_variance),
            )
            ends = np.cumsum([len(one.radii) for one in found])[:-1]
            weights = tuple(np.split(fit.weights[position][1], ends))
            estimates[name] = _Estimate(growth, float(fit.covariances[position][1, 1]), weights)
    return estimates


def _block(found: Sequence[_Series], speed: float) -> Block:
    months = np.concatenate([one.months for one in found])
    ones = np.ones(len(months))
    return Block(
        fixed=np.column_stack([ones, months]),
        random=np.column_stack([ones, speed * months]),
        subject=np.repeat(np.arange(len(found)), [len(one.radii) for one in found]),
        values=np.concatenate([one.radii for one in found]),
        known_variance=np.concatenate([one.noise for one in found]),
    )


def _pilot_speeds(groups: Mapping[str, Sequence[_Series]]) -> dict[str, float]:
    """What the spread of each group's slopes is taken to be in proportion to: its mean slope."""
    means = {
        name: abs(float(np.mean([_line_weights(one.months) @ one.radii for one in found])))
        for name, found in groups.items()
    }
    # A genotype that stands still varies all the same.
    return {name: max(mean, LEAST_SPEED_SHARE * max(means.values())) or 1.0 for name, mean in means.items()}


def _from_means(name: str, found: Sequence[_Series]) -> _Estimate:
    points = sum(len(one.radii) for one in found)
    if len(found) < 2:
        empty = GenotypeGrowth(name, len(found), points, Method.TOO_FEW)
        return _Estimate(empty, math.nan, tuple(np.zeros(len(one.radii)) for one in found))
    weights = [_line_weights(one.months) for one in found]
    slopes = np.array([w @ one.radii for w, one in zip(weights, found, strict=True)])
    growth = GenotypeGrowth(
        genotype=name,
        fragments=len(found),
        points=points,
        method=Method.MEANS,
        extension_mm_per_month=float(slopes.mean()),
        freedom=float(len(found) - 1),
    )
    # Fragments that happen to agree are not known better than they were measured.
    measured = np.mean([w**2 @ one.noise for w, one in zip(weights, found, strict=True)])
    variance = max(float(slopes.var(ddof=1)), float(measured)) / len(found)
    return _Estimate(growth, variance, tuple(w / len(found) for w in weights))


def _line_weights(months: Array) -> Array:
    """Weights that give the slope of an ordinary least-squares line."""
    centred = months - months.mean()
    return np.asarray(centred / (centred @ centred))


def _with_shared(groups: Sequence[Sequence[_Series]], estimates: Sequence[_Estimate]) -> Array:
    """Covariance of the extensions, with the errors that fragments share."""
    n = len(groups)
    moves: dict[str, Array] = defaultdict(lambda: np.zeros(n))  # by source: what it does to each extension
    counted: dict[str, Array] = defaultdict(lambda: np.zeros(n))  # what of it the fits already hold
    holders: Counter[str] = Counter()
    for g, (found, estimate) in enumerate(zip(groups, estimates, strict=True)):
        for one, weights in zip(found, estimate.weights, strict=True):
            by_source: dict[str, float] = defaultdict(float)
            for weight, named in zip(weights, one.shared, strict=True):
                for source, u in named.items():
                    by_source[source] += weight * u
            for source, moved in by_source.items():
                moves[source][g] += moved
                holders[source] += 1
                if source in one.in_noise:
                    counted[source][g] += moved**2
    covariance = np.diag([estimate.variance for estimate in estimates])
    for source, moves_all in moves.items():
        if holders[source] > 1:
            covariance += np.outer(moves_all, moves_all) - np.diag(counted[source])
    return covariance


def _with_interval(estimate: _Estimate, variance: float) -> GenotypeGrowth:
    growth = estimate.growth
    if not growth.known:
        return growth
    # Signs of shared errors may cancel between fragments; the interval is never narrower than without them.
    variance = max(variance, estimate.variance)
    u = math.sqrt(variance)
    freedom = effective_dof(
        [math.sqrt(estimate.variance), math.sqrt(variance - estimate.variance)], [growth.freedom, math.inf]
    )
    half = float(stats.t.ppf(0.975, freedom)) * u
    return replace(
        growth,
        extension_u_mm_per_month=u,
        low_mm_per_month=growth.extension_mm_per_month - half,
        high_mm_per_month=growth.extension_mm_per_month + half,
        freedom=freedom,
    )
