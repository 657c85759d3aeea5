"""Radial extension of every genotype: mixed models, and simpler estimates where there is little to go by."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from itertools import pairwise

import numpy as np
from scipy import sparse, stats

from fragarea.area import effective_dof
from fragarea.growth.columns import OWN, AreaColumns, Ints, columns_of
from fragarea.growth.curve import GrowthCurve
from fragarea.growth.mixed import Array, Block, fit_mixed
from fragarea.growth.records import DAYS_PER_MONTH, FragmentHistory

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


@dataclass(frozen=True, eq=False)
class _Group:
    """The points of one genotype as numbers, in order of fragment and time."""

    name: str
    starts: Ints  # row with which each fragment begins
    counts: Ints  # and how many it has
    fragment: Ints  # number within the group, from 0
    months: Array
    radii: Array
    noise: Array  # variance of what a fragment's points do not share

    @property
    def fragments(self) -> int:
        return len(self.starts)


@dataclass(frozen=True, eq=False)
class _Estimate:
    """One genotype before shared errors: slope = sum of weights times radii."""

    growth: GenotypeGrowth
    variance: float
    weights: Array  # by row


def genotype_growth(curves: Iterable[GrowthCurve]) -> GenotypesGrowth:
    """Estimate the radial extension of every genotype.

    Parameters
    ----------
    curves : iterable of GrowthCurve
        Fragments with fewer than two points tell no rate and are passed over.

    Returns
    -------
    GenotypesGrowth

    Notes
    -----
    r_ij = a_g + b_g t_ij + (a_i + b_i t_ij) + e_ij, with t in months since the fragment's first point,
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
    return growth_of_columns(
        columns_of(FragmentHistory(one.fragment, one.genotype, one.points, one.site) for one in curves)
    )


def growth_of_columns(columns: AreaColumns) -> GenotypesGrowth:
    """As :func:`genotype_growth`, from all points that count as columns."""
    names = sorted({head.genotype for head in columns.heads})
    order = sorted(range(len(columns.heads)), key=lambda i: (columns.heads[i].genotype, columns.heads[i].fragment))
    place = np.empty(len(order), dtype=np.int64)
    place[order] = np.arange(len(order))
    fragment = place[columns.fragment]
    points = columns.rows(np.argsort(fragment, kind="stable"))
    fragment = place[points.fragment]
    starts, counts = _runs(fragment)
    lasts = points.day[starts + counts - 1]
    rates = np.repeat(points.day[starts] < lasts, counts)  # one moment tells no rate
    points, fragment = points.rows(rates), fragment[rates]
    per_area = 0.5 / np.sqrt(math.pi * points.area_mm2)
    u = points.part_u_mm2 * per_area[:, None]
    shared = _SharedErrors(fragment, u, points.part_source)
    genotype = np.searchsorted(names, [columns.heads[i].genotype for i in order])
    groups = [
        _group(name, fragment[rows], points.day[rows], points.area_mm2[rows], shared.noise[rows])
        for name, rows in zip(names, _slices(genotype[fragment], len(names)), strict=True)
    ]
    estimates = _estimates(groups)
    weights = np.concatenate([one.weights for one in estimates]) if estimates else np.empty(0)
    covariance = np.diag([one.variance for one in estimates]) + shared.covariance(weights, genotype)
    return GenotypesGrowth(
        tuple(_with_interval(one, covariance[i, i]) for i, one in enumerate(estimates)), covariance
    )


def _runs(ascending: Ints) -> tuple[Ints, Ints]:
    """Where each number begins, and how often it stands."""
    starts = np.flatnonzero(np.diff(ascending, prepend=-1) > 0)
    return starts, np.diff(np.r_[starts, len(ascending)])


def _slices(ascending: Ints, count: int) -> list[slice]:
    """Rows of each of the numbers 0 to count - 1."""
    bounds = np.searchsorted(ascending, np.arange(count + 1))
    return [slice(int(a), int(b)) for a, b in pairwise(bounds)]


def _group(name: str, fragment: Ints, day: Array, area_mm2: Array, noise: Array) -> _Group:
    starts, counts = _runs(fragment)
    number = np.repeat(np.arange(len(starts)), counts)
    months = (day - day[starts][number]) / DAYS_PER_MONTH
    return _Group(name, starts, counts, number, months, np.sqrt(area_mm2 / math.pi), noise)


class _SharedErrors:
    """Errors that rows have in common, within fragments and between them.

    Attributes
    ----------
    noise : ndarray of float64, shape (n,)
        Variance of each radius by what no other row of its fragment shares.
    """

    def __init__(self, fragment: Ints, u_mm: Array, source: Ints) -> None:
        named = source != OWN
        count = int(source.max(initial=0)) + 1
        self._row, part = np.nonzero(named)
        self._u = u_mm[self._row, part]
        keys, self._pair, times = np.unique(
            fragment[self._row] * count + source[self._row, part], return_inverse=True, return_counts=True
        )
        self._fragment, self._source = np.divmod(keys, count)
        self._once = times == 1
        self._holders = np.bincount(self._source, minlength=count)
        self.noise = np.where(named, 0.0, u_mm**2).sum(axis=1)
        once = self._once[self._pair]
        self.noise += np.bincount(self._row[once], self._u[once] ** 2, minlength=len(fragment))

    def covariance(self, weights: Array, genotype: Ints) -> Array:
        """What errors that fragments share add to the covariance of the genotypes' extensions.

        Parameters
        ----------
        weights : ndarray of float64, shape (n,)
            What each radius is multiplied by in its genotype's extension.
        genotype : ndarray of int64, shape (fragments,)
            Number of each fragment's genotype.
        """
        number = int(genotype.max(initial=-1)) + 1
        moved = np.bincount(self._pair, weights[self._row] * self._u, minlength=len(self._fragment))
        between = self._holders[self._source] > 1
        of = genotype[self._fragment]
        shape = (len(self._holders), number)
        moves = sparse.coo_array((moved[between], (self._source[between], of[between])), shape=shape).tocsr()
        # Where a fragment meets an error once only, its fit holds it already, as noise.
        counted = np.bincount(of, np.where(between & self._once, moved**2, 0.0), minlength=number)
        return np.asarray((moves.T @ moves).toarray() - np.diag(counted))


def _estimates(groups: Sequence[_Group]) -> list[_Estimate]:
    modelled = [group for group in groups if _carries_a_model(group)]
    own = [group for group in modelled if group.fragments >= OWN_SPREAD_FRAGMENTS or len(modelled) == 1]
    estimates: dict[str, _Estimate] = {}
    for group in own:
        estimates |= _from_fit(Method.OWN, [group], [group.name])
    if len(own) < len(modelled):
        estimates |= _from_fit(Method.POOLED, modelled, {group.name for group in modelled} - {g.name for g in own})
    for group in groups:
        if group.name not in estimates:
            simple = _from_means(group)
            estimates[group.name] = replace(simple, growth=replace(simple.growth, fell_back=group in modelled))
    return [estimates[group.name] for group in groups]


def _carries_a_model(group: _Group) -> bool:
    return int((group.counts >= 3).sum()) >= LEAST_FRAGMENTS


def _from_fit(method: Method, groups: Sequence[_Group], wanted: Collection[str]) -> dict[str, _Estimate]:
    """Estimates of one fit to all groups; none where it does not converge."""
    speeds = _pilot_speeds(groups)
    try:
        fit = fit_mixed([_block(group, speed) for group, speed in zip(groups, speeds, strict=True)])
    except np.linalg.LinAlgError:
        return {}
    if not fit.converged:
        return {}
    freedom = sum(group.fragments - 1 for group in groups)
    estimates = {}
    for position, (group, speed) in enumerate(zip(groups, speeds, strict=True)):
        if group.name in wanted:
            growth = GenotypeGrowth(
                genotype=group.name,
                fragments=group.fragments,
                points=len(group.radii),
                method=method,
                extension_mm_per_month=float(fit.coefficients[position][1]),
                freedom=float(freedom),
                spread_mm_per_month=speed * math.sqrt(fit.random_covariance[1, 1]),
                residual_mm=math.sqrt(fit.residual_variance),
            )
            variance = float(fit.covariances[position][1, 1])
            estimates[group.name] = _Estimate(growth, variance, fit.weights[position][1])
    return estimates


def _block(group: _Group, speed: float) -> Block:
    ones = np.ones(len(group.months))
    return Block(
        fixed=np.column_stack([ones, group.months]),
        random=np.column_stack([ones, speed * group.months]),
        subject=group.fragment,
        values=group.radii,
        known_variance=group.noise,
    )


def _pilot_speeds(groups: Sequence[_Group]) -> list[float]:
    """What the spread of each group's slopes is taken to be in proportion to: its mean slope."""
    means = [abs(float(_line_weights(group) @ group.radii)) / group.fragments for group in groups]
    # A genotype that stands still varies all the same.
    return [max(mean, LEAST_SPEED_SHARE * max(means)) or 1.0 for mean in means]


def _from_means(group: _Group) -> _Estimate:
    points = len(group.radii)
    if group.fragments < 2:
        return _Estimate(
            GenotypeGrowth(group.name, group.fragments, points, Method.TOO_FEW), math.nan, np.zeros(points)
        )
    weights = _line_weights(group)
    slopes = np.add.reduceat(weights * group.radii, group.starts)
    growth = GenotypeGrowth(
        genotype=group.name,
        fragments=group.fragments,
        points=points,
        method=Method.MEANS,
        extension_mm_per_month=float(slopes.mean()),
        freedom=float(group.fragments - 1),
    )
    # Fragments that happen to agree are not known better than they were measured.
    measured = float(weights**2 @ group.noise) / group.fragments
    variance = max(float(slopes.var(ddof=1)), measured) / group.fragments
    return _Estimate(growth, variance, weights / group.fragments)


def _line_weights(group: _Group) -> Array:
    """Weights that give the slope of each fragment's ordinary least-squares line."""
    means = np.add.reduceat(group.months, group.starts) / group.counts
    centred = group.months - means[group.fragment]
    return np.asarray(centred / np.add.reduceat(centred**2, group.starts)[group.fragment])


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
